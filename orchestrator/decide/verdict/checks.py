"""The single checks behind a verdict: each looks at one condition and yields the doubts it finds. Pure.

A check that lacks what it needs yields nothing: absence of evidence is the empty column's business, not a doubt.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from orchestrator.decide.shapes.record import EndFacts, LinkView
from orchestrator.decide.verdict.account import accounts
from orchestrator.decide.verdict.doubts import Found, found, percent, rate
from orchestrator.decide.verdict.evidence import Way, both_sides, ways
from orchestrator.decide.verdict.losses import dropped_in_silence, losses, segments_lost
from orchestrator.decide.verdict.series import seen_in, stalls, trend, two_levels
from orchestrator.metrics.tcp import window_shortfall

EXPLAINED_SHARE = 0.99  # of the payload, by the named interface's counters
FOREIGN_NOTED, FOREIGN_SUSPECT = 0.005, 0.03  # of an interface's octets
# What a quiet network says of itself is no traffic, however slow the trial: address resolution, group membership,
# spanning tree every two seconds (common practice, no source for the figures).
ANNOUNCEMENTS_BYTES, ANNOUNCEMENTS_BYTES_S = 2000.0, 500.0
ASKED_SHARE = 0.99  # of the asked rate; below, the sender is the limit
EDGES_NOTED = 0.005  # of goodput, unknown at the window's ends; below it is within a trial's own scatter
CLOCK_SUSPECT, CLOCK_NOTED = 0.6, 0.9  # of the greatest clock: boost clocks make 0.8 ordinary with all cores busy
HELD_SHARE = 0.95  # of a limit that the cell sets: what is read lags and is rounded (no source)
STEAL_NOTED = 0.05  # of a core's time; a tick more or less in ten seconds is 0.001
STALL_SUSPECT_S, STALL_SUSPECT_SHARE = 0.5, 0.1  # a retransmission timeout on a lossy path is 0.2 to 0.4 s
STALL_NOTED_S = 0.2
LEAST_INTERVALS = 5  # of a series; fewer show nothing
BUFFER_HELD_SHARE = 0.2  # of the window; a receiver that reads late holds a sender back for shorter (no source)
UNCUT_SHARE = 0.5  # frames per datagram or segment; real frames give 1 or more
PAUSE_NOTED_SHARE = 1e-3  # pause frames per frame: single ones occur on every link with flow control
REORDERED_NOTED = 1e-3
LOST_NOTED = 1e-3  # of segments or datagrams; below lies what TCP loses to find a path's rate (no source)
ROOM_SHARE = 0.995  # of the ceiling: more fills queues, which lose by design
# A bit error rate of 1e-10, all that 1000BASE-T may have (IEEE 802.3 clause 40), damages 1.2 frames in a million.
ERRORS_LEAST, ERRORS_SHARE = 1, 1e-5
SPEED_WORD = "unknown"


def settings_after(record: LinkView) -> Iterator[Found]:
    """A setting that no longer read back as the cell claims once the traffic had ended."""
    for host, uses in ((record.get("after") or {}).get("settings") or {}).items():
        for use in uses:
            if not use["ok"]:
                yield found(
                    "setting_changed", host=host, setting=use["setting"], seen=use.get("seen"), level=use["level"]
                )


def speed_after(record: LinkView) -> Iterator[Found]:
    """Autonegotiation that fell to another speed in mid-run."""
    after = (record.get("after") or {}).get("speed_bit_s") or {}
    for end in _end_facts(record):
        host, before = end.get("host", ""), end.get("speed_bit_s")
        now = after.get(host)
        if before is not None and host in after and now != before:
            yield found("speed_changed", host=host, before=rate(before), after=rate(now) if now else SPEED_WORD)


def _end_facts(record: LinkView) -> tuple[EndFacts, EndFacts]:
    """What was known of the first and the second end before the traffic."""
    facts = record.get("link_facts") or {}
    return facts.get("first") or {}, facts.get("second") or {}


def boot_after(record: LinkView) -> Iterator[Found]:
    """A host that restarted by itself and came back before anybody noticed."""
    after = (record.get("after") or {}).get("boot_id") or {}
    for host, boot_id in ((record.get("before") or {}).get("boot_id") or {}).items():
        if boot_id and after.get(host) and after[host] != boot_id:
            yield found("rebooted", host=host)


def carrier(record: LinkView) -> Iterator[Found]:
    """A link that went away and came back."""
    for side in both_sides(record):
        count = side.change("interface.carrier_changes")
        if count:
            yield found("carrier_lost", host=side.host, interface=side.interface, count=count)


def clocks(record: LinkView) -> Iterator[Found]:
    """A clock under load that is not the one claimed: outside the cell's limits, or far below what its policy means."""
    for side in both_sides(record):
        mean, claim = side.watch.get("clock_mean_hz"), _claimed_clock(record, side.host)
        if not mean:
            continue
        if claim.min_hz and mean < HELD_SHARE * claim.min_hz:
            yield found("clock_under_min", host=side.host, mean_mhz=_mhz(mean), min_mhz=_mhz(claim.min_hz))
            continue
        if claim.max_hz and HELD_SHARE * mean > claim.max_hz:
            yield found("clock_over_max", host=side.host, mean_mhz=_mhz(mean), max_mhz=_mhz(claim.max_hz))
            continue
        greatest = claim.max_hz or side.watch.get("clock_max_hz")
        if not claim.performance or not greatest:
            continue
        values = {"host": side.host, "mean_mhz": _mhz(mean), "share": percent(mean / greatest)}
        if mean < CLOCK_SUSPECT * greatest:
            yield found("clock_low", **values)
        elif mean < CLOCK_NOTED * greatest:
            yield found("clock_below_max", **values)


