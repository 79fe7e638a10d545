"""Network cards that do not work as interfaces: no driver, no interface, no firmware. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.decide.findings.finding import Finding
from orchestrator.decide.shapes.host_facts import CardFacts, Survey

# drivers that hold a card back for somebody else, a guest or a program, and make no interface of it
_HOLDING = ("vfio-pci", "uio_pci_generic", "igb_uio", "pci-stub", "xen-pciback")


def card_findings(host: str, survey: Survey) -> Iterator[Finding]:
    """What is wrong with the cards on a host's bus."""
    for card in survey.get("cards", []):
        if not card["driver"]:
            yield _without_driver(host, survey, card)
        elif not card["interfaces"]:
            yield _without_interface(host, card)
    missing = (survey.get("activity") or {}).get("firmware_missing") or []
    if missing:
        yield _without_firmware(host, survey, missing)


def _without_driver(host: str, survey: Survey, card: CardFacts) -> Finding:
    return Finding(
        "card_without_driver",
        "stops",
        host,
        card["slot"],
        f"the network card {card['ids']} at {card['slot']} has no driver, so it has no interface",
        _why_no_driver(survey["kernel"], card),
        _remedy(card),
    )


def _why_no_driver(kernel: str, card: CardFacts) -> str:
    if card["modules"]:
        return f"the running kernel {kernel} has {_listed(card['modules'])}, which claims it and is not at work"
    options = {name: state for name, state in card["options"].items() if state}
    told = ", ".join(f"{name} is {'switched off' if state == 'off' else state}" for name, state in options.items())
    return f"the running kernel {kernel} has no module that claims it" + (f" (as configured: {told})" if told else "")


def _remedy(card: CardFacts) -> str:
    if card["modules"]:
        return f"modprobe {card['modules'][0]}; if that fails, the kernel log says why (dmesg)"
    for release, modules in card["other_kernels"].items():
        return f"start the installed kernel {release}, which has {_listed(modules)} for it"
    return (
        f"install a kernel that has a driver for {card['ids']} (kernels for virtual machines often lack those of "
        "real cards)"
    )


def _without_interface(host: str, card: CardFacts) -> Finding:
    held = card["driver"] in _HOLDING
    return Finding(
        "driver_without_interface",
        "stops",
        host,
        card["slot"],
        f"the network card {card['ids']} at {card['slot']} has the driver {card['driver']}, but no interface",
        "that driver keeps the card for a guest or a program"
        if held
        else "the driver took the card and could not start it: firmware, power and the slot are the usual reasons",
        f"give it back to its own driver (the card is bound to {card['driver']})"
        if held
        else f"read the kernel log for {card['slot']} (dmesg)",
    )


def _without_firmware(host: str, survey: Survey, missing: list[str]) -> Finding:
    works = all(card["driver"] and card["interfaces"] for card in survey.get("cards", []))
    return Finding(
        "firmware_missing",
        "disturbs" if works else "stops",
        host,
        "",
        f"a driver asked in vain for the firmware {_listed(missing)}",
        "all cards have interfaces all the same, with the firmware they were delivered with"
        if works
        else "a card whose driver lacks its firmware may have no interface, or half of its features",
        "install the firmware package of the distribution and restart, or leave it as it is on purpose",
    )


def _listed(names: list[str]) -> str:
    return ", ".join(names)
