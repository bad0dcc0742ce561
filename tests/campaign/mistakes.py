"""What people really do wrong, drawn on sound sets of photographs: mixed-up files, and optics that nobody models.

A set is a folder with `inlet.jpg`, `outlet.jpg`, perhaps `around-*.jpg`, and `truth.json`. Every mistake takes a set,
another set of the same camera and ring, and a generator, writes what it changes into a folder, and gives the `Job`
that a person would have started, with the words by which a refusal or a doubt would name the cause.
"""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import import_cv2

Rng = np.random.Generator
Image = NDArray[np.uint8]


@dataclass(frozen=True)
class Sound:
    """A sound set: its photographs, their truth, camera and ring definitions.

    edges : photograph -> tip edges as they were followed in it, (n, 2) px each, for what is drawn along them.
    usual : doubts that it raises as it is.
    """

    name: str
    folder: Path
    truth: dict[str, Any]
    camera: dict[str, Any]
    ring: dict[str, Any]
    sides: int = 0
    edges: dict[str, list[NDArray[np.float64]]] = field(default_factory=dict)
    usual: frozenset[str] = frozenset()

    @property
    def around(self) -> list[Path]:
        """Photographs from the side, as many as belong to the case."""
        return sorted(self.folder.glob("around-*.jpg"))[: self.sides]

    def alike(self, other: Sound) -> bool:
        """Whether another set could be mixed up with this one: same phone, ring, blades and hand."""
        mine, its = (
            (s.camera["name"], s.truth["rotor"]["blades"], s.truth["rotor"].get("hand", 1)) for s in (self, other)
        )
        return self.name != other.name and mine == its and self.ring == other.ring


@dataclass(frozen=True)
class Job:
    """What the person asks for; `named` are words or flag codes, one of which a refusal or doubt must have."""

    standing: list[Path]
    turned: list[Path]
    camera: dict[str, Any]
    ring: dict[str, Any]
    named: tuple[str, ...]


def read(path: Path) -> Image:
    """The stored pixels, grey."""
    cv2 = import_cv2()
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION), np.uint8)


def write(image: Image, like: Path, path: Path, quality: int = 92, *, exif: bool = True) -> Path:
    """A JPEG with the data of another photograph."""
    from PIL import Image as Pictures

    with Pictures.open(like) as source:
        block = source.info.get("exif", b"") if exif else b""
    Pictures.fromarray(image).save(path, "JPEG", quality=quality, **({"exif": block} if block else {}))
    return path


def _job(sound: Sound, named: tuple[str, ...], **changed: Path) -> Job:
    """The set as it should be measured, with some photographs replaced."""
    files = {p.stem: p for p in (sound.folder / "inlet.jpg", *sound.around, sound.folder / "outlet.jpg")}
    files |= {name.replace("_", "-"): path for name, path in changed.items()}
    turned = files.pop("outlet")
    return Job(list(files.values()), [turned], sound.camera, sound.ring, named)


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
    return _job(sound, SAME_END, **{"outlet" if name == "inlet" else "inlet": again})