class _Claim(NamedTuple):
    """What a cell says of a host's clock; limits in Hz, None where it sets none."""

    performance: bool
    min_hz: float | None
    max_hz: float | None


def _claimed_clock(record: LinkView, host: str) -> _Claim:
    uses = {use["setting"]: use for use in (record.get("settings") or {}).get(host) or ()}
    limits = [uses[name].get("seen") if name in uses else None for name in ("min-frequency", "max-frequency")]
    # policies that differ are read as one limit each; which of them carried the load is not in the record
    least, greatest = (1e3 * float(khz) if isinstance(khz, int | float) else None for khz in limits)
    performance = "governor" in uses and uses["governor"].get("level") == "performance"
    return _Claim(performance, least, greatest)


def _mhz(clock_hz: float) -> str:
    return f"{clock_hz / 1e6:.0f}"


def heat(record: LinkView) -> Iterator[Found]:
    """Throttling for heat that the processor counted itself; suspect when it took the clock below the claimed one."""
    for side in both_sides(record):
        count, lowest = side.watch.get("thermal_throttles"), side.watch.get("clock_min_hz")
        if not count:
            continue
        claim = _claimed_clock(record, side.host)
        promised = claim.min_hz
        if promised is None and claim.performance:
            promised = claim.max_hz or side.watch.get("clock_max_hz")
        share = HELD_SHARE if claim.min_hz else CLOCK_SUSPECT
        if promised and lowest and lowest < share * promised:
            yield found(
                "throttled_below_claim",
                host=side.host,
                count=count,
                lowest_mhz=_mhz(lowest),
                claimed_mhz=_mhz(promised),
            )
        else:
            yield found("throttled_by_heat", host=side.host, count=count)


def steal(record: LinkView) -> Iterator[Found]:
    """A guest whose hypervisor had other work."""
    for side in both_sides(record):
        share = side.watch.get("steal") or 0.0
        if share > STEAL_NOTED:
            yield found("steal", host=side.host, share=percent(share))


def foreign(record: LinkView) -> Iterator[Found]:
    """Cross traffic on the measured interfaces: what no flow of this trial, on any of its links, explains."""
    known, window_s = accounts(record), max((way.receive.get("window_s") or 0.0 for way in ways(record)), default=0.0)
    for account in (known[place] for side in both_sides(record) if (place := (side.host, side.interface)) in known):
        values = {"host": account.host, "interface": account.interface, "share": percent(account.cross_share)}
        if account.cross_bytes <= ANNOUNCEMENTS_BYTES + ANNOUNCEMENTS_BYTES_S * window_s:
            continue
        if account.cross_share > FOREIGN_SUSPECT:
            yield found("cross_traffic_heavy", **values)
        elif account.cross_share > FOREIGN_NOTED:
            yield found("cross_traffic_some", **values)


