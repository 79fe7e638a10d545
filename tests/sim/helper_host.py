"""A simulated host on which the real helper's functions do everything but reach a kernel.

What `FakeHost` does by itself is done here by `onhost.changes`, `holding`, `watchdog`, `restoring` and `record`, on a
record in a real folder; every request passes the helper's own check first. Fake are the values, the clock, the
processes of the watchdog and the image.
"""

from __future__ import annotations

import copy
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

from orchestrator.onhost import catalogue
from orchestrator.onhost.at_start import restart
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import changes, holding, record, restoring, watchdog
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.service import jobs, messages
from tests.onhost.at_once import AtOnce
from tests.sim.fake_host import LASTING, FakeHost

Json = dict[str, Any]
AS_STARTED: Json = {"kernel": "6.1.0-old", "boot-lines": []}
BY_THE_HELPER = frozenset(
    {
        "lease.acquire",
        "lease.renew",
        "lease.release",
        "watchdog",
        "recover",
        "prepare",
        "adopt",
        "apply",
        "confirm",
        "possible",
        "verify",
        "read",
        "restore",
        "compare",
        "restart",
        "watch",
    }
)
IN_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # where a host's /run is, too


class HelperHost(FakeHost):
    """One machine, inside `helpers()`."""

    starts_kernels = True
    current: HelperHost  # the one whose helper runs just now; functions of the helper know of no other
    now_ns = 0
    session = 1  # what tells one connection from the next, as far as a scene wants that

    def __init__(self, name: str, number: int, values: dict[tuple[str, str], Any]) -> None:
        home = tempfile.mkdtemp(dir=IN_MEMORY)
        weakref.finalize(self, shutil.rmtree, home)
        self._folder = Path(home) / "linktrial"
        super().__init__(name, number, values)
        self.boot_files: dict[str, Any] = {}  # what the next start is told to take
        self.running: dict[str, Any] = dict(AS_STARTED)
        self.missing_kernels: set[str] = set()
        self.bad_kernels: set[str] = set()  # those that do not come up: the start after takes the old one

    def runs_as_found(self) -> bool:
        return not self.boot_files and self.running == AS_STARTED

    def restart(self) -> None:
        """The boot file is read, and restore by what it starts."""
        super().restart()
        came_up = self.boot_files.get("kernel") not in self.bad_kernels
        self.running = {**AS_STARTED, **(self.boot_files if came_up else {})}
        self.boot_files = {}

    def __deepcopy__(self, memo: Json) -> HelperHost:
        """The same host in the same state, to go on with in another way."""
        other = HelperHost(self.name, self.number, {})
        if self._folder.exists():
            shutil.copytree(self._folder, other._folder)
        mine = {key: value for key, value in vars(self).items() if key != "_folder"}
        vars(other).update(copy.deepcopy(mine, memo))
        return other

    @property
    def record(self) -> Json | None:  # type: ignore[override]
        """The state that the host's own record holds."""
        return Record(str(self._folder)).load()

    @record.setter
    def record(self, state: Json | None) -> None:
        """A restart empties the memory file system; nothing else is ever written from outside."""
        assert state is None
        shutil.rmtree(self._folder, ignore_errors=True)

    def keep_at(self, now_ns: int) -> None:
        if self.up and self.watchdog:
            self._run_as(now_ns)
            if self.record is None or watchdog.restore_if_due(Record(str(self._folder))):
                self.watchdog = False

    def do_at(self, verb: str, args: Json, now_ns: int) -> Json:
        if verb not in BY_THE_HELPER:
            return super().do_at(verb, args, now_ns)
        self._run_as(now_ns)
        if verb == "restart":
            messages.check({"id": 1, "verb": verb, "args": args, "timeout_s": 10.0})
            return restart.restart(Record(str(self._folder)), args["token"])
        if verb != "watch":  # the helper's own wish
            messages.check({"id": 1, "verb": verb, "args": args, "timeout_s": 10.0})
        call = jobs.VERBS[verb]
        function = getattr({"safety.changes": changes, "safety.holding": holding}[call.room], call.function)
        special = {"record": Record(str(self._folder)), "args": args, "session": self.session}
        return dict(function(*(special[name] if name in special else args.get(name) for name in call.takes)) or {})

    def _run_as(self, now_ns: int) -> None:
        HelperHost.current = self
        self.now_ns = now_ns


def setting_of(name: str) -> Any:
    """A setting of the current host."""
    return StartValue(name) if name in AS_STARTED else HostValue(name)


