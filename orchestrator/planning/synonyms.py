"""Other words for the plan's own: plain words, the kernel's and those of RFCs, and which word of ours each is."""

from __future__ import annotations

from collections.abc import Iterable

from orchestrator.words.suggest import closest

_SAME = {
    "plan": "name title id",
    "purpose": "description comment question goal",
    "hosts": "host machines nodes boards targets devices computers",
    "links": "link connections paths networks",
    "hold": "fixed fix constant constants settings set static",
    "factors": "factor matrix vary variables parameters sweep sweeps axes",
    "leave_out": "exclude skip except excluded without leaveout",
    "trial": "trials test run measurement",
    "order": "ordering sequence",
    "lease": "timeout",
    "ssh": "address hostname host_name host ip fqdn target",
    "user": "username login",
    "host_key": "hostkey fingerprint key",
    "privilege": "sudo privileges root rights",
    "rate": "speed bandwidth capacity",
    "under_test": "from local near",
    "far": "to remote peer",
    "ports": "port port_range",
    "isolated": "private dedicated isolate",
    "length": "duration time seconds long",
    "warmup": "warm_up warm ramp discard",
    "settle": "wait pause quiet gap sleep",
    "replicates": "repeat repeats repetitions runs n count iterations reps replicate",
    "shuffle": "random randomize randomise randomized",
    "levels": "values level options choices",
    "level": "value to levels",
    "setting": "set name type",
    "at": "where on host side",
    "only": "if where",
    "transport": "protocol layer4",
    "streams": "connections flows stream",
    "intended_load": "bandwidth rate load throughput offered_load",
    "datagram_size": "packet_size payload length datagram_bytes packet datagram",
    "socket_buffer": "window buffer buffers socket_buffer_bytes rcvbuf sndbuf",
    "mss": "segment segment_bytes maximum_segment_size",
    "pacing": "pacing_bit_s pace",
    "ip": "ip_version family ipv4 ipv6 address_family",
    "dscp": "tos qos traffic_class",
    "zero_copy": "zerocopy",
    "burst": "burst_datagrams burst_size",
    "send_with": "send_path",
    "receive_with": "receive_path",
    "loss_limit": "loss_ratio_limit loss max_loss",
    "mtu": "frame_size frame jumbo mtu_bytes framesize",
    "governor": "clock cpu_governor clock_policy scaling_governor cpufreq",
    "receive-ring": "rx_ring ring rings ring_size rx_ring_size",
    "transmit-ring": "tx_ring tx_ring_size",
    "segmentation-offload": "tso gso segmentation",
    "receive-offload": "gro lro",
    "checksum-offload": "checksum checksums rx_checksum tx_checksum",
    "scatter-gather": "sg",
    "interrupt-coalescing": "coalesce coalescing rx_usecs moderation interrupt_moderation",
    "channels": "queues combined queue_count",
    "pause-frames": "pause flow_control",
    "energy-efficient-ethernet": "eee",
    "transmit-queue-length": "txqueuelen qlen",
    "queueing": "qdisc",
    "interrupt-cores": "irq irqs irq_affinity smp_affinity affinity interrupts",
    "receive-steering": "rps",
    "flow-steering": "rfs",
    "transmit-steering": "xps",
    "min-frequency": "min_freq scaling_min_freq minimum_frequency",
    "max-frequency": "max_freq scaling_max_freq maximum_frequency frequency",
    "boost": "turbo",
    "idle-limit": "idle c_state cstate c_states",
    "congestion-control": "tcp_congestion_control",
    "receive-buffer-limit": "rmem_max rmem",
    "transmit-buffer-limit": "wmem_max wmem",
    "tcp-receive-memory": "tcp_rmem",
    "tcp-transmit-memory": "tcp_wmem",
    "tcp-memory": "tcp_mem",
    "backlog": "netdev_max_backlog",
    "busy-polling": "busy_poll busy_read",
    "mtu-probing": "tcp_mtu_probing",
    "transmit": "tx up upload send forward out outgoing",
    "receive": "rx down download recv in incoming",
    "bidirectional": "both duplex two-way full-duplex",
    "suspect": "doubtful",
    "reapply": "restore again",
}
_OURS: dict[str, list[str]] = {}
for _word, _others in _SAME.items():
    for _other in _others.split():
        _OURS.setdefault(_other, []).append(_word)


def meant(word: str, names: Iterable[str]) -> str:
    """Which of `names` was meant by `word`: another spelling of it, or another word for it; "" when none."""
    known = list(names)
    ours = next((name for name in _OURS.get(word.casefold().replace("-", "_"), []) if name in known), "")
    return ours or closest(word, known)


def did_you_mean(word: str, names: Iterable[str]) -> str:
    """`did you mean 'mtu'?`, or ""."""
    name = meant(word, names)
    return f"did you mean '{name}'?" if name and name != word else ""