def kernel_log(record: LinkView) -> Iterator[Found]:
    """What the kernel warned of while the trial ran: the first line, the rest is in the record."""
    for side in both_sides(record):
        lines = side.watch.get("kernel_warnings")
        if lines:
            yield found("kernel_warned", host=side.host, line=lines[0])


def path_notes(record: LinkView) -> Iterator[Found]:
    """A path MTU that was not forgotten, and small frames that the path lost."""
    path, mtu = record.get("path") or {}, (record.get("link_facts") or {}).get("mtu")
    hosts = dict(zip(("first", "second"), (end.get("host") for end in _end_facts(record)), strict=True))
    for end, learned in (path.get("learned_mtu_bytes") or {}).items():
        if learned is not None and mtu and learned < mtu:
            yield found("path_mtu_learned", host=hosts.get(end) or end, learned=learned)


def mss(way: Way) -> Iterator[Found]:
    """TCP segments smaller than the cell's MTU implies, or larger: then the MTU is not what was measured."""
    seen, expected = way.tcp.get("mss_bytes"), way.expected_segment_bytes
    if way.transport != "tcp" or seen is None or expected is None or seen == expected:
        return
    buffer_bytes = way.traffic.get("socket_buffer_bytes")
    if buffer_bytes and seen < expected and buffer_bytes < 8 * expected:
        return  # the kernel keeps a segment below half the peer's window (tcp_bound_to_half_wnd): asked for
    yield found("mss", seen=seen, expected=expected, mtu=way.link_facts["mtu"], path_mtu=way.tcp.get("path_mtu_bytes"))


def framing(way: Way) -> Iterator[Found]:
    """Datagrams that crossed the link in blocks: neither end counted a frame for each.

    Both ends must agree: a driver may count a block handed to its card as one, its far end counts what arrives.
    """
    left, arrived = way.sender.change("interface.tx_packets"), way.receiver.change("interface.rx_packets")
    if left is None or arrived is None:
        return
    frames = max(left, arrived)
    if way.transport == "udp":
        datagrams = way.receive.get("datagrams_received") or 0
        if frames < UNCUT_SHARE * datagrams:
            yield found("never_framed", frames=frames, datagrams=datagrams)
        return
    payload, sent = way.payload_bytes, way.send.get("sent_bytes")
    if payload and sent and frames < UNCUT_SHARE * sent / payload:
        yield found("coalesced_segments", frames=frames, segments=round(sent / payload))


def named_interfaces(way: Way) -> Iterator[Found]:
    """Whether the payload passed the interfaces that the link names, by their own counters."""
    sent = way.send.get("sent_bytes")
    if sent is not None and way.tcp.get("bytes_sent") is not None:  # what waits in the socket came to no interface yet
        sent = min(sent, way.tcp["bytes_sent"])
    if sent is not None:  # what the own queue dropped in silence was handed over, and came to no interface
        sent -= dropped_in_silence(way) * (way.payload_bytes or 0)
    for side, counter, payload in (
        (way.sender, "interface.tx_bytes", sent),
        (way.receiver, "interface.rx_bytes", way.receive.get("received_bytes")),
    ):
        counted = side.change(counter)
        if counted is None or not payload:
            continue
        if counted < EXPLAINED_SHARE * payload:
            yield found("other_interface", host=side.host, interface=side.interface, share=percent(counted / payload))


def window_edges(way: Way) -> Iterator[Found]:
    """A receiver that was too late at the window's ends to know exactly what had arrived by then."""
    if way.edge_error_ratio is not None and way.edge_error_ratio > EDGES_NOTED:
        yield found("edges_uncertain", host=way.receiver.host, share=percent(way.edge_error_ratio))


