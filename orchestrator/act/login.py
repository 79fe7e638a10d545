"""Logging in: the route resolved, the host's key verified, jump hosts passed through; errors say what to do."""

from __future__ import annotations

import asyncio
import contextlib
import shlex
import socket
import struct
import weakref
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import asyncssh

from orchestrator.act.addresses import HostAddress
from orchestrator.act.host_keys import Trusted, fingerprint, read_known_hosts, trusted_for
from orchestrator.act.login_keys import offered_keys
from orchestrator.act.revoked_keys import revoked_by
from orchestrator.act.ssh_config import SshRoute, jump_address, resolve
from orchestrator.faults import BugError, HostError

HANDSHAKES_AT_ONCE = 5  # OpenSSH's own default starts to drop at 10 (MaxStartups 10:30:100)
KEEPALIVE_S, KEEPALIVES_MISSED = 10, 3
# TCP options of Linux (include/uapi/linux/tcp.h), where a kernel has them: the longest pause between two attempts to
# send the same again (6.15), and the first six of them without doubling it.
_TCP_THIN_LINEAR_TIMEOUTS, _TCP_RTO_MAX_MS = 16, 44
LONGEST_PAUSE_MS = 1000
JUMPS_MOST = 8


@dataclass
class Login:
    """An authenticated connection, and the jump hosts that it goes through."""

    connection: asyncssh.SSHClientConnection
    host_key: str
    jumps: list[asyncssh.SSHClientConnection] = field(default_factory=list)

    @property
    def peer_address(self) -> str:
        """The address that the connection goes to; "" where it goes through jump hosts."""
        peer = None if self.jumps else self.connection.get_extra_info("peername")
        return str(peer[0]) if peer else ""

    def expect_silence(self, *, expected: bool) -> None:
        """Whether nobody is to be asked for signs of life just now: there is no room for them on the way."""
        for connection in (self.connection, *self.jumps):
            connection.set_keepalive(0 if expected else KEEPALIVE_S)

    async def close(self) -> None:
        """Close the connection, then the hops, the last one first; bounded."""
        for connection in (self.connection, *reversed(self.jumps)):
            connection.close()
            with contextlib.suppress(TimeoutError, asyncssh.Error, OSError):
                await asyncio.wait_for(connection.wait_closed(), 2.0)
            connection.abort()


class _Client(asyncssh.SSHClient):
    """Sees the key that a host shows when it is not trusted, and never accepts it; refuses what is revoked."""

    def __init__(self, route: SshRoute) -> None:
        self.shown: asyncssh.SSHKey | None = None
        self.revoked = ""  # why the key that the host shows is of no use
        self.authenticated = False
        self._revoked_files = route.revoked_files

    def connection_made(self, conn: asyncssh.SSHClientConnection) -> None:
        """Look at what the host shows before asyncssh does, which knows no lists of revoked certificates."""
        accept = conn.validate_server_host_key

        def validate(key_data: bytes) -> asyncssh.SSHKey:
            self.revoked = revoked_by(self._revoked_files, key_data)
            if self.revoked:
                raise asyncssh.HostKeyNotVerifiable(self.revoked)
            return accept(key_data)

        conn.validate_server_host_key = validate  # type: ignore[method-assign] # on this one connection

    def validate_host_public_key(
        self,
        host: str,  # noqa: ARG002 - asyncssh calls it so
        addr: str,  # noqa: ARG002
        port: int,  # noqa: ARG002
        key: asyncssh.SSHKey,
    ) -> bool:
        """Called for a key that is not trusted: kept for the message."""
        self.shown = key
        return False

    def validate_host_ca_key(
        self,
        host: str,  # noqa: ARG002 - as above
        addr: str,  # noqa: ARG002
        port: int,  # noqa: ARG002
        key: asyncssh.SSHKey,
    ) -> bool:
        """Called for a certificate of an authority that is not trusted: kept for the message."""
        self.shown = key
        return False

    def auth_completed(self) -> None:
        """The login succeeded."""
        self.authenticated = True


async def log_in(host: HostAddress, *, ssh_config: str | None = None, timeout_s: float = 30.0) -> Login:
    """Connect and authenticate. HostError with a stable code for everything that can be in the way."""
    route = await resolve(host, ssh_config)
    trusted = trusted_for(route, read_known_hosts(route.known_hosts_files), host.host_key)
    async with _jumps(host, route, ssh_config, timeout_s) as hops:
        return await _log_in_once(host, route, hops, timeout_s, trusted, _Client(route))


