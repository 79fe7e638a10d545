"""What n can resolve: the t test's power as statsmodels has it, and the noise of an earlier run."""

from __future__ import annotations

from pathlib import Path

import pytest
from statsmodels.stats.power import TTestIndPower

from orchestrator.faults import PlanError
from orchestrator.results.statistics.resolution import latest_noise, noise_of, resolution
from tests.results.synthetic import Scenario, make_run


@pytest.mark.parametrize("replicates", [3, 5, 10, 20])
@pytest.mark.parametrize("cells", [1, 12])
def test_the_change_named_is_found_nine_times_in_ten(replicates: int, cells: int) -> None:
    found = resolution(0.02, replicates, cells)
    assert found is not None
    for ratio, level in ((found.alone_ratio, 0.05), (found.family_ratio, 0.05 / cells)):
        power = TTestIndPower().power(effect_size=ratio / 0.02, nobs1=replicates, alpha=level, ratio=1.0)
        assert power == pytest.approx(0.90, abs=1e-3)


def test_five_replicates_at_two_per_cent_resolve_what_the_simulations_say() -> None:
    """Traps section 4: a 5 % change with 2 % noise at n 5 is found 0.90 of the time alone."""
    found = resolution(0.02, 5, 12)
    assert found is not None
    assert found.alone_ratio == pytest.approx(0.05, rel=0.07)
    assert found.half_width_ratio == pytest.approx(0.02 * 2.776 / 5**0.5, rel=1e-3)  # t table: 2.776 for 4 degrees
    assert found.family_ratio > found.alone_ratio


def test_one_replicate_resolves_nothing_that_could_be_said() -> None:
    assert resolution(0.02, 1, 4) is None


def test_the_noise_is_the_median_deviation_of_the_cells_over_their_means(tmp_path: Path) -> None:
    folder = make_run(tmp_path, Scenario(noise=0.01, replicates=12, series=False, trouble=False))
    noise = noise_of(folder)
    assert noise is not None
    assert noise.ratio == pytest.approx(0.01, rel=0.4)  # the ceiling cuts some cells' noise
    assert latest_noise(tmp_path, "dome-to-hall") == noise


def test_the_newest_readable_run_of_the_same_plan_counts(tmp_path: Path) -> None:
    for when, noise in (("20260301T210000Z-aaaa", 0.01), ("20260401T210000Z-bbbb", 0.002)):
        make_run(tmp_path, Scenario(run_id=f"dome-to-hall-{when}", noise=noise, series=False))
    (tmp_path / "dome-to-hall-20260501T210000Z-cccc").mkdir()  # a run that broke off before it wrote anything
    make_run(tmp_path, Scenario(run_id="dome-to-hall-20260601T210000Z-dddd", plan="another", series=False))
    found = latest_noise(tmp_path, "dome-to-hall")
    assert found is not None
    assert found.run.endswith("bbbb")
    assert latest_noise(tmp_path, "unheard-of") is None
    assert latest_noise(tmp_path / "no-such-folder", "dome-to-hall") is None


def test_a_run_of_single_trials_has_no_noise_and_a_folder_that_is_no_run_is_refused(tmp_path: Path) -> None:
    assert noise_of(make_run(tmp_path, Scenario(replicates=1, series=False))) is None
    with pytest.raises(PlanError):
        noise_of(tmp_path)
