"""Renewals that come as datagrams: they get through where the measured traffic leaves SSH no room.

TCP doubles its pauses with every loss, so a session in the middle of a flood may be silent for longer than a lease; of
many small datagrams some arrive. Nothing but a later deadline can be had here, and that only with the lease's own key.
"""

from __future__ import annotations

import contextlib
import os
import socket
from typing import Tuple, Union

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import holding
from orchestrator.onhost.safety.answers import RenewalsHeard
from orchestrator.onhost.safety.control_path import control_path
from orchestrator.onhost.safety.record import Record, boottime_ns
from orchestrator.onhost.safety.renewal_datagram import heard, read_renewal

SocketAddress = Union[Tuple[str, int], Tuple[str, int, int, int]]  # of IPv4, of IPv6
MAX_AT_ONCE = 32  # a stranger's datagrams must not keep the helper from anything else
_RECEIVE_BUFFER_BYTES = 16384
_MIN_GAIN_NS = 50_000_000  # a deadline is written down when it moves by so much


class RenewalLine:
    """One socket on the address that SSH came in by, for one lease."""

    def __init__(self, record: Record, token: int, key: bytes) -> None:
        """Opens the socket. Refusal "no_control_path" where it is not known by which address we are reached."""
        self._record, self._token, self._key = record, token, key
        self._noted_ns = self._last_ns = 0
        local = control_path()["local"]
        if not local:
            raise Refusal("no_control_path", "by which address the controller reaches this host is not known")
        try:
            family, _, _, _, address = socket.getaddrinfo(
                local, 0, type=socket.SOCK_DGRAM, flags=socket.AI_NUMERICHOST
            )[0]
            self._socket = socket.socket(family, socket.SOCK_DGRAM)
            try:
                self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
                self._socket.setblocking(False)
                self._socket.bind(address)
            except OSError:
                self._socket.close()
                raise
        except OSError as error:
            raise Refusal("no_control_path", f"renewals cannot be heard on {local}: {error.strerror}") from error

    def about(self) -> RenewalsHeard:
        """Where renewals are heard, and this host's clock."""
        return {"port": self._socket.getsockname()[1], "boottime_ns": boottime_ns()}

    def fileno(self) -> int:
        """For the helper's loop."""
        return self._socket.fileno()

    def hear(self) -> None:
        """Take in what has come; whatever is no renewal of this lease is dropped without a word."""
        for _ in range(MAX_AT_ONCE):
            try:
                data, source = self._socket.recvfrom(128)
            except OSError:
                return
            until_ns = read_renewal(data, self._key, self._token)
            if until_ns is not None and until_ns > self._last_ns:  # an older one says nothing new, whoever repeats it
                self._last_ns = until_ns
                self._renew(until_ns, source)

    def _renew(self, until_ns: int, source: SocketAddress) -> None:
        try:
            if until_ns - self._noted_ns >= _MIN_GAIN_NS:
                holding.renew_until(self._record, self._token, until_ns, os.getpid())
                self._noted_ns = until_ns
        except Refusal:
            return  # over: silence is what tells the controller, and SSH why
        with contextlib.suppress(OSError):
            self._socket.sendto(heard(self._key, self._token, boottime_ns()), source)

    def close(self) -> None:
        """Hear nothing any more."""
        self._socket.close()
