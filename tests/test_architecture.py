"""The order of folders as DEVELOPERS.md has it, that of modules as their folders do, and what no module may do."""

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
#: Most lines of a module, and of a function without its decorators; longer ones hold two.
LONGEST = 500
LONGEST_FUNCTION = 80
#: Modules that define what others use; all others make something of something, and their first line says it.
DEFINITIONS = {
    "base.errors", "base.files", "base.flags", "base.geometry", "tuning.imaging", "tuning.edges", "tuning.detection",
    "tuning.adjustment", "tuning.priors", "tuning.results", "tuning.expected", "tuning.pipeline", "tuning.blade_ends",
    "tuning.register",
    "records.content", "adjustment.model", "adjustment.rotor", "cli.options", "cli.main",
}  # fmt: skip


def module_of(path: Path) -> str:
    """Dotted name of a module of the package, without the package's."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def sources() -> dict[str, Path]:
    """Module -> its file; the package itself and what starts it are left out."""
    paths = {module_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}
    return {module: path for module, path in paths.items() if module not in ("", "__main__")}


def docstring(module: str) -> str:
    """The docstring of a module, or of a folder."""
    found = ast.get_docstring(ast.parse(sources()[module].read_text(encoding="utf-8")))
    assert found, f"{module} has no docstring"
    return found


@cache
def folders() -> dict[str, str]:
    """Folder -> what DEVELOPERS.md's table says of it, in the table's order."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.search(r"^\| folder \|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.MULTILINE)
    assert rows, "the table of folders is not found"
    return dict(re.findall(r"^\| `(\w+)/` \| (.+) \|$", rows[1], re.MULTILINE))


@cache
def modules_of(folder: str) -> list[str]:
    """Modules of a folder as its docstring lists them, in import order; its own is among them if it holds code."""
    listed = re.search(r"^Modules in import order: ([\w,\s]+)\.$", docstring(folder), re.MULTILINE)
    assert listed, f"{folder}/__init__.py does not list its modules"
    return re.split(r",\s+", listed[1])


def place(module: str) -> tuple[int, int]:
    """Where a module stands in the order of imports: number of its folder, and its own in the folder."""
    folder, _, name = module.partition(".")
    return list(folders()).index(folder), modules_of(folder).index(name or "__init__")


@cache
def imports(module: str) -> dict[str, str]:
    """Module imported anywhere in one, also inside functions -> where."""
    found: dict[str, str] = {}
    path = sources()[module]
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
def modules_used(module: str) -> dict[str, str]:
    """Other modules of the package that one imports -> where."""
    named = {name.removeprefix("bladeangle."): place for name, place in imports(module).items()}
    used = {name: place for name, place in named.items() if name in sources() and name != module}
    # `from bladeangle.tuning import priors` names the folder too, which is used only if it holds code.
    return {name: place for name, place in used.items() if "." in name or "__init__" in modules_of(name)}


def test_the_table_lists_the_folders_that_there_are() -> None:
    assert set(folders()) == {path.name for path in PACKAGE.iterdir() if path.is_dir() and any(path.glob("*.py"))}
    for folder, words in folders().items():
        assert docstring(folder).splitlines()[0] == words, f"{folder}/__init__.py and the table say different things"


def test_folders_list_the_modules_that_there_are() -> None:
    for folder in folders():
        listed = modules_of(folder)
        assert len(set(listed)) == len(listed)
        there = {path.stem for path in (PACKAGE / folder).glob("*.py")}
        own = ast.parse(sources()[folder].read_text(encoding="utf-8"))
        assert set(listed) == (there if len(own.body) > 1 else there - {"__init__"})


@pytest.mark.parametrize("module", sorted(sources()))
def test_a_module_imports_only_what_stands_before_it(module: str) -> None:
    for other, where in modules_used(module).items():
        assert place(other) < place(module), f"{where}: {module} imports {other}, which comes after it"


@pytest.mark.parametrize("module", sorted(module for module in sources() if "." in module))
def test_the_first_line_of_a_module_says_what_it_makes_of_what(module: str) -> None:
    line = docstring(module).splitlines()[0]
    assert line[-1] in ".?"
    if module in DEFINITIONS:
        assert "->" not in line
    elif module.startswith("cli."):
        assert line.startswith(f"`bladeangle {module.removeprefix('cli.')}`: ")
    else:
        assert re.search(r"\w.* <?-> .*\w", line), f"{module}: {line}"


def test_definitions_are_modules() -> None:
    assert set(sources()) >= DEFINITIONS


def test_no_two_modules_import_each_other() -> None:
    order = list(graphlib.TopologicalSorter({module: set(modules_used(module)) for module in sources()}).static_order())
    assert set(order) == set(sources())


def test_nothing_installed_knows_the_renderer() -> None:
    assert not [module for module in sources() for name in imports(module) if name.split(".")[0] == "tests"]
    renderer = [path.read_text(encoding="utf-8") for path in (ROOT / "tests" / "synthetic").glob("*.py")]
    pattern = re.compile(r"^\s*(?:from|import) (bladeangle[\w.]*)", re.MULTILINE)
    used = {name for text in renderer for name in pattern.findall(text)}
    assert renderer
    assert used <= {"bladeangle.base.errors", "bladeangle.base.files"}


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_module_is_too_long(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_function_is_too_long(path: Path) -> None:
    functions = [
        node
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]
    lengths = {node.name: (node.end_lineno or node.lineno) - node.lineno + 1 for node in functions}
    assert not {name: length for name, length in lengths.items() if length > LONGEST_FUNCTION}


@pytest.mark.parametrize("module", sorted(module for module in sources() if module.split(".")[0] != "cli"))
def test_no_library_module_knows_the_command_line(module: str) -> None:
    assert not {name: place for name, place in imports(module).items() if name.split(".")[0] == "click"}


@pytest.mark.parametrize("module", sorted(sources()))
def test_no_module_uses_pyplot(module: str) -> None:
    """Its hidden state belongs to the whole process."""
    assert not {name: place for name, place in imports(module).items() if "pyplot" in name}


@pytest.mark.parametrize("module", sorted(set(sources()) - {"imaging.photo"}))
def test_photographs_are_read_in_one_module(module: str) -> None:
    """Limits on size, orientation and linear light are applied there and nowhere else."""
    path = sources()[module]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called.split(".")[-1] not in ("imread", "imdecode", "decode_jpeg"), f"{path}:{node.lineno}"
            assert called != "Image.open", f"{path}:{node.lineno}"


def test_every_package_imported_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [line for name in ("heic", "dask", "phone") for line in project["optional-dependencies"][name]]
    declared = {re.match(r"[\w-]+", line)[0].lower() for line in project["dependencies"] + extras}  # type: ignore[index]
    packages = {
        "cv2": "opencv-python", "jsonschema_rs": "jsonschema-rs", "PIL": "pillow", "pillow_heif": "pillow-heif",
        "skimage": "scikit-image",
    }  # fmt: skip
    tops = {name.split(".")[0]: place for module in sources() for name, place in imports(module).items()}
    foreign = {top: place for top, place in tops.items() if top not in sys.stdlib_module_names | {"bladeangle"}}
    assert not {top: place for top, place in foreign.items() if packages.get(top, top) not in declared}
    # And nothing is declared that is not used.
    assert declared - {packages.get(top, top) for top in foreign} == set()
