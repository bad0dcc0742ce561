"""Photographs of other things, from scikit-image's collection, have no ring: exit 5, and what is wrong with them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from PIL import Image
from rendered_ring import CALIBRATION, trial_ring
from skimage.color import rgb2gray

from bladeangle.base.errors import RingNotFoundError
from bladeangle.cli.main import main
from bladeangle.imaging.photo import Photo, read_photo
from bladeangle.imaging.ring import sight_ring
from bladeangle.imaging.unseen import why_unseen

#: Those of the collection that the package itself carries; faces, textures, circles, print and a chessboard.
SUBJECTS = ("astronaut", "brick", "camera", "chelsea", "coffee", "coins", "grass", "gravel", "moon", "page", "rocket")
ROTOR = CALIBRATION.parent / "fixtures" / "rotor-a" / "inlet.jpg"


def grey_of(subject: str) -> np.ndarray:
    image = np.asarray(getattr(skimage.data, subject)())
    grey = image if image.ndim == 2 else np.rint(255 * rgb2gray(image[..., :3])).astype(np.uint8)
    factor = -(-1000 // min(grey.shape))
    return np.kron(grey, np.ones((factor, factor), np.uint8))


def written(folder: Path, grey: np.ndarray) -> Path:
    path = folder / "a.png"
    Image.fromarray(grey).save(path)
    return path


def rotor(sigma_px: float = 0.0, share: float = 1.0) -> Photo:
    """The shipped photograph, blurred and darkened."""
    from dataclasses import replace

    photo = read_photo(ROTOR)
    encoded = cv2.GaussianBlur(photo.encoded, (0, 0), sigma_px) if sigma_px else photo.encoded
    return replace(photo, encoded=np.rint(encoded * share).astype(np.uint8))


@pytest.mark.parametrize("subject", SUBJECTS)
def test_what_is_no_ring_is_not_taken_for_one(tmp_path: Path, subject: str) -> None:
    photo = read_photo(written(tmp_path, grey_of(subject)))
    with pytest.raises(RingNotFoundError, match="markers of the ring are seen") as caught:
        sight_ring(photo, trial_ring())
    assert caught.value.exit_code == 5


def test_a_picture_of_something_else_stops_a_measurement_with_exit_5(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo, out = written(tmp_path, grey_of("coins")), tmp_path / "record.json"
    ring = CALIBRATION / "trial-ring.json"
    with pytest.raises(SystemExit) as stop:
        main(["measure", str(photo), "--ring", str(ring), "--out", str(out)])
    assert stop.value.code == 5
    assert "ring" in capsys.readouterr().err
    assert not out.exists()


def test_blur_all_over_is_told_from_a_sharp_picture() -> None:
    assert why_unseen(rotor()) == ""
    assert why_unseen(rotor(2.0)) == ""  # markers are still read then
    assert "out of focus" in why_unseen(rotor(12.0))


def test_a_picture_without_contrast_is_told() -> None:
    assert why_unseen(rotor(share=0.4)) == ""
    assert "hardly any contrast" in why_unseen(rotor(share=0.02))


def test_the_blame_stands_in_the_hint() -> None:
    with pytest.raises(RingNotFoundError, match="markers of the ring are seen") as caught:
        sight_ring(rotor(25.0), trial_ring())
    assert caught.value.hint.startswith("The picture is out of focus all over. Photograph the whole ring")
