"""The plan: places, what is hidden, and the uncertainty promised, against closed forms and against measurements."""

from __future__ import annotations

import json
import math
import os
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from seeds import generator

from bladeangle.adjustment.adjust import adjust
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import Layout
from bladeangle.adjustment.priors import Priors
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import UsageError
from bladeangle.base.geometry import pixels
from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, camera_from_exif
from bladeangle.imaging.ring import Ring, read_ring
from bladeangle.plan import (
    ABOVE_MARGIN_MM,
    Plan,
    RotorSize,
    nominal_rotor,
    nominal_state,
    plan_photographs,
)
from bladeangle.plan.drawing import plan_figure, write_plan
from bladeangle.plan.words import plan_text, plan_to_dict
from bladeangle.records.station import StationOptions
from bladeangle.results.angles import station_angle
from bladeangle.results.expected import expected_view, from_above, from_side, ideal_adjustment, markers_seen
from bladeangle.tuning.expected import TYPICAL
from bladeangle.tuning.value import changed

RING_FILE = Path(__file__).parents[2] / "calibration" / "ring-160-a3.json"
RING = read_ring(RING_FILE)
ROTOR = RotorSize(158.0, 58.0, 3, 11.0, 15.0, "left", 185.0)


def phone() -> Camera:
    """A calibrated phone of three megapixels."""
    out = camera_from_exif(2016, 1512, 26.0)
    return replace(out, covariance=np.diag([0.5, 0.5, 0.5, 1e-3, 3e-3, 1e-4, 1e-4, 3e-3]) ** 2, calibrated=True)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_photographs(ROTOR, RING, phone(), around=6)


# --- Places ----------------------------------------------------------------------------------------------------------


def margin_px(photo: Any, ring: Ring, camera: Camera) -> float:
    """How far the outermost corner of the ring stays inside the picture."""
    corners = np.column_stack([ring.corners_mm.reshape(-1, 2), np.zeros(4 * len(ring.ids))])
    px = pixels(corners @ photo.place.r_camera_ring.T + photo.place.t_camera_ring, camera.parameters)
    return float(min(px.min(), (np.array([camera.width, camera.height]) - 1 - px).min()))


def test_the_camera_is_as_low_as_the_ring_allows(plan: Plan) -> None:
    for photo in (plan.photos[0], plan.photos[-1]):
        per_mm = plan.camera.parameters[0] / photo.place.eye_mm[2]
        assert 0.8 * ABOVE_MARGIN_MM * per_mm < margin_px(photo, RING, plan.camera) < 1.6 * ABOVE_MARGIN_MM * per_mm


def test_the_ring_is_in_every_picture(plan: Plan) -> None:
    for photo in plan.photos[1:-1]:
        assert 20 < margin_px(photo, RING, plan.camera) < 300


def test_the_order_is_that_of_shooting(plan: Plan) -> None:
    assert [p.number for p in plan.photos] == list(range(1, 9))
    assert [p.view for p in plan.photos] == ["overhead", *["oblique"] * 6, "overhead"]
    assert [p.standing for p in plan.photos] == [*["inlet_up"] * 7, "outlet_up"]
    assert [round(p.place.azimuth_deg) for p in plan.photos[1:-1]] == [0, 60, 120, 180, 240, 300]
    for photo in plan.photos[1:-1]:
        x, y, z = photo.place.eye_mm
        assert math.degrees(math.atan2(z - 15.0, math.hypot(x, y))) == pytest.approx(photo.down_deg, abs=0.01)
    assert sorted(p.down_deg for p in plan.photos[1:-1]) == [25.0] * 2 + [40.0] * 4


def test_the_standard_set_is_a_pair_and_three_from_two_elevations() -> None:
    standard = plan_photographs(ROTOR, RING, phone())
    assert [p.down_deg for p in standard.photos] == [90.0, 40.0, 40.0, 25.0, 90.0]
    assert [round(p.place.azimuth_deg) for p in standard.photos[1:-1]] == [0, 120, 240]
    for used, new in zip(standard.expectations, standard.new_tips, strict=True):
        for station in ("entry", "exit"):
            a, b = used.single_deg[station], new.single_deg[station]
            assert (a is None) == (b is None)
            assert a is None or b is None or 1.1 < a / b < 3.0  # what is known of tips is worth something
    pair, three = standard.expectations[1].single_deg["entry"], standard.expectations[-1].single_deg["entry"]
    assert pair is not None and three is not None
    assert 2.0 < pair / three < 8.0  # what the three are for


