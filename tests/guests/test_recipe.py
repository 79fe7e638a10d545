"""What decides whether an image is built again, and what is said when it cannot be; no guest is started."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.lab.guests import cache, machines, missing
from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.recipe import CLOUD, FULL, SYSTEMD, Recipe


def test_every_recipe_has_a_key_of_its_own_that_stays() -> None:
    recipes = [CLOUD, FULL, SYSTEMD, Recipe(size_mb=2048)]
    assert len({recipe.key for recipe in recipes}) == len(recipes)
    assert Recipe().key == CLOUD.key


def test_what_is_missing_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("LINKTRIAL_CACHE", str(tmp_path))
    monkeypatch.setattr(missing.shutil, "which", lambda program, path: None if program == "mmdebstrap" else program)
    monkeypatch.setattr(machines.os, "geteuid", lambda: 0)
    assert machines.why_no_machines_here() == "mmdebstrap missing: install mmdebstrap"
    with pytest.raises(missing.GuestError, match="install mmdebstrap"):
        cache.image_of(CLOUD)
    assert not list(tmp_path.glob("unfinished-*"))


def test_an_ordinary_user_is_told_why_there_are_no_guests(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machines.os, "geteuid", lambda: 1000)
    assert "root" in machines.why_no_machines_here()


def test_a_step_of_the_build_that_fails_leaves_nothing_behind_and_tells_its_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LINKTRIAL_CACHE", str(tmp_path))
    monkeypatch.setattr(cache, "missing_programs", lambda _: "")
    with pytest.raises(missing.GuestError, match="linux-image-of-nobody"):
        cache.image_of(Recipe(kernels=("linux-image-of-nobody",)))
    assert [path.name for path in tmp_path.iterdir()] == ["building"]


def test_a_card_that_nobody_emulates_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="e1000e"):
        Card("e1001")
    with pytest.raises(ValueError, match="one queue"):
        Card("e1000e", queues=2)
