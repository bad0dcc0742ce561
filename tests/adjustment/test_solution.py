"""How the adjustment comes to its result: against dense matrices, by hand, and by what it does when led astray."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from seeds import generator
from simulated import observe
from simulated_run import measured, start_state
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment import adjust as adjustment
from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.correlated_errors import correlated_errors_in_px
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import TIP_KINDS, Layout, ObservedView, applied
from bladeangle.adjustment.priors import Priors, prior_terms
from bladeangle.base.errors import AdjustmentError
from bladeangle.records.station import StationOptions
from bladeangle.results.stations import measure_stations
from bladeangle.tuning.adjustment import ADJUST
from bladeangle.tuning.value import changed

QUICK = Noise(ring_every=8)
Case = tuple[Truth, tuple[ObservedView, ...], Adjustment]


def case(seed: int, kind: str, noise: Noise = QUICK) -> Case:
    """Simulated photographs of three blades, and their adjustment."""
    rng = generator(seed)
    truth = random_truth(rng, kind, Changes(blades=3), noise)
    views = observe(truth, rng, noise)
    return truth, views, measured(truth, views, rng)[0]


@pytest.fixture(scope="module")
def eight() -> Case:
    return case(1, "eight")


def dense(
    truth: Truth, views: tuple[ObservedView, ...], result: Adjustment, priors: Priors
) -> tuple[np.ndarray, np.ndarray]:
    """Information (n, n) and gradient (n,) at a solution, from one whole covariance matrix a kind of observation.

    The weights of the points are the robust ones that the result has; correlated errors are no unknowns here, but
    stand in the covariance: information J (diag(1/w) + S K S^T)^-1 J^T.
    """
    layout = Layout(result.state)
    setups = [result.state.setups.index(view.setup) for view in views]
    information, gradient = np.zeros((layout.size, layout.size)), np.zeros(layout.size)
    for rows in Equations(truth.ring, layout, views, range(len(views)), setups).rows(result.state):
        weight = result.weight[rows.view][rows.kind]
        seen = weight > 0
        single = rows.sigma * result.single[rows.view][rows.kind]
        growth = result.scale[rows.view][rows.kind] / result.single[rows.view][rows.kind]
        covariance = np.diag((single[seen] * growth) ** 2 / weight[seen])
        run_scale = result.run_scale[rows.view].get(rows.kind)
        errors = correlated_errors_in_px(
            rows.kind, views[rows.view], priors.tips, single, result.correlated_sigma, run_scale
        )
        if errors is not None:
            shape = errors.shape[seen]
            covariance += shape @ np.linalg.solve(errors.information, shape.T)
        jac = np.zeros((layout.size, int(seen.sum())))
        jac[rows.columns] = rows.jac[:, seen]
        information += jac @ np.linalg.solve(covariance, jac.T)
        gradient += jac @ np.linalg.solve(covariance, rows.residual[seen])
    return information, gradient


@pytest.mark.parametrize("kind", ["pair", "eight"])
def test_the_result_is_the_generalised_least_squares_solution(kind: str) -> None:
    """Against dense matrices: information and covariance, and a gradient at which no step is worth taking."""
    truth, views, begun = case(12, kind)
    priors = replace(truth.priors, bend_sigma_deg=0.7)  # which these blades do not bend by
    result = adjust(truth.ring, views, begun.state, priors)
    plain = prior_terms(result.state, result.layout, priors, begun.state)
    # the bend's variance component is estimated; what it came to is the factor on the prior's information
    name, at = "smoothness", np.unravel_index(plain["smoothness"].information.argmax(), (result.layout.size,) * 2)
    bend_deg = priors.bend_sigma_deg * np.sqrt(plain[name].information[at] / result.information[name][at])
    if kind == "pair":  # a bend and a change of the radius look alike from above
        assert bend_deg == pytest.approx(ADJUST.bend_from_above_deg, rel=1e-6)
    else:
        # where it has settled, the blades bend by as much as it lets expect, or by less than the least or more than
        # the most that it may be
        low, high = ADJUST.bend_range_deg
        assert low * 0.999 < bend_deg < high * 1.001
        assert result.birge_ratio_squared > 0.85 or bend_deg < 1.001 * low
        assert result.birge_ratio_squared < 1.15 or bend_deg > 0.999 * high
    terms = prior_terms(result.state, result.layout, replace(priors, bend_sigma_deg=bend_deg), begun.state)
    information, gradient = dense(truth, views, result, priors)
    for term in terms.values():
        term.add_to(information, gradient)
    total = sum(result.information.values())
    size = np.sqrt(np.diag(information))
    np.testing.assert_allclose(total / np.outer(size, size), information / np.outer(size, size), atol=1e-4)
    covariance = np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)
    spread = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(
        result.covariance / np.outer(spread, spread), covariance / np.outer(spread, spread), atol=1e-3
    )
    # the square of the next step in standard uncertainties, of which a tenth moves no angle that anyone would see
    assert gradient @ covariance @ gradient < 0.1


def test_shifts_are_what_edges_a_pixel_off_do(eight: Case) -> None:
    """Against adjustments of the same points with the weights kept, the marker edges moved by 0.2 px either way."""
    truth, views, result = eight
    plain = adjust(truth.ring, views, result.state, truth.priors, rescale=False)
    found = []
    for by_px in (0.2, -0.2):
        moved = tuple(
            replace(v, sighting=replace(v.sighting, px=v.sighting.px + by_px * v.sighting.normal)) for v in views
        )
        found.append(adjust(truth.ring, moved, plain.state, truth.priors, rescale=False).state)
    at = np.r_[plain.layout["camera"], plain.layout["sheet"]]
    u = np.sqrt(np.diag(plain.covariance))[at]
    told = plain.shifts["ring"][at] / u
    seen = [np.concatenate([state.camera, state.sheet]) / u for state in found]
    difference = (seen[0] - seen[1]) / 0.4
    assert np.abs(told).max() > 1.0  # print that seems to have grown
    assert difference == pytest.approx(told, abs=0.15 * np.abs(told).max())


def test_scales_are_estimated_until_they_are_steady(eight, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of points that claim to be three times as good as they are."""
    truth, views, _ = eight
    better = tuple(
        replace(
            v,
            sighting=replace(v.sighting, sigma_px=v.sighting.sigma_px / 3),
            tips=replace(v.tips, sigma_px=v.tips.sigma_px / 3),
        )
        for v in views
    )
    begun = start_state(truth, views, generator(2))
    changes: list[float] = []
    told: list[float] = []
    plain = adjustment._Work.rescale

    def watched(work, *, estimate: bool) -> float:
        old = [{k: s.total for k, s in kinds.items()} for kinds in work.scale]
        told.append(plain(work, estimate=estimate))
        new = [{k: s.total for k, s in kinds.items()} for kinds in work.scale]
        pairs = [(b[k], a[k]) for a, b in zip(old, new, strict=True) for k in b if k in a]
        changes.append(max((abs(b / a - 1) for b, a in pairs), default=np.inf))
        return told[-1]

    monkeypatch.setattr(adjustment._Work, "rescale", watched)
    result = adjust(truth.ring, better, begun, truth.priors)
    assert told == pytest.approx(changes) and told[0] == np.inf
    assert 3 <= len(told) <= adjustment.MOST_RESCALINGS
    assert all(change >= adjustment.SCALE_TOLERANCE for change in changes[2:-1])
    assert changes[-1] < adjustment.SCALE_TOLERANCE or len(told) == adjustment.MOST_RESCALINGS
    # of a normal distribution, less what all sides of markers share
    spread = [1.4826 * np.median(np.abs(r["ring"] - r["ring"].mean())) for r in result.residual_px]
    single = [s["ring"] * QUICK.ring_px / 3 for s in result.single]
    assert single == pytest.approx(spread, rel=adjustment.SCALE_TOLERANCE)
    for p in range(len(views)):
        for kind in result.single[p]:
            assert result.single[p][kind] <= result.scale[p][kind] * (1 + 1e-12)
    monkeypatch.setattr(adjustment, "SCALE_TOLERANCE", 0.0)
    told.clear()
    adjust(truth.ring, views, result.state, truth.priors)
    assert len(told) == adjustment.MOST_RESCALINGS


