"""Where blades end in a shipped photograph and in painted ones, and whether enough ends are seen for the number."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from painted import ABOVE, SIDES, Painted, photographs, state_of

from bladeangle.adjustment.model import EndPoints
from bladeangle.base.errors import EdgesError
from bladeangle.detection import blade_ends, outline
from bladeangle.imaging.camera import read_camera
from bladeangle.imaging.ring import read_ring
from bladeangle.pipeline.measure import Measurement, measure
from bladeangle.tuning.edges import EDGES
from bladeangle.tuning.value import changed

ROOT = Path(__file__).resolve().parents[2]


def inlet_measured() -> Measurement:
    """The shipped rotor as its inlet photograph alone shows it."""
    ring = read_ring(ROOT / "calibration" / "trial-ring.json")
    camera = read_camera(ROOT / "calibration" / "camera-pocket7.json")
    return measure([ROOT / "fixtures" / "rotor-a" / "inlet.jpg"], [], ring, camera)


@pytest.fixture(scope="module")
def inlet() -> Measurement:
    return inlet_measured()


@pytest.mark.parametrize("off_mm", [-9.0, 9.0])
def test_an_end_a_centimetre_from_where_it_is_expected_is_found(
    inlet: Measurement, monkeypatch: pytest.MonkeyPatch, off_mm: float
) -> None:
    photo, blur_px = inlet.shots[0].photo, inlet.shots[0].sighting.blur_px
    right = blade_ends.measure_ends(photo, inlet.result.state, 0, 0, blur_px, 5.0)
    leading = right.end == 0
    assert right.blade[leading].tolist() == [0, 1, 2]
    moved = inlet.result.state.copy()
    moved.rotor.ends[:, 0] += off_mm / moved.rotor.radius_mm
    found = blade_ends.measure_ends(photo, moved, 0, 0, blur_px, 5.0)
    again = found.end == 0
    assert found.blade[again].tolist() == [0, 1, 2]
    apart = np.linalg.norm(found.px[again] - right.px[leading], axis=1)
    assert apart.max() < 3 * right.sigma_px[leading].max()  # 9 mm are more than 70 px
    monkeypatch.setattr(blade_ends, "EDGES", changed(EDGES, lost_end_factor=1.0))
    assert not (blade_ends.measure_ends(photo, moved, 0, 0, blur_px, 5.0).end == 0).any()


def seen_ends(standing: str, leading: int, trailing: int) -> Any:
    """A view that shows so many blades' leading and trailing ends."""
    blade = np.array([*range(leading), *range(trailing)], int)
    end = np.array([0] * leading + [1] * trailing, int)
    n = len(blade)
    points = EndPoints(blade, end, np.zeros((n, 2)), np.zeros((n, 2)), np.ones(n))
    return SimpleNamespace(name=f"{standing}.jpg", setup=standing, ends=points)


@pytest.mark.parametrize(
    ("blades", "inlet_ends", "outlet_ends", "refused"),
    [
        (4, (2, 2), (2, 2), True),  # as of two blades taken for four
        (3, (1, 0), (0, 1), True),  # as of two blades taken for three
        (5, (2, 5), (5, 3), True),  # five of ten, beside ten lower ends that do not count
        (5, (3, 5), (5, 3), False),
        (4, (3, 0), (0, 3), False),
        (2, (1, 0), (0, 1), True),
        (2, (1, 0), (0, 2), False),
    ],
)
def test_blades_must_begin_somewhere(
    blades: int, inlet_ends: tuple[int, int], outlet_ends: tuple[int, int], refused: bool
) -> None:
    views = [seen_ends("inlet_up", *inlet_ends), seen_ends("outlet_up", *outlet_ends)]
    state: Any = SimpleNamespace(rotor=SimpleNamespace(blades=blades))
    upper = inlet_ends[0] + outlet_ends[1]
    if refused:
        with pytest.raises(EdgesError, match=f"where {blades} blades should begin, only {upper} of {2 * blades} ends"):
            blade_ends.confirm_count(views, state)
    else:
        blade_ends.confirm_count(views, state)


def test_one_of_two_ends_of_a_single_photograph_is_enough() -> None:
    state: Any = SimpleNamespace(rotor=SimpleNamespace(blades=2))
    blade_ends.confirm_count([seen_ends("inlet_up", 1, 0)], state)
    with pytest.raises(EdgesError, match="only 0 of 2"):
        blade_ends.confirm_count([seen_ends("inlet_up", 0, 2)], state)


def test_a_wrong_number_of_blades_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The shipped rotor's three blades, taken for six."""
    look_at = outline._look_at

    def six(look: outline.Look) -> outline._Seen:
        seen = look_at(look)
        (turn, _), tooth = max(seen.teeth.items(), key=lambda item: item[1].score)
        six = replace(tooth, each=np.tile(tooth.each, 2))
        return outline._Seen(look, seen.rim_mm, seen.strength, {(turn, 6): six})

    monkeypatch.setattr(outline, "_look_at", six)
    with pytest.raises(EdgesError, match="where 6 blades should begin"):
        inlet_measured()


# --- on painted pictures, whose edges are known ----------------------------------------------------------------------

ROTOR = Painted()
EYES = (ABOVE, *SIDES)
BLUR_PX = 0.85  # 0.8 px of Gaussian blur and a pixel's own width


@pytest.mark.parametrize("off_mm", [0.0, 3.0])
def test_ends_are_where_blades_begin(off_mm: float) -> None:
    """Seen from above, trailing ends lie under the next blade; of short blades they do not.

    A strong edge is as good within 0.4 mm either way, and the place nearest to what is expected is taken.
    """
    for wrap, seen in ((2.2, 3), (1.8, 6)):
        rotor = Painted(wrap_rad=wrap)
        photo, state = photographs(rotor, 1)[0], state_of(rotor, EYES)
        wanted = [(b, end) for b in range(3) for end in (0, 1)][:: 2 if seen == 3 else 1]
        assert blade_ends.ends_in_sight(state, 0, 0) == wanted
        state.rotor.ends += np.array([off_mm, -off_mm]) / rotor.radius_mm
        found = blade_ends.measure_ends(photo, state, 0, 0, BLUR_PX, 6.0)
        assert list(zip(found.blade.tolist(), found.end.tolist(), strict=True)) == wanted
        for (b, end), px, along, sigma in zip(wanted, found.px, found.normal, found.sigma_px, strict=True):
            at = np.array([0.0, 0.01]) if end == 0 else np.array([wrap, wrap + 0.01])
            true, further = ABOVE.px(rotor.tip(b, 1, at))
            assert abs(float((px - true) @ along)) < (0.2 + 0.15 * off_mm) * 6.0  # mm x px / mm
            assert float((further - true) @ along) > 0
            assert 0.3 * 5.3 < sigma < 0.3 * 6.4 + 1.0


@pytest.mark.parametrize("side", [1, 2])
def test_ends_that_look_away_are_not_looked_for_from_the_side(side: int) -> None:
    """Those whose radius points within 60 degrees of the camera are."""
    state, eye = state_of(ROTOR, EYES), EYES[side]
    towards = []
    for b in range(3):
        for end in (0, 1):
            at = ROTOR.tip(b, 0, np.array([end * ROTOR.wrap_rad]))[0, :2]
            away = np.array(eye.place_mm[:2]) - at
            if np.degrees(np.arccos(at @ away / np.linalg.norm(at) / np.linalg.norm(away))) < 60:
                towards.append((b, end))
    assert 0 < len(towards) < 6
    assert blade_ends.ends_in_sight(state, side, 0) == towards
