"""Tuned values are all in the tree, with what is known of each; none is left in the modules that use them."""

from __future__ import annotations

import ast
import importlib
import re
from dataclasses import FrozenInstanceError, fields, is_dataclass
from pathlib import Path

import numpy as np
import pytest

from bladeangle.adjustment.priors import Priors
from bladeangle.tuning.expected import Typical
from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, NewTips, TipCondition
from bladeangle.tuning.tree import TUNING
from bladeangle.tuning.value import UNITS, changed

PACKAGE = Path(__file__).resolve().parents[2] / "bladeangle"
#: Folders whose tuned values are in the tree.
LAYERS = ("imaging", "detection", "adjustment", "results", "pipeline")
#: Groups of which a function is given one -> the name of its parameter; all others are read by their own.
PASSED_AS: dict[type, str] = {TipCondition: "condition", NewTips: "condition", Typical: "typical"}
#: Unit -> how the names of such values end.
ENDINGS = {"mm": "_mm", "px": "_px", "deg": "_deg", "rad": "_rad", "sigma": "_sigmas"}
#: Numbers that stand in their modules: kind -> module and names. A tuned value is none of them.
KEPT = {
    "limits of files and of what is accepted": """
        imaging.camera MOST_OFF_CENTRE MOST_DISTORTION LEAST_SIGMA MOST_SIGMA MOST_DISTORTION_SIGMA _Side _Parameter
        imaging.camera _Covariance
        imaging.photo MIN_SIDE_PX MAX_ASPECT MAX_DECODED_BYTES MAX_SCANS MAX_SEGMENTS MAX_CHUNKS
        imaging.ring FEWEST_MARKERS MOST_MARKERS MOST_RADIUS_MM _Radius
        pipeline.options LEAST_DIAMETER_MM MOST_CLEARANCE_MM
    """,
    "formats, standards, units and definitions": """
        imaging.photo USUAL_SIDE_PX WHITE_LEVEL TIFF_BYTES EXIF_DIRECTORY _ORIENTATIONS
        imaging.ring QUICK_WINDOW_PX
        imaging.sheets _POINTS_PER_MM
        pipeline.options CALIPER_FROM_END_MM
    """,
    "rings and sheets as they are drawn": """
        imaging.ring_design PAPERS_MM PAGE_MARGIN_MM WORDS_MM CHECK_BAR_MM HALF_VIEW OFF_CENTRE_MM OFF_AXIS_MM FLAP_MM
        imaging.ring_design QUIET_MM GOOD_MARKER_MM
        imaging.sheet_notes MAP_MM
    """,
    "signs, columns and tables": """
        adjustment.correlated_errors SIDE OVERHEAD FIXED NO_RUN
        adjustment.equations CAMERA TURN SHIFT FOCUS PRINCIPAL POSED SETUP_TURN SETUP_SHIFT ROTOR_POSED MOVED
        adjustment.model TIP_KINDS
        adjustment.rotor FACES CUBICS
        pipeline.assemble FACE_NAMES
        results.stations _LINES
    """,
    "iterations and numerical tolerances": """
        adjustment.adjust MOST_RESCALINGS SCALE_TOLERANCE CONVERGED_GAIN PROVISIONAL_GAIN ACCEPTED_GAIN
        adjustment.equations RADIUS_TOLERANCE_MM
        adjustment.tip_radius NEGLIGIBLE_MM LENGTH_STEP_MM
        pipeline.adjusted MOST_LOOKS MOST_CONTRADICTED
        pipeline.register MOST_EDGE_SEARCHES LENGTH_TOLERANCE_MM
        pipeline.sight AT_ONCE
    """,
    "sampling: steps of tables, pictures and sums, numbers of draws": """
        imaging.compression LINES
        imaging.photo ROWS_AT_ONCE
        imaging.profiles SCAN_STEP_PX
        imaging.quality LINES
        imaging.ring POINTS_A_SIDE
        imaging.saturation EVERY
        detection.edges LEAST_TRUST_PX LEAST_REACH_PX PATH_PX STEP_MM ROUGH_STEP_MM
        detection.visibility SIGHT_STEP_MM
        detection.hub PITCH_MM AZIMUTHS
        detection.outline COLUMNS SUBCOLUMNS PITCH_MM COARSE
        adjustment.model GROOVE_KNOTS
        adjustment.tip_radius TABLE_STEP_MM BEYOND_MM
        results.angles SAMPLES SHARES PLACES FINE_PLACES
        results.edge_shifts FIELDS WAVES
        results.stations BINS
        results.tips STEP_MM TRIALS
        pipeline.ends AZIMUTHS ROUND
        pipeline.sorting PITCH_MM
    """,
    "what a search tries": """
        imaging.profiles BLURS_PX
        detection.oblique RADIUS_STEPS THICKNESSES_MM OFFSETS_MM OWN_STEPS ANSWERS_OF_CLASS
        detection.outline BLADE_COUNTS
        results.advice TRIED_DEG SIDES
        pipeline.ends RADII_MM SCALES
        pipeline.overlap TRIED_SHARES
        pipeline.register NARROW_RADIUS_STEPS WIDE_SEARCHES_PX REFINED_THICKNESSES
        pipeline.register MOST_STARTS
        pipeline.sorting HEIGHTS_MM
    """,
}


def kept() -> set[str]:
    """`layer.module.NAME` of the numbers that are no tuned values."""
    lines = [line.split() for text in KEPT.values() for line in text.split("\n") if line.strip()]
    return {f"{module}.{name}" for module, *names in lines for name in names}


