"""The survey on recorded trees of our own making, and on this machine against other readers."""

from __future__ import annotations

import json
import os
import threading
import zlib
from pathlib import Path
from typing import Any

import psutil
import pytest

from orchestrator.onhost.survey import read_survey
from orchestrator.onhost.survey.activity import firmware_missing, read_activity
from orchestrator.onhost.survey.cards import bus_link, read_cards, read_interface_depths
from orchestrator.onhost.survey.machine import kernel_configuration, read_machine
from orchestrator.onhost.survey.modules import modules_that_claim, option_of
from orchestrator.onhost.survey.roots import Roots
from tests.onhost.own_namespace import as_ordinary_user, in_own_namespace, make_pair, run

RELEASE = "6.1.0-cloud"
ALIAS = "pci:v0000ABCDd00000010sv0000ABCDsd00000000bc02sc00i00"


def tree(top: Path, files: dict[str, str], links: dict[str, str] | None = None) -> Roots:
    """A recorded tree: texts by path, and symbolic links."""
    for path, text in files.items():
        file = top / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    for path, target in (links or {}).items():
        (top / path).parent.mkdir(parents=True, exist_ok=True)
        (top / path).symlink_to(target)
    return Roots(*(str(top / part) for part in ("proc", "sys", "boot", "modules", "kmsg")))


def card_files(slot: str = "0000:02:00.0", kind: str = "0x020000") -> dict[str, str]:
    base = f"sys/bus/pci/devices/{slot}"
    return {
        f"{base}/class": f"{kind}\n",
        f"{base}/vendor": "0xabcd\n",
        f"{base}/device": "0x0010\n",
        f"{base}/modalias": ALIAS + "\n",
    }


def test_a_card_without_a_driver_is_found_with_the_module_that_claims_it(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {
            **card_files(),
            f"modules/{RELEASE}/modules.alias": "# Aliases\nalias pci:v0000ABCDd00000010sv*sd*bc*sc*i* oldcard\n"
            "alias pci:v0000ABCDd00000011sv*sd*bc*sc*i* newcard\n"
            "alias usb:vABCDp0001d*dc*dsc*dp*ic*isc*ip*in* usbcard\n",
        },
    )
    assert read_cards(roots, RELEASE) == [
        {
            "slot": "0000:02:00.0",
            "ids": "abcd:0010",
            "driver": "",
            "interfaces": [],
            "modules": ["oldcard"],
            "other_kernels": {},
            "options": {"oldcard": ""},
        }
    ]


def test_a_module_that_only_another_kernel_has_is_named_with_what_this_one_was_configured(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {
            **card_files(),
            f"modules/{RELEASE}/modules.alias": "",
            "modules/6.1.0-full/modules.alias": "alias pci:v0000ABCDd00000010sv*sd*bc*sc*i* old-card\n",
            f"boot/config-{RELEASE}": "CONFIG_PCI=y\n# CONFIG_OLD_CARD is not set\nCONFIG_NEWCARD=m\n",
        },
    )
    card = read_cards(roots, RELEASE)[0]
    assert card["other_kernels"] == {"6.1.0-full": ["old-card"]}
    assert card["options"] == {"old-card": "off"}
    assert option_of(roots, RELEASE, "newcard") == "module"
    assert option_of(roots, RELEASE, "pci") == "built in"
    assert option_of(roots, RELEASE, "nobody") == ""


def test_a_module_that_is_built_in_claims_too(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {
            f"modules/{RELEASE}/modules.builtin.modinfo": "oldcard.license=GPL\0oldcard.alias=pci:v0000ABCDd00000010*\0"
            "x.alias=pci:v0000ABCDd0001*\0"
        },
    )
    assert modules_that_claim(roots, RELEASE, ALIAS) == ["oldcard"]


def test_a_card_with_driver_and_interface_and_other_devices_are_told_apart(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {
            **card_files(),
            **card_files("0000:03:00.0", "0x010802"),
            "sys/bus/pci/devices/0000:02:00.0/net/eth1/mtu": "1500\n",
        },
        {"sys/bus/pci/devices/0000:02:00.0/driver": "../../drivers/oldcard"},
    )
    assert [(card["driver"], card["interfaces"]) for card in read_cards(roots, RELEASE)] == [("oldcard", ["eth1"])]


