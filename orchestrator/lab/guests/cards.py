"""The network cards a guest can have on the measured network, as QEMU emulates them."""

from __future__ import annotations

from dataclasses import dataclass

# device -> (on PCI Express, behind a root port of its own; else on plain PCI)
_EXPRESS = {
    "virtio-net-pci": True,
    "vmxnet3": True,
    "e1000e": True,
    "e1000": False,
    "rtl8139": False,
    "i82559er": False,
    "pcnet": False,
}


@dataclass(frozen=True)
class Card:
    """One card: `device` is QEMU's name for it; `queues` above 1 only for virtio-net-pci."""

    device: str = "virtio-net-pci"
    queues: int = 1
    # Off: what leaves the guest are frames of their true size, cut by its kernel or card. On: super-frames may pass.
    super_frames: bool = False

    def __post_init__(self) -> None:
        if self.device not in _EXPRESS:
            raise ValueError(f"no such card: {self.device} (known: {', '.join(_EXPRESS)})")
        if self.queues > 1 and self.device != "virtio-net-pci":
            raise ValueError(f"{self.device} has one queue here")

    def arguments(self, number: int, tap: str, mac: str) -> list[str]:
        """QEMU's arguments; `number` tells the guest's cards apart, `tap` is the switch's port."""
        backend = f"tap,id=net{number},ifname={tap},script=no,downscript=no,vnet_hdr={_on(self.super_frames)}"
        device = f"{self.device},netdev=net{number},id=card{number},mac={mac},romfile="  # nothing boots over it
        if self.queues > 1:
            backend += f",queues={self.queues}"
            device += f",mq=on,vectors={2 * self.queues + 2}"  # one for each queue and way, control, configuration
        port: list[str] = []
        if _EXPRESS[self.device]:
            # behind a port, so that the card reports a link of the bus as real ones do
            port = ["-device", f"pcie-root-port,id=slot{number},chassis={number + 1},slot={number + 1}"]
            device += f",bus=slot{number}"
        return ["-netdev", backend, *port, "-device", device]


def _on(value: bool) -> str:
    return "on" if value else "off"
