"""What stands in on a host of the BSD family: it has all that others use of the module replaced, and reads its system's
own words. The forms are those of the manual pages and sources of FreeBSD 14, OpenBSD 7 and NetBSD 10.
"""

from __future__ import annotations

import ast
import errno
import os
import select
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from orchestrator.act.bundle import collect_sources
from orchestrator.onhost.bootstrap import ROOM, SentModules
from orchestrator.onhost.bsd import ifconfig, tools
from orchestrator.onhost.bsd.image import mending
from orchestrator.onhost.bsd.settings.catalogue import CATALOGUE, catalogue
from orchestrator.onhost.bsd.system import boot, process
from orchestrator.onhost.bsd.traffic import kernel
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings.kernel import Kernel

HOUSE = Path(__file__).parents[2] / "orchestrator" / "onhost"
REPLACED = sorted(
    path.relative_to(HOUSE / "bsd")
    for path in (HOUSE / "bsd").rglob("*.py")
    if path.name != "__init__.py" and (HOUSE / path.relative_to(HOUSE / "bsd")).exists()
)


def used_of(module: str) -> set[str]:
    """The names that any other module on a host takes from this one, and `name.attribute` where it takes it whole."""
    found: set[str] = set()
    package, _, last = module.rpartition(".")
    for path in HOUSE.rglob("*.py"):
        tree = ast.parse(path.read_text())
        taken = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        found |= {alias.name for node in taken if node.module == module for alias in node.names}
        if any(node.module == package and last in [alias.name for alias in node.names] for node in taken):
            found |= {
                node.attr
                for node in ast.walk(tree)
                if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == last
            }
    return found


def defined_in(path: Path) -> set[str]:
    """The names of a module's top level."""
    found: set[str] = set()
    for node in ast.parse(path.read_text()).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found.add(node.name)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)}
    return found


@pytest.mark.parametrize("path", REPLACED, ids=str)
def test_a_module_that_stands_in_has_every_name_that_others_use_of_the_one_replaced(path: Path) -> None:
    module = "orchestrator.onhost." + ".".join(path.with_suffix("").parts)
    assert used_of(module), f"nobody uses {module}: it need not be replaced"
    assert used_of(module) - defined_in(HOUSE / "bsd" / path) == set()


def test_what_stands_in_is_found_under_the_name_of_the_module_replaced_and_packages_stay() -> None:
    sources = collect_sources()
    plain, bsd = SentModules(sources), SentModules(sources, "bsd")
    for path in REPLACED:
        name = ".".join(path.with_suffix("").parts)
        assert plain.get_source(ROOM + name) == (HOUSE / path).read_text()
        assert bsd.get_source(ROOM + name) == (HOUSE / "bsd" / path).read_text()
    for name in ("netlink", "settings", "safety.lease", "safety.watchdog"):
        assert bsd.get_source(ROOM + name) == plain.get_source(ROOM + name)


