"""The switch on the wall, for `power_cycle` in a plan: `python -m orchestrator.lab.guests.power FOLDER GUEST WISH`.

WISH is on, off or cycle. It asks the program that holds the lab, over a socket in the lab's folder.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from orchestrator.lab.guests.machine import Machine

_NAME = "power"
_TIMEOUT_S = 60.0
_DONE = "done"
_DO = {"on": "power_on", "off": "cut_power", "cycle": "power_cycle"}


class Doorman:
    """Carries out one wish after the other, in a thread of its own."""

    def __init__(self, folder: Path, machines: Mapping[str, Machine]) -> None:
        """Listens from now on."""
        self._machines = machines
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with _short(folder) as address:
            self._listener.bind(address)
        self._listener.listen()
        threading.Thread(target=self._serve, name="power", daemon=True).start()

    def close(self) -> None:
        """No more wishes."""
        with contextlib.suppress(OSError):  # shut down: a thread that waits in accept() is not woken by close()
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):  # closed
            while True:
                client, _ = self._listener.accept()
                with client, contextlib.suppress(OSError):  # who asked may be gone
                    client.settimeout(_TIMEOUT_S)
                    client.send(self._carry_out(client.recv(1000).decode(errors="replace")).encode())

    def _carry_out(self, wish: str) -> str:
        """The word done, or what is wrong."""
        name, _, what = wish.partition(" ")
        if name not in self._machines or what not in _DO:
            return f"{wish!r} is not one of {', '.join(self._machines)} followed by {', '.join(_DO)}"
        try:
            getattr(self._machines[name], _DO[what])()
        except Exception as error:
            return f"{name}: {error}"
        return _DONE


@contextlib.contextmanager
def _short(folder: Path) -> Iterator[str]:
    """A path of the socket that fits into the 107 bytes of unix(7), however long the folder's is."""
    descriptor = os.open(folder, os.O_PATH)
    try:
        yield f"/proc/self/fd/{descriptor}/{_NAME}"
    finally:
        os.close(descriptor)


def main() -> int:
    """Ask and wait for the answer."""
    folder, name, what = sys.argv[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as asking, _short(Path(folder)) as address:
        asking.settimeout(_TIMEOUT_S)
        asking.connect(address)
        asking.send(f"{name} {what}".encode())
        answer = asking.recv(4000).decode()
    if answer != _DONE:
        sys.stderr.write(f"{answer or 'the lab ended'}\n")
    return 0 if answer == _DONE else 1


if __name__ == "__main__":
    sys.exit(main())
