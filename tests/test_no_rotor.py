"""Real photographs of other things: never an angle, always one sentence and the exit code that fits.

scikit-image's photographs (in its wheel: `skimage.data`), as they are, enlarged, and laid into a printed ring, so that
everything after the ring meets real textures, edges and circles in place of a rotor.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skimage.data
from click.testing import CliRunner
from PIL import Image
from rendered_ring import CALIBRATION, Array, encode, light_of, shot, trial_ring
from seeds import generator

from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, write_camera

RING = str(CALIBRATION / "trial-ring.json")
#: Coins and the retina are circles, brick and clock have straight edges, gravel and grass are all texture.
NAMES = ("astronaut", "brick", "camera", "coffee", "coins", "grass", "gravel", "page", "retina", "rocket")
WIDTH, HEIGHT = 1600, 1200
CAMERA = np.array([1480.0, WIDTH / 2, HEIGHT / 2, 0, 0, 0, 0, 0])


def photograph(name: str) -> Image.Image:
    """One of scikit-image's photographs."""
    return Image.fromarray(getattr(skimage.data, name)()).convert("RGB")


def refused(*words: str) -> tuple[int, str]:
    """Exit code and the sentence of a command that must not succeed."""
    found = CliRunner().invoke(main, list(words))
    assert isinstance(found.exception, SystemExit), found.exception
    sentences = [line for line in found.stderr.splitlines() if line.startswith("Error: ")]
    assert len(sentences) == 1, found.stderr
    assert found.stdout == ""
    return found.exit_code, sentences[0]


@pytest.mark.parametrize("name", NAMES)
def test_a_photograph_of_something_else_shows_no_ring(tmp_path: Path, name: str) -> None:
    picture = photograph(name)
    scale = 1500 / min(picture.size)
    path = str(tmp_path / f"{name}.jpg")
    picture.resize((round(picture.width * scale), round(picture.height * scale))).save(path, quality=92)
    code, said = refused("measure", path, "--ring", RING, "--out", str(tmp_path / "r.json"))
    assert code == 5 and f"{name}.jpg" in said
    assert refused("calibrate", path, "--ring", RING, "--out", str(tmp_path / "c.json"))[0] in (5, 7)
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"{name}.jpg"]


@pytest.fixture(scope="module")
def sheet() -> tuple[Array, Array]:
    """Light of the sheet alone, and the place on the sheet, mm, that each pixel shows."""
    seen = shot(CAMERA, tilt_deg=1.0, distance_mm=330.0, width=WIDTH, height=HEIGHT)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    mm = seen.on_sheet(np.stack([x, y], -1).reshape(-1, 2).astype(float)).reshape(HEIGHT, WIDTH, 2)
    return light_of(trial_ring(), seen), mm


@pytest.mark.parametrize("name", NAMES)
def test_something_else_within_the_ring_is_no_rotor(tmp_path: Path, name: str, sheet: tuple[Array, Array]) -> None:
    """The photograph lies on the sheet where the rotor would stand, and the camera file fits."""
    ring = trial_ring()
    light, mm = sheet[0].copy(), sheet[1]
    inside = np.hypot(*np.moveaxis(mm, -1, 0)) < ring.inner_radius_mm - 3
    side_mm = 2 * ring.inner_radius_mm
    grey = photograph(name).convert("L")
    short = min(grey.size)
    values = np.asarray(grey.crop((0, 0, short, short)).resize((1000, 1000)), float) / 255
    at = np.clip(((mm + ring.inner_radius_mm) / side_mm * 1000).astype(int), 0, 999)
    light[inside] = 0.03 + 0.7 * values[at[..., 1], at[..., 0]][inside] ** 2.2
    path = str(tmp_path / f"{name}.jpg")
    Image.fromarray(encode(light, noise=0.01, rng=generator(1))).save(path, quality=92)
    sigma = np.array([1.0, 1.0, 1.0, 0.002, 0.01, 1e-4, 1e-4, 0.02])
    write_camera(Camera("drawn", WIDTH, HEIGHT, CAMERA, np.diag(sigma**2), True, {}), tmp_path / "camera.json")
    words = ("measure", path, "--ring", RING, "--camera", str(tmp_path / "camera.json"))
    code, said = refused(*words, "--out", str(tmp_path / "r.json"))
    assert code == 6, said
    assert not (tmp_path / "r.json").exists()
