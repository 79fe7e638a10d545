"""One invented host in memory that has all that the catalogue can set: a board with four cores and a 2.5 Gb/s card."""

from __future__ import annotations

from typing import Any

from orchestrator.onhost import ethtool
from orchestrator.onhost.settings.kernel import Outcome
from tests.testing.fake_kernel import CHOICE_ONCE, FakeKernel

INTERFACE = "eth1"
CORES = 4
QUEUES = 2
_CPU_TREE = "/sys/devices/system/cpu"
_CHANGEABLE = (
    "tx-scatter-gather",
    "tx-checksum-ip-generic",
    "tx-generic-segmentation",
    "tx-tcp-segmentation",
    "tx-tcp6-segmentation",
    "tx-udp-segmentation",
    "rx-gro",
    "rx-checksum",
    "rx-hashing",
)
_FIXED = ("tx-checksum-ipv4", "rx-lro", "rx-gro-hw", "highdma")
_COPPER_TO_2G5 = (0, 1, 2, 3, 5, 47)  # bit numbers of linux/ethtool.h; 6, 7, 13: negotiation, twisted pair, pause
_SYSCTLS = {
    "net/core/rmem_max": "212992",
    "net/core/wmem_max": "212992",
    "net/core/netdev_max_backlog": "1000",
    "net/core/busy_read": "0",
    "net/core/busy_poll": "0",
    "net/core/rps_sock_flow_entries": "0",
    "net/ipv4/tcp_congestion_control": "cubic",
    "net/ipv4/tcp_available_congestion_control": "reno cubic",
    "net/ipv4/tcp_rmem": "4096\t131072\t6291456",
    "net/ipv4/tcp_wmem": "4096\t16384\t4194304",
    "net/ipv4/tcp_mem": "188000\t250000\t376000",
    "net/ipv4/tcp_mtu_probing": "0",
    "net/ipv4/tcp_sack": "1",
}


def fake_host() -> FakeKernel:
    """The host, fresh, with nothing changed."""
    kernel = FakeKernel()
    kernel.files.update({f"/proc/sys/{path}": text for path, text in _SYSCTLS.items()})
    _add_clocks(kernel)
    _add_interface(kernel, INTERFACE, 2)
    _add_program(kernel)
    _add_boot_files(kernel)
    return kernel


def _add_boot_files(kernel: FakeKernel) -> None:
    """Two kernels, a boot configuration, and a loader that starts a kernel once when a file says so."""
    for release in (kernel.running_release, "6.12.9-dome"):
        kernel.files[f"/boot/vmlinuz-{release}"] = kernel.files[f"/lib/modules/{release}/modules.dep"] = ""
    kernel.boot.put("/boot/parameters", "first=1\n")


def _add_clocks(kernel: FakeKernel) -> None:
    """Two policies, as a board with large and small cores has."""
    kernel.files[f"{_CPU_TREE}/online"] = f"0-{CORES - 1}"
    kernel.files[f"{_CPU_TREE}/cpufreq/boost"] = "1"
    for policy, (cores, greatest) in {"policy0": ("0 1", 1_600_000), "policy2": ("2 3", 2_000_000)}.items():
        kernel.files.update(
            {
                f"{_CPU_TREE}/cpufreq/{policy}/{file}": text
                for file, text in {
                    "affected_cpus": cores,
                    "scaling_governor": "schedutil",
                    "scaling_available_governors": "conservative ondemand performance schedutil powersave userspace",
                    "scaling_min_freq": "800000",
                    "scaling_max_freq": str(greatest),
                    "cpuinfo_min_freq": "800000",
                    "cpuinfo_max_freq": str(greatest),
                }.items()
            }
        )
    for core in range(CORES):
        for state in range(3):
            kernel.files[f"{_CPU_TREE}/cpu{core}/cpuidle/state{state}/disable"] = "0"


def _add_interface(kernel: FakeKernel, name: str, index: int) -> None:
    kernel.links_by_name[name] = {
        "name": name,
        "index": index,
        "mtu": 1500,
        "min_mtu": 68,
        "max_mtu": 9194,
        "transmit_queue_length": 1000,
        "kind": "",
        "parent": None,
        "up": True,
        "carrier": True,
        "loopback": False,
        "mac": "02:00:00:00:00:01",
        "permanent_mac": "02:00:00:00:00:01",
        "operstate": "up",
        "qdisc": "fq_codel",
        "master": None,
        "gro_max_size": None,
        "gso_max_size": None,
        "gso_max_segs": None,
        "carrier_changes": None,
    }
    kernel.files[f"/sys/class/net/{name}/ifindex"] = str(index)
    for queue in range(QUEUES):
        folder = f"/sys/class/net/{name}/queues"
        kernel.files.update(
            {
                f"{folder}/rx-{queue}/rps_cpus": "0",
                f"{folder}/rx-{queue}/rps_flow_cnt": "0",
                f"{folder}/tx-{queue}/xps_cpus": "0",
            }
        )
    kernel.interrupts[name] = [str(40 + queue) for queue in range(QUEUES)]
    kernel.files.update(
        {f"/proc/irq/{number}/smp_affinity_list": f"0-{CORES - 1}" for number in kernel.interrupts[name]}
    )
    kernel.features_by_name[name] = {
        **{feature: {"active": True, "requested": True, "changeable": True} for feature in _CHANGEABLE},
        **{feature: {"active": False, "requested": False, "changeable": False} for feature in _FIXED},
    }
    kernel.addresses_by_index[index] = []
    _add_tables(kernel, name)


def _add_tables(kernel: FakeKernel, name: str) -> None:
    tables: dict[ethtool.Table, dict[str, int]] = {
        ethtool.RINGS: {"rx-max": 4096, "tx-max": 4096, "rx": 256, "tx": 256},
        ethtool.COALESCING: {"rx-usecs": 3, "tx-usecs": 3, "adaptive-rx": 1, "adaptive-tx": 1},
        ethtool.PAUSE: {"autoneg": 1, "rx": 1, "tx": 1},
        ethtool.CHANNELS: {"combined-max": 4, "combined": QUEUES},
        ethtool.ENERGY_EFFICIENCY: {
            "supported": 0x28,
            "advertised": 0x28,
            "enabled": 1,
            "tx-lpi-enabled": 1,
            "tx-lpi-timer": 17,
        },
    }
    for table, words in tables.items():
        kernel.tables[(name, table)] = {**dict.fromkeys(table.words, 0), **words}
    kernel.link_settings_by_name[name] = {
        "speed_bit_s": 2_500_000_000,
        "duplex": "full",
        "port": 0,
        "autoneg": True,
        "supported": sorted((*_COPPER_TO_2G5, 6, 7, 13)),
        "advertised": sorted((*_COPPER_TO_2G5, 6, 7, 13)),
        "peer_advertised": sorted((*_COPPER_TO_2G5, 6)),
    }


def _add_program(kernel: FakeKernel) -> None:
    """A program `dial` that reads and sets one word, for the plan's own commands."""
    held = {"value": "slow"}

    def dial(arguments: list[str]) -> Outcome:
        if len(arguments) > 1:
            held["value"] = arguments[1]
        return Outcome(0, held["value"] + "\n", "", False, False)

    kernel.programs["dial"] = dial


def example_for(name: str, example: str) -> Any:
    """A setting's example as a level of this host; some examples are pictures, because their levels are tables."""
    return {
        "command": {"read": ["dial"], "write": ["dial", "{level}"], "level": "fast"},
        "boot-lines": {"file": "/boot/parameters", "level": ["core-volts=2"]},
        "kernel": {"file": CHOICE_ONCE, "level": example},
    }.get(name, example)
