"""The measured interfaces: their links, the addresses in use, and what their drivers are set to."""

from __future__ import annotations

from typing import Any, Dict, List, Mapping, Optional, Set, Tuple

from orchestrator.onhost import ethtool, netlink
from orchestrator.onhost.netlink import notices
from orchestrator.onhost.safety.told import Told, came_or_went, told

# property of a link -> how a person calls it
_WATCHED = {
    "mtu": "mtu",
    "up": "switched on",
    "mac": "hardware address",
    "transmit_queue_length": "transmit queue length",
    "master": "bridge or bond above",
}
_SETTING = {"mtu": "mtu", "transmit_queue_length": "transmit-queue-length"}  # which setting changes it, if one does
_TEST_ADDRESS = "test-address"
Seen = Tuple[str, Told]  # the setting that a difference belongs to, or "", and the difference


class End:
    """One interface with the addresses that the trial's traffic uses."""

    def __init__(self, interface: str, addresses: List[str]) -> None:
        """Remembers the interface as it is now; it has to be up, and to keep the addresses once it has them."""
        self.interface, self._addresses = interface, [address.partition("%")[0] for address in addresses]
        self._link: Mapping[str, Any] = netlink.find_link(interface) or {}
        self.index = int(self._link.get("index", 0))
        self._seen = _addresses(self.index) if self.index else set()
        self._features = _features(interface)

    def look(self) -> List[Seen]:
        """All that differs now."""
        link = netlink.find_link(self.interface)
        found = self.of_link(link)
        if link is None:
            return found
        present = _addresses(link["index"])
        self._seen |= present
        found += [self._gone(address) for address in self._addresses if address in self._seen - present]
        now = _features(self.interface)
        found += [
            ("", told(f"{name} of {self.interface}", before, now[name]))
            for name, before in self._features.items()
            if name in now and now[name] != before
        ]
        return found

    def of_notice(self, notice: notices.Notice) -> List[Seen]:
        """What a notice says of this interface; the values are those of the moment it was written."""
        if notice.interface_index != self.index or not self.index:
            return []
        if notice.kind == notices.LINK:
            return self.of_link(notice.link)
        if notice.kind == notices.LINK_GONE:
            return self.of_link(None)
        if notice.kind == notices.ADDRESS_GONE and notice.address and notice.address["address"] in self._addresses:
            return [self._gone(notice.address["address"])]
        return []

    def of_link(self, link: Optional[Mapping[str, Any]]) -> List[Seen]:
        """The link's properties against those remembered."""
        if link is None or not self._link:
            return [("", came_or_went(f"interface {self.interface}", self.interface))]
        found = [] if link["up"] else [("", told(f"{self.interface} switched on", True, False))]
        return found + [
            (_SETTING.get(name, ""), told(f"{called} of {self.interface}", self._link[name], link[name]))
            for name, called in _WATCHED.items()
            if name != "up" and self._link[name] != link[name]
        ]

    def _gone(self, address: str) -> Seen:
        return _TEST_ADDRESS, came_or_went(f"address {address} of {self.interface}", address)


def _addresses(index: int) -> Set[str]:
    return {str(each["address"]) for each in netlink.addresses(index)}


def _features(interface: str) -> Dict[str, bool]:
    """Offloads by name; {} where the driver is not to be asked."""
    try:
        return {name: state["active"] for name, state in ethtool.features(interface).items()}
    except OSError:
        return {}
