"""Whose host keys are trusted: known-hosts files read by us, a key pinned by the plan, and nothing else.

asyncssh takes None as "trust anybody" and an empty list as "the user's default file", so it is never given either:
it always gets the three lists found here, which trust nobody when they are empty.
"""

from __future__ import annotations

import base64
import binascii
import fnmatch
import hashlib
import hmac
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import asyncssh

from orchestrator.act.ssh_config import SshRoute
from orchestrator.faults import HostError

FILE_LIMIT_BYTES = 16 * 1024 * 1024
_MARKERS = ("", "@cert-authority", "@revoked")


@dataclass(frozen=True)
class Entry:
    """One line of a known-hosts file."""

    marker: str
    patterns: tuple[str, ...]
    key: asyncssh.SSHKey
    place: str  # "file:line"

    def matches(self, name: str) -> bool:
        """Whether the line is about `name` (a host, or [host]:port); a negated pattern that matches wins."""
        positive = False
        for pattern in self.patterns:
            if pattern.startswith("|"):
                positive |= _hashed_is(pattern, name)
            elif pattern.startswith("!"):
                if _like(pattern[1:], name):
                    return False
            else:
                positive |= _like(pattern, name)
        return positive


@dataclass
class Trusted:
    """What is trusted for one host, and from where."""

    name: str
    keys: list[asyncssh.SSHKey] = field(default_factory=list)
    authorities: list[asyncssh.SSHKey] = field(default_factory=list)
    revoked: list[asyncssh.SSHKey] = field(default_factory=list)
    places: dict[str, str] = field(default_factory=dict)  # fingerprint -> place

    def for_asyncssh(self) -> tuple[list[asyncssh.SSHKey], list[asyncssh.SSHKey], list[asyncssh.SSHKey]]:
        """In the form that asyncssh matches nothing further for; empty lists trust nobody."""
        return self.keys, self.authorities, self.revoked

    def places_of(self, keys: Iterable[asyncssh.SSHKey]) -> list[str]:
        """Where these keys are written down."""
        return [self.places[fingerprint(key)] for key in keys if fingerprint(key) in self.places]


def fingerprint(key: asyncssh.SSHKey) -> str:
    """As OpenSSH shows it: SHA256:..."""
    return str(key.get_fingerprint())


def parse_known_hosts(text: str, source: str) -> list[Entry]:
    """The usable lines of a known-hosts file; a line that cannot be read trusts nobody and is passed over."""
    entries = []
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split()
        marker = words.pop(0) if words and words[0].startswith("@") else ""
        if len(words) < 3 or words[0].startswith("#") or marker not in _MARKERS:
            continue
        try:
            key = asyncssh.import_public_key(" ".join(words[1:3]))
        except (asyncssh.KeyImportError, ValueError):
            continue
        entries.append(Entry(marker, tuple(words[0].split(",")), key, f"{source}:{number}"))
    return entries


def read_known_hosts(files: Iterable[Path]) -> list[Entry]:
    """All entries of the files that exist. HostError when one is there and cannot be read."""
    entries: list[Entry] = []
    for file in files:
        if not file.is_file():
            continue
        try:
            with file.open("rb") as handle:
                text = handle.read(FILE_LIMIT_BYTES).decode("utf-8", errors="replace")
        except OSError as error:
            raise HostError("known_hosts", f"{file} cannot be read: {error.strerror}") from error
        entries += parse_known_hosts(text, str(file))
    return entries


def trusted_for(route: SshRoute, entries: Iterable[Entry], pinned: str | None = None) -> Trusted:
    """What to trust at the end of a route, looked up as OpenSSH does: alias, else [host]:port, else host.

    A key pinned by the plan replaces what the files trust; what they revoke stays revoked.
    """
    entries = list(entries)
    names = names_of(route)
    trusted = Trusted(names[0])
    for name in names:
        counts = not (trusted.keys or trusted.authorities)  # the port form is more exact than the plain name
        for entry in (one for one in entries if one.matches(name)):
            trusted.places.setdefault(fingerprint(entry.key), entry.place)
            if entry.marker == "@revoked":
                trusted.revoked.append(entry.key)
            elif counts:
                (trusted.authorities if entry.marker else trusted.keys).append(entry.key)
    if pinned is not None:
        trusted.keys, trusted.authorities = [pinned_key(pinned)], []
        trusted.places = {fingerprint(trusted.keys[0]): "the plan's host_key"}
    return trusted


def names_of(route: SshRoute) -> list[str]:
    """The names under which a host's key may be written down, the most exact first."""
    if route.host_key_alias:
        return [route.host_key_alias.lower()]
    plain = route.hostname.lower()
    return [plain] if route.port == 22 else [f"[{plain}]:{route.port}", plain]


def pinned_key(text: str) -> asyncssh.SSHKey:
    """The key in a plan's `host_key`; HostError when it is none."""
    try:
        return asyncssh.import_public_key(text)
    except (asyncssh.KeyImportError, ValueError) as error:
        raise HostError(
            "pinned_key",
            f"the plan's host_key {text[:60]!r} is not a public key: {error}",
            next_step="it looks like: ssh-ed25519 AAAA...",
        ) from error


def line_for(route: SshRoute, key: asyncssh.SSHKey) -> str:
    """The known-hosts line that records a key for a route."""
    name = names_of(route)[0]
    words = key.export_public_key().decode("ascii").split()[:2]
    return f"{_hashed(name) if route.hash_names else name} {' '.join(words)}\n"


def record_key(route: SshRoute, key: asyncssh.SSHKey) -> Path:
    """Append the key to the user's first known-hosts file, readable by the user alone; the file."""
    file = route.known_hosts_files[0]
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o600)
    try:
        size = os.fstat(handle).st_size
        unfinished = size > 0 and os.pread(handle, 1, size - 1) != b"\n"
        os.write(handle, (b"\n" if unfinished else b"") + line_for(route, key).encode("ascii"))
        os.fsync(handle)
    finally:
        os.close(handle)
    return file


def _like(pattern: str, name: str) -> bool:
    # In a known-hosts pattern only * and ? are special; fnmatch also knows [...], which a port form contains.
    return fnmatch.fnmatchcase(name, pattern.lower().replace("[", "[[]"))


def _hashed(name: str) -> str:
    salt = os.urandom(hashlib.sha1().digest_size)  # noqa: S324 - the file format's own hash, which hides, not proves
    digest = hmac.new(salt, name.encode(), hashlib.sha1).digest()
    return f"|1|{base64.b64encode(salt).decode()}|{base64.b64encode(digest).decode()}"


def _hashed_is(pattern: str, name: str) -> bool:
    """|1|salt|hash| as HashKnownHosts writes it: HMAC-SHA1 of the name."""
    try:
        _, kind, salt, digest = pattern.split("|")
        wanted, made = base64.b64decode(digest), hmac.new(base64.b64decode(salt), name.encode(), hashlib.sha1).digest()
    except (ValueError, binascii.Error):
        return False
    return kind == "1" and hmac.compare_digest(wanted, made)
