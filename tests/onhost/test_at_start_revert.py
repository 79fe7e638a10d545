"""The script that a start runs: it puts boot files back whole, whenever it is cut, and leaves nothing of itself."""

from __future__ import annotations

import errno
import os
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

from orchestrator.onhost.at_start import boot_files, hooks, revert
from orchestrator.onhost.at_start.boot_loader import with_next_entry
from orchestrator.onhost.at_start.managed_lines import BLOCK, WORDS, with_lines
from orchestrator.onhost.at_start.next_start import RealNextStart
from orchestrator.onhost.safety.record import boot_id

ORIGINAL, CHANGED = b"first=1\n", b"first=1\ncore-volts=2\n"
SHELLS = [["/bin/sh"], *([["busybox", "sh"]] if shutil.which("busybox") else [])]
STEPS = ("cat", "cmp", "chown", "chmod", "sync", "mv", "rm", "mkdir", "rmdir")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A host's folders under a temporary one; what is armed was armed in an earlier start."""
    monkeypatch.setattr(revert, "FOLDER", str(tmp_path / "lib/at-start"))
    monkeypatch.setattr(revert, "SCRIPT", str(tmp_path / "lib/at-start/revert"))
    monkeypatch.setattr(revert, "NOTES", str(tmp_path / "run/started"))
    monkeypatch.setattr(revert, "boot_id", lambda: "an-earlier-start")
    hook = hooks.Hook("a test", lambda root: True, lambda script, root: None, lambda script, root: None)
    monkeypatch.setattr(hooks, "hook_of", lambda root="": hook)
    for name in ("boot", "lib", "run"):
        (tmp_path / name).mkdir()
    (tmp_path / "boot/config").write_bytes(ORIGINAL)
    (tmp_path / "boot/config").chmod(0o640)
    return tmp_path


def change(place: Path) -> tuple[Path, Path]:
    """Two boot files armed and changed: one that was there, one that was not."""
    there, new = place / "boot/config", place / "boot/choice-once"
    for path, content in ((there, CHANGED), (new, b"6.12.9-dome\n")):
        original = boot_files.read_file(str(path))
        revert.arm_file(str(path), original, content)
        boot_files.write_file(str(path), boot_files.with_content(original, content))
    assert stat.S_IMODE(there.stat().st_mode) == 0o640
    return there, new


def start(place: Path, shell: list[str], path: str = "") -> None:
    (place / "run/started").mkdir(exist_ok=True)
    environment = {"PATH": f"{path}:/usr/sbin:/usr/bin:/sbin:/bin" if path else "/usr/sbin:/usr/bin:/sbin:/bin"}
    subprocess.run([*shell, revert.SCRIPT], check=False, env=environment, capture_output=True, timeout=60)


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
def test_a_start_puts_files_back_notes_what_it_found_and_leaves_nothing(place: Path, shell: list[str]) -> None:
    there, new = change(place)
    start(place, shell)
    assert there.read_bytes() == ORIGINAL
    assert stat.S_IMODE(there.stat().st_mode) == 0o640
    assert not new.exists()
    assert not (place / "lib/at-start").exists()
    assert sorted(path.name for path in (place / "boot").iterdir()) == ["config"]
    notes = place / "run/started" / boot_id()
    assert (notes / revert.key_of(str(there))).read_bytes() == CHANGED
    assert (notes / revert.key_of(str(new))).read_bytes() == b"6.12.9-dome\n"


def test_what_the_loader_has_used_up_is_no_note(place: Path) -> None:
    _, new = change(place)
    new.unlink()
    start(place, SHELLS[0])
    assert not new.exists()
    there, note = place / "boot/config", place / "run/started" / boot_id()
    assert [path.name for path in note.iterdir()] == [revert.key_of(str(there))]