async def shown_key(
    host: HostAddress, *, ssh_config: str | None = None, timeout_s: float = 30.0
) -> tuple[SshRoute, asyncssh.SSHKey]:
    """The route to a host and the key that it shows; trusts nobody and does not log in (jump hosts apart)."""
    route = await resolve(host, ssh_config)
    client = _Client(route)
    async with _jumps(host, route, ssh_config, timeout_s) as hops:
        try:
            await _log_in_once(host, route, hops, timeout_s, Trusted(route.hostname), client)
        except HostError:
            if client.shown is None:  # it was not the key that it failed for
                raise
        if client.shown is None:
            raise BugError("trusted", f"{host.name} was let in although nobody was trusted")
        for hop in reversed(hops):
            hop.abort()
        return route, client.shown


@contextlib.asynccontextmanager
async def _jumps(
    host: HostAddress, route: SshRoute, ssh_config: str | None, timeout_s: float
) -> AsyncIterator[list[asyncssh.SSHClientConnection]]:
    """Connections to a route's jump hosts, each through the one before; closed when the block fails."""
    if len(route.jumps) > JUMPS_MOST:
        raise HostError("proxy_jump", f"{host.name}: more than {JUMPS_MOST} jump hosts", host=host.name)
    hops: list[asyncssh.SSHClientConnection] = []
    try:
        for jump in route.jumps:
            through = jump_address(jump, host)
            via = await resolve(through, ssh_config)
            trusted = trusted_for(via, read_known_hosts(via.known_hosts_files))
            hops.append((await _log_in_once(through, via, hops, timeout_s, trusted, _Client(via))).connection)
        yield hops
    except BaseException:
        for hop in reversed(hops):
            hop.abort()
        raise


async def _log_in_once(
    host: HostAddress,
    route: SshRoute,
    hops: list[asyncssh.SSHClientConnection],
    timeout_s: float,
    trusted: Trusted,
    client: _Client,
) -> Login:
    async with offered_keys(route) as offered, _gate(route):
        try:
            connection = await asyncssh.connect(
                route.hostname,
                route.port,
                config=None,
                tunnel=hops[-1] if hops else (),
                options=None,
                client_factory=lambda: client,
                username=route.user,
                known_hosts=trusted.for_asyncssh(),
                host_key_alias=route.host_key_alias or None,
                x509_trusted_certs=None,
                x509_trusted_cert_paths=(),
                client_keys=offered.keys,
                client_certs=[str(file) for file in route.certificate_files if file.is_file()],
                agent_path=None,
                agent_identities=None,
                agent_forwarding=False,
                password_auth=False,
                kbdint_auth=False,
                gss_auth=False,
                gss_kex=False,
                request_pty=False,
                x11_forwarding=False,
                connect_timeout=timeout_s,
                login_timeout=timeout_s,
                keepalive_interval=KEEPALIVE_S,
                keepalive_count_max=KEEPALIVES_MISSED,
            )
        except (asyncssh.Error, OSError, TimeoutError, *NOT_SSH) as error:
            raise _explained(error, host, route, trusted, client, offered.passed_over) from error
    try:
        _try_again_soon(connection)
        shown = connection.get_server_host_key()
        return Login(connection, fingerprint(shown) if shown is not None else "", list(hops))
    except BaseException:  # an error of ours: nobody else knows of the connection yet
        connection.abort()
        raise


def _try_again_soon(connection: asyncssh.SSHClientConnection) -> None:
    """What is lost on the way is sent again within a second, instead of after twice as long every time."""
    sock = connection.get_extra_info("socket")
    for option, value in ((_TCP_THIN_LINEAR_TIMEOUTS, 1), (_TCP_RTO_MAX_MS, LONGEST_PAUSE_MS)):
        with contextlib.suppress(OSError, AttributeError):
            sock.setsockopt(socket.IPPROTO_TCP, option, value)


_gates: weakref.WeakKeyDictionary[asyncio.AbstractEventLoop, dict[tuple[str, int], asyncio.Semaphore]] = (
    weakref.WeakKeyDictionary()
)


def _gate(route: SshRoute) -> asyncio.Semaphore:
    """At most a few handshakes at a time to one server, which drops connections otherwise."""
    gates = _gates.setdefault(asyncio.get_running_loop(), {})
    return gates.setdefault((route.hostname, route.port), asyncio.Semaphore(HANDSHAKES_AT_ONCE))


