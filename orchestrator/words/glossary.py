"""The words of plans, tables and reports: what each means and whose word it is. Pure.

`plans/words.md` is made from this (`linktrial explain --markdown`), and `linktrial explain WORD` answers from it. A
word of the trade or of a standard keeps its meaning; every other one is ours and says so.
"""

from __future__ import annotations

from dataclasses import dataclass

OURS, TRADE, DESIGN = "ours", "the trade", "design of experiments"


@dataclass(frozen=True)
class Word:
    """A word, what it means, and who coined it; `also` are other forms of it."""

    word: str
    meaning: str
    source: str
    also: tuple[str, ...] = ()


_WORDS = (
    # --- what is asked ---
    Word("plan", "the YAML file: hosts, links, factors, and how to run a trial", OURS),
    Word("suite", "several plans that are run one after the other, from one folder", OURS),
    Word("host", "a machine reached over SSH, or this one; what runs on it for us is its helper", TRADE),
    Word("helper", "the program that the controller sends to a host and talks to there; nothing is installed", OURS),
    Word("link", "an interface under test and the far interface that traffic runs between", "RFC 1242, RFC 2285 (DUT)"),
    Word("factor", "what is varied: a setting of a host, or a property of the traffic", DESIGN),
    Word("level", "one value of a factor", DESIGN),
    Word("cell", "one combination of levels, one of each factor that applies", DESIGN),
    Word("setting", "what changes a host: MTU, governor and the like; a factor varies it, `hold` fixes it", TRADE),
    Word("traffic factor", "a factor that changes the traffic: transport, direction, streams and the like", TRADE),
    Word(
        "direction",
        "`transmit`, `receive` or `bidirectional`, seen from the interface under test",
        "RFC 2544 section 14 (bidirectional)",
    ),
    Word("way", "of a row: `transmit` or `receive`, seen from the interface under test; both ways have two rows", OURS),
    # --- how it is run ---
    Word("trial", "one measurement of one cell", "RFC 2544"),
    Word("replicate", "the same cell measured again", DESIGN),
    Word("block", "one replicate of every cell, in shuffled order", DESIGN),
    Word("whole plot", "the trials between two applications of a level that is costly to change", DESIGN),
    Word("survey", "what a host is and can do, read without changing anything", OURS),
    Word(
        "rehearsal",
        "every level of every setting once, and a second of each kind of traffic, restored: what is refused is known "
        "before the long run begins; its figures are no results",
        OURS,
    ),
    Word("path proof", "evidence that frames of a size really pass, judged for each direction alone", OURS),
    Word("warm-up", "traffic before the window that is measured", TRADE, ("warmup",)),
    Word("settle", "the pause after a change, before the traffic", OURS),
    Word("self-test", "what the traffic pair reaches over a host's loopback: the instrument's own limit", "metrology"),
    Word("budget", "the time that a plan allows for its trials, instead of a number of replicates", OURS),
    Word("screen", "a few trials that say which of many two-level factors matter", DESIGN, ("screening",)),
    # --- what protects a host ---
    Word("restore", "bring a host back to what it was before; verified equal to that", "calibration (as found)"),
    Word("as found", "equal to what was read before the run's first change", "calibration", ("verified as found",)),
    Word(
        "host lease",
        "the time for which a host keeps its changes without hearing from us; then it restores itself",
        "RFC 6241 section 8.4 (confirmed commit)",
        ("lease",),
    ),
    Word("watchdog", "the process on a host that restores it when the lease ends", TRADE),
    Word("journal", "the durable record of a run: what it resumes and recovers from", TRADE),
    Word("external change", "something that was changed on a host during a run, and not by it", OURS),
    Word("timeout", "the time after which something that has not ended counts as failed", TRADE),
    Word("saved state", "what a setting remembers of a host between two levels, so that it can be restored", OURS),
    # --- what is measured ---
    Word("goodput", "payload bits per second, counted at the receiver", "RFC 2647 section 3.17"),
    Word("intended load", "what the plan asks to be sent", "RFC 2285 section 3.5.1"),
    Word("offered load", "what really was sent", "RFC 2285 section 3.5.2"),
    Word("throughput", "the highest offered load without loss", "RFC 1242 section 3.17"),
    Word("frame", "one Ethernet frame; its time on the wire includes preamble and gap", "IEEE Std 802.3"),
    Word("MTU", "the largest IP packet that an interface sends in one frame", "RFC 1122 section 1.3.3"),
    Word("MSS", "the payload of TCP's largest segment", "RFC 9293 section 3.7.1"),
    Word("window", "the part of a trial in which everything is counted", OURS),
    Word("ceiling", "the most goodput that framing, the link's rate and the card's bus allow", OURS),
    Word("fill", "goodput / ceiling", OURS),
    Word("loss ratio", "datagrams lost / datagrams sent", "RFC 7680"),
    Word("jitter", "interarrival jitter, smoothed over the datagrams", "RFC 3550 section 6.4.1"),
    Word("delay variation", "one-way delay above the minimum", "RFC 5481 (PDV)"),
    Word("reordered", "arrived after one that was sent later", "RFC 4737"),
    Word("cross traffic", "what the measured interface carried and no flow of the trial explains", TRADE),
    Word("bottleneck", "what limits a cell", "RFC 6349, and the trade"),
    Word("control trial", "the same cell again and again over the run: what changes in it is the bench", DESIGN),
    # --- what is said of it ---
    Word("status", "what a trial came to: valid, suspect, impossible, failed or skipped", OURS),
    Word("doubt", "a code beside a trial: why it is suspect, or what to know of a valid one (then it is noted)", OURS),
    Word("noted", "of a valid trial that carries a doubt: the measurement stands, with something to know", OURS),
    Word("finding", "something that a survey found wrong with a host or a link", OURS),
    Word("interval", "the 95 % confidence interval of a mean", "statistics"),
    Word("drift", "a trend over the run that chance would show in fewer than 1 cell of 100", "statistics"),
    Word("reference", "of a comparison: the runs that the candidate is compared with; also runs stored by name", OURS),
    Word("candidate", "of a comparison: the runs that are compared with the reference", OURS),
    Word("better", "of a comparison: differs after Holm's adjustment, and the estimate is beyond the threshold", OURS),
    Word("worse", "as `better`, in the other direction", OURS),
    Word("no change", "of a comparison: shown to be within the threshold, by two one-sided tests", "statistics (TOST)"),
    Word("inconclusive", "of a comparison: the data cannot decide", "ISO/IEC 9646"),
    Word("lost", "of a comparison: the reference measured the cell, and no trial of the candidate is valid", OURS),
    Word("threshold", "the difference that matters to the plan's author; 3 % if not said", OURS),
)
WORDS: dict[str, Word] = {word.word: word for word in _WORDS}


def found(text: str) -> Word | None:
    """The word that `text` is, in any of its forms; upper and lower case are one."""
    wanted = text.casefold()
    return next(
        (word for word in _WORDS if wanted in (form.casefold() for form in (word.word, *word.also))),
        None,
    )
