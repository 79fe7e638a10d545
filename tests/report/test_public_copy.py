"""A public copy holds what is known to be harmless and nothing else; what makes a run worth reading stays."""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import random
import re
import shutil
import struct
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from orchestrator.cli.report import command
from orchestrator.decide.verdict.doubts import DOUBTS
from orchestrator.faults import BugError, PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import PlanProblems, load
from orchestrator.planning.traffic import TRAFFIC_FACTORS
from orchestrator.report import public
from orchestrator.report.public import look_again
from orchestrator.report.public.fields import Fields
from orchestrator.report.public.names import Names
from orchestrator.report.public.reviewed import SCENARIO, SETTINGS, TRAFFIC
from orchestrator.report.public.scrubber import Scrubber
from orchestrator.report.public.sentences import sentences, words
from orchestrator.report.public.stand_ins import StandIns
from orchestrator.results.read_run import read_run
from orchestrator.run_files import Folder
from tests.report.planted import KINDS, found_in
from tests.report.published import faults_of_the_copy, run_with_secrets
from tests.results.synthetic import Scenario, make_run

SEED = int(os.environ.get("LINKTRIAL_SEED", "1"))
PLAN = """# for Marta
plan: dome-to-hall
hosts:
  dome: {ssh: dome.obs.example, user: marta, privilege: sudo}
  hall: {ssh: hall}
links:
  uplink: {under_test: dome eth1, far: hall eth1, rate: 2.5Gbit/s}
factors:
  mtu: [1500, 9000]
  clock: {setting: governor, at: dome, levels: [powersave, performance]}
  protections: {setting: boot-lines, at: dome, file: /boot/parameters, levels: [[], [mitigations=off]]}
  fan: {setting: command, at: dome, levels: [slow, fast], read: [fan-is], write: [fan, "{level}"]}
trial: {length: 10s, replicates: 3}
"""


