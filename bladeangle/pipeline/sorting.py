"""Photographs of one rotor -> which show it inlet end up and which turned over, measured; or a refusal that asks.

Names decide where they say which end is up. Otherwise the pictures do, in two steps. Overhead photographs are grouped
by the end of the rotor that they show (`ends.py`). Nothing moves between the photographs of one setup, so that the
upper end of the hub, rectified to a plane at its height, correlates between all of them, oblique ones included, and not
with the other setup: that assigns the oblique photographs. Which of the two setups has the inlet end up follows only
from what rotors are like: their blades are steeper at the exit than at the entry (common practice, no source). That is
measured on one overhead photograph of each setup, and used only where the difference is significant; otherwise the user
is asked. Setups that the user gave are used as given, but refused where photographs of one setup show different ends of
the rotor.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np

from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import AdjustmentError, BladeangleError, EdgesError, UsageError
from bladeangle.base.files import safe_name
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import Array
from bladeangle.imaging import profiles
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import Photo, read_photo
from bladeangle.imaging.pose import Pose, start_pose
from bladeangle.imaging.quality import to_pixels
from bladeangle.imaging.ring import Ring, sight_ring
from bladeangle.pipeline.ends import End, local_contrast
from bladeangle.pipeline.measure import Measurement, Options, measure, nothing
from bladeangle.pipeline.sight import AT_ONCE, camera_for
from bladeangle.records.edits import Edits
from bladeangle.tuning.pipeline import SIGHT, SORTING

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
#: A photograph's name, or the subfolder that holds it, begins like this when the outlet end is up.
TURNED_PREFIXES = ("turned", "outlet")
#: And like this when the inlet end is up.
INLET_PREFIXES = ("inlet",)
#: Pitch of the disc that is compared, mm.
PITCH_MM = 0.5
#: Heights over the sheet at which the upper end of the hub is looked for, mm.
HEIGHTS_MM = np.arange(15.0, 92.0, 2.0)
HINT = (
    "Put `--turned` before each photograph of the rotor turned over, or let its name begin with turned or outlet; "
    "names are believed."
)


@dataclass(frozen=True)
class Sorted:
    """Photographs by setup: with the inlet end up, and turned over; `flag` is raised where the pictures decided it.

    mixed : the setups are not known yet, and `inlet_up` holds the photographs of both.
    """

    inlet_up: tuple[Path, ...]
    turned: tuple[Path, ...]
    flag: Flag | None = None
    mixed: bool = False


def setup_by_name(path: Path) -> str | None:
    """The setup that a photograph's name states; None when it states none."""
    name = path.name.lower()
    if name.startswith(TURNED_PREFIXES):
        return "outlet_up"
    return "inlet_up" if name.startswith(INLET_PREFIXES) else None


def photos_by_name(folder: Path) -> Sorted:
    """The photographs in a folder as their names say; an unreadable folder has none.

    Those of the turned rotor have names that begin with "turned" or "outlet", or lie in a subfolder whose name does;
    all others directly in the folder have the inlet end up. Files without a photograph's suffix are ignored. Where no
    name says "turned" or "outlet" they are mixed, unless every name begins with "inlet".
    """
    inlet_up: list[Path] = []
    turned: list[Path] = []
    with contextlib.suppress(OSError):
        for path in sorted(folder.iterdir()):
            is_turned = path.name.lower().startswith(TURNED_PREFIXES)
            if _is_photo(path):
                (turned if is_turned else inlet_up).append(path.absolute())
            elif is_turned and path.is_dir():
                turned += photos_in(path)
    mixed = not turned and any(setup_by_name(p) is None for p in inlet_up)
    return Sorted(tuple(inlet_up), tuple(turned), mixed=mixed)


def photos_in(folder: Path) -> list[Path]:
    """All photographs that lie directly in a folder."""
    return [p.absolute() for p in sorted(folder.iterdir()) if _is_photo(p)]


def _is_photo(path: Path) -> bool:
    return path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".") and not path.is_dir()