def test_no_scale_of_tips_grows_beyond_what_keeps_them_in_force(eight) -> None:
    truth, views, result = eight
    better = tuple(replace(v, tips=replace(v.tips, sigma_px=v.tips.sigma_px / 12)) for v in views)
    found = adjust(truth.ring, better, result.state, truth.priors)
    tips = [scale[kind] for scale in found.scale for kind in TIP_KINDS if kind in scale]
    assert max(tips) == pytest.approx(ADJUST.most_scale)
    assert max(scale["ring"] for scale in found.scale) < 2.0


@pytest.mark.parametrize("sway", [0.0, 2.5])
def test_correlated_errors_are_as_large_as_the_edges_show(sway: float) -> None:
    """Estimated from the photographs and from the first guess, which counts as `correlated_dof` squares."""
    noise = replace(QUICK, law="markov", correlated_sigma=(sway, 0.3), groove_px=0.0, offset_px=0.0)
    truth, views, result = case(14, "eight", noise)
    side, above = result.correlated_sigma
    first = ADJUST.correlated_sigmas
    # in sigmas of a point as these came out, part of the sway being too short for the knots
    single = float(np.median([s["inlet tips"] for s in result.single[2:]]))
    assert (side * single < 1.1) if sway == 0.0 else (0.55 * sway < side * single < 1.45 * sway)
    assert 0.1 <= above < 0.7 and above != first[1]
    rough = adjust(truth.ring, views, result.state, truth.priors, must_settle=False)
    assert rough.correlated_sigma == (0.0, 0.0)  # they would absorb an edge taken for another
    kept = adjust(truth.ring, views, result.state, truth.priors, rescale=False)
    assert kept.correlated_sigma == (0.0, 0.0)
    assert all(s == 1.0 for scale in kept.scale for s in scale.values())


