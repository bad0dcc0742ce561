"""Records -> CSV and XLSX tables for spreadsheets and other calculators, with the derived quantities they ask for.

One row a blade and station, the rotor's own quantities repeated on each. Units stand in the header as UCUM codes in
brackets. Text that a spreadsheet would take for a formula is made harmless.
"""

from __future__ import annotations

import csv
import io
import math
import shutil
import zipfile
from collections.abc import Mapping, Sequence
from os import PathLike
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base import clock
from bladeangle.base.budget import STATIONS, propagate
from bladeangle.base.files import safe_name, write_bytes_atomic, write_text_atomic
from bladeangle.base.outputs import SOFTWARE
from bladeangle.records.content import Flag, Quantity
from bladeangle.records.record import Record

Array = NDArray[np.float64]
Cell = str | int | float | None
Value = tuple[float, float] | None  # value and standard uncertainty

#: What a spreadsheet takes for the start of a formula, with the full-width forms that some convert.
FORMULA_STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
LONGEST_CELL = 32_000
#: Columns of a blade's own tip.
BLADE_TIP = ("leading_wear", "trailing_wear", "run_out", "smallest_clearance")


# --- derived quantities ----------------------------------------------------------------------------------------------


def _weights(record: Record, terms: Mapping[tuple[int, str], float]) -> Array | None:
    """Weights (n,) over the record's angles from {(blade, station): weight}; None when one of them was not seen."""
    labels = record.angles()[0]
    w = np.zeros(len(labels))
    for (blade, station), weight in terms.items():
        label = f"{blade}.{station}"
        if label not in labels:
            return None
        w[labels.index(label)] += weight
    return w


def _means(record: Record, weights: Mapping[str, float]) -> dict[tuple[int, str], float]:
    """Terms of a weighted sum of means over all blades."""
    n = record.blade_count
    return {(b, s): weight / n for s, weight in weights.items() for b in range(1, n + 1)}


def _pitch(record: Record, terms: Mapping[tuple[int, str], float]) -> Value:
    """Weighted sum of 2 pi R tan(angle), propagated with the covariance of the angles and the tip diameter's own."""
    w, diameter = _weights(record, terms), record.quantity("tip_diameter_mm")
    if w is None or diameter is None:
        return None
    _, values, covariance = record.angles()
    v = np.zeros((len(values) + 1, len(values) + 1))
    v[:-1, :-1], v[-1, -1] = covariance, diameter[1] ** 2
    y, u = propagate(np.append(values, diameter[0]), v, lambda q: math.pi * q[-1] * (w @ np.tan(np.radians(q[:-1]))))
    return float(y[0]), math.sqrt(float(u[0, 0]))


def pitch_at(record: Record, blade: int | None, station: str) -> Value:
    """Pitch in mm of the tip's helix at a station, 2 pi R tan(angle): a blade's, or the mean over all blades (None)."""
    return _pitch(record, _means(record, {station: 1.0}) if blade is None else {(blade, station): 1.0})


def mean_pitch(record: Record) -> Value:
    """Mean pitch in mm over the whole tip and all blades.

    The mean over blades of 2 pi R tan(angle) at entry, middle and exit, weighted by the stations' lengths round the tip
    circle (the skipped edges count to their stations). None unless all three are seen and the tip's length is known.
    """
    tip, means = _blade_mean(record, "tip_length_mm"), {s: record.mean(s) for s in STATIONS}
    lengths = record.content.options.stations
    end = lengths.length_mm + lengths.skip_mm
    if tip is None or tip[0] <= 2 * end:
        return None
    along = {"entry": end, "middle": tip[0] - 2 * end, "exit": end}
    # Lengths are measured along the tip; round the circle they are shorter by the cosine of the angle.
    around = {s: along[s] * math.cos(math.radians(m.angle_deg)) for s, m in means.items() if m is not None}
    if len(around) < len(STATIONS):
        return None
    return _pitch(record, _means(record, {s: length / sum(around.values()) for s, length in around.items()}))


def progression(record: Record, blade: int | None = None) -> Value:
    """Exit less entry angle in deg, of a blade or of the means over blades, with the covariance of the two."""
    change = {"exit": 1.0, "entry": -1.0}
    w = _weights(record, _means(record, change) if blade is None else {(blade, s): f for s, f in change.items()})
    if w is None:
        return None
    y, v = propagate(*record.angles()[1:], w[None])
    return float(y[0]), math.sqrt(max(float(v[0, 0]), 0.0))


