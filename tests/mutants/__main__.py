"""python -m tests.mutants [MODULE ...]: killed and lived, by module; 1 when one lived."""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import os
import shutil
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
#: Seconds after which a mutant that makes tests hang counts as killed.
PATIENCE_S = 600.0
#: Imported once for all mutants.
LIBRARIES = ("cv2", "jsonschema_rs", "numpy", "scipy.interpolate", "scipy.special", "scipy.stats")


def mutants() -> dict[str, dict[str, Any]]:
    """Module -> its tests and faults."""
    return tomllib.loads((Path(__file__).parent / "mutants.toml").read_text(encoding="utf-8"))


def mutated(source: str, text: str, replacement: str) -> str:
    """The module with one fault; ValueError when its text does not stand there exactly once."""
    if source.count(text) != 1:
        raise ValueError(f"stands {source.count(text)} times: {text}")
    return source.replace(text, replacement)


def noticed(copy: Path, tests: list[str]) -> bool:
    """Whether the tests fail in the copy.

    They run in a fork of this process, which has imported the libraries: most of a short test file's time is theirs.
    """
    child = multiprocessing.get_context("fork").Process(target=_run, args=(copy, tests))
    child.start()
    child.join(PATIENCE_S)
    if child.exitcode is None:
        child.kill()
        child.join()
    return child.exitcode != 0


def _run(copy: Path, tests: list[str]) -> None:
    """The tests of a copy, in a process of their own that ends with their exit code."""
    os.chdir(copy)
    os.setsid()
    os.environ["PYTHONPATH"] = str(copy)
    sys.dont_write_bytecode = True
    sys.path[:] = [str(copy), *(p for p in sys.path if Path(p or ".").resolve() not in (ROOT, copy.resolve()))]
    for name in [n for n in sys.modules if n.split(".")[0] in ("bladeangle", "tests")]:
        del sys.modules[name]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    code = pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests])
    os._exit(int(code))


def main() -> int:
    """Try every mutant of the modules named, or of all."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="such as shop/verify.py")
    args = parser.parse_args()
    for library in LIBRARIES:
        importlib.import_module(library)
    lived = 0
    with tempfile.TemporaryDirectory(prefix="mutants-") as temporary:
        copy = Path(temporary) / "copy"
        ignored = shutil.ignore_patterns(".git", "__pycache__", "*.egg-info", ".*cache")
        shutil.copytree(ROOT, copy, ignore=ignored)
        for module, entry in mutants().items():
            if args.modules and module not in args.modules:
                continue
            path = copy / "bladeangle" / module
            sound = path.read_text(encoding="utf-8")
            if noticed(copy, entry["tests"]):
                sys.stdout.write(f"{module}: its tests fail without any fault\n")
                lived += 1
                continue
            killed = 0
            for what, text, replacement in entry["faults"]:
                path.write_text(mutated(sound, text, replacement), encoding="utf-8")
                if noticed(copy, entry["tests"]):
                    killed += 1
                else:
                    lived += 1
                    sys.stdout.write(f"  lived: {module}: {what}\n")
                sys.stdout.flush()
            path.write_text(sound, encoding="utf-8")
            sys.stdout.write(f"{module}: {killed} of {len(entry['faults'])} killed\n")
            sys.stdout.flush()
    return int(lived > 0)


if __name__ == "__main__":
    sys.exit(main())
