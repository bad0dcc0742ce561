"""Plan -> a drawing: the places from above and from the side, and the uncertainty to expect."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bladeangle.base.budget import STATIONS, coverage_factor
from bladeangle.base.errors import UsageError
from bladeangle.base.files import write_bytes_atomic
from bladeangle.base.lengths import MM_PER_INCH, length_text, unit
from bladeangle.base.outputs import FIGURE_MARKS
from bladeangle.plan import Plan, PlannedPhoto, nominal_rotor
from bladeangle.records.station import StationOptions
from bladeangle.tuning.expected import EXPECTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Blue, orange, green, vermilion, purple, sky: told apart by colour-blind eyes (Okabe and Ito, Color Universal Design).
COLOURS = ("#0072B2", "#E69F00", "#009E73", "#D55E00", "#CC79A7", "#56B4E9")
#: Of entry, middle and exit, as in the report and the pictures.
STATION_COLOURS = ("#009E73", "#000000", "#CC79A7")


def plan_figure(plan: Plan, inches: bool = False) -> Figure:
    """Places from above and from the side, and the uncertainty to expect, as a figure 11 inches wide.

    Lengths are in mm, or in inches.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.0, 8.2), layout="constrained")
    grid = figure.add_gridspec(2, 2, height_ratios=(1.35, 1.0), width_ratios=(1.1, 1.0))
    _draw_above(figure.add_subplot(grid[0, 0]), plan, inches)
    _draw_side(figure.add_subplot(grid[0, 1]), plan, inches)
    _draw_expected(figure.add_subplot(grid[1, :]), plan)
    return figure


def write_plan(path: Path, plan: Plan, inches: bool = False) -> None:
    """Write the drawing atomically as PNG or SVG (by the file's name); UsageError for another kind of file."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf"):
        raise UsageError(
            f"A drawing cannot be written as {path.suffix or 'a file without an ending'}.",
            "Name a .png, .svg or .pdf file.",
        )
    buffer = io.BytesIO()
    plan_figure(plan, inches).savefig(buffer, format=kind, dpi=150, metadata=FIGURE_MARKS[kind])
    write_bytes_atomic(path, buffer.getvalue())


def _colour(blade: int) -> str:
    return COLOURS[(blade - 1) % len(COLOURS)]


def _draw_above(axes: Axes, plan: Plan, inches: bool) -> None:
    rotor, _ = nominal_rotor(plan.rotor, plan.ring, StationOptions())
    for corners in plan.ring.corners_mm:
        axes.fill(*corners.T, color="0.25", linewidth=0)
    for b in range(rotor.blades):
        tau = np.linspace(rotor.ends[b, 0], rotor.ends[b, 1], 100)
        x, y, _z = rotor.tip(np.full(100, b), np.zeros(100, int), tau).T
        shrink = np.linspace(1.0, 0.9, 100)  # so that overlapping blades can be told apart
        axes.plot(
            x * shrink,
            y * shrink,
            color=_colour(b + 1),
            linewidth=3,
            label=f"blade {b + 1}, from its leading tip (dot)",
        )
        axes.plot(x[0], y[0], "o", color=_colour(b + 1), markersize=7)
    arrow = np.radians(plan.ring.index_azimuth_deg)
    near, away = (k * plan.ring.outer_radius_mm * np.array([np.cos(arrow), np.sin(arrow)]) for k in (1.0, 1.25))
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1}
    style = {"arrowstyle": "->"}
    axes.plot(*(1.12 * away), alpha=0)  # room for the word
    axes.annotate("arrow", tuple(near), tuple(away), arrowprops=style, ha="center", va="center", fontsize=8, bbox=box)
    for p in plan.photos:
        x, y, _ = p.place.eye_mm
        if p.view == "overhead":
            continue
        axes.plot([x, 0.45 * x], [y, 0.45 * y], color="0.7", linewidth=0.8, zorder=0)
        _camera(axes, x, y, str(p.number))
    _camera(axes, 0, 0, _above(plan))
    axes.set_aspect("equal")
    axes.set_title("From above (rotor inlet end up)", fontsize=10)
    _in_unit(axes, inches)
    axes.margins(0.08)
    axes.legend(fontsize=7, loc="upper left", bbox_to_anchor=(0, -0.1), ncols=2, frameon=False)


def _in_unit(axes: Axes, inches: bool) -> None:
    """Label axes that are in mm, with round inches where these are asked for."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    axes.set_xlabel(unit(inches))
    if not inches:
        return
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MultipleLocator(4 * MM_PER_INCH))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / MM_PER_INCH:.0f}"))


