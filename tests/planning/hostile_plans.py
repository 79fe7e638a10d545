"""Plan files that nobody means well with: each with the code of the problem that it must end in."""

from __future__ import annotations

from tests.planning.planning_fakes import HEAD

NAMES = (
    "eth0; rm -rf /",
    "$(id)",
    "`id`",
    "../../etc/passwd",
    "-oProxyCommand=id",
    "a" * 300,
    "\u0000",
    "x\ny",
    "<b>",
    "=1+1",
    "dome\u202eemod",
    "é",
    "'; drop table",
    "{level}",
    "%s%n",
    "CON",
    "\U0001f600",
)


def _quoted(text: str) -> str:
    """A text in double quotes as YAML writes it."""
    named = {"\n": "\\n", "\u0000": "\\0", '"': '\\"', "\\": "\\\\"}
    return '"' + "".join(named.get(letter, letter) for letter in text.replace("$", "$$")) + '"'


def _with(old: str, new: str) -> str:
    """The usual plan with one part replaced."""
    assert old in HEAD
    return HEAD.replace(old, new)


def _bomb(levels: int, shape: str = "[{}]") -> str:
    """Aliases that repeat aliases: ten times as many values with every level."""
    lines = ["l0: &l0 [x]"]
    for number in range(1, levels):
        parts = ", ".join((f"k{n}: " if shape == "{{{}}}" else "") + f"*l{number - 1}" for n in range(10))
        lines.append(f"l{number}: &l{number} {shape.format(parts)}")
    return "\n".join(lines)


_MERGE_BOMB = "a0: &a0 {x: 1}\n" + "".join(
    f"a{n}: &a{n}\n  <<: [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 9)
)

