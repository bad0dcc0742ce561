"""Water on the lens and raised local contrast are told from the ring, on a shipped photograph."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from bladeangle.base.flags import Flag
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import read_photo
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.quality import Look, judge, look
from bladeangle.imaging.ring import Ring, sight_ring

ROOT = Path(__file__).resolve().parents[2]
INLET = ROOT / "fixtures" / "rotor-a" / "inlet.jpg"


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    return np.asarray(cv2.imread(str(INLET), cv2.IMREAD_GRAYSCALE), np.uint8)


def seen(path: Path, ring: Ring, camera: Camera) -> tuple[Look, list[Flag]]:
    photo = read_photo(path)
    sighting = sight_ring(photo, ring)
    pose = start_pose(sighting, ring, camera.parameters, photo.name)
    return look(photo, sighting, ring, camera, pose), judge(photo, sighting, ring, camera, pose)


def saved(image: np.ndarray, path: Path) -> Path:
    with Image.open(INLET) as source:
        Image.fromarray(image).save(path, quality=92, exif=source.info["exif"])
    return path


def test_a_photograph_as_taken(ring: Ring, camera: Camera) -> None:
    found, flags = seen(INLET, ring, camera)
    assert 0.0 <= found.softer_px < 0.8
    assert -0.02 < found.halo < 0.1
    assert not {f.code for f in flags} & {"sharpness-uneven", "contrast-raised", "compressed"}


def test_a_smear_on_the_lens(ring: Ring, camera: Camera, pixels: np.ndarray, tmp_path: Path) -> None:
    """A tenth of the picture blurred by 2 px, over the ring: that much softer there, in quadrature."""
    soft = cv2.GaussianBlur(pixels, (0, 0), 2.0)
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    share = np.exp(-0.5 * (((x - 2900) ** 2 + (y - 1500) ** 2) / 400.0**2) ** 4)
    smeared = np.rint(pixels + (soft.astype(float) - pixels) * share).astype(np.uint8)
    found, flags = seen(saved(smeared, tmp_path / "smear.jpg"), ring, camera)
    assert 1.0 < found.softer_px < 2.6
    assert "sharpness-uneven" in {f.code for f in flags}


def test_raised_local_contrast(ring: Ring, camera: Camera, pixels: np.ndarray, tmp_path: Path) -> None:
    """An unsharp mask of 15 px and full strength brightens the paper beside dark edges."""
    wide = cv2.GaussianBlur(pixels.astype(np.float32), (0, 0), 15.0)
    raised = np.clip(pixels + 1.0 * (pixels - wide), 0, 255).astype(np.uint8)
    found, flags = seen(saved(raised, tmp_path / "raised.jpg"), ring, camera)
    assert 0.17 < found.halo < 1.5
    assert "contrast-raised" in {f.code for f in flags}