def as_given(photos: Sequence[Path], turned: Sequence[Path]) -> Sorted:
    """Photographs as they were named one by one, where `turned` may hold folders.

    A photograph given plainly whose name begins with "turned" or "outlet" is one of the turned rotor, as in a folder.

    Raises
    ------
    UsageError : one given as turned has a name that says otherwise, or a folder has no photographs.
    """
    over: list[Path] = []
    for path in turned:
        inside = photos_in(path) if path.is_dir() else [path]
        if not inside:
            raise _no_photographs(path)
        over += inside
    for path in over:
        if setup_by_name(path) == "inlet_up":
            raise UsageError(
                f"{safe_name(path.name)} was given as a photograph of the turned rotor, but its name says inlet.",
                "Put `--turned` before each photograph of the rotor turned over, and before no other; or rename it.",
            )
    inlet_up = tuple(p for p in photos if setup_by_name(p) != "outlet_up")
    return Sorted(inlet_up, (*(p for p in photos if setup_by_name(p) == "outlet_up"), *over))


def _no_photographs(folder: Path) -> UsageError:
    words = f"The folder {safe_name(folder)} has no photographs."
    return UsageError(words, f"Their names end in {', '.join(PHOTO_SUFFIXES)}.")


def sort_folder(
    folder: Path, ring: Ring, camera: Camera | None, options: Options, progress: Callable[[str], None] = nothing
) -> Sorted:
    """The photographs in a folder, sorted by their names if one says "turned" or "outlet", else by what they show.

    Raises
    ------
    UsageError : no photographs; or as `sort_photos`.
    """
    given = photos_by_name(folder)
    if not given.inlet_up + given.turned:
        raise _no_photographs(folder)
    return sort_photos(given.inlet_up, ring, camera, options, progress) if given.mixed else given


def sort_photos(
    paths: Sequence[Path],
    ring: Ring,
    camera: Camera | None,
    options: Options,
    progress: Callable[[str], None] = nothing,
) -> Sorted:
    """Photographs of one rotor sorted by what they show, and by what names say of which end is up.

    Raises
    ------
    UsageError : it is not clear from the pictures; the sentence names the photographs that it is about.
    BladeangleError : what reading or measuring the photographs from straight above raises.
    """
    seen = []
    for path in paths:
        progress(f"looking which end is up in {safe_name(path.name)}")
        seen.append(_appearance_of(path, ring, camera))
    first, second = _by_end([photo for photo in seen if photo.overhead])
    first, second = _with_oblique(first, second, [photo for photo in seen if not photo.overhead])
    by_name = _setup_of_first(first, second)
    if by_name:
        first_is_inlet, how = by_name == "inlet_up", "the pictures and their names"
    else:
        progress("measuring which end is steeper")
        rise, u = _exit_less_entry(
            measure([_most_overhead(first)], [_most_overhead(second)] if second else [], ring, camera, options)
        )
        if not abs(rise) > max(SORTING.sure_sigmas * u, SORTING.least_deg):
            about = " and ".join(dict.fromkeys(_most_overhead(group).name for group in (first, second) if group))
            raise UsageError(
                f"Which end is up in {about} is not clear: the blades are about as steep at one end as at the other.",
                HINT,
            )
        first_is_inlet, how = rise > 0, "the pictures, blades taken to be steeper at the exit"
    inlet_up, turned = (first, second) if first_is_inlet else (second, first)
    names = ", ".join(photo.path.name for photo in turned) or "none"
    text = f"Told from {how}; turned over: {names}."
    return Sorted(tuple(x.path for x in inlet_up), tuple(x.path for x in turned), Flag("standing-told", text))


def _setup_of_first(first: Sequence[_Appearance], second: Sequence[_Appearance]) -> str | None:
    """The setup of the first group by the names of both; None when no name states one.

    UsageError when names contradict the grouping by pictures.
    """
    other = {"inlet_up": "outlet_up", "outlet_up": "inlet_up"}
    stated = {setup: photo.path.name for photo in first if (setup := setup_by_name(photo.path))}
    stated |= {other[setup]: photo.path.name for photo in second if (setup := setup_by_name(photo.path))}
    if len(stated) > 1:
        raise UsageError(
            f"The names of {' and '.join(sorted(set(stated.values())))} contradict what the pictures show.",
            "Rename them: those of the turned rotor begin with turned or outlet, those of the inlet end with inlet.",
        )
    return next(iter(stated), None)


