"""Mixed-up photographs are told by what they show, on the shipped photographs and small renders."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from rendered_ring import CALIBRATION
from simulated import observe
from simulated_run import measured
from simulated_truth import Changes, Noise, random_truth

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError, PhotoError, RingNotFoundError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import rotation
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import read_photo
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline import judged
from bladeangle.pipeline.disturbances import disturbances, widened
from bladeangle.pipeline.ends import End
from bladeangle.pipeline.measure import Measurement, measure
from bladeangle.pipeline.mixups import contradictions
from bladeangle.pipeline.options import priors_of
from bladeangle.pipeline.turning import quarter_turned
from bladeangle.results.two_rotors import differences

PHOTOS = CALIBRATION.parent / "fixtures" / "rotor-a"
INLET, OUTLET = PHOTOS / "inlet.jpg", PHOTOS / "outlet.jpg"


def read(path: Path) -> np.ndarray:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION), np.uint8)


def saved(image: np.ndarray, path: Path, quality: int = 92) -> Path:
    """A JPEG with the data of the inlet's photograph."""
    with Image.open(INLET) as source:
        Image.fromarray(np.ascontiguousarray(image)).save(path, quality=quality, exif=source.info["exif"])
    return path


def test_sound_photographs_raise_no_doubt_of_a_mix_up(sound: Measurement) -> None:
    codes = {flag.code for flag in sound.flags}
    assert not codes & {"rotors-differ", "two-edges", "picture-uneven", "ends-exchanged", "rotor-moved"}
    assert [flag.code for flag in sound.flags].count("taken-as-given") == 1


@pytest.mark.parametrize("name", ["inlet", "outlet"])
def test_a_rotor_that_was_not_turned_over(ring: Ring, camera: Camera, tmp_path: Path, name: str) -> None:
    """The same end again, from a camera 6 mm lower and turned by 100 degrees: enlarged and turned about its axis."""
    turn = cv2.getRotationMatrix2D(tuple(camera.parameters[1:3]), 100.0, 1.02)
    image = cv2.warpAffine(read(PHOTOS / f"{name}.jpg"), turn, (camera.width, camera.height), borderValue=200)
    again = saved(image, tmp_path / "again.jpg")
    files = {"inlet": INLET, "outlet": OUTLET} | {"outlet" if name == "inlet" else "inlet": again}
    with pytest.raises(AdjustmentError, match="show the same end of the rotor") as raised:
        measure([files["inlet"]], [files["outlet"]], ring, camera)
    assert raised.value.exit_code == 7 and "Turn the rotor over" in raised.value.hint


def test_one_photograph_saved_twice(ring: Ring, camera: Camera, tmp_path: Path) -> None:
    copy = saved(np.clip(read(INLET) * 0.9, 0, 255).astype(np.uint8), tmp_path / "copy.jpg", 70)
    with pytest.raises(UsageError, match="are the same photograph, saved twice"):
        measure([INLET], [copy], ring, camera)


def test_turned_was_forgotten(ring: Ring, camera: Camera) -> None:
    with pytest.raises(AdjustmentError, match="show different ends of the rotor, or two rotors") as raised:
        measure([INLET, OUTLET], [], ring, camera)
    assert "--turned" in raised.value.hint


@pytest.mark.parametrize("larger", [140 / 160, 152 / 160, 180 / 160])
def test_the_definition_of_another_ring(ring: Ring, camera: Camera, larger: float) -> None:
    """The same markers on a circle for larger or smaller rotors, each half as much larger."""
    middle = ring.corners_mm.mean(1, keepdims=True)
    other = replace(ring, corners_mm=middle * larger + (ring.corners_mm - middle) * larger**0.5)
    with pytest.raises(RingNotFoundError, match="shows another ring than the ring definition"):
        measure([INLET], [OUTLET], other, camera)


@pytest.mark.parametrize("turns", [1, 3])
def test_pixels_turned_by_a_quarter(sound: Measurement, ring: Ring, camera: Camera, tmp_path: Path, turns: int) -> None:
    """Put right by turning the camera file: the same angles as without, within a tenth of their uncertainty or so."""
    paths = [saved(np.rot90(read(path), turns), tmp_path / path.name, 97) for path in (INLET, OUTLET)]
    found = measure(paths[:1], paths[1:], ring, camera)
    assert "quarter-turned" in {flag.code for flag in found.flags}
    assert (found.camera.width, found.camera.height) == (camera.height, camera.width)
    assert found.stations.labels == sound.stations.labels
    u_deg = np.sqrt(np.diag(sound.stations.budget.covariance_deg2))
    assert (np.abs(found.stations.angle_deg - sound.stations.angle_deg) < u_deg).all()
    with pytest.raises(PhotoError, match="turned by a quarter"):
        measure(paths[:1], [OUTLET], ring, camera)


