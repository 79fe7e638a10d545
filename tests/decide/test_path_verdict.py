"""What two ends' receipts mean together: each direction by its far end, and nothing said beyond the evidence."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.decide.links.path_verdict import path_verdict

Json = dict[str, Any]
QUIET = {"routers": [], "refusals": 0, "refused_by": [], "too_long_here": [], "dropped_here": 0}


def _probe(**changes: Any) -> Json:
    return {
        "role": "probe",
        "mtu": 9000,
        "small_received": 6,
        "small_sent": 6,
        "small_behind_full": 5,
        "waited_s": 0.1,
        "proof_s": 0.5,
        "received": [[9000, 1]],
        "acknowledged": [[9000, 1]],
        "sent": [[9000, 1]],
        "asked": [[9000, 1]],
        "learned_mtu_bytes": 9000,
        "network": QUIET,
        **changes,
    }


def _answer(**changes: Any) -> Json:
    return {
        "role": "answer",
        "mtu": 9000,
        "small_received": 6,
        "received": [[9000, 1]],
        "sent": [[9000, 1]],
        "learned_mtu_bytes": 9000,
        "network": QUIET,
        **changes,
    }


STOPPED_OUT = {"sent": [[1500, 1], [1501, 5], [9000, 9]]}


def test_what_arrived_in_both_directions_is_open():
    verdict = path_verdict(_probe(), _answer())
    assert (verdict["verdict"], verdict["full"]) == ("open", {"transmit": True, "receive": True})


def test_a_direction_is_judged_by_its_far_ends_receipts_and_not_by_acknowledgements():
    """All acknowledgements were lost on the way back: the receipts still prove the direction."""
    verdict = path_verdict(_probe(acknowledged=[], sent=[[9000, 9]]), _answer(received=[[9000, 8]]))
    assert verdict["verdict"] == "open"


@pytest.mark.parametrize("asking_first", [True, False])
def test_directions_are_named_from_the_links_first_end_whoever_asks(asking_first: bool):
    probe, answer = _probe(**STOPPED_OUT), _answer(received=[[1500, 1]])
    verdict = path_verdict(probe, answer) if asking_first else path_verdict(answer, probe)
    stopped, passing = ("transmit", "receive") if asking_first else ("receive", "transmit")
    assert verdict["verdict"] == "too_small"
    assert verdict["full"] == {stopped: False, passing: True}
    assert verdict["largest"] == {stopped: 1500, passing: 9000}


def test_the_sentence_names_the_largest_size_of_each_direction():
    verdict = path_verdict(_probe(**STOPPED_OUT), _answer(received=[[1500, 1]]))
    assert "1500 bytes in transmit and 9000 bytes in receive" in verdict["sentence"]
    assert "something between the ends stops larger frames" in verdict["sentence"].lower()


@pytest.mark.parametrize("tries", [0, 1, 4])
def test_fewer_than_five_frames_in_vain_prove_nothing(tries: int):
    """One in ten lost: four frames are lost together once in 10,000 paths, five once in 100,000."""
    verdict = path_verdict(_probe(sent=[[9000, tries]]), _answer(received=[]))
    assert verdict["verdict"] == "silent"


def test_without_a_small_frame_behind_the_large_ones_nothing_is_called_too_small():
    verdict = path_verdict(_probe(**STOPPED_OUT, small_behind_full=0), _answer(received=[]))
    assert verdict["verdict"] == "silent"
    assert "nothing can be said about the size" in verdict["sentence"]


def test_an_interface_that_refuses_the_size_itself_is_named():
    network = {**QUIET, "too_long_here": [9000]}
    verdict = path_verdict(_probe(sent=[[9000, 1]], network=network), _answer(received=[[1500, 1]]))
    assert verdict["verdict"] == "too_small"
    assert "first end itself" in verdict["sentence"]


def test_a_router_that_reported_is_named_with_its_size():
    network = {**QUIET, "routers": [{"mtu_bytes": 1500, "reported_by": "198.18.1.1"}]}
    verdict = path_verdict(_probe(**STOPPED_OUT, network=network), _answer(received=[[1500, 1]]))
    assert "198.18.1.1" in verdict["sentence"]
    assert verdict["routers"] == [{"way": "transmit", "mtu_bytes": 1500, "reported_by": "198.18.1.1"}]


def test_no_small_frame_at_all_is_silence():
    verdict = path_verdict(
        _probe(small_received=0, received=[], acknowledged=[], sent=[], waited_s=60.0),
        _answer(small_received=0, received=[], sent=[]),
    )
    assert (verdict["verdict"], verdict["largest"]) == ("silent", {"transmit": 0, "receive": 0})
    assert "60.0 s" in verdict["sentence"]


def test_refusals_are_told_from_silence_with_who_refused():
    network = {**QUIET, "refusals": 8, "refused_by": ["198.18.0.12"]}
    verdict = path_verdict(
        _probe(small_received=0, received=[], acknowledged=[], sent=[], network=network),
        _answer(small_received=0, received=[], sent=[]),
    )
    assert verdict["verdict"] == "refused"
    assert "198.18.0.12" in verdict["sentence"]


def test_a_refusal_before_the_other_end_listened_does_not_spoil_an_open_path():
    assert path_verdict(_probe(network={**QUIET, "refusals": 3}), _answer())["verdict"] == "open"


def test_an_answering_end_without_a_result_leaves_silence_and_not_a_crash():
    verdict = path_verdict(_probe(small_received=0, received=[], acknowledged=[], sent=[]), None)
    assert verdict["verdict"] == "silent"


def test_without_receipts_what_came_back_on_the_line_still_proves_what_passed():
    assert path_verdict(_probe(), None)["verdict"] == "open"
    assert path_verdict(_probe(received=[], acknowledged=[]), None)["verdict"] == "silent"


def test_the_mtu_behind_four_octets_more_is_explained():
    verdict = path_verdict(
        _probe(sent=[[4004, 1], [4005, 5], [9000, 9]], received=[[4004, 1]]),
        _answer(received=[[4004, 1]], sent=[[4005, 5], [9000, 9]]),
    )
    assert "4004 bytes (an MTU of 4000" in verdict["sentence"]
