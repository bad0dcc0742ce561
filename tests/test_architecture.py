"""The order of the rooms, as DEVELOPERS.md's table lays it down, and what no room may do."""

from __future__ import annotations

import ast
import graphlib
import re
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "bladeangle"
#: Longest a module may be; longer ones hold two rooms.
LONGEST = 500


@cache
def sources() -> dict[str, list[Path]]:
    """Room -> its files: a module or a folder of the package."""
    rooms: dict[str, list[Path]] = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if room not in ("__init__", "__main__"):
            rooms.setdefault(room, []).append(path)
    return rooms


@cache
def table() -> dict[str, int]:
    """Room -> number of its row in DEVELOPERS.md's table; rooms of one row are side doors that may use each other."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.search(r"^\| room \|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.MULTILINE)
    assert rows, "the table of rooms is not found"
    return {
        room: number
        for number, row in enumerate(rows[1].splitlines())
        for room in re.findall(r"`(\w+)(?:\.py|/)`", row.split("|")[1])
    }


@cache
def imports(room: str) -> dict[str, str]:
    """Module imported anywhere in the room, also inside functions -> where."""
    found: dict[str, str] = {}
    for path in sources()[room]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Import | ast.ImportFrom):
                continue
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            else:
                assert node.level == 0, f"{path.name}:{node.lineno}: relative import"
                names = [node.module or ""] + [f"{node.module}.{alias.name}" for alias in node.names]
            for name in names:
                found.setdefault(name, f"{path.relative_to(ROOT)}:{node.lineno}")
    return found


@cache
def rooms_used(room: str) -> dict[str, str]:
    """Other rooms imported by a room -> where."""
    used = {}
    for name, place in imports(room).items():
        parts = name.split(".")
        if parts[0] == "bladeangle" and len(parts) > 1 and parts[1] in sources() and parts[1] != room:
            used[parts[1]] = place
    return used


def test_the_table_lists_the_rooms_that_there_are() -> None:
    assert set(table()) == set(sources())


@pytest.mark.parametrize("room", sorted(sources()))
def test_a_room_imports_only_upstream(room: str) -> None:
    for other, place in rooms_used(room).items():
        assert table()[other] <= table()[room], f"{place}: {room} imports {other}, which comes after it"


def test_no_two_rooms_import_each_other() -> None:
    order = list(graphlib.TopologicalSorter({room: set(rooms_used(room)) for room in sources()}).static_order())
    assert set(order) == set(sources())


def test_synthetic_shares_nothing_with_what_it_tests() -> None:
    assert set(rooms_used("synthetic")) <= {"errors", "files"}
    assert not [room for room in sources() if "synthetic" in rooms_used(room)]


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


@pytest.mark.parametrize("room", sorted(set(sources()) - {"cli"}))
def test_no_library_room_knows_the_command_line(room: str) -> None:
    assert not {name: place for name, place in imports(room).items() if name.split(".")[0] == "click"}


@pytest.mark.parametrize("room", sorted(sources()))
def test_no_room_uses_pyplot(room: str) -> None:
    """Its hidden state belongs to the whole process."""
    assert not {name: place for name, place in imports(room).items() if "pyplot" in name}


@pytest.mark.parametrize("room", sorted(set(sources()) - {"photo"}))
def test_photographs_are_read_in_one_room(room: str) -> None:
    """Limits on size, orientation and linear light are applied there and nowhere else."""
    for path in sources()[room]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                assert called.split(".")[-1] not in ("imread", "imdecode", "decode_jpeg"), f"{path}:{node.lineno}"
                assert called != "Image.open", f"{path}:{node.lineno}"


def test_every_package_imported_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [line for name in ("heic", "dask") for line in project["optional-dependencies"][name]]
    declared = {re.match(r"[\w-]+", line)[0].lower() for line in project["dependencies"] + extras}  # type: ignore[index]
    # numba makes the test renderer fast and comes with the extra `test`.
    declared |= {"numba"}
    packages = {
        "cv2": "opencv-python", "jsonschema_rs": "jsonschema-rs", "PIL": "pillow", "pillow_heif": "pillow-heif",
    }  # fmt: skip
    tops = {name.split(".")[0]: place for room in sources() for name, place in imports(room).items()}
    foreign = {top: place for top, place in tops.items() if top not in sys.stdlib_module_names | {"bladeangle"}}
    assert not {top: place for top, place in foreign.items() if packages.get(top, top) not in declared}
    # And nothing is declared that is not used.
    assert declared - {packages.get(top, top) for top in foreign} == set()
