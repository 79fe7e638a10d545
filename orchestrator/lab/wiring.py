"""The cables: who is joined to what, and the queues and features that make frames on a veth pair real frames.

Tried, on kernel 6.18: with segmentation done before the veth (`tso off`, `gso on`), received frames merged in order by
its poll queue (`gro on`), no merging on the switch (`gro_max_size 1`) and a queue that holds frames back instead of
dropping them, TCP shows no retransmission and no reordering, and every frame has its true size. Without it a port of
1500 bytes passes 64 kB super-frames, and counters count one of those as one frame.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterable
from pathlib import Path

from orchestrator.lab.scenario import (
    CONTROL_PREFIX,
    CONTROLLER_ADDRESS,
    MEASURED_PREFIX_4,
    MEASURED_PREFIX_6,
    LabHost,
    Scenario,
)
from orchestrator.onhost.ethtool.features import features, set_features

FRAMES_HELD_BACK = "pfifo limit 2000"
UPLINK, SPARE, CONTROL = "uplink", "spare", "control"  # the bridges of the switch; SPARE only where a host has an end
ETHERNET_OVERHEAD_BYTES = 24  # preamble 8, frame check sequence 4, gap 12: what the queue's own count lacks
_BURST_S, _BURST_EXTRA_BYTES = 0.002, 20_000
_PORT_BUFFER_S, _PORT_BUFFER_LEAST_BYTES = 0.02, 512_000


def batch(tool: str, lines: Iterable[str], *, in_network_of: int | None = None) -> None:
    """Run many commands of `ip` or `tc` in one process; RuntimeError with its words."""
    text = "\n".join(lines) + "\n"
    there = [] if in_network_of is None else ["nsenter", f"--net=/proc/{in_network_of}/ns/net"]
    done = subprocess.run([*there, tool, "-batch", "-"], input=text, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{tool} could not do one of:\n{text}{done.stderr}")


def control_port(host: str) -> str:
    """The switch's port on the control network that this host is plugged into."""
    return f"ctl-{host}"


def plug_everything_in(scenario: Scenario, pid_of: dict[str, int]) -> None:
    """Make the bridges and every cable; `pid_of` names each place's first process.

    Runs outside the switch, because the kernel looks `netns PID` up among the processes that the caller can see.
    """
    mtu = scenario.switch_mtu_bytes
    lines = [
        f"link add dev {CONTROL} type bridge mcast_snooping 0",
        f"link add dev {UPLINK} mtu {mtu} type bridge mcast_snooping 0",
        f"link add dev {control_port('desk')} type veth peer name eth0 netns {pid_of['controller']}",
    ]
    ports = [(control_port("desk"), CONTROL)]
    for host in scenario.hosts:
        lines.append(
            f"link add dev {control_port(host.name)} type veth "
            f"peer name eth0 address {host.control_mac} netns {pid_of[host.name]}"
        )
        ports.append((control_port(host.name), CONTROL))
    if any(end.spare for end in scenario.ends):
        lines.append(f"link add dev {SPARE} mtu {mtu} type bridge mcast_snooping 0")
    for end in scenario.ends:
        lines.append(
            f"link add dev {end.port} mtu {mtu} type veth "
            f"peer name {end.interface} address {end.mac} netns {pid_of[end.host]}"
        )
        ports.append((end.port, SPARE if end.spare else UPLINK))
    lines += [f"link set dev {name} master {bridge} gro_max_size 1 up" for name, bridge in ports]
    lines += [f"link set dev {bridge} up" for bridge in dict.fromkeys((CONTROL, UPLINK, *(used for _, used in ports)))]
    batch("ip", lines, in_network_of=pid_of["switch"])


def configure_switch(scenario: Scenario) -> None:
    """Rates and features of the ports; runs in the switch."""
    batch("tc", [queue_of_port(end.port, scenario.uplink_rate_bit_s) for end in scenario.ends])
    cut_into_real_frames(
        [
            control_port("desk"),
            *(control_port(host.name) for host in scenario.hosts),
            *(end.port for end in scenario.ends),
        ]
    )
    for table in ("ip", "ip6", "arp"):  # or IP rules reassemble, fragment and drop frames on a switch
        variable = Path(f"/proc/sys/net/bridge/bridge-nf-call-{table}tables")
        if variable.exists():
            variable.write_text("0")


def queue_of_port(name: str, rate_bit_s: int | None) -> str:
    """The `tc` line that makes a switch port send at `rate_bit_s` on the wire, Ethernet overhead counted."""
    if rate_bit_s is None:
        return f"qdisc replace dev {name} root handle 1: {FRAMES_HELD_BACK}"
    bytes_per_s = rate_bit_s / 8
    burst = int(bytes_per_s * _BURST_S) + _BURST_EXTRA_BYTES
    limit = max(int(bytes_per_s * _PORT_BUFFER_S), _PORT_BUFFER_LEAST_BYTES)
    return (
        f"qdisc replace dev {name} root handle 1: stab overhead {ETHERNET_OVERHEAD_BYTES} linklayer ethernet "
        f"tbf rate {rate_bit_s}bit burst {burst} limit {limit}"
    )


def configure_host_ends(host: LabHost) -> None:
    """Addresses of a host's interfaces; runs in the host. `nodad`: nobody else can be on this wire."""
    lines = ["link set dev lo up", f"address add {host.control_address}/{CONTROL_PREFIX} dev eth0"]
    for end in host.ends:
        lines += [
            f"address add {end.address_4}/{MEASURED_PREFIX_4} dev {end.interface}",
            f"address add {end.address_6}/{MEASURED_PREFIX_6} dev {end.interface} nodad",
        ]
    names = [end.interface for end in host.ends]
    batch("ip", [*lines, *(f"link set dev {name} up" for name in ("eth0", *names))])
    batch("tc", [f"qdisc replace dev {name} root handle 1: {FRAMES_HELD_BACK}" for name in names])
    cut_into_real_frames(["eth0", *names])


def configure_controller_end() -> None:
    """The controller's only interface; it has no way to the measured network."""
    batch(
        "ip",
        ["link set dev lo up", f"address add {CONTROLLER_ADDRESS}/{CONTROL_PREFIX} dev eth0", "link set dev eth0 up"],
    )
    cut_into_real_frames(["eth0"])


def cut_into_real_frames(interfaces: Iterable[str]) -> None:
    """Have every frame cut to its true size before it enters the cable; runs where the interfaces are."""
    for interface in interfaces:
        known = features(interface)  # the names differ between kernels
        cutters = [name for name in known if name.startswith("tx-tcp") and name.endswith("-segmentation")]
        wanted = {
            **dict.fromkeys([*cutters, "tx-udp-segmentation"], False),
            "tx-generic-segmentation": True,
            "rx-gro": True,
        }
        set_features(interface, {name: on for name, on in wanted.items() if name in known})
