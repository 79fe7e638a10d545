"""Two hosts and what lies between them, as network namespaces made for one test and gone with it.

A switch (bridge) or a router joins them; jobs run inside as processes of their own, so nothing here changes the
machine's own namespace.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

ADDRESSES = {4: ("198.18.0.11", "198.18.0.12"), 6: ("2001:2::11", "2001:2::12")}
TOKEN = "5e" * 32
_RUN_JOB = """
import json, sys
from orchestrator.onhost.path import proof as path
class Talk:
    def fileno(self): return 0
    def event(self, body): print(json.dumps(body), flush=True)
verb, args = sys.argv[1], json.loads(sys.argv[2])
print(json.dumps({"result": getattr(path, verb)(args, Talk())}), flush=True)
"""


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, timeout=20)


class TwoHosts:
    """`dome` and `hall`, each with eth1, joined by the namespace `between`."""

    def __init__(self, prefix: str, who: tuple[str, ...]) -> None:
        self.names = {each: f"{prefix}-{each}" for each in who}

    def inside(self, who: str, *words: str, **how: Any) -> subprocess.CompletedProcess[str]:
        """Run a program in a namespace, to its end."""
        return subprocess.run(
            ["ip", "netns", "exec", self.names[who], *words],
            check=True,
            capture_output=True,
            text=True,
            timeout=60,
            **how,
        )

    def start(self, who: str, *words: str) -> subprocess.Popen[str]:
        """Start a program in a namespace."""
        return subprocess.Popen(
            ["ip", "netns", "exec", self.names[who], *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def link(self, who: str, *words: str) -> None:
        """`ip link set dev` in a namespace."""
        ip("-n", self.names[who], "link", "set", "dev", *words)

    def rule(self, who: str, hook: str, *rules: str) -> None:
        """Replace the namespace's packet rules by one chain at `hook`."""
        table, chain = ("netdev", hook) if hook.startswith("ingress") else ("inet", hook)
        text = f"table {table} t {{\nchain c {{\ntype filter hook {chain} priority 0;\n" + "\n".join(rules) + "\n}\n}\n"
        self.inside(who, "nft", "flush", "ruleset")
        self.inside(who, "nft", "-f", "-", input=text)

    def forget_rules(self, who: str) -> None:
        """No packet rules any more."""
        self.inside(who, "nft", "flush", "ruleset")

    def path_job(self, who: str, verb: str, family: int, mtu: int, patience_s: float) -> subprocess.Popen[str]:
        """Start `path.probe` or `path.answer` on a host; see `result_of`."""
        first, second = ADDRESSES[family]
        local, peer = (first, second) if who == "dome" else (second, first)
        args = {
            "token": TOKEN,
            "interface": "eth1",
            "family": family,
            "local": local,
            "peer": peer,
            "port": 20000,
            "mtu": mtu,
            "small_first_timeout_s": patience_s,
        }
        return self.start(who, sys.executable, "-c", _RUN_JOB, verb, json.dumps(args))


def wait_for_stage(job: subprocess.Popen[str], stage: str) -> None:
    """Read a job's events until it has come so far."""
    assert job.stdout is not None
    for line in job.stdout:
        if json.loads(line).get("stage") == stage:
            return
    raise AssertionError(f"the job ended before it was {stage}")


def tell(job: subprocess.Popen[str], words: str) -> None:
    """Say something to a job, as the controller does."""
    assert job.stdin is not None
    job.stdin.write(words + "\n")
    job.stdin.flush()


def result_of(job: subprocess.Popen[str], timeout_s: float) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """(what the job returned, its events)."""
    said, _ = job.communicate(timeout=timeout_s)
    lines = [json.loads(line) for line in said.splitlines()]
    return lines[-1]["result"], lines[:-1]


