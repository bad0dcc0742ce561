"""Photographs of one rotor -> which show it inlet end up and which turned over, measured; or a refusal that asks.

Names tell, where they say so. Else the pictures do, in two steps. Photographs from above are sorted by the end of the
rotor that they show (`ends.py`). Nothing moves between the photographs of one standing, so that the upper end of the
hub looks the same in those from the side as well once all are laid on one plane at its height, and different from that
of the other standing: that sorts the rest. Which of the two has
the inlet end up cannot be seen but by what rotors are like: their blades are steeper at the exit than at the entry
(common practice, no source). That is measured, on one photograph of each standing from straight above, and believed
only where it is clear; a rotor of even pitch is asked about. What somebody told in words is measured as told, but where
the photographs of one standing show different ends of the rotor, it is asked about as well.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
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
from bladeangle.pipeline.ends import End, detail
from bladeangle.pipeline.measure import Measurement, Options, measure, nothing
from bladeangle.pipeline.sight import AT_ONCE, camera_for
from bladeangle.records.edits import Edits
from bladeangle.tuning.pipeline import SIGHT, SORTING

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
#: A photograph's name, or the subfolder that holds it, begins like this when the outlet end is up.
TURNED_PREFIXES = ("turned", "outlet")
#: And like this when the inlet end is up.
STANDING_PREFIXES = ("inlet",)
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
    """Photographs with the inlet end up and turned over; `flag` says so where it was told by what they show.

    mixed : nobody has told yet, so that those in `standing` are of both kinds.
    """

    standing: tuple[Path, ...]
    turned: tuple[Path, ...]
    flag: Flag | None = None
    mixed: bool = False


def named(path: Path) -> str | None:
    """The standing that a photograph's name tells, None when it tells none."""
    name = path.name.lower()
    if name.startswith(TURNED_PREFIXES):
        return "outlet_up"
    return "inlet_up" if name.startswith(STANDING_PREFIXES) else None


def photos_by_name(folder: Path) -> Sorted:
    """The photographs in a folder as their names say; an unreadable folder has none.

    Those of the turned rotor have names that begin with "turned" or "outlet", or lie in a subfolder whose name does;
    all others directly in the folder are standing. Files without a photograph's suffix are ignored. Where no name
    says "turned" or "outlet" they are mixed, unless every name begins with "inlet".
    """
    standing: list[Path] = []
    turned: list[Path] = []
    with contextlib.suppress(OSError):
        for path in sorted(folder.iterdir()):
            is_turned = path.name.lower().startswith(TURNED_PREFIXES)
            if _is_photo(path):
                (turned if is_turned else standing).append(path.absolute())
            elif is_turned and path.is_dir():
                turned += photos_in(path)
    mixed = not turned and any(named(p) is None for p in standing)
    return Sorted(tuple(standing), tuple(turned), mixed=mixed)


def photos_in(folder: Path) -> list[Path]:
    """All photographs that lie directly in a folder."""
    return [p.absolute() for p in sorted(folder.iterdir()) if _is_photo(p)]


def _is_photo(path: Path) -> bool:
    return path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".") and not path.is_dir()