def measure_sorted(
    given: Sorted,
    ring: Ring,
    camera: Camera | None,
    options: Options,
    progress: Callable[[str], None] = nothing,
    edits: Edits | None = None,
    at_once: int = AT_ONCE,
) -> Measurement:
    """Measure photographs by their given setups; mixed ones are sorted first by what they show.

    Raises
    ------
    UsageError : it is not clear which show the rotor turned over, or photographs given for one setup show different
        ends.
    BladeangleError : as `measure`.
    """
    if given.mixed:
        given = sort_photos(given.inlet_up, ring, camera, options, progress)
    try:
        found = measure(given.inlet_up, given.turned, ring, camera, options, progress, edits, at_once)
    except (EdgesError, AdjustmentError):
        # A mix-up is a better answer than what it led to, if it is one.
        contradiction = None
        with contextlib.suppress(BladeangleError):
            groups = [[_appearance_of(p, ring, camera) for p in group] for group in (given.inlet_up, given.turned)]
            contradiction = _contradiction(groups[0], groups[1], SORTING.better_correlation)
        if contradiction:
            raise contradiction from None
        raise
    _refuse_contradictions(found)
    return found if given.flag is None else replace(found, flags=(given.flag, *found.flags))


def _refuse_contradictions(found: Measurement) -> None:
    """UsageError when photographs that were measured as one setup show different ends of the rotor."""
    # what one other photograph alone watches may be of the other end without any doubt: a move takes it up
    margin = SORTING.surely_better if found.result.state.moves else None
    if any(f.code in ("photos-disagree", "rotor-moved", "photo-left-out") for f in found.flags):
        margin = SORTING.better_correlation
    groups: list[list[_Appearance]] = [[], []]
    for group, setup in zip(groups, ("inlet_up", "outlet_up"), strict=True):
        mine = [s for s in found.shots if s.setup == setup]
        if margin is not None or sum(s.overhead for s in mine) > 1:
            camera = found.camera.worked()
            group += [
                _appearance_in(s.path, s.photo, s.pose, camera, s.sighting.blur_px)
                for s in mine
                if margin is not None or s.overhead
            ]
    if contradiction := _contradiction(groups[0], groups[1], margin):
        raise contradiction


def _contradiction(
    inlet_up: Sequence[_Appearance], turned: Sequence[_Appearance], margin: float | None
) -> UsageError | None:
    """The refusal of photographs that were given for one setup but show different ends; None when they do not.

    margin : by how much oblique photographs must correlate better with the other end; None to leave them out.
    """
    for group, words in ((inlet_up, "inlet end up"), (turned, "turned over")):
        parts = _grouped_by_end([photo for photo in group if photo.overhead], unclear_is_same=True)
        if len(parts) > 1:
            names = f"{safe_name(_most_overhead(parts[0]).name)} and {safe_name(_most_overhead(parts[1]).name)}"
            return UsageError(
                f"{names} were both given as {words}, but do not show the same end of the rotor.",
                f"{HINT} Leave out another rotor's.",
            )
    overhead = [[photo for photo in group if photo.overhead] for group in (inlet_up, turned)]
    if margin is None or not all(overhead):
        return None
    for mine, group in enumerate((inlet_up, turned)):
        for photo in (photo for photo in group if not photo.overhead):
            own, other = (max(float(_correlation(photo, o).max()) for o in overhead[k]) for k in (mine, 1 - mine))
            if other - own > margin:
                words = ("inlet end up", "turned over")[mine]
                return UsageError(
                    f"{safe_name(photo.path.name)} was given as {words}, but shows the other end of the rotor.", HINT
                )
    return None