def steadiness(way: Way) -> Iterator[Found]:
    """Stalls, a trend or two levels within the window."""
    seen = seen_in(way.receive)
    if seen is None or seen["intervals"] < LEAST_INTERVALS:
        return
    interval_s = seen["interval_s"]
    holes = stalls(seen, way.payload_bytes or 1)
    most_s = max(STALL_SUSPECT_SHARE * interval_s * seen["intervals"], STALL_NOTED_S)
    if holes.longest_s >= STALL_SUSPECT_S or holes.total_s > most_s:
        yield found("stalled", longest_s=f"{holes.longest_s:.2g}", total_s=f"{holes.total_s:.2g}")
    elif holes.longest_s >= STALL_NOTED_S:
        yield found("short_stall", longest_s=f"{holes.longest_s:.2g}")
    moved = trend(seen)
    if moved:
        yield found("trend", early=rate(8 * moved[0] / interval_s), late=rate(8 * moved[1] / interval_s))
        return
    levels = two_levels(seen)
    if levels:
        yield found("two_levels", low=rate(8 * levels[0] / interval_s), high=rate(8 * levels[1] / interval_s))


def told_whole(record: LinkView) -> Iterator[Found]:
    """Intervals that a host dropped because nobody took them from it: the figures stand, the files have gaps."""
    for result, side in zip((record.get("first"), record.get("second")), both_sides(record), strict=True):
        told = (result or {}).get("told") or {}
        intervals, samples = int(told.get("dropped_intervals") or 0), int(told.get("dropped_samples") or 0)
        if intervals or samples:
            yield found("intervals_dropped", host=side.host, intervals=intervals, samples=samples)


def intended_load(way: Way) -> Iterator[Found]:
    """A sender that did not reach the rate it was asked for: the result is a lower bound of what the path carries."""
    asked, offered = way.send.get("intended_load_bit_s"), way.offered_load_bit_s
    if asked and offered is not None and offered < ASKED_SHARE * asked:
        yield found("limited_by_sender", offered=percent(offered / asked))


def loss_places(way: Way) -> Iterator[Found]:
    """Lost datagrams whose place the counters do not tell."""
    account = losses(way)
    if account is not None and account.unplaced:
        yield found("place_unknown", why=account.unplaced)


def lost_on_the_way(way: Way) -> Iterator[Found]:
    """Segments that TCP sent again, and datagrams that did not arrive although the link has room for what was offered.

    An overload loses what is too much, which is what it measures: RFC 2285 s3.5.4.
    """
    sent, again = way.tcp.get("segments_sent"), way.tcp.get("segments_retransmitted")
    if sent and again and again > LOST_NOTED * sent:
        yield found("sent_again", share=percent(again / sent), where=_where_segments_went(way))
    account, offered, ceiling = losses(way), way.offered_load_bit_s, way.ceiling_bit_s
    fits = offered is not None and ceiling is not None and offered <= ROOM_SHARE * ceiling
    if account is not None and fits and account.lost > LOST_NOTED * account.attempted:
        yield found(
            "datagrams_lost",
            share=percent(account.lost / account.attempted),
            where=_listed(account.places) or "where is not known",
        )


def _where_segments_went(way: Way) -> str:
    """What the ends' counts tell of the whole trial, warm-up included."""
    account, again = segments_lost(way), way.tcp.get("segments_retransmitted_whole")
    if account is None or again is None:
        return "how many were lost, and where, is not known"
    lost, places = account
    early = f"{again - lost} of those sent again had arrived all the same, late or out of order" if again > lost else ""
    return "; ".join(words for words in (_listed(places) or "none was lost", early) if words)


def _listed(places: Mapping[str, int]) -> str:
    return "lost " + ", ".join(f"{place} {count}" for place, count in places.items()) if places else ""