def test_a_camera_turned_by_four_quarters_is_itself(camera: Camera) -> None:
    """A quarter puts pixel (x, y) at (y, width - 1 - x), as numpy's rot90 does; lens and covariance turn along."""
    once = quarter_turned(camera, 1)
    f_px, cx_px, cy_px = camera.parameters[:3]
    np.testing.assert_allclose(once.parameters[:3], [f_px, cy_px, camera.width - 1 - cx_px])
    dx, dy = 0.3, -0.2  # what tangential distortion does to a point must be turned by a quarter, too
    moved, there = (
        cv2.projectPoints(np.array([[x, y, 1.0]]), np.zeros(3), np.zeros(3), np.eye(3), c.parameters[3:])[0].ravel()
        for c, x, y in ((camera, dx, dy), (once, dy, -dx))
    )
    np.testing.assert_allclose(there, [moved[1], -moved[0]], atol=1e-12)
    four = quarter_turned(camera, 4 + 4)
    np.testing.assert_allclose(four.parameters, camera.parameters)
    again = quarter_turned(once, 3)
    np.testing.assert_allclose(again.parameters, camera.parameters)
    np.testing.assert_allclose(again.covariance, camera.covariance)


def line_along_the_tips(sound: Measurement, path: Path, share: float = 1.0) -> Path:
    """The inlet with a dark line beside every tip, or beside such a share of it."""
    image = read(INLET)
    tips = sound.result.views[0].tips
    assert tips is not None
    middle = tips.px.mean(0)
    for b in np.unique(tips.blade):
        edge = tips.px[(tips.blade == b) & tips.far]
        edge = edge[round(0.4 * len(edge)) : round((0.4 + share) * len(edge))] if share < 1 else edge
        out = (edge - middle) / np.linalg.norm(edge - middle, axis=1, keepdims=True)
        cv2.polylines(image, [np.rint(edge + 7 * out).astype(np.int32)], False, 20, 3, cv2.LINE_AA)
    return saved(image, path)


def test_a_line_along_a_part_of_the_tips(sound: Measurement, ring: Ring, tmp_path: Path) -> None:
    """Beside a short part of the tips, which are followed all the same, it is a note and widens the interval."""
    photo = read_photo(line_along_the_tips(sound, tmp_path / "inlet.jpg", 0.16))
    shots = (replace(sound.shots[0], photo=photo), *sound.shots[1:])
    found = disturbances(shots, sound.result, ring, priors_of(sound.camera, sound.options, ring))
    assert [(flag.code, flag.photo, flag.blade) for flag in found.flags] == [
        ("edge-beside", "inlet.jpg", blade) for blade in (1, 2, 3)
    ]
    wide = widened(sound.stations, found, sound.result, ring, sound.options.stations, 4032)
    (line,) = [x for x in wide.budget.lines if x.name == "second edge beside the tip"]
    assert 0.02 < np.sqrt(np.diag(line.covariance_deg2)).max() < 1.0


def test_a_line_along_the_tips(sound: Measurement, ring: Ring, camera: Camera, tmp_path: Path) -> None:
    """A dark line beside every tip in one photograph, that of a thread or a pen, is a doubt of that photograph."""
    found = measure([line_along_the_tips(sound, tmp_path / "inlet.jpg")], [OUTLET], ring, camera)
    told = [flag for flag in found.flags if flag.code in ("two-edges", "edge-beside")]
    assert {flag.code for flag in told} == {"two-edges"} and {flag.photo for flag in told} == {"inlet.jpg"}
    assert {flag.blade for flag in told} == {1, 2, 3}
    (line,) = [x for x in found.stations.budget.lines if x.name == "second edge beside the tip"]
    # the line is some 5 px beside the tip, 0.3 mm in the picture: less than by that over 25 mm, but not by nothing
    u_deg = np.sqrt(np.diag(line.covariance_deg2))
    assert 0.02 < u_deg.max() < 1.0