def told_by_hand(photos: Sequence[Path], turned: Sequence[Path]) -> Sorted:
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
        if named(path) == "inlet_up":
            raise UsageError(
                f"{safe_name(path.name)} was given as a photograph of the turned rotor, but its name says inlet.",
                "Put `--turned` before each photograph of the rotor turned over, and before no other; or rename it.",
            )
    standing = tuple(p for p in photos if named(p) != "outlet_up")
    return Sorted(standing, (*(p for p in photos if named(p) == "outlet_up"), *over))


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
    told = photos_by_name(folder)
    if not told.standing + told.turned:
        raise _no_photographs(folder)
    return sort_photos(told.standing, ring, camera, options, progress) if told.mixed else told


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
    looks = []
    for path in paths:
        progress(f"looking which end is up in {safe_name(path.name)}")
        looks.append(_look(path, ring, camera))
    first, second = _standings([look for look in looks if look.overhead])
    first, second = _with_oblique(first, second, [look for look in looks if not look.overhead])
    by_name = _told_by_names(first, second)
    if by_name:
        first_is_inlet, how = by_name == "inlet_up", "the pictures and their names"
    else:
        progress("measuring which end is steeper")
        rise, u = _exit_less_entry(measure([_best(first)], [_best(second)] if second else [], ring, camera, options))
        if not abs(rise) > max(SORTING.sure_sigmas * u, SORTING.least_deg):
            about = " and ".join(dict.fromkeys(_best(group).name for group in (first, second) if group))
            raise UsageError(
                f"Which end is up in {about} is not clear: the blades are about as steep at one end as at the other.",
                HINT,
            )
        first_is_inlet, how = rise > 0, "the pictures, blades taken to be steeper at the exit"
    standing, turned = (first, second) if first_is_inlet else (second, first)
    names = ", ".join(look.path.name for look in turned) or "none"
    text = f"Told from {how}; turned over: {names}."
    return Sorted(tuple(x.path for x in standing), tuple(x.path for x in turned), Flag("standing-told", text))


def _told_by_names(first: Sequence[_Look], second: Sequence[_Look]) -> str | None:
    """The standing of the first group as names tell it; None when they tell nothing, UsageError when they contradict
    what the pictures show."""
    other = {"inlet_up": "outlet_up", "outlet_up": "inlet_up"}
    said = {tells: look.path.name for look in first if (tells := named(look.path))}
    said |= {other[tells]: look.path.name for look in second if (tells := named(look.path))}
    if len(said) > 1:
        raise UsageError(
            f"The names of {' and '.join(sorted(set(said.values())))} contradict what the pictures show.",
            "Rename them: those of the turned rotor begin with turned or outlet, those of the inlet end with inlet.",
        )
    return next(iter(said), None)


def measure_sorted(
    told: Sorted,
    ring: Ring,
    camera: Camera | None,
    options: Options,
    progress: Callable[[str], None] = nothing,
    edits: Edits | None = None,
    at_once: int = AT_ONCE,
) -> Measurement:
    """Measure photographs as they were sorted or told; mixed ones are sorted first by what they show.

    Raises
    ------
    UsageError : it is not clear which show the rotor turned over, or photographs told to be of one standing show
        different ends.
    BladeangleError : as `measure`.
    """
    if told.mixed:
        told = sort_photos(told.standing, ring, camera, options, progress)
    try:
        found = measure(told.standing, told.turned, ring, camera, options, progress, edits, at_once)
    except (EdgesError, AdjustmentError):
        # A mix-up is a better answer than what it led to, if it is one.
        mixed_up = None
        with contextlib.suppress(BladeangleError):
            groups = [[_look(p, ring, camera) for p in group] for group in (told.standing, told.turned)]
            mixed_up = _mixed_up(groups[0], groups[1], True)
        if mixed_up:
            raise mixed_up from None
        raise
    _ask_about_shots(found)
    return found if told.flag is None else replace(found, flags=(told.flag, *found.flags))


def _ask_about_shots(found: Measurement) -> None:
    """UsageError when photographs that were measured as of one standing do not show one."""
    suspect = any(f.code in ("photos-disagree", "rotor-moved", "photo-left-out") for f in found.flags)
    groups: list[list[_Look]] = [[], []]
    for group, standing in zip(groups, ("inlet_up", "outlet_up"), strict=True):
        mine = [s for s in found.shots if s.setup == standing]
        if suspect or sum(s.overhead for s in mine) > 1:
            camera = found.camera.worked()
            group += [
                _look_at(s.path, s.photo, s.pose, camera, s.sighting.blur_px) for s in mine if suspect or s.overhead
            ]
    if mixed_up := _mixed_up(groups[0], groups[1], suspect):
        raise mixed_up


