"""What a lab looks like: hosts, their addresses, the link between them. The observatory below is invented."""

from __future__ import annotations

import dataclasses
import json
from dataclasses import dataclass

LONGEST_HOST_NAME = 10  # a switch port is called `port-NAME`, and Linux allows 15 characters for an interface
CONTROL_PREFIX, MEASURED_PREFIX_4, MEASURED_PREFIX_6 = 24, 24, 64
CONTROLLER_ADDRESS = "10.77.0.1"


@dataclass(frozen=True)
class Account:
    """A person's account on a lab host; `root` is always there."""

    name: str
    number: int
    login_shell: str = "/bin/sh"
    sudo: bool = False  # may run everything through `sudo -n`


def port(host: str) -> str:
    """The switch's port that a host's measured interface is plugged into."""
    return f"port-{host}"


@dataclass(frozen=True)
class End:
    """One interface of a host on a measured network, and the port it is plugged into: of the uplink's switch, or of the
    spare link's, which nothing joins to it.
    """

    host: str
    interface: str
    port: str
    mac: str
    address_4: str
    address_6: str
    spare: bool = False


@dataclass(frozen=True)
class LabHost:
    """One host: its address on the control network, its measured interface and the addresses of that."""

    name: str
    control_address: str
    measured_address_4: str
    measured_address_6: str
    control_mac: str
    measured_mac: str
    accounts: tuple[Account, ...] = ()
    root_shell: str = "/bin/sh"
    second_end: bool = False  # `eth2` on the measured network too, with the next hundred's address: 198.18.0.111
    spare_end: bool = False  # `eth2` on a link of its own, in networks of its own: 198.18.1.11, 2001:2:0:1::11
    slow_board: bool = False  # its clock decides how much of a CPU it may use, where control groups allow
    interface: str = "eth1"

    @property
    def ends(self) -> list[End]:
        """Its one or two measured interfaces."""
        first = End(
            self.name,
            self.interface,
            port(self.name),
            self.measured_mac,
            self.measured_address_4,
            self.measured_address_6,
        )
        number = int(self.measured_address_4.rsplit(".", 1)[1])
        if self.spare_end:
            return [
                first,
                End(
                    self.name,
                    "eth2",
                    f"por2-{self.name}",
                    f"02:00:5e:10:04:{number:02x}",
                    f"198.18.1.{number}",
                    f"2001:2:0:1::{number}",
                    spare=True,
                ),
            ]
        if not self.second_end:
            return [first]
        number += 100
        return [
            first,
            End(
                self.name,
                "eth2",
                f"por2-{self.name}",
                f"02:00:5e:10:02:{number:02x}",
                f"198.18.0.{number}",
                f"2001:2::{number}",
            ),
        ]


@dataclass(frozen=True)
class Scenario:
    """The hosts and the switch between them."""

    hosts: tuple[LabHost, ...]
    uplink_rate_bit_s: int | None = None  # None: as fast as the machine goes
    switch_mtu_bytes: int = 9000

    @property
    def ends(self) -> list[End]:
        """Every interface that is plugged into the uplink or into the spare link."""
        return [end for host in self.hosts for end in host.ends]

    def __post_init__(self) -> None:
        too_long = [host.name for host in self.hosts if len(host.name) > LONGEST_HOST_NAME]
        if too_long:
            raise ValueError(f"host names longer than {LONGEST_HOST_NAME} characters: {', '.join(too_long)}")

    def to_json(self) -> str:
        """For the process that builds the lab."""
        return json.dumps(dataclasses.asdict(self))

    @staticmethod
    def from_json(text: str) -> Scenario:
        """What `to_json` wrote."""
        fields = json.loads(text)
        hosts = tuple(
            LabHost(**{**host, "accounts": tuple(Account(**account) for account in host["accounts"])})
            for host in fields.pop("hosts")
        )
        return Scenario(hosts=hosts, **fields)


def lab_host(
    name: str,
    number: int,
    *,
    accounts: tuple[Account, ...] = (),
    root_shell: str = "/bin/sh",
    second_end: bool = False,
    spare_end: bool = False,
    slow_board: bool = False,
    interface: str = "eth1",
) -> LabHost:
    """Host `number` (11..99) of a lab; every address is derived from the number.

    198.18.0.0/15 and 2001:2::/48 are set aside for benchmarking (RFC 2544 C.2.2, RFC 5180 section 8); the hardware
    addresses are locally administered.
    """
    return LabHost(
        name=name,
        control_address=f"10.77.0.{number}",
        measured_address_4=f"198.18.0.{number}",
        measured_address_6=f"2001:2::{number}",
        control_mac=f"02:00:5e:10:01:{number:02x}",
        measured_mac=f"02:00:5e:10:00:{number:02x}",
        accounts=accounts,
        root_shell=root_shell,
        second_end=second_end,
        spare_end=spare_end,
        slow_board=slow_board,
        interface=interface,
    )


def observatory(*, slow_board: bool = False) -> Scenario:
    """The dome computer, the hall server and the 2.5 Gb/s uplink between them."""
    return Scenario(
        hosts=(lab_host("dome", 11, slow_board=slow_board), lab_host("hall", 12)), uplink_rate_bit_s=2_500_000_000
    )


OBSERVATORY = observatory()
SKY_CAMERA = Scenario(
    hosts=(lab_host("dome", 11, interface="sky0"), lab_host("hall", 12, interface="obs0")),
    uplink_rate_bit_s=1_000_000_000,
)
"""What the demo runs on: the camera's dome computer, the hall server, 1 Gb/s between them."""
