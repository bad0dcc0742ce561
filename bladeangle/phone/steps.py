"""A job's folder -> how far it has come, and which photograph comes next from where.

The rotor is photographed turned over first, then inlet end up: from there on it is not touched, so that photographs
from the side belong to the last one. Which of those are asked for depends on what is there, and on what the record
lacks.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bladeangle.base.errors import BladeangleError, DefinitionError
from bladeangle.imaging.camera import Camera, read_camera
from bladeangle.phone.folder import Folder, Job, Picture, read_json
from bladeangle.records.record import Record, read_record

#: Photographs from the side asked for before anything is known of what is lacking, and how far the camera looks down.
#: Mixed, as two heights tell the blades' thickness from their height; deg.
SIDES_DOWN_DEG = (40.0, 25.0, 40.0)
#: Photographs of the bare ring: how far from straight above, deg, and from which side, deg from the arrow.
SHEETS = ((0.0, 0.0), (0.0, 180.0), *((37.0, a) for a in (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)))
#: From above: at most so far from straight above, deg. Farther, the photograph counts as one from the side.
ABOVE_GOOD_DEG, ABOVE_DEG = 6.0, 10.0
#: From the side: how far the camera may look down, deg.
SIDE_DOWN_DEG = (18.0, 62.0)


@dataclass(frozen=True)
class Place:
    """Where the phone is held: azimuth from the printed arrow, counter-clockwise, and how far it looks down; deg.

    up : the end of the rotor that is up, "inlet" or "outlet"; empty when the ring is bare.
    """

    down_deg: float
    azimuth_deg: float = 0.0
    up: str = "inlet"

    @property
    def above(self) -> bool:
        """Whether it is straight above."""
        return self.down_deg > 80


@dataclass(frozen=True)
class Wanted:
    """The photograph that comes next: its role, a heading, what to do in sentences, and from where.

    number, of : its place in a round of so many. needed : nothing can be measured without it.
    """

    role: str
    heading: str
    words: tuple[str, ...]
    place: Place
    number: int
    of: int
    needed: bool = True


@dataclass(frozen=True)
class JobStatus:
    """How far a job has come.

    record, camera : the result, when it is of exactly the photographs that count now. failure : message and hint of the
    last trial with these photographs, None when there was none. due : it is to be measured now, unasked.
    more : role in which further photographs may be added at will, empty when none yet.
    """

    job: Job
    pictures: tuple[Picture, ...]
    notice: Picture | None
    wanted: Wanted | None
    record: Record | None
    camera: Camera | None
    failure: tuple[str, str] | None
    verdict: Mapping[str, Any] | None
    digest: str
    due: bool
    possible: bool
    more: str = ""


def status_of(folder: Folder, job: Job) -> JobStatus:
    """How far the job has come, from its folder alone."""
    pictures = tuple(folder.pictures(job))
    digest = digest_of(pictures)
    failed = read_json(job.path / "failure.json")
    failure = None
    if failed.get("digest") == digest:
        failure = (str(failed.get("message", "")), str(failed.get("hint", "")))
    record, camera = _record(job, pictures), _camera(job, pictures)
    wanted = next_sheet(pictures) if job.kind == "calibrate" else next_photograph(pictures, record, job.kind)
    if job.kind == "calibrate":
        possible = len(pictures) >= 4
        more = "sheet" if wanted is None else ""
        complete = len(pictures) >= len(SHEETS)
    else:
        roles = [p.role for p in pictures]
        sides = roles.count("around")
        more = "around" if {"inlet", "outlet"} <= set(roles) and not (wanted and wanted.of > 1) else ""
        possible = "inlet" in roles or "outlet" in roles
        complete = {"inlet", "outlet"} <= set(roles) and (sides == 0 or sides >= len(SIDES_DOWN_DEG))
    due = complete and record is None and camera is None and failure is None
    verdict = read_json(job.path / "verdict.json") if job.kind == "verify" and record is not None else {}
    judged = verdict if verdict.get("digest") == digest else None
    return JobStatus(
        job, pictures, folder.notice(job), wanted, record, camera, failure, judged, digest, due, possible, more
    )  # fmt: skip


def digest_of(pictures: Sequence[Picture]) -> str:
    """One hash for a set of photographs under their names."""
    return hashlib.sha256(" ".join(sorted(f"{p.role}:{p.sha256}" for p in pictures)).encode()).hexdigest()


def _record(job: Job, pictures: Sequence[Picture]) -> Record | None:
    with contextlib.suppress(BladeangleError, OSError):
        if pictures and (job.path / "record.json").is_file():
            path = job.path / "record.json"
            record = _read_record(path, path.stat().st_mtime_ns)
            if {p.sha256 for p in record.content.photos} == {p.sha256 for p in pictures}:
                return record
    return None


@functools.lru_cache(maxsize=128)
def _read_record(path: Path, _time_ns: int) -> Record:
    return read_record(path)


def _camera(job: Job, pictures: Sequence[Picture]) -> Camera | None:
    with contextlib.suppress(DefinitionError):
        if job.kind == "calibrate" and pictures and (job.path / "camera.json").is_file():
            camera = read_camera(job.path / "camera.json")
            known = {p.get("sha256") for p in camera.provenance.get("photos", ()) if isinstance(p, dict)}
            if known == {p.sha256 for p in pictures}:
                return camera
    return None


# --- which photograph comes next --------------------------------------------------------------------------------------


def next_photograph(pictures: Sequence[Picture], record: Record | None, kind: str) -> Wanted | None:
    """The rotor's next photograph; None when nothing more would help much."""
    roles = [p.role for p in pictures]
    if "outlet" not in roles:
        words = (
            "Lay the ring flat and mark one blade with chalk: that is blade 1.",
            "Stand the rotor in the middle, outlet end up, the trailing tip of blade 1 at the printed arrow.",
            "Hold the phone level, straight above, so that the whole ring is in the picture. No zoom, no flash.",
        )
        return Wanted("outlet", "Turned over, from straight above", words, Place(90, up="outlet"), 1, 2)
    if "inlet" not in roles:
        words = (
            "Turn the rotor over: inlet end up, the leading tip of blade 1 at the printed arrow.",
            "Hold the phone level, straight above, so that the whole ring is in the picture.",
            "From here on do not touch rotor or ring.",
        )
        return Wanted("inlet", "Inlet end up, from straight above", words, Place(90), 2, 2)
    sides = [p for p in pictures if p.role == "around"]
    if len(sides) < len(SIDES_DOWN_DEG):
        place = next_side([p.check.get("values", {}) for p in sides])
        return Wanted(
            "around", f"From the side, {_height(place)}", _side_words(place), place, len(sides) + 1,
            len(SIDES_DOWN_DEG), needed=False,
        )  # fmt: skip
    suggested = suggested_place(record.content.suggestion if record else None)
    if suggested is None or kind == "shelf":
        return None
    if suggested.above:
        again = ("Rotor and ring as they stand, not touched.", "From straight above again, with the lamp elsewhere.")
        return Wanted("around", "Once more from above", again, suggested, 1, 1, needed=False)
    return Wanted("around", "One more from the side", _side_words(suggested), suggested, 1, 1, needed=False)