def _mixed_up(standing: Sequence[_Look], turned: Sequence[_Look], oblique: bool) -> UsageError | None:
    """What to ask when photographs told to be of one standing show different ends; None when they do not.

    oblique : look at photographs from the side as well, whose likeness is less certain.
    """
    for group, words in ((standing, "inlet end up"), (turned, "turned over")):
        parts = _ends([look for look in group if look.overhead], unclear_is_same=True)
        if len(parts) > 1:
            names = f"{safe_name(_best(parts[0]).name)} and {safe_name(_best(parts[1]).name)}"
            return UsageError(
                f"{names} were both given as {words}, but do not show the same end of the rotor.",
                f"{HINT} Leave out another rotor's.",
            )
    both = [[look for look in group if look.overhead] for group in (standing, turned)]
    if not oblique or not all(both):
        return None
    for mine, group in enumerate((standing, turned)):
        for look in (look for look in group if not look.overhead):
            own, other_ = (max(float(_alike(look, o).max()) for o in both[k]) for k in (mine, 1 - mine))
            if other_ - own > SORTING.better_correlation:
                words = ("inlet end up", "turned over")[mine]
                return UsageError(
                    f"{safe_name(look.path.name)} was given as {words}, but shows the other end of the rotor.", HINT
                )
    return None


@dataclass(frozen=True)
class _Look:
    """What one photograph shows of the upper end of the rotor.

    discs : (heights, 2, n) detail of the disc about the ring's middle, each of unit length, at every height;
    obliquity_deg : how far from straight above it was taken; end : of one from above.
    """

    path: Path
    obliquity_deg: float
    discs: Array
    end: End | None

    @property
    def overhead(self) -> bool:
        """Whether it was taken from above."""
        return self.end is not None


def _look(path: Path, ring: Ring, camera: Camera | None) -> _Look:
    photo, pose, camera, blur_px = _placed(path, ring, camera)
    return _look_at(path, photo, pose, camera, blur_px)


def _placed(path: Path, ring: Ring, camera: Camera | None) -> tuple[Photo, Pose, Camera, float]:
    """A photograph read, with its pose, the camera in the pixels that it is worked on in, and how blurred it is, px."""
    photo = read_photo(path)
    camera = camera_for(photo, camera, []).reduced(photo.reduction)
    sighting = sight_ring(photo, ring)
    return photo, start_pose(sighting, ring, camera.parameters, photo.name), camera, sighting.blur_px


def _look_at(path: Path, photo: Photo, pose: Pose, camera: Camera, blur_px: float) -> _Look:
    axis = np.arange(-SORTING.disc_mm, SORTING.disc_mm + PITCH_MM / 2, PITCH_MM)
    x, y = np.meshgrid(axis, axis)
    disc = np.hypot(x, y) < SORTING.disc_mm
    discs = np.empty((len(HEIGHTS_MM), 2, int(disc.sum())))
    for k, height in enumerate(HEIGHTS_MM):
        points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, height)])
        seen = profiles.sample(photo.grey, to_pixels(points, pose, camera).T.reshape(2, *x.shape))
        image = np.sqrt(np.maximum(np.nan_to_num(seen), 0)).astype(np.float32)
        values = detail(image, 1.5, 12.0)[:, disc].astype(float)
        values -= values.mean(1, keepdims=True)
        discs[k] = values / np.maximum(np.linalg.norm(values, axis=1, keepdims=True), 1e-9)
    eye = pose.eye_mm
    overhead = bool(np.hypot(eye[0], eye[1]) < SIGHT.overhead_mm)
    end = End.of(photo, pose, camera.parameters, blur_px) if overhead else None
    return _Look(path, pose.obliquity_deg, discs, end)


def _alike(one: _Look, other: _Look) -> Array:
    """Correlation (heights,) of two photographs' discs."""
    out: Array = (one.discs * other.discs).sum(2).mean(1)
    return out