def _above(plan: Plan) -> str:
    """Numbers of the photographs from above."""
    return f"{plan.photos[0].number} and {plan.photos[-1].number}"


def _camera(axes: Axes, x: float, y: float, words: str) -> None:
    axes.text(
        x,
        y,
        words,
        ha="center",
        va="center",
        fontsize=9,
        zorder=5,
        bbox={"boxstyle": "round,pad=0.3", "facecolor": "white", "edgecolor": "black"},
    )


def _draw_side(axes: Axes, plan: Plan, inches: bool) -> None:
    outer, radius, tall = plan.ring.outer_radius_mm, plan.rotor.diameter_mm / 2, plan.rotor.height_mm
    axes.plot([-outer, outer], [0, 0], color="0.25", linewidth=3)
    axes.fill([-radius, radius, radius, -radius], [0, 0, tall, tall], color="0.85")
    axes.text(-radius / 2, tall / 2, "rotor", ha="center", va="center", fontsize=8)
    height = float(plan.photos[0].place.eye_mm[2])
    for x in (-outer, outer):
        axes.plot([0, x], [height, 0], color="0.7", linewidth=0.8)
    _dimension(axes, (-1.35 * outer, 0), (-1.35 * outer, height), length_text(height, inches, 0))
    axes.plot([-1.35 * outer, 0], [height, height], color="0.7", linewidth=0.5, linestyle=":")
    _camera(axes, 0, height, _above(plan))
    side = plan.photos[1:-1]
    for row, down in enumerate(sorted({p.down_deg for p in side}, reverse=True)):
        here = [p for p in side if p.down_deg == down]
        eye = here[0].place.eye_mm
        out, up, below = float(np.hypot(eye[0], eye[1])), float(eye[2]), -(0.22 + 0.22 * row) * outer
        axes.plot([out, 0], [up, EXPECTED.aim_mm], color="0.7", linewidth=0.8)
        _dimension(axes, (0, below), (out, below), length_text(out, inches, 0))
        _dimension(axes, (out, 0), (out, up), length_text(up, inches, 0))
        _camera(axes, out, up, _listed(here))
    axes.set_aspect("equal")
    axes.set_title("From the side", fontsize=10)
    _in_unit(axes, inches)
    axes.margins(0.1)
    if side:
        axes.set_ylim(bottom=-0.62 * outer)  # room for the dimension below the sheet


def _listed(photos: Sequence[PlannedPhoto]) -> str:
    """Numbers of photographs."""
    return ", ".join(str(p.number) for p in photos)


def _dimension(axes: Axes, start: tuple[float, float], end: tuple[float, float], words: str) -> None:
    axes.annotate("", start, end, arrowprops={"arrowstyle": "<->", "linewidth": 0.8})
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    upright = start[0] == end[0]
    axes.text(
        *middle,
        words,
        fontsize=8,
        ha="center",
        va="center",
        rotation=90 if upright else 0,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
    )


def _in_lines(words: str) -> str:
    """Words of an expectation in short lines, so that many of them stand side by side."""
    for start in (" and ", " from "):
        words = words.replace(start, "\n" + start[1:])
    return words


def _draw_expected(axes: Axes, plan: Plan) -> None:
    k = coverage_factor()
    rows = np.arange(len(plan.expectations))
    for i, station in enumerate(STATIONS):
        for values, fill, words in (("single_deg", True, "single blade"), ("mean_deg", False, "mean")):
            u = [getattr(e, values)[station] for e in plan.expectations]
            at = [r for r, v in zip(rows, u, strict=True) if v is not None]
            axes.plot(
                at, [k * v for v in u if v is not None], marker="os^"[i], color=STATION_COLOURS[i], linewidth=1,
                linestyle="-" if fill else "--",
                markerfacecolor=STATION_COLOURS[i] if fill else "white", label=f"{station}, {words}",
            )  # fmt: skip
    axes.set_yscale("log")
    ticks = [t for t in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0) if axes.get_ylim()[0] <= t <= axes.get_ylim()[1]]
    axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
    axes.minorticks_off()
    axes.set_xticks(rows, [_in_lines(e.words) for e in plan.expectations])
    axes.set_ylabel("degrees, ± at 95 %")
    axes.set_title("Uncertainty to expect", fontsize=10)
    axes.grid(axis="y", color="0.9")
    axes.legend(fontsize=8, ncols=3, frameon=False)