def test_an_interface_on_a_device_on_top_of_the_card_counts(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {**card_files(), "sys/bus/pci/devices/0000:02:00.0/virtio0/net/eth0/mtu": "1500\n"},
        {"sys/bus/pci/devices/0000:02:00.0/driver": "../../drivers/virtio-pci"},
    )
    assert read_cards(roots, RELEASE)[0]["interfaces"] == ["eth0"]


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        (
            {
                "devices/pci0/0000:02:00.0/current_link_speed": "2.5 GT/s PCIe\n",
                "devices/pci0/0000:02:00.0/current_link_width": "1\n",
                "devices/pci0/0000:02:00.0/max_link_speed": "5.0 GT/s PCIe\n",
                "devices/pci0/0000:02:00.0/max_link_width": "4\n",
                "devices/pci0/0000:02:00.0/net/eth1/mtu": "1500\n",
            },
            {"kind": "pcie", "speed": "2.5 GT/s PCIe", "width": 1, "best_speed": "5.0 GT/s PCIe", "best_width": 4},
        ),
        (
            {
                "devices/usb1/1-1/speed": "5000\n",
                "devices/usb1/1-1/busnum": "1\n",
                "devices/usb1/1-1/1-1:1.0/net/eth1/mtu": "1\n",
            },
            {"kind": "usb", "mbit_s": 5000},
        ),
    ],
)
def test_the_bus_of_an_interface_is_found_above_its_device(
    tmp_path: Path, files: dict[str, str], expected: dict[str, Any]
) -> None:
    roots = tree(tmp_path, {f"sys/{path}": text for path, text in files.items()})
    device = next(path for path in (tmp_path / "sys").rglob("net") if path.is_dir())
    (tmp_path / "sys/class/net/eth1").mkdir(parents=True)
    (tmp_path / "sys/class/net/eth1/device").symlink_to(device.parent)
    assert bus_link(roots, "eth1") == expected
    assert bus_link(roots, "eth9") is None


def test_kernel_configuration_is_read_from_each_place_it_can_be(tmp_path: Path) -> None:
    packer = zlib.compressobj(wbits=31)
    roots = tree(tmp_path, {"proc/x": ""})
    assert kernel_configuration(roots, RELEASE) == ""
    (tmp_path / "proc/config.gz").write_bytes(packer.compress(b"CONFIG_NET=y\n") + packer.flush())
    assert kernel_configuration(roots, RELEASE) == "CONFIG_NET=y\n"
    (tmp_path / "proc/config.gz").write_bytes(b"not packed")
    assert kernel_configuration(roots, RELEASE) == ""
    tree(tmp_path, {f"modules/{RELEASE}/config": "CONFIG_A=y", f"boot/config-{RELEASE}": "CONFIG_B=y"})
    assert kernel_configuration(roots, RELEASE) == "CONFIG_B=y"


def test_the_machine_is_read_in_the_kernels_units(tmp_path: Path) -> None:
    """kHz, thousandths of a degree, kibibytes."""
    cpu = "sys/devices/system/cpu"
    roots = tree(
        tmp_path,
        {
            "proc/meminfo": "MemTotal:        8000000 kB\nMemFree: 1 kB\n",
            "proc/cpuinfo": "processor\t: 0\nModel\t\t: a board\n",
            "proc/cmdline": "quiet isolcpus=3\n",
            f"{cpu}/cpufreq/policy0/scaling_governor": "powersave\n",
            f"{cpu}/cpufreq/policy0/affected_cpus": "0 1\n",
            f"{cpu}/cpufreq/policy0/scaling_max_freq": "1200000\n",
            f"{cpu}/cpufreq/policy0/cpuinfo_max_freq": "1800000\n",
            f"{cpu}/cpufreq/policy0/scaling_driver": "slow-dt\n",
            f"{cpu}/cpu0/thermal_throttle/core_throttle_count": "3\n",
            "sys/class/thermal/thermal_zone0/temp": "45000\n",
            "sys/class/thermal/thermal_zone0/trip_point_0_type": "passive\n",
            "sys/class/thermal/thermal_zone0/trip_point_0_temp": "85000\n",
            "sys/class/thermal/thermal_zone0/trip_point_1_type": "critical\n",
            "sys/class/thermal/thermal_zone0/trip_point_1_temp": "110000\n",
            "sys/class/hwmon/hwmon0/name": "rail\n",
            "sys/class/hwmon/hwmon0/in0_lcrit_alarm": "1\n",
            "sys/class/hwmon/hwmon0/in1_lcrit_alarm": "0\n",
        },
    )
    machine = read_machine(roots, RELEASE)
    assert machine["memory_bytes"] == 8_000_000 * 1024
    assert machine["processor"] == "a board"
    assert machine["boot_parameters"] == "quiet isolcpus=3"
    assert machine["temperature_max_c"] == 45.0
    assert machine["temperature_limit_c"] == 85.0
    assert machine["under_voltage"] == ["rail in0_lcrit_alarm"]
    assert machine["throttles"] == 3
    policy = machine["policies"][0]
    assert policy["governor"] == "powersave"
    assert (policy["max_khz"], policy["hardware_max_khz"]) == (1200000, 1800000)
    assert policy["now_khz"] is None


def test_a_machine_that_tells_nothing_is_read_too(tmp_path: Path) -> None:
    machine = read_machine(tree(tmp_path, {}), RELEASE)
    assert machine["policies"] == machine["under_voltage"] == []
    assert machine["throttles"] is machine["temperature_max_c"] is machine["temperature_limit_c"] is None