# --- What is hidden --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height_mm", [180.0, 200.0, 220.0, 260.0, 300.0])
def test_a_tip_hides_paper_out_to_the_shadow_of_its_ray(height_mm: float) -> None:
    """Radius R and height z seen from H on the axis: out to R H / (H - z), by similar triangles."""
    rotor, _ = nominal_rotor(ROTOR, RING, StationOptions())
    state = nominal_state(rotor, RING, phone(), ROTOR.height_mm, [(from_above(height_mm), 0)])
    top = float((rotor.basis.matrix(rotor.ends[:, 0]) @ rotor.heights[0])[0])
    shadow = rotor.radius_mm * height_mm / (height_mm - top)
    state.camera[1:3] = 5e5  # a picture as wide as can be, so that only the shadow hides
    seen = markers_seen(RING, state, 0, 0, (10**6, 10**6))
    nearest = float(np.linalg.norm(RING.corners_mm, axis=2).min())
    assert bool(seen.all()) == (nearest > shadow) == bool(seen.any())


def test_from_the_side_the_markers_behind_the_rotor_are_hidden(plan: Plan) -> None:
    centre = RING.corners_mm.mean(1)
    azimuth = np.degrees(np.arctan2(centre[:, 1], centre[:, 0]))
    for photo in plan.photos[1:-1]:
        off = np.abs((azimuth - photo.place.azimuth_deg + 180) % 360 - 180)
        hidden = np.isin(RING.ids, photo.hidden_markers)
        assert hidden[off > 160].all() and not hidden[off < 80].any()
    assert not plan.photos[0].hidden_markers and not plan.photos[-1].hidden_markers


def test_the_next_blade_hides_what_it_overlaps() -> None:
    """Wrap less the pitch of the blades is overlap: from above the lower blade's end lies under the next one."""
    for length, overlapping in ((150.0, False), (200.0, True)):
        found = plan_photographs(replace(ROTOR, tip_length_mm=length), RING, phone(), around=0)
        rotor, _ = nominal_rotor(found.rotor, RING, StationOptions())
        pitch_mm = 2 * math.pi * rotor.radius_mm / 3
        free = (min(float(rotor.ends[0, 1]) * rotor.radius_mm, pitch_mm)) / math.cos(math.radians(13))
        inlet, outlet = found.photos
        for blade in (1, 2, 3):
            (low, high), *more = inlet.seen_mm[blade]
            assert not more
            assert low == pytest.approx(5.0, abs=2.0)  # the end itself, less its margin
            assert high == pytest.approx(free - 5.0, abs=4.0)
            assert outlet.seen_mm[blade][0][1] == pytest.approx(length - 5.0, abs=2.0)
        assert ((1, "exit") in inlet.shows) == (not overlapping)
        assert (1, "entry") in inlet.shows and (1, "exit") in outlet.shows


# --- The nominal rotor and its ideal observations --------------------------------------------------------------------


@pytest.mark.parametrize("hand", ["left", "right"])
def test_the_nominal_rotor_has_the_angles_asked_for(hand: str) -> None:
    options = StationOptions()
    rotor, length = nominal_rotor(replace(ROTOR, hand=hand), RING, options)
    assert length == 185.0
    for blade in range(3):
        assert station_angle(rotor, blade, "entry", options) == pytest.approx(11.0, abs=0.02)
        assert station_angle(rotor, blade, "middle", options) == pytest.approx(13.0, abs=0.02)
        assert station_angle(rotor, blade, "exit", options) == pytest.approx(15.0, abs=0.02)
    # hub faces stand out beyond the blades at either end
    z = rotor.basis.matrix(rotor.ends[0]) @ rotor.heights[0]
    assert 0 < z[1] < z[0] < ROTOR.height_mm


@pytest.mark.parametrize(("place", "standing"), [("above", 0), ("above", 1), ("side", 0), ("side", 1)])
def test_ideal_observations_have_no_residual(place: str, standing: int) -> None:
    rotor, _ = nominal_rotor(ROTOR, RING, StationOptions())
    camera = from_above(280.0) if place == "above" else from_side(0.7, 330.0)
    state = nominal_state(rotor, RING, phone(), ROTOR.height_mm, [(camera, standing), (from_above(300.0), 1)])
    view = expected_view(RING, state, 0, standing, (2016, 1512), TYPICAL, circles=place == "above")
    kinds = {}
    for rows in Equations(RING, Layout(state), [view], [0], [standing]).rows(state):
        assert np.abs(rows.residual).max() < 0.02, rows.kind
        assert (rows.sigma > 0).all()
        kinds[rows.kind] = len(rows.residual)
    upper = "inlet tips" if standing == 0 else "outlet tips"
    lower = "outlet tips" if standing == 0 else "inlet tips"
    assert kinds["ring"] >= 10 * 48 and kinds[upper] > 20
    assert (lower in kinds) == (place == "side")
    assert ("circle" in kinds) == (place == "above")