FREEBSD = """em0: flags=1008843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST,LOWER_UP> metric 0 mtu 9000
\toptions=481249b<RXCSUM,TXCSUM,VLAN_MTU,VLAN_HWTAGGING,VLAN_HWCSUM,LRO,WOL_MAGIC,VLAN_HWFILTER,NOMAP>
\tether 52:54:00:0a:0b:0c
\tinet 198.18.0.12 netmask 0xffffff00 broadcast 198.18.0.255
\tinet6 fe80::5054:ff:fe0a:b0c%em0 prefixlen 64 scopeid 0x1
\tinet6 2001:2::12 prefixlen 64 tentative
\tmedia: Ethernet autoselect (1000baseT <full-duplex>)
\tstatus: active
\tnd6 options=21<PERFORMNUD,AUTO_LINKLOCAL>
em0.5: flags=1008843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST,LOWER_UP> metric 0 mtu 1500
\tether 52:54:00:0a:0b:0c
\tgroups: vlan
\tvlan: 5 vlanproto: 802.1q vlanpcp: 0 parent interface: em0
\tstatus: no carrier
lo0: flags=1008049<UP,LOOPBACK,RUNNING,MULTICAST,LOWER_UP> metric 0 mtu 16384
\tinet6 ::1 prefixlen 128
\tinet 127.0.0.1 netmask 0xff000000
bridge0: flags=1008843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST,LOWER_UP> metric 0 mtu 1500
\tether 58:9c:fc:10:ff:aa
\tmember: em1 flags=143<LEARNING,DISCOVER,AUTOEDGE,AUTOPTP>
\tmember: em2 flags=143<LEARNING,DISCOVER,AUTOEDGE,AUTOPTP>
"""
OPENBSD = """em0: flags=808843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST,AUTOCONF4> mtu 9000
\tlladdr 52:54:00:0a:0b:0c
\tindex 1 priority 0 llprio 3
\tmedia: Ethernet autoselect (1000baseT full-duplex)
\tstatus: active
\tinet 198.18.0.12 netmask 0xffffff00 broadcast 198.18.0.255
\tinet6 fe80::5054:ff:fe0a:b0c%em0 prefixlen 64 scopeid 0x1
\tinet6 2001:2::12 prefixlen 64 tentative
"""
NETBSD = """em0: flags=0x8843<UP,BROADCAST,RUNNING,SIMPLEX,MULTICAST> mtu 9000
\tcapabilities=0x7ff80<TSO4,IP4CSUM_Rx,IP4CSUM_Tx,TCP4CSUM_Rx,TCP4CSUM_Tx>
\tec_capabilities=0x7<VLAN_MTU,VLAN_HWTAGGING,JUMBO_MTU>
\taddress: 52:54:00:0a:0b:0c
\tmedia: Ethernet autoselect (1000baseT full-duplex)
\tstatus: active
\tinet 198.18.0.12/24 broadcast 198.18.0.255 flags 0
\tinet6 fe80::5054:ff:fe0a:b0c%em0/64 flags 0 scopeid 0x1
\tinet6 2001:2::12/64 flags 0x2<TENTATIVE> tentative
"""


@pytest.mark.parametrize("text", [FREEBSD, OPENBSD, NETBSD], ids=["FreeBSD", "OpenBSD", "NetBSD"])
def test_an_interface_is_read_from_each_systems_own_form(text: str) -> None:
    first = ifconfig.parse(text)[0]
    assert (first.name, first.mtu, first.mac, first.status) == ("em0", 9000, "52:54:00:0a:0b:0c", "active")
    assert "UP" in first.flags
    read = {(each["address"], each["prefix"], each["scope"], tuple(each["flags"])) for each in first.addresses}
    assert read == {
        ("198.18.0.12", 24, 0, ()),
        ("fe80::5054:ff:fe0a:b0c", 64, 253, ()),
        ("2001:2::12", 64, 0, ("tentative",)),
    }


def test_what_lies_on_what_and_which_has_no_carrier_is_read() -> None:
    vlan, loopback, bridge = ifconfig.parse(FREEBSD)[1:]
    assert (vlan.lies_on, vlan.status) == (["em0"], "no carrier")
    assert bridge.lies_on == ["em1", "em2"]
    assert (loopback.mac, [each["scope"] for each in loopback.addresses]) == ("", [254, 254])


@pytest.mark.parametrize(
    ("words", "number"),
    [
        ("ifconfig: ioctl SIOCSIFMTU (set mtu): Invalid argument", errno.EINVAL),
        ("ifconfig: ioctl SIOCSIFMTU (set mtu): Operation not permitted", errno.EPERM),
        ("ifconfig: interface em9 does not exist", errno.ENODEV),
        ("ifconfig: something new", errno.EIO),
    ],
)
def test_what_ifconfig_complains_of_is_the_error_that_the_kernel_gave(
    words: str, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ifconfig, "run", lambda arguments: tools.Said(1, b"", words + "\n"))
    with pytest.raises(OSError) as error:
        ifconfig.set_mtu("em0", 9000)
    assert (error.value.errno, error.value.strerror) == (number, words)


def said(monkeypatch: pytest.MonkeyPatch, module: object, answers: dict[str, str]) -> None:
    """The system's programs answer so, by the last of their arguments."""
    monkeypatch.setattr(module, "output_of", lambda arguments: answers.get(arguments[-1], ""))


