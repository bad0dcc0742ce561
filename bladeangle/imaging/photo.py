"""Photographs: path -> `Photo` (grey values, linear light, hash, EXIF). The only image reader of the project.

The pixel axes are those stored in the file, which are the sensor's: the EXIF orientation is reported and not applied,
because a camera's intrinsics belong to the sensor's axes. `oriented` applies it where that is wanted. The readers of
TIFF and HEIC turn the pixels upright by themselves; that is undone here.

A file is judged by its contents, never by its extension: header first (format, pixel count, shape), then one decode
that refuses what is truncated or damaged. JPEG goes through libjpeg-turbo in its strict mode, because the usual
readers fill a damaged picture with grey and say nothing. Damage that still makes a legal JPEG (a flipped bit that
decodes to other values) cannot be noticed here; the measurement's own checks must catch it.

What is sought is so many millimetres wide, whatever the number of pixels. A photograph with many more of them than
`USUAL_SIDE_PX` is therefore worked on reduced by a whole factor, by the mean of the light in each square of pixels; it
costs nothing, since edges are as good as light and metal let them be and not as pixels do. What measures speaks of the
pixels of `grey`; what is written for others, of those of the file (`Photo.in_file`, `Camera.reduced`).

Not covered: colour profiles and PNG gamma chunks (every file is taken as sRGB), gain maps of high-dynamic-range
photographs (the base picture is used), 16 bits of a *colour* file (read as 8), further pictures of a multi-picture file
(the first is used), raw files.
"""

from __future__ import annotations

import functools
import hashlib
import io
import math
import struct
import threading
import warnings
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import PhotoError
from bladeangle.base.files import import_cv2, safe_name
from bladeangle.base.inputs import PHOTOGRAPH, read_bytes
from bladeangle.imaging.compression import mean_entry
from bladeangle.imaging.saturation import saturation_level
from bladeangle.tuning.imaging import PHOTO

if TYPE_CHECKING:
    from PIL import Image

#: Smallest short side in pixels that can carry a measurement: a marker needs some 25 px, the ring about 15 of them.
MIN_SIDE_PX = 640
#: Largest ratio of the sides; wider pictures are panoramas, which no single camera model describes.
MAX_ASPECT = 4.0
#: Longer side, px, of the photographs that whatever counts in pixels was found with: 12 megapixels, four to three.
USUAL_SIDE_PX = 4032
#: Rows of the small picture that are averaged at a time, so that the light of the whole file need not be kept.
ROWS_AT_ONCE = 64
#: Largest decoded picture outside JPEG (which decodes to one byte a pixel), so that memory stays bounded.
MAX_DECODED_BYTES = 300_000_000
#: Linear light of the file's white.
WHITE_LEVEL = 65535
#: Most scans of a progressive JPEG; ordinary ones have about ten, and a hostile one can make each cost a full pass.
MAX_SCANS = 100
#: Most segments before a JPEG's picture and most chunks of a PNG; a phone's largest have some hundreds, and thousands.
MAX_SEGMENTS, MAX_CHUNKS = 5_000, 50_000
#: Bytes of one value of each type of a TIFF tag (TIFF 6.0, section 2).
TIFF_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
EXIF_DIRECTORY = 34665

_HINT_RETAKE = "Copy the file from the phone again, or retake the photograph."
_HINT_FORMAT = PHOTOGRAPH.hint
_HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")

#: EXIF orientation -> (mirror left-right first, then quarter turns clockwise) that shows the picture upright.
_ORIENTATIONS = {
    1: (False, 0),
    2: (True, 0),
    3: (False, 2),
    4: (True, 2),
    5: (True, 3),
    6: (False, 1),
    7: (True, 1),
    8: (False, 3),
}

#: Muting warnings is not safe between threads, so one header is parsed at a time; it takes a tenth of a millisecond.
_header_lock = threading.Lock()


