"""The bottlenecks: what limits a cell, in a few words, as a clause, and what to do about it. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Bottleneck:
    """One answer. `short` is for a cell of a matrix; `{host}` in `clause` is the end that the code names."""

    short: str
    clause: str
    what_to_do: str


BOTTLENECKS = {
    "link_full": Bottleneck(
        "link full",
        "the link is full",
        "nothing: the link carries all that its framing allows; larger frames may carry more",
    ),
    "acknowledgements": Bottleneck(
        "wire full with replies",
        "the wire is full with data and replies",
        "nothing: data and replies fill the wire; measure one direction alone to see it",
    ),
    "narrower_part": Bottleneck(
        "slower part of the path",
        "some part of the path is slower than the link is believed to be",
        "look for a slower port, cable or switch on the way",
    ),
    "intended_load": Bottleneck(
        "intended load",
        "the plan asked for no more",
        "raise the plan's intended load (or pacing) if you want to know the link's limit",
    ),
    "sender_process": Bottleneck(
        "sending process",
        "the sending process on {host} is at its limit",
        "use more flows, larger frames or offloads on the sending host",
    ),
    "receiver_process": Bottleneck(
        "receiving process",
        "the receiving process on {host} is at its limit",
        "use more flows, larger frames or offloads on the receiving host",
    ),
    "sender_quota": Bottleneck(
        "sender's CPU quota",
        "{host} ran out of its CPU quota while sending",
        "raise the control group's CPU quota on the sending host",
    ),
    "receiver_quota": Bottleneck(
        "receiver's CPU quota",
        "{host} ran out of its CPU quota while receiving",
        "raise the control group's CPU quota on the receiving host",
    ),
    "sender_softirq": Bottleneck(
        "sender's interrupts",
        "network interrupts fill one core of {host} while it sends",
        "spread interrupts over cores, or use offloads, on the sending host",
    ),
    "receiver_softirq": Bottleneck(
        "receiver's interrupts",
        "network interrupts fill one core of {host} while it receives",
        "spread interrupts over cores, or use offloads, on the receiving host",
    ),
    "instrument": Bottleneck(
        "our own limit",
        "our own traffic pair reaches no more",
        "the figure is a lower bound: our own traffic pair reaches no more on this host",
    ),
    "pause_frames": Bottleneck(
        "pause frames", "pause frames stop the sender", "look at the receiving end, or vary pause-frames"
    ),
    "receiver_window": Bottleneck(
        "receiver's window",
        "the window of {host} is too small for the delay",
        "raise the receive buffer, or use more flows",
    ),
    "send_buffer": Bottleneck(
        "send buffer", "the send buffer is too small for the delay", "raise the send buffer, or use more flows"
    ),
    "loss": Bottleneck(
        "loss",
        "loss sets the pace",
        "see where it is lost: the columns lost_* and the counters",
    ),
    "path_frame_size": Bottleneck(
        "path's frame size",
        "the path does not carry the frames",
        "raise the MTU of what is in between, or leave the size out",
    ),
    "unknown": Bottleneck(
        "cause unknown",
        "nothing that was looked at explains it",
        "with `confirm: true` short trials look further; see the columns of processes, queues and loss",
    ),
    "not_measured": Bottleneck(
        "not measured",
        "there is no measurement to explain",
        "see the trial's reason",
    ),
}
