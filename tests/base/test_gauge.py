"""Repeatability study against the published one, and against simulated studies of known variances."""

from __future__ import annotations

import numpy as np
import pytest
from published_readings import PUBLISHED_READINGS

from bladeangle.base.errors import UsageError
from bladeangle.base.gauge import gauge_study, study_of


def test_the_published_study_is_reproduced() -> None:
    study = gauge_study(PUBLISHED_READINGS)
    lines = {line.source: line for line in study.lines}
    # AIAG MSA 4, chapter III, ANOVA table.
    assert lines["appraiser"].sum_of_squares == pytest.approx(3.1673, abs=5e-5)
    assert lines["part"].sum_of_squares == pytest.approx(88.3619, abs=5e-5)
    assert lines["appraiser by part"].sum_of_squares == pytest.approx(0.3590, abs=5e-5)
    assert lines["error"].sum_of_squares == pytest.approx(2.7589, abs=5e-5)
    assert [line.dof for line in study.lines] == [2, 9, 18, 60]
    # The same, results with the interaction pooled.
    assert study.pooled
    assert study.interaction is None
    assert study.ev == pytest.approx(0.19993, abs=5e-6)
    assert study.av == pytest.approx(0.22684, abs=5e-6)
    assert study.grr == pytest.approx(0.30237, abs=5e-6)
    assert study.pv == pytest.approx(1.04233, abs=5e-6)
    assert study.tv == pytest.approx(1.085, abs=5e-4)
    assert study.ndc == 4
    assert study.grr_percent == pytest.approx(27.86, abs=0.005)
    assert study.ev_interval[0] < study.ev < study.ev_interval[1]


def test_rows_in_any_order_give_the_same_study() -> None:
    rows = [
        (f"part {p}", "ABC"[a], float(PUBLISHED_READINGS[p, a, t]))
        for t in range(3)
        for a in (2, 0, 1)
        for p in range(10)
    ]
    one, other = (
        [study.ev, study.av, study.pv, *(line.sum_of_squares for line in study.lines)]
        for study in (study_of(rows), gauge_study(PUBLISHED_READINGS))
    )
    assert one == pytest.approx(other)


def test_a_real_interaction_is_not_pooled() -> None:
    rng = np.random.default_rng(4)
    readings = rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.5, (10, 3, 1)) + rng.normal(0, 0.1, (10, 3, 3))
    study = gauge_study(readings)
    assert not study.pooled
    assert study.interaction == pytest.approx(0.5, rel=0.4)
    assert study.ev == pytest.approx(0.1, rel=0.3)
    assert study.grr == pytest.approx(np.sqrt(study.ev**2 + (study.av or 0) ** 2 + (study.interaction or 0) ** 2))


def test_parts_and_appraisers_that_differ_by_less_than_their_interaction_do_not_differ() -> None:
    """By hand: cells 10, 14 / 16, 12, each read 1 below and 1 above.

    Parts have the mean square 8, appraisers 0, the interaction 32 and the error 2 (F = 16 on 1 and 4: p = 0.016).
    """
    study = gauge_study(np.array([[10.0, 14.0], [16.0, 12.0]])[:, :, None] + np.array([-1.0, 1.0]))
    assert [line.mean_square for line in study.lines] == pytest.approx([0.0, 8.0, 32.0, 2.0])
    assert not study.pooled
    assert (study.ev, study.interaction) == pytest.approx((np.sqrt(2), np.sqrt(15)))
    assert (study.av, study.pv, study.ndc) == (0.0, 0.0, 0)
    assert study.grr == study.tv == pytest.approx(np.sqrt(17))
    assert {line.source: line.p for line in study.lines}["appraiser by part"] == pytest.approx(0.0161, abs=5e-5)
    assert {line.source: line.f for line in study.lines}["part"] == pytest.approx(0.25)


def test_the_interval_is_the_chi_squared_one() -> None:
    """Ten parts read 1 below and 1 above: variance 2 on 10 degrees of freedom, of which chi-squared is 3.247 and 20.483
    (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, 0.025 lower and upper)."""
    study = gauge_study(np.arange(10.0)[:, None, None] * 7 + np.array([-1.0, 1.0]))
    assert study.ev == pytest.approx(np.sqrt(2))
    assert study.ev_interval == pytest.approx((np.sqrt(20 / 20.483), np.sqrt(20 / 3.247)), rel=1e-4)


def test_known_variances_are_found_without_bias() -> None:
    """The mean variance over many simulated studies is the true one, within four standard errors."""
    rng = np.random.default_rng(20)
    ev, av, pv, studies = 0.05, 0.03, 0.4, 400
    found = []
    covered = 0
    for _ in range(studies):
        x = rng.normal(0, pv, (8, 1, 1)) + rng.normal(0, av, (1, 3, 1)) + rng.normal(0, ev, (8, 3, 3))
        study = gauge_study(x)
        found.append((study.ev**2, study.pv**2))
        covered += study.ev_interval[0] < ev < study.ev_interval[1]
    mean, error = np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(studies)
    # Choosing by test whether to pool biases EV a little: allow a percent for it.
    assert np.all(np.abs(mean - [ev**2, pv**2]) < 4 * error + [0.01 * ev**2, 0])
    assert 0.92 < covered / studies < 0.98


def test_one_appraiser_gives_repeatability_alone() -> None:
    rng = np.random.default_rng(3)
    study = gauge_study(rng.normal(10, 1, (30, 1, 1)) + rng.normal(0, 0.1, (30, 1, 4)))
    assert study.av is None
    assert [line.source for line in study.lines] == ["part", "error"]
    assert study.grr == study.ev == pytest.approx(0.1, rel=0.25)
    assert study.pv == pytest.approx(1.0, rel=0.35)


def test_readings_that_repeat_exactly() -> None:
    study = gauge_study(np.arange(4.0)[:, None, None] + np.zeros((4, 2, 2)))
    assert (study.ev, study.grr, study.ndc) == (0.0, 0.0, None)
    assert study.pv == pytest.approx(np.std(np.arange(4), ddof=1))
    assert gauge_study(np.ones((2, 2, 2))).grr_percent == 0.0


@pytest.mark.parametrize("shape", [(1, 3, 3), (10, 3, 1), (10, 0, 2), (10, 3)])
def test_a_study_too_small_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(UsageError, match="at least two parts"):
        gauge_study(np.zeros(shape))


def test_readings_that_are_not_numbers_are_refused() -> None:
    readings = PUBLISHED_READINGS.copy()
    readings[0, 0, 0] = np.nan
    with pytest.raises(UsageError, match="finite"):
        gauge_study(readings)


def test_unequal_numbers_of_trials_are_named() -> None:
    rows = [("r1", "ann", 1.0), ("r1", "ann", 1.1), ("r2", "ann", 2.0)]
    with pytest.raises(UsageError, match=r"r2 by ann: 1"):
        study_of(rows)
    with pytest.raises(UsageError, match="equally often"):
        study_of([])
