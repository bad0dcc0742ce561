"""python -m tests.fuzz [READER ...] --seconds N: coverage-guided fuzzing, one reader after the other."""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
from pathlib import Path


def fuzz(name: str, seconds: int, findings: Path) -> None:
    """Fuzz one reader in this process; atheris ends it."""
    import atheris

    with atheris.instrument_imports(include=["bladeangle", "PIL", "tomllib"]):
        # Imported late by the reader, and then no longer instrumented.
        from PIL import JpegImagePlugin, PngImagePlugin, TiffImagePlugin  # noqa: F401

        from tests.fuzz.readers import TARGETS, mutate, scratch, try_bytes

    folder = scratch()
    corpus = folder / "corpus"
    corpus.mkdir()
    for i, seed in enumerate(TARGETS[name].seeds()):
        (corpus / f"seed-{i}").write_bytes(seed)
    seeds = TARGETS[name].seeds()

    def one(data: bytes) -> None:
        try_bytes(name, data, folder)

    def mutator(data: bytes, max_size: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if len(data) < 8 or rng.random() < 0.05:
            data = rng.choice(seeds)
        if rng.random() < 0.3:
            return bytes(atheris.Mutate(data, max_size))
        return mutate(data, rng)[:max_size]

    longest = 4 * max(map(len, seeds))
    flags = [f"-max_total_time={seconds}", "-timeout=20", "-rss_limit_mb=1500", f"-max_len={longest}",
             f"-artifact_prefix={findings}/{name}-", "-print_final_stats=1"]  # fmt: skip
    atheris.Setup([sys.argv[0], *flags, str(corpus)], one, custom_mutator=mutator)
    try:
        atheris.Fuzz()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main() -> int:
    """Fuzz the readers named; 1 when one of them had a finding."""
    names = ("photo", "record", "order", "ring", "camera", "edits", "config", "log", "manifest")
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    # argparse asks of the default, too, whether it is among the choices
    parser.add_argument("readers", nargs="*", choices=[[], *names], default=[])
    parser.add_argument("--seconds", type=int, default=100, help="for each reader")
    parser.add_argument("--findings", type=Path, default=Path("findings"), help="folder for inputs that were not taken")
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    args.findings.mkdir(parents=True, exist_ok=True)
    if args.here:
        fuzz(args.readers[0], args.seconds, args.findings)
        return 0
    bad = []
    for name in args.readers or names:
        words = ["-m", "tests.fuzz", name, "--here", "--seconds", str(args.seconds), "--findings", str(args.findings)]
        sys.stdout.write(f"--- {name}\n")
        sys.stdout.flush()
        if subprocess.run([sys.executable, *words], check=False).returncode:
            bad.append(name)
    sys.stdout.write(f"findings in: {', '.join(bad) or 'none'}\n")
    return int(bool(bad))


if __name__ == "__main__":
    sys.exit(main())
