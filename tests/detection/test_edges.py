"""Points on the edges of tips in painted pictures, whose edges are known."""

from __future__ import annotations

import numpy as np
import pytest
from painted import ABOVE, SIDES, Eye, Painted, off_px, photographs, state_of
from seeds import generator

from bladeangle.adjustment.model import TipPoints
from bladeangle.detection import edges
from bladeangle.imaging import profiles
from bladeangle.tuning.edges import EDGES

ROTOR = Painted()
EYES = (ABOVE, *SIDES)
BLUR_PX = 0.85  # 0.8 px of Gaussian blur and a pixel's own width


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("raised_mm", [0.0, 3.0, -3.0])
def test_tip_edges_seen_from_above_lie_where_they_were_painted(seed: int, raised_mm: float) -> None:
    """Upper faces alone, from 4 mm behind the leading end to 3 mm before the next blade covers them.

    Three millimetres of height are 5 px here, and are searched for; in pictures of little noise steps are as strong as
    counts over some pixels, and the nearest of these is taken.
    """
    photo, state = photographs(ROTOR, seed, 0.06 if raised_mm else 0.02)[0], state_of(ROTOR, EYES)
    state.rotor.heights += raised_mm
    tips = edges.measure_tips(photo, state, 0, 0, BLUR_PX, 24 if raised_mm else 0)
    assert tips.far.all() and (tips.face == 1).all() and not tips.shared_px.any()
    tau = np.linspace(0, ROTOR.wrap_rad, 20_000)
    for b in range(3):
        mine = tips.only(tips.blade == b)
        curve = ABOVE.px(ROTOR.tip(b, 1, tau))
        off, at = off_px(mine.px, mine.normal, curve)
        assert abs(np.median(off)) < 0.09 and 0.02 < off.std() < 0.3
        assert np.hypot(*mine.normal.T) == pytest.approx(1.0, abs=1e-3)
        rise = ABOVE.px(ROTOR.tip(b, 1, tau[at]) + np.array([0, 0, 0.1])) - curve[at]
        assert ((rise * mine.normal).sum(1) > 0).all()
        arc = tau[at] * ROTOR.radius_mm
        assert 4.0 < arc.min() < 7.0
        assert 150.0 < arc.max() < 2 * np.pi / 3 * ROTOR.radius_mm - 3.0
        assert 90 < len(arc) < 120  # a point every 8 px of 900
    # contrast as large as the mean brightness: 0.05 px of texture; 0.03 px at least and as much of noise
    assert raised_mm or np.median(tips.sigma_px) == pytest.approx(np.hypot(0.05, 0.05), rel=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("side", [1, 2])
@pytest.mark.parametrize("search", [0, 16])
def test_both_edges_of_the_tip_land_are_found_from_the_side(seed: int, side: int, search: int) -> None:
    """Only where the land looks towards the camera: cosine above 0.3."""
    photo, state, eye = photographs(ROTOR, seed, 0.06 if search else 0.02)[side], state_of(ROTOR, EYES), EYES[side]
    state.rotor.heights += 0.4 if search else 0.0
    tips = edges.measure_tips(photo, state, side, 0, BLUR_PX, search)
    assert not tips.far.any() and set(tips.face) == {1, -1}
    tau = np.linspace(0, ROTOR.wrap_rad, 20_000)
    cosines = []
    for b in np.unique(tips.blade):
        for face in (1, -1):
            mine = tips.only((tips.blade == b) & (tips.face == face))
            points = ROTOR.tip(int(b), face, tau)
            off, at = off_px(mine.px, mine.normal, eye.px(points))
            # where a land leaves the dark of the rotor's inside, a point lies off
            assert abs(np.median(off)) < 0.12 and 0.02 < 1.48 * np.median(np.abs(off)) < 0.3
            assert 0.3 < 1.48 * np.median(np.abs(off) / mine.sigma_px) < 1.7
            assert (np.abs(off) > 0.7).sum() <= 3
            to_eye = np.array(eye.place_mm) - points[at]
            radial = points[at, :2] / ROTOR.radius_mm
            cosines.append((radial * to_eye[:, :2]).sum(1) / np.linalg.norm(to_eye, axis=1))
            assert 25 < len(off) < 70
    cosine = np.concatenate(cosines)
    assert 0.29 < cosine.min() < 0.40 and cosine.max() > 0.75
    # contrast 0.4 of a mean brightness of 0.3: 0.10 / 1.3 px of grooves, and 0.03 px
    assert 0.08 < np.median(tips.sigma_px) < 0.16


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("side", [1, 2])
@pytest.mark.parametrize("lands", [-1, 0, 1])
def test_edges_of_a_land_predicted_on_each_other_are_found_where_they_are(seed: int, side: int, lands: int) -> None:
    """Blades too high or too low by their thickness, as one photograph alone may leave them."""
    photo, state, eye = photographs(ROTOR, seed)[side], state_of(ROTOR, EYES), EYES[side]
    state.rotor.heights += lands * ROTOR.thickness_mm / np.cos(np.radians(ROTOR.angle_deg))
    stretches = list(edges.predicted(state, side, 0, (photo.width, photo.height)))
    found = edges.lands_off(photo, stretches, BLUR_PX)
    land_px = [abs(float(np.median(s.land_px))) for s in stretches]
    if lands == 0:
        assert not found
    else:
        assert len(found) >= 0.6 * len(stretches)
        for k, by_px in found.items():
            assert by_px.shape == (len(stretches[k].px),)
            assert np.median(by_px) == pytest.approx(-lands * land_px[k], rel=0.2)
    tips = edges.measure_tips(photo, state, side, 0, BLUR_PX, 0)
    tau = np.linspace(0, ROTOR.wrap_rad, 20_000)
    moved = {(stretches[k].blade, stretches[k].face) for k in found}
    for b, face in moved if lands else {(s.blade, s.face) for s in stretches}:
        mine = tips.only((tips.blade == b) & (tips.face == face))
        off, _ = off_px_of(mine, eye, b, face, tau)
        assert len(off) > 20 and abs(np.median(off)) < 0.2


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("lands", [-1, 1])
def test_a_land_off_at_one_end_is_found_there_and_stays_elsewhere(seed: int, lands: int) -> None:
    """The first third of blades too high or too low by their thickness, as wear may seem to have made them."""
    photo, state, eye = photographs(ROTOR, seed)[1], state_of(ROTOR, EYES), EYES[1]
    true = {(s.blade, s.face): s for s in edges.predicted(state, 1, 0, (photo.width, photo.height))}
    basis = state.rotor.basis
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)
    high = np.clip((0.45 - knots / ROTOR.wrap_rad) / 0.2, 0, 1)
    state.rotor.heights += lands * high * ROTOR.thickness_mm / np.cos(np.radians(ROTOR.angle_deg))
    stretches = list(edges.predicted(state, 1, 0, (photo.width, photo.height)))
    found = edges.lands_off(photo, stretches, BLUR_PX)
    assert found
    for k, by_px in found.items():
        s = stretches[k]
        off, _ = off_px(s.px + by_px[:, None] * s.normal, s.normal, true[s.blade, s.face].px)
        before, _ = off_px(s.px, s.normal, true[s.blade, s.face].px)
        assert np.abs(before).max() > 0.8 * abs(float(np.median(s.land_px)))
        assert np.quantile(np.abs(off), 0.8) < EDGES.trust_px  # within which an edge is refined
    tips = edges.measure_tips(photo, state, 1, 0, BLUR_PX, 0)
    tau = np.linspace(0, ROTOR.wrap_rad, 20_000)
    for b, face in {(stretches[k].blade, stretches[k].face) for k in found}:
        mine = tips.only((tips.blade == b) & (tips.face == face))
        off, _ = off_px_of(mine, eye, b, face, tau)
        assert len(off) > 20 and 0.02 < np.quantile(np.abs(off), 0.8) < 0.5


