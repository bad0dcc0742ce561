"""What a batch has measured -> tables and a contact sheet beside its inventory."""

from __future__ import annotations

import csv
import io
import math
import struct
import textwrap
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from bladeangle.base.budget import STATIONS
from bladeangle.base.files import atomic_path
from bladeangle.base.outputs import png_mark
from bladeangle.batch.work import TILE_PX, unpacked
from bladeangle.inventory import Failure, Inventory
from bladeangle.page.picture import Picture, font_of
from bladeangle.page.scene import angle_text
from bladeangle.records.exchange import Cell, save_book, table
from bladeangle.records.record import Record

#: The most pixels that a contact sheet may have.
SHEET_PIXELS = 60_000_000
#: Height to width of a rotor's place on it: a picture of 4 to 3 and four lines of text.
SHAPE = 0.95


def write_tables(records: Iterable[Record], csv_path: Path, xlsx_path: Path) -> None:
    """The tables of `exchange.py`, written record by record so that memory does not grow with the shelf.

    OutputError when one cannot be written.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet("angles")
    sheet.freeze_panes = "A2"
    with atomic_path(csv_path) as csv_file, atomic_path(xlsx_path) as xlsx_file:
        # With a byte order mark, without which spreadsheets guess another encoding.
        with csv_file.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file, lineterminator="\r\n")
            empty = True
            for record in records:
                head, rows = table([record])
                lines: list[list[Cell]] = [list(head), *rows] if empty else rows
                for row in lines:
                    writer.writerow(["" if cell is None else cell for cell in row])
                    sheet.append(row)
                empty = False
        packed = io.BytesIO()  # a ZIP file that a full disk cuts short complains once more when it is dropped
        save_book(book, packed)
        xlsx_file.write_bytes(packed.getbuffer())


def write_contact_sheet(results: Sequence[str | Failure], inventory: Inventory, path: Path) -> None:
    """One PNG with a picture of every rotor in order, its name and its mean angles, or why it was not measured.

    Pictures shrink when there are so many that the sheet would have more than `SHEET_PIXELS`. It is drawn and written
    row by row of pictures, so that memory does not grow with the shelf.
    """
    count = max(len(results), 1)
    tile = int(min(TILE_PX, math.sqrt(SHEET_PIXELS / count / SHAPE)))
    columns = min(math.ceil(math.sqrt(count * 1.4 * SHAPE)), count)
    rows = (results[start : start + columns] for start in range(0, count, columns))
    strips = (_strip(row, inventory, tile, columns) for row in rows)
    write_png(path, columns * tile, math.ceil(count / columns) * round(tile * SHAPE), strips)


def _strip(results: Sequence[str | Failure], inventory: Inventory, tile: int, columns: int) -> Picture:
    """One row of pictures."""
    from PIL import Image, ImageDraw

    sheet = Image.new("RGB", (columns * tile, round(tile * SHAPE)), "white")
    pen = ImageDraw.Draw(sheet)
    size, below = max(round(tile * 0.042), 1), round(tile * 0.75)
    for number, result in enumerate(results):
        x = number * tile
        pen.rectangle((x + 2, 2, x + tile - 3, below - 3), (238, 238, 238))
        if isinstance(result, Failure):
            name, lines = result.rotor, textwrap.wrap(f"Not measured: {result.message}", 42)[:3]
        else:
            record, packed = inventory.record(result), inventory.picture(result)
            name, lines = record.name, [f"{s} {angle_text(record.mean(s))}" for s in STATIONS]
            pixels = None if packed is None else unpacked(packed)
            if pixels is not None:
                picture = Image.fromarray(pixels)
                picture.thumbnail((tile - 6, below - 6))
                sheet.paste(picture, (x + (tile - picture.width) // 2, 3))
        pen.text((x + 4, below), name[:40], "black", font=font_of(size, True))
        for row, line in enumerate(lines):
            pen.text((x + 4, below + (row + 1.1) * size * 1.1), line, (70, 70, 70), font=font_of(size, False))
    return np.asarray(sheet)


def write_png(path: Path, width: int, height: int, strips: Iterable[Picture]) -> None:
    """Write an RGB picture as PNG from strips (h, width, 3) of together `height` lines; atomic, one strip in memory.

    Format: PNG (ISO/IEC 15948), 8 bits, no filter. OutputError when it cannot be written.
    """

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    packer = zlib.compressobj(4)
    with atomic_path(path) as temporary, temporary.open("wb") as file:
        file.write(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)))
        file.write(png_mark())
        for strip in strips:
            lines = np.zeros((len(strip), 1 + 3 * width), np.uint8)  # each line begins with its filter: none
            lines[:, 1:] = strip.reshape(len(strip), -1)
            file.write(chunk(b"IDAT", packer.compress(lines.tobytes())))
        file.write(chunk(b"IDAT", packer.flush()) + chunk(b"IEND", b""))