def same_twice(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """One photograph saved again, as the turned one too."""
    name = str(rng.choice(["inlet", "outlet"]))
    like = sound.folder / f"{name}.jpg"
    image = np.clip(read(like) * rng.uniform(0.85, 1.1), 0, 255).astype(np.uint8)
    again = write(image, like, folder / "again.jpg", int(rng.integers(60, 95)))
    return _job(sound, SAME_END, **{"outlet" if name == "inlet" else "inlet": again})


def turned_untold(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """`--turned` was forgotten: both given as standing inlet end up."""
    job = _job(sound, ("different ends", "--turned"))
    both = [*job.standing, *job.turned]
    return replace(job, standing=[both[i] for i in rng.permutation(len(both))], turned=[])


def two_rotors(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Inlet of one rotor, outlet of another one alike."""
    assert other is not None
    return _job(sound, ("rotors-differ", "another rotor"), outlet=other.folder / "outlet.jpg")


def sides_of_another(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """Photographs from the side of another rotor alike."""
    assert other is not None
    job = _job(replace(sound, sides=0), ("rotors-differ", "another rotor", "another one photographed"))
    return replace(job, standing=job.standing + replace(other, sides=max(sound.sides, 1)).around)


def camera_of_another(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The camera file of another phone of the model."""
    camera = copy.deepcopy(sound.camera)
    camera["parameters"]["f_px"] *= 1 + float(rng.choice([-1, 1]) * rng.uniform(0.005, 0.03))
    return replace(_job(sound, ("focal-length-differs", "camera-unconfirmed")), camera=camera)


def ring_enlarged(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The definition of the ring for another size, alike in shape."""
    ring, k = copy.deepcopy(sound.ring), float(rng.choice([140 / 160, 180 / 160, 150 / 160]))
    ring["inner_radius_mm"] *= k
    ring["outer_radius_mm"] *= k
    for marker in ring["markers"]:
        marker["corners_mm"] = [[x * k, y * k] for x, y in marker["corners_mm"]]
    return replace(_job(sound, ("scale-unchecked", "scale-matters", "distance-differs")), ring=ring)


def ring_of_family(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """The definition of the same markers at another radius, each as large as printed or scaled half as much."""
    ring, k = copy.deepcopy(sound.ring), float(rng.choice([140 / 160, 180 / 160, 152 / 160]))
    own = 1.0 if rng.uniform() < 0.5 else math.sqrt(k)
    for marker in ring["markers"]:
        corners = np.array(marker["corners_mm"])
        marker["corners_mm"] = (corners.mean(0) * k + (corners - corners.mean(0)) * own).tolist()
    return replace(_job(sound, ("another ring", "ring definition", "ring that was printed")), ring=ring)


def quarter_turned(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """An app turned the pixels by a quarter and lost the data, or left it."""
    job = _job(sound, ("quarter-turned",))
    turns, exif = int(rng.choice([1, 3])), bool(rng.uniform() < 0.5)

    def turned(path: Path) -> Path:
        return write(np.ascontiguousarray(np.rot90(read(path), turns)), path, folder / path.name, exif=exif)

    return replace(job, standing=[turned(p) for p in job.standing], turned=[turned(p) for p in job.turned])


def mirrored(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
    """One photograph mirrored by an app."""
    name = str(rng.choice(["inlet", "outlet"]))
    like = sound.folder / f"{name}.jpg"
    flipped = write(np.ascontiguousarray(read(like)[:, ::-1]), like, folder / like.name)
    return _job(sound, ("mirrored",), **{name: flipped})


Spoil = Callable[[Image, Rng, Sound, str], Image]
OPTICS = ("picture-uneven", "residuals-high", "photos-disagree", "blur", "exposure-high", "enlarged", "compressed")


def _warped(image: Image, dx: NDArray[np.float64], dy: NDArray[np.float64]) -> Image:
    """Every pixel read so far off its place."""
    cv2 = import_cv2()
    h, w = image.shape
    x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    moved = cv2.remap(
        image, x + dx.astype(np.float32), y + dy.astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(moved, np.uint8)


def drop(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A drop or smear on the lens: a smooth shift of 4 to 8 px of 4032 over a part of the picture, slightly soft."""
    h, w = image.shape
    unit = w / 4032
    tips = np.concatenate(sound.edges[name])
    at = tips[int(rng.integers(len(tips)))] + rng.normal(0, 150 * unit, 2)
    size, most, way = rng.uniform(250, 700) * unit, rng.uniform(4, 8) * unit, rng.uniform(0, 2 * math.pi)
    x, y = (np.arange(n, dtype=float) - c for n, c in ((w, at[0]), (h, at[1])))
    bell = np.exp(-0.5 * (x[None] ** 2 + y[:, None] ** 2) / size**2)
    out = _warped(image, most * bell * math.cos(way), most * bell * math.sin(way))
    soft = import_cv2().GaussianBlur(out, (0, 0), float(rng.uniform(0.5, 2.0)) * unit + 0.3)
    return np.asarray(np.rint(out + (soft.astype(float) - out) * bell), np.uint8)


def messenger(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """Sent through messengers three times, which compressed it strongly and kept its size."""
    cv2 = import_cv2()
    for quality in rng.integers(30, 60, 3):
        shift = rng.integers(0, 2)
        code = cv2.imencode(".jpg", np.roll(image, shift, 1), [cv2.IMWRITE_JPEG_QUALITY, int(quality)])[1]
        image = np.roll(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE), -shift, 1)
    return np.asarray(image, np.uint8)


def local_contrast(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """Strong local contrast, as pictures of high dynamic range have it."""
    cv2 = import_cv2()
    unit = image.shape[1] / 4032
    if rng.uniform() < 0.5:
        tiles = int(rng.integers(8, 25))
        return np.asarray(cv2.createCLAHE(float(rng.uniform(2, 4)), (tiles, tiles)).apply(image), np.uint8)
    wide = cv2.GaussianBlur(image.astype(np.float32), (0, 0), float(rng.uniform(4, 40)) * unit)
    return np.clip(image + rng.uniform(0.5, 1.2) * (image - wide), 0, 255).astype(np.uint8)


def rolling_shutter(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A shear of 0.05 to 0.1 %."""
    h, w = image.shape
    rows = np.repeat((np.arange(h) - h / 2)[:, None], w, 1) * float(rng.choice([-1, 1]) * rng.uniform(0.0005, 0.001))
    return _warped(image, rows, np.zeros_like(rows))


def _tips(sound: Sound, name: str) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Every followed edge (n, 2) px of a photograph and its normals, away from the picture's middle."""
    middle = np.concatenate(sound.edges[name]).mean(0)
    for edge in sound.edges[name]:
        if len(edge) >= 8:
            way = np.gradient(edge, axis=0)
            normal = np.stack([way[:, 1], -way[:, 0]], 1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
            yield edge, normal * np.sign(((edge - middle) * normal).sum())


def line_along_tip(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """A thread, a pen line, a dark rim or a bright chamfer beside the edge of every tip."""
    cv2 = import_cv2()
    unit = max(image.shape[1] / 4032, 0.5)
    off, width = float(rng.uniform(-9, 9)) * unit, max(1, round(float(rng.uniform(2, 5)) * unit))
    value = int(rng.choice([15, 40, 235]))
    slope, out = float(rng.uniform(-5, 5)) * unit, image.copy()
    for edge, normal in _tips(sound, name):
        line = edge + normal * (off + slope * np.linspace(-0.5, 0.5, len(edge)))[:, None]
        cv2.polylines(out, [np.rint(line * 16).astype(np.int32)], False, value, width, cv2.LINE_AA, 4)
    return np.asarray(cv2.GaussianBlur(out, (0, 0), 0.7) if unit > 0.7 else out, np.uint8)


def shadow_beside_tip(image: Image, rng: Rng, sound: Sound, name: str) -> Image:
    """The blades' shadow on the paper: its edge runs away from every tip by some pixels, or a flash's wide one."""
    cv2 = import_cv2()
    unit = image.shape[1] / 4032
    wide = float(rng.choice([rng.uniform(2, 7), rng.uniform(60, 110)])) * unit
    dark, soft = float(rng.uniform(0.25, 0.6)), float(rng.uniform(0.8, 3.0)) * unit
    mask = np.zeros(image.shape, np.float32)
    for edge, normal in _tips(sound, name):
        outer = edge + normal * np.linspace(0.0, wide, len(edge))[:, None]
        polygon = np.rint(np.concatenate([edge, outer[::-1]]) * 16).astype(np.int32)
        cv2.fillPoly(mask, [polygon], 1.0, cv2.LINE_AA, 4)
    mask = cv2.GaussianBlur(mask, (0, 0), max(soft, 0.5))
    return np.asarray(np.rint(image * (1 - (1 - dark) * mask)), np.uint8)


def _spoiled(spoil: Spoil, named: tuple[str, ...]) -> Callable[[Sound, Sound | None, Rng, Path], Job]:
    def make(sound: Sound, other: Sound | None, rng: Rng, folder: Path) -> Job:
        names = ("inlet", "outlet") if rng.uniform() < 0.5 else (str(rng.choice(["inlet", "outlet"])),)
        changed = {}
        for name in names:
            like = sound.folder / f"{name}.jpg"
            changed[name] = write(spoil(read(like), rng, sound, name), like, folder / like.name)
        return _job(sound, named, **changed)

    return make


EDGES = ("two-edges", "photos-disagree", "residuals-high")
#: Mistakes in 1 (what was mixed up) and in 2 (optics and edges) by name.
MIXED = {
    f.__name__: f
    for f in (
        not_turned,
        same_twice,
        turned_untold,
        two_rotors,
        sides_of_another,
        camera_of_another,
        ring_enlarged,
        ring_of_family,
        quarter_turned,
        mirrored,
    )
}
SPOILED = {
    f.__name__: _spoiled(f, named)
    for f, named in (
        (drop, OPTICS),
        (messenger, OPTICS),
        (local_contrast, OPTICS),
        (rolling_shutter, OPTICS),
        (line_along_tip, EDGES),
        (shadow_beside_tip, EDGES),
    )
}
MISTAKES = {**MIXED, **SPOILED}
#: Those that need another set alike.
NEED_ANOTHER = ("two_rotors", "sides_of_another")


@dataclass(frozen=True)
class Verdict:
    """What became of a case: kind, worst error in standard uncertainties and in degrees, and what was said."""

    kind: str
    z: float
    error_deg: float
    said: str


def worst(record: dict[str, Any], truth: dict[str, Any]) -> tuple[float, float]:
    """Worst error of single angles and of means over all blades: in standard uncertainties, and in degrees."""
    stations, count = ("entry", "middle", "exit"), len(truth["blades"])
    if len(record["blades"]) != count:
        return math.inf, math.inf
    z = error = 0.0
    for station in stations:
        true = [blade["mid"][station] for blade in truth["blades"]]
        found = [blade["stations"][station] for blade in record["blades"]]
        pairs = list(zip(found, true, strict=True))
        if all(found):
            pairs.append((record["rotor"]["stations"][station], sum(true) / count))
        for one, angle in pairs:
            if one is not None:
                off = abs(one["angle_deg"] - angle)
                z, error = max(z, off / max(one["standard_uncertainty_deg"], 1e-9)), max(error, off)
    return z, error


def judged(job: Job, sound: Sound) -> Verdict:
    """Measure a job and say what became of it: within, doubted, misnamed, refused or silent."""
    from bladeangle.base.errors import BladeangleError
    from bladeangle.base.flags import REGISTRY
    from bladeangle.imaging.camera import camera_from_dict
    from bladeangle.imaging.ring import ring_from_dict
    from bladeangle.pipeline.assemble import record_of
    from bladeangle.pipeline.measure import measure

    try:
        found = measure(job.standing, job.turned, ring_from_dict(job.ring), camera_from_dict(job.camera))
    except BladeangleError as e:
        told = any(word in e.message + e.hint for word in job.named)
        return Verdict("refused" if told else "refused unnamed", 0.0, 0.0, f"({e.exit_code}) {e.message}")
    record = record_of(found, sound.name)
    z, error = worst(record.data, sound.truth)
    doubts = [f for f in found.flags if REGISTRY[f.code].severity == "doubt" and f.code not in sound.usual]
    said = "; ".join(f"{f.code}: {f.text}" for f in doubts)
    told = any(word in said for word in job.named)
    kind = "within" if z <= 3 else "doubted" if told else "misnamed" if doubts else "silent"
    return Verdict(f"{kind} doubted" if kind == "within" and told else kind, z, error, said)


def sound_set(folder: Path, camera: Path, ring: Path, sides: int) -> tuple[Sound, Verdict]:
    """A folder as a set, with what its measurement as it is says: the edges it followed, and its usual doubts."""
    from bladeangle.base.flags import REGISTRY
    from bladeangle.imaging.camera import camera_from_dict
    from bladeangle.imaging.ring import ring_from_dict
    from bladeangle.pipeline.assemble import record_of
    from bladeangle.pipeline.measure import measure

    truth, phone, definition = (json.loads(p.read_text()) for p in (folder / "truth.json", camera, ring))
    sound = Sound(folder.name, folder, truth, phone, definition, sides)
    job = _job(sound, ())
    found = measure(job.standing, job.turned, ring_from_dict(definition), camera_from_dict(phone))
    record = record_of(found, folder.name)
    z, error = worst(record.data, truth)
    edges = {
        Path(photo["name"]).stem: [np.array(t["px"]) for t in photo["traces"] if t["kind"] == "tip"]
        for photo in record.data["photos"]
    }
    doubts = sorted({f.code for f in found.flags if REGISTRY[f.code].severity == "doubt"})
    return replace(sound, edges=edges, usual=frozenset(doubts)), Verdict("sound", z, error, ", ".join(doubts))


def main(argv: list[str] | None = None) -> int:
    """Draw mistakes on folders of photographs with truth, print what became of each, and a table; 1 if any was silent.

    Without folders two rotors of our own are rendered, small.
    """
    import argparse
    import sys
    import tempfile
    from collections import Counter, defaultdict

    parser = argparse.ArgumentParser(prog="python -m tests.campaign.mistakes", description=main.__doc__)
    parser.add_argument("photos", nargs="*", type=Path, help="folders with inlet.jpg, outlet.jpg, truth.json")
    parser.add_argument("--camera", type=Path, help="camera file of all folders; default camera.json in each")
    parser.add_argument("--ring", type=Path, help="ring definition of all folders; default ring.json in each")
    parser.add_argument("--sides", type=int, default=0, help="how many photographs from the side belong to a case")
    parser.add_argument("--cases", type=int, default=32)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="+", choices=tuple(MISTAKES), default=list(MISTAKES))
    args = parser.parse_args(argv)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    with tempfile.TemporaryDirectory(prefix="mistakes-") as temporary:
        work = Path(temporary)
        sets = []
        for folder in args.photos or [_rendered(work / f"rotor-{k}", args.seed * 100 + k) for k in range(2)]:
            camera, ring = args.camera or folder / "camera.json", args.ring or folder / "ring.json"
            sound, verdict = sound_set(folder, camera, ring, args.sides)
            sys.stdout.write(f"{sound.name}: worst {verdict.z:.1f} u, {verdict.error_deg:.2f} deg; {verdict.said}\n")
            sets.append(sound)
        for number in range(args.cases):
            rng, name = np.random.default_rng([args.seed, number]), args.only[number % len(args.only)]
            pairs = [(s, o) for s in sets for o in sets if s.alike(o)]
            if name == "sides_of_another":
                pairs = [(s, o) for s, o in pairs if any(o.folder.glob("around-*.jpg"))]
            if name in NEED_ANOTHER and not pairs:
                continue
            sound, other = (
                pairs[int(rng.integers(len(pairs)))]
                if name in NEED_ANOTHER
                else (sets[int(rng.integers(len(sets)))], None)
            )
            folder = work / f"case-{number}"
            folder.mkdir()
            verdict = judged(MISTAKES[name](sound, other, rng, folder), sound)
            counts[name][verdict.kind] += 1
            sys.stdout.write(f"{number:4} {name:20} {sound.name}: {verdict.kind}, {verdict.z:.1f} u; {verdict.said}\n")
            sys.stdout.flush()
    kinds = sorted({kind for count in counts.values() for kind in count})
    sys.stdout.write(f"{'':20}{''.join(f'{kind:>18}' for kind in kinds)}\n")
    for name, count in counts.items():
        sys.stdout.write(f"{name:20}{''.join(f'{count[kind] or str():>18}' for kind in kinds)}\n")
    return int(any(count["silent"] or count["misnamed"] for count in counts.values()))


def _rendered(folder: Path, seed: int) -> Path:
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
