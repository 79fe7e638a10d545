"""The closed list of codes with which a host refuses or fails: what each means, whose fault it is, what follows.

A host raises them as `Refusal` (onhost/refusal.py) or answers them beside a setting. Whoever decides by a code of a
host decides by one of these. The tests find every code that is raised and hold them against the list, and each has a
sample that raises it.
"""

from __future__ import annotations

from dataclasses import dataclass

# Whose fault it is.
HOST = "the host"  # its kernel, driver, disk or memory; whoever runs it can do something about it
PLAN = "the plan"  # it asks for what this host does not have, or not together
LINK = "the link"  # what lies between the hosts, or the far end
SOMEBODY = "somebody else"  # another run, another program, another user
LATE = "nobody"  # a message, a lease or a session that was overtaken by time
OURS = "linktrial"

# What follows, in the run's own terms.
LEVEL_REFUSED = "cells with this level are impossible on this host; the run goes on"
CELL_IMPOSSIBLE = "the cell is impossible on this host; the run goes on"
TRIAL_FAILS = "in a trial: that one is failed; anywhere else the run stops and can be resumed"
SETTING_FAILS = "the trial whose setting it was is failed, as it says nothing of what the host can do"
REPEATED = "the trial is repeated, or the run stops, as the plan's `changed_outside` says"
NOT_BEGUN = "nothing is changed: the run does not begin, or the command ends"
RUN_STOPS = "the run stops and can be resumed: the host is at a limit of its own, which is no property of a cell"
ASKED_ANEW = "a new session asks the host what became of the lease, and the run goes on from there"
STAYS_TOLD = "what was not restored stays noted on the host and is told, with the command that puts it right"
NOT_KNOWN = "what it would have told is not known; nothing is concluded from that"
WITHOUT_IT = "the run goes on without it"
OUR_FAULT = "the run ends as our own fault, hosts restored and verified"


@dataclass(frozen=True)
class HostCode:
    """One code."""

    meaning: str
    whose: str
    follows: str


