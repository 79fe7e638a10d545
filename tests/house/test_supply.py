"""What is installed is what requirements.lock lists, to the byte, and nothing else."""

import base64
import hashlib
import json
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LOCK = ROOT / "requirements.lock"
PACKAGE = re.compile(r"^[A-Za-z0-9]", re.MULTILINE)


def paragraphs() -> dict[str, str]:
    """Each locked package's lines, by "name==version"."""
    parts = re.split(r"^(?=[A-Za-z0-9])", LOCK.read_text(), flags=re.MULTILINE)[1:]
    return {part.split()[0]: part for part in parts}


def test_every_locked_package_is_pinned_and_has_hashes():
    assert len(paragraphs()) > 40
    for name, lines in paragraphs().items():
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[^=]+", name), name
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", lines), name


def test_what_builds_linktrial_is_the_locked_version():
    about = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert set(about["build-system"]["requires"]) <= set(paragraphs())


def test_every_requirement_of_the_project_is_locked():
    about = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    asked = [*about["dependencies"], *about["optional-dependencies"]["dev"]]
    names = {re.split(r"[^A-Za-z0-9._-]", one)[0].lower().replace("_", "-") for one in asked} - {"linktrial"}
    locked = {name.split("==")[0].lower().replace("_", "-") for name in paragraphs()}
    assert names <= locked


def wheel(folder: Path, name: str) -> Path:
    """A wheel without content, as pip takes it."""
    info = f"{name}-1.0.dist-info"
    files = {
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    rows = [
        f"{path},sha256={base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b'=').decode()},"
        f"{len(text)}"
        for path, text in files.items()
    ]
    path = folder / f"{name}-1.0-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for inside, text in {**files, f"{info}/RECORD": "\n".join([*rows, f"{info}/RECORD,,"])}.items():
            archive.writestr(inside, text)
    return path


@pytest.mark.parametrize(("spoiled", "ends_with"), [(False, 0), (True, 1)])
def test_a_file_that_is_not_the_locked_one_is_not_installed(tmp_path, spoiled, ends_with):
    made = wheel(tmp_path, "harmless_example")
    digest = hashlib.sha256(made.read_bytes()).hexdigest()
    digest = digest[::-1] if spoiled else digest
    (tmp_path / "requirements.lock").write_text(f"harmless-example==1.0 \\\n    --hash=sha256:{digest}\n")
    # Only what is asked of pip, not what it does with linktrial itself: the second call has nothing to install.
    script = f"""
        . {ROOT}/.ci/environment.sh
        checkout={tmp_path} venv=/nowhere
        _pip_install() {{
          case " $* " in *" -e "*) return 0 ;; esac
          {sys.executable} -m pip install --quiet --disable-pip-version-check --no-index --find-links {tmp_path} \\
            --target {tmp_path}/installed "$@"
        }}
        _install_locked dev
    """
    done = subprocess.run(["bash", "-c", script], check=False, capture_output=True, text=True, timeout=60)
    assert (done.returncode != 0) == bool(ends_with), done.stderr
    assert (tmp_path / "installed").exists() != spoiled
    if spoiled:
        assert "DO NOT MATCH THE HASHES" in done.stderr


def test_no_script_installs_anything_but_what_is_locked():
    for script in (ROOT / ".ci" / "environment.sh", ROOT / "examples" / "demo.sh", ROOT / "tests" / "run.sh"):
        for line in script.read_text().splitlines():
            if re.search(r"pip\b.* install\b", line) and not line.lstrip().startswith("#"):
                assert '"$@"' in line, f"{script.name}: {line}"  # only _pip_install itself
            if "_pip_install -" in line or re.search(r"_pip_install --", line):
                assert "--require-hashes" in line or "--no-deps --no-build-isolation" in line, line


def test_the_bill_of_materials_names_every_locked_package_with_its_hashes():
    done = subprocess.run(
        [sys.executable, ROOT / ".ci" / "bill_of_materials.py"], capture_output=True, text=True, check=True, timeout=60
    )
    bill = json.loads(done.stdout)
    assert bill["bomFormat"] == "CycloneDX"
    found = {
        f"{one['name']}=={one['version']}": {item["content"] for item in one["hashes"]} for one in bill["components"]
    }
    assert found == {name: set(re.findall(r"sha256:([0-9a-f]{64})", lines)) for name, lines in paragraphs().items()}
