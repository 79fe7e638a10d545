"""Why a helper did not start, told from what came instead of its marker; pure.

Each row was seen with real shells and with sudo: the texts are theirs. A row is the sign to look for, the error's
code, what it means and what to do.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from orchestrator.act.addresses import HostAddress
from orchestrator.act.bundle import OLDEST_PYTHON
from orchestrator.act.channel import Seen
from orchestrator.faults import HostError

EXCERPT = 300


class _Row(NamedTuple):
    sign: str  # regular expression, looked for in everything the host said
    code: str
    meaning: str
    next_step: str


_FALSE = 1  # the exit status of false(1), which POSIX leaves at "from 1 to 125", as Linux and the BSD family have it
_SHOWS_SHELL = (
    "`getent passwd USER` on the host shows the login shell: give this account an ordinary one (usermod -s "
    "/bin/sh USER), or use another user"
)
_SUDO_LINE = "linktrial trust --sudoers USER prints the line that allows it; put it there with visudo"
_SUDO_ROWS = (
    _Row(
        r"sudo: a password is required|sudo: a terminal is required",
        "sudo_password",
        "sudo asks for a password, or does not allow the helper's command at all",
        _SUDO_LINE,
    ),
    _Row(
        r"sudo: sorry, you must have a tty",
        "sudo_tty",
        "sudo wants a terminal (requiretty), which linktrial never has",
        "add `Defaults:USER !requiretty` to the sudoers file with visudo",
    ),
    _Row(
        r"is not in the sudoers file|is not allowed to (execute|run)|may not run sudo",
        "sudo_denied",
        "sudo does not allow this user the helper's command",
        _SUDO_LINE,
    ),
    _Row(
        r"sudo: .*(must be owned by uid 0|effective uid is not 0|no new privileges)",
        "sudo_broken",
        "sudo cannot become root on this host",
        "repair it on the host, or log in as root with `privilege: root`",
    ),
    _Row(
        r"sudo: python3: command not found",
        "python_missing",
        "sudo finds no python3 on its secure_path",
        "install python3 (3.8 or newer) on the host",
    ),
    _Row(
        r"\bsudo: (([Cc]ommand )?not found|No such file)|not found: sudo|Unknown command:? '?sudo",
        "sudo_missing",
        "this host has no sudo",
        "install sudo on the host, or log in as root with `privilege: root`",
    ),
)
_SHELL_ROWS = (
    _Row(
        r"python3: ([Cc]ommand )?not found|not found: python3|Unknown command:? '?python3|python3: No such file",
        "python_missing",
        "python3 is not on the login shell's PATH",
        "install python3 (3.8 or newer) on the host",
    ),
    _Row(
        r"restricted",
        "restricted_shell",
        "the user's login shell is a restricted one",
        "give the user an ordinary login shell, or use another user",
    ),
    _Row(
        r"account is currently not available|nologin",
        "no_login",
        "the user's account does not allow logging in",
        _SHOWS_SHELL,
    ),
    _Row(
        r"allows sftp connections only",
        "other_command",
        "the server allows this user file transfers only: a forced command takes the helper's place",
        "allow this user and key ordinary commands (ForceCommand in sshd_config, command= in authorized_keys)",
    ),
    _Row(
        r"account (has |is )?expired|password (has )?expired|change your password",
        "account_expired",
        "the user's account or password has expired",
        "renew it on the host",
    ),
)
_DYING_ROWS = (
    _Row(
        r"linktrial: not the code of this command",
        "wrong_code",
        "the host refused the helper's code: its checksum is not the command's",
        "this is a fault of linktrial: report it",
    ),
    _Row(
        r"MemoryError|Cannot allocate memory",
        "no_memory",
        "the helper gets no memory there",
        "look at the user's limits on the host (ulimit -v, /etc/security/limits.conf) and at its free memory",
    ),
)


def explain(seen: Seen, address: HostAddress, timeout_s: float) -> HostError:
    """The error for a start that showed `seen` and no working helper."""
    said = _text(seen)
    if seen.python:
        return _after_marker(seen, address, said)
    rows = (*_SUDO_ROWS, *_SHELL_ROWS) if address.privilege == "sudo" else _SHELL_ROWS
    for row in rows:
        if re.search(row.sign, said):
            return _error(address, row.code, row.meaning, row.next_step, seen, said)
    return _without_sign(seen, address, said, timeout_s)


def old_python(seen: Seen) -> bool:
    """Whether the host's Python is older than the helper's code can be run by."""
    return tuple(int(part) for part in seen.python.split(".")[:2]) < OLDEST_PYTHON


def _after_marker(seen: Seen, address: HostAddress, said: str) -> HostError:
    oldest = ".".join(map(str, OLDEST_PYTHON))
    if old_python(seen):
        return _error(
            address,
            "python_too_old",
            f"its python3 is {seen.python}; {oldest} is the oldest that will do",
            f"install python3 {oldest} or newer on the host",
            seen,
            said,
        )
    if seen.missing:
        return _error(
            address,
            "python_modules_missing",
            f"its python3 {seen.python} lacks {', '.join(seen.missing)}",
            "install the whole standard library (on Debian: apt-get install python3)",
            seen,
            said,
        )
    other = re.search(r"linktrial: neither Linux nor BSD: (\S+)", said)
    if other:
        return _error(
            address,
            "system_unknown",
            f"its system is {other[1]}; linktrial knows Linux and the BSD family",
            "boot one of these there, or use another host; nothing was changed",
            seen,
            said,
        )
    if row := next((row for row in _DYING_ROWS if re.search(row.sign, said)), None):
        return _error(address, row.code, row.meaning, row.next_step, seen, said)
    if seen.damage:
        return _error(
            address,
            "noise",
            f"something else writes into the connection: {seen.damage}",
            "look for background jobs in the login shell's start files on the host",
            seen,
            said,
        )
    return _error(
        address, "helper_died", "the helper ended before it was ready", "run again with the log at hand", seen, said
    )


def _without_sign(seen: Seen, address: HostAddress, said: str, timeout_s: float) -> HostError:
    files = "look at the login shell's start files (.bashrc, .profile, .zshenv, .cshrc, config.fish) on the host"
    if seen.damage:
        return _error(address, "noise", seen.damage, files, seen, said)
    if seen.lost or (seen.closed and seen.exit_status is None and not seen.signal):
        why = seen.lost or "the connection was closed"
        return _error(
            address,
            "closed",
            f"the host lets the user log in, but opens no session: {why}",
            "look on the host for an expired account, a limit on sessions (MaxSessions) or a "
            "ChrootDirectory without a shell",
            seen,
            said,
        )
    if seen.exit_status is None and not seen.signal:
        return _error(
            address,
            "silent",
            f"the helper did not start within {timeout_s:g} s: a login shell's start file "
            "waits for input, swallows it or takes too long",
            files,
            seen,
            said,
        )
    return _ended(seen, address, said, files)


def _ended(seen: Seen, address: HostAddress, said: str, files: str) -> HostError:
    """What ran in the helper's place has ended by itself."""
    if seen.exit_status == 127:
        return _error(
            address, "python_missing", "python3 was not found", "install python3 (3.8 or newer) on the host", seen, said
        )
    if seen.exit_status == 0 and said:
        return _error(
            address,
            "other_command",
            "something else was run in the helper's place: a forced command of "
            "the server or of the key, or a function named exec or python3",
            "allow this user and key ordinary commands",
            seen,
            said,
        )
    if seen.exit_status == 0:
        return _error(
            address,
            "start_file_exits",
            "the login shell ended at once, with status 0 and without a word: a "
            "start file calls exit, or the shell or a forced command does nothing, as /bin/true",
            f"{_SHOWS_SHELL}; else {files}",
            seen,
            said,
        )
    if seen.exit_status == _FALSE and not said:
        return _error(
            address,
            "no_login",
            "the account's login shell refuses logins: it ended at once with status 1 "
            "and without a word, as /bin/false does",
            f"{_SHOWS_SHELL}; where that is an ordinary shell, a "
            "forced command or an `exit 1` in a start file does the same",
            seen,
            said,
        )
    how = f"was ended by the signal {seen.signal}" if seen.signal else f"ended with status {seen.exit_status}"
    return _error(address, "not_started", f"the helper did not start: what ran in its place {how}", files, seen, said)


def _text(seen: Seen) -> str:
    """What the host said, fit for a terminal: control characters could repaint it."""
    said = (seen.output[-4096:] + b"\n" + seen.diagnostics[-4096:]).decode("utf-8", errors="replace")
    return "".join(letter if letter.isprintable() else " " for letter in said).strip()


def _error(address: HostAddress, code: str, meaning: str, next_step: str, seen: Seen, said: str) -> HostError:
    user = address.user or "USER"
    heard = f" (it said: {said[-EXCERPT:]})" if said else ""
    return HostError(
        code,
        f"{address.name}: {meaning}{heard}",
        host=address.name,
        next_step=next_step.replace("USER", user),
        said=said[-EXCERPT:],
        exit_status=seen.exit_status,
        signal=seen.signal,
    )
