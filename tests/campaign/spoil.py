"""File-level faults: bytes of a sound photograph -> the bytes of a spoiled one, and awkward names and places.

Each entry of `BYTES` is a function (jpeg, rng) -> bytes with the outcomes it may have, each of `PLACES` puts a file at
an awkward path and returns that path. "within", "flagged" and exit codes are the outcomes; see `running`.
"""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from .zeros import deflated_zeros

Rng = np.random.Generator
MEASURED: frozenset[str | int] = frozenset({"within", "flagged"})
UNREADABLE: frozenset[str | int] = frozenset({3})


def _picture(jpeg: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(jpeg))
    picture.load()
    return picture


def _saved(picture: Image.Image, kind: str, **more: Any) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, kind, **more)
    return buffer.getvalue()


def _with_exif(jpeg: bytes, main: dict[int, Any], detail: dict[int, Any]) -> bytes:
    """The same coded picture with other EXIF data in place of its own."""
    exif = Image.Exif()
    for key, value in main.items():
        exif[key] = value
    exif.get_ifd(0x8769).update(detail)
    block = exif.tobytes()
    return _with_exif_block(jpeg, block if block.startswith(b"Exif\0\0") else b"Exif\0\0" + block)


def _with_exif_block(jpeg: bytes, block: bytes) -> bytes:
    """Replace the APP1 segment, which the renderer writes first (after JFIF's), by a block of bytes."""
    out, position = bytearray(jpeg[:2]), 2
    out += b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block
    while jpeg[position : position + 2] in (b"\xff\xe0", b"\xff\xe1"):
        position += 2 + int.from_bytes(jpeg[position + 2 : position + 4], "big")
    return bytes(out + jpeg[position:])


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def truncated(jpeg: bytes, rng: Rng) -> bytes:
    """The end of the file is missing."""
    return jpeg[: int(rng.uniform(0.02, 0.99) * len(jpeg))]


def bits_flipped(jpeg: bytes, rng: Rng) -> bytes:
    """One to eight bits flipped anywhere."""
    data = bytearray(jpeg)
    for place in rng.integers(2, len(data), int(rng.integers(1, 9))):
        data[place] ^= 1 << int(rng.integers(8))
    return bytes(data)


def block_zeroed(jpeg: bytes, rng: Rng) -> bytes:
    """A sector of the memory card reads as zeros."""
    start = int(rng.uniform(0.05, 0.9) * len(jpeg))
    return jpeg[:start] + bytes(4096) + jpeg[start + 4096 :]


def block_repeated(jpeg: bytes, rng: Rng) -> bytes:
    """A sector holds another one's contents."""
    a, b = (int(f * len(jpeg)) for f in rng.uniform(0.1, 0.9, 2))
    return jpeg[:a] + jpeg[b : b + 4096] + jpeg[a + 4096 :]


def empty(jpeg: bytes, rng: Rng) -> bytes:
    """Zero bytes."""
    return b""


def only_header(jpeg: bytes, rng: Rng) -> bytes:
    """The first bytes of a JPEG."""
    return jpeg[: int(rng.integers(3, 600))]


def text(jpeg: bytes, rng: Rng) -> bytes:
    """Not a picture at all."""
    return b"This is not a photograph.\n" * 40


def noise(jpeg: bytes, rng: Rng) -> bytes:
    """A JPEG's first bytes, then random ones."""
    return b"\xff\xd8\xff\xe0" + rng.bytes(20000)