@dataclass(frozen=True)
class _Appearance:
    """The upper end of the rotor as one photograph shows it.

    discs : (heights, 2, n) local contrast in a disc about the ring's centre, rectified to the plane at every height and
        scaled to unit norm.
    obliquity_deg : angle of the optical axis from the vertical; end : of an overhead photograph.
    """

    path: Path
    obliquity_deg: float
    discs: Array
    end: End | None

    @property
    def overhead(self) -> bool:
        """Whether it was taken from above."""
        return self.end is not None


def _appearance_of(path: Path, ring: Ring, camera: Camera | None) -> _Appearance:
    photo, pose, camera, blur_px = _posed(path, ring, camera)
    return _appearance_in(path, photo, pose, camera, blur_px)


def _posed(path: Path, ring: Ring, camera: Camera | None) -> tuple[Photo, Pose, Camera, float]:
    """A photograph read, with its pose, the camera in the pixels that it is worked on in, and how blurred it is, px."""
    photo = read_photo(path)
    camera = camera_for(photo, camera, []).reduced(photo.reduction)
    sighting = sight_ring(photo, ring)
    return photo, start_pose(sighting, ring, camera.parameters, photo.name), camera, sighting.blur_px


def _appearance_in(path: Path, photo: Photo, pose: Pose, camera: Camera, blur_px: float) -> _Appearance:
    axis = np.arange(-SORTING.disc_mm, SORTING.disc_mm + PITCH_MM / 2, PITCH_MM)
    x, y = np.meshgrid(axis, axis)
    disc = np.hypot(x, y) < SORTING.disc_mm
    discs = np.empty((len(HEIGHTS_MM), 2, int(disc.sum())))
    for k, height in enumerate(HEIGHTS_MM):
        points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, height)])
        seen = profiles.sample(photo.grey, to_pixels(points, pose, camera).T.reshape(2, *x.shape))
        image = np.sqrt(np.maximum(np.nan_to_num(seen), 0)).astype(np.float32)
        values = local_contrast(image, 1.5, 12.0)[:, disc].astype(float)
        values -= values.mean(1, keepdims=True)
        discs[k] = values / np.maximum(np.linalg.norm(values, axis=1, keepdims=True), 1e-9)
    eye = pose.eye_mm
    overhead = bool(np.hypot(eye[0], eye[1]) < SIGHT.overhead_mm)
    end = End.of(photo, pose, camera.parameters, blur_px) if overhead else None
    return _Appearance(path, pose.obliquity_deg, discs, end)


def _correlation(one: _Appearance, other: _Appearance) -> Array:
    """Correlation (heights,) of the rectified discs of two photographs."""
    out: Array = (one.discs * other.discs).sum(2).mean(1)
    return out


def same_end_up(one: Path, other: Path, ring: Ring, camera: Camera | None) -> bool:
    """Whether two photographs from straight above show the same end of a rotor; errors as `read_photo`, `sight_ring`.

    Not where that is not clear.
    """
    ends = []
    for path in (one, other):
        photo, pose, worked_camera, blur_px = _posed(path, ring, camera)
        ends.append(End.of(photo, pose, worked_camera.parameters, blur_px))
    return ends[0].same_as(ends[1]) is True


def _most_overhead(group: Sequence[_Appearance]) -> Path:
    """The photograph of a group with the least obliquity."""
    return min((photo for photo in group if photo.overhead), key=lambda photo: photo.obliquity_deg).path


def _by_end(overhead: Sequence[_Appearance]) -> tuple[list[_Appearance], list[_Appearance]]:
    """Overhead photographs in two groups, one for each setup; the second may be empty."""
    if not overhead:
        raise UsageError("No photograph is taken from straight above, which is needed to tell which end is up.", HINT)
    groups = _joined_by_elimination(_grouped_by_end(overhead))
    if len(groups) > 2:
        names = ", ".join(_most_overhead(group).name for group in groups)
        if any(_may_be_one(one, other) for one, other in combinations(groups, 2)):
            raise UsageError(f"Which of {names} show the same end of the rotor is not clear from the pictures.", HINT)
        raise UsageError(
            f"{names} show {len(groups)} different ends, so that more than one rotor is among them.",
            f"Take out those of another rotor. {HINT}",
        )
    return groups[0], groups[1] if len(groups) > 1 else []


