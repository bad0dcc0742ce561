"""The batch's results beside the inventory: tables and a contact sheet."""

from __future__ import annotations

import csv
import math
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path

from bladeangle.batch.work import TILE_PX, unpacked
from bladeangle.exchange import Cell, table
from bladeangle.files import atomic_path
from bladeangle.inventory import Failure, Inventory
from bladeangle.picture import _font, angle_text
from bladeangle.record import STATIONS, Record

#: The most pixels that a contact sheet may have.
SHEET_PIXELS = 30_000_000


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
        book.save(xlsx_file)


def write_contact_sheet(results: Sequence[str | Failure], inventory: Inventory, path: Path) -> None:
    """One PNG with a picture of every rotor in order, its name and its mean angles, or why it was not measured.

    Pictures shrink when there are so many that the sheet would have more than `SHEET_PIXELS`.
    """
    from PIL import Image, ImageDraw

    shape = 0.95  # height to width of a tile: a picture of 4 to 3 and four lines of text
    tile = int(min(TILE_PX, math.sqrt(SHEET_PIXELS / max(len(results), 1) / shape)))
    columns = min(max(math.ceil(math.sqrt(len(results) * 1.4 * shape)), 1), max(len(results), 1))
    height = round(tile * shape)
    sheet = Image.new("RGB", (columns * tile, max(math.ceil(len(results) / columns), 1) * height), "white")
    pen = ImageDraw.Draw(sheet)
    for number, result in enumerate(results):
        x, y = number % columns * tile, number // columns * height
        picture_height = round(tile * 0.75)
        pen.rectangle((x + 2, y + 2, x + tile - 3, y + picture_height - 3), (238, 238, 238))
        if isinstance(result, Failure):
            name, lines = result.rotor, textwrap.wrap(f"Not measured: {result.message}", 42)[:3]
        else:
            record, packed = inventory.record(result), inventory.picture(result)
            name = record.name
            lines = [f"{s} {angle_text(record.mean(s))}" for s in STATIONS]
            if packed is not None:
                picture = Image.fromarray(unpacked(packed))
                picture.thumbnail((tile - 6, picture_height - 6))
                sheet.paste(picture, (x + (tile - picture.width) // 2, y + 3))
        size = round(tile * 0.042)
        pen.text((x + 4, y + picture_height), name[:40], "black", font=_font(size, True))
        for row, line in enumerate(lines):
            place = (x + 4, y + picture_height + (row + 1.1) * size * 1.1)
            pen.text(place, line, (70, 70, 70), font=_font(size, False))
    with atomic_path(path) as temporary:
        sheet.save(temporary, "PNG", compress_level=2)
