"""Offload features of an interface: groups that are switched together, and any one by the kernel's own name."""

from __future__ import annotations

import difflib
import re
from shlex import quote
from typing import Dict, Iterator, List, Tuple

from orchestrator.onhost.ethtool import FeatureState, RequestedState
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import CANNOT
from orchestrator.onhost.settings.in_parts import InParts
from orchestrator.onhost.settings.kernel import Kernel

_PREFIX = "feature."
_NAME = re.compile(r"[a-z][a-z0-9_-]{1,30}")  # ETH_GSTRING_LEN is 32 with the end


class FeatureSwitch(InParts[bool, RequestedState]):
    """Features by kernel name, all on or all off; those that the driver cannot change are left as they are.

    The value that is restored holds every changeable feature of the interface: switching one off switches others off
    that depend on it, and the kernel remembers what was requested.
    """

    unit = ""
    example = "off"
    domain_text = "on, off"
    features: Tuple[str, ...] = ()
    touches = ("feature:{target}:*",)
    # drivers switch some off while frames are large, and features need each other
    moved_by = (
        "mtu",
        "feature.*",
        "checksum-offload",
        "scatter-gather",
        "segmentation-offload",
        "receive-offload",
        "channels",
    )

    def _parsed(self, level: object) -> bool:
        return levels.switch(level, self.name)

    def _current(self, target: str, level: object) -> object:
        """True or False when all that can be changed agree, otherwise each by name."""
        found = {name: state["active"] for name, state in self._known(target).items()}
        return next(iter(found.values())) if len(set(found.values())) == 1 else found

    def _read(self, target: str, level: object) -> Dict[str, RequestedState]:
        self._known(target)
        return {
            name: {"active": state["active"], "requested": state["requested"]}
            for name, state in self._kernel.features(target).items()
            if state["changeable"]
        }

    def _known(self, target: str) -> Dict[str, FeatureState]:
        """The states of this setting's features; Refusal "cannot" when the interface can change none of them."""
        self._link(target)
        everything = self._kernel.features(target)
        named = {name: everything[name] for name in self.features if name in everything}
        found = {name: state for name, state in named.items() if state["changeable"]} or named
        if not found:
            near = difflib.get_close_matches(self.features[0], list(everything), 1, 0.6)
            hint = f"; is it {near[0]}?" if near else ""
            raise Refusal(CANNOT, f"the kernel of this host knows no {', '.join(self.features)} of {target}{hint}")
        return found

    def _cannot(self, target: str, level: object) -> str:
        found = self._known(target)
        if any(state["changeable"] for state in found.values()):
            return ""
        return f"{', '.join(found)} of {target} cannot be changed: the driver fixes it"

    def _write(self, target: str, level: object) -> None:
        self._kernel.set_features(target, dict.fromkeys(self._known(target), self._parsed(level)))

    def _restored(self, target: str, before: Dict[str, RequestedState]) -> None:
        now = self._read(target, None)
        wanted = {name: state["requested"] for name, state in before.items() if name in now and now[name] != state}
        if wanted:
            self._kernel.set_features(target, wanted)

    def _kept(self, target: str, level: object) -> str:
        switch = "on" if self._parsed(level) else "off"
        return f"ethtool -K {quote(target)} " + " ".join(f"{name} {switch}" for name in self.features)

    def _told(self, target: str, before: Dict[str, RequestedState], now: Dict[str, RequestedState]) -> Iterator[Told]:
        """Whether each is on; what was requested of one that is as before is nothing that a person sees."""
        words = [{name: state["active"] for name, state in found.items()} for found in (before, now)]
        for name in [name for name in words[0] if words[0][name] != words[1].get(name)]:
            yield told(
                f"{name} of {target}",
                words[0][name],
                words[1].get(name),
                f"ethtool -K {quote(target)} {name} {_switch(before[name])}",
            )
        if words[0] == words[1] and before != now:  # asked for, and not to be had: the next change would show it
            asked = [name for name in before if before[name] != now.get(name)]
            words_before = " ".join(f"{name} {_switch(before[name])}" for name in asked)
            yield told(
                f"requested features of {target}",
                words_before,
                "otherwise",
                f"ethtool -K {quote(target)} {words_before}",
            )

    def _mended(self, target: str, value: Dict[str, RequestedState]) -> str:
        now = self._kernel.features(target) if self._kernel.find_link(target) else {}
        words = [
            f"{name} {'on' if state['requested'] else 'off'}"
            for name, state in value.items()
            if name not in now or now[name]["active"] != state["active"]
        ]
        return f"ethtool -K {quote(target)} {' '.join(words)}" if words else ""


def _switch(state: RequestedState) -> str:
    """What was asked for: what is to be had of it follows."""
    return "on" if state["requested"] else "off"


class Feature(FeatureSwitch):
    """One feature by the kernel's own name, such as feature.tx-udp-segmentation."""

    doc = "One offload feature of the driver by the kernel's own name; hosts with other kernels may have others."

    def __init__(self, kernel: Kernel, name: str) -> None:
        """Raise KeyError when `name` is not `feature.` and the name of a feature."""
        super().__init__(kernel)
        if not name.startswith(_PREFIX) or not _NAME.fullmatch(name[len(_PREFIX) :]):
            raise KeyError(name)
        self.name = name
        self.features = (name[len(_PREFIX) :],)
        # segmentation is refused without scatter-gather and checksums
        self.after = () if self.features[0] in DEPENDED_ON else ("checksum-offload", "scatter-gather")


# what other features need (net/core/dev.c, netdev_fix_features)
DEPENDED_ON: List[str] = [
    "tx-scatter-gather",
    "tx-checksum-ipv4",
    "tx-checksum-ip-generic",
    "tx-checksum-ipv6",
    "rx-checksum",
]
