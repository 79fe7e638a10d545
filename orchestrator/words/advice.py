"""What to do about the codes of doubts, of trials without a measurement, and of findings. Pure.

What a code means stands where it is decided; for those whose sentence is made of figures a plain meaning stands here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Advice:
    """What a code means, and what to do about it."""

    meaning: str
    what_to_do: str


# Of trials that were measured; `decide.verdict.doubts` has the conditions and the sentences with figures.
DOUBTS = {
    "setting_changed": Advice(
        "a setting did not read as the cell claims after the trial", "find out who else changes it, then measure again"
    ),
    "speed_changed": Advice(
        "the link's speed changed during the trial", "look at cable, port and negotiation, then measure again"
    ),
    "carrier_lost": Advice("the link went down during the trial", "look at cable, port and power saving of the link"),
    "rebooted": Advice("a host was restarted during the trial", "find out why, and measure again"),
    "mss": Advice(
        "TCP's segments are smaller than the MTU implies",
        "look for a smaller path MTU, or for somebody who rewrites the announced segment size",
    ),
    "socket_buffer": Advice(
        "the kernel gave a smaller socket buffer than the cell claims", "raise the host's limit, or ask for less"
    ),
    "never_framed": Advice(
        "datagrams were never cut into frames, so the MTU was not tried",
        "switch offloads off that carry whole blocks (segmentation-offload), on virtual interfaces above all",
    ),
    "clock_low": Advice(
        "the processor's clock stayed below its maximum although performance is claimed",
        "look at heat, power supply and firmware limits",
    ),
    "clock_under_min": Advice("the clock fell below the minimum that the cell sets", "look at heat and power supply"),
    "clock_over_max": Advice(
        "the clock rose above the maximum that the cell sets", "look for a service or firmware that sets it again"
    ),
    "throttled_below_claim": Advice(
        "the processor throttled itself for heat, below the clock that the cell claims", "cool it, or settle longer"
    ),
    "other_interface": Advice(
        "the traffic took another interface than the cell's", "look at routes and addresses: give the link its own net"
    ),
    "cross_traffic_heavy": Advice(
        "much of what the interface carried was not of this trial", "measure on a link that carries nothing else"
    ),
    "stalled": Advice("nothing arrived for a good part of the window", "look at the link and at what else ran then"),
    "fill_above_one": Advice(
        "more arrived than the ceiling allows", "correct the plan's `rate`, or leave it out; see the MTU, too"
    ),
    "marked_by_hand": Advice("a person called the trial doubtful", "`linktrial show RUN --no-doubt TRIAL` undoes it"),
    "limited_by_sender": Advice(
        "the sender could not send what the plan asked for", "read goodput against the offered load; ask for less"
    ),
    "place_unknown": Advice("it is not known where datagrams were lost", "see the reason; some counters need root"),
    "cross_traffic_some": Advice(
        "a little of what the interface carried was not of this trial", "measure on a link that carries nothing else"
    ),
    "short_stall": Advice("nothing arrived for a short part of the window", "see whether it comes back in replicates"),
    "above_ceiling_once": Advice(
        "one window is above the ceiling, as a queue on the way explains", "nothing, unless it comes back in replicates"
    ),
    "edges_uncertain": Advice(
        "the receiving host was late to look at the window's ends, so goodput is known less exactly",
        "use longer trials, or let the host do less beside them",
    ),
    "trend": Advice("the rate went up or down over the window", "warm up longer; look at heat and at queues"),
    "two_levels": Advice("the rate jumped between two levels", "look at the clock, at cores and at who else runs"),
    "clock_below_max": Advice("the clock stayed below its maximum", "vary or hold the governor if it matters"),
    "throttled_by_heat": Advice("the processor throttled itself for heat", "cool it, or settle longer"),
    "steal": Advice("the hypervisor took processor time away", "measure on hardware, or on a machine with less beside"),
    "paused": Advice("pause frames stopped the sender", "look at the receiving end, or vary pause-frames"),
    "sent_again": Advice(
        "TCP sent a noticeable share of its segments again", "see where it was lost; try another cable"
    ),
    "datagrams_lost": Advice(
        "datagrams were lost although the link has room", "see the columns lost_*: they say where; then that queue"
    ),
    "interface_errors": Advice("damaged frames or failed sends were counted", "look at cable, connectors and card"),
    "checksum_errors": Advice("packets arrived with a wrong checksum", "look at card, memory and what is in between"),
    "duplicates": Advice("datagrams arrived more than once", "look for a loop, or for mirroring on the way"),
    "reordered": Advice("datagrams arrived out of order", "look for several paths, queues or cores on the way"),
    "kernel_warned": Advice("the kernel warned during the trial", "read the line; it may have stopped the card"),
    "coalesced_segments": Advice(
        "segments crossed the link in blocks, as virtual interfaces pass them", "switch offloads off on both ends"
    ),
    "window_small": Advice("a window was too small for rate times delay", "raise the socket buffer, or use more flows"),
    "intervals_dropped": Advice(
        "some intervals were not taken in time and are missing over time; in no other figure", "nothing is wrong"
    ),
    "path_mtu_learned": Advice("a smaller path MTU was still remembered", "find the router that announces it"),
}
# Of trials that came to no measurement.
WITHOUT_MEASUREMENT = {
    "setting_refused": Advice("a host cannot have the level", "leave the level out, or use a host that can"),
    "setting_unfinished": Advice("a change did not come to an end", "look at the driver's messages on the host"),
    "path_too_small": Advice("the path does not carry frames of this size", "raise the MTU of what is in between"),
    "path_silent": Advice("nothing came through the path", "look at cables, addresses and packet filters"),
    "path_refused": Advice("the far end refuses the probes", "look at packet filters, and at who has the port"),
    "no_result": Advice("an end gave no result of the traffic", "see log.txt; measure again with `resume --again`"),
    "traffic_error": Advice("the traffic ended with an error", "the reason has the host's own words"),
    "nothing_received": Advice("what was sent did not arrive", "look at packet filters and at the path"),
    "impossible_cell": Advice("known before any traffic: this cell cannot be", "leave it out (`leave_out`)"),
    "not_started": Advice("the level's restart was not tried again, as it failed twice", "look at the host's console"),
    "broken_off": Advice("the trial was begun several times and never ended", "see log.txt, then `resume --again`"),
    "changed_outside": Advice(
        "somebody else changed the host during the trial", "find out who, or stop it; the reason names what changed"
    ),
}
# Of surveys; each is told with the host's own figures, with why and what to do.
FINDINGS = {
    "bus_limits": Advice("the card's bus carries less than its link", "use another slot, or compare with that limit"),
    "busy_link": Advice("somebody sends over the interface now", "find out who (ss -tunp); use a link of your own"),
    "card_without_driver": Advice("a network card has no driver", "install or load it, or name another interface"),
    "carrier_changes": Advice("the link came and went", "look at the cable, the port and the card's power"),
    "clock_capped": Advice("the clock may not rise to what the processor can do", "find out who limits it"),
    "connection_tracking": Advice("the kernel tracks connections", "leave the measured interface out of it (notrack)"),
    "control_over_measured": Advice(
        "the host is controlled over the interface that is measured", "reach it by another interface where there is one"
    ),
    "disturbing_service": Advice("a service runs that may change or load the host", "stop it for the run"),
    "driver_without_interface": Advice("a card has a driver and no interface", "look at firmware, power and the slot"),
    "ends_differ": Advice("the two ends of a link differ", "make them alike, or name the difference when you compare"),
    "enslaved": Advice("the interface belongs to a bridge or bond", "name that one, or take the interface out of it"),
    "errors": Advice("the interface has counted errors since it started", "see whether they go on; change the cable"),
    "errors_now": Advice("errors are being counted at this moment", "change the cable, then the port"),
    "firmware_missing": Advice("a driver asked in vain for firmware", "install the firmware package, then restart"),
    "half_duplex": Advice("the link runs half duplex", "let both ends negotiate, or force the same at both"),
    "hot": Advice("the host is warm before any load", "cool it, or let the plan settle longer"),
    "mtu_impossible": Advice("the driver cannot have the plan's MTU", "leave it out, or use another card"),
    "no_address": Advice("the interface has no usable address", "give it one, or say `address: temporary`"),
    "no_carrier": Advice("nothing is connected, or the far end is down", "look at the cable and the far end"),
    "offers_less": Advice("the interface offers less speed than it could", "let it offer all modes again (ethtool -s)"),
    "one_core_receives": Advice("one core does all receiving", "vary interrupt-cores or receive-steering"),
    "packet_filter": Advice("packet filters are loaded", "see that they let the plan's ports pass"),
    "path": Advice("frames do not pass between the ends as they should", "look at what is in between"),
    "powersave": Advice("the governor holds the lowest clock", "vary it, or hold `governor: performance`"),
    "same_network": Advice("two interfaces of a host are in one network", "give the measured link its own network"),
    "slower_than_both": Advice("the link is slower than both ends could", "try another cable, then another port"),
    "throttled": Advice("the processor has throttled itself", "cool it before a long run"),
    "under_voltage": Advice("a sensor says that the voltage is too low", "use the supply that the maker names"),
    "wall_clock": Advice("the host's clock is far from ours", "set it; measurements do not use it"),
    "wired_elsewhere": Advice("the interfaces are not wired as the plan says", "correct the plan, or the cabling"),
}