# What the SSH library raises where a server's octets are none that it knows: a version that is no text, a cut packet.
NOT_SSH = (ValueError, LookupError, ArithmeticError, struct.error)
_CHECK = "check: ssh {ssh} true"
# The first row that fits; the more exact kinds of error come first.
_WAYS_NOT_TO_CONNECT: tuple[tuple[tuple[type[Exception], ...], str, str, str], ...] = (
    ((socket.gaierror,), "name_unknown", "the name {name} is not known", _CHECK),
    ((asyncssh.ChannelOpenError,), "jump_refused", "the jump host does not reach {place}: {error}", _CHECK),
    ((TimeoutError,), "no_answer", "{place} does not answer", "is the host on, and reachable from here?"),
    ((ConnectionRefusedError,), "refused", "{place} refuses connections", "is its SSH server running on this port?"),
    (
        (asyncssh.ConnectionLost, ConnectionResetError),
        "closed",
        "{place} closed the connection during the login: {error}",
        "look at the host's SSH log: an expired account, or too many connections at once",
    ),
    ((asyncssh.Error, OSError), "unreachable", "{place} cannot be reached: {error}", _CHECK),
    (NOT_SSH, "not_ssh", "what answers at {place} does not speak SSH as it should: {error}", _CHECK),
)


def _explained(
    error: Exception, host: HostAddress, route: SshRoute, trusted: Trusted, client: _Client, passed_over: list[str]
) -> HostError:
    """An error of the connection as ours: what happened and what to do."""
    place = f"{route.hostname} port {route.port}"

    def fault(code: str, message: str, next_step: str, **values: object) -> HostError:
        return HostError(code, f"{host.name}: {message}", host=host.name, next_step=next_step, **values)

    if isinstance(error, (asyncssh.HostKeyNotVerifiable, asyncssh.KeyExchangeFailed)):
        return _host_key_fault(error, host, trusted, client)
    if isinstance(error, asyncssh.PermissionDenied):
        hint = f" ({'; '.join(passed_over)})" if passed_over else ""
        way_out = "add the key to an agent with ssh-add" if passed_over else _CHECK.format(ssh=host.ssh)
        return fault(
            "login_refused",
            f"{place} does not let {route.user} in{hint}: the key is not accepted, or the "
            "account is locked, has expired or has a login shell that does not exist",
            way_out,
            passed_over=passed_over,
        )
    for kinds, code, meaning, next_step in _WAYS_NOT_TO_CONNECT:
        if isinstance(error, kinds):
            return fault(
                code, meaning.format(place=place, name=route.hostname, error=error), next_step.format(ssh=host.ssh)
            )
    raise error


def _host_key_fault(error: Exception, host: HostAddress, trusted: Trusted, client: _Client) -> HostError:
    shown = fingerprint(client.shown) if client.shown is not None else ""
    values = {
        "shown": shown,
        "known": [fingerprint(key) for key in trusted.keys + trusted.authorities],
        "places": trusted.places_of(trusted.keys + trusted.authorities + trusted.revoked),
    }

    def fault(code: str, message: str, next_step: str) -> HostError:
        return HostError(code, f"{host.name}: {message}", host=host.name, next_step=next_step, **values)

    if client.revoked or "revoked" in str(error):
        why = client.revoked or ", ".join(values["places"])
        return fault(
            "host_key_revoked",
            f"the host key of {trusted.name} is revoked ({why})",
            "do not connect; give the host a new key",
        )
    if not trusted.keys and not trusted.authorities:
        return fault(
            "host_key_unknown",
            f"the host key of {trusted.name} is not known" + (f": {shown}" * bool(shown)),
            f"compare it with the host's own (ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub there), then: "
            f"linktrial trust {shlex.quote(host.ssh)}",
        )
    if client.shown is None and isinstance(error, asyncssh.KeyExchangeFailed) and "host key" not in str(error).lower():
        return fault(
            "no_common_algorithm", f"no common algorithm with {trusted.name}: {error}", "update the host's SSH server"
        )
    if client.shown is None and isinstance(error, asyncssh.HostKeyNotVerifiable):
        return fault(
            "host_key_invalid",
            f"the host key of {trusted.name} cannot be accepted: {error}",
            "renew the host's certificate",
        )
    return fault(
        "host_key_changed",
        f"{trusted.name} shows another host key than the known one ({shown or error}; "
        f"known from {', '.join(values['places'])})",
        "if the host was installed anew: remove the old line there, then: linktrial trust " + host.ssh,
    )