@pytest.mark.parametrize("side", [1, 2])
def test_the_edge_of_a_shadow_is_not_the_other_edge_of_a_land(side: int) -> None:
    """It is as far below the lower edge as that is below the upper one, and stronger."""
    rotor = Painted(thickness_mm=1.6, shadow_mm=1.6)
    photo, state = photographs(rotor, 1)[side], state_of(rotor, EYES)
    stretches = list(edges.predicted(state, side, 0, (photo.width, photo.height)))
    assert stretches and not edges.lands_off(photo, stretches, BLUR_PX)


def off_px_of(tips: TipPoints, eye: Eye, blade: int, face: int, tau: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """How far points lie from a painted edge."""
    return off_px(tips.px, tips.normal, eye.px(ROTOR.tip(blade, face, tau)))


def test_a_blade_without_thickness_shows_its_upper_edge_alone() -> None:
    """Its lower edge was found on the upper one; the others keep both."""
    photo, state = photographs(ROTOR, 1)[1], state_of(ROTOR, EYES)
    whole = edges.measure_tips(photo, state, 1, 0, BLUR_PX, 0)
    seen = np.unique(whole.blade)
    assert len(seen) > 1 and all({1, -1} == set(whole.face[whole.blade == b]) for b in seen)
    state.rotor.extra_mm[seen[0]] = -0.97 * ROTOR.thickness_mm
    state.rotor.heights[seen[0]] += 0.485 * ROTOR.thickness_mm  # so that its upper edge stays where it is
    tips = edges.measure_tips(photo, state, 1, 0, BLUR_PX, 0)
    assert set(tips.face[tips.blade == seen[0]]) == {1}
    for b in seen[1:]:
        assert (tips.blade == b).sum() == (whole.blade == b).sum()


def test_a_blade_of_less_than_no_thickness_shows_its_upper_edge_alone() -> None:
    """Both its edges were found on one, and an adjustment to them may turn the land inside out."""
    photo, state = photographs(ROTOR, 1)[1], state_of(ROTOR, EYES)
    whole = edges.measure_tips(photo, state, 1, 0, BLUR_PX, 0)
    first, *others = np.unique(whole.blade)
    assert others
    state.rotor.extra_mm[first] = -1.05 * ROTOR.thickness_mm
    state.rotor.heights[first] += 0.525 * ROTOR.thickness_mm
    tips = edges.measure_tips(photo, state, 1, 0, BLUR_PX, 0)
    assert set(tips.face[tips.blade == first]) == {1}
    for b in others:
        assert set(tips.face[tips.blade == b]) == {1, -1}


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("side", [1, 2])
@pytest.mark.parametrize("way", [1, -1])
def test_an_edge_that_runs_off_at_one_end_is_followed_there(
    monkeypatch: pytest.MonkeyPatch, seed: int, side: int, way: int
) -> None:
    """Blades are predicted up to 4 px off at their leading ends, twice what a refinement is trusted with.

    A run is continued by as many points as it has; what is found beyond trust is as good as the rest.
    """
    photo, state, eye = photographs(ROTOR, seed, 0.01)[side], state_of(ROTOR, EYES), EYES[side]
    basis = state.rotor.basis
    knots = basis.start + basis.step * (np.arange(basis.count) - 1)
    state.rotor.heights += way * 1.2 * np.clip(1 - knots / (0.5 * ROTOR.wrap_rad), 0, 1)
    stretches = {(s.blade, s.face): s for s in edges.predicted(state, side, 0, (photo.width, photo.height))}
    tau = np.linspace(0, ROTOR.wrap_rad, 20_000)

    def found() -> tuple[np.ndarray, np.ndarray]:
        """How far points of all edges lie from the painted ones, and from the predicted ones."""
        tips = edges.measure_tips(photo, state, side, 0, BLUR_PX, 0)
        pairs = []
        for (b, face), stretch in stretches.items():
            mine = tips.only((tips.blade == b) & (tips.face == face))
            by_px, _ = off_px(mine.px, mine.normal, stretch.px)
            pairs.append((off_px_of(mine, eye, b, face, tau)[0], by_px))
        off, by_px = (np.concatenate(each) for each in zip(*pairs, strict=True))
        return off, np.abs(by_px)

    off, by_px = found()
    beyond = by_px > edges.LEAST_TRUST_PX  # of a picture of 900 px
    assert beyond.sum() >= 4 and by_px.max() < 3.0
    assert 0.01 < np.sqrt(np.mean(off[beyond] ** 2)) < 0.2
    monkeypatch.setattr(edges, "_carried_on", lambda photo, stretch, centre, steps, blur_px: steps)
    fewer, by_px = found()
    assert by_px.max() < edges.LEAST_TRUST_PX and 4 <= len(off) - len(fewer) <= 12


@pytest.mark.parametrize(
    ("found", "kept"),
    [("", ""), ("1", "0"), ("11", "11"), ("0101100101110", "0001100001110"), ("1011", "0011"), ("1101", "1100")],
)
def test_points_that_stand_alone_are_of_something_else(found: str, kept: str) -> None:
    taken = edges._adjacent(np.array([of == "1" for of in found], bool))
    assert taken.tolist() == [of == "1" for of in kept]


def test_points_on_the_far_side_are_less_sure() -> None:
    """Seen from the side; by the same steps from overhead they are surer, as is the near side's land by its share."""
    n = 5
    steps = profiles.Steps(
        found=np.ones(n, bool),
        offset_px=np.zeros(n),
        sigma_px=np.full(n, 0.04),
        contrast=np.full(n, 50.0),
        level=np.full(n, 100.0),
        snr=np.full(n, 20.0),
        saturated=np.zeros(n, bool),
    )
    of = {(far, side): edges._sigma(steps, far, side, 1.0) for far in (True, False) for side in (True, False)}
    assert of[True, False] == pytest.approx(np.sqrt(0.04**2 + 0.03**2 + (EDGES.texture_share / 0.5) ** 2))
    assert of[True, True] == pytest.approx(1.4 * of[True, False])
    assert of[False, True] == pytest.approx(np.sqrt(0.04**2 + 0.03**2 + (EDGES.land_texture_share / 0.5) ** 2))
    assert of[False, False] == pytest.approx(of[False, True])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_smooth_path_is_followed_past_stronger_specks(seed: int) -> None:
    """Paths of several lengths side by side; a speck that is far off costs more than it brings."""
    rng = generator(seed)
    places = np.arange(-12.0, 13.0)
    wanted, responses = [], []
    for n in (40, 25, 60):
        path = np.round(6 * np.sin(np.linspace(0, 4, n) + rng.uniform(0, 3)))
        response = rng.uniform(0, 0.5, (n, 25))
        response[np.arange(n), path.astype(int) + 12] = 4.0
        response[n // 2, 24 if path[n // 2] < 0 else 0] = 8.0
        wanted.append(path)
        responses.append(response)
    for path, found in zip(wanted, edges.follow(responses, places), strict=True):
        assert np.array_equal(found, path)
    # of two paths alike the prior takes the nearer one, and no step is larger than it may be
    twins = np.zeros((30, 25))
    twins[:, [2, 17]] = 4.0
    (near,) = edges.follow([twins], places, priors=[(places / 12) ** 2])
    assert (near == 5.0).all()
    jump = np.zeros((30, 25))
    jump[:15, 4], jump[15:, 20] = 4.0, 4.0
    (steps,) = edges.follow([jump], places, most_step=2)
    assert np.abs(np.diff(steps)).max() == 2.0
    # between two places as strong, staying costs less than changing to and fro
    shaky = np.zeros((40, 25))
    shaky[:, 12], shaky[::2, 13] = 1.0, 0.1
    shaky[::2, 12] = 0.0
    shaky[:, 13] += 0.9
    (still,) = edges.follow([shaky], places)
    assert len(np.unique(still)) == 1