def next_side(taken: Sequence[Mapping[str, Any]]) -> Place:
    """The next place at the side, beside those that were taken: 120 degrees apart, the heights mixed.

    taken : what `check` saw in each, with `azimuth_deg` and `tilt_deg` where they are known.
    """
    seen = [v for v in taken if "azimuth_deg" in v and "tilt_deg" in v]
    known = [(float(v["azimuth_deg"]), 90 - float(v["tilt_deg"])) for v in seen]
    first = known[0][0] if known else 0.0
    around = [(first + 120.0 * k) % 360 for k in range(3)]
    free = max(around, key=lambda a: min((_apart(a, b) for b, _ in known), default=360.0)) if known else around[0]
    low = any(down < (SIDES_DOWN_DEG[0] + SIDES_DOWN_DEG[1]) / 2 for _, down in known)
    # the first may be forgotten from where it was taken; the low one is asked for once
    down = SIDES_DOWN_DEG[0] if low or not taken else SIDES_DOWN_DEG[1]
    return Place(down, free)


def next_sheet(pictures: Sequence[Picture]) -> Wanted | None:
    """The next photograph of the bare ring."""
    n = len(pictures)
    if n >= len(SHEETS):
        return None
    tilt, azimuth = SHEETS[n]
    place = Place(90 - tilt, azimuth, up="")
    if tilt == 0:
        words: tuple[str, ...] = (
            "Nothing stands on the ring. Lay it flat and fill the picture with it.",
            "Hold the phone level, straight above" + (", turned by half a turn." if n else ". Main camera, no zoom."),
        )
    else:
        words = (
            f"{_side_of(azimuth)}, tilt the phone by 30 to 45 degrees.",
            "Fill the picture with the ring; all of it must be in view.",
        )
    heading = "Bare ring, from straight above" if tilt == 0 else "Bare ring, tilted"
    return Wanted("sheet", heading, words, place, n + 1, len(SHEETS))


