"""The software bill of materials of linktrial, from requirements.lock: CycloneDX (ECMA-424) in JSON, on stdout.

.venv/bin/python .ci/bill_of_materials.py > linktrial.cdx.json
"""

import re
import sys
import tomllib
from pathlib import Path

from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentScope, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL

CHECKOUT = Path(__file__).parents[1]
PACKAGE = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)==(?P<version>[^ ;\\]+)")
HASH = re.compile(r"--hash=sha256:(?P<value>[0-9a-f]{64})")
ONLY_TESTS = "# Below this line"


def bill(lock: str, version: str) -> Bom:
    """Every package of the lock with the hashes of its files; what only the tests need is marked as excluded."""
    bom = Bom()
    bom.metadata.component = Component(name="linktrial", version=version, type=ComponentType.APPLICATION)
    scope, current = ComponentScope.REQUIRED, None
    for line in lock.splitlines():
        if line.startswith(ONLY_TESTS):
            scope = ComponentScope.EXCLUDED
        if found := PACKAGE.match(line):
            current = _component(found["name"], found["version"], scope)
            bom.components.add(current)
            bom.register_dependency(bom.metadata.component, [current])
        elif current is not None and (hashed := HASH.search(line)):
            current.hashes.add(HashType(alg=HashAlgorithm.SHA_256, content=hashed["value"]))
    return bom


def _component(name: str, version: str, scope: ComponentScope) -> Component:
    purl = PackageURL("pypi", name=name.lower().replace("_", "-"), version=version)
    return Component(name=name, version=version, type=ComponentType.LIBRARY, scope=scope, purl=purl, bom_ref=str(purl))


def main() -> None:
    """Write the bill."""
    about = tomllib.loads((CHECKOUT / "pyproject.toml").read_text())
    lock = (CHECKOUT / "requirements.lock").read_text()
    sys.stdout.write(JsonV1Dot6(bill(lock, about["project"]["version"])).output_as_string(indent=1) + "\n")


if __name__ == "__main__":
    main()