def test_services_filters_tracking_and_missing_firmware_are_read(tmp_path: Path) -> None:
    roots = tree(
        tmp_path,
        {
            "proc/1/comm": "init\n",
            "proc/7/comm": "irqbalance\n",
            "proc/8/comm": "NetworkManager\n",
            "proc/sys/net/netfilter/nf_conntrack_count": "12\n",
            "proc/net/ip_tables_names": "filter\nnat\n",
            "proc/modules": "nf_tables 1 1 - Live 0x0\nveth 1 0 - Live 0x0\n",
            "kmsg": "4,1,1,-;oldcard 0000:02:00.0: firmware: failed to load oldcard/start.bin (-2)\n"
            "4,2,2,-;newcard 0000:03:00.0: Direct firmware load for newcard/a.fw failed with error -2\n"
            "6,3,3,-;eth1: link up\n",
        },
    )
    activity = read_activity(roots, [])
    assert set(activity["services"]) == {"irqbalance", "NetworkManager"}
    assert activity["connection_tracking"] == 12
    assert activity["filters"] == ["filter", "nat", "nf_tables"]
    assert activity["firmware_missing"] == ["newcard/a.fw", "oldcard/start.bin"]


def test_errors_that_count_up_while_one_looks_are_told_from_old_ones(tmp_path: Path) -> None:
    """The tree stands still but for one counter, which is written to while the survey watches."""
    base = "sys/class/net/eth1/statistics"
    roots = tree(
        tmp_path,
        {
            f"{base}/rx_bytes": "1\n",
            f"{base}/tx_bytes": "1\n",
            f"{base}/rx_crc_errors": "7\n",
            f"{base}/tx_errors": "2\n",
        },
    )
    assert read_activity(roots, ["eth1"])["new_errors"] == {}
    rising = threading.Timer(0.1, lambda: Path(roots.sys, "class/net/eth1/statistics/rx_crc_errors").write_text("10\n"))
    rising.start()
    assert read_activity(roots, ["eth1"])["new_errors"] == {"eth1": {"rx_crc_errors": 3}}
    rising.join()


def test_a_log_that_may_not_be_read_is_unknown_and_not_empty(tmp_path: Path) -> None:
    assert firmware_missing(tree(tmp_path, {})) is None


def test_this_machine_as_psutil_sees_it() -> None:
    survey = read_survey()
    json.dumps(survey)
    assert survey["machine_depth"]["memory_bytes"] == psutil.virtual_memory().total
    names = {each["name"] for each in survey["interfaces"] if not each["loopback"]}
    assert set(survey["activity"]["traffic_bit_s"]) == names
    assert all(each["features"] for each in survey["interfaces"] if not each["loopback"])
    assert survey["control"]["interface"] == "" or survey["control"]["interface"] in names


def test_a_survey_needs_no_privilege() -> None:
    ours, theirs = read_survey(), as_ordinary_user(read_survey)
    assert theirs["uid"] != 0
    for part in ("machine_depth", "cards"):
        assert theirs[part] == ours[part]
    assert [each["features"] for each in theirs["interfaces"] if not each["loopback"]] == [
        each["features"] for each in ours["interfaces"] if not each["loopback"]
    ]


def survey_changes_nothing() -> tuple[str, str, dict[str, Any]]:
    make_pair()
    look = ("ip -d address", "ip route show table all", "ethtool -k near0", "tc qdisc", "sysctl -a --pattern ^net")
    before = "".join(map(run, look))
    survey = read_survey()
    return before, "".join(map(run, look)), survey


@pytest.mark.lab
def test_a_survey_changes_nothing_and_does_not_show_the_machine_below() -> None:
    before, after, survey = in_own_namespace(survey_changes_nothing)
    stable = [
        line
        for line in zip(before.splitlines(), after.splitlines(), strict=True)
        if "valid_lft" not in line[0] and "tentative" not in line[0]
    ]
    assert [line for line in stable if line[0] != line[1]] == []
    assert survey["cards"] == []
    assert {each["name"] for each in survey["interfaces"]} == {"lo", "near0", "far0"}


def test_errors_are_counted_and_zeros_left_out(tmp_path: Path) -> None:
    base = "sys/class/net/eth1"
    roots = tree(
        tmp_path,
        {
            f"{base}/statistics/rx_crc_errors": "7\n",
            f"{base}/statistics/rx_errors": "0\n",
            f"{base}/carrier_changes": "3\n",
            f"{base}/queues/rx-0/rps_cpus": "00\n",
            f"{base}/queues/rx-1/rps_cpus": "0f\n",
            f"{base}/queues/tx-0/xps_cpus": "0\n",
        },
    )
    depth = read_interface_depths(roots, ["eth1"])["eth1"]
    assert depth["errors"] == {"rx_crc_errors": 7, "carrier_changes": 3}
    assert depth["queues"] == {"receive": 2, "transmit": 1, "steered": True}
    assert os.path.isdir(roots.sys)  # noqa: PTH112 - the tree is the only thing that was read