def _blade_mean(record: Record, key: str) -> Value:
    """Mean over blades of a blade's quantity; its uncertainty is the blades' mean, as if their errors were common."""
    each: list[Quantity | None] = [getattr(b, key) for b in record.content.blades]
    found = [q.pair for q in each if q is not None]
    if len(found) < len(each):
        return None
    return float(np.mean([value for value, _ in found])), float(np.mean([u for _, u in found]))


def overlap(record: Record) -> Value:
    """How far a blade reaches over the next one, in deg of azimuth: wrap less 360 / blades; negative is a gap."""
    wrap = _blade_mean(record, "wrap_deg")
    return None if wrap is None else (wrap[0] - 360 / record.blade_count, wrap[1])


def swept_area(record: Record) -> Value:
    """Area of the annulus between hub and tip circle, mm2; the two diameters are taken as independent."""
    tip, hub = record.quantity("tip_diameter_mm"), record.quantity("hub_diameter_mm")
    if tip is None or hub is None:
        return None
    y, v = propagate([tip[0], hub[0]], [tip[1], hub[1]], lambda d: math.pi / 4 * (d[0] ** 2 - d[1] ** 2))
    return float(y[0]), math.sqrt(float(v[0, 0]))


def derived(record: Record) -> dict[str, Value]:
    """The rotor's quantities by column name, each with its standard uncertainty; None: not known.

    Units are UCUM codes. `progression` and `mean_pitch` are over all blades.
    """
    return {
        "tip_diameter [mm]": record.quantity("tip_diameter_mm"),
        "hub_diameter [mm]": record.quantity("hub_diameter_mm"),
        "tip_thickness [mm]": record.quantity("tip_thickness_mm"),
        "axial_length [mm]": record.quantity("axial_length_mm"),
        **{f"{name} [mm]": record.tip(f"{name}_mm") for name in ("leading_wear", "trailing_wear", "taper", "run_out")},
        **{f"{which}_clearance [mm]": record.clearance(which) for which in ("smallest", "mean")},
        "mean_pitch [mm]": mean_pitch(record),
        "progression [deg]": progression(record),
        "wrap [deg]": _blade_mean(record, "wrap_deg"),
        "overlap [deg]": overlap(record),
        "swept_area [mm2]": swept_area(record),
    }


# --- tables ----------------------------------------------------------------------------------------------------------


def harmless(text: str) -> str:
    """The text as one printable line that no spreadsheet takes for a formula: an apostrophe stands before those."""
    line = safe_name(text)[:LONGEST_CELL]
    starts = text.startswith(FORMULA_STARTS) or line.lstrip().startswith(FORMULA_STARTS)
    return "'" + line if starts else line


def _with_uncertainty(name: str) -> list[str]:
    quantity, _, unit = name.partition(" ")
    return [name, f"u_{quantity} {unit}"]


def table(records: Sequence[Record]) -> tuple[list[str], list[list[Cell]]]:
    """Header and rows: one row a blade and station, and the mean over blades as blade "mean".

    `u_` columns are standard uncertainties; the expanded ones are for about 95 %.
    """
    columns = list(derived(records[0])) if records else []
    head = ["name", "created", "blade_count [1]", "hand", "blade", "station", "angle [deg]", "u_angle [deg]"]
    head += ["expanded_u_angle [deg]", "coverage_factor [1]", "dof [1]", "pitch [mm]", "u_pitch [mm]", "not_seen"]
    head += [c for name in BLADE_TIP for c in _with_uncertainty(f"blade_{name} [mm]")]
    head += [c for name in columns for c in _with_uncertainty(name)] + ["flags", "schema"]
    rows: list[list[Cell]] = []
    for record in records:
        content = record.content
        common = [v for value in derived(record).values() for v in (value or (None, None))]
        for blade in [*range(1, record.blade_count + 1), None]:
            for station in STATIONS:
                found = record.station(blade, station) if blade else record.mean(station)
                pitch = pitch_at(record, blade, station)
                row: list[Cell] = [harmless(record.name), content.created, record.blade_count, record.rotor.hand]
                row += ["mean" if blade is None else blade, station]
                keys = ("angle_deg", "standard_uncertainty_deg", "expanded_uncertainty_deg", "coverage_factor", "dof")
                row += [None if found is None else getattr(found, k) for k in keys]
                row += list(pitch or (None, None))
                row += [harmless(record.why_not_seen(blade, station)) if found is None and blade else ""]
                row += [v for name in BLADE_TIP for v in _of_tip(record, blade, name)]
                flags = sorted({f.code for f in content.flags if _concerns(f, blade, station)})
                rows.append([*row, *common, " ".join(flags), content.schema])
    return head, rows


