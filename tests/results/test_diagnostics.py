"""Doubts that only the whole measurement can raise, on simulated points: each fault its flag, sound ones none."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from seeds import generator
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import ObservedView
from bladeangle.base.budget import BudgetLine, coverage_factor
from bladeangle.base.errors import AdjustmentError
from bladeangle.base.flags import REGISTRY, Flag
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import change_with_scale, station_angle
from bladeangle.results.diagnostics import WEAR_LINE, diagnose, refuse_unlikely, unlike_blades, wear_unseen
from bladeangle.results.stations import Stations

QUICK = Noise(ring_every=8)
LEVEL = Changes(blades=3, tilt_deg=0.2)
Case = tuple[Truth, Adjustment, Stations]


def case(seed: int, kind: str, changes: Changes = LEVEL) -> tuple[Truth, tuple[ObservedView, ...]]:
    rng = generator(seed)
    truth = random_truth(rng, kind, changes, QUICK)
    return truth, observe(truth, rng, QUICK)


def adjusted(truth: Truth, views: tuple[ObservedView, ...]) -> Case:
    return truth, *measured(truth, views, generator(5))


def raised(found: Case, loose: tuple[str, ...] = ()) -> list[Flag]:
    truth, result, stations = found
    return diagnose(result, stations, StationOptions(), truth.ring, True, True, loose)


def codes(flags: list[Flag]) -> set[str]:
    return {f.code for f in flags}


@pytest.fixture(scope="module")
def pair() -> Case:
    return adjusted(*case(1, "pair"))


@pytest.fixture(scope="module")
def eight() -> tuple[Truth, tuple[ObservedView, ...]]:
    return case(1, "eight")


def shoved(truth: Truth, shift_mm: tuple[float, float], turn_deg: float) -> Truth:
    """The same with the rotor moved where it stands inlet end up."""
    r, t = truth.r_ring_rotor.copy(), truth.t_ring_rotor.copy()
    r[0] = Rotation.from_euler("z", turn_deg, degrees=True).as_matrix() @ r[0]
    t[0, :2] += shift_mm
    return replace(truth, r_ring_rotor=r, t_ring_rotor=t)


def test_sound_photographs_raise_no_doubt(pair: Case, eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    for found in (pair, adjusted(*eight)):
        severe = {c for c in codes(raised(found)) if REGISTRY[c].severity == "doubt"}
        assert severe <= {"station-cut-short"}


def test_a_moved_rotor_is_named(eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    truth, views = eight
    other = observe(shoved(truth, (0.3, -0.2), 0.1), generator(9), QUICK)
    flags = raised(adjusted(truth, (*views[:4], other[4], *views[5:])))
    (flag,) = [f for f in flags if f.code == "rotor-moved"]
    assert flag.photo == views[4].name


def test_a_photograph_that_shows_no_tip_is_named(eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    truth, views = eight
    tips, ends = views[5].tips, views[5].ends
    assert tips is not None and ends is not None
    none = replace(views[5], tips=tips.only(np.zeros(len(tips.px), bool)), ends=None)
    flags = raised(adjusted(truth, (*views[:5], none, *views[6:])))
    assert [f.photo for f in flags if f.code == "photos-disagree"] == [views[5].name]


def rippled(view: ObservedView) -> ObservedView:
    """With tips that lie off by turns: distorted rows, not a rotor elsewhere."""
    tips = view.tips
    assert tips is not None
    along = np.linspace(0, 60 * np.pi, len(tips.px))
    return replace(view, tips=replace(tips, px=tips.px + (2.2 * np.sin(along))[:, None] * tips.normal))


def test_what_no_movement_explains_is_a_disagreement(eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    truth, views = eight
    flags = raised(adjusted(truth, (*views[:4], rippled(views[4]), *views[5:])))
    assert {f.photo for f in flags if f.code == "photos-disagree"} == {views[4].name}
    assert "rotor-moved" not in codes(flags)
    assert "residuals-high" not in codes(flags)


def test_where_most_photographs_disagree_none_is_to_be_left_out(eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    truth, views = eight
    flags = raised(adjusted(truth, (views[0], *map(rippled, views[1:7]), *views[7:])))
    assert "photos-disagree" not in codes(flags)
    found = [f for f in flags if f.code == "residuals-high"]
    assert found and all(f.photo is None for f in found)


def test_a_camera_that_nothing_confirms_is_a_doubt_from_above_alone(
    pair: Case, eight: tuple[Truth, tuple[ObservedView, ...]]
) -> None:
    named = [f.photo for f in raised(pair, ("inlet.jpg",)) if f.code == "camera-unconfirmed"]
    assert named == ["inlet.jpg"]
    assert "camera-unconfirmed" not in codes(raised(adjusted(*eight), ("inlet.jpg",)))


@pytest.mark.parametrize(
    ("tilt_deg", "expected"),
    [(0.48, None), (0.52, "rotor-tilted"), (0.73, "rotor-tilted"), (0.77, "axis-doubtful"), (1.3, "axis-doubtful")],
)
@pytest.mark.parametrize("standing", [0, 1])
def test_an_axis_that_leans(pair: Case, tilt_deg: float, expected: str | None, standing: int) -> None:
    truth, result, stations = pair
    state = result.state.copy()
    for s, lean in ((standing, tilt_deg), (1 - standing, 0.1)):
        axis = state.r_ring_rotor[s][:, 2]
        upright = Rotation.align_vectors([[0.0, 0.0, np.sign(axis[2])]], [axis])[0]
        leaning = Rotation.from_rotvec(np.radians(lean) * np.array([0.6, -0.8, 0.0]))
        state.r_ring_rotor[s] = (leaning * upright).as_matrix() @ state.r_ring_rotor[s]
    found = codes(raised((truth, replace(result, state=state), stations)))
    assert found & {"rotor-tilted", "axis-doubtful"} == ({expected} if expected else set())


def test_a_leaning_axis_is_found_in_photographs() -> None:
    found = codes(raised(adjusted(*case(3, "pair", replace(LEVEL, tilt_deg=1.3)))))
    assert "axis-doubtful" in found


def test_a_diameter_that_the_photographs_contradict(eight: tuple[Truth, tuple[ObservedView, ...]]) -> None:
    truth, views = eight
    for off_mm, differs in ((0.02, False), (-0.6, True)):
        priors = replace(truth.priors, radius_mm=truth.radius_mm + off_mm, radius_sigma_mm=0.025)
        found = adjusted(replace(truth, priors=priors), views)
        assert ("diameter-differs" in codes(raised(found))) == differs


def test_angles_that_blades_do_not_have(pair: Case) -> None:
    truth, result, stations = pair
    for angle_deg, unusual in ((-3.8, True), (12.0, False), (61.0, True)):
        changed = replace(stations, angle_deg=np.full(len(stations.labels), angle_deg))
        assert ("angle-unusual" in codes(raised((truth, result, changed)))) == unusual


def test_a_station_that_no_blade_shows(pair: Case) -> None:
    truth, result, stations = pair
    assert "station-unseen" not in codes(raised(pair))
    keep = [k for k, label in enumerate(stations.labels) if not label.endswith("exit")]
    less = replace(
        stations,
        labels=tuple(stations.labels[k] for k in keep),
        angle_deg=stations.angle_deg[keep],
        budget=replace(stations.budget, labels=tuple(stations.labels[k] for k in keep), lines=tuple(
            replace(line, covariance_deg2=line.covariance_deg2[np.ix_(keep, keep)], shared=None, effects_deg=None)
            for line in stations.budget.lines
        )),
    )  # fmt: skip
    (flag,) = [f for f in raised((truth, result, less)) if f.code == "station-unseen"]
    assert flag.station == "exit"


def test_exchanged_ends_by_the_angles(pair: Case) -> None:
    truth, result, stations = pair
    assert "ends-exchanged" not in codes(raised(pair))
    index = {label: k for k, label in enumerate(stations.labels)}
    other = {"entry": "exit", "exit": "entry", "middle": "middle"}
    order = [index[f"{x.split('.')[0]}.{other[x.split('.')[1]]}"] for x in stations.labels]
    steeper = np.array([{"entry": 0.0, "middle": 3.0, "exit": 6.0}[x.split(".")[1]] for x in stations.labels])
    turned = replace(stations, angle_deg=(stations.angle_deg + steeper)[order])
    (flag,) = [f for f in raised((truth, result, turned)) if f.code == "ends-exchanged"]
    assert "shallower than the entry" in flag.text


@pytest.mark.parametrize(("share", "named"), [(0.11, False), (0.13, True)])
def test_a_wrap_that_nothing_shows_is_told(pair: Case, share: float, named: bool) -> None:
    truth, result, stations = pair
    wrap_deg = np.tile([140.0, share * 360 / len(stations.wrap_deg)], (len(stations.wrap_deg), 1))
    wrap_deg[0] = np.nan
    flags = [f for f in raised((truth, result, replace(stations, wrap_deg=wrap_deg))) if f.code == "wrap-uncertain"]
    assert [f"wrap 140 ± {2 * wrap_deg[1, 1]:.0f} deg" in f.text for f in flags] == [True] * named


def test_a_wide_bore_does_not_exchange_the_ends(pair: Case) -> None:
    """Where a bore is the widest circle that is followed, the hub says nothing of which end is which."""
    truth, result, stations = pair
    state = result.state.copy()
    state.circle_setup = tuple(1 - np.array(state.circle_setup))
    flat = replace(stations, angle_deg=np.full(len(stations.labels), 12.0))
    assert "ends-exchanged" not in codes(raised((truth, replace(result, state=state), flat)))


def test_what_lies_far_from_every_rotor_is_named(pair: Case) -> None:
    """Two and a half standard deviations more than expected happen; four and a half do not."""
    truth, result, stations = pair
    freedom = sum(result.prior_redundancy[k] for k in ("tilt", "hub circles", "blade edges", "blades alike"))
    assert 5 < freedom < 40  # three blades, two to four circles
    costs = dict.fromkeys(("tilt", "hub circles", "blades alike"), 0.0)
    for excess, named in ((2.5, False), (4.5, True)):
        cost = freedom + excess * (2 * freedom) ** 0.5
        strained = replace(result, prior_cost={**result.prior_cost, **costs, "blade edges": cost})
        flags = [f for f in raised((truth, strained, stations)) if f.code == "rotor-unlikely"]
        assert [("how thick its blades are" in f.text) for f in flags] == [True] * named
    for overlap, named in ((9.0, False), (16.0, True)):
        strained = replace(result, prior_cost={**result.prior_cost, "overlap": overlap})
        flags = [f for f in raised((truth, strained, stations)) if f.code == "rotor-unlikely"]
        assert [("reach over each other" in f.text) for f in flags] == [True] * named


def test_what_lies_beyond_every_rotor_is_refused(pair: Case) -> None:
    _, result, _ = pair
    refuse_unlikely(replace(result, prior_cost={**result.prior_cost, "overlap": 6.0**2}))
    strained = replace(result, prior_cost={**result.prior_cost, "overlap": 8.0**2})
    with pytest.raises(AdjustmentError, match="reach over each other") as refused:
        refuse_unlikely(strained)
    assert "shadows" in refused.value.hint and "(In all by 8.0 standard deviations.)" in refused.value.hint


@pytest.mark.parametrize(
    ("extra_mm", "blades", "text"),
    [
        ((0.0, 0.84, 0.1), [1, 0], "Blade 2 comes out 0.8 mm thicker"),
        ((-0.84, 0.1, 0.0), [0, 1], "Blade 1 comes out 0.9 mm thinner"),
        ((-0.6, 0.0, 0.7), [2, 0], "Blade 3 comes out 1.0 mm thicker"),
        ((0.0, 0.3, 0.0), [], ""),
    ],
)
def test_a_blade_unlike_the_others_is_named(
    pair: Case, extra_mm: tuple[float, ...], blades: list[int], text: str
) -> None:
    """Of three blades, the middle of the two others is their mean, so that one alone makes another unlike too."""
    truth, result, stations = pair
    state = result.state.copy()
    state.rotor.extra_mm[:] = extra_mm
    assert unlike_blades(state.rotor) == blades
    flags = [f for f in raised((truth, replace(result, state=state), stations)) if f.code == "rotor-unlikely"]
    assert [(f.text[: len(text)], f.blade) for f in flags] == [(text, b + 1) for b in blades[:1]]


def scale_flags(found: Case, bar_mm: float | None, diameter_known: bool, checked: bool) -> list[Flag]:
    truth, result, stations = found
    ring = replace(truth.ring, check_bar_mm=bar_mm)
    flags = diagnose(result, stations, StationOptions(), ring, diameter_known, checked)
    return [f for f in flags if f.code.startswith("scale-")]


def growing(found: Case, deg_per_mm: float) -> Case:
    """The same with blades that have 12 deg at their leading end, and so much more a mm along the arc."""
    truth, result, stations = found
    state = result.state.copy()
    rotor = state.rotor
    tau = np.linspace(rotor.basis.start, rotor.basis.stop, 400)
    angle = np.radians(12.0 + deg_per_mm * rotor.radius_mm * tau)
    height = -np.concatenate([[0.0], np.cumsum(np.tan(angle[1:]) * np.diff(tau) * rotor.radius_mm)])
    rotor.heights = np.tile(np.linalg.lstsq(rotor.basis.matrix(tau), height, rcond=None)[0], (rotor.blades, 1))
    return truth, replace(result, state=state), stations


def per_percent(flag: Flag) -> float:
    told = re.search(r"by (\S+) deg per 1 %", flag.text)
    assert told is not None
    return float(told[1])


def test_a_scale_that_nothing_tells_is_said(pair: Case) -> None:
    """Seen in pictures, a ring and rotor twice as large look the same; a diameter or a measured bar tells."""
    for bar_mm, diameter_known, checked, said in (
        (None, False, False, 1), (None, True, False, 0), (100.0, True, False, 0),
        (100.0, False, False, 1), (100.0, False, True, 0),
    ):  # fmt: skip
        assert len(scale_flags(pair, bar_mm, diameter_known, checked)) == said
    assert "check bar was not measured" in scale_flags(pair, 100.0, False, False)[0].text


def test_a_scale_that_matters_is_a_doubt(pair: Case) -> None:
    """Middles of entry and exit lie 18 mm of tip, 17.5 of arc, from the ends; a print 1 % larger moves them by 1 %."""
    truth, result, stations = pair
    budget = stations.budget
    share = 0.1**2 / np.diag(budget.covariance_deg2).max()  # so that no uncertainty is more than 0.1 deg
    lines = tuple(
        replace(x, covariance_deg2=share * x.covariance_deg2, shared=None, effects_deg=None) for x in budget.lines
    )
    sharp = truth, result, replace(stations, budget=replace(budget, lines=lines))
    for deg_per_mm, code in ((0.0, "scale-unchecked"), (0.02, "scale-unchecked"), (0.3, "scale-matters")):
        (flag,) = scale_flags(growing(sharp, deg_per_mm), None, False, False)
        assert flag.code == code
        assert flag.station in (None, "entry", "exit")
        assert abs(per_percent(flag) - 0.175 * deg_per_mm) < 0.001 + 0.1 * 0.175 * deg_per_mm


def test_the_change_with_scale_is_that_of_a_rotor_so_much_larger(pair: Case) -> None:
    """The rotor enlarged as a whole, measured with stations of the same millimetres, at 8 % either way."""
    _, result, stations = pair
    rotor = result.state.rotor.with_tips(None)  # a cylinder: departures are in millimetres and would have to grow too
    for scale in (0.92, 1.08):
        larger = rotor.copy()
        larger.radius_mm *= scale
        larger.heights = larger.heights * scale
        at = [(int(x.split(".")[0]) - 1, x.split(".")[1]) for x in stations.labels]
        wanted = [station_angle(larger, *a, StationOptions()) - station_angle(rotor, *a, StationOptions()) for a in at]
        change = change_with_scale(rotor, stations.labels, StationOptions(), scale)
        assert np.abs(change).max() > 0.01
        np.testing.assert_allclose(change, wanted, atol=1e-6)


@pytest.mark.parametrize(("tip_mm", "unusual"), [(92.0, True), (104.0, False), (196.0, False), (208.0, True)])
def test_diameters_that_rotors_do_not_have(pair: Case, tip_mm: float, unusual: bool) -> None:
    truth, result, stations = pair
    changed = replace(stations, sizes={**stations.sizes, "tip_diameter": (tip_mm, 0.1)})
    assert ("diameter-unusual" in codes(raised((truth, result, changed)))) == unusual


def test_what_unseen_wear_makes_of_the_entries_is_said(pair: Case) -> None:
    """The flag's two numbers are the budget's, expanded; where wear hardly counts there is none."""

    def with_wear(sigma_deg: float) -> Stations:
        budget, one = pair[2].budget, np.eye(len(pair[2].labels)) * sigma_deg**2
        lines = [x for x in budget.lines if x.name != WEAR_LINE] + [BudgetLine(WEAR_LINE, "B", one, 50.0)]
        return replace(pair[2], budget=replace(budget, lines=tuple(lines)))

    stations = with_wear(0.3)
    (flag,) = wear_unseen(stations, "Three would help.")
    part, whole = map(float, re.findall(r"±(\d+\.\d+)", flag.text))
    entries = [k for k, label in enumerate(stations.labels) if label.endswith("entry")]
    variance = np.diag(stations.budget.covariance_deg2)[entries]
    k = np.array([coverage_factor(stations.budget.angle(i)[1]) for i in entries])
    assert whole == pytest.approx(np.sqrt(np.mean(k**2 * variance)), abs=0.006)
    assert part == pytest.approx(0.3 * np.sqrt(np.mean(k**2)), abs=0.006)
    assert flag.code == "wear-unseen" and flag.text.endswith("degrees. Three would help.")
    assert wear_unseen(with_wear(0.01), "") == []