def numbers_in(path: Path) -> set[str]:
    """Names that a module gives numbers to, or things that hold numbers, at its top level."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        constants = [one.value for one in ast.walk(node.value) if isinstance(one, ast.Constant)]
        if any(isinstance(x, int | float) and not isinstance(x, bool) for x in constants):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)}
    return found


@pytest.mark.parametrize("name", [name for name, _, _ in TUNING.values()])
def test_what_is_known_of_a_value_is_said(name: str) -> None:
    _, value, known = next(one for one in TUNING.values() if one[0] == name)
    assert known.unit in UNITS
    ending = ENDINGS.get(known.unit)
    assert ending is None or name.endswith(ending)
    assert not any(name.endswith(other) for unit, other in ENDINGS.items() if unit != known.unit)
    for text in (known.meaning, known.evidence, known.sensitivity):
        assert len(text) >= 8 and text == text.strip() and "  " not in text and not text.endswith(".")
    numbers = value if isinstance(value, tuple) else (value,)
    assert numbers and all(type(x) in (int, float) for x in numbers)
    assert (known.unit == "count") <= (all(float(x).is_integer() for x in numbers))


def test_every_group_of_the_modules_is_in_the_tree() -> None:
    modules = [
        path.stem for path in (PACKAGE / "tuning").glob("*.py") if path.stem not in ("__init__", "value", "tree")
    ]
    assert set(LAYERS) <= set(modules)
    there = {id(group) for _, group in TUNING.groups()}
    for name in modules:
        held = vars(importlib.import_module(f"bladeangle.tuning.{name}"))
        groups = {key: one for key, one in held.items() if is_dataclass(one) and not isinstance(one, type)}
        assert groups
        for key, group in groups.items():
            assert id(group) in there
            assert getattr(TUNING, key.lower()) is group


def test_values_cannot_be_changed() -> None:
    for _, group in TUNING.groups():
        with pytest.raises(FrozenInstanceError):
            setattr(group, fields(group)[0].name, 0)
        with pytest.raises(FrozenInstanceError):
            delattr(group, fields(group)[0].name)


def test_a_group_with_other_values_is_another() -> None:
    usual = TUNING.hub.plane_mm
    other = changed(TUNING.hub, plane_mm=40.0)
    assert (other.plane_mm, TUNING.hub.plane_mm) == (40.0, usual)
    assert other.needed_share == TUNING.hub.needed_share
    with pytest.raises(KeyError, match="nothing"):
        changed(TUNING.hub, nothing=1.0)


def test_every_value_is_needed() -> None:
    paths = [path for path in PACKAGE.rglob("*.py") if path.parent != PACKAGE / "tuning"]
    source = "\n".join(path.read_text(encoding="utf-8") for path in paths)
    read = set(re.findall(r"\b(?=(\w+\.\w+)\b)", source))
    for name, _, _ in TUNING.values():
        group, value = name.split(".")
        of = PASSED_AS.get(type(getattr(TUNING, group)), group.upper())
        assert f"{of}.{value}" in read, f"nothing reads {name}"


def test_no_tuned_value_is_left_in_the_modules() -> None:
    paths = [path for layer in LAYERS for path in (PACKAGE / layer).glob("*.py")]
    found = {f"{path.parent.name}.{path.stem}.{name}" for path in paths for name in numbers_in(path)}
    assert found - kept() == set(), "tuned values belong to bladeangle/tuning/, other numbers to KEPT"
    assert kept() - found == set(), "no longer there"


@pytest.mark.parametrize("text", ["A_MM = 0.5", "A_MM: float = -2", "A, B_PX = 1.5, C", "A = (1, 2.0)", "A = {'x': 3}"])
def test_numbers_in_a_module_are_found(text: str, tmp_path: Path) -> None:
    (tmp_path / "one.py").write_text(text + "\nNAME = 'text'\nFLAG = True\n\ndef f(x=1):\n    y = 2\n")
    assert numbers_in(tmp_path / "one.py") == ({"A", "B_PX"} if "B_PX" in text else {text.split(" ")[0].rstrip(":")})


def test_defaults_are_read_when_they_are_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a bench can change a value in its own process."""
    of_one = [one for one in fields(Priors) if one.name in {value.name for value in fields(TUNING.priors)}]
    assert {one.name for one in of_one} >= {"radius_mm", "thickness_mm", "bend_sigma_deg"}
    twice = {one.name: 2 * getattr(TUNING.priors, one.name) for one in of_one}
    monkeypatch.setattr("bladeangle.adjustment.priors.PRIORS", changed(TUNING.priors, **twice))
    priors = Priors(np.zeros(8), np.eye(8))
    assert {name: getattr(priors, name) for name in twice} == twice


def test_new_tips_are_known_better_than_any() -> None:
    for one in fields(TipCondition):
        some, new = (getattr(tips, one.name) for tips in (ANY_TIPS, NEW_TIPS))
        assert new <= some
    assert NEW_TIPS.unequal == ANY_TIPS.unequal and NEW_TIPS.run_out_mm < ANY_TIPS.run_out_mm


def test_values_need_nothing_of_the_project() -> None:
    for path in (PACKAGE / "tuning").glob("*.py"):
        names = re.findall(r"^\s*(?:from|import) (bladeangle[\w.]*)", path.read_text(encoding="utf-8"), re.MULTILINE)
        assert all(name.split(".")[1] == "tuning" for name in names)
