"""Keys that the user's SSH configuration calls revoked (RevokedHostKeys in ssh_config(5)): lists of public keys, one a
line, and OpenSSH's key revocation lists (PROTOCOL.krl in OpenSSH's sources, as `ssh-keygen -k` writes them).

A file that is missing, cannot be read or not understood revokes everything, as OpenSSH has it.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import asyncssh

MOST_BYTES = 16 * 1024 * 1024
_MAGIC = b"SSHKRL\n\x00"
_CERTIFICATES, _EXPLICIT, _SHA1, _SIGNATURE, _SHA256 = 1, 2, 3, 4, 5
_SERIALS, _SERIAL_RANGE, _SERIAL_BITMAP, _KEY_IDS = 0x20, 0x21, 0x22, 0x23
_CERTIFICATE_ENDING = b"-cert-v01@openssh.com"
# How many strings of a certificate make up its public key (PROTOCOL.certkeys in OpenSSH's sources).
_KEY_FIELDS = {
    b"ssh-rsa": 2,
    b"ssh-dss": 4,
    b"ecdsa-sha2-nistp256": 2,
    b"ecdsa-sha2-nistp384": 2,
    b"ecdsa-sha2-nistp521": 2,
    b"ssh-ed25519": 1,
    b"sk-ecdsa-sha2-nistp256": 3,
    b"sk-ssh-ed25519": 2,
}


class _NotUnderstoodError(Exception):
    """The bytes are not what they should be; caught here."""


@dataclass(frozen=True)
class Shown:
    """What a host shows: its key, and for a certificate who signed it and as what."""

    key: bytes
    authority: bytes = b""  # empty: no certificate
    serial: int = 0
    key_id: bytes = b""


@dataclass
class _Authority:
    """What is revoked of one authority's certificates; `key` empty: of every authority's."""

    key: bytes
    ranges: list[tuple[int, int]] = field(default_factory=list)
    serials: set[int] = field(default_factory=set)
    key_ids: set[bytes] = field(default_factory=set)

    def revokes(self, shown: Shown) -> bool:
        if not shown.authority or self.key not in (b"", shown.authority):
            return False
        if shown.key_id in self.key_ids:
            return True
        # Serial number 0 is what a certificate without one has: it can be revoked by its key's id only.
        return shown.serial != 0 and (
            shown.serial in self.serials or any(low <= shown.serial <= high for low, high in self.ranges)
        )


@dataclass
class RevokedKeys:
    """All that one file revokes."""

    keys: set[bytes] = field(default_factory=set)
    sha1: set[bytes] = field(default_factory=set)
    sha256: set[bytes] = field(default_factory=set)
    authorities: list[_Authority] = field(default_factory=list)

    def has(self, shown: Shown) -> bool:
        """Whether the key, the certificate or the authority that signed it is revoked."""
        return any(self._has_key(key) for key in (shown.key, shown.authority) if key) or any(
            authority.revokes(shown) for authority in self.authorities
        )

    def _has_key(self, key: bytes) -> bool:
        return (
            key in self.keys or hashlib.sha256(key).digest() in self.sha256 or hashlib.sha1(key).digest() in self.sha1  # noqa: S324 - the lists' own
        )


def revoked_by(files: Iterable[Path], key_data: bytes) -> str:
    """Why a host may not show this key (an SSH public key or certificate in wire form), "" when it may."""
    for file in files:
        try:
            with file.open("rb") as handle:
                content = handle.read(MOST_BYTES + 1)
            if len(content) > MOST_BYTES:
                raise _NotUnderstoodError
            if parse(content).has(shown_in(key_data)):
                return f"it is listed in {file}"
        except OSError as error:
            return f"{file}, which lists revoked keys, cannot be read: {error.strerror}"
        except (_NotUnderstoodError, asyncssh.KeyImportError, ValueError):
            return f"{file}, which lists revoked keys, cannot be understood"
    return ""


def parse(content: bytes) -> RevokedKeys:
    """The content of a file of revoked keys; raises a private error where it is none."""
    if content.startswith(_MAGIC):
        return _parse_list(content)
    found = RevokedKeys()
    for line in content.decode("utf-8", errors="replace").splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            found.keys.add(asyncssh.import_public_key(line.strip()).public_data)
    return found


def shown_in(key_data: bytes) -> Shown:
    """What a key or certificate in wire form says of itself."""
    wire = _Wire(key_data)
    kind = wire.string()
    if not kind.endswith(_CERTIFICATE_ENDING):
        return Shown(key_data)
    plain = kind[: -len(_CERTIFICATE_ENDING)]
    fields = _KEY_FIELDS.get(plain)
    if fields is None:
        raise _NotUnderstoodError
    wire.string()  # a nonce
    name = plain + b"@openssh.com" if plain.startswith(b"sk-") else plain
    key = b"".join(_as_string(one) for one in (name, *(wire.string() for _ in range(fields))))
    serial, _kind = wire.number(8), wire.number(4)
    key_id = wire.string()
    wire.string()  # principals
    wire.number(8), wire.number(8)  # valid after and before
    for _ in range(3):  # critical options, extensions, reserved
        wire.string()
    return Shown(key, wire.string(), serial, key_id)


def _parse_list(content: bytes) -> RevokedKeys:
    wire, found = _Wire(content[len(_MAGIC) :]), RevokedKeys()
    if wire.number(4) != 1:
        raise _NotUnderstoodError
    for _ in range(3):  # its own version, when it was made, flags
        wire.number(8)
    wire.string(), wire.string()  # reserved, a comment
    while wire.left:
        kind = wire.number(1)
        section = _Wire(wire.string())
        if kind == _CERTIFICATES:
            found.authorities.append(_authority(section))
        elif kind in (_EXPLICIT, _SHA1, _SHA256):
            {_EXPLICIT: found.keys, _SHA1: found.sha1, _SHA256: found.sha256}[kind].update(section.strings())
        elif kind == _SIGNATURE:  # who signed the list is not what we rest on: the user named the file
            wire.string()
        else:  # what a newer list says beyond this may be a revocation
            raise _NotUnderstoodError
    return found


def _authority(wire: _Wire) -> _Authority:
    found = _Authority(wire.string())
    wire.string()  # reserved
    while wire.left:
        kind, section = wire.number(1), _Wire(wire.string())
        if kind == _SERIALS:
            while section.left:
                found.serials.add(section.number(8))
        elif kind == _SERIAL_RANGE:
            found.ranges.append((section.number(8), section.number(8)))
        elif kind == _SERIAL_BITMAP:
            first, bits = section.number(8), int.from_bytes(section.string(), "big")
            found.serials.update(first + place for place in range(bits.bit_length()) if bits >> place & 1)
        elif kind == _KEY_IDS:
            found.key_ids.update(section.strings())
        else:
            raise _NotUnderstoodError
    return found


class _Wire:
    """Reads SSH's wire types (RFC 4251 s5) from bytes."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    @property
    def left(self) -> int:
        return len(self._data) - self._at

    def number(self, size: int) -> int:
        return int.from_bytes(self._take(size), "big")

    def string(self) -> bytes:
        return self._take(struct.unpack(">I", self._take(4))[0])

    def strings(self) -> Iterator[bytes]:
        while self.left:
            yield self.string()

    def _take(self, size: int) -> bytes:
        if size > self.left:
            raise _NotUnderstoodError
        self._at += size
        return self._data[self._at - size : self._at]


def _as_string(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data