def test_a_drop_on_the_lens(ring: Ring, camera: Camera, tmp_path: Path) -> None:
    """A smooth shift of 6 px over a fifth of the picture, at the ring, is a doubt of that photograph."""
    image = read(OUTLET)
    y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(np.float32)
    bell = 6 * np.exp(-0.5 * ((x - 2900) ** 2 + (y - 1500) ** 2) / 450**2)
    wet = cv2.remap(image, x + bell, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    found = measure([INLET], [saved(wet, tmp_path / "outlet.jpg")], ring, camera)
    assert {flag.photo for flag in found.flags if flag.code == "picture-uneven"} == {"outlet.jpg"}


def test_two_rotors_of_a_make(sound: Measurement, ring: Ring, camera: Camera) -> None:
    """Edges of one photograph that lie more and more off along two blades, 4 px at their ends, are another rotor's.

    The adjustment takes most of it for tips of another radius, and the ratio of two rotors to one comes to 1,000.
    """
    priors = Priors(camera.parameters, camera.covariance)
    assert not [f for f in contradictions(sound.result, ring, priors) if f.code == "rotors-differ"]
    assert -30 < differences(sound.result)[0].log_ratio < 0
    view = sound.result.views[1]
    assert view.tips is not None
    px = view.tips.px.copy()
    for b, most_px in enumerate((4.0, -4.0)):
        mine = view.tips.blade == b
        px[mine] += view.tips.normal[mine] * np.linspace(-most_px, most_px, mine.sum())[:, None]
    views = (sound.result.views[0], replace(view, tips=replace(view.tips, px=px)))
    mixed = adjust(ring, views, sound.result.state, priors)
    (found,) = differences(mixed)
    assert 2 * np.log(100) < found.log_ratio < 60
    assert found.steeper_deg[0] * found.steeper_deg[1] < 0
    (flag,) = (f for f in contradictions(mixed, ring, priors) if f.code == "rotors-differ")
    assert flag.text.startswith("outlet.jpg and the other photographs seem to show two rotors")
    assert not [f for f in contradictions(mixed, ring, priors, spoiled=True) if f.code == "rotors-differ"]


def test_no_angles_of_what_is_no_rotor(ring: Ring, camera: Camera, monkeypatch: pytest.MonkeyPatch) -> None:
    """Unless photographs of two rotors explain it, which is the doubt to be read then."""
    monkeypatch.setattr(Adjustment, "implausibility", lambda _: 8.0)
    with pytest.raises(AdjustmentError, match="unlike others"):
        measure([INLET], [OUTLET], ring, camera)
    monkeypatch.setattr(judged, "contradictions", lambda *_, **__: iter([Flag("rotors-differ", "Two rotors.")]))
    assert {"rotors-differ", "rotor-unlikely"} <= codes_of(measure([INLET], [OUTLET], ring, camera).flags)


def test_another_blade_at_the_arrow() -> None:
    """Blades that are numbered anew where the rotor is turned over, and a rotor put down accordingly.

    Every blade of the simulated rotor has its own angles and heights, which then contradict photographs from the side.
    """
    rng, noise = np.random.default_rng(5), Noise(ring_every=8)
    truth = random_truth(rng, "eight", Changes(blades=3), noise)
    right, _ = measured(truth, observe(truth, rng, noise), rng)
    assert not codes_of(contradictions(right, truth.ring, truth.priors))
    [s] = [k for k, setup in enumerate(right.state.setups) if setup == "outlet_up"]
    state = right.state.copy()
    state.r_ring_rotor[s] = state.r_ring_rotor[s] @ rotation(np.array([0.0, 0.0, -2 * np.pi / 3]))
    views = tuple(renumbered(v) if v.setup == "outlet_up" else v for v in right.views)
    wrong = adjust(truth.ring, views, state, truth.priors)
    flags = [f for f in contradictions(wrong, truth.ring, truth.priors) if f.code != "taken-as-given"]
    assert [f.code for f in flags] == ["blades-misnumbered"]
    assert flags[0].text.endswith("their blade 3.")


def codes_of(flags: Iterable[Flag]) -> set[str]:
    return {f.code for f in flags} - {"taken-as-given"}


def renumbered(view: ObservedView) -> ObservedView:
    """Each blade has the next one's number."""
    assert view.tips is not None and view.ends is not None
    tips = replace(view.tips, blade=(view.tips.blade + 1) % 3)
    return replace(view, tips=tips, ends=replace(view.ends, blade=(view.ends.blade + 1) % 3))


@pytest.mark.parametrize(
    ("steps", "pictures", "same"),
    [
        *((0.95, 0.4, True), (0.86, 0.54, True), (0.86, 0.45, None), (0.75, 0.54, None)),
        *((0.95, 0.2, None), (0.75, 0.2, False), (0.45, 0.9, False)),
    ],
)
def test_what_is_clear_of_two_pictures_of_ends(
    monkeypatch: pytest.MonkeyPatch, steps: float, pictures: float, same: bool | None
) -> None:
    """Of rendered rotors one end has 0.97 and more, and 0.39 and more; two ends 0.69 and less, and 0.47 and less."""
    end = End(np.zeros((2, 1, 1), np.float32), np.zeros(1), np.zeros(3))
    monkeypatch.setattr(End, "_step_correlation", lambda *_: steps)
    monkeypatch.setattr(End, "_correlation", lambda *_: (pictures, 0.0))
    assert end.same_as(end) is same
