"""A public copy names nobody: the same stand-in for the same thing, everywhere, and the figures stay."""

from __future__ import annotations

import gzip
import hashlib
import ipaddress
import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from orchestrator.cli.report import command
from orchestrator.faults import BugError, PlanError
from orchestrator.report import public
from orchestrator.report.scrub import Scrubber
from orchestrator.results.read_run import read_run

PRIVATE = {
    "host": "dome", "other host": "vault", "name": "dome.obs.example", "user": "marta", "account": "marta@vault",
    "IPv4": "198.18.0.11", "IPv6": "2001:db8:77:1::12", "MAC": "02:00:5e:10:00:07", "serial": "SN-4711-X",
    "machine": "machine-dome", "home": "/home/marta/runs", "uuid": "6fa459ea-ee8a-3ca4-894e-db77e160355e",
    "interface": "enx02005e100007"}


@pytest.fixture(scope="module")
def private_run(run_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The made-up run with private things in every file."""
    folder = tmp_path_factory.mktemp("private") / run_folder.name
    shutil.copytree(run_folder, folder)
    line = " ".join(PRIVATE.values())
    (folder / "log.txt").write_text(f"21:00:00 connected: {line}\n")
    (folder / "plan.yaml").write_text(
        "plan: dome-to-vault\nhosts:\n  dome: {ssh: dome.obs.example, user: marta}\n"
        "links:\n  trunk: {ends: [dome:eth1, {host: vault, mac: \"02:00:5e:10:00:07\"}]}\n")
    run = json.loads((folder / "run.json").read_text())
    run |= {"instrument": {"dome": {"tcp": 1.0}, "vault": {"tcp": 2.0}}, "binds": {"board": "dome.obs.example"}}
    (folder / "run.json").write_text(json.dumps(run))
    shutil.copy(folder / "trials.csv", folder / "rehearsal.csv")
    (folder / "survey-before.json").write_text(json.dumps({"dome": {
        "serial": PRIVATE["serial"], "hostname": "dome", "dmi": {"board_serial": "B-99"}, "said": line,
        "interfaces": [{"name": PRIVATE["interface"], "mac": PRIVATE["MAC"]}]}}))
    (folder / "journal.jsonl").write_text(line)
    trials = pd.read_csv(folder / "trials.csv", keep_default_na=False, dtype=str)
    trials["reason"] = trials["reason"].where(trials["status"] == "valid", f"{line}: no route")
    trials.to_csv(folder / "trials.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def copy(private_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("public") / "copy"
    public.publish(private_run, target)
    return target


def texts(folder: Path) -> dict[str, str]:
    return {str(path.relative_to(folder)): (gzip.decompress(path.read_bytes()) if path.suffix == ".gz"
                                            else path.read_bytes()).decode()
            for path in folder.rglob("*") if path.is_file() and path.suffix != ".png"}


@pytest.mark.parametrize("kind", PRIVATE)
def test_no_file_names_it(copy: Path, kind: str) -> None:
    found = re.compile(f"(?i)(?<![a-z0-9]){re.escape(PRIVATE[kind])}(?![a-z0-9])")

    assert [name for name, text in texts(copy).items() if found.search(text)] == []


def test_the_original_does_name_all_of_it(private_run: Path) -> None:
    """Otherwise the test above would prove nothing."""
    everything = "\n".join(texts(private_run).values())

    assert [kind for kind, text in PRIVATE.items() if text not in everything] == []


def test_the_same_thing_has_the_same_stand_in_everywhere(copy: Path) -> None:
    run = read_run(copy)
    name = set(run.trials.loc[run.trials["way"] == "transmit", "sender"])

    assert len(name) == 1
    assert name <= set(run.run["hosts"])
    assert name <= set(run.hosts["host"])
    assert all(f"{host}:eth1" in (copy / "plan.yaml").read_text() for host in name)


def test_stand_ins_are_from_the_documentation_ranges(copy: Path) -> None:
    """RFC 5737, RFC 3849, RFC 7042 section 2.1.2."""
    everything = "\n".join(text for name, text in texts(copy).items() if not name.endswith((".html", ".svg")))
    found = re.findall(r"(?<![\d.])\d+\.\d+\.\d+\.\d+(?![\d.])", everything)
    addresses = {ipaddress.ip_address(text) for text in found}
    documentation = [ipaddress.ip_network(text) for text in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24")]

    assert addresses
    assert all(any(address in network for network in documentation) for address in addresses)
    assert "2001:db8::1" in everything
    assert set(re.findall(r"\b(?:[0-9a-f]{2}:){5}", everything)) == {"00:00:5e:00:53:"}


def test_the_figures_are_the_same(private_run: Path, copy: Path) -> None:
    numbers = ["trial", "cell", "goodput_bit_s", "fill", "datagrams_lost", "sender_busiest_core_busy"]

    pd.testing.assert_frame_equal(read_run(private_run).trials[numbers], read_run(copy).trials[numbers])


def test_what_was_replaced_and_left_out_is_listed(copy: Path) -> None:
    said = json.loads((copy / "run.json").read_text())["public"]

    assert {"host", "user", "serial", "MAC", "IPv4 address", "IPv6 address", "interface"} <= set(said["replaced"])
    assert said["left_out"] == ["journal.jsonl"]
    assert not (copy / "journal.jsonl").exists()
    assert "log.txt" in said["to_read"]
    assert "What was replaced" in (copy / "report.html").read_text()


def test_the_checksums_hold(copy: Path) -> None:
    sums = dict(reversed(line.split("  ", 1)) for line in (copy / "SHA256SUMS").read_text().splitlines())

    assert set(sums) == {str(path.relative_to(copy)) for path in copy.rglob("*") if path.is_file()} - {"SHA256SUMS"}
    assert all(hashlib.sha256((copy / name).read_bytes()).hexdigest() == digest for name, digest in sums.items())


def test_a_folder_that_holds_something_is_refused(private_run: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")

    with pytest.raises(PlanError, match="not empty"):
        public.publish(private_run, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_leak_is_found_and_removed(private_run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A scrubber that forgets names: the second look does not use it."""
    monkeypatch.setattr(Scrubber, "_called", lambda self, text: text)

    with pytest.raises(BugError, match="still named"):
        public.publish(private_run, tmp_path / "copy")
    assert list((tmp_path / "copy").iterdir()) == []


def test_by_default_it_lies_beside_the_run_under_a_scrubbed_name(private_run: Path) -> None:
    done = CliRunner(catch_exceptions=False).invoke(command, [str(private_run), "--public"], standalone_mode=False)
    beside = [path for path in private_run.parent.iterdir() if path.name.endswith("-public")]

    assert done.return_value == 0
    assert [path.name for path in beside] == ["host-1-to-host-2-20260301T210000Z-4f2a-public"]
    assert "left out: journal.jsonl" in done.stderr


@pytest.mark.parametrize("text", ["127.0.0.1", "::1", "255.255.255.255", "12:30:05", "0000:03:00.0", "eth1", "1.10",
                                  "2026-03-01T21:00:12Z", "mtu 1500, 9000", "6.1.0-18-arm64"])
def test_what_names_nobody_stays(text: str) -> None:
    assert Scrubber([("host", "dome")]).text(text) == text


def test_a_version_is_no_address() -> None:
    assert Scrubber().value({"driver_version": "5.15.6.1"}) == {"driver_version": "5.15.6.1"}


def test_a_host_named_like_a_word_of_the_records_is_kept_and_said_to_be(run_folder: Path, tmp_path: Path) -> None:
    """Replacing `kernel` everywhere would make the files unreadable."""
    folder = tmp_path / "run"
    shutil.copytree(run_folder, folder)
    text = (folder / "run.json").read_text().replace('"vault"', '"kernel"')
    (folder / "run.json").write_text(text)
    done, _ = public.publish(folder, tmp_path / "copy")
    written = json.loads((tmp_path / "copy" / "run.json").read_text())

    assert done.kept == ("kernel",)
    assert set(written["hosts"]) == {"host-1", "kernel"}
    assert "kernel" in written["hosts"]["host-1"]["facts"]


def test_scrubbing_twice_changes_nothing_more() -> None:
    scrubber = Scrubber([("host", "dome"), ("user", "marta")])
    once = scrubber.text(" ".join(PRIVATE.values()))

    assert scrubber.text(once) == once


def test_words_of_the_tables_are_not_names() -> None:
    scrubber = Scrubber([("host", "valid"), ("host", "tcp"), ("host", "7")])

    assert scrubber.text("7 valid tcp trials") == "7 valid tcp trials"