@pytest.mark.parametrize("shots", [[("above", 0)], [("above", 0), ("above", 1), ("side", 0), ("side", 1)]])
def test_ideal_photographs_are_worth_what_the_adjustment_says(shots: list[tuple[str, int]]) -> None:
    """The equations are built in another place here; without sway the adjustment can be asked directly."""
    rotor, _ = nominal_rotor(ROTOR, RING, StationOptions())
    camera = phone()
    places = [(from_above(285.0) if where == "above" else from_side(2.0, 330.0), s) for where, s in shots]
    state = nominal_state(rotor, RING, camera, ROTOR.height_mm, places)
    views = tuple(
        expected_view(RING, state, p, s, (2016, 1512), TYPICAL, circles=shots[p][0] == "above")
        for p, (_, s) in enumerate(places)
    )
    priors = Priors(camera.parameters, camera.covariance, radius_mm=rotor.radius_mm)
    ours = ideal_adjustment(RING, views, state, priors, (0.0, 0.0))
    theirs = adjust(RING, views, state, priors, rescale=False)
    ratio = np.sqrt(np.diag(ours.covariance) / np.diag(theirs.covariance))
    # the adjustment takes a small step towards what the priors say of hub and thickness, which moves the derivatives
    assert np.abs(ratio - 1).max() < 0.05 and np.median(np.abs(ratio - 1)) < 0.002
    for kind in ("ring", "inlet tips"):
        a, b = (x.shifts[kind] / np.sqrt(np.diag(theirs.covariance)) for x in (ours, theirs))
        assert np.linalg.norm(a - b) < 0.05 * np.linalg.norm(b)
    swayed = ideal_adjustment(RING, views, state, priors, (2.0, 2.0))
    growth = np.sqrt(np.diag(swayed.covariance) / np.diag(ours.covariance))
    fat_print = ours.layout["sheet"].stop - 1  # which looks like markers that are larger by pixels, from above
    others = np.delete(growth, fat_print)
    assert others.min() > 0.999 and 1.05 < others.max() < 10 and growth[fat_print] > 2


# --- What to expect --------------------------------------------------------------------------------------------------


def test_more_photographs_never_make_it_worse(plan: Plan) -> None:
    assert [e.photos for e in plan.expectations] == [1, 2, 3, 4, 5, 6, 8]
    assert plan.expectations[0].seen == {"entry": 3, "middle": 0, "exit": 0}
    assert plan.expectations[1].seen == {"entry": 3, "middle": 3, "exit": 3}
    for station in STATIONS:
        single = [u for e in plan.expectations if (u := e.single_deg[station]) is not None]
        assert all(b <= 1.001 * a for a, b in pairwise(single))
        for e in plan.expectations:
            u, mean = e.single_deg[station], e.mean_deg[station]
            assert (u is None) == (mean is None)
            if u is not None and mean is not None:
                assert 0 < mean < u < 2


def test_sharper_edges_promise_less_but_not_beyond_the_axis() -> None:
    sharp = changed(TYPICAL, overhead_px=TYPICAL.overhead_px / 4)
    coarse, fine = (plan_photographs(ROTOR, RING, phone(), 0, typical=t).expectations[1] for t in (TYPICAL, sharp))
    for station in ("entry", "exit"):
        a, b = coarse.single_deg[station], fine.single_deg[station]
        assert a is not None and b is not None
        assert 1.05 < a / b < 4.0


def test_a_phone_that_is_not_calibrated_costs_the_mean() -> None:
    known = plan_photographs(ROTOR, RING, phone(), 0).expectations[1]
    unknown = plan_photographs(ROTOR, RING, camera_from_exif(2016, 1512, 26.0), 0).expectations[1]
    for station, angle in (("entry", 11.0), ("exit", 15.0)):
        a, b = known.mean_deg[station], unknown.mean_deg[station]
        assert a is not None and b is not None
        # one per cent of focal length is about one per cent of the tangent: at 4 per cent, 0.4 to 0.6 degrees
        share = math.degrees(0.04 * math.tan(math.radians(angle)))
        assert 0.7 * share < math.sqrt(b**2 - a**2) < 1.3 * share