def test_a_run_that_lies_off_is_not_believed(eight) -> None:
    """A photograph's edge of one blade, 3 px off where the others are within 0.3 px: it hardly moves the blade."""
    truth, views, result = eight
    assert all(
        ((scales >= 1.0) & (scales < 3.0)).all() for kinds in result.run_scale for scales in kinds.values()
    )  # none is trusted more than is usual
    photo = next(p for p, view in enumerate(views) if view.tips is not None and not view.tips.far.all())
    tips = views[photo].tips
    upper = tips.face > 0 if (tips.face > 0).any() else tips.face < 0
    blade = np.bincount(tips.blade[upper & ~tips.far]).argmax()
    mine = upper & ~tips.far & (tips.blade == blade)
    kind = next(kind for kind, face in TIP_KINDS.items() if face == tips.face[mine][0])
    px = tips.px + 3.0 * mine[:, None] * tips.normal
    off = tuple(replace(v, tips=replace(tips, px=px)) if p == photo else v for p, v in enumerate(views))
    found = adjust(truth.ring, off, result.state, truth.priors)
    runs = np.unique(np.column_stack([tips.blade, tips.far])[tips.face == tips.face[mine][0]], axis=0).tolist()
    scales = found.run_scale[photo][kind]
    assert len(scales) == len(runs)
    assert scales.argmax() == runs.index([blade, 0]) and 2.5 < scales.max() <= ADJUST.most_run_scale
    options = StationOptions()
    before, after = (measure_stations(one, options) for one in (result, found))
    u = np.sqrt(np.diag(before.budget.covariance_deg2))
    moved = np.abs(np.array(after.angle_deg) - np.array(before.angle_deg)) / u
    believed = adjust_with(changed(ADJUST, most_run_scale=1.0), truth, off, result)
    swayed = np.abs(np.array(measure_stations(believed, options).angle_deg) - np.array(before.angle_deg)) / u
    assert moved.max() < 1.5 and moved.max() < 0.7 * swayed.max()


def adjust_with(values, truth, views, result):
    """The adjustment with other tuned values."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(adjustment, "ADJUST", values)
        return adjust(truth.ring, views, result.state, truth.priors)


def test_the_first_guess_counts_as_so_many_squares(eight, monkeypatch: pytest.MonkeyPatch) -> None:
    """With n degrees of freedom beside it an estimate moves from the guess by squares / (redundancy + n)."""
    truth, views, result = eight
    found = {}
    for dof in (1e-9, 20.0, 1e9):
        monkeypatch.setattr(adjustment, "ADJUST", changed(ADJUST, correlated_dof=dof))
        found[dof] = np.array(adjust(truth.ring, views, result.state, truth.priors).correlated_sigma)
    assert found[1e9] == pytest.approx(ADJUST.correlated_sigmas)
    kept, freed = (np.abs(found[dof] - ADJUST.correlated_sigmas) for dof in (20.0, 1e-9))
    assert (kept <= freed + 0.02).all() and kept.max() > 0.01


def test_a_step_that_raises_the_cost_is_taken_back_and_shortened(eight, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first three steps are led astray; the fourth begins where they began, and is shorter."""
    truth, views, result = eight
    calls = []

    def astray(state, layout, step):
        calls.append((state, step))
        return applied(state, layout, step * (-30.0 if len(calls) <= 3 else 1.0))

    begun = start_state(truth, views, generator(2))
    monkeypatch.setattr(adjustment, "applied", astray)
    found = adjust(truth.ring, views, begun, truth.priors, must_settle=False)
    assert calls[1][0] is calls[0][0] and calls[3][0] is calls[0][0] and calls[4][0] is not calls[0][0]
    total = sum(found.information.values())
    sizes = [float(step @ total @ step) for _, step in calls[:4]]
    assert sizes[0] >= sizes[1] >= sizes[2] > 1.001 * sizes[3] > 0
    last = float(calls[-1][1] @ total @ calls[-1][1])
    assert last < 1e-3 * sizes[3]  # no longer held back
    assert found.state.rotor.radius_mm == pytest.approx(result.state.rotor.radius_mm, abs=0.05)