def png_bomb(jpeg: bytes, rng: Rng) -> bytes:
    """A megabyte that decodes to 900 million pixels."""
    side = 30000
    data = deflated_zeros(side * (1 + side // 8))
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def png_just_under(jpeg: bytes, rng: Rng) -> bytes:
    """A small PNG within the pixel limit that decodes to 860 MB, 3 x 16 bits a pixel."""
    side = 12000
    data = deflated_zeros(side * (1 + side * 6))
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 16, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")


def png_text_bomb(jpeg: bytes, rng: Rng) -> bytes:
    """A sound PNG with a compressed text chunk of 500 MB."""
    png = _saved(_picture(jpeg).convert("L"), "PNG", compress_level=1)
    return png[:33] + _chunk(b"zTXt", b"Comment\0\0" + deflated_zeros(500_000_000)) + png[33:]


def jpeg_huge(jpeg: bytes, rng: Rng) -> bytes:
    """A header that claims 65000 x 65000 pixels."""
    data = bytearray(jpeg)
    start = next(data.find(b"\xff" + bytes([m])) for m in (0xC0, 0xC1, 0xC2) if data.find(b"\xff" + bytes([m])) > 0)
    data[start + 5 : start + 9] = struct.pack(">HH", 65000, 65000)
    return bytes(data)


def strip(jpeg: bytes, rng: Rng) -> bytes:
    """A panorama's shape."""
    return _saved(_picture(jpeg).resize((6000, 700)), "JPEG")


def tiny(jpeg: bytes, rng: Rng) -> bytes:
    """A preview."""
    return _saved(_picture(jpeg).resize((320, 240)), "JPEG")


def png(jpeg: bytes, rng: Rng) -> bytes:
    """Saved as PNG."""
    return _saved(_picture(jpeg), "PNG", compress_level=1)


def png_16_bit(jpeg: bytes, rng: Rng) -> bytes:
    """Grey, 16 bits a pixel."""
    values = np.asarray(_picture(jpeg).convert("L")).astype(np.uint16) * 257
    return _saved(Image.fromarray(values), "PNG", compress_level=1)


def png_alpha(jpeg: bytes, rng: Rng) -> bytes:
    """With an alpha channel, opaque."""
    return _saved(_picture(jpeg).convert("RGBA"), "PNG", compress_level=1)


def png_palette(jpeg: bytes, rng: Rng) -> bytes:
    """With a palette of 256 greys."""
    return _saved(_picture(jpeg).convert("L").convert("P"), "PNG", compress_level=1)


def tiff(jpeg: bytes, rng: Rng) -> bytes:
    """Saved as TIFF."""
    return _saved(_picture(jpeg), "TIFF")


def cmyk(jpeg: bytes, rng: Rng) -> bytes:
    """A JPEG in printing inks."""
    return _saved(_picture(jpeg).convert("CMYK"), "JPEG", quality=92)


def colour(jpeg: bytes, rng: Rng) -> bytes:
    """A JPEG in colour."""
    return _saved(_picture(jpeg).convert("RGB"), "JPEG", quality=92)


def progressive(jpeg: bytes, rng: Rng) -> bytes:
    """Progressive scans."""
    return _saved(_picture(jpeg), "JPEG", quality=92, progressive=True)


def recompressed(jpeg: bytes, rng: Rng) -> bytes:
    """Sent through a messenger at its size: quality 20 to 50."""
    return _saved(_picture(jpeg), "JPEG", quality=int(rng.integers(20, 51)))


def other_size_up(jpeg: bytes, rng: Rng) -> bytes:
    """Enlarged after it was taken."""
    picture = _picture(jpeg)
    k = rng.uniform(1.1, 1.5)
    return _saved(picture.resize((round(picture.width * k), round(picture.height * k))), "JPEG", quality=92)


def turned_pixels(jpeg: bytes, rng: Rng) -> bytes:
    """Turned by a quarter in an editor: other sides than the camera file's."""
    return _saved(_picture(jpeg).transpose(Image.Transpose.ROTATE_90), "JPEG", quality=92)


def upside_down(jpeg: bytes, rng: Rng) -> bytes:
    """Turned by a half in an editor: same size, the principal point on the other side."""
    return _saved(_picture(jpeg).transpose(Image.Transpose.ROTATE_180), "JPEG", quality=92)


def brightened(jpeg: bytes, rng: Rng) -> bytes:
    """An editor's tone curve: contrast and gamma changed."""
    gamma = rng.uniform(0.6, 1.6)
    table = [round(255 * (v / 255) ** gamma) for v in range(256)]
    return _saved(_picture(jpeg).convert("L").point(table), "JPEG", quality=92)


def sharpened(jpeg: bytes, rng: Rng) -> bytes:
    """A phone's or editor's strong sharpening, with its overshoot at edges."""
    from PIL import ImageFilter

    mask = ImageFilter.UnsharpMask(radius=2, percent=int(rng.integers(80, 250)), threshold=0)
    return _saved(_picture(jpeg).convert("L").filter(mask), "JPEG", quality=92)


def exif_missing(jpeg: bytes, rng: Rng) -> bytes:
    """No EXIF at all."""
    return _saved(_picture(jpeg), "JPEG", quality=92)


def _enlarged(jpeg: bytes, k: float) -> bytes:
    """The middle cut out and enlarged to the full size, without EXIF."""
    picture = _picture(jpeg)
    w, h = picture.size
    box = (0.5 * w * (1 - 1 / k), 0.5 * h * (1 - 1 / k), 0.5 * w * (1 + 1 / k), 0.5 * h * (1 + 1 / k))
    return _saved(picture.resize((w, h), Image.Resampling.BICUBIC, box), "JPEG", quality=92)


def zoomed_and_named(jpeg: bytes, rng: Rng) -> bytes:
    """The phone's digital zoom, named by its ratio."""
    k = float(rng.uniform(1.05, 2.0))
    return _with_exif(_enlarged(jpeg, k), {}, {0xA405: 26, 0xA404: round(k, 2)})


def zoomed_in_35mm(jpeg: bytes, rng: Rng) -> bytes:
    """The phone's digital zoom, counted in the 35 mm-equivalent focal length alone."""
    k = float(rng.uniform(1.05, 2.0))
    return _with_exif(_enlarged(jpeg, k), {}, {0xA405: round(26 * k)})


def zoomed_untold(jpeg: bytes, rng: Rng) -> bytes:
    """Digital zoom of 5 to 25 % in a file that has lost its EXIF."""
    return _enlarged(jpeg, float(rng.uniform(1.05, 1.25)))


def exif_other_phone(jpeg: bytes, rng: Rng) -> bytes:
    """Taken with another phone of the same size and focal length, by its EXIF."""
    return _with_exif(jpeg, {0x010F: "Workshop", 0x0110: "Another 3"}, {0xA405: 26})


def exif_focal_lies(jpeg: bytes, rng: Rng) -> bytes:
    """The focal length of another lens."""
    return _with_exif(jpeg, {}, {0xA405: int(rng.choice([13, 24, 50, 120]))})


def exif_zoom(jpeg: bytes, rng: Rng) -> bytes:
    """Says that it was digitally zoomed."""
    return _with_exif(jpeg, {}, {0xA405: 26, 0xA404: float(rng.uniform(1.2, 4.0))})


def exif_nonsense(jpeg: bytes, rng: Rng) -> bytes:
    """Values that no camera writes."""
    return _with_exif(jpeg, {0x0112: 77, 0x010F: "\u202eX" * 400, 0x0110: "\x1b[31m"}, {0xA405: 65535, 0xA404: 1e9})


def exif_random(jpeg: bytes, rng: Rng) -> bytes:
    """An EXIF block of random bytes."""
    return _with_exif_block(jpeg, b"Exif\0\0" + rng.bytes(int(rng.integers(0, 4000))))


def _orientation(number: int) -> Callable[[bytes, Rng], bytes]:
    def spoil(jpeg: bytes, rng: Rng) -> bytes:
        return _with_exif(jpeg, {0x0112: number}, {0xA405: 26})

    return spoil


ByteFault = Callable[[bytes, Rng], bytes]
DAMAGED: frozenset[str | int] = MEASURED | {3, 5, 6, 7}
BYTES: dict[str, tuple[ByteFault, frozenset[str | int]]] = {
    **{
        f.__name__: (f, UNREADABLE)
        for f in (truncated, empty, only_header, text, noise, png_bomb, png_just_under, jpeg_huge, strip, tiny)
    },
    **{
        f.__name__: (f, DAMAGED)
        for f in (
            bits_flipped,
            block_zeroed,
            block_repeated,
            png_text_bomb,
            recompressed,
            brightened,
            sharpened,
            upside_down,
        )
    },
    **{
        f.__name__: (f, MEASURED)
        for f in (
            png,
            png_16_bit,
            png_alpha,
            png_palette,
            tiff,
            cmyk,
            colour,
            progressive,
            exif_missing,
            exif_nonsense,
            exif_random,
        )
    },
    **{f.__name__: (f, UNREADABLE | {"flagged"}) for f in (other_size_up, turned_pixels, exif_zoom, exif_focal_lies)},
    "zoomed_and_named": (zoomed_and_named, UNREADABLE),
    "zoomed_in_35mm": (zoomed_in_35mm, frozenset({"flagged", 3, 5, 6, 7})),
    "zoomed_untold": (zoomed_untold, frozenset({"flagged", 5, 6, 7})),
    "exif_other_phone": (exif_other_phone, frozenset({"flagged"})),
    **{f"orientation_{n}": (_orientation(n), MEASURED) for n in range(1, 9)},
}


def _named(name: str) -> Callable[[bytes, Path], Path]:
    def put(jpeg: bytes, folder: Path) -> Path:
        (folder / name).write_bytes(jpeg)
        return folder / name

    return put


def _linked(jpeg: bytes, folder: Path) -> Path:
    (folder / "kept.jpg").write_bytes(jpeg)
    (folder / "link.jpg").symlink_to("kept.jpg")
    return folder / "link.jpg"


def _dangling(jpeg: bytes, folder: Path) -> Path:
    (folder / "link.jpg").symlink_to("gone.jpg")
    return folder / "link.jpg"


def _loop(jpeg: bytes, folder: Path) -> Path:
    (folder / "loop.jpg").symlink_to("loop.jpg")
    return folder / "loop.jpg"


def _folder(jpeg: bytes, folder: Path) -> Path:
    (folder / "folder.jpg").mkdir()
    return folder / "folder.jpg"


def _missing(jpeg: bytes, folder: Path) -> Path:
    return folder / "missing.jpg"


def _pipe(jpeg: bytes, folder: Path) -> Path:
    os.mkfifo(folder / "pipe.jpg")
    return folder / "pipe.jpg"


def _device(jpeg: bytes, folder: Path) -> Path:
    return Path("/dev/zero")


PlaceFault = Callable[[bytes, Path], Path]
PLACES: dict[str, tuple[PlaceFault, frozenset[str | int]]] = {
    "name_with_spaces": (_named("inlet end, up .jpg"), MEASURED),
    "name_with_newline": (_named("inlet\nend\t.jpg"), MEASURED),
    "name_with_dash": (_named("--out"), MEASURED),
    "name_in_other_scripts": (_named("воронка-吸入口-مدخل-😀.jpg"), MEASURED),
    "name_right_to_left": (_named("\u202egpj.exe"), MEASURED),
    "name_with_quotes": (_named("<b>&\"'`$(x);=1.jpg"), MEASURED),
    "name_not_utf8": (_named(os.fsdecode(b"inlet-\xff\xfe.jpg")), MEASURED),
    "name_long": (_named("n" * 251 + ".jpg"), MEASURED),
    "name_with_wrong_extension": (_named("photo.png"), MEASURED),
    "symbolic_link": (_linked, MEASURED),
    "dangling_link": (_dangling, UNREADABLE),
    "link_to_itself": (_loop, UNREADABLE),
    "folder": (_folder, frozenset({2, 3})),
    "missing": (_missing, UNREADABLE),
    "pipe": (_pipe, UNREADABLE),
    "device": (_device, UNREADABLE),
}