@pytest.mark.parametrize(
    "text",
    ["I    Thu Nov 26 11:33:35 2026\n", "Is+  Thu Nov 26 11:33:35 2026    \n", "I<s   Thu Nov 26 11:33:35 2026\n"],
)
def test_a_process_is_told_from_another_by_when_it_started(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    said(monkeypatch, process, {"4711": text, "4712": "Z    Thu Nov 26 11:33:35 2026\n"})
    assert process.started_ticks(4711) == 1795692815
    assert process.is_alive(4711, 1795692815)
    assert not process.is_alive(4711, 1795692814)
    assert process.started_ticks(4712) == 0, "a zombie is dead"
    assert process.started_ticks(4713) == 0


def test_a_group_whose_number_was_given_again_has_no_members_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    table = "   10    10 python3.11\n   11    10 python3.11\n   12    10 sh\n   13    13 python3.11\n"
    said(monkeypatch, process, {"10": "I    Thu Nov 26 11:33:35 2026\n", "comm=": table})
    assert process.group_members(10, "linktrial-wdog", 1795692815) == [10, 11]
    assert process.group_members(10, "linktrial-wdog", 1795692816) == [], "another process has that number now"
    said(monkeypatch, process, {"comm=": table.partition("\n")[2]})
    assert process.group_members(10, "linktrial-wdog", 1795692815) == [11], "its first one was killed"


def test_the_ssh_connection_is_read_from_an_ancestors_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    said(
        monkeypatch,
        process,
        {"77": "USER=root SSH_CONNECTION=10.0.0.1 50022 10.0.0.2 22 SHELL=/bin/sh -c exec\n", "78": "USER=root -sh\n"},
    )
    assert process.ssh_connection_of(77) == "10.0.0.1 50022 10.0.0.2 22"
    assert process.ssh_connection_of(78) == ""


def test_closing_all_but_some_closes_no_kept_one_and_every_other() -> None:
    """In a process of its own: os.closerange(0, 0) of some Pythons closes everything."""
    program = (
        "import os; from orchestrator.onhost.bsd.system.process import close_all_but\n"
        "a, b = os.pipe(); c, d = os.pipe()\n"
        "close_all_but({0, 1, 2, b, c})\n"
        "def there(n):\n    try: os.fstat(n); return 1\n    except OSError: return 0\n"
        "print([there(n) for n in (0, 1, 2, a, b, c, d)])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["[1,", "1,", "1,", "0,", "1,", "1,", "0]"]


def test_a_process_ends_soon_after_its_parent_was_killed() -> None:
    """The parent forks a child that waits for ever, and is killed: the child's end of the pipe closes."""
    program = (
        "import os, time; from orchestrator.onhost.bsd.system.process import die_with_parent; me = os.getpid()\n"
        "if os.fork() == 0:\n    die_with_parent(me); print('up', flush=True)\n    while True: time.sleep(100)\n"
        "time.sleep(100)"
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        assert parent.stdout.readline() == b"up\n"
        time.sleep(1.5)  # a timer's turn with the parent alive changes nothing
        assert not select.select([parent.stdout], [], [], 0)[0]
        parent.send_signal(signal.SIGKILL)
        assert parent.stdout.read() == b"", "the pipe is closed once the child has ended"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("{ sec = 1795676255, usec = 241007 } Thu Nov 26 06:57:35 2026\n", "boottime-1795676255.241007"),
        ("1795676255\n", "boottime-1795676255"),
        ("Thu Nov 26 06:57:35 2026\n", "boottime-Thu Nov 26 06:57:35 2026"),
    ],
)
def test_a_start_is_told_from_another_by_when_it_was(text: str, expected: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(boot, "octets_of", lambda arguments: b"")
    said(monkeypatch, boot, {"kern.boottime": text})
    assert boot.boot_id.__wrapped__() == expected


def test_a_kernels_own_random_number_is_preferred_and_no_answer_is_no_identity(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(boot, "octets_of", lambda arguments: bytes(range(16)))
    assert boot.boot_id.__wrapped__() == bytes(range(16)).hex()
    monkeypatch.setattr(boot, "octets_of", lambda arguments: b"")
    said(monkeypatch, boot, {})
    with pytest.raises(OSError, match=r"kern\.boottime"):
        boot.boot_id.__wrapped__()


def test_all_processes_of_one_helper_have_the_start_from_it_whatever_the_clock_does_then(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(boot, "octets_of", lambda arguments: b"")
    said(monkeypatch, boot, {"kern.boottime": "{ sec = 100, usec = 1 }"})
    boot.boot_id.cache_clear()
    try:
        first = boot.boot_id()
        said(monkeypatch, boot, {"kern.boottime": "{ sec = 7300, usec = 1 }"})
        assert boot.boot_id() == first
    finally:
        boot.boot_id.cache_clear()


def test_only_the_mtu_can_be_set_and_a_small_one_not() -> None:
    assert CATALOGUE["mtu"].survives_reboot, "a clock that was set must not make its change forgotten"
    for name in ("governor", "boot-lines", "command", "net.ipv4.tcp_sack", "feature.rx-gro"):
        assert "only mtu can" in CATALOGUE[name].check("", "x")
        assert CATALOGUE[name].read("", "x") is None
        assert not CATALOGUE[name].verify("", "x")["ok"]
        with pytest.raises(Refusal):
            CATALOGUE[name].apply("", "x")
    assert CATALOGUE["mtu"].mend_command("em0", {"mtu": 1500, "children": {}, "ipv6": {}}) == "ifconfig em0 mtu 1500"
    assert CATALOGUE["mtu"].keep_command("em0", 9000) == "ifconfig em0 mtu 9000"


def test_an_interface_that_a_vlan_lies_on_keeps_its_mtu(monkeypatch: pytest.MonkeyPatch) -> None:
    def link(name: str, index: int, parent: int | None) -> dict[str, object]:
        return {"name": name, "index": index, "parent": parent, "kind": "vlan" if parent else "", "mtu": 1500}

    class OneHost(Kernel):
        """em0 with a VLAN on it, and em1."""

        def is_root(self) -> bool:
            return True

        def links(self) -> list[dict[str, object]]:
            return [link("em0", 1, None), link("em0.5", 2, 1), link("em1", 3, None)]

        def find_link(self, name: str) -> dict[str, object] | None:
            return next((each for each in self.links() if each["name"] == name), None)

    mtu = catalogue(OneHost())["mtu"]
    assert "em0.5 lies on it" in mtu.check("em0", 9000)
    assert "below 1280" in mtu.check("em1", 1279)
    assert mtu.check("em1", 9000) == ""


def test_a_difference_is_put_right_with_ifconfig() -> None:
    entry = {"address": "198.18.0.12", "prefix": 24, "family": 4}
    assert mending.mend_command("link:em0:mtu", 1500, 9000) == "ifconfig em0 mtu 1500"
    assert mending.mend_command("link:em0:up", True, False) == "ifconfig em0 up"
    assert mending.mend_command("address:em0:198.18.0.12", entry, None) == "ifconfig em0 inet 198.18.0.12/24 alias"
    assert mending.mend_command("address:em0:198.18.0.12", None, entry) == "ifconfig em0 inet 198.18.0.12 -alias"
    assert mending.mend_command("trace::x", [], ["a"]) == ""
    assert mending.called("link:em0:mtu") == "mtu of em0"
    assert sorted(["trace::", "address:em0:x", "link:em0:mtu"], key=mending.mending_rank)[0] == "link:em0:mtu"


def test_a_buffer_beyond_the_systems_limit_is_as_large_as_it_allows() -> None:
    class Limited:
        """FreeBSD refuses more than kern.ipc.maxsockbuf (ENOBUFS) and changes nothing."""

        got = 0

        def setsockopt(self, level: int, option: int, value: int) -> None:
            if value > 2 << 20:
                raise OSError(errno.ENOBUFS, os.strerror(errno.ENOBUFS))
            self.got = value

    sock = Limited()
    kernel.set_buffer(sock, socket.SO_RCVBUF, 16 << 20)  # type: ignore[arg-type]  # all that is asked of a socket here
    assert sock.got == 2 << 20
