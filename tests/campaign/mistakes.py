"""What people really do wrong, drawn on sound sets of photographs: mixed-up files, and optics that nobody models.

A set is a folder with `inlet.jpg`, `outlet.jpg`, perhaps `around-*.jpg`, and `truth.json`; with `arrow.jpg`, the rotor
turned over with its next blade at the arrow, that mistake too. Every mistake takes a set, another set of the same
camera and ring, and a generator, writes what it changes into a folder, and gives the `Job` that a person would have
started, with the words by which a refusal or a doubt would name the cause.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from bladeangle.base.files import import_cv2
from tests.campaign import pictures
from tests.campaign.pictures import Rng, Spoil
from tests.campaign.sound import Image, Job, Sound, job_of, judged, read, sound_set, write


def _rotated(image: Image, turn_deg: float, camera: dict[str, Any]) -> Image:
    """As if the phone had been turned about the lens's axis."""
    cv2 = import_cv2()
    at = camera["parameters"]["cx_px"], camera["parameters"]["cy_px"]
    turn = cv2.getRotationMatrix2D(at, turn_deg, 1.0)
    size = (image.shape[1], image.shape[0])
    turned = cv2.warpAffine(image, turn, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(turned, np.uint8)


SAME_END = ("same end", "same photograph")


def not_turned(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The second photograph shows the same end again, the phone turned or the sheet."""
    name = str(rng.choice(["inlet", "outlet"]))
    image = _rotated(read(sound.folder / f"{name}.jpg"), float(rng.uniform(-180, 180)), sound.camera)
    like = sound.folder / f"{name}.jpg"
    again = write(image, like, folder / "again.jpg")
    return job_of(sound, SAME_END, **{"outlet" if name == "inlet" else "inlet": again})


def same_twice(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """One photograph saved again, as the turned one too."""
    name = str(rng.choice(["inlet", "outlet"]))
    like = sound.folder / f"{name}.jpg"
    image = np.clip(read(like) * rng.uniform(0.85, 1.1), 0, 255).astype(np.uint8)
    again = write(image, like, folder / "again.jpg", int(rng.integers(60, 95)))
    return job_of(sound, SAME_END, **{"outlet" if name == "inlet" else "inlet": again})


def turned_untold(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """`--turned` was forgotten: both given as standing inlet end up."""
    job = job_of(sound, ("different ends", "--turned"))
    both = [*job.standing, *job.turned]
    return replace(job, standing=[both[i] for i in rng.permutation(len(both))], turned=[])


def two_rotors(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Inlet of one rotor, outlet of another one alike."""
    assert other is not None
    return job_of(sound, ("rotors-differ", "another rotor"), outlet=other.folder / "outlet.jpg")


def sides_of_another(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Photographs from the side of another rotor alike."""
    assert other is not None
    job = job_of(replace(sound, sides=0), ("rotors-differ", "another rotor", "another one photographed"))
    return replace(job, standing=job.standing + replace(other, sides=max(sound.sides, 1)).around)


def camera_of_another(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The camera file of another phone of the model."""
    camera = copy.deepcopy(sound.camera)
    camera["parameters"]["f_px"] *= 1 + float(rng.choice([-1, 1]) * rng.uniform(0.005, 0.03))
    return replace(job_of(sound, ("focal-length-differs", "camera-unconfirmed")), camera=camera)


def ring_enlarged(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The definition of the ring for another size, alike in shape."""
    ring, k = copy.deepcopy(sound.ring), float(rng.choice([140 / 160, 180 / 160, 150 / 160]))
    ring["inner_radius_mm"] *= k
    ring["outer_radius_mm"] *= k
    for marker in ring["markers"]:
        marker["corners_mm"] = [[x * k, y * k] for x, y in marker["corners_mm"]]
    return replace(job_of(sound, ("scale-unchecked", "scale-matters", "distance-differs")), ring=ring)


def ring_of_family(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The definition of the same markers at another radius, each as large as printed or scaled half as much."""
    ring, k = copy.deepcopy(sound.ring), float(rng.choice([140 / 160, 180 / 160, 152 / 160]))
    own = 1.0 if rng.uniform() < 0.5 else math.sqrt(k)
    for marker in ring["markers"]:
        corners = np.array(marker["corners_mm"])
        marker["corners_mm"] = (corners.mean(0) * k + (corners - corners.mean(0)) * own).tolist()
    return replace(job_of(sound, ("another ring", "ring definition", "ring that was printed")), ring=ring)


def zoomed(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Zoomed by an app, which kept the picture's size and the data, or lost them; one photograph or all."""
    cv2 = import_cv2()
    named = ("enlarged", "zoom", "camera-unconfirmed", "focal-length-differs", "camera file")
    job, larger, exif = job_of(sound, named), float(rng.uniform(1.03, 1.4)), bool(rng.uniform() < 0.5)
    names = [p.name for p in (*job.standing, *job.turned)]
    if rng.uniform() < 0.5:
        names = [str(rng.choice(names))]

    def cut(path: Path) -> Path:
        if path.name not in names:
            return path
        image = read(path)
        h, w = image.shape
        mh, mw = round(h * (1 - 1 / larger) / 2), round(w * (1 - 1 / larger) / 2)
        closer = cv2.resize(image[mh : h - mh, mw : w - mw], (w, h), interpolation=cv2.INTER_CUBIC)
        return write(np.asarray(closer, np.uint8), path, folder / path.name, exif=exif)

    return replace(job, standing=[cut(p) for p in job.standing], turned=[cut(p) for p in job.turned])


def another_arrow(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Turned over, the rotor was put down with another blade at the arrow."""
    named = ("blades-misnumbered", "another blade", "rotors-differ")
    return job_of(sound, named, outlet=sound.folder / "arrow.jpg")


def quarter_turned(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """An app turned the pixels by a quarter and lost the data, or left it."""
    job = job_of(sound, ("quarter-turned",))
    turns, exif = int(rng.choice([1, 3])), bool(rng.uniform() < 0.5)

    def turned(path: Path) -> Path:
        return write(np.ascontiguousarray(np.rot90(read(path), turns)), path, folder / path.name, exif=exif)

    return replace(job, standing=[turned(p) for p in job.standing], turned=[turned(p) for p in job.turned])


def mirrored(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """One photograph mirrored by an app."""
    name = str(rng.choice(["inlet", "outlet"]))
    like = sound.folder / f"{name}.jpg"
    flipped = write(np.ascontiguousarray(read(like)[:, ::-1]), like, folder / like.name)
    return job_of(sound, ("mirrored",), **{name: flipped})


OPTICS = (
    *("picture-uneven", "sharpness-uneven", "compressed", "residuals-high", "photos-disagree"),
    *("blur", "exposure-high", "enlarged"),
)


EDGES = ("two-edges", "photos-disagree", "residuals-high")
#: What is done to a picture, and the words by which it is named.
SPOILERS: dict[str, tuple[Spoil, tuple[str, ...]]] = {
    "drop": (pictures.drop, OPTICS),
    "messenger": (pictures.messenger, OPTICS),
    "local_contrast": (pictures.local_contrast, OPTICS),
    "rolling_shutter": (pictures.rolling_shutter, ("picture-sheared",)),
    "line_along_tip": (pictures.line_along_tip, EDGES),
    "shadow_beside_tip": (pictures.shadow_beside_tip, EDGES),
}


def _spoiled(*spoilers: str) -> Callable[[Sound, Sound | None, Rng, Path], Job]:
    """One photograph from above spoiled in all these ways, or both."""

    def make(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
        names = ("inlet", "outlet") if rng.uniform() < 0.5 else (str(rng.choice(["inlet", "outlet"])),)
        changed = {}
        for name in names:
            image, like = read(sound.folder / f"{name}.jpg"), sound.folder / f"{name}.jpg"
            for spoiler in spoilers:
                image = SPOILERS[spoiler][0](image, rng, sound, name)
            changed[name] = write(image, like, folder / like.name)
        return job_of(sound, tuple(w for s in spoilers for w in SPOILERS[s][1]), **changed)

    return make


def two_causes(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Two things at once that spoil a picture."""
    first, second = rng.choice(list(SPOILERS), 2, replace=False)
    return _spoiled(str(first), str(second))(sound, other, rng, folder)


def spoiled_and_mixed(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """A spoiled picture, and a mistake with the files beside it; naming either is enough."""
    mistake = (not_turned, same_twice, turned_untold, camera_of_another, ring_of_family)[int(rng.integers(5))]
    spoiler = str(rng.choice(list(SPOILERS)))
    job = _spoiled(spoiler)(sound, other, rng, folder)
    for name in ("inlet", "outlet"):
        if not (folder / f"{name}.jpg").exists():
            (folder / f"{name}.jpg").write_bytes((sound.folder / f"{name}.jpg").read_bytes())
    for path in sound.around:
        (folder / path.name).write_bytes(path.read_bytes())
    mixed = mistake(replace(sound, folder=folder), other, rng, folder)
    return replace(mixed, named=mixed.named + job.named)


Mistake = Callable[[Sound, Sound | None, Rng, Path], Job]
#: Mistakes by name: files mixed up, pictures spoiled, and pairs of causes.
MIXED: dict[str, Mistake] = {
    f.__name__: f
    for f in (
        *(not_turned, same_twice, turned_untold, two_rotors, sides_of_another, another_arrow, camera_of_another),
        *(zoomed, ring_enlarged, ring_of_family, quarter_turned, mirrored),
    )
}
SPOILED: dict[str, Mistake] = {name: _spoiled(name) for name in SPOILERS}
PAIRED: dict[str, Mistake] = {"two_causes": two_causes, "spoiled_and_mixed": spoiled_and_mixed}
MISTAKES: dict[str, Mistake] = MIXED | SPOILED | PAIRED
#: Those that need another set alike.
NEED_ANOTHER = ("two_rotors", "sides_of_another")


#: Sets that are farther off than this by themselves, standard uncertainties, tell nothing of mistakes.
SOUND_U = 2.5


def drawn(name: str, sets: Sequence[Sound], rng: Rng) -> tuple[Sound, Sound | None] | None:
    """The set that a mistake is made with, and the other one where it needs one; None where no set will do."""
    if name in NEED_ANOTHER:
        pairs = [(s, o) for s in sets for o in sets if s.alike(o)]
        if name == "sides_of_another":
            pairs = [(s, o) for s, o in pairs if any(o.folder.glob("around-*.jpg"))]
        return pairs[int(rng.integers(len(pairs)))] if pairs else None
    fit = [s for s in sets if name != "another_arrow" or (s.folder / "arrow.jpg").exists()]
    return (fit[int(rng.integers(len(fit)))], None) if fit else None


#: Columns of the table: what they count in.
COLUMNS: dict[str, Callable[[dict[str, Any]], bool]] = {
    "cases": lambda one: True,
    "within 3 u": lambda one: one["kind"].startswith("within"),
    "cause named": lambda one: one["kind"] in ("doubted", "refused"),
    "otherwise refused": lambda one: one["kind"] == "refused unnamed",
    "otherwise doubted": lambda one: one["kind"] == "misnamed",
    "silent over 3 u": lambda one: one["kind"] == "silent",
    "over 6 u": lambda one: one["kind"] == "silent" and one["z"] > 6,
}


def table(cases: Sequence[dict[str, Any]]) -> str:
    """Of every mistake, how many cases ended how; the last columns are part of the one before, and what was wrong."""
    out = f"{'':18}" + "".join(f"{name:>18}" for name in COLUMNS) + "   worst silent: u, deg\n"
    for name in [*MISTAKES, "all"]:
        mine = [case for case in cases if name in (case["mistake"], "all")]
        silent = max(((c["z"], c["error_deg"]) for c in mine if c["kind"] == "silent"), default=None)
        if mine:
            out += f"{name:18}" + "".join(f"{sum(map(of, mine)):>18}" for of in COLUMNS.values())
            out += f"   {silent[0]:.1f}, {silent[1]:.2f}\n" if silent else "\n"
    return out


def main(argv: list[str] | None = None) -> int:
    """Draw mistakes on folders of photographs with truth, print what became of each, and a table; 1 if any was silent.

    Without folders two rotors of our own are rendered, small; `tests.campaign.makes` renders better ones.
    """
    parser = argparse.ArgumentParser(prog="python -m tests.campaign.mistakes", description=main.__doc__)
    parser.add_argument("photos", nargs="*", type=Path, help="folders with inlet.jpg, outlet.jpg, truth.json")
    parser.add_argument("--camera", type=Path, help="camera file of all folders; default camera.json in each")
    parser.add_argument("--ring", type=Path, help="ring definition of all folders; default ring.json in each")
    parser.add_argument("--sides", type=int, default=0, help="how many photographs from the side belong to a case")
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first case, to go on with a log")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=tuple(MISTAKES), default=list(MISTAKES))
    parser.add_argument("--log", type=Path, help="lines of JSON to add to, one a case; the table is of all of them")
    parser.add_argument("--keep", type=Path, help="folder that keeps what sound sets are measured as")
    args = parser.parse_args(argv)
    cases: list[dict[str, Any]] = []
    if args.log is not None and args.log.exists():
        cases = [json.loads(line) for line in args.log.read_text().splitlines()]
    with tempfile.TemporaryDirectory(prefix="mistakes-") as temporary:
        work = Path(temporary)
        folders = args.photos or [rendered(work / f"rotor-{k}", args.seed * 100 + k) for k in range(2)]
        sets = [
            Sound.in_folder(f, args.camera or f / "camera.json", args.ring or f / "ring.json", args.sides)
            for f in folders
        ]
        known: dict[str, Sound] = {}
        worst_u: dict[str, float] = {}
        for number in range(args.first, args.first + args.cases):
            rng, name = np.random.default_rng([args.seed, number]), args.only[number % len(args.only)]
            if (chosen := drawn(name, sets, rng)) is None:
                continue
            sound, other = chosen
            if sound.name not in known:
                known[sound.name], was = sound_set(sound, args.keep)
                worst_u[sound.name] = was.z
                sys.stdout.write(f"{sound.name}: worst {was.z:.1f} u, {was.error_deg:.2f} deg; {was.said}\n")
            if worst_u[sound.name] > SOUND_U:
                continue
            folder = work / f"case-{number}"
            folder.mkdir()
            verdict = judged(MISTAKES[name](known[sound.name], other, rng, folder), known[sound.name])
            cases.append({"number": number, "seed": args.seed, "mistake": name, "set": sound.name} | asdict(verdict))
            sys.stdout.write(f"{number:4} {name:18} {sound.name}: {verdict.kind}, {verdict.z:.1f} u; {verdict.said}\n")
            sys.stdout.flush()
            if args.log is not None:
                with args.log.open("a") as log:
                    log.write(json.dumps(cases[-1]) + "\n")
    sys.stdout.write(table(cases))
    return int(any(case["kind"] in ("silent", "misnamed") for case in cases))


def rendered(folder: Path, seed: int) -> Path:
    """A random rotor's pair rendered into a folder, with camera and ring; two seeds of one hundred are of a make."""
    from tests.synthetic import CameraModel, Exposure, random_rotor, rotor_photos, truth, write_photo
    from tests.synthetic.scene import Progressive

    folder.mkdir(parents=True)
    shape = random_rotor(np.random.default_rng(seed // 100), blades=3)
    off = 0.8 * (seed % 100)
    shape = replace(
        shape,
        laws=tuple(
            Progressive(law.entry_deg + off, law.exit_deg + off, law.shape)
            for law in shape.laws
            if isinstance(law, Progressive)
        ),
    )
    model = CameraModel().scaled(2016, 1512)
    rng = np.random.default_rng(seed)
    scenes = rotor_photos(rng, shape, model, views=("inlet", "outlet"), exposure=Exposure(colour=False, blur_px=0.6))
    for scene in scenes:
        write_photo(folder / scene.name, scene)
    true = truth(scenes, folder.name)
    sigma = np.array([1.3, 0.4, 0.4, 0.001, 0.01, 4e-5, 4e-5, 0.02])
    names = ("f_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")
    values = np.array([*(true["camera"][k] for k in ("f", "cx", "cy")), *true["camera"]["dist"]])
    camera = {
        "schema": "bladeangle-camera/1",
        "name": model.name,
        "width": 2016,
        "height": 1512,
        "parameters": dict(zip(names, map(float, values + sigma * rng.normal(size=8)), strict=True)),
        "covariance": np.diag(sigma**2).tolist(),
        "calibrated": True,
        "provenance": {"phone": f"Workshop {model.name}", "focal_35mm": model.focal_35mm},
    }
    for name, data in (("truth", true), ("camera", camera), ("ring", scenes[0].sheets[0].definition)):
        (folder / f"{name}.json").write_text(json.dumps(data))
    return folder


if __name__ == "__main__":
    raise SystemExit(main())
