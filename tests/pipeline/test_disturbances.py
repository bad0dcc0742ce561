"""A shipped photograph with its pixels sheared as a rolling shutter does it: what is said of it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bladeangle.adjustment.model import TipPoints
from bladeangle.base.files import import_cv2
from bladeangle.base.flags import Flag
from bladeangle.detection.second_edge import SecondEdge
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline import disturbances as disturbing
from bladeangle.pipeline.disturbances import Disturbances, _hardly_seen, disturbances, without_excluded
from bladeangle.pipeline.measure import Measurement, measure
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.shots import upper_edges
from bladeangle.tuning.pipeline import DISTURBANCES

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = ROOT / "fixtures" / "rotor-a"
SHEAR = 0.0008
LINE = "pictures sheared by movement"


@pytest.fixture(scope="module")
def sheared(ring: Ring, camera: Camera, tmp_path_factory: pytest.TempPathFactory) -> Measurement:
    cv2 = import_cv2()
    image = cv2.imread(str(PHOTOS / "outlet.jpg"))
    h, w = image.shape[:2]
    move = np.array([[1.0, SHEAR, -SHEAR * h / 2], [0.0, 1.0, 0.0]])
    path = tmp_path_factory.mktemp("sheared") / "outlet.jpg"
    cv2.imwrite(str(path), cv2.warpAffine(image, move, (w, h), flags=cv2.INTER_CUBIC), [cv2.IMWRITE_JPEG_QUALITY, 93])
    return measure([PHOTOS / "inlet.jpg"], [path], ring, camera)


def test_sound_photographs_are_not_said_to_be_sheared(sound: Measurement) -> None:
    assert not {"picture-sheared", "picture-uneven"} & {f.code for f in sound.flags}


def test_of_a_pair_both_are_named_with_how_far(sheared: Measurement) -> None:
    told = {f.photo: f.text for f in sheared.flags if f.code == "picture-sheared"}
    assert set(told) == {"inlet.jpg", "outlet.jpg"}
    assert "this picture or inlet.jpg" in told["outlet.jpg"] and "this picture or outlet.jpg" in told["inlet.jpg"]
    found = [float(text.split("by ")[1].split(" %")[0]) for text in told.values()]
    assert all(0.05 < percent < 0.11 for percent in found)
    assert "picture-uneven" not in {f.code for f in sheared.flags}  # the other explanation of moved markers


def test_intervals_reach_what_the_shear_changed(sound: Measurement, sheared: Measurement) -> None:
    assert sound.stations.labels == sheared.stations.labels
    change = np.abs(sheared.stations.angle_deg - sound.stations.angle_deg)
    line = {line.name: line for line in sheared.stations.budget.lines}[LINE]
    u = np.sqrt(np.diag(line.covariance_deg2))
    most = int(change.argmax())
    assert 0.2 < change[most] < 3.0
    assert 0.3 < change[most] / u[most] < 3.0
    whole = np.sqrt(np.diag(sheared.stations.budget.covariance_deg2))
    assert (change < 3 * whole).all()


@pytest.mark.slow
def test_a_photograph_from_the_side_that_shows_few_edges_is_doubted(pair_and_two: tuple[Measurement, Any]) -> None:
    measurement, _ = pair_and_two
    result, shots = measurement.result, measurement.shots
    found, wanted = upper_edges(result, 2, shots[2])
    assert DISTURBANCES.seen_share * wanted < found <= 1.1 * wanted
    assert [_hardly_seen(result, p, shot) for p, shot in enumerate(shots)] == [None] * 4
    for kept, doubted in ((math.ceil(DISTURBANCES.seen_share * wanted), False), (int(0.38 * wanted), True)):
        residual_px = list(result.residual_px)
        upper = result.views[2].tips_of(1)
        assert upper is not None
        near = np.flatnonzero(~upper.far)
        off_px = residual_px[2]["inlet tips"].copy()
        off_px[near[kept:]] = np.nan
        residual_px[2] = residual_px[2] | {"inlet tips": off_px}
        flag = _hardly_seen(replace(result, residual_px=residual_px), 2, shots[2])
        assert (flag is not None) == doubted
        assert flag is None or (flag.code == "photos-disagree" and f"Only {100 * kept / wanted:.0f} %" in flag.text)
    none = [residual_px[0], residual_px[1], {}, {}]
    views = tuple(v if p < 2 else replace(v, tips=TipPoints.none()) for p, v in enumerate(result.views))
    assert _hardly_seen(replace(result, residual_px=none, views=views), 2, shots[2]) is None  # which is told elsewhere
    # lower edges alone are seen
    flag = _hardly_seen(replace(result, residual_px=none), 2, shots[2])
    assert flag is not None and "Only 0 %" in flag.text


@pytest.mark.slow
def test_a_second_edge_that_the_side_excludes_is_none(
    pair_and_two: tuple[Measurement, Any], sound: Measurement
) -> None:
    """One 15 px away from a tip is; one within a twentieth of a pixel is not, nor any where all is from above."""
    for measurement, of_side in ((pair_and_two[0], True), (sound, False)):
        result = measurement.result
        tips = result.views[0].tips
        assert tips is not None
        edges, flags = [], []
        for blade, off_px in ((0, 15.0), (1, 0.05)):
            mine = np.flatnonzero(tips.blade == blade)
            edges.append(SecondEdge(blade, off_px, 1.0, mine, np.full(len(mine), off_px)))
            flags.append(Flag("two-edges", "A second edge.", result.views[0].name, blade + 1))
        kept = Flag("picture-uneven", "Shifted.", result.views[0].name)
        found = Disturbances({}, {}, {0: edges, 1: []}, (*flags, kept))
        left = without_excluded(found, result)
        assert left.flags == ((flags[1], kept) if of_side else found.flags)
        assert [edge.blade for edge in left.edges[0]] == ([1] if of_side else [0, 1])
        assert left.edges[1] == []


def test_of_an_unlikely_rotor_a_short_second_edge_is_a_doubt(
    sound: Measurement, ring: Ring, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where shadows were taken for the tips, little of the tips lies close beside them."""
    tips = sound.result.views[0].tips
    assert tips is not None
    mine = np.flatnonzero(tips.blade == 0)
    edge = SecondEdge(0, 11.0, 0.16, mine, np.full(len(mine), 11.0))
    monkeypatch.setattr(disturbing, "second_edges", lambda photo, *_: [edge] if photo is sound.shots[0].photo else [])
    priors = priors_of(sound.camera, sound.options, ring)

    def codes(overlap: float) -> set[str]:
        cost = sound.result.prior_cost | {"overlap": overlap}
        found = disturbances(sound.shots, replace(sound.result, prior_cost=cost), ring, priors)
        assert found.edges[0] == [edge]
        return {flag.code for flag in found.flags if flag.blade == 1}

    assert codes(3.0) == {"edge-beside"}
    assert codes(16.0) == {"two-edges"}