def test_what_cannot_be_solved_is_said(eight, monkeypatch: pytest.MonkeyPatch) -> None:
    truth, views, result = eight
    lost = result.state.copy()
    lost.camera[0] = np.nan
    with pytest.raises(AdjustmentError, match="that fits these photographs"):
        adjust(truth.ring, views, lost, truth.priors)

    def singular(*_):
        raise np.linalg.LinAlgError("singular")

    monkeypatch.setattr(np.linalg, "solve", singular)
    with pytest.raises(AdjustmentError, match="do not say enough"):
        adjustment._Work(truth.ring, views, result.state, truth.priors, (0.0, 0.0)).settle(0.02, 0, 5, last=True)


def test_figures_of_a_result_by_hand(eight) -> None:
    _, views, result = eight
    residual, weight = np.array([0.1, -0.4, 0.3]), np.array([1.0, 0.5, 0.0])
    both = ("ring", "inlet tips")
    one = replace(result, residual_px=[dict.fromkeys(both, residual)], weight=[dict.fromkeys(both, weight)])
    one = replace(one, views=(replace(one.views[0], tips=None),))
    assert one.rms_px(0, "inlet tips") == pytest.approx(np.sqrt((0.01 + 0.5 * 0.16) / 1.5))
    shared = (0.1 - 0.5 * 0.4) / 1.5
    markers = np.sqrt(((0.1 - shared) ** 2 + 0.5 * (0.4 + shared) ** 2) / 1.5)
    assert one.rms_px(0, "ring") == pytest.approx(markers)
    other_ring = replace(one, residual_px=[{"ring": residual + 5.0}])
    assert other_ring.rms_px(0, "ring") == pytest.approx(np.sqrt(markers**2 + (5.0 + shared - 0.5) ** 2))
    assert np.isnan(one.rms_px(0, "end"))
    cost = {
        "smoothness": 45.0,
        "tilt": 6.0,
        "hub circles": 2.0,
        "blade edges": 9.0,
        "blades alike": 10.0,
        "gauge": 99.0,
    }
    expected = {
        "smoothness": 5.0,
        "tilt": 4.0,
        "hub circles": 2.0,
        "blade edges": 7.0,
        "blades alike": 5.0,
        "gauge": 1.0,
    }
    one = replace(result, prior_cost=cost, prior_redundancy=expected)
    assert one.birge_ratio_squared == pytest.approx(9.0)
    assert one.implausibility() == pytest.approx((27.0 - 18.0) / 6.0)  # the square root of twice 18
    assert replace(one, prior_cost=cost | {"overlap": 2.0}).implausibility() == pytest.approx(1.5)
    assert replace(one, prior_cost=cost | {"overlap": 18.49}).implausibility() == pytest.approx(4.3)
    worn = replace(one, prior_cost=cost | {"tip wear": 160.0}, prior_redundancy=expected | {"tip wear": 10.0})
    assert worn.implausibility() == pytest.approx(4.0)
    assert replace(worn, prior_cost=cost | {"tip wear": 20.0}).implausibility() == pytest.approx(1.5)
    assert one.unlike("hub circles") == pytest.approx(1.0) and one.unlike("tilt") == pytest.approx(np.sqrt(1.5))
    assert not one.from_above and replace(result, views=views[:2]).from_above


def test_glare_counts_in_no_residual_but_where_all_is_glare(eight) -> None:
    _, views, result = eight
    photo = next(p for p, view in enumerate(views) if view.tips is not None and (view.tips.face == 1).sum() > 10)
    tips = views[photo].tips
    assert tips is not None
    mine = np.flatnonzero(tips.face == 1)
    residual = [dict(kinds) for kinds in result.residual_px]
    residual[photo]["inlet tips"] = np.where(np.arange(len(mine)) < 5, 2.0, 0.1)
    weight = [{k: np.ones(len(r)) for k, r in kinds.items()} for kinds in residual]

    def rms_px(glare: int) -> float:
        shared = tips.shared_px * 0.0
        shared[mine[:glare]] = 0.5
        seen = tuple(replace(v, tips=replace(tips, shared_px=shared)) if p == photo else v for p, v in enumerate(views))
        return replace(result, views=seen, residual_px=residual, weight=weight).rms_px(photo, "inlet tips")

    usual = np.sqrt(np.mean(residual[photo]["inlet tips"] ** 2))
    assert rms_px(0) == pytest.approx(usual) and usual > 0.2
    assert rms_px(5) == pytest.approx(0.1)
    assert rms_px(len(mine)) == pytest.approx(usual)
