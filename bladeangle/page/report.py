"""Records + photographs -> one self-contained HTML page; the correction page; the unrolled tips as a plot.

Computes nothing new: every figure is the record's, only drawn. The page asks for nothing from a network; a content
security policy in it forbids that as well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import OutputError, PhotoError
from bladeangle.base.files import atomic_path, safe_name, sha256_of, write_text_atomic
from bladeangle.base.flags import REGISTRY, Remark, doubts_about, open_doubts, together
from bladeangle.base.inputs import PHOTOGRAPH
from bladeangle.base.lengths import MM_PER_INCH, unit
from bladeangle.base.outputs import FIGURE_MARKS
from bladeangle.base.structure import plain
from bladeangle.page.picture import read_for_display
from bladeangle.page.scene import INK
from bladeangle.records.content import BudgetLine, Content, Photo
from bladeangle.records.edits import Edits
from bladeangle.records.summary import MARK
from bladeangle.records.tip_words import with_interval

if TYPE_CHECKING:
    from markupsafe import Markup

    from bladeangle.page.charts import CameraPlace
    from bladeangle.page.tip_chart import TipRow

Limits = Mapping[str, tuple[float, float]]

#: Photographs in the page are at most this wide, in pixels: enough to judge an edge, a few hundred kilobytes each. A
#: page with many of them has them smaller, so that a shelf of forty rotors still opens.
IMAGE_WIDTH, IMAGE_WIDTH_OF_MANY, MANY = 1800, 1000, 24
#: Folders searched for photographs hold at most this many files: a wrong folder is noticed and not read through.
MOST_FILES = 100_000


def find_photos(record: Content, folder: Path) -> list[Path]:
    """The record's photographs in a folder or the folders in it, by name and SHA-256, in the record's order.

    Raises
    ------
    PhotoError : the folder cannot be read, has too many files, or a photograph is not in it.
    """
    if not folder.is_dir():
        raise PhotoError(f"{safe_name(folder)} is not a folder.", "Give the folder with the record's photographs.")
    wanted = {p.name for p in record.photos}
    hash_of = cache(lambda path: sha256_of(path) if path.stat().st_size <= PHOTOGRAPH.most_bytes else "")
    candidates: dict[str, list[Path]] = {}
    for count, path in enumerate(folder.rglob("*")):
        if count >= MOST_FILES:
            raise PhotoError(f"{safe_name(folder)} holds more than {MOST_FILES} files.", "Give a nearer folder.")
        if path.name in wanted and path.is_file():
            candidates.setdefault(path.name, []).append(path)
    found = []
    for photo in record.photos:
        match = next((p for p in sorted(candidates.get(photo.name, [])) if hash_of(p) == photo.sha256), None)
        if match is None:
            shown = safe_name(photo.name)
            raise PhotoError(
                f"The photograph {shown!r} that was measured is not in the folder {safe_name(folder.absolute())!r}"
                + (" (a file of that name has other contents)." if photo.name in candidates else "."),
                "Give the folder with the photographs as they were measured.",
            )
        found.append(match)
    return found


def write_report(
    path: Path,
    records: Sequence[Content],
    photos: Path | None = None,
    limits: Limits | None = None,
    title: str = "",
    inches: bool = False,
    done: Callable[[], None] = lambda: None,
) -> None:
    """Write the HTML report of one or more records, atomically.

    Parameters
    ----------
    path : the page to write.
    records : what the records hold, at least one.
    photos : folder with the photographs, found by name and SHA-256; None draws the marks on plain ground.
    limits : station -> lowest and highest angle ordered, degrees; for all records.
    title : of the page; the rotor's name or "n rotors" without.
    inches : lengths are shown in inches.
    done : called after each photograph.

    Raises
    ------
    PhotoError : a photograph is missing or is not the one that was measured.
    OutputError : the page cannot be written.
    """
    if path.suffix.lower() in (".pdf", ".png", ".svg", ".docx"):
        raise OutputError(
            f"A report is an HTML page, which {safe_name(path.name)} does not say.",
            "Name it .html; or .pdf or .png for the one page that `bladeangle report` makes.",
        )
    write_text_atomic(path, report_html(records, photos, limits, title, inches, done))


def report_html(
    records: Sequence[Content],
    photos: Path | None = None,
    limits: Limits | None = None,
    title: str = "",
    inches: bool = False,
    done: Callable[[], None] = lambda: None,
) -> str:
    """The page that `write_report` writes."""
    from markupsafe import Markup

    from bladeangle.page import charts
    from bladeangle.page.templates import page_script, page_template, page_text

    paths = [find_photos(record, photos) if photos else None for record in records]
    width = IMAGE_WIDTH if sum(len(r.photos) for r in records) <= MANY else IMAGE_WIDTH_OF_MANY
    script, script_hash = page_script("viewer.js", "report.js")
    html: str = page_template("report.html").render(
        title=title or f"Blade angles: {records[0].name if len(records) == 1 else f'{len(records)} rotors'}",
        css=page_text("base.css", "report.css"),
        unit=unit(inches),
        length=lambda q: q and q.times(1 / MM_PER_INCH if inches else 1.0),
        script=script,
        script_hash=script_hash,
        stations=STATIONS,
        limits={s: limits.get(s) for s in STATIONS} if limits else None,
        remedies={code: kind.remedy for code, kind in REGISTRY.items()},
        shelf=charts.shelf_chart(records) if len(records) > 1 else Markup(""),
        rotors=[
            _rotor(record, found, limits, width, inches, done) for record, found in zip(records, paths, strict=True)
        ],
    )
    return html


@dataclass(frozen=True)
class ShownPhoto:
    """A photograph in the page; shown : whether the picture itself is, and not its marks alone."""

    photo: Photo
    svg: Markup
    shown: bool


@dataclass(frozen=True)
class Shown:
    """What the template needs of one record."""

    record: Content
    options: Mapping[str, object]
    flags: Sequence[Remark]
    doubted: bool
    mark: Callable[[int, str], str]
    sources: Sequence[BudgetLine]
    photos: Sequence[ShownPhoto]
    angles: Sequence[Markup]
    unrolled: Sequence[Markup]
    tips: Sequence[Markup]
    tip_rows: Sequence[TipRow]
    taper: str
    budget: Markup | None
    layout: Sequence[Markup]
    places: Sequence[CameraPlace]


def _rotor(
    record: Content,
    paths: Sequence[Path] | None,
    limits: Limits | None,
    width: int,
    inches: bool,
    done: Callable[[], None],
) -> Shown:
    from bladeangle.page import charts, tip_chart
    from bladeangle.page.overlay import jpeg_uri, photo_svg

    photos = []
    for i, photo in enumerate(record.photos):
        uri, turns = None, 0
        if paths:
            picture, turns = read_for_display(paths[i], photo, width)
            uri = jpeg_uri(picture, turns)
        photos.append(ShownPhoto(photo, photo_svg(record, i, uri, turns), uri is not None))
        done()
    sources = charts.sources_by_size(record)
    return Shown(
        record=record,
        options=plain(record.options),
        flags=together(record.flags),
        doubted=bool(open_doubts(record.flags)),
        mark=lambda blade, station: MARK if doubts_about(record.flags, blade, station) else "",
        sources=sources,
        photos=photos,
        angles=charts.angle_charts(record, limits),
        unrolled=charts.unrolled_charts(record, inches),
        tips=tip_chart.tip_charts(record, inches),
        tip_rows=tip_chart.tip_rows(record, inches),
        taper=with_interval(record.rotor.tips.taper_mm, inches=inches) if record.rotor.tips else "",
        budget=charts.budget_chart(sources),
        layout=charts.layout_charts(record),
        places=charts.camera_places(record),
    )


def write_correction_page(
    path: Path,
    record: Content,
    photos: Path,
    edits: Edits | None = None,
    command: str = "",
    done: Callable[[], None] = lambda: None,
) -> None:
    """Write the page on which a user corrects the followed edges of a record, atomically, starting with `edits`.

    command : what to type to measure again with the edits file, to be shown on the page. `done` is called after each
    photograph.

    Raises
    ------
    PhotoError : a photograph is missing or is not the one that was measured.
    OutputError : the page cannot be written.
    """
    from bladeangle.page.correction import correction_html

    write_text_atomic(path, correction_html(record, find_photos(record, photos), edits, command, done))


def write_plot(path: Path, record: Content, inches: bool = False) -> None:
    """Plot the unrolled tips of a record, height and angle over arc length, as PNG or SVG by the name's ending.

    Measured points are drawn where the record has them, and the stations on a tip of the mean length; lengths are
    shown in mm, or in inches.

    Raises
    ------
    OutputError : another ending, no curves in the record, or the file cannot be written.
    """
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    from bladeangle.page import charts

    form = path.suffix.lower().lstrip(".")
    if form not in ("png", "svg"):
        raise OutputError(f"{safe_name(path.name)} ends neither in .png nor in .svg.", "Choose one of the two endings.")
    blades = [(b, b.curve) for b in record.blades if b.curve and len(b.curve.arc_mm) > 1]
    if not blades:
        raise OutputError("The record has no curve of a blade tip to plot.", "Measure with more of the tips in view.")
    per_mm = 1 / MM_PER_INCH if inches else 1.0

    def shown(lengths_mm: Sequence[float]) -> list[float]:
        return [v * per_mm for v in lengths_mm]

    colours = [tuple(v / 255 for v in INK[k]) for k in ("ring", "struck", "entry", "exit", "hub", "inlet")]
    dashes = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
    # Text as text keeps an SVG small and searchable; a fixed salt makes the same record give the same file.
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "bladeangle"}):
        figure = Figure(figsize=(9, 7), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True)
        for i, (blade, curve) in enumerate(blades):
            arc, angle, u = shown(curve.arc_mm), curve.angle_deg, curve.standard_uncertainty_deg
            if (points := blade.points) is not None:
                marks = shown(points.arc_mm), shown(points.height_mm)
                upper.plot(*marks, ".", color=colours[i % 6], markersize=3, alpha=0.4)
            upper.plot(
                arc, shown(curve.height_mm), label=f"blade {blade.number}", color=colours[i % 6], ls=dashes[i % 6]
            )
            lower.plot(arc, angle, color=colours[i % 6], ls=dashes[i % 6])
            low, high = ([a + k * v for a, v in zip(angle, u, strict=True)] for k in (-2, 2))
            lower.fill_between(arc, low, high, color=colours[i % 6], alpha=0.15, linewidth=0)
        lengths = [b.tip_length_mm.value for b, _ in blades if b.tip_length_mm]
        length = sum(lengths) / len(lengths) if lengths else max(max(curve.arc_mm) for _, curve in blades)
        for station, (start, end) in charts.station_ranges(record, length).items():
            if end <= start:  # a tip too short for its stations
                continue
            start, end = shown((start, end))
            for axes in (upper, lower):
                axes.axvspan(start, end, color=tuple(v / 255 for v in INK[station]), alpha=0.08, linewidth=0)
            lower.text((start + end) / 2, 0.02, station, ha="center", transform=lower.get_xaxis_transform())
        # A name is data, not markup: a dollar sign must not start a formula.
        upper.set_title(record.name, parse_math=False)
        upper.set_ylabel(f"height, {unit(inches)}")
        upper.legend()
        lower.set_ylabel("angle, degrees")
        lower.set_title("bands: two standard uncertainties either way", fontsize="small")
        lower.set_xlabel(f"arc length from the leading edge, {unit(inches)}")
        for axes in (upper, lower):
            axes.grid(alpha=0.3)
        with atomic_path(path) as temporary:
            figure.savefig(temporary, format=form, dpi=150, metadata=FIGURE_MARKS[form])
