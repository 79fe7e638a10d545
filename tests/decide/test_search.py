"""What a step of the throughput search counts: the same loss that the row of its confirming trial shows."""

from __future__ import annotations

from typing import Any

from orchestrator.decide.search import searched
from orchestrator.decide.verdict.evidence import ways
from orchestrator.decide.verdict.losses import losses
from tests.decide.records import changed, healthy_record


def _step(record: dict[str, Any]) -> dict[str, Any]:
    return {
        "intended_load_bit_s": record["first"]["parts"][0]["intended_load_bit_s"],
        "length_s": 10.0,
        "full_length": True,
        "first": record["first"],
        "second": record["second"],
    }


def test_what_the_own_queue_refused_is_lost_for_the_search_as_it_is_in_the_row() -> None:
    """Else a search would answer "no loss" with a row beside it that has some."""
    record = changed(healthy_record(transport="udp"), first__parts__0__datagrams_refused=400)
    account, trial = losses(ways(record)[0]), searched(_step(record))
    assert account is not None
    assert account.lost == 400 == trial.sent - trial.received
    assert trial.loses(0.0)


def test_more_arrivals_than_were_believed_sent_do_not_end_the_search() -> None:
    """A send that reports an error may have sent all the same; the row says that the counts do not agree."""
    record = healthy_record(transport="udp")
    sent = record["first"]["parts"][0]["datagrams_sent"]
    trial = searched(_step(changed(record, second__parts__0__datagrams_received=sent + 1)))
    assert not trial.loses(0.0)