class StartValue:
    """What the current host is started with: a boot file that its next start reads and restores."""

    survives_reboot = True
    cheap_to_read = False
    by_part = False

    def __init__(self, name: str) -> None:
        self.name, self.host = name, HelperHost.current

    def restarts(self, level: Any) -> bool:
        return True

    def forget(self, target: str) -> None:
        """Nothing is remembered."""

    def check(self, target: str, level: Any) -> str:
        missing = self.name == "kernel" and level["level"] in self.host.missing_kernels
        return f"no kernel {level['level']} is installed here" if missing else ""

    def read(self, target: str, level: Any = None) -> Json:
        return {"file": self.host.boot_files.get(self.name), "started": self.host.running[self.name]}

    def apply(self, target: str, level: Any) -> None:
        """In effect already: nothing is to be written."""
        assert self.verify(target, level)["ok"]
        self.host.boot_files.pop(self.name, None)

    def write_for_next_start(self, target: str, level: Any) -> Json:
        self.host.boot_files[self.name] = level["level"]
        return {"ok": True, "seen": "written", "why": "", "restart": True}

    def verify(self, target: str, level: Any) -> Json:
        running = self.host.running[self.name]
        return {"ok": running == level["level"], "seen": running, "why": "runs another"}

    def holds_ours(self, target: str, level: Any) -> bool:
        return bool(self.host.boot_files.get(self.name) == level["level"])

    def restore(self, target: str, before: Json) -> None:
        assert before["file"] is None
        self.host.boot_files.pop(self.name, None)

    def same(self, before: Json, now: Json) -> bool:
        return bool(before["file"] == now["file"])

    def restart_due(self, before: Json, now: Json) -> bool:
        return bool(before["started"] != now["started"])

    def mend_command(self, target: str, value: Json) -> str:
        return f"write {value['file']}"

    def told(self, target: str, before: Json, now: Json) -> list[Json]:
        return [{"what": self.name, "before": str(before["file"]), "now": str(now["file"]), "command": ""}]


class HostValue(AtOnce):
    """One setting of the current host, with the helper's five verbs."""

    def __init__(self, name: str) -> None:
        self.name, self.host = name, HelperHost.current
        self.survives_reboot = name in LASTING

    def check(self, target: str, level: Any) -> str:
        return ""

    def read(self, target: str, level: Any = None) -> Any:
        return self.host.values[(self.name, target)]

    def apply(self, target: str, level: Any) -> None:
        if self.name == self.host.refusing:
            raise Refusal("refused", "the driver refuses")
        wanted = self._plain(level)
        took = wanted - 1 if self.host.rounding and isinstance(wanted, int) else wanted
        self.host.values[(self.name, target)] = took

    def verify(self, target: str, level: Any) -> Json:
        seen = self.read(target, level)
        return {"ok": seen == self._plain(level), "seen": seen, "why": "differs"}

    def restore(self, target: str, before: Any) -> None:
        if (self.name, target) == self.host.stuck:
            raise Refusal("stuck", "it did not end within its time")
        self.host.values[(self.name, target)] = before

    def same(self, before: Any, now: Any) -> bool:
        return bool(before == now)

    def mend_command(self, target: str, value: Any) -> str:
        return f"set {self.name} {target} to {value}"

    @staticmethod
    def _plain(level: Any) -> Any:
        return level["level"] if isinstance(level, dict) else level


class NoImage:
    """The image is proven elsewhere; here it is always the same."""

    @staticmethod
    def take_image(interfaces: list[str]) -> Json:
        return {"items": {}}

    @staticmethod
    def differences(before: Any, now: Any, touched: Any) -> Json:
        return {"touched": [], "other": []}


@contextmanager
def helpers() -> Iterator[None]:
    """The helper's modules on simulated hosts, as long as this lasts."""

    def current() -> HelperHost:
        return HelperHost.current

    def start(host: Record) -> Json:
        current().watchdog = True
        return {}

    def stop(state: Json) -> None:
        current().watchdog = False

    def finish(host: Record) -> None:
        current().keep_at(current().now_ns)

    def at_once(step: Callable[[], Any], timeout_s: float) -> Any:
        return step()

    fakes: dict[Any, Json] = {
        changes: {"setting_of": setting_of, "image_room": lambda: NoImage},
        restart: {
            "setting_of": setting_of,
            "cannot_restart": lambda kernel: "",
            "this_host": lambda: None,
            "subprocess": mock.Mock(Popen=lambda *words, **options: current().goes_down(current().name)),
        },
        restoring: {"setting_of": setting_of, "run_bounded": at_once},
        catalogue: {"setting_of": setting_of},
        holding: {"image_room": lambda: NoImage, "_let_watchdog_finish": finish, "run_bounded": at_once},
        watchdog: {"start": start, "stop": stop, "alive": lambda state: current().watchdog},
    }
    with mock.patch.multiple(record, LOCK_TIMEOUT_S=1.0):
        patches = [mock.patch.multiple(module, **names) for module, names in fakes.items()]
        patches += [
            mock.patch.multiple(module, boot_id=lambda: current().boot_id, boottime_ns=lambda: current().now_ns)
            for module in (changes, holding, watchdog, restart)
        ]
        for patch in patches:
            patch.start()
        try:
            yield
        finally:
            for patch in patches:
                patch.stop()