@contextlib.contextmanager
def switched(mtu: int = 9000) -> Iterator[TwoHosts]:
    """Both hosts on one switch whose ports carry `mtu`; ports are called dome and hall."""
    with _namespaces() as hosts:
        between = hosts.names["between"]
        ip("-n", between, "link", "add", "name", "switch", "type", "bridge")
        hosts.inside(
            "between", "sysctl", "-qw", "net.bridge.bridge-nf-call-iptables=0", "net.bridge.bridge-nf-call-ip6tables=0"
        )
        for place, who in enumerate(("dome", "hall")):
            _wire(hosts, who, mtu)
            ip("-n", hosts.names[who], "addr", "add", f"{ADDRESSES[4][place]}/24", "dev", "eth1")
            ip("-n", hosts.names[who], "addr", "add", f"{ADDRESSES[6][place]}/64", "dev", "eth1", "nodad")
            hosts.link("between", who, "mtu", str(mtu), "master", "switch", "up")
        hosts.link("between", "switch", "mtu", str(mtu), "up")
        yield hosts


@contextlib.contextmanager
def routed(mtu: int = 9000) -> Iterator[TwoHosts]:
    """Both hosts behind one router, each alone on its network; the router's interfaces are called dome and hall."""
    with _namespaces() as hosts:
        between = hosts.names["between"]
        hosts.inside("between", "sysctl", "-qw", "net.ipv4.ip_forward=1", "net.ipv6.conf.all.forwarding=1")
        for place, who in enumerate(("dome", "hall")):
            _wire(hosts, who, mtu)
            hosts.link("between", who, "mtu", str(mtu), "up")
            for family, gateway in ((4, f"198.18.{place + 1}.1"), (6, f"2001:2:0:{place + 1}::1")):
                address = ADDRESSES[family][place]
                full = 32 if family == 4 else 128
                ip(
                    "-n",
                    hosts.names[who],
                    "addr",
                    "add",
                    f"{address}/{full}",
                    "dev",
                    "eth1",
                    *(["nodad"] if family == 6 else []),
                )
                ip("-n", between, "addr", "add", f"{gateway}/{full}", "dev", who, *(["nodad"] if family == 6 else []))
                ip("-n", hosts.names[who], f"-{family}", "route", "add", f"{gateway}/{full}", "dev", "eth1")
                ip("-n", hosts.names[who], f"-{family}", "route", "add", "default", "via", gateway, "dev", "eth1")
                ip("-n", between, f"-{family}", "route", "add", f"{address}/{full}", "dev", who)
        yield hosts


@contextlib.contextmanager
def relayed() -> Iterator[TwoHosts]:
    """Both hosts alone with a namespace each, `near` and `far`, that has the other one's address: see relay.py."""
    with _namespaces("dome", "hall", "near", "far") as hosts:
        for place, (who, side) in enumerate((("dome", "near"), ("hall", "far"))):
            ip(
                "link",
                "add",
                "name",
                "eth1",
                "netns",
                hosts.names[who],
                "type",
                "veth",
                "peer",
                "name",
                "eth1",
                "netns",
                hosts.names[side],
            )
            for name, address in ((who, ADDRESSES[4][place]), (side, ADDRESSES[4][1 - place])):
                hosts.link(name, "eth1", "up")
                ip("-n", hosts.names[name], "addr", "add", f"{address}/24", "dev", "eth1")
        yield hosts


def _wire(hosts: TwoHosts, who: str, mtu: int) -> None:
    """From a host's eth1 to the middle, where the other end has the host's name."""
    names = hosts.names
    ends = ("eth1", "netns", names[who], "type", "veth", "peer", "name", who, "netns", names["between"])
    ip("link", "add", "name", *ends)
    _frames_as_they_are(hosts, who, mtu)


def _frames_as_they_are(hosts: TwoHosts, who: str, mtu: int) -> None:
    hosts.link(who, "eth1", "mtu", str(mtu), "up")
    hosts.inside(who, "ethtool", "-K", "eth1", "tso", "off", "tx-udp-segmentation", "off")


@contextlib.contextmanager
def _namespaces(*who: str) -> Iterator[TwoHosts]:
    hosts = TwoHosts(f"lt-{os.getpid()}", who or ("dome", "hall", "between"))
    made = []
    try:
        for name in hosts.names.values():
            ip("netns", "add", name)
            made.append(name)
        for name in made:
            ip("-n", name, "link", "set", "dev", "lo", "up")
        yield hosts
    finally:
        for name in made:
            ip("netns", "del", name)
