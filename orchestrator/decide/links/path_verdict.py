"""What the two ends' receipts of a path proof mean together. Pure.

`transmit` is from the first end of the link to the second, `receive` the other way. Each direction is judged by what
its far end received: acknowledgements that crossed the line prove nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from orchestrator.decide.shapes.path import Counted, Network, PathProofEnd, Router
from orchestrator.decide.shapes.record import PathResult

# Fewer tries than this in vain and nothing is said about the size: 10 % loss takes five frames once in 100,000.
LEAST_TRIES = 5
_WAY_WORDS = {"transmit": "from the first end to the second", "receive": "from the second end to the first"}


@dataclass(frozen=True)
class _Way:
    """One direction's evidence: counts by size at its sending and its receiving end."""

    small_received: int
    sent: Mapping[int, int]
    received: Mapping[int, int]
    routers: tuple[Router, ...]
    too_long_here: frozenset[int]

    def largest(self, small_bytes: int) -> int:
        """The largest size that arrived, 0 when nothing did."""
        return max(self.received, default=small_bytes if self.small_received else 0)


_HEARD_NOTHING: PathProofEnd = {
    "role": "answer",
    "small_received": 0,
    "received": (),
    "sent": (),
    "learned_mtu_bytes": None,
    "network": {"routers": (), "refusals": 0, "refused_by": (), "too_long_here": ()},
}


def path_verdict(first_result: PathProofEnd | None, second_result: PathProofEnd | None) -> PathResult:
    """The path result of a trial, from the two jobs' results; either end may have been the asking one.

    The answering end's result may be None: it was told to stop because the asking end had long given up.
    """
    first_result, second_result = first_result or _HEARD_NOTHING, second_result or _HEARD_NOTHING
    by_role = {str(result["role"]): result for result in (first_result, second_result)}
    asking, answering = by_role["probe"], by_role["answer"]
    if answering is _HEARD_NOTHING:  # then what the answering end acknowledged on the line is all there is
        answering = {**answering, "small_received": asking["small_received"], "received": asking["acknowledged"]}
    out = _way(answering["small_received"], asking["sent"], answering["received"], asking["network"])
    back = _way(asking["small_received"], answering["sent"], asking["received"], answering["network"])
    ways = {"transmit": out, "receive": back} if first_result["role"] == "probe" else {"transmit": back, "receive": out}
    mtu = int(asking["mtu"])
    result: PathResult = {
        "mtu": mtu,
        "small": {**{way: bool(ways[way].small_received) for way in ways}, "waited_s": asking["waited_s"]},
        "full": {way: ways[way].received.get(mtu, 0) > 0 for way in ways},
        "largest": {way: ways[way].largest(min(128, mtu)) for way in ways},
        "small_sent": asking["small_sent"],
        "small_answered": asking["small_received"],
        "proof_s": asking["proof_s"],
        "learned_mtu_bytes": {"first": first_result["learned_mtu_bytes"], "second": second_result["learned_mtu_bytes"]},
        "routers": _routers(ways),
        "refusals": {
            place: {"times": int(end["network"]["refusals"]), "by": list(end["network"]["refused_by"])}
            for place, end in (("first", first_result), ("second", second_result))
        },
    }
    verdict, finding, cause = _judge(result, ways, asking, answering)
    return {**result, "verdict": verdict, "finding": finding, "sentence": f"{finding} {cause}".rstrip()}


def _way(small_received: int, sent: Counted, received: Counted, network: Network) -> _Way:
    return _Way(
        int(small_received),
        dict(sent),
        dict(received),
        tuple(network["routers"]),
        frozenset(network["too_long_here"]),
    )


def _routers(ways: Mapping[str, _Way]) -> list[dict[str, object]]:
    return [{"way": way, **router} for way, evidence in ways.items() for router in evidence.routers]


def _judge(
    result: PathResult, ways: Mapping[str, _Way], asking: PathProofEnd, answering: PathProofEnd
) -> tuple[str, str, str]:
    """(verdict, what was found, what is said of its cause before anybody has looked at the ends)."""
    if not (result["small"]["transmit"] and result["small"]["receive"]):
        return _no_path(result, asking, answering)
    stopped = [way for way in ways if not result["full"][way]]
    if not stopped:
        return "open", f"Frames of {result['mtu']} bytes pass in both directions.", ""
    if all(_proven_stopped(ways[way], result["mtu"], asking) for way in stopped):
        return "too_small", _too_small(result, stopped), _cause(ways, stopped, result["mtu"])
    return (
        "silent",
        (
            f"The path fell silent while frames of {result['mtu']} bytes were tried: small frames sent "
            "behind them did not come back either, so nothing can be said about the size."
        ),
        "",
    )


def _proven_stopped(way: _Way, mtu: int, asking: PathProofEnd) -> bool:
    """Whether the size had its chances in vain on a path that carried small frames behind it."""
    if mtu in way.too_long_here:
        return True
    return way.sent.get(mtu, 0) >= LEAST_TRIES and int(asking["small_behind_full"]) > 0


def _too_small(result: PathResult, stopped: list[str]) -> str:
    mtu, largest = result["mtu"], result["largest"]
    where = "in either direction" if len(stopped) == 2 else _WAY_WORDS[stopped[0]]
    sizes = f"{_size_words(largest['transmit'])} in transmit and "
    same = largest["transmit"] == largest["receive"]
    sizes += f"{'as much' if same else _size_words(largest['receive'])} in receive"
    return f"Frames of {mtu} bytes do not pass {where}; the largest that passed: {sizes}."


def _size_words(size_bytes: int) -> str:
    """The size, and the MTU it betrays: Linux bridges let through 4 octets more, for a VLAN tag (net/core/dev.c)."""
    mtu = size_bytes - 4
    if mtu > 0 and (mtu % 100 == 0 or mtu == 1492):
        return f"{size_bytes} bytes (an MTU of {mtu} and the 4 bytes a bridge leaves for a VLAN tag)"
    return f"{size_bytes} bytes"


def _cause(ways: Mapping[str, _Way], stopped: list[str], mtu: int) -> str:
    own = [way for way in stopped if mtu in ways[way].too_long_here]
    if own:
        ends = " and ".join({"transmit": "first", "receive": "second"}[way] for way in own)
        return f"The interface of the {ends} end itself refuses frames of {mtu} bytes."
    routers = [router for way in stopped for router in ways[way].routers]
    if routers:
        return (
            f"Something between the ends stops larger frames: a router at {routers[0]['reported_by']} says that "
            f"its next link carries {routers[0]['mtu_bytes']} bytes."
        )
    return "Something between the ends stops larger frames, although both ends are set to carry them."


def _no_path(result: PathResult, asking: PathProofEnd, answering: PathProofEnd) -> tuple[str, str, str]:
    waited = f"{result['small']['waited_s']:.1f} s"
    refusals = int(asking["network"]["refusals"]) + int(answering["network"]["refusals"])
    if refusals:
        by = sorted({*asking["network"]["refused_by"], *answering["network"]["refused_by"]})
        who = f"by {', '.join(by)}" if by else "by a filter of the sending host itself"
        return (
            "refused",
            (
                f"Small UDP frames are refused {who} ({refusals} times in {waited}), so nothing can be said "
                "about frame sizes."
            ),
            "",
        )
    if int(answering["small_received"]) and not int(asking["small_received"]):
        return "silent", f"Small frames reach the answering end, and none comes back within {waited}.", ""
    return "silent", f"No small frame passed within {waited}.", ""