def damage(record: LinkView) -> Iterator[Found]:
    """Frames that came in damaged, sends that failed, packets with wrong checksums."""
    for side in both_sides(record):
        frames = side.change("interface.rx_packets", "interface.tx_packets") or 0
        most = max(ERRORS_LEAST, ERRORS_SHARE * frames)
        kinds = {name: count for name in _ERROR_COUNTERS if (count := side.change(f"interface.{name}"))}
        if max(kinds.values(), default=0) > most:
            yield found(
                "interface_errors",
                host=side.host,
                interface=side.interface,
                count=max(kinds.values()),
                kinds=", ".join(f"{name} {count}" for name, count in kinds.items()),
            )
        wrong = side.change("udp.InCsumErrors", "tcp.InCsumErrors") or 0
        if wrong > most:
            yield found("checksum_errors", host=side.host, count=wrong)


# Totals first: an interface counts a damaged frame in its total and by its kind.
_ERROR_COUNTERS = (
    "rx_errors",
    "tx_errors",
    "rx_crc_errors",
    "rx_frame_errors",
    "rx_length_errors",
    "tx_carrier_errors",
    "collisions",
)


def pauses(way: Way) -> Iterator[Found]:
    """Flow control: no loss may mean that the sender was held back."""
    held, frames = pause_frames(way), way.sender.change("interface.tx_packets")
    if held and frames and held > PAUSE_NOTED_SHARE * frames:
        yield found("paused", count=held)


def pause_frames(way: Way) -> int | None:
    """Pause frames that the sending interface received and those that the receiving one sent; None where uncounted."""
    counted = [count for count in (way.sender.pause_frames("rx"), way.receiver.pause_frames("tx")) if count is not None]
    return sum(counted) if counted else None


def order(way: Way) -> Iterator[Found]:
    """Datagrams that arrived twice or late."""
    received = way.receive.get("datagrams_received")
    if way.receive.get("datagrams_duplicate"):
        yield found("duplicates", count=way.receive["datagrams_duplicate"])
    late = way.receive.get("datagrams_reordered")
    if received and late and late > REORDERED_NOTED * received:
        yield found("reordered", share=percent(late / received))


def socket_buffers(way: Way) -> Iterator[Found]:
    """Buffers that the kernel cut to its own limit without a word. It counts twice what it is asked for."""
    claimed = way.traffic.get("socket_buffer_bytes")
    if not claimed:
        return
    for side, kind, given, limit in (
        (way.sender, "send", way.send.get("send_buffer_bytes"), "net.core.wmem_max"),
        (way.receiver, "receive", way.receive.get("receive_buffer_bytes"), "net.core.rmem_max"),
    ):
        if given and given // 2 // way.streams < HELD_SHARE * claimed:
            yield found(
                "socket_buffer",
                host=side.host,
                kind=kind,
                given=given // 2 // way.streams,
                claimed=claimed,
                limit=limit,
            )


def window(way: Way) -> Iterator[Found]:
    """Socket buffers smaller than the path's bandwidth-delay product (RFC 6349 s3.3.1).

    Those that the plan set, always; those that the kernel let grow, where TCP says that they held the sender back.
    """
    rate_bit_s, rtt_s = way.link_facts.get("rate_bit_s"), way.tcp.get("rtt_min_s")
    if not rate_bit_s or not rtt_s:
        return
    claimed = way.traffic.get("socket_buffer_bytes")
    for which, size, hint in [("socket buffer", claimed, "")] if claimed else _grown_buffers(way):
        why = window_shortfall(rate_bit_s, rtt_s, size, which=which, connections=way.streams)
        if why:
            yield found("window_small", why=why + hint)


def _grown_buffers(way: Way) -> Iterator[tuple[str, float, str]]:
    """(what, bytes of one connection, what lets it grow) of buffers that no plan set and that held TCP back.

    The kernel counts a buffer twice what a window in it can be.
    """
    for which, given, held, limit, host in (
        (
            "receive buffer",
            way.receive.get("receive_buffer_bytes"),
            "limited_receiver_window_s",
            "net.ipv4.tcp_rmem",
            way.receiver.host,
        ),
        (
            "send buffer",
            way.send.get("send_buffer_bytes"),
            "limited_send_buffer_s",
            "net.ipv4.tcp_wmem",
            way.sender.host,
        ),
    ):
        if given and (way.tcp_share(held) or 0) > BUFFER_HELD_SHARE:
            yield which, given / 2 / way.streams, f" (the kernel lets it grow as far as {limit} on {host} says)"
