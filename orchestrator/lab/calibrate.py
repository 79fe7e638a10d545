"""How much of a core a slow board gets: machines differ, so its clock is fitted to this one before the demo."""

from __future__ import annotations

from orchestrator.lab.board import FULL_SHARE, FULL_SHARE_FILE, GREATEST_KHZ, LEAST_KHZ
from orchestrator.lab.hosts import CPU_FOLDER
from orchestrator.lab.lab import Lab
from orchestrator.lab.pair import tcp_goodput_bit_s

# At its least clock the board shall carry this with 1500-byte frames between two plain loops, and the traffic pair half
# as much again: clearly less than the 2.35 Gb/s of the uplink, and so much that larger frames bring it closer.
AT_LEAST_CLOCK_BIT_S = 900_000_000
_LEAST_SHARE, _GREATEST_SHARE = 0.3, 3.0


def fit_board(lab: Lab, host: str, peer: str) -> float:
    """Measure at the least clock with 1500-byte frames, then set the share of a core at the greatest clock; returns it.

    Takes about two seconds and leaves the board's governor as it was.
    """
    governor = lab.hosts[host].path(f"{CPU_FOLDER}/cpufreq/policy0/scaling_governor")
    before = governor.read_text()
    governor.write_text("powersave\n")
    address = next(one.measured_address_4 for one in lab.scenario.hosts if one.name == peer)
    try:
        # a busy machine can only make it less
        carried = max(tcp_goodput_bit_s(lab.hosts[host], lab.hosts[peer], address, 0.4)[0] for _ in range(2))
    finally:
        governor.write_text(before)
    share = min(_GREATEST_SHARE, max(_LEAST_SHARE, FULL_SHARE * AT_LEAST_CLOCK_BIT_S / carried))
    lab.hosts[host].path(FULL_SHARE_FILE).write_text(f"{share:.3f}\n")
    return share


def sentence(host: str, share: float) -> str:
    """What was fitted, for the person who watches."""
    least = share * LEAST_KHZ / GREATEST_KHZ
    return (
        f"{host} is a slow board with a simulated clock: {share:.2f} of a core at {GREATEST_KHZ / 1e6:.1f} GHz, "
        f"{least:.2f} at {LEAST_KHZ / 1e6:.1f} GHz, fitted to this machine"
    )