@dataclass(frozen=True)
class Exif:
    """What the file says about its taking; None where it says nothing usable.

    focal_35mm : focal length of a 35 mm camera with the same field of view, mm.
    orientation : EXIF orientation, 1 to 8.
    digital_zoom : digital zoom ratio, 1 for none.
    """

    make: str | None = None
    model: str | None = None
    focal_35mm: float | None = None
    orientation: int | None = None
    digital_zoom: float | None = None


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photograph; pixel centres at integers, x right, y down, axes as stored in the file.

    grey : (height, width) uint16, linear light, 0 to `WHITE_LEVEL`: far finer than noise, at half the memory of floats.
        Each pixel is the mean of `reduction` by `reduction` of the file's, from its first row and column on.
    encoded : the file's own grey values (sRGB-encoded luma) uint8, at its own size, which is that of `grey` where
        nothing is reduced.
    sha256 : of the file's bytes, hexadecimal.
    left_out : columns and rows at the file's right and lower edge that do not fill a pixel.
    saturation : linear light, 0 to 1, from which the picture is taken to be saturated.
    jpeg_entry : mean entry of a JPEG's table for brightness, which tells how strongly it is compressed.
    """

    path: Path
    name: str
    sha256: str
    grey: NDArray[np.uint16]
    encoded: NDArray[np.uint8]
    width: int
    height: int
    exif: Exif
    reduction: int = 1
    left_out: tuple[int, int] = (0, 0)
    saturation: float = 1.0
    jpeg_entry: float | None = None

    @property
    def file_size(self) -> tuple[int, int]:
        """Width and height of the file, px."""
        return self.width * self.reduction + self.left_out[0], self.height * self.reduction + self.left_out[1]

    @property
    def scale(self) -> float:
        """How many pixels there are for each of a photograph of the usual size: `scale_of` the picture worked on."""
        return scale_of(self.width, self.height)

    def in_file(self, px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places (..., 2) of `grey` in pixels of the file."""
        return enlarged_px(px, self.reduction)

    @property
    def display_turns(self) -> int:
        """Quarter turns clockwise that show the photograph upright (after mirroring, should the tag ask for it)."""
        return _ORIENTATIONS[self.exif.orientation or 1][1]


def reduction_of(width: int, height: int) -> int:
    """The whole factor by which a file of this size, px, is reduced: to at most `PHOTO.largest_scale` usual ones.

    Photographs of 24 megapixels are halved, of 48 too, of 108 taken to a third.
    """
    return max(1, math.ceil(max(width, height) / (PHOTO.largest_scale * USUAL_SIDE_PX)))


def scale_of(width: int, height: int) -> float:
    """How many pixels a picture of this size has for each of the usual size, along a line."""
    return max(width, height) / USUAL_SIDE_PX


