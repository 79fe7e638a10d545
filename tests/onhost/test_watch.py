"""What the samples say: by core number and name, never by position; and what is not there is not made up."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import pytest

from orchestrator.metrics.intervals import watch_values
from orchestrator.onhost.watch import Watcher
from orchestrator.onhost.watch.clocks import parse_core_list
from orchestrator.onhost.watch.cores import (
    CoreTimes,
    core_shares,
    interrupt_numbers,
    parse_core_times,
    parse_interrupts,
    parse_net_softirqs,
    parse_softnet,
)
from orchestrator.onhost.watch.files import KeptFile
from orchestrator.onhost.watch.kernel_log import KernelLog
from orchestrator.onhost.watch.quota import parse_periods, quota_groups
from tests.onhost.kernel_files import KernelFiles


@pytest.fixture
def kernel(tmp_path: Path) -> KernelFiles:
    return KernelFiles(tmp_path)


def _watched(kernel: KernelFiles, *changes: Any) -> dict[str, Any]:
    """The summary of a watcher that sampled before, between and after these changes."""
    watcher = Watcher("eth1", **kernel.roots())
    watcher.begin(time.monotonic_ns(), 1 << 62)
    watcher.sample()
    for change in changes:
        change()
        watcher.sample()
    summary = watcher.summary()
    summary["series"] = [row for batch in watcher.take_batches() for row in watch_values(batch)]
    watcher.close()
    return summary


def test_the_documentations_sample_reads_as_computed():
    """Documentation/filesystems/proc.rst: 22,637,015 ticks, 5,162 of them neither idle nor waiting (computed)."""
    sample = b"cpu  2255 34 2290 22625563 6290 127 456 0 0 0\ncpu0 2255 34 2290 22625563 6290 127 456 0 0 0\n"
    times = parse_core_times(sample)[0]
    assert times.total == 22_637_015
    assert times.total - times.idle == 5_162


def test_guest_time_is_not_counted_twice():
    times = parse_core_times(b"cpu0 100 10 0 90 0 0 0 0 60 5\n")[0]
    assert (times.total, times.idle) == (200, 90)


def test_each_kind_of_time_is_its_own_change():
    shares = core_shares(CoreTimes(1000, 500, 100, 200, 50), CoreTimes(1100, 520, 110, 240, 55))
    assert shares == (0.8, 0.4, 0.1, 0.05)


def test_kernels_without_the_later_columns_are_read():
    assert parse_core_times(b"cpu0 1 2 3 4\n")[0] == CoreTimes(10, 4, 0, 0, 0)


def test_waiting_that_counts_backwards_does_not_make_a_core_busier_than_it_can_be():
    shares = core_shares(CoreTimes(1000, 900, 0, 0, 0), CoreTimes(1010, 895, 0, 0, 0))
    assert shares is not None
    assert shares.busy == 1.0


def test_a_window_shorter_than_a_tick_has_no_shares():
    assert core_shares(CoreTimes(10, 5, 0, 0, 0), CoreTimes(10, 5, 0, 0, 0)) is None


def test_network_softirqs_are_found_by_name():
    """The documentation's older sample lacks IRQ_POLL; NET_RX 42 0 0 39."""
    sample = b"      CPU0 CPU1 CPU2 CPU3\n HI: 0 0 0 0\n TIMER: 27166 27120 27097 27034\n NET_RX: 42 0 0 39\n"
    assert parse_net_softirqs(sample) == {0: 42, 1: 0, 2: 0, 3: 39}


def test_backlog_drops_are_read_by_the_cores_number_and_not_by_the_line():
    line = "00000010 {:08x} {:08x} " + "00000000 " * 9 + "{:08x} 00000000 00000000\n"
    parsed = parse_softnet((line.format(2, 3, 0) + line.format(4, 5, 7)).encode())
    assert {core: tuple(counts) for core, counts in parsed.items()} == {0: (2, 3), 7: (4, 5)}


def test_backlog_drops_of_a_kernel_without_a_core_column_are_read_by_line():
    line = b"00000010 00000002 00000003 " + b"00000000 " * 8 + b"\n"
    assert list(parse_softnet(line * 2)) == [0, 1]


def test_interrupts_are_those_of_this_interface_and_of_no_other_that_begins_alike(kernel: KernelFiles):
    text = (kernel.proc / "interrupts").read_bytes()
    assert interrupt_numbers("eth1", text, str(kernel.sys)) == {"17"}
    assert interrupt_numbers("eth10", text, str(kernel.sys)) == {"18"}


def test_interrupts_are_given_to_the_cores_that_the_header_names():
    """Documentation's sample line, with a header of the cores that are online."""
    sample = b"           CPU0       CPU2\n 17:      30564      30414   IO-APIC-level eth0\nERR:          1\n"
    assert parse_interrupts(sample, {"17"}) == {0: 30564, 2: 30414}