def _grouped_by_end(overhead: Sequence[_Appearance], *, unclear_is_same: bool = False) -> list[list[_Appearance]]:
    """Overhead photographs in groups, each photograph showing the same end as another of its group."""
    groups: list[list[_Appearance]] = []
    for photo in overhead:
        assert photo.end is not None
        for group in groups:
            same = [photo.end.same_as(other.end) for other in group if other.end is not None]
            if True in same or (unclear_is_same and None in same):
                group.append(photo)
                break
        else:
            groups.append([photo])
    return groups


def _may_be_one(one: Sequence[_Appearance], other: Sequence[_Appearance]) -> bool:
    """Whether no photograph of one group shows clearly another end than one of the other."""
    return not any(a.end.same_as(b.end) is False for a in one for b in other if a.end is not None and b.end is not None)


def _joined_by_elimination(groups: list[list[_Appearance]]) -> list[list[_Appearance]]:
    """Of more than two groups, two that may show one end are joined where each shows clearly no third one's."""
    while len(groups) > 2:
        unclear = [pair for pair in combinations(range(len(groups)), 2) if _may_be_one(*(groups[k] for k in pair))]
        alone = [pair for pair in unclear if not any(set(pair) & set(other) for other in unclear if other != pair)]
        if not alone:
            break
        one, other = alone[0]
        groups = [[*groups[one], *groups[other]], *(group for k, group in enumerate(groups) if k not in alone[0])]
    return groups


def _with_oblique(
    first: list[_Appearance], second: list[_Appearance], oblique: Sequence[_Appearance]
) -> tuple[list[_Appearance], list[_Appearance]]:
    """The two groups with each oblique photograph added to the one with whose upper end it correlates best.

    The rotor is as high one way up as the other, so that one height of the plane suits all photographs. The most
    distinct photograph is assigned first; the others are then compared with it as well, as it may have been taken from
    a direction nearer to theirs.
    """
    groups, rest = [list(first), list(second)], list(oblique)
    if not second or not oblique:
        return [*first, *rest], groups[1]
    correlation = np.array(
        [[np.max([_correlation(photo, o) for o in group], axis=0) for group in groups] for photo in rest]
    )
    k = int(correlation.max(1).sum(0).argmax())
    near = slice(max(k - 1, 0), k + 2)
    score = correlation[:, :, near].max(2)
    while rest:
        margin = score[:, 0] - score[:, 1]
        i = int(np.abs(margin).argmax())
        if abs(margin[i]) < SORTING.better_correlation:
            names = ", ".join(photo.path.name for photo in rest)
            raise UsageError(f"Which way up the rotor stands in {names} is not clear from the picture.", HINT)
        side = 0 if margin[i] > 0 else 1
        groups[side].append(photo := rest.pop(i))
        score = np.delete(score, i, 0)
        for j, other in enumerate(rest):
            score[j, side] = max(score[j, side], _correlation(photo, other)[near].max())
    return groups[0], groups[1]


def _exit_less_entry(found: Measurement) -> tuple[float, float]:
    """Mean angle, deg, of the last station that is seen less that of the first, and its standard uncertainty.

    One setup alone shows one station: then the two ends of what is seen of each blade are compared, with their
    uncertainties taken as fully correlated between blades, which is cautious.
    """
    stations = found.stations
    seen = [w for s in STATIONS if (w := stations.budget.mean_weights(s)) is not None]
    if len(seen) > 1:
        weights = seen[-1] - seen[0]
        return float(weights @ stations.angle_deg), stations.budget.of(weights)[0]
    ends = np.array([[angle[-1] - angle[0], np.hypot(u[0], u[-1])] for _, _, angle, u in stations.curves.values()])
    return (float(ends[:, 0].mean()), float(ends[:, 1].mean())) if len(ends) else (0.0, np.inf)