def same_end_up(one: Path, other: Path, ring: Ring, camera: Camera | None) -> bool:
    """Whether two photographs from straight above show the same end of a rotor; errors as `read_photo`, `sight_ring`.

    Not where that is not clear.
    """
    ends = []
    for path in (one, other):
        photo, pose, its, blur_px = _placed(path, ring, camera)
        ends.append(End.of(photo, pose, its.parameters, blur_px))
    return ends[0].shows(ends[1]) is True


def _best(group: Sequence[_Look]) -> Path:
    """The photograph of a standing that was taken most nearly from straight above."""
    return min((look for look in group if look.overhead), key=lambda look: look.obliquity_deg).path


def _standings(overhead: Sequence[_Look]) -> tuple[list[_Look], list[_Look]]:
    """Photographs from above in two groups of the same standing each; the second may be empty."""
    if not overhead:
        raise UsageError("No photograph is taken from straight above, which is needed to tell which end is up.", HINT)
    groups = _ends(overhead)
    if len(groups) > 2:
        names = ", ".join(_best(group).name for group in groups)
        raise UsageError(
            f"{names} show {len(groups)} different ends, so that more than one rotor is among them.",
            f"Take out those of another rotor. {HINT}",
        )
    return groups[0], groups[1] if len(groups) > 1 else []


def _ends(overhead: Sequence[_Look], *, unclear_is_same: bool = False) -> list[list[_Look]]:
    """Photographs from above in groups of those that show the same end as another of their group."""
    groups: list[list[_Look]] = []
    for look in overhead:
        assert look.end is not None
        for group in groups:
            shown = [look.end.shows(other.end) for other in group if other.end is not None]
            if True in shown or (unclear_is_same and None in shown):
                group.append(look)
                break
        else:
            groups.append([look])
    return groups


def _with_oblique(first: list[_Look], second: list[_Look], oblique: Sequence[_Look]) -> tuple[list[_Look], list[_Look]]:
    """The two groups with each oblique photograph in the one whose upper end it shows.

    The rotor is as tall one way up as the other: there is one height at which all photographs fit, each in its group.
    The clearest is sorted first; those that follow may also be like it, as it was taken from a side nearer to theirs.
    """
    groups, rest = [list(first), list(second)], list(oblique)
    if not second or not oblique:
        return [*first, *rest], groups[1]
    alike = np.array([[np.max([_alike(look, o) for o in group], axis=0) for group in groups] for look in rest])
    k = int(alike.max(1).sum(0).argmax())
    near = slice(max(k - 1, 0), k + 2)
    score = alike[:, :, near].max(2)
    while rest:
        better = score[:, 0] - score[:, 1]
        i = int(np.abs(better).argmax())
        if abs(better[i]) < SORTING.better_correlation:
            names = ", ".join(look.path.name for look in rest)
            raise UsageError(f"Which way up the rotor stands in {names} is not clear from the picture.", HINT)
        side = 0 if better[i] > 0 else 1
        groups[side].append(look := rest.pop(i))
        score = np.delete(score, i, 0)
        for j, other in enumerate(rest):
            score[j, side] = max(score[j, side], _alike(look, other)[near].max())
    return groups[0], groups[1]


def _exit_less_entry(found: Measurement) -> tuple[float, float]:
    """Mean angle, deg, of the last station that is seen less that of the first, and its standard uncertainty.

    One standing alone shows one station: then the ends of what is seen of the blades are compared, with their
    uncertainties taken as common to all blades, which is cautious.
    """
    stations = found.stations
    seen = [w for s in STATIONS if (w := stations.budget.mean_weights(s)) is not None]
    if len(seen) > 1:
        weights = seen[-1] - seen[0]
        return float(weights @ stations.angle_deg), stations.budget.of(weights)[0]
    ends = np.array([[angle[-1] - angle[0], np.hypot(u[0], u[-1])] for _, _, angle, u in stations.curves.values()])
    return (float(ends[:, 0].mean()), float(ends[:, 1].mean())) if len(ends) else (0.0, np.inf)