def reduced_px(px: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Places, px, with pixel centres at integers, in a picture reduced by a factor; of the shape given."""
    return px if factor == 1 else (px + 0.5) / factor - 0.5


def enlarged_px(px: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Places of a picture reduced by a factor, px, in the picture that it was reduced from."""
    return px if factor == 1 else (px + 0.5) * factor - 0.5


def srgb_to_linear(encoded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light of sRGB-encoded values, both 0 to 1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


@functools.cache
def _linear_table(levels: int) -> NDArray[np.uint16]:
    table = np.rint(WHITE_LEVEL * srgb_to_linear(np.arange(levels) / (levels - 1))).astype(np.uint16)
    table.flags.writeable = False
    return table


def read_photo(path: Path, max_pixels: float = 200e6) -> Photo:
    """Read one photograph.

    Parameters
    ----------
    path : the file; links are followed.
    max_pixels : largest width times height accepted, checked before decoding.

    Raises
    ------
    PhotoError : the file is missing, not a regular file, empty, of another format, too small, too large, of panorama
        shape, truncated or damaged.
    """
    path = Path(path)
    shown = safe_name(path.name or str(path))
    data = read_bytes(path, PHOTOGRAPH)
    if not data:
        raise PhotoError(f"{shown} is empty.", _HINT_RETAKE)
    sha256 = hashlib.sha256(data).hexdigest()
    try:
        with _header_lock, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow comments on mangled EXIF, which is of no use to anyone here
            header, exif = _open(data, shown)
        _check_shape(header.size, max_pixels, shown)
        values = _decode(data, header)
        if header.format in ("TIFF", "HEIF"):
            values = _turned_back(values, exif.orientation or 1)
    except PhotoError:
        raise
    except Exception as error:  # Hostile bytes make a decoder raise anything; all of it means the same to the user.
        reason = safe_name(" ".join(str(error).split()) or type(error).__name__)
        raise PhotoError(f"{shown} is damaged or incomplete ({reason}).", _HINT_RETAKE) from error
    entry = mean_entry(getattr(header, "quantization", None))
    del data, header
    factor = reduction_of(values.shape[1], values.shape[0])
    grey, encoded = _light(values, factor), values
    if values.dtype == np.uint16:
        encoded = import_cv2().LUT(values, np.rint(np.arange(65536) / 257).astype(np.uint8))
    height, width = grey.shape
    left_out = values.shape[1] - factor * width, values.shape[0] - factor * height
    saturation = float(srgb_to_linear(np.array(saturation_level(encoded) / 255)))
    return Photo(path, path.name, sha256, grey, encoded, width, height, exif, factor, left_out, saturation, entry)


def _light(values: NDArray[Any], factor: int) -> NDArray[np.uint16]:
    """Linear light of the file's values (h, w) uint8 or uint16, averaged over squares of `factor` pixels."""
    cv2 = import_cv2()
    table = _linear_table(256 if values.dtype == np.uint8 else 65536)
    if factor == 1:
        whole: NDArray[np.uint16] = cv2.LUT(values, table)
        return whole
    height, width = values.shape[0] // factor, values.shape[1] // factor
    grey = np.empty((height, width), np.uint16)
    for first in range(0, height, ROWS_AT_ONCE):
        rows = grey[first : first + ROWS_AT_ONCE]
        part = values[first * factor : (first + len(rows)) * factor, : width * factor]
        rows[:] = cv2.resize(cv2.LUT(part, table), (width, len(rows)), interpolation=cv2.INTER_AREA)
    return grey


def picture_size(path: Path) -> tuple[int, int] | None:
    """Width and height of a photograph as it is stored, without decoding; None where it cannot be read."""
    try:
        with _header_lock, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _open(read_bytes(path, PHOTOGRAPH), path.name)[0].size
    except Exception:  # noqa: BLE001 - whatever is wrong with it, `read_photo` says so
        return None


def light_alone(photo: Photo) -> Photo:
    """The photograph without its encoded values, which take a fifth of its memory; for where many are kept at once."""
    return replace(photo, encoded=np.zeros((0, 0), np.uint8))


def _turned_back(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The stored pixels of an image that its reader turned upright by the EXIF orientation."""
    mirrored, turns = _ORIENTATIONS[orientation]
    stored = np.rot90(upright, turns)
    return np.ascontiguousarray(stored[:, ::-1] if mirrored else stored)


def _open(data: bytes, shown: str) -> tuple[Image.Image, Exif]:
    """Header and EXIF without decoding.

    The readers are called by name rather than through Pillow's `Image.open`, whose warning about large pictures would
    fire for an ordinary 108-megapixel phone; `_check_shape` sets our own limit.
    """
    from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin

    header: Image.Image
    if data[:3] == b"\xff\xd8\xff":
        header = JpegImagePlugin.JpegImageFile(io.BytesIO(_bare_jpeg(data)))
        return header, _read_exif(header.getexif)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        # Pillow decodes the whole picture to look for EXIF behind it, so the chunk is taken from our own walk.
        block = _walk_png(data)
        header = PngImagePlugin.PngImageFile(io.BytesIO(data))
        return header, _read_exif(lambda: _parsed_exif(block))
    if data[:4] in (b"II*\0", b"MM\0*"):
        _check_tiff_tags(data)
        header = TiffImagePlugin.TiffImageFile(io.BytesIO(data))
        return header, _read_exif(header.getexif)
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return _open_heif(data, shown)
    raise PhotoError(f"{shown} is not a photograph in a format that is read.", _HINT_FORMAT)


def _open_heif(data: bytes, shown: str) -> tuple[Image.Image, Exif]:
    try:
        import pillow_heif
    except ImportError as error:
        raise PhotoError(
            f"{shown} is a HEIC photograph, and the optional part that reads them is not installed.",
            "In the project's folder: pip install '.[heic]'. Or set the phone to write JPEG.",
        ) from error
    header = pillow_heif.HeifImageFile(io.BytesIO(data))
    # The reader resets the tag when it turns the pixels.
    return header, replace(_read_exif(header.getexif), orientation=header.info.get("original_orientation") or 1)


def _bare_jpeg(data: bytes) -> bytes:
    """The JPEG (ITU-T T.81, annex B) without what tells nothing of its picture, but for the first block of EXIF.

    Pillow would put further blocks together, each time copying all before it. ValueError when the segments do not
    follow each other as they must, or are far too many.
    """
    kept, position, seen, marks = [data[:2]], 2, set(), 0
    while True:
        while data[position : position + 2] == b"\xff\xff":  # fill bytes
            position += 1
        marker, length = data[position + 1 : position + 2], int.from_bytes(data[position + 2 : position + 4], "big")
        if data[position : position + 1] != b"\xff" or length < 2 or position + 2 + length > len(data):
            raise ValueError("its segments do not follow each other")
        if marker == b"\xda":
            return b"".join([*kept, data[position:]])
        if (marks := marks + 1) > MAX_SEGMENTS:
            raise ValueError("it has far more segments than a photograph")
        about = data[position + 4 : position + 10] if marker == b"\xe1" else b""
        spare = marker not in b"\xe0\xe1\xee" and (b"\xe0" <= marker <= b"\xef" or marker == b"\xfe")
        if not spare and marker + about not in seen and (marker != b"\xe1" or about == b"Exif\0\0"):
            kept.append(data[position : position + 2 + length])
            if b"\xe0" <= marker <= b"\xef":
                seen.add(marker + about)
        position += 2 + length


def _check_tiff_tags(data: bytes) -> None:
    """ValueError when the tags of a TIFF or its EXIF claim more than the file holds: Pillow reads each for itself."""
    order = "<" if data[:2] == b"II" else ">"
    places, claimed = list(struct.unpack_from(order + "I", data, 4)), 0
    for place in places:
        (count,) = struct.unpack_from(order + "H", data, place)
        for k in range(count):
            tag, kind, values, where = struct.unpack_from(order + "HHII", data, place + 2 + 12 * k)
            claimed += TIFF_BYTES.get(kind, 1) * values
            if tag == EXIF_DIRECTORY and len(places) == 1:
                places.append(where)
    if claimed > 2 * len(data):
        raise ValueError("its tags claim more than the file holds")


def _walk_png(data: bytes) -> bytes:
    """Check every chunk's length and checksum up to the end chunk; the contents of the EXIF chunk, or nothing."""
    exif, position, kind, chunks = b"", 8, b"", 0
    view = memoryview(data)
    while kind != b"IEND":
        if (chunks := chunks + 1) > MAX_CHUNKS:
            raise ValueError("it has far more chunks than a photograph")
        length = int.from_bytes(view[position : position + 4], "big")
        kind = bytes(view[position + 4 : position + 8])
        end = position + 8 + length
        if end + 4 > len(data):
            raise ValueError("the file ends too early")
        if zlib.crc32(view[position + 4 : end]) != int.from_bytes(view[end : end + 4], "big"):
            raise ValueError("a checksum is wrong")
        if kind == b"eXIf" and length < 65536:  # as much as a JPEG can hold
            exif = bytes(view[position + 8 : end])
        position = end + 4
    return exif


def _check_shape(size: tuple[int, int], max_pixels: float, shown: str) -> None:
    width, height = size
    short, long = min(size), max(size)
    if short <= 0:
        raise PhotoError(f"{shown} is an empty picture.", _HINT_RETAKE)
    if width * height > max_pixels:
        raise PhotoError(
            f"{shown} is too large: {width} x {height} pixels; more than {max_pixels / 1e6:.0f} million are not read.",
            "Take the photograph with the phone's ordinary resolution.",
        )
    if long > MAX_ASPECT * short:
        raise PhotoError(
            f"{shown} is a panorama or a strip, of {width} x {height} pixels.",
            "Take a single ordinary photograph, uncropped.",
        )
    if short < MIN_SIDE_PX:
        raise PhotoError(
            f"{shown} is too small: {width} x {height} pixels; at least {MIN_SIDE_PX} on the short side are needed.",
            "Give the original photograph, not a preview or one shrunk by a messenger.",
        )


def _decode(data: bytes, header: Image.Image) -> NDArray[Any]:
    """(height, width) grey values, uint8 or uint16; raises whatever the decoder raises on damage."""
    if header.format == "JPEG" and data.count(b"\xff\xda") > MAX_SCANS:
        raise ValueError("far more scans than a photograph has")
    if header.format == "JPEG" and header.mode in ("L", "RGB"):
        import simplejpeg

        try:
            grey: NDArray[Any] = simplejpeg.decode_jpeg(data, "GRAY", strict=True)[:, :, 0]
        except ValueError as error:
            if "Invalid SOS parameters" not in str(error):
                raise
            grey = simplejpeg.decode_jpeg(_ordinary_scans(data), "GRAY", strict=True)[:, :, 0]
        return grey
    sixteen = header.mode.startswith("I;16")
    if header.mode in ("I", "F"):
        raise ValueError("32-bit pixels are not read")
    size = header.width * header.height * (2 if sixteen else len(header.getbands()))
    if size > MAX_DECODED_BYTES:
        raise PhotoError(
            f"The picture needs too much memory in this format, at {header.width} x {header.height} pixels.",
            "Save it as JPEG.",
        )
    header.load()
    if sixteen:
        return np.asarray(header).astype(np.uint16, copy=False)
    return np.asarray(header if header.mode == "L" else header.convert("L"))


def _ordinary_scans(data: bytes) -> bytearray:
    """The JPEG with its scans' spectral parameters set to what a sequential file must have.

    Some phones write others there; decoders ignore them, but the strict mode does not and would hide a real fault.
    """
    fixed, position = bytearray(data), 2
    while fixed[position : position + 2] != b"\xff\xda":
        if position > len(fixed):
            raise ValueError("no scan")
        position += 2 + int.from_bytes(fixed[position + 2 : position + 4], "big")
    while position >= 0:  # coded data never holds these two bytes
        end = position + 2 + int.from_bytes(fixed[position + 2 : position + 4], "big")
        fixed[end - 3 : end] = b"\0\x3f\0"
        position = fixed.find(b"\xff\xda", end)
    return fixed


def _parsed_exif(block: bytes) -> Image.Exif:
    from PIL import Image

    exif = Image.Exif()
    if block:
        exif.load(block)
    return exif


def _read_exif(load: Any) -> Exif:
    """The few tags that matter, each dropped when it is not what the standard says; a broken block is no EXIF."""
    try:
        base = load()
        detail = base.get_ifd(0x8769)
    except Exception:  # noqa: BLE001 - EXIF is optional, and the programs a photograph passes through mangle it
        return Exif()

    def text(value: Any) -> str | None:
        cleaned = safe_name(value.split("\0")[0].strip())[:100] if isinstance(value, str) else ""
        return cleaned or None

    def number(value: Any, low: float, high: float) -> float | None:
        try:
            result = float(value)
        except (TypeError, ValueError, ZeroDivisionError, OverflowError):
            return None
        return result if math.isfinite(result) and low <= result <= high else None

    orientation = number(base.get(274), 1, 8)
    return Exif(
        make=text(base.get(271)),
        model=text(base.get(272)),
        focal_35mm=number(detail.get(41989), 4, 2000),
        orientation=int(orientation) if orientation is not None else None,
        digital_zoom=number(detail.get(41988), 0.1, 100),
    )