def suggested_place(suggestion: str | None) -> Place | None:
    """Where the record's suggestion wants a further photograph, as `advice.py` words it; None where it wants none.

    One with the outlet end up is not asked for: the rotor has been turned since and never stands as it did.
    """
    if not suggestion or "outlet end up" in suggestion:
        return None
    if "from straight above" in suggestion:
        return Place(90)
    found = re.search(r"\((\d+) degrees counter-clockwise from the arrow\), about (\d+) degrees down", suggestion)
    return Place(float(found[2]), float(found[1]) % 360) if found else None


def _apart(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


def _height(place: Place) -> str:
    return "higher up" if place.down_deg > 32 else "lower down"


def _side_words(place: Place) -> tuple[str, ...]:
    return (
        "Rotor and ring as they stand, not touched.",
        f"{_side_of(place.azimuth_deg)}, look down at about {place.down_deg:.0f} degrees.",
        "Keep the ring in the picture.",
    )


def _side_of(azimuth_deg: float) -> str:
    """From which side, in words; counter-clockwise seen from above is to the right of who stands at the arrow."""
    turn = (azimuth_deg + 180) % 360 - 180
    if abs(turn) < 20:
        return "From the side of the printed arrow"
    if abs(turn) > 160:
        return "From the side opposite the printed arrow"
    side = "to the right" if turn > 0 else "to the left"
    return f"From about {10 * round(abs(turn) / 10)} degrees {side} of the printed arrow"


# --- what was seen, against what was asked for ------------------------------------------------------------------------


@dataclass(frozen=True)
class Judged:
    """What to tell of a photograph: verdict "good", "usable" or "retake", and sentences, the weightiest first."""

    verdict: str
    sentences: tuple[str, ...]
    usable_anyway: bool = False


def judge(check: Mapping[str, Any], role: str, others: Sequence[Picture]) -> Judged:
    """The verdict on a photograph for its role, beside those that count already.

    check : `verdict`, `lines` and `values` as `pipeline.check` gives them, and `sha256`, `phone`, `width`, `height`.
    """
    values = check["values"]
    for other in others:
        if other.sha256 == check["sha256"]:
            return Judged("retake", ("This photograph is here already. Take a new one.",))
        known = other.check
        if known and any(known.get(k) != check[k] for k in ("phone", "width", "height")):
            what = "It was taken with another phone or lens than the others. Use the same one, without zoom."
            return Judged("retake", (what,))
    if not values.get("markers"):
        return Judged("retake", tuple(_sentences(check["lines"], "retake")))
    # the place is judged here, by what was asked for
    lines = [line for line in check["lines"] if line["what"] != "place"]
    retake, usable = list(_sentences(lines, "retake")), list(_sentences(lines, "usable"))
    if values.get("rotor_seen") is (role == "sheet"):
        what = "Something stands on the ring. Take it off." if role == "sheet" else "No rotor is seen in the ring."
        retake.insert(0, what)
    place = _place_sentence(role, float(values["tilt_deg"]))
    if place and place[0] == "retake":
        return Judged("retake", (place[1], *retake, *usable))
    if place:
        usable.insert(0, place[1])
    if retake:
        return Judged("retake", (*retake, *usable), usable_anyway=True)
    return Judged("usable" if usable else "good", tuple(usable))


def _place_sentence(role: str, tilt_deg: float) -> tuple[str, str] | None:
    if role in ("inlet", "outlet"):
        if tilt_deg > ABOVE_DEG:
            return "retake", f"Taken {tilt_deg:.0f} degrees from straight above. Hold the phone level, over the middle."
        if tilt_deg > ABOVE_GOOD_DEG:
            return "usable", f"Taken {tilt_deg:.0f} degrees from straight above; less is better."
    if role == "around":
        down = 90 - tilt_deg
        if down > 80:
            return None  # once more from above, as was asked for
        if not SIDE_DOWN_DEG[0] <= down <= SIDE_DOWN_DEG[1]:
            how = "higher" if down < SIDE_DOWN_DEG[0] else "lower"
            return "retake", f"It looks down at {down:.0f} degrees. Hold the phone {how}."
    if role == "sheet" and tilt_deg > 55:
        return "retake", f"The phone was tilted by {tilt_deg:.0f} degrees. Tilt it less, by 30 to 45."
    return None


def _sentences(lines: Sequence[Mapping[str, str]], verdict: str) -> list[str]:
    """What to do, or else what was seen, of the lines with a verdict."""
    found = []
    for line in lines:
        if line["verdict"] == verdict:
            seen = f"{line['what'].capitalize()}: {line['seen'].rstrip('.')}."
            found.append(f"{line['advice']} {seen}" if line["advice"] else seen)
    return found


def ring_point(radius: float, azimuth_deg: float) -> tuple[float, float]:
    """Point of a drawing seen from above, y down, with the arrow to the bottom and azimuth counter-clockwise."""
    a = math.radians(azimuth_deg)
    return radius * math.sin(a), radius * math.cos(a)
