"""Plan -> its steps in words, and the same as data for other programs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict

import numpy as np

from bladeangle.base.budget import STATIONS, coverage_factor
from bladeangle.base.structure import Plain
from bladeangle.plan import Expectation, Plan, PlannedPhoto


def plan_to_dict(plan: Plan) -> Plain:
    """The plan for other programs; lengths mm, angles and uncertainties degrees."""

    def rounded(values: dict[str, float | None]) -> dict[str, float | None]:
        return {k: None if v is None else round(v, 4) for k, v in values.items()}

    def expected(e: Expectation) -> Plain:
        return {
            "photos": e.photos,
            "words": e.words,
            "blade_standard_uncertainty_deg": rounded(e.single_deg),
            "mean_standard_uncertainty_deg": rounded(e.mean_deg),
            "blades_seen": e.seen,
        }

    return {
        "rotor": asdict(plan.rotor) | {"tip_length_mm": round(plan.tip_length_mm, 1)},
        "ring": plan.ring.name,
        "camera": {k: getattr(plan.camera, k) for k in ("name", "calibrated", "width", "height")},
        "photos": [
            {
                "number": p.number,
                "standing": p.standing,
                "view": p.view,
                "eye_mm": np.round(p.place.eye_mm, 1).tolist(),
                "azimuth_deg": None if p.view == "overhead" else round(p.place.azimuth_deg, 1),
                "down_deg": p.down_deg,
                "hidden_markers": list(p.hidden_markers),
                "seen_mm": {str(b): [list(s) for s in spans] for b, spans in p.seen_mm.items()},
                "shows": [{"blade": b, "station": s} for b, s in p.shows],
            }
            for p in plan.photos
        ],
        "expected": [expected(e) for e in plan.expectations],
        "expected_of_new_tips": [expected(e) for e in plan.new_tips],
    }


def plan_text(plan: Plan, length_text: Callable[[float], str]) -> str:
    """The plan as steps to follow; `length_text` writes a length given in mm."""
    above, *side, turned = plan.photos
    height = length_text(float(above.place.eye_mm[2]))
    lines = [
        "The blades' edges are sharp: wear gloves to handle the rotor, and photograph it out of the pump only.",
        "",
        "1. Lay the ring flat and the rotor in its middle, inlet end up, the leading tip of blade 1 at the arrow.",
        "   Light it evenly. From here on do not move rotor or ring.",
        f"2. Photograph 1: from straight above, lens {height} over the sheet, the whole ring in the picture.",
        f"   {_shown(above, plan.rotor.blades)}",
    ]
    if side:
        lines += [
            f"3. Walk round it: {len(side)} from the side, at two elevations, since that tells wear of the tips;",
            "   degrees count from the arrow, counter-clockwise:",
        ]
        for p in side:
            seen = len(plan.ring.ids) - len(p.hidden_markers)
            out, up = (length_text(float(v)) for v in (np.hypot(*p.place.eye_mm[:2]), p.place.eye_mm[2]))
            where = f"at {p.place.azimuth_deg:.0f} degrees, looking about {p.down_deg:.0f} down"
            lines.append(f"   photograph {p.number}: {where}, lens {up} over the sheet, {out} from the middle.")
            lines.append(f"   {_shown(p, plan.rotor.blades)} {seen} of {len(plan.ring.ids)} markers in sight.")
    lines += [
        f"{4 if side else 3}. Turn the rotor over: outlet end up, the trailing tip of blade 1 at the arrow.",
        f"{5 if side else 4}. Photograph {turned.number}: from straight above as before.",
        f"   {_shown(turned, plan.rotor.blades)}",
        "",
        "Expanded uncertainty to expect (95 %), degrees: a single blade, and the mean over the blades",
        *_expected("Used tips, or not known to be new:", plan.expectations),
        *_expected("Tips known to be new (`measure --tips new`):", plan.new_tips),
    ]
    lines.append("Light and metal decide how well edges stand out: expect two thirds to four thirds of these figures.")
    if not plan.camera.calibrated:
        lines.append("The phone is not calibrated: `bladeangle calibrate` makes the mean over the blades more certain.")
    if plan.rotor.tip_length_mm is None:
        lines.append(
            f"A blade is taken to be {length_text(plan.tip_length_mm)} long along its tip; --tip-length says better."
        )
    return "\n".join(lines)


def _expected(head: str, expectations: Sequence[Expectation]) -> list[str]:
    """Rows of what to expect, a number of photographs each."""
    lines = [head, f"{'':30}" + "".join(f"{s:>18}" for s in STATIONS)]
    k = coverage_factor()
    for e in expectations:
        cells = []
        for station in STATIONS:
            single, mean = e.single_deg[station], e.mean_deg[station]
            known = None if single is None or mean is None else f"±{k * single:.2f}   ±{k * mean:.2f}"
            cells.append(f"{known or 'not seen':>18}")
        lines.append(f"{e.words:30}" + "".join(cells))
    return lines


def _shown(photo: PlannedPhoto, blades: int) -> str:
    """Which stations a photograph shows."""
    parts = []
    for station in STATIONS:
        which = [b for b, s in photo.shows if s == station]
        if len(which) == blades:
            parts.append(f"{station} of all blades")
        elif which:
            parts.append(f"{station} of blade{'s' if len(which) > 1 else ''} {', '.join(map(str, which))}")
    hidden = [s for s in STATIONS if not any(s == t for _, t in photo.shows)]
    text = f"Shows {'; '.join(parts)}." if parts else "Shows no whole station."
    return text + (
        f" Hidden: {' and '.join(hidden)} (under the next blade)." if hidden and photo.view == "overhead" else ""
    )
