"""The switch between the hosts: what a tester can do to it while a run is going on."""

from __future__ import annotations

from orchestrator.lab.places import Place
from orchestrator.lab.scenario import port
from orchestrator.lab.wiring import UPLINK, control_port, queue_of_port


class Switch(Place):
    """Two bridges in a namespace of their own: `uplink` (measured) and `control`."""

    def set_port_mtu(self, host: str, mtu_bytes: int) -> None:
        """Larger frames to and from this host vanish without a word, as on a real switch.

        Linux lets 4 bytes more through, the room of a VLAN tag, whether there is one or not.
        """
        self.output(["ip", "link", "set", "dev", port(host), "mtu", str(mtu_bytes)])

    def set_rate(self, rate_bit_s: int | None, host: str | None = None) -> None:
        """The line rate towards `host`, or towards every host; None: as fast as the machine goes."""
        names = [port(host)] if host else self._uplink_ports()
        for name in names:
            # a queue's size table cannot be changed in place, so the old queue goes first
            self.exec(["tc", "qdisc", "del", "dev", name, "root"], capture_output=True, check=False)
            self.output(["tc", *queue_of_port(name, rate_bit_s).split()])

    def drop_every(self, nth: int, host: str) -> None:
        """Drop every n-th IP frame that comes in from this host, exactly; 0 stops it. Needs the program `nft`."""
        table = f"drop-{host}"
        self.exec(["nft", "delete", "table", "netdev", table], capture_output=True, check=False)
        if nth:
            rules = (
                f"table netdev {table} {{\n counter dropped {{ }}\n chain in {{\n"
                f"type filter hook ingress device {port(host)} priority 0\n"
                f"ether type {{ ip, ip6 }} numgen inc mod {nth} 0 counter name dropped drop\n }}\n}}"
            )
            self.output(["nft", rules])

    def dropped(self, host: str) -> int:
        """Frames dropped by `drop_every` so far."""
        words = self.output(["nft", "list", "counter", "netdev", f"drop-{host}", "dropped"]).split()
        return int(words[words.index("packets") + 1])

    def cut_control(self, host: str) -> None:
        """The controller and this host no longer hear each other; no carrier is lost, as with a dead router between."""
        self.output(["bridge", "link", "set", "dev", control_port(host), "state", "0"])

    def mend_control(self, host: str) -> None:
        """Undo `cut_control`."""
        self.output(["bridge", "link", "set", "dev", control_port(host), "state", "3"])

    def unplug_control(self, host: str) -> None:
        """The host's end of the control network loses its carrier."""
        self.output(["ip", "link", "set", "dev", control_port(host), "down"])

    def plug_control(self, host: str) -> None:
        """Undo `unplug_control`."""
        self.output(["ip", "link", "set", "dev", control_port(host), "up"])

    def unplug(self, host: str) -> None:
        """The measured end loses its carrier."""
        self.output(["ip", "link", "set", "dev", port(host), "down"])

    def plug(self, host: str) -> None:
        """The measured end has its carrier back."""
        self.output(["ip", "link", "set", "dev", port(host), "up"])

    def spanning_tree(self, forward_delay_s: float | None) -> None:
        """Ports forward only after twice `forward_delay_s` (2 to 30) from being plugged in; None: at once."""
        if forward_delay_s is None:
            self.output(["ip", "link", "set", "dev", UPLINK, "type", "bridge", "stp_state", "0"])
        else:
            delay = str(round(forward_delay_s * 100))  # iproute2 counts hundredths of a second
            self.output(
                ["ip", "link", "set", "dev", UPLINK, "type", "bridge", "stp_state", "1", "forward_delay", delay]
            )

    def _uplink_ports(self) -> list[str]:
        lines = self.output(["ip", "-oneline", "link", "show", "master", UPLINK]).splitlines()
        return [line.split()[1].split("@")[0] for line in lines]
