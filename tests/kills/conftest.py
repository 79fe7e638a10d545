"""One desk for all tests of a module: its lab stays up."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.kills.desk import Desk


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    with Desk(tmp_path_factory.mktemp("desk")) as made:
        yield made