def test_a_device_without_interrupts_of_its_own_has_those_of_the_bus_it_hangs_on(kernel: KernelFiles):
    controller = kernel.sys / "devices/pci0/usb-controller"
    (controller / "msi_irqs").mkdir(parents=True)
    (controller / "msi_irqs" / "41").touch()
    card = controller / "usb2/2-1"
    card.mkdir(parents=True)
    net = kernel.sys / "class/net/eth1"
    net.mkdir(parents=True)
    (net / "device").symlink_to(card)
    assert interrupt_numbers("eth1", b"  CPU0\n 41: 3 xhci_hcd\n", str(kernel.sys)) == {"41"}


def test_the_busiest_core_is_named_by_its_number(kernel: KernelFiles):
    summary = _watched(
        kernel, lambda: (kernel.run_for(1, idle=80, user=20), kernel.run_for(3, idle=10, softirq=60, system=30))
    )
    assert (summary["busiest_core"], summary["busiest_core_busy"], summary["busiest_core_softirq"]) == (3, 0.9, 0.6)
    assert [core["core"] for core in summary["cores"]] == [1, 3]
    assert summary["cores"][0]["busy"] == 0.2


def test_stolen_time_is_that_of_the_core_which_lost_most(kernel: KernelFiles):
    summary = _watched(kernel, lambda: (kernel.run_for(1, idle=90, steal=10), kernel.run_for(3, idle=100)))
    assert summary["steal"] == 0.1


def test_the_cores_that_took_interrupts_and_softirqs_are_named(kernel: KernelFiles):
    def traffic() -> None:
        kernel.interrupts, kernel.softirqs = [90_010, 5_005], [10, 9_020, 30, 70_004]
        kernel.softnet[3] = [100, 8, 17]
        kernel.run_for(1, idle=10)

    summary = _watched(kernel, traffic)
    assert (summary["irq_core"], summary["softirq_core"]) == (3, 1)
    assert (summary["softnet_dropped"], summary["softnet_squeezed"]) == (7, 11)


def test_clock_is_the_mean_and_the_min_of_the_busiest_cores_policy(kernel: KernelFiles):
    kernel.clock(0, 1_800_000, cores="1", max_khz=1_800_000)
    kernel.clock(1, 2_400_000, cores="3")

    def slow_down() -> None:
        kernel.clock(1, 600_000, cores="3")
        kernel.run_for(3, user=50)

    summary = _watched(kernel, slow_down)
    assert summary["clock_mean_hz"] == 1.5e9
    assert (summary["clock_min_hz"], summary["clock_max_hz"]) == (600_000_000, 2_400_000_000)
    assert len(summary["clocks"]) == 2


def test_the_labs_clock_is_called_simulated(kernel: KernelFiles):
    kernel.clock(0, 600_000)
    assert _watched(kernel, lambda: kernel.run_for(1, user=5))["clock_simulated"] is False
    kernel.put("sys/devices/system/cpu/cpufreq/simulated", "")
    assert _watched(kernel, lambda: kernel.run_for(1, user=5))["clock_simulated"] is True


def test_what_a_host_does_not_have_is_none_and_not_zero(kernel: KernelFiles):
    (kernel.folder / "cgroup/work/cpu.stat").unlink()
    summary = _watched(kernel, lambda: kernel.run_for(1, idle=10))
    for name in (
        "clock_mean_hz",
        "clock_min_hz",
        "temperature_max_c",
        "thermal_throttles",
        "throttled_ratio",
        "irq_core",
    ):
        assert summary[name] is None, name


def test_z13_a_quota_that_runs_out_is_seen_although_the_core_is_idle(kernel: KernelFiles):
    """176 of 185 periods with the core two thirds idle."""
    kernel.periods(1000, 10)
    summary = _watched(kernel, lambda: (kernel.run_for(1, idle=67, user=33), kernel.periods(1185, 186)))
    assert summary["throttled_ratio"] == pytest.approx(176 / 185)
    assert summary["busiest_core_busy"] == 0.33


def test_a_quota_that_is_never_touched_is_zero_and_one_without_periods_is_none(kernel: KernelFiles):
    assert _watched(kernel, lambda: kernel.periods(50, 0))["throttled_ratio"] == 0.0
    assert _watched(kernel, lambda: kernel.run_for(1, idle=1))["throttled_ratio"] is None


def test_the_warmest_sensor_counts_and_one_that_is_not_connected_does_not(kernel: KernelFiles):
    """Thousandths of a degree; 45000 is 45 degrees."""
    kernel.put("sys/class/thermal/thermal_zone0/temp", "45000\n")
    kernel.put("sys/class/thermal/thermal_zone1/temp", "-273000\n")
    kernel.put("sys/class/hwmon/hwmon0/temp1_input", "61500\n")
    assert _watched(kernel, lambda: kernel.run_for(1, idle=1))["temperature_max_c"] == 61.5