@pytest.fixture(scope="module")
def run(run_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An ordinary run, as our own demo makes one."""
    folder = tmp_path_factory.mktemp("ordinary") / run_folder.name
    shutil.copytree(run_folder, folder)
    (folder / "plan.yaml").write_text(PLAN)
    record = json.loads((folder / "run.json").read_text())
    identity = {
        "release": "6.1.0-18-arm64",
        "build": "#1 SMP PREEMPT Debian",
        "modules": ["veth", "stella 0af3"],
        "boot_parameters": "quiet mitigations=off isolcpus=2-3 root=LABEL=nightsky console=ttyS0,115200",
    }
    for host in record["hosts"].values():
        host["facts"] |= {"kernel": "6.1.0-18-arm64", "kernel_identity": identity}
        host["facts"]["interfaces"][0] |= {"driver": "igc", "driver_version": "6.1.0-18-arm64", "firmware": "1.2.7"}
    record["notes"] = ["dome: gave no sign of life; its power was switched off and on", "the night watch is Marta"]
    (folder / "run.json").write_text(json.dumps(record))
    (folder / "survey-before.json").write_text(
        json.dumps({name: host["facts"] for name, host in record["hosts"].items()})
    )
    return folder


@pytest.fixture(scope="module")
def copy(run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("public") / "copy"
    public.publish(run, target)
    return target


def judged(text: str, *names: tuple[str, str]) -> str:
    known = Names()
    for kind, name in names:
        known.add(kind, name)
    return Scrubber(known).text(text)


# -- nothing of what was planted


def test_secrets_of_every_kind_in_every_field_are_in_no_file_of_the_copy_which_still_reads(tmp_path: Path) -> None:
    """`bash tests/proofs.sh public COUNT SEED` does it as often as one likes."""
    faults, planted = faults_of_the_copy(tmp_path, SEED)

    assert faults == []
    assert planted > 5 * len(KINDS)
    assert len(KINDS) >= 40


def test_the_search_itself_finds_every_kind_where_it_was_planted(tmp_path: Path) -> None:
    """Otherwise the test above would prove nothing: the run is searched as its copy is."""
    run, planted = run_with_secrets(tmp_path, SEED)

    found = "\n".join(found_in(run, planted))
    assert [kind for kind in KINDS if f": {kind} of " not in found] == []


@pytest.mark.parametrize("kind", KINDS)
def test_in_a_sentence_of_ours_a_secret_does_not_pass_for_what_belongs_there(kind: str) -> None:
    chance = random.Random(f"{kind} {SEED}")
    for doubt in DOUBTS.values():
        text, parts = KINDS[kind](chance)
        holes = re.findall(r"\{[a-z_0-9]+\}", doubt.sentence)
        if holes:
            sentence = re.sub(r"\{[a-z_0-9]+\}", "7", doubt.sentence.replace(chance.choice(holes), text, 1))
            shown = judged(sentence)
            if not text.isdigit():  # where our sentence has a figure, figures are figures
                assert [part for part in parts if part.casefold() in shown.casefold()] == []


@pytest.mark.parametrize("name", ["table", "valid"])
def test_a_host_that_is_called_like_one_of_our_words_cannot_be_told(tmp_path: Path, name: str) -> None:
    """Where a host's name stands there is a stand-in; where our own text has the word, it is our word."""
    copies = [copy_of_hosts(tmp_path / "copy", name, "hall"), copy_of_hosts(tmp_path / "other", "dome", "hall")]

    for file in ("trials.csv", "hosts.csv", "cells.csv", "report.md", "plan.yaml"):
        assert copies[0][file] == copies[1][file]


@pytest.mark.parametrize("name", ["mtu", "eth1"])
def test_a_host_that_is_called_like_a_factor_or_an_interface_has_both_replaced(tmp_path: Path, name: str) -> None:
    copied = copy_of_hosts(tmp_path, name, "hall")

    assert [file for file in ("hosts.csv", "cells.csv") if re.search(rf"(?m)(^|,){name}(,|$)", copied[file])] == []


def copy_of_hosts(below: Path, *hosts: str) -> dict[str, str]:
    """The files of the copy of a small run between these hosts."""
    below.mkdir(exist_ok=True)
    scenario = Scenario(factors={"mtu": [1500]}, replicates=1, hosts=(hosts[0], hosts[1]), series=False)
    folder = make_run(below, scenario)
    record = json.loads((folder / "run.json").read_text())
    record |= {"instrument": {}, "as_found": {hosts[0]: {"ok": True, "left": []}}, "notes": [f"{hosts[0]}: is unwell"]}
    (folder / "run.json").write_text(json.dumps(record))
    public.publish(folder, below / "copy")
    return {path.name: path.read_text() for path in (below / "copy").glob("*.[cmy]*") if path.suffix != ".gz"}


def test_the_interface_that_a_person_or_a_mac_named_is_replaced() -> None:
    fields = Fields(Scrubber(Names()))

    assert [fields.interface(name) for name in ("eth1", "enp3s0f1np1", "lo")] == ["eth1", "enp3s0f1np1", "lo"]
    assert [fields.interface(name) for name in ("enx020005e10a07", "wlx020005e10a07", "martas0")] == [
        "interface-1",
        "interface-2",
        "interface-3",
    ]


def test_one_mac_or_address_has_one_stand_in_however_it_is_spelled() -> None:
    stand_ins = StandIns(["host-1"])
    macs = {stand_ins.give("MAC", text) for text in ("02:00:5E:10:00:07", "02-00-5e-10-00-07", "0200.5e10.0007")}
    spellings = ("fd00::1", "FD00:0:0::1", "fd00::1/64", "[fd00::1]:22")
    addresses = {stand_ins.give("IPv6 address", text) for text in spellings}

    assert macs == {"00:00:5e:00:53:01"}  # RFC 7042 section 2.1.2
    assert addresses == {"2001:db8::1"}  # RFC 3849
    assert stand_ins.give("IPv4 address", "198.18.0.11") == "192.0.2.1"  # RFC 5737
    assert stand_ins.give("host", "dome") == "host-2"  # host-1 is somebody's own name here


# -- what stays


def test_the_figures_are_the_same(run: Path, copy: Path) -> None:
    numbers = ["trial", "cell", "goodput_bit_s", "fill", "datagrams_lost", "sender_busiest_core_busy"]
    words_kept = ["status", "way", "mtu", "transport", "direction", "intended_load", "started_at"]

    kept = numbers + words_kept
    pd.testing.assert_frame_equal(read_run(run).trials[kept], read_run(copy).trials[kept])


def test_kernels_drivers_and_harmless_boot_parameters_stay(copy: Path) -> None:
    facts = next(iter(json.loads((copy / "survey-before.json").read_text()).values()))

    assert facts["kernel"] == facts["interfaces"][0]["driver_version"] == "6.1.0-18-arm64"
    assert (facts["interfaces"][0]["driver"], facts["interfaces"][0]["firmware"]) == ("igc", "1.2.7")
    assert (
        facts["kernel_identity"]["boot_parameters"]
        == "quiet mitigations=off isolcpus=2-3 boot-parameter-1 console=ttyS0,115200"
    )
    assert facts["kernel_identity"]["modules"][0] == "veth"
    assert facts["interfaces"][0]["speed_bit_s"] == 2_500_000_000
    assert "6.1.0-18-arm64" in (copy / "report.html").read_text()


def test_notes_and_reasons_of_ours_stay_and_others_do_not(copy: Path) -> None:
    notes = json.loads((copy / "run.json").read_text())["notes"]

    assert notes[0] == "host-1: gave no sign of life; its power was switched off and on"
    assert "Marta" not in notes[1]
    assert "t, n 3" in set(read_run(copy).cells["interval_method"])
    assert "path_too_small" in set(read_run(copy).trials["doubts"])
    assert "4.1 % of the bytes on the link were not ours" in set(read_run(copy).trials["reason"])


def test_every_doubt_is_said_in_the_copy_as_in_the_run() -> None:
    """With figures in its holes nothing of a sentence is lost, and a host in them has its stand-in."""
    lost = {}
    for code, doubt in DOUBTS.items():
        text = doubt.sentence.replace("{host}", "dome").replace("{interface}", "eth1")
        text = re.sub(r"\{[a-z_0-9]+\}", "9000", text)
        shown = judged(text, ("host", "dome"))
        if re.search("[a-z]", text) and shown != text.replace("dome", "host-1"):
            lost[code] = (text, shown)
    assert lost == {}


def test_the_plan_is_read_like_any_other_with_its_settings_and_levels(copy: Path) -> None:
    text = (copy / "plan.yaml").read_text()
    try:
        plan = load(text, catalogue=CATALOGUE)
    except PlanProblems as error:
        pytest.fail("\n".join(str(problem) for problem in error.problems) + text)

    assert list(plan.factors["mtu"].levels[0].changes) != []
    assert plan.factors["mtu"].levels[1].shown == 9000
    assert "setting: governor" in text
    assert "mitigations=off" in text
    assert not re.search(r"(?i)marta|dome|hall|uplink|obs\.example|fan-is", text)


def test_the_same_thing_has_the_same_stand_in_everywhere(copy: Path) -> None:
    data = read_run(copy)
    sender = set(data.trials.loc[data.trials["way"] == "transmit", "sender"])

    assert sender == {"host-1"}
    assert sender <= set(data.run["hosts"])
    assert sender <= set(data.hosts["host"])
    assert "host-1 eth1" in (copy / "plan.yaml").read_text()


def test_the_reviewed_settings_and_traffic_factors_are_all_there_are() -> None:
    assert set(CATALOGUE) == SETTINGS
    assert set(TRAFFIC_FACTORS) == TRAFFIC


def test_our_own_texts_are_recognised_and_none_of_them_has_a_name_of_the_examples() -> None:
    assert len(sentences()) > 500
    assert {"goodput", "receiver", "datagrams"} <= words()
    assert not words() & SCENARIO


@pytest.mark.parametrize("text", ["127.0.0.1", "::1", "0.2 s", "mtu=9000", "90 % of the datagrams", "2.5 Gb/s", "eth1"])
def test_what_names_nobody_stays(text: str) -> None:
    scrubber = Scrubber(Names())

    assert (scrubber.address(text) if text in ("127.0.0.1", "::1") else scrubber.text(text)) == text


# -- how it is said and done


def test_what_was_replaced_left_out_and_is_to_be_read_is_listed(run: Path) -> None:
    """By default the copy lies beside the run, under a name of stand-ins."""
    done = CliRunner(catch_exceptions=False).invoke(command, [str(run), "--public"], standalone_mode=False)
    copy = run.parent / "plan-1-20260301T210000Z-4f2a-public"
    said = json.loads((copy / "run.json").read_text())["public"]

    assert done.return_value == 0
    assert {"host", "user", "link", "MAC", "IPv4 address", "boot parameter"} <= set(said["replaced"])
    assert "left out: log.txt" in done.stderr
    assert "read before you publish: report.html: " in done.stderr
    assert not {"journal.jsonl", "log.txt"} & {path.name for path in copy.iterdir()}
    assert "What was replaced" in (copy / "report.html").read_text()


def test_the_checksums_hold(copy: Path) -> None:
    sums = dict(reversed(line.split("  ", 1)) for line in (copy / "SHA256SUMS").read_text().splitlines())

    assert set(sums) == {str(path.relative_to(copy)) for path in copy.rglob("*") if path.is_file()} - {"SHA256SUMS"}
    assert all(hashlib.sha256((copy / name).read_bytes()).hexdigest() == digest for name, digest in sums.items())


def test_a_folder_that_holds_something_is_refused(run: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")

    with pytest.raises(PlanError, match="not empty"):
        public.publish(run, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("table.csv.gz", gzip.compress(b"a,b\n1,Nightsky-7\n", mtime=0)),
        ("page.html", b"<p>night<!-- nightsky-7 --></p>"),
        ("page.html", b"<a title='&#110;ightsky-7'>"),
        ("drawing.svg", b"<svg><title>nights&#107;y-7</title></svg>"),
        ("run.json", b'{"a": ["\\u006eightsky-7"]}'),
        ("report.md", b"see file:///%6Eightsky-7/x"),
        ("picture.png", b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 16) + b"tEXtTitle\0nightsky-7" + b"0000"),
    ],
)
def test_the_second_look_reads_every_kind_of_file(tmp_path: Path, file: str, content: bytes) -> None:
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / file).write_bytes(content)

    assert look_again.leaks(Folder(tmp_path), [("host", "nightsky-7")]) == [f"inner/{file}"]
    assert look_again.leaks(Folder(tmp_path), [("host", "nightsky-8")]) == []


def test_a_picture_keeps_only_what_draws_it(copy: Path) -> None:
    pictures = [path.read_bytes() for path in copy.rglob("*.png")]

    assert pictures
    assert all(look_again.bare_picture(data) == data for data in pictures)


def test_a_leak_is_found_and_the_copy_removed(run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was replaced in one place must not stand in another."""
    honest = Fields.driver
    monkeypatch.setattr(Fields, "driver", lambda self, text: f"{honest(self, text)} Dome.obs.example")

    with pytest.raises(BugError, match="still named"):
        public.publish(run, tmp_path / "copy")
    assert [path for path in (tmp_path / "copy").rglob("*") if path.is_file()] == []