# name: (text, a code that must be among its problems)
HOSTILE: dict[str, tuple[str, str]] = {
    # not a plan at all
    "empty": ("", "missing-key"),
    "only a comment": ("# plan\n", "missing-key"),
    "a number": ("42", "wrong-type"),
    "a word": ("plan", "wrong-type"),
    "a list": ("- plan: x\n", "wrong-type"),
    "null": ("~", "wrong-type"),
    "an empty mapping": ("{}", "missing-key"),
    "only a name": ("plan: x\n", "missing-key"),
    "binary": ("\x7fELF\x02\x01\x01\x00", "not-text"),
    "json that is no plan": ('{"a": [1, {"b": null}]}', "unknown-key"),
    "a web page": ("<!DOCTYPE html><html><body>404</body></html>", "wrong-type"),
    "a script": ("#!/bin/sh\nrm -rf /\n", "wrong-type"),
    "two documents": (HEAD + "---\n" + HEAD, "yaml-feature"),
    "only document marks": ("---\n---\n", "yaml-feature"),
    # growth
    "deep lists": ("a: " + "[" * 5000, "too-large"),
    "deep mappings": ("{a: " * 5000, "too-large"),
    "deep blocks": ("".join(" " * n + "a:\n" for n in range(200)), "too-large"),
    "deep dashes": ("- " * 3000 + "x", "too-large"),
    "many entries": ("a: [" + "1, " * 30_000 + "]", "too-large"),
    "many lines of entries": ("a:\n" + "- 1\n" * 19_000, "unknown-key"),
    "many long lists": (("- [" + "1, " * 9 + "1]\n") * 2_500, "too-large"),
    "many keys": ("".join(f"k{n}: 1\n" for n in range(11_000)), "too-large"),
    "alias bomb of lists": (_bomb(9), "too-large"),
    "alias bomb of mappings": (_bomb(9, "{{{}}}"), "too-large"),
    "merge bomb": (_MERGE_BOMB, "yaml-feature"),
    "many aliases": ("a: &a 1\nb: [" + "*a, " * 500 + "]", "alias"),
    "alias to itself": ("a: &a [*a]\n", "alias"),
    "alias to its parent": ("a: &a {b: {c: *a}}\n", "alias"),
    "aliases in a circle": ("a: &a [*b]\nb: &b [*a]\n", "alias"),
    "alias as key": ("a: &a x\n*a : 1\n", "yaml-feature"),
    "alias chain of depth": (
        "a: &a0 "
        + "[" * 20
        + "]" * 20
        + "\n"
        + "".join(f"b{n}: &a{n} " + "[" * 20 + f"*a{n - 1}" + "]" * 20 + "\n" for n in range(1, 90)),
        "too-large",
    ),
    "one long line": ("plan: " + "x" * 100_000, "too-large"),
    "a megabyte of comment": ("# x\n" * 300_000, "too-large"),
    "a megabyte of quotes": ("a: " + '"' * 19_000, "yaml"),
    "a megabyte of nothing": ("\n" * 1_000_000, "too-large"),
    "a megabyte of spaces": ((" " * 10_000 + "\n") * 100, "missing-key"),
    "a megabyte of text": ("purpose: |\n" + ("  " + "x" * 1000 + "\n") * 1000 + HEAD, "bad-value"),
    "a megabyte of folded text": ("purpose: >\n" + ("  " + "x y " * 20 + "\n") * 12_000 + HEAD, "bad-value"),
    "a megabyte of quoted lines": ('purpose: "' + ("x " * 25 + "\n  ") * 15_000 + '"\n' + HEAD, "bad-value"),
    "many anchors": ("".join(f"k{n}: &a{n} 1\n" for n in range(9_000)), "too-large"),
    "many open brackets": ("[" * 900_000, "too-large"),
    "many question marks": ("? " * 9_000, "too-large"),
    "many colons": (": " * 9_000, "yaml"),
    "many tags": ("!" * 19_000, "yaml-feature"),
    "many bangs": ("! " * 9_000, "yaml"),
    "many ampersands": ("& " * 9_000, "yaml"),
    "many stars": ("*" * 19_000, "yaml"),
    # YAML that says more than a plan may
    "a tag that runs code": ("plan: !!python/object/apply:os.system [id]\n", "yaml-feature"),
    "a tag that makes a module": ("plan: !!python/module:os\n", "yaml-feature"),
    "a binary": ("plan: !!binary aGk=\n", "yaml-feature"),
    "a set": ("plan: !!set {a, b}\n", "yaml-feature"),
    "a local tag": ("plan: !include /etc/passwd\n", "yaml-feature"),
    "a tag with a handle": ("%TAG ! tag:x,2000:\n---\nplan: !a b\n", "yaml-feature"),
    "a merge key": (HEAD + "base: &b {x: 1}\ntrial: {<<: *b}\n", "yaml-feature"),
    "a number as key": (HEAD + "1: 2\n", "yaml-feature"),
    "a null as key": (HEAD + "~: 2\n", "yaml-feature"),
    "a list as key": (HEAD + "? [a, b]\n: 2\n", "yaml-feature"),
    "a mapping as key": (HEAD + "? {a: b}\n: 2\n", "yaml-feature"),
    "true as key": (HEAD + "true: 2\n", "yaml-feature"),
    "the same key twice": (HEAD + "plan: other\n", "duplicate-key"),
    "the same host twice": (_with("  hall:", "  dome: {ssh: other}\n  hall:"), "duplicate-key"),
    # characters
    "a surrogate": ("plan: \ud800\n", "not-text"),
    "an escaped surrogate": ('plan: "\\ud800"\n', "not-text"),
    "an escaped null": ('plan: "a\\0b"\n', "not-text"),
    "an escape sequence": ('purpose: "\\e[31mred"\n' + HEAD, "not-text"),
    "an escaped turn of the text": ('purpose: "a\\u202eb"\n' + HEAD, "not-text"),
    "a bell": ("plan: a\x07\n", "not-text"),
    "text turned around": ("plan: a\u202eb\n", "not-text"),
    "an isolate": ("plan: a\u2066b\n", "not-text"),
    "a line separator": ("plan: a\u2028b\n", "not-text"),
    "a next line": ("plan: a\x85b\n", "not-text"),
    "a mark in the middle": ("plan: a\ufeffb\n", "not-text"),
    "a carriage return within": ("plan: a\r\nhosts: \r\n", "wrong-type"),
    "a huge escape": ('plan: "\\UFFFFFFFF"\n', "yaml"),
    "half an escape": ('plan: "\\x1"\n', "yaml"),
    "a form feed": ("plan:\x0ca\n", "not-text"),
    "delete": ("plan: \x7f\n", "not-text"),
    # numbers
    "five thousand digits": (HEAD + "order: {seed: " + "9" * 5_000 + "}\n", "number"),
    "infinity": (HEAD + "bench: {room_c: .inf}\n", "wrong-type"),
    "not a number": (HEAD + "bench: {room_c: .nan}\n", "wrong-type"),
    "beyond a float": (HEAD + "bench: {room_c: 1e999}\n", "number"),
    "octal": (HEAD + "order: {seed: 0755}\n", "number"),
    "hexadecimal": (HEAD + "order: {seed: 0x1F}\n", "wrong-type"),
    "sexagesimal": (HEAD + "order: {seed: 12:30}\n", "wrong-type"),
    "underscores": (HEAD + "order: {seed: 1_000}\n", "wrong-type"),
    "a fraction of a seed": (HEAD + "order: {seed: 1.5}\n", "wrong-type"),
    "a negative seed": (HEAD + "order: {seed: -1}\n", "bad-value"),
    "true as a number": (HEAD + "trial: {replicates: true}\n", "wrong-type"),
    "zero replicates": (HEAD + "trial: {replicates: 0}\n", "bad-value"),
    "a million replicates": (HEAD + "trial: {replicates: 1000000}\n", "bad-value"),
    "a power of powers": (HEAD + "trial: {length: 9**9**9s}\n", "unit-unknown"),
    "no time at all": (HEAD + "trial: {length: 0s}\n", "bad-value"),
    "a year": (HEAD + "trial: {length: 9000h}\n", "bad-value"),
    "time that runs backwards": (HEAD + "trial: {length: -5s}\n", "quantity"),
    "a threshold above all": (HEAD + "threshold: 500%\n", "bad-value"),
    "digits of another script": (HEAD + "trial: {length: ١٠s}\n", "quantity"),
    "a lease of nothing": (HEAD + "lease: 0s\n", "bad-value"),
    "a rate of everything": (_with("2.5Gbit/s", "999999999999999999Tbit/s"), "bad-value"),
    # parts of the wrong kind
    "hosts as text": ("plan: x\nhosts: dome\nlinks: {}\n", "wrong-type"),
    "hosts as list": ("plan: x\nhosts: [a]\nlinks: {}\n", "wrong-type"),
    "no hosts": ("plan: x\nhosts: {}\nlinks: {}\n", "missing-key"),
    "a host of nothing": (_with("{ssh: dome.obs.example}", ""), "wrong-type"),
    "links as number": ("plan: x\nhosts: {a: {ssh: a}}\nlinks: 1\n", "wrong-type"),
    "end as list": (_with("under_test: dome eth1", "under_test: [dome, eth1]"), "wrong-type"),
    "two far ends": (_with("far: hall eth1", "far: [hall eth1, hall eth2]"), "wrong-type"),
    "an end of lists": (_with("far: hall eth1", "far: [[]]"), "wrong-type"),
    "an end of nothing": (_with("far: hall eth1", "far: ~"), "wrong-type"),
    "a hold of text": (HEAD + "hold: [mtu]\n", "wrong-type"),
    "a hold as mapping": (HEAD + "hold: {setting: mtu}\n", "wrong-type"),
    "factors as list": (HEAD + "factors: [mtu]\n", "wrong-type"),
    "a factor of nothing": (HEAD + "factors: {mtu: }\n", "wrong-type"),
    "levels of mappings": (HEAD + "factors: {mtu: [{}]}\n", "bad-level"),
    "levels of lists": (HEAD + "factors: {streams: [[1]]}\n", "bad-level"),
    "levels of nothing": (HEAD + "factors: {streams: [~]}\n", "bad-level"),
    "only as text": (HEAD + "factors: {mtu: {levels: [1500], only: udp}}\n", "wrong-type"),
    "leave_out as mapping": (HEAD + "leave_out: {mtu: 1}\n", "wrong-type"),
    "leave_out of text": (HEAD + "leave_out: [x]\n", "wrong-type"),
    "trial as list": (HEAD + "trial: [10s]\n", "wrong-type"),
    "a purpose of a list": (HEAD + "purpose: [a]\n", "wrong-type"),
    "too many factors": (
        HEAD + "factors:\n" + "".join(f"  f{n}: {{levels: {{a: {{}}, b: {{}}}}}}\n" for n in range(400)),
        "too-many-cells",
    ),
    "too many levels": (HEAD + "factors:\n  mtu:\n" + "".join(f"  - {n}\n" for n in range(68, 6000)), "too-many-cells"),
    "factors that wait for each other": (
        HEAD
        + "factors:\n"
        + "".join(f"  f{n}: {{levels: {{a: {{}}}}, only: {{f{(n + 1) % 60}: a}}}}\n" for n in range(60)),
        "clash",
    ),
    "a cell against the results": (HEAD + "factors: {status: {levels: {a: {}}}}\n", "bad-name"),
    # names and values that would like to be something else
    **{
        f"host name {name[:12]!r}": (
            _with("hall: {", f"hall: {{ssh: x}}\n  {_quoted(name)}: {{"),
            "not-text" if name == "\u0000" else "not-text" if "\u202e" in name else "bad-name",
        )
        for name in NAMES
    },
    **{
        f"ssh name {name[:12]!r}": (
            _with("ssh: dome.obs.example", f"ssh: {_quoted(name)}"),
            "not-text" if name == "\u0000" or "\u202e" in name else "bad-value",
        )
        for name in NAMES
        if name not in {"CON"}
    },
    **{
        f"interface {name[:12]!r}": (
            _with("dome eth1", _quoted(f"dome {name}")),
            "not-text" if name == "\u0000" or "\u202e" in name else "bad-value",
        )
        for name in NAMES
        if name not in {"CON"}
    },
    **{
        f"plan name {name[:12]!r}": (
            _with("plan: dome-to-hall", f"plan: {_quoted(name)}"),
            "not-text" if name == "\u0000" or "\u202e" in name else "bad-value",
        )
        for name in NAMES
    },
}