def _of_tip(record: Record, blade: int | None, name: str) -> tuple[float | None, float | None]:
    """What is seen of one blade's tip; of the mean over blades it stands in the rotor's columns."""
    if blade is None:
        return None, None
    smallest = name == "smallest_clearance"
    return (record.clearance("smallest", blade) if smallest else record.tip(f"{name}_mm", blade)) or (None, None)


def _concerns(flag: Flag, blade: int | None, station: str) -> bool:
    return flag.blade in (None, blade) and flag.station in (None, station)


def tip_table(records: Sequence[Record]) -> tuple[list[str], list[list[Cell]]]:
    """Header and rows of the tip radius along every blade: one row a place."""
    head = ["name", "created", "blade", "arc [mm]", "radius [mm]", "u_radius [mm]"]
    rows: list[list[Cell]] = []
    for record in records:
        for blade in record.content.blades:
            if (tip := blade.tip) is not None:
                places = zip(tip.arc_mm, tip.radius_mm, tip.standard_uncertainty_mm, strict=True)
                rows += [[harmless(record.name), record.content.created, blade.number, *place] for place in places]
    return head, rows


def to_csv(records: Sequence[Record], *, tips: bool = False) -> str:
    """The table as CSV (RFC 4180: comma, CRLF, quotes where needed), or with `tips` that along the tips; what is not
    known is empty."""
    head, rows = tip_table(records) if tips else table(records)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows(["" if c is None else c for c in row] for row in rows)
    return out.getvalue()


def write_csv(records: Sequence[Record], path: str | PathLike[str], *, tips: bool = False) -> None:
    """Write the table of `to_csv` as CSV, atomically; OutputError when it cannot be written.

    UTF-8 with a byte order mark, without which spreadsheets guess another encoding.
    """
    write_text_atomic(path, "\ufeff" + to_csv(records, tips=tips))


def write_xlsx(records: Sequence[Record], path: str | PathLike[str]) -> None:
    """Write both tables as an XLSX workbook, atomically; OutputError when it cannot be written."""
    from openpyxl import Workbook
    from openpyxl.styles import Font

    book = Workbook()
    for title, (head, rows) in (("angles", table(records)), ("tips", tip_table(records))):
        sheet = book.active if title == "angles" else book.create_sheet()
        sheet.title = title
        sheet.freeze_panes = "A2"
        for row in (head, *rows):
            sheet.append(row)
        for cell in sheet[1]:
            cell.font = Font(bold=True)
    out = io.BytesIO()
    save_book(book, out)
    write_bytes_atomic(path, out.getvalue())


class _Archive(zipfile.ZipFile):
    """A ZIP file whose parts all bear the format's first day: it knows no year before 1980 or after 2107."""

    def writestr(self, zinfo_or_arcname: Any, data: Any, *more: Any, **options: Any) -> None:
        """As the library's, for a name."""
        part = zipfile.ZipInfo(str(zinfo_or_arcname))
        part.compress_type = zipfile.ZIP_DEFLATED
        super().writestr(part, data, *more, **options)

    def write(self, filename: Any, arcname: Any = None, *_: Any, **__: Any) -> None:
        """As the library's, for a path."""
        part = zipfile.ZipInfo(str(arcname or filename))
        part.compress_type = zipfile.ZIP_DEFLATED
        with open(filename, "rb") as source, self.open(part, "w") as target:
            shutil.copyfileobj(source, target)


def save_book(book: Any, file: Any) -> None:
    """Write an `openpyxl` workbook to a path or binary file, with the mark of `outputs.MARKS` and no time of day."""
    from openpyxl.writer.excel import ExcelWriter

    book.properties.created = book.properties.modified = clock.now().replace(tzinfo=None)
    archive = _Archive(file, "w", zipfile.ZIP_DEFLATED)
    archive.comment = SOFTWARE.encode()
    ExcelWriter(book, archive).save()  # closes the archive
