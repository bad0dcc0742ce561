"""Which photographs show the rotor turned over: told by names, by the pictures, or asked about."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import islice
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from made_once import made_once, shared_folder
from seeds import generator

from bladeangle.base.errors import BladeangleError, UsageError
from bladeangle.batch.jobs import jobs_in_folder
from bladeangle.batch.work import measure_rotor
from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, read_camera
from bladeangle.imaging.ring import Ring, read_ring, ring_from_dict
from bladeangle.pipeline import register, sorting
from bladeangle.pipeline.ends import End
from bladeangle.pipeline.measure import Options
from tests.synthetic import CameraModel, Exposure, Progressive, RotorShape, rotor_photos, write_photo
from tests.synthetic.random_scenes import overhead_view

ROOT = Path(__file__).resolve().parents[2]
RING_FILE = ROOT / "calibration" / "trial-ring.json"
CAMERA_FILE = ROOT / "calibration" / "camera-pocket7.json"
FILES = ["--ring", str(RING_FILE), "--camera", str(CAMERA_FILE)]
EVEN = RotorShape(blades=4, laws=(Progressive(12.0, 12.0),), tip_length_mm=180.0)


def shipped(folder: Path, inlet: str, outlet: str) -> Path:
    """The shipped pair under other names."""
    folder.mkdir()
    shutil.copy(ROOT / "fixtures" / "rotor-a" / "inlet.jpg", folder / inlet)
    shutil.copy(ROOT / "fixtures" / "rotor-a" / "outlet.jpg", folder / outlet)
    return folder


def rendered(folder: Path, shape: RotorShape, seed: int, views: tuple[str, ...]) -> tuple[Ring, Camera]:
    """Small photographs of a rotor in `folder`, its ring and its camera; `again` is a second one of each standing.

    Views that begin with "below" are oblique ones of the turned rotor.
    """
    model = CameraModel().scaled(2016, 1512)
    rng = generator(seed)
    scenes = {s.name.removesuffix(".jpg"): s for s in rotor_photos(rng, shape, model, exposure=Exposure(colour=False))}
    ring = ring_from_dict(scenes["inlet"].sheets[0].definition)
    for name in ("inlet", "outlet"):
        view = overhead_view(rng, model, ring.outer_radius_mm)
        scenes[f"{name}-again"] = replace(scenes[name], view=view, exposure=Exposure(colour=False, seed=seed))
    for k in range(1, 7):
        scenes[f"below-{k}"] = replace(scenes[f"around-{k}"], standing=scenes["outlet"].standing)
    folder.mkdir()
    for name in views:
        write_photo(folder / f"{name}.jpg", scenes[name])
    parameters = np.array([model.f_px, model.cx_px, model.cy_px, *model.dist])
    known = read_camera(CAMERA_FILE)
    return ring, replace(known, width=2016, height=1512, parameters=parameters)


#: Photographs of rotors that several tests sort, by the rotor's name.
SHARED = {
    "even": (EVEN, 13, ("inlet", "outlet")),
    "steepening": (
        replace(EVEN, laws=(Progressive(10.0, 14.0),)),
        11,
        ("inlet", "inlet-again", "around-1", "outlet", "below-2", "below-5"),
    ),
}
Photographed = Callable[[str, Path, Iterable[str]], tuple[Ring, Camera]]


@pytest.fixture(scope="session")
def photographed(tmp_path_factory: pytest.TempPathFactory, pytestconfig: pytest.Config) -> Photographed:
    """(rotor of `SHARED`, folder, names) -> photographs copied into a new folder, their ring and camera."""
    root = shared_folder(tmp_path_factory, pytestconfig) / "sorted"
    root.mkdir(exist_ok=True)

    def copied(rotor: str, folder: Path, names: Iterable[str]) -> tuple[Ring, Camera]:
        shape, seed, views = SHARED[rotor]
        found = made_once(root / f"{rotor}.pickle", lambda: rendered(root / rotor, shape, seed, views))
        folder.mkdir()
        for name in names:
            shutil.copy(root / rotor / f"{name}.jpg", folder)
        return found

    return copied


def test_names_are_believed_and_nothing_is_looked_at(tmp_path: Path) -> None:
    for name in ("one.jpg", "Turned-2.PNG", "outlet/x.heic", "notes.txt", ".hidden.jpg"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("no photograph at all")
    found = sorting.sort_folder(tmp_path, read_ring(RING_FILE), None, Options())
    assert [p.name for p in found.inlet_up] == ["one.jpg"]
    assert [p.name for p in found.turned] == ["Turned-2.PNG", "x.heic"]
    assert found.flag is None


def test_a_folder_of_mixed_photographs_is_measured(tmp_path: Path) -> None:
    inlet, outlet = "b.jpg", "a.jpg"  # by name, the turned one comes first
    folder = shipped(tmp_path / "mixed", inlet, outlet)
    result = CliRunner().invoke(main, ["measure", str(folder), *FILES, "--json"])
    assert result.exit_code == 0, result.output
    record = json.loads(result.stdout)
    assert {p["name"]: p["standing"] for p in record["photos"]} == {inlet: "inlet_up", outlet: "outlet_up"}
    means = record["rotor"]["stations"]
    assert means["exit"]["angle_deg"] - means["entry"]["angle_deg"] == pytest.approx(4.92, abs=0.25)
    (told,) = [f for f in record["flags"] if f["code"] == "standing-told"]
    assert told["text"].endswith(f"turned over: {outlet}.")


def test_photographs_of_one_standing_alone_need_no_partner(tmp_path: Path) -> None:
    """The blades seen from the inlet end steepen downwards; from the outlet end they flatten."""
    folder = shipped(tmp_path / "mixed", "a.jpg", "b.jpg")
    ring, camera = read_ring(RING_FILE), read_camera(CAMERA_FILE)
    for name, turned in (("a.jpg", False), ("b.jpg", True)):
        found = sorting.sort_photos([folder / name], ring, camera, Options())
        assert (found.turned if turned else found.inlet_up) == (folder / name,)
        assert not (found.inlet_up if turned else found.turned)


def test_photographs_of_both_standings_from_above_and_around(tmp_path: Path, photographed: Photographed) -> None:
    up, down = ("inlet", "inlet-again", "around-1"), ("outlet", "below-2", "below-5")
    ring, camera = photographed("steepening", tmp_path / "mixed", up + down)
    found = sorting.sort_photos(sorted((tmp_path / "mixed").iterdir()), ring, camera, Options())
    assert {p.stem for p in found.inlet_up} == set(up)
    assert {p.stem for p in found.turned} == set(down)


def test_blades_of_even_pitch_are_asked_about(tmp_path: Path, photographed: Photographed) -> None:
    ring, camera = photographed("even", tmp_path / "mixed", ("inlet", "outlet"))
    paths = [tmp_path / "mixed" / f"{name}.jpg" for name in ("p", "q")]
    for name, path in zip(("inlet", "outlet"), paths, strict=True):
        shutil.copy(tmp_path / "mixed" / f"{name}.jpg", path)
    with pytest.raises(UsageError, match=r"Which end is up in p\.jpg and q\.jpg is not clear") as refused:
        sorting.sort_photos(paths, ring, camera, Options())
    assert refused.value.exit_code == 2
    assert "--turned" in refused.value.hint
    # one name tells which of the two ends is which, and is believed
    told = sorting.sort_photos([tmp_path / "mixed" / "inlet.jpg", paths[1]], ring, camera, Options())
    assert (told.inlet_up, told.turned) == ((tmp_path / "mixed" / "inlet.jpg",), (paths[1],))
    assert told.flag is not None and "names" in told.flag.text
    # two names that say the same of different ends are not
    (tmp_path / "mixed" / "q.jpg").rename(tmp_path / "mixed" / "inlet-2.jpg")
    with pytest.raises(UsageError, match=r"names of inlet-2\.jpg and inlet\.jpg contradict what the pictures show"):
        sorting.sort_photos([tmp_path / "mixed" / f"{n}.jpg" for n in ("inlet", "inlet-2")], ring, camera, Options())


def measured(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["measure", "-q", *map(str, words), *FILES])


def test_no_order_of_the_words_swallows_or_forgets_a_photograph(tmp_path: Path) -> None:
    """Entry 10.49 and exit 15.41 in whatever order (fixtures/rotor-a/truth.json: 4.92 apart), or a question."""
    pair = shipped(tmp_path / "pair", "inlet.jpg", "outlet.jpg")
    inlet, outlet = pair / "inlet.jpg", pair / "outlet.jpg"
    ways: list[list[str | Path]] = [
        [inlet, "--turned", outlet],
        ["--turned", outlet, inlet],
        [inlet, outlet],  # by its name
        [outlet, inlet],
        [inlet, "--turned", shipped(tmp_path / "over", "x.jpg", "y.jpg") / "y.jpg"],
    ]
    tables = [measured(*way) for way in ways]
    assert [t.exit_code for t in tables] == [0] * len(ways)
    means = {line for t in tables for line in t.stdout.splitlines() if line.startswith("mean")}
    assert len(means) == 1
    numbers = [float(x) for x in means.pop().replace("±", " ").replace("?", " ").split()[1::2]]
    assert numbers[2] - numbers[0] == pytest.approx(4.92, abs=0.25)

    unnamed = tmp_path / "over"
    (unnamed / "sub").mkdir()
    (unnamed / "y.jpg").rename(unnamed / "sub" / "y.jpg")
    assert measured(unnamed / "x.jpg", "--turned", unnamed / "sub").exit_code == 0
    (unnamed / "sub" / "y.jpg").rename(unnamed / "y.jpg")
    x, y = unnamed / "x.jpg", unnamed / "y.jpg"
    asked: list[tuple[list[str | Path], str]] = [
        ([x, y], "both given as inlet end up"),  # --turned forgotten
        (["--turned", x, "--turned", y], "both given as turned over"),
        (["--turned", inlet, y], "its name says inlet"),
        ([x, "--turned", unnamed / "sub"], "has no photographs"),
        ([x, "--turned"], "--turned needs a photograph after it"),
    ]
    for words, says in asked:
        result = measured(*words)
        assert (result.exit_code, result.stdout) == (2, ""), words
        assert says in result.stderr


def test_a_photograph_from_the_side_told_of_the_wrong_end_is_asked_about(
    tmp_path: Path, photographed: Photographed
) -> None:
    ring, camera = photographed("steepening", tmp_path / "mixed", ("inlet", "outlet", "below-2"))
    at = {p.stem: p for p in (tmp_path / "mixed").iterdir()}
    told = sorting.as_given([at["inlet"], at["below-2"]], [at["outlet"]])
    with pytest.raises(UsageError, match=r"below-2\.jpg was given as inlet end up, but shows the other end"):
        sorting.measure_sorted(told, ring, camera, Options())


def test_a_shelf_is_sorted_as_one_rotor_is(tmp_path: Path) -> None:
    shipped(tmp_path / "shelf", "a.jpg", "b.jpg").rename(tmp_path / "one")
    (tmp_path / "shelf").mkdir()
    (tmp_path / "one").rename(tmp_path / "shelf" / "one")
    (job,) = jobs_in_folder(tmp_path / "shelf")
    assert job.mixed
    record = measure_rotor(job, read_ring(RING_FILE), read_camera(CAMERA_FILE), Options())
    assert {p.name: p.standing for p in record.content.photos} == {"a.jpg": "inlet_up", "b.jpg": "outlet_up"}
    assert "standing-told" in [f.code for f in record.content.flags]


class Known(End):
    """An end of which it is known which others show the same."""

    def __init__(self, name: str, same: dict[str, bool | None]) -> None:
        self.name, self.same = name, same

    def same_as(self, other: End) -> bool | None:
        assert isinstance(other, Known)
        return self.same["".join(sorted(self.name + other.name))]


@pytest.mark.parametrize(
    ("same", "expected"),
    [
        ({"ab": None, "ac": False, "bc": False}, {"ab", "c"}),
        ({"ab": False, "ac": None, "bc": False}, {"ac", "b"}),
        ({"ab": False, "ac": False, "bc": None}, {"a", "bc"}),
        ({"ab": True, "ac": False, "bc": False}, {"ab", "c"}),
        ({"ab": False, "ac": True, "bc": None}, {"ac", "b"}),
        ({"ab": None, "ac": None, "bc": False}, "which of"),
        ({"ab": None, "ac": None, "bc": None}, "which of"),
        ({"ab": False, "ac": False, "bc": False}, "more than one rotor"),
    ],
)
def test_an_end_that_is_unclear_is_told_by_elimination(same: dict[str, bool | None], expected: set[str] | str) -> None:
    seen = [sorting._Appearance(Path(f"{n}.jpg"), 1.0, np.zeros((1, 2, 1)), Known(n, same)) for n in "abc"]
    if isinstance(expected, str):
        with pytest.raises(UsageError, match=f"(?i){expected}.*a.jpg, b.jpg, c.jpg|a.jpg, b.jpg, c.jpg.*{expected}"):
            sorting._by_end(seen)
    else:
        assert {"".join(p.path.stem for p in group) for group in sorting._by_end(seen)} == expected


def test_an_oblique_photograph_that_correlates_with_neither_end_is_asked_about() -> None:
    rng = generator(5)

    def seen(name: str, like: np.ndarray, share: float) -> sorting._Appearance:
        discs = share * like + np.sqrt(1 - share**2) * unit(rng.normal(size=like.shape))
        return sorting._Appearance(Path(f"{name}.jpg"), 40.0, discs, None)

    def unit(values: np.ndarray) -> np.ndarray:
        out: np.ndarray = values / np.linalg.norm(values, axis=2, keepdims=True)
        return out

    ends = [unit(rng.normal(size=(len(sorting.HEIGHTS_MM), 2, 4000))) for _ in range(2)]
    first, second = ([seen(f"end-{k}", end, 1.0)] for k, end in enumerate(ends))
    one, other = seen("one", ends[0], 0.3), seen("other", ends[1], 0.3)
    groups = sorting._with_oblique(first, second, [other, one])
    assert [[photo.path.stem for photo in group] for group in groups] == [["end-0", "one"], ["end-1", "other"]]
    with pytest.raises(UsageError, match=r"Which way up the rotor stands in stranger\.jpg is not clear"):
        sorting._with_oblique(first, second, [one, seen("stranger", ends[0], 0.0), other])


def test_an_oblique_photograph_of_another_rotor_is_asked_about_refused_or_doubted(
    tmp_path: Path, photographed: Photographed, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which of the three depends on whether it happens to look more like one end than like the other."""
    # none of the starts fits, and to try them all takes long
    starts = register._starts
    monkeypatch.setattr(register, "_starts", lambda *given: islice(starts(*given), 3))
    ring, camera = photographed("even", tmp_path / "mixed", ("inlet", "outlet"))
    other = replace(EVEN, blades=5, hub_radius_mm=44.0, nose_radius_mm=20.0, laws=(Progressive(18.0, 18.0),))
    rendered(tmp_path / "other", other, 14, ("around-1",))
    shutil.copy(tmp_path / "other" / "around-1.jpg", tmp_path / "mixed" / "stranger.jpg")
    given = sorting.Sorted(tuple(sorted((tmp_path / "mixed").iterdir())), (), mixed=True)
    said: set[str] = set()
    try:
        said = {flag.code for flag in sorting.measure_sorted(given, ring, camera, Options()).flags}
    except BladeangleError as error:
        said = set(re.findall(r"in stranger\.jpg is not clear|from the side do not fit", error.message))
    assert said & {
        "in stranger.jpg is not clear", "from the side do not fit", "rotors-differ", "photos-disagree", "rotor-moved",
    }  # fmt: skip


def test_without_one_from_above_nothing_can_be_told(tmp_path: Path) -> None:
    ring, camera = rendered(tmp_path / "mixed", EVEN, 15, ("around-1",))
    with pytest.raises(UsageError, match="No photograph is taken from straight above"):
        sorting.sort_photos([tmp_path / "mixed" / "around-1.jpg"], ring, camera, Options())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{}", "--turned", "x.jpg"], "does not go with other photographs"),
        (["{}", "x.jpg"], "does not go with other photographs"),
        (["--sort", "x.jpg", "--turned", "y.jpg"], "does not go with other photographs"),
        (["{}"], "has no photographs"),
    ],
)
def test_words_that_do_not_fit_together(tmp_path: Path, words: list[str], says: str) -> None:
    result = CliRunner().invoke(main, ["measure", *(w.format(tmp_path) for w in words), *FILES])
    assert result.exit_code == 2
    assert says in result.stderr
