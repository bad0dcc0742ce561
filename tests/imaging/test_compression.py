"""Strong compression is told, by the file's own table or by what an earlier one has left."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from bladeangle.imaging.compression import blockiness, mean_entry, strongly_compressed
from bladeangle.imaging.photo import read_photo

INLET = Path(__file__).resolve().parents[2] / "fixtures" / "rotor-a" / "inlet.jpg"


@pytest.fixture(scope="module")
def pixels() -> np.ndarray:
    return np.asarray(cv2.imread(str(INLET), cv2.IMREAD_GRAYSCALE), np.uint8)


def again(pixels: np.ndarray, quality: int) -> np.ndarray:
    code = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), np.uint8)


def test_the_table_of_a_quality_of_fifty_is_the_standard_s_example(tmp_path: Path) -> None:
    """ITU-T T.81, table K.1, which libjpeg takes for its quality of 50: its 64 entries add up to 3,688."""
    Image.fromarray(np.zeros((64, 64), np.uint8)).save(tmp_path / "flat.jpg", quality=50)
    with Image.open(tmp_path / "flat.jpg") as picture:
        assert mean_entry(getattr(picture, "quantization", None)) == pytest.approx(3688 / 64)
    assert mean_entry(None) is None and mean_entry({}) is None


def test_a_photograph_as_taken_is_not(pixels: np.ndarray) -> None:
    photo = read_photo(INLET)
    assert photo.jpeg_entry is not None and 3 < photo.jpeg_entry < 26
    assert 1.0 < blockiness(photo.encoded) < 1.7
    assert not strongly_compressed(photo.encoded, photo.jpeg_entry)
    assert not strongly_compressed(photo.encoded, None)  # no JPEG
    assert not strongly_compressed(again(pixels, 92), 9.25)


@pytest.mark.parametrize("cut", [0, 8])
def test_squares_of_an_earlier_compression_are_seen(pixels: np.ndarray, cut: int) -> None:
    spoiled = again(again(pixels, 35)[cut:, cut:], 92)
    assert 1.8 < blockiness(spoiled) < 6.0
    assert strongly_compressed(spoiled, 9.25)


def test_a_coarse_table_is_enough(tmp_path: Path, pixels: np.ndarray) -> None:
    Image.fromarray(pixels).save(tmp_path / "sent.jpg", quality=60)
    sent = read_photo(tmp_path / "sent.jpg")
    assert sent.jpeg_entry is not None and 26 < sent.jpeg_entry < 60
    assert strongly_compressed(sent.encoded, sent.jpeg_entry)
