"""python -m tests.mutants [MODULE ...]: killed and lived, by module; 1 when one lived."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
#: Seconds after which a mutant that makes tests hang counts as killed.
PATIENCE_S = 600.0


def mutants() -> dict[str, dict[str, Any]]:
    """Module -> its tests and faults."""
    return tomllib.loads((Path(__file__).parent / "mutants.toml").read_text(encoding="utf-8"))


def mutated(source: str, text: str, replacement: str) -> str:
    """The module with one fault; ValueError when its text does not stand there exactly once."""
    if source.count(text) != 1:
        raise ValueError(f"stands {source.count(text)} times: {text}")
    return source.replace(text, replacement)


def noticed(copy: Path, tests: list[str]) -> bool:
    """Whether the tests fail in the copy."""
    words = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    environment = os.environ | {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(words, cwd=copy, env=environment, capture_output=True, timeout=PATIENCE_S, check=False)
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


def main() -> int:
    """Try every mutant of the modules named, or of all."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="such as shop/verify.py")
    args = parser.parse_args()
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