CODES = {
    # --- who holds the host ---
    "busy": HostCode("another run holds this host", SOMEBODY, NOT_BEGUN),
    "unclean": HostCode("an earlier run's changes are still on this host", SOMEBODY, NOT_BEGUN),
    "stale": HostCode("another session has acquired this host since", LATE, ASKED_ANEW),
    "expired": HostCode("the lease of this host has run out", LATE, ASKED_ANEW),
    "no_lease": HostCode("nobody holds this host, or it has been started again since", LATE, ASKED_ANEW),
    "not_prepared": HostCode("a setting was to change that this session's lease has not looked at", LATE, ASKED_ANEW),
    "unrestored": HostCode("the host was to be given up with changes on it", OURS, STAYS_TOLD),
    "locked": HostCode("another change on this host does not end", HOST, RUN_STOPS),
    "record": HostCode("this host cannot keep or read its record", HOST, RUN_STOPS),
    "watchdog": HostCode("the process that would restore this host does not start", HOST, RUN_STOPS),
    "no_control_path": HostCode("by which address we reach this host is not known", HOST, WITHOUT_IT),
    # --- settings ---
    "cannot": HostCode("this host cannot have this level", HOST, LEVEL_REFUSED),
    "no_privilege": HostCode("the kernel does not allow this user the change", HOST, LEVEL_REFUSED),
    "failed": HostCode("a change or restoring failed that should have worked", HOST, STAYS_TOLD),
    "stuck": HostCode("a driver, or a stream, does not come to an end", HOST, SETTING_FAILS),
    "changed_outside": HostCode("somebody else has changed it since we did", SOMEBODY, REPEATED),
    "too_late": HostCode("a time had passed when the host was told of it", LATE, TRIAL_FAILS),
    # --- changes that may cut the way to the host ---
    "unconfirmed": HostCode("an earlier change still waits to be confirmed", OURS, LEVEL_REFUSED),
    "same_session": HostCode("a change is confirmed by the session that made it", OURS, LEVEL_REFUSED),
    "reverted": HostCode("nobody confirmed the change in time: it was taken back", LINK, LEVEL_REFUSED),
    "nothing_to_confirm": HostCode("no change waits to be confirmed", LATE, WITHOUT_IT),
    # --- what stays as it is after `recover --accept` ---
    "unreadable": HostCode("what is to stay cannot be read", HOST, NOT_BEGUN),
    "changed_since": HostCode("what differs is not what was told a moment ago", SOMEBODY, NOT_BEGUN),
    # --- interfaces and the path ---
    "interface_missing": HostCode("this host has no such interface", PLAN, TRIAL_FAILS),
    "address_not_ready": HostCode("the address is not, or not yet, one of the interface", PLAN, TRIAL_FAILS),
    "no_route": HostCode("the interface has no route to the other end", PLAN, TRIAL_FAILS),
    "port_in_use": HostCode("another program has the port", SOMEBODY, TRIAL_FAILS),
    "socket_refused": HostCode("the kernel opens no such socket", HOST, TRIAL_FAILS),
    "not_forgotten": HostCode("what was learned about the other end cannot be dropped", HOST, TRIAL_FAILS),
    "not_asked": HostCode("the link cannot be asked who has an address", HOST, NOT_KNOWN),
    "needs_root": HostCode("frames without an address can be sent and heard by root alone", HOST, NOT_KNOWN),
    "no_raw_frames": HostCode("this system sends and hears no frames without an address", HOST, NOT_KNOWN),
    "wiring_not_sent": HostCode("the frame that tells how cables run cannot be sent", HOST, NOT_KNOWN),
    # --- traffic ---
    "congestion_missing": HostCode("this kernel does not offer the congestion control", HOST, CELL_IMPOSSIBLE),
    "core_missing": HostCode("there is no such core to run on", PLAN, CELL_IMPOSSIBLE),
    "zero_copy_missing": HostCode("this host cannot send without copying", HOST, CELL_IMPOSSIBLE),
    "send_path": HostCode("datagrams cannot be sent in the way that is asked for", HOST, CELL_IMPOSSIBLE),
    "receive_path": HostCode("datagrams cannot be received in the way that is asked for", HOST, CELL_IMPOSSIBLE),
    "pacing_missing": HostCode("this system does not pace a TCP connection", HOST, TRIAL_FAILS),
    "datagram_size": HostCode("no datagram has a payload of this size", PLAN, TRIAL_FAILS),
    "too_few_ports": HostCode("there are more streams than ports", PLAN, TRIAL_FAILS),
    "bad_address": HostCode("it is no address of the family", PLAN, TRIAL_FAILS),
    "unknown_flow": HostCode("there is no such way or transport", OURS, TRIAL_FAILS),
    "bad_window": HostCode("the times of a trial are not in order", OURS, TRIAL_FAILS),
    "not_connected": HostCode("the other end did not answer, or did not come", LINK, TRIAL_FAILS),
    "not_ready": HostCode("the processes that send and receive were not ready in time", HOST, TRIAL_FAILS),
    "peer_lost": HostCode("the other end closed a stream in the middle of the traffic", LINK, TRIAL_FAILS),
    "send_failed": HostCode("the kernel does not send a datagram", HOST, TRIAL_FAILS),
    "receive_failed": HostCode("the kernel does not receive", HOST, TRIAL_FAILS),
    "stream_died": HostCode("a process that sends or receives ended without a result", HOST, TRIAL_FAILS),
    # --- requests and jobs ---
    "bad_request": HostCode("the request is not of the shape that its verb takes", OURS, TRIAL_FAILS),
    "unknown_verb": HostCode("the host knows no such request", OURS, TRIAL_FAILS),
    "repeated": HostCode("a request of this number is running already", OURS, TRIAL_FAILS),
    "too_many": HostCode("as many jobs run as may", OURS, SETTING_FAILS),
    "too_much": HostCode("a job answered more than it may", OURS, TRIAL_FAILS),
    "too_large": HostCode("an answer does not fit into one message", OURS, TRIAL_FAILS),
    "damaged": HostCode("a job and the helper do not understand each other", OURS, TRIAL_FAILS),
    "died": HostCode("a job's process ended without an answer", HOST, SETTING_FAILS),
    "timeout": HostCode("a job took longer than it was given", HOST, SETTING_FAILS),
    "cancelled": HostCode("we cancelled the job", OURS, SETTING_FAILS),
    "not_told": HostCode("we said nothing to a job that waited for it", LATE, TRIAL_FAILS),
    "helper_gone": HostCode("the helper that started a job has ended", LATE, TRIAL_FAILS),
    "memory": HostCode("this host has no memory left", HOST, RUN_STOPS),
    "exhausted": HostCode("this host is at a limit of its own: processes, memory or open files", HOST, RUN_STOPS),
    "bug": HostCode("an error of ours on this host", OURS, OUR_FAULT),
}


def codes_with(follows: str) -> frozenset[str]:
    """The codes from which one thing follows."""
    return frozenset(code for code, about in CODES.items() if about.follows == follows)