# --- Refusals, words and drawing -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"diameter_mm": 230.0}, "does not fit inside the ring"),
        ({"diameter_mm": 20.0}, "outside 30 to 400"),
        ({"entry_deg": 75.0}, "entry angle"),
        ({"blades": 0}, "blade count"),
        ({"tip_length_mm": 60.0}, "no room for two stations"),
        ({"diameter_mm": 210.0, "height_mm": 150.0}, "too narrow"),
    ],
)
def test_what_cannot_be_planned_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError) as caught:
        plan_photographs(replace(ROTOR, **change), RING, phone(), 2)
    assert words in caught.value.message
    assert caught.value.hint


def test_the_steps_name_every_photograph(plan: Plan) -> None:
    text = plan_text(plan, lambda mm: f"{mm:.0f} mm")
    for photo in plan.photos:
        assert re.search(rf"[Pp]hotograph {photo.number}:", text)
    assert f"lens {plan.photos[0].place.eye_mm[2]:.0f} mm over the sheet" in text
    assert "not seen" in text and "not calibrated" not in text
    assert max(map(len, text.splitlines())) <= 110
    assert "Used tips" in text and "Tips known to be new" in text
    data: Any = plan_to_dict(plan)
    assert json.loads(json.dumps(data)) == data
    assert [e["photos"] for e in data["expected"]] == [1, 2, 3, 4, 5, 6, 8]


def test_the_drawing_shows_places_and_sizes(plan: Plan, tmp_path: Path) -> None:
    above, side, expected = plan_figure(plan).axes
    labels = {t.get_text() for t in above.texts}
    assert {"1 and 8", "2", "3", "4", "5", "6", "7", "arrow"} <= labels
    x, y = next(t.get_position() for t in above.texts if t.get_text() == "3")
    assert math.degrees(math.atan2(y, x)) == pytest.approx(60.0, abs=0.1)
    assert f"{plan.photos[0].place.eye_mm[2]:.0f} mm" in {t.get_text() for t in side.texts}
    assert expected.get_yscale() == "log" and len(expected.lines) == 6
    for name, start in (("plan.png", b"\x89PNG"), ("plan.svg", b"<?xml"), ("plan.pdf", b"%PDF")):
        write_plan(tmp_path / name, plan)
        assert (tmp_path / name).read_bytes().startswith(start)
    _, side, _ = plan_figure(plan, inches=True).axes
    words = {t.get_text() for t in side.texts}
    assert f"{plan.photos[0].place.eye_mm[2] / 25.4:.1f} in" in words and not any("mm" in w for w in words)
    assert side.get_xlabel() == "in" and side.xaxis.get_major_formatter()(101.6, 0) == "4"
    with pytest.raises(UsageError):
        write_plan(tmp_path / "plan.docx", plan)
    assert not (tmp_path / "plan.docx").exists()


WORDS = [
    "plan",
    "--diameter",
    "158",
    "--height",
    "58",
    "--blades",
    "3",
    "--entry",
    "11",
    "--exit",
    "15",
    "--around",
    "0",
]


def test_the_command(tmp_path: Path) -> None:
    ring = ["--ring", str(RING_FILE)]
    drawing = tmp_path / "plan.svg"
    result = CliRunner().invoke(main, [*WORDS, *ring, "--out", str(drawing)])
    assert result.exit_code == 0, result.output
    assert "Photograph 1: from straight above" in result.stdout and "a pair from above" in result.stdout
    assert "26 mm-equivalent" in result.stderr and drawing.exists()
    result = CliRunner().invoke(main, [*WORDS, *ring, "--json", "--focal-35mm", "24", "--picture", "4000x3000"])
    data = json.loads(result.stdout)
    assert data["camera"]["width"] == 4000 and len(data["photos"]) == 2
    wide = data["photos"][0]["eye_mm"][2]
    result = CliRunner().invoke(main, [*WORDS, *ring, "--json", "--focal-35mm", "48", "--picture", "4000x3000"])
    assert json.loads(result.stdout)["photos"][0]["eye_mm"][2] == pytest.approx(2 * wide, abs=8)


def test_the_command_refuses(tmp_path: Path) -> None:
    for more, code in (
        (["--ring", str(tmp_path / "none.json")], 4),
        (["--ring", str(RING_FILE), "--picture", "large"], 2),
        (["--ring", str(RING_FILE), "--diameter", "390"], 2),
        (["--ring", str(RING_FILE), "--out", str(tmp_path / "no" / "plan.png")], 9),
    ):
        assert CliRunner().invoke(main, [*WORDS, *more]).exit_code == code, more