def test_throttling_for_heat_is_counted_over_the_window(kernel: KernelFiles):
    counter = "sys/devices/system/cpu/cpu1/thermal_throttle/core_throttle_count"
    kernel.put(counter, "100\n")
    steps = [lambda: kernel.run_for(1, idle=1)] * 4 + [lambda: kernel.put(counter, "107\n")]
    assert _watched(kernel, *steps)["thermal_throttles"] == 7


def test_the_window_is_that_of_the_traffic_and_not_of_the_samples(kernel: KernelFiles):
    """Work before and after the window, with samples at its borders, does not count."""
    watcher = Watcher("eth1", **kernel.roots())
    watcher.sample()
    kernel.run_for(1, user=100)
    watcher.sample()
    from_ns = time.monotonic_ns()
    watcher.begin(from_ns, from_ns + 1)
    kernel.run_for(1, idle=75, user=25)
    watcher.sample()
    kernel.run_for(1, user=100)
    watcher.sample()
    summary = watcher.summary()
    watcher.close()
    assert summary["busiest_core_busy"] == 0.25


@pytest.mark.parametrize(("refresh_every", "lags"), [(1, False), (2, False), (6, True)])
def test_z20_an_interface_whose_counters_lag_is_known_by_how_they_move(
    kernel: KernelFiles, refresh_every: int, lags: bool
):
    """Samples a millisecond apart; the card's counters are copied at every one, every second, every sixth."""
    watcher = Watcher("eth1", 0.001, **kernel.roots())
    for index in range(40):
        watcher._lag.take(index * 10**6, index // refresh_every)
    assert (watcher.counter_lag_s() > 0) == lags
    if lags:
        assert watcher.counter_lag_s() == pytest.approx(refresh_every / 1000)
    watcher.close()


def test_fewer_than_two_samples_say_nothing(kernel: KernelFiles):
    watcher = Watcher("eth1", **kernel.roots())
    watcher.sample()
    assert watcher.summary() == {}
    watcher.close()


def test_the_series_has_a_row_for_each_interval_and_core(kernel: KernelFiles):
    kernel.clock(0, 2_400_000)
    summary = _watched(kernel, *[lambda: (kernel.run_for(1, user=5), kernel.run_for(3, idle=5))] * 3)
    assert [row[1] for row in summary["series"]] == [1, 3] * 3
    times = [row[0] for row in summary["series"][::2]]
    assert times == sorted(times)
    assert times[-1] == pytest.approx(summary["seconds"], abs=0.05)
    assert summary["series"][0][2:6] == (1.0, 0.0, 0.0, 0.0)
    assert summary["series"][0][6] == 2_400_000_000


def test_kernel_threads_that_carry_the_receiving_are_told_and_idle_ones_are_not(kernel: KernelFiles):
    """Threaded receive moves softirq time into threads."""
    for pid, name in ((11, "ksoftirqd/1"), (12, "napi/eth1-8"), (13, "napi/eth10-8"), (14, "kworker/1:0")):
        kernel.thread(pid, name, 5_000_000_000)
    began_s = time.monotonic()

    def work() -> None:
        time.sleep(0.05)
        kernel.thread(12, "napi/eth1-8", 5_000_000_000 + int((time.monotonic() - began_s) * 0.5e9))
        kernel.thread(13, "napi/eth10-8", 9_000_000_000)

    threads = _watched(kernel, work)["kernel_threads"]
    assert [thread["name"] for thread in threads] == ["napi/eth1-8"]
    assert 0.1 < threads[0]["share"] < 1.0


def test_a_core_that_goes_away_does_not_end_the_watching(kernel: KernelFiles):
    def go() -> None:
        kernel.run_for(1, user=10)
        kernel.ticks.pop(3)
        kernel.write_proc()

    assert _watched(kernel, go)["busiest_core"] == 1


def test_watching_gives_every_descriptor_back(kernel: KernelFiles):
    kernel.clock(0, 600_000)

    def open_now() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = open_now()
    watcher = Watcher("eth1", **kernel.roots())
    assert open_now() > before
    watcher.close()
    assert open_now() == before


def test_this_machine_can_be_watched_and_the_cost_is_told():
    watcher = Watcher("lo")
    for _ in range(3):
        watcher.sample()
        time.sleep(0.05)
    summary = watcher.summary()
    watcher.close()
    assert {core["core"] for core in summary["cores"]} >= os.sched_getaffinity(0)
    assert summary["cost_cpu_s"] > 0


# --- pieces ---


def test_a_file_that_is_rendered_in_pieces_is_read_whole(tmp_path: Path):
    path = tmp_path / "long"
    path.write_bytes(b"line\n" * 40_000)  # more than one read
    kept = KeptFile(str(path))
    assert len(kept.read_records()) == 200_000
    kept.close()


def test_a_missing_file_reads_as_nothing(tmp_path: Path):
    kept = KeptFile(str(tmp_path / "none"))
    assert (kept.read(), kept.read_records(), kept.number(), kept.is_open) == (b"", b"", None, False)
    kept.close()


@pytest.mark.parametrize(("text", "cores"), [("0", (0,)), ("0 1 2", (0, 1, 2)), ("0-3,8", (0, 1, 2, 3, 8)), ("", ())])
def test_core_lists_have_two_forms(text: str, cores: tuple[int, ...]):
    assert parse_core_list(text) == cores


def test_groups_are_found_in_both_versions_and_every_group_above_counts(tmp_path: Path):
    (tmp_path / "self").mkdir()
    (tmp_path / "self/cgroup").write_text(
        "9:name=systemd:/init\n5:cpu,cpuacct:/lab/dome\n4:cpuset:/x\n0::/user.slice/a\n"
    )
    (tmp_path / "self/mountinfo").write_text(
        "32 31 0:29 / /sys/fs/cgroup/cpu,cpuacct rw,relatime - cgroup cgroup rw,cpu,cpuacct\n"
        "33 31 0:30 / /sys/fs/cgroup/cpuset rw - cgroup cgroup rw,cpuset\n"
        "41 31 0:38 / /sys/fs/cgroup/unified rw - cgroup2 cgroup2 rw\n"
    )
    assert quota_groups(str(tmp_path)) == [
        "/sys/fs/cgroup/cpu,cpuacct/lab/dome",
        "/sys/fs/cgroup/cpu,cpuacct/lab",
        "/sys/fs/cgroup/cpu,cpuacct",
        "/sys/fs/cgroup/unified/user.slice/a",
        "/sys/fs/cgroup/unified/user.slice",
        "/sys/fs/cgroup/unified",
    ]


def test_a_group_mounted_from_within_is_found_below_its_mount(tmp_path: Path):
    """In a container the hierarchy's root is the container's own group."""
    (tmp_path / "self").mkdir()
    (tmp_path / "self/cgroup").write_text("0::/box/one\n")
    (tmp_path / "self/mountinfo").write_text("41 31 0:38 /box /sys/fs/cgroup rw - cgroup2 cgroup2 rw\n")
    assert quota_groups(str(tmp_path)) == ["/sys/fs/cgroup/one", "/sys/fs/cgroup"]


def test_a_group_whose_name_begins_like_the_mounts_root_is_not_cut(tmp_path: Path):
    (tmp_path / "self").mkdir()
    (tmp_path / "self/cgroup").write_text("0::/other/one\n")
    (tmp_path / "self/mountinfo").write_text("41 31 0:38 /box /sys/fs/cgroup rw - cgroup2 cgroup2 rw\n")
    assert quota_groups(str(tmp_path))[0] == "/sys/fs/cgroup/other/one"


def test_a_group_outside_the_namespace_leaves_only_its_mount(tmp_path: Path):
    (tmp_path / "self").mkdir()
    (tmp_path / "self/cgroup").write_text("0::/../other\n")
    (tmp_path / "self/mountinfo").write_text("41 31 0:38 / /sys/fs/cgroup rw - cgroup2 cgroup2 rw\n")
    assert quota_groups(str(tmp_path)) == ["/sys/fs/cgroup"]


def test_the_root_groups_count_has_no_periods():
    assert parse_periods(b"usage_usec 5\nuser_usec 3\n") is None


def test_kernel_warnings_are_those_of_the_kernel_and_about_what_matters(tmp_path: Path):
    log = tmp_path / "kmsg"
    os.mkfifo(log)  # like the log: a read gives what is there, and none when there is no more
    reader = KernelLog(["eth1", "0000:03:00.0"], str(log))
    records = [
        b"4,10,1,-;eth1: transmit timed out\n",
        b"6,11,2,-;eth1: link becomes ready\n",
        b"4,12,3,-;some program's stale cache\n",
        b"3,13,4,-;disk: error\n DEVICE=b8:0\n",
        b"12,14,5,-;eth1 said by a program\n",
        b"4,15,6,-;card 0000:03:00.0 slow\n",
    ]
    writer = os.open(log, os.O_WRONLY | os.O_NONBLOCK)
    found = []
    for record in records:
        os.write(writer, record)
        found += reader.warnings()
    os.close(writer)
    reader.close()
    assert found == ["eth1: transmit timed out", "disk: error", "card 0000:03:00.0 slow"]


def test_a_host_that_hides_its_kernel_log_has_no_warnings(tmp_path: Path):
    reader = KernelLog([], str(tmp_path / "none"))
    assert (reader.readable, reader.warnings()) == (False, [])
    reader.close()