def test_run_by_hand_in_the_start_that_changed_it_puts_back_and_claims_no_start(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(revert, "boot_id", boot_id)
    there, new = change(place)
    start(place, SHELLS[0])
    assert there.read_bytes() == ORIGINAL
    assert not new.exists()
    assert not (place / "run/started").exists()


# --- somebody else's change, and file systems that are not as they were -------------------------------------------
def test_what_somebody_else_wrote_since_stays(place: Path) -> None:
    there, new = change(place)
    there.write_bytes(b"first=1\nmine=1\n")
    new.write_bytes(b"5.0.0-mine\n")
    assert not revert.holds_written(str(there))
    start(place, SHELLS[0])
    assert there.read_bytes() == b"first=1\nmine=1\n"
    assert new.read_bytes() == b"5.0.0-mine\n"
    assert not (place / "lib/at-start").exists()


def test_our_lines_are_taken_out_of_what_somebody_else_wrote_around_them(place: Path) -> None:
    there = place / "boot/config"
    original = boot_files.read_file(str(there))
    written = with_lines(ORIGINAL, ["core-volts=2"], BLOCK)
    revert.arm_file(str(there), original, written)
    there.write_bytes(written + b"mine=1\n")
    start(place, SHELLS[0])
    assert there.read_bytes() == ORIGINAL + b"mine=1\n"
    assert stat.S_IMODE(there.stat().st_mode) == 0o640
    assert [path.name for path in (place / "boot").iterdir()] == ["config"]


@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
@pytest.mark.parametrize(
    ("edited", "then"),
    [
        (b"root=/dev/dome a.b=1 c=\\2 mine\n", b"root=/dev/dome mine\n"),
        (b"mine root=/dev/dome a.b=1 c=\\2\n", b"mine root=/dev/dome\n"),
        (b"root=/dev/dome a.b=1 c=\\22\n", b"root=/dev/dome a.b=1 c=\\22\n"),
        (b"root=/dev/dome mine\n", b"root=/dev/dome mine\n"),
    ],
)
def test_our_words_are_taken_out_of_a_line_that_somebody_else_changed(
    place: Path, shell: list[str], edited: bytes, then: bytes
) -> None:
    there = place / "boot/config"
    there.write_bytes(b"root=/dev/dome\n")
    original = boot_files.read_file(str(there))
    for words in (["quiet"], ["a.b=1", "c=\\2"]):  # the last one written is what stands there
        revert.arm_file(str(there), original, with_lines(b"root=/dev/dome\n", words, WORDS))
    there.write_bytes(edited)
    start(place, shell)
    assert there.read_bytes() == then
    assert not (place / "lib/at-start").exists()


def test_a_file_that_somebody_else_wrote_anew_stays_byte_for_byte(place: Path) -> None:
    there, _ = change(place)
    there.write_bytes(b"mine = 1\n  no line's end")
    start(place, SHELLS[0])
    assert there.read_bytes() == b"mine = 1\n  no line's end"
    assert not (place / "lib/at-start").exists()


def test_of_several_levels_written_for_one_start_any_is_ours(place: Path) -> None:
    there, _ = change(place)
    revert.arm_file(str(there), boot_files.read_file(str(there)), b"second\n")
    assert revert.holds_written(str(there))  # a cut came before the second was written
    start(place, SHELLS[0])
    assert there.read_bytes() == ORIGINAL


def test_a_block_that_the_boot_loader_wrote_into_meanwhile_is_restored(place: Path) -> None:
    block, empty = place / "boot/grubenv", b"# GRUB Environment Block\n" + b"#" * 999
    block.write_bytes(empty)
    chosen = with_next_entry(empty, "new")
    revert.arm_file(str(block), boot_files.read_file(str(block)), chosen)
    block.write_bytes(chosen.replace(b"next_entry=new\n", b"next_entry=\nrecordfail=1\n")[:1024])
    start(place, SHELLS[0])
    assert block.read_bytes() == empty


def test_while_the_boot_file_system_is_not_mounted_everything_stays_armed(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(revert, "mount_of", lambda path: os.fsencode(place / "boot"))
    there, new = change(place)
    for path in (there, new):
        path.rename(place / path.name)  # as they look before the file system that has them is mounted
    start(place, SHELLS[0])
    assert not list((place / "boot").iterdir())
    assert revert.armed_original(str(there)) is not None
    assert revert.armed_original(str(new)) is not None
    monkeypatch.setattr(revert, "mount_of", lambda path: b"")
    monkeypatch.setattr(revert, "boot_id", boot_id)
    with pytest.raises(OSError, match="not mounted"):
        RealNextStart().read(str(there))  # nor does the helper put anything there and call it done


def test_where_a_file_is_mounted_is_spelled_as_the_kernel_does() -> None:
    assert boot_files.mount_of("/proc/self/stat") == b"/proc"
    assert boot_files.mount_of("/nowhere/at/all") == b""


def test_a_write_that_fails_leaves_nothing_beside_the_file(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int, content: memoryview) -> int:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(OSError, match="full"):
        boot_files.write_file(str(place / "boot/config"), boot_files.with_content(None, CHANGED))
    assert [path.name for path in (place / "boot").iterdir()] == ["config"]
    assert (place / "boot/config").read_bytes() == ORIGINAL


def test_a_full_boot_file_system_keeps_it_armed_with_nothing_beside_the_file(place: Path) -> None:
    there, _ = change(place)
    shims = place / "shims"
    shims.mkdir()
    (shims / "cat").write_text('#!/bin/sh\ncase "$1" in */original) printf half; exit 1;; esac\nexec /bin/cat "$@"\n')
    (shims / "cat").chmod(0o755)
    start(place, SHELLS[0], str(shims))
    assert there.read_bytes() == CHANGED
    assert [path.name for path in (place / "boot").iterdir()] == ["config"]
    start(place, SHELLS[0])
    assert there.read_bytes() == ORIGINAL
    assert not (place / "lib/at-start").exists()


def test_disarmed_the_next_start_runs_nothing(place: Path) -> None:
    there, new = change(place)
    assert revert.armed_original(str(there)) == {
        "file": boot_files.with_content({"mode": 0o640, "uid": os.getuid(), "gid": os.getgid()}, ORIGINAL)
    }
    assert revert.armed_original(str(new)) == {"file": None}
    revert.disarm(revert.key_of(str(there)))
    assert revert.armed_original(str(there)) is None
    assert revert.armed_original(str(new)) is not None
    revert.disarm(revert.key_of(str(new)))
    assert not (place / "lib/at-start").exists()


def test_the_first_original_counts_however_often_it_is_armed(place: Path) -> None:
    there, _ = change(place)
    revert.arm_file(str(there), boot_files.read_file(str(there)), CHANGED)
    start(place, SHELLS[0])
    assert there.read_bytes() == ORIGINAL


def test_a_command_is_undone_and_kept_armed_while_it_fails(place: Path) -> None:
    value = place / "value"
    value.write_text("fast\n")
    revert.arm_command("tuning", f"test -d {place}/ready && echo slow >{value}", f"cat {value}", "fast")
    start(place, SHELLS[0])
    assert (place / "lib/at-start").exists()
    (place / "ready").mkdir()
    start(place, SHELLS[0])
    assert value.read_text() == "slow\n"
    assert not (place / "lib/at-start").exists()


@pytest.mark.parametrize(("now", "then"), [("fast", "slow"), ("faster", "slow"), ("mine", "mine")])
def test_a_command_undoes_only_what_a_trial_gave(place: Path, now: str, then: str) -> None:
    value = place / "value"
    for level in ("fast", "faster"):
        revert.arm_command("tuning", f"echo slow >{value}", f"cat {value}", level)
    value.write_text(f"{now}\n")
    start(place, SHELLS[-1])
    assert value.read_text() == f"{then}\n"
    assert not (place / "lib/at-start").exists()


def test_a_file_that_the_loader_emptied_is_used_up(place: Path) -> None:
    _, new = change(place)
    new.write_bytes(b"")
    start(place, SHELLS[0])
    assert not new.exists()


def test_late_or_never_run_by_the_host_the_helper_runs_it_before_it_reads(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    there, _ = change(place)
    (place / "run/started").mkdir()
    monkeypatch.setattr(revert, "boot_id", boot_id)
    revert.take_back_if_due()
    assert there.read_bytes() == ORIGINAL
    assert revert.started_with(revert.key_of(str(there))) == CHANGED


def test_cut_at_any_step_the_file_is_whole_and_the_next_start_finishes(place: Path) -> None:
    shims = place / "shims"
    shims.mkdir()
    for name in STEPS:
        (shims / name).write_text(
            f"#!/bin/sh\nn=$(($(/bin/cat {place}/count) + 1)); echo $n >{place}/count\n"
            f'if [ $n -eq $(/bin/cat {place}/at) ]; then kill -9 $PPID; exit 1; fi\nexec /bin/{name} "$@"\n'
        )
        (shims / name).chmod(0o755)
    cut = 0
    for at in range(1, 200):
        (place / "boot/config").write_bytes(ORIGINAL)
        (place / "boot/config").chmod(0o640)
        there, new = change(place)
        (place / "count").write_text("0\n")
        (place / "at").write_text(f"{at}\n")
        start(place, SHELLS[0], str(shims))
        assert there.read_bytes() in (ORIGINAL, CHANGED), f"cut at step {at}"
        through = int((place / "count").read_text()) < at
        subprocess.run(["rm", "-rf", str(place / "run/started")], check=True)  # as /run is after a restart
        if (place / "lib/at-start/revert").exists():
            start(place, SHELLS[0])
        assert there.read_bytes() == ORIGINAL, f"cut at step {at}"
        assert not new.exists(), f"cut at step {at}"
        assert not (place / "lib/at-start").exists(), f"cut at step {at}"
        assert not list((place / "boot").glob("*.linktrial-new")), f"cut at step {at}"
        if through:
            break
        cut += 1
    assert cut >= 20


# --- the four ways to be run --------------------------------------------------------------------------------------
def tree(root: Path) -> dict[str, str]:
    return {
        str(path.relative_to(root)): (str(path.readlink()) if path.is_symlink() else path.read_text())
        for path in sorted(root.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


def process(root: Path, number: int, name: str, users: str = "0 0 0 0") -> Path:
    """A process as /proc shows it, run by these users (real, effective, saved, of the file system)."""
    folder = root / "proc" / str(number)
    folder.mkdir()
    (folder / "comm").write_text(f"{name}\n")
    (folder / "status").write_text(f"Name:\t{name}\nUid:\t" + "\t".join(users.split()) + "\nGid:\t0\t0\t0\t0\n")
    return folder


def host_of(root: Path, kind: str) -> None:
    for folder in ("etc/systemd/system", "etc/cron.d", "proc/1", "run"):
        (root / folder).mkdir(parents=True)
    (root / "proc/1/comm").write_text("init\n")
    if kind == "systemd":
        (root / "run/systemd/system").mkdir(parents=True)
    if kind == "openrc":
        (root / "etc/local.d").mkdir()
        (root / "run/openrc").mkdir()
        (root / "etc/runlevels/default").mkdir(parents=True)
        (root / "etc/runlevels/default/local").symlink_to("/etc/init.d/local")
    if kind in ("cron", "systemd"):
        process(root, 7, "cron")
    if kind == "rc":
        (root / "etc/rc.local").write_text("#!/bin/sh -e\necho hello\nexit 0\n")
        (root / "etc/rc.local").chmod(0o755)


@pytest.mark.parametrize(
    ("kind", "name", "where"),
    [
        ("systemd", "a systemd unit", "etc/systemd/system/linktrial-at-start.service"),
        ("openrc", "a script in /etc/local.d", "etc/local.d/linktrial-at-start.start"),
        ("cron", "an @reboot line of cron", "etc/cron.d/linktrial-at-start"),
        ("rc", "a line in /etc/rc.local", "etc/rc.local"),
    ],
)
def test_the_way_that_the_host_has_is_used_and_removed_without_a_trace(
    tmp_path: Path, kind: str, name: str, where: str
) -> None:
    host_of(tmp_path, kind)
    before = tree(tmp_path)
    hook = hooks.hook_of(str(tmp_path))
    assert hook is not None
    assert hook.name == name
    hook.install("/var/lib/x/revert", str(tmp_path))
    hook.install("/var/lib/x/revert", str(tmp_path))
    assert (tmp_path / where).read_text().count("/bin/sh /var/lib/x/revert") == 1
    hooks.remove_all("/var/lib/x/revert", str(tmp_path))
    assert tree(tmp_path) == before


def test_a_host_without_any_way_has_none(tmp_path: Path) -> None:
    host_of(tmp_path, "nothing")
    assert hooks.hook_of(str(tmp_path)) is None
    (tmp_path / "etc/rc.local").write_text("exit 0\n")  # there, but not run: not executable
    assert hooks.hook_of(str(tmp_path)) is None


def test_a_way_that_is_there_and_never_run_is_none(tmp_path: Path) -> None:
    host_of(tmp_path, "openrc")
    (tmp_path / "etc/runlevels/default/local").unlink()  # as OpenRC is installed: the service is in no runlevel
    assert hooks.hook_of(str(tmp_path)) is None
    (process(tmp_path, 7, "crond") / "exe").symlink_to("/bin/busybox")  # which does not read /etc/cron.d
    assert hooks.hook_of(str(tmp_path)) is None


@pytest.mark.parametrize("users", ["1000 1000 1000 1000", "1000 0 0 0", "0 1000 0 0", ""])
def test_a_process_that_calls_itself_cron_is_none_unless_root_runs_it(tmp_path: Path, users: str) -> None:
    host_of(tmp_path, "nothing")
    process(tmp_path, 7, "cron", users)
    assert hooks.hook_of(str(tmp_path)) is None
    process(tmp_path, 8, "cron")
    assert hooks.hook_of(str(tmp_path)) is not None


def test_another_program_of_roots_that_bears_the_name_is_none(tmp_path: Path) -> None:
    host_of(tmp_path, "nothing")
    (process(tmp_path, 7, "cron") / "exe").symlink_to("/usr/bin/sleep")
    assert hooks.hook_of(str(tmp_path)) is None
    (process(tmp_path, 8, "cron") / "exe").symlink_to("/usr/sbin/cron (deleted)")  # updated, and still running
    assert hooks.hook_of(str(tmp_path)) is not None


@pytest.mark.parametrize(
    ("kind", "what"),
    [
        ("systemd", "run/systemd/system"),
        ("openrc", "etc/local.d"),
        ("openrc", "run/openrc"),
        ("cron", "etc/cron.d"),
        ("rc", "etc/rc.local"),
    ],
)
def test_a_way_that_anybody_could_have_made_is_none(tmp_path: Path, kind: str, what: str) -> None:
    host_of(tmp_path, kind)
    if kind == "systemd":
        (tmp_path / "proc/7/comm").write_text("other\n")
    assert hooks.hook_of(str(tmp_path)) is not None
    (tmp_path / what).chmod(0o777)
    assert hooks.hook_of(str(tmp_path)) is None


def removed_by_the_script(root: Path, script: str) -> None:
    """What the script itself does at its end, with these folders."""
    lines = "\n".join(hooks.removal_lines()).replace("/etc/", f"{root}/etc/")
    subprocess.run(["/bin/sh", "-c", f"self={script}\n{lines}"], check=True, timeout=10)


@pytest.mark.parametrize("kind", ["systemd", "openrc", "cron", "rc"])
def test_the_script_removes_its_hook_without_a_trace(tmp_path: Path, kind: str) -> None:
    host_of(tmp_path, kind)
    before, folders = tree(tmp_path), sorted(tmp_path.rglob("*"))
    hook = hooks.hook_of(str(tmp_path))
    assert hook is not None
    hook.install("/var/lib/x/revert", str(tmp_path))
    removed_by_the_script(tmp_path, "/var/lib/x/revert")
    assert tree(tmp_path) == before
    assert sorted(tmp_path.rglob("*")) == folders


def test_an_rc_script_that_is_being_read_runs_on_and_stays_a_link_with_its_mode(tmp_path: Path) -> None:
    host_of(tmp_path, "nothing")
    real, link = tmp_path / "etc/rc.d-local", tmp_path / "etc/rc.local"
    text = f"#!/bin/bash\n{''.join(f'echo {number} >>{tmp_path}/said{chr(10)}' for number in range(100, 200))}"
    real.write_text(text)
    real.chmod(0o755)
    link.symlink_to("rc.d-local")
    script = tmp_path / "revert"
    lines = "\n".join(hooks.removal_lines()).replace("/etc/", f"{tmp_path}/etc/")
    script.write_text(f"self={script}\n{lines}\n")
    hook = hooks.hook_of(str(tmp_path))
    assert hook is not None
    hook.install(str(script), str(tmp_path))
    subprocess.run(["/bin/bash", str(link)], check=True, timeout=10)
    assert (tmp_path / "said").read_text().split() == [str(number) for number in range(100, 200)]
    assert link.is_symlink()
    assert real.read_text() == text
    assert stat.S_IMODE(real.stat().st_mode) == 0o755


def test_a_script_that_hangs_is_an_answer_of_the_host(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    change(place)
    Path(revert.SCRIPT).write_text("sleep 5\n")
    monkeypatch.setattr(revert, "boot_id", boot_id)
    monkeypatch.setattr(revert, "_TIMEOUT_S", 0.1)
    with pytest.raises(OSError, match="did not end"):
        revert.take_back_if_due()