# --- Against measurements of rendered photographs --------------------------------------------------------------------


def promised_over_stated(folder: Path, seed: int) -> dict[str, list[float]]:
    """Ratios of single blades and of means at all stations, of a random rotor; its pair is taken by hand as planned."""
    from bladeangle.imaging.ring import ring_from_dict
    from bladeangle.pipeline.measure import measure
    from tests import synthetic

    model = synthetic.CameraModel().scaled(2016, 1512)
    values = np.array([model.f_px, model.cx_px, model.cy_px, *model.dist])
    known = {"phone": f"Workshop {model.name}", "focal_35mm": model.focal_35mm}  # as a calibration writes it
    camera = replace(phone(), parameters=values, provenance=known)
    rng = generator(seed)
    shape = synthetic.random_rotor(rng)
    scenes = synthetic.rotor_photos(rng, shape, model, views=("inlet", "outlet"))
    ring = ring_from_dict(scenes[0].sheets[0].definition)
    first, last = shape.laws[0](np.array([0.0, 1.0]))
    share = 18.0 / shape.tip_length_mm
    size = RotorSize(
        2 * shape.tip_radius_mm,
        shape.height_mm,
        shape.blades,
        float(first + share * (last - first)),
        float(last - share * (last - first)),
        "right" if shape.hand > 0 else "left",
        shape.tip_length_mm,
    )
    found = plan_photographs(size, ring, camera, 0)
    paths = []
    for scene, photo in zip(scenes, (found.photos[0], found.photos[-1]), strict=True):
        eye = photo.place.eye_mm + rng.normal(0.0, 5.0, 3)
        view = synthetic.CameraPose.looking(eye, np.array([*rng.uniform(-4, 4, 2), 0.0]), float(rng.uniform(0, 360)))
        exposure = replace(scene.exposure, colour=False)
        paths.append(folder / scene.name)
        synthetic.write_photo(paths[-1], replace(scene, view=view, exposure=exposure))
    budget = measure(paths[:1], paths[1:], ring, camera).stations.budget
    variance = np.diag(budget.covariance_deg2)
    ratios: dict[str, list[float]] = {"single": [], "mean": []}
    for station in STATIONS:
        weights = budget.mean_weights(station)
        single, mean = found.expectations[1].single_deg[station], found.expectations[1].mean_deg[station]
        if weights is not None and single is not None and mean is not None:
            ratios["single"].append(single / math.sqrt(float(weights @ variance)))
            ratios["mean"].append(mean / budget.of(weights)[0])
    return ratios


def test_the_promise_is_kept(tmp_path: Path) -> None:
    """Two rotors; of fifty, eight of ten lie between 0.8 and 1.4 (single blades), 0.65 and 1.5 (means)."""
    cases = [promised_over_stated(tmp_path, seed) for seed in (1, 2)]
    for what, least, most in (("single", 0.4, 2.0), ("mean", 0.3, 2.2)):
        ratios = np.concatenate([case[what] for case in cases])
        assert len(ratios) >= 5
        assert least < ratios.min() and ratios.max() < most, (what, ratios)
        # pairs state more than the plan expects where their two ends do not fit each other well
        assert 0.5 < np.exp(np.log(ratios).mean()) < 1.5, (what, ratios)


@pytest.mark.campaign
def test_the_promise_against_rendered_photographs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Prints expected over stated uncertainty.

    Stated uncertainties follow the light and the metal of each photograph, which a plan cannot know; so single cases
    scatter, and the middle of them is held. PLAN_CASES says how many.
    """
    from bladeangle.base.errors import BladeangleError

    ratios: dict[str, list[float]] = {"single": [], "mean": []}
    refused = 0
    for seed in range(int(os.environ.get("PLAN_CASES", "50"))):
        try:
            found = promised_over_stated(tmp_path, seed)
        except BladeangleError:
            refused += 1
            continue
        for what in ratios:
            ratios[what] += found[what]
    with capsys.disabled():
        print(f"\nrefused {refused}")  # noqa: T201
        for what, of in ratios.items():
            r = np.array(of)
            low, middle, high = np.quantile(r, [0.1, 0.5, 0.9])
            within = float((np.abs(r - 1) < 0.2).mean())
            print(f"{what:7} {len(r)} angles: ratio {middle:.2f} ({low:.2f} to {high:.2f}), within 20 %: {within:.0%}")  # noqa: T201
    for of in ratios.values():
        assert 0.85 < np.median(of) < 1.18
