"""Where to hold the phone -> a drawing (inline SVG) of ring, rotor and phone, from above or from the side."""

from __future__ import annotations

import math

from markupsafe import Markup

from bladeangle.phone.steps import Place, Wanted, ring_point


def drawing(wanted: Wanted) -> Markup:
    """The drawing of the photograph that comes next; colours come from the page's style."""
    place = wanted.place
    parts = _from_side(place)
    if not place.above:
        parts += _from_above(place)
    label = f"{wanted.heading}. {' '.join(wanted.words)}"
    height = 210 if place.above else 432
    return Markup('<svg class="place" viewBox="0 0 320 {}" role="img" aria-label="{}">{}</svg>').format(
        height, label, Markup("".join(parts))
    )


def _from_side(place: Place) -> list[str]:
    """Sheet and rotor seen from the side, and the phone above or beside them."""
    ground, middle = 180.0, 160.0 if place.above else 105.0
    out = [f'<path class="sheet" d="M{middle - 85} {ground}h170"/>']
    if place.up:
        out += _rotor_from_side(middle, ground, place.up)
    foot_x, foot_y = middle, ground - (25 if place.up else 0)
    reach = 118.0 if place.above else 150.0
    down = math.radians(place.down_deg)
    x, y = foot_x + reach * math.cos(down), foot_y - reach * math.sin(down)
    out.append(f'<path class="ray" d="M{x:.1f} {y:.1f}L{foot_x} {foot_y}"/>')
    if not place.above:
        out.append(f'<path class="ray" d="M{foot_x} {foot_y}h{reach:.0f}"/>')
        ax, ay = foot_x + 70 * math.cos(down), foot_y - 70 * math.sin(down)
        out.append(f'<path class="angle" d="M{foot_x + 70:.1f} {foot_y}A70 70 0 0 0 {ax:.1f} {ay:.1f}"/>')
        mid = down / 2
        if place.up:
            out.append(
                f'<text x="{foot_x + 76 * math.cos(mid):.1f}" y="{foot_y - 76 * math.sin(mid) + 5:.1f}">'
                f"{place.down_deg:.0f}°</text>"
            )
    out.append(
        f'<g transform="translate({x:.1f} {y:.1f}) rotate({90 - place.down_deg:.0f})">'
        '<rect class="phone" x="-34" y="-6" width="68" height="12" rx="4"/><circle class="lens" cy="7" r="4"/></g>'
    )
    if place.up:
        words = f"{place.up} end up"
        out.append(f'<text class="small" x="{middle}" y="{ground + 22}" text-anchor="middle">{words}</text>')
    return out


def _rotor_from_side(x: float, ground: float, up: str) -> list[str]:
    """A rotor on the sheet; its hub is narrower at the inlet end, and an arrow shows which end is up."""
    top, bottom = (14.0, 24.0) if up == "inlet" else (24.0, 14.0)
    hub = f"M{x - bottom} {ground}L{x - top} {ground - 50}H{x + top}L{x + bottom} {ground}z"
    blades = [
        f'<path class="blade" d="M{x + dx - 16} {ground - 6}C{x + dx} {ground - 10} {x + dx} {ground - 38} '
        f'{x + dx + 16} {ground - 44}"/>'
        for dx in (-40, 0, 40)
    ]
    return [f'<path class="hub" d="{hub}"/>', *blades]


def _from_above(place: Place) -> list[str]:
    """The ring from above with its printed arrow at the bottom, and the phone at its side."""
    out = ['<g transform="translate(160 322)">', '<circle class="paper" r="62"/>']
    for k in range(18):  # the printed marks
        x, y = ring_point(54, 10 + 20 * k)
        out.append(f'<rect class="mark" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" '
                   f'transform="rotate({-10 - 20 * k} {x:.1f} {y:.1f})"/>')  # fmt: skip
    out.append('<path class="arrow" d="M0 62v12m-6 -5l6 8l6 -8"/>')
    if place.up:
        out.append('<circle class="hub" r="13"/>')
        for k in range(3):
            (ax, ay), (bx, by) = ring_point(13, 120.0 * k - 50), ring_point(40, 120.0 * k)
            cx, cy = ring_point(36, 120.0 * k - 45)
            out.append(f'<path class="blade" d="M{ax:.1f} {ay:.1f}Q{cx:.1f} {cy:.1f} {bx:.1f} {by:.1f}"/>')
    x, y = ring_point(98, place.azimuth_deg)
    tx, ty = ring_point(46, place.azimuth_deg)
    out.append(f'<path class="ray" d="M{x:.1f} {y:.1f}L{tx:.1f} {ty:.1f}"/>')
    out.append(
        f'<g transform="translate({x:.1f} {y:.1f}) rotate({-place.azimuth_deg:.0f})">'
        '<rect class="phone" x="-26" y="-6" width="52" height="12" rx="4"/><circle class="lens" cy="-7" r="4"/></g>'
    )
    return [*out, "</g>"]
