"""The README's commands are real: options exist, files are there, and the main job runs."""

from __future__ import annotations

import importlib
import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner

from bladeangle.base import errors
from bladeangle.cli.main import main
from bladeangle.records.record import read_record

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = ROOT / "fixtures" / "guide"
GUIDE_TEXT = (GUIDE / "README.md").read_text(encoding="utf-8")


def marked(name: str) -> str:
    """The one command under `<!-- name -->`."""
    found = re.findall(rf"^<!-- {name} -->\n```sh\n(.+)\n```$", README, re.MULTILINE)
    assert len(found) == 1, f"the README has {len(found)} blocks marked {name!r} with one line each"
    return str(found[0])


def commands() -> list[str]:
    """Every call of the program in README and guide, in blocks, in line, or behind an `&&`."""
    text = README + GUIDE_TEXT
    code = re.findall(r"^```sh\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    code += re.findall(r"`(bladeangle [^`\n]+)`", text)
    parts = [part.strip() for block in code for line in block.splitlines() for part in line.split("&&")]
    return [part.removeprefix(".venv/bin/") for part in parts if re.match(r"(\.venv/bin/)?bladeangle ", part)]


def test_it_opens_with_the_job_and_the_two_commands() -> None:
    title, job = README.split("\n\n")[:2]
    assert title == "# bladeangle"
    assert "blade angles" in job
    assert "photographs" in job
    headings = README.index("\n## ")
    assert README.index(marked("first command")) < README.index(marked("test command")) < headings
    for name in ("first command", "test command"):
        assert marked(name).startswith("python3 -m venv .venv && .venv/bin/pip install -q ")


def test_it_names_many_commands() -> None:
    assert len(commands()) >= 8


@pytest.mark.parametrize("text", commands())
def test_every_command_takes_the_options_it_is_given(text: str) -> None:
    _, name, *words = shlex.split(text)
    context = main.make_context("bladeangle", ["--help"], resilient_parsing=True)
    command = main.get_command(context, name)
    assert command is not None, f"there is no command {name}"
    if words:
        # Raises click's usage error for an unknown option, a bad choice or a missing argument.
        command.make_context(name, words, parent=click.Context(main, obj=None))


def test_the_exit_codes_are_those_of_the_program() -> None:
    table = README.split("## Exit codes")[1].split("\n## ")[0]
    listed = {int(code) for code in re.findall(r"\| (\d+) \|", table)}
    family: list[type[errors.BladeangleError]] = [errors.BladeangleError, *errors.BladeangleError.__subclasses__()]
    outcomes = {getattr(errors, name) for name in dir(errors) if name.startswith("EXIT_")}
    assert listed == {error.exit_code for error in family} | outcomes | {0}


@pytest.mark.parametrize("target", re.findall(r"\]\(([^)#:]+)\)", README))
def test_links_lead_somewhere(target: str) -> None:
    assert (ROOT / target).exists()


@pytest.mark.parametrize("target", re.findall(r"\]\(([^)#:]+)\)", GUIDE_TEXT))
def test_links_of_the_guide_lead_somewhere(target: str) -> None:
    assert (GUIDE / target).exists()


def test_the_guide_has_all_its_pictures_and_they_are_small() -> None:
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", GUIDE_TEXT)
    pictures = sorted(p.name for p in GUIDE.iterdir() if p.suffix != ".md")
    assert sorted(shown) == pictures
    assert len(pictures) >= 8
    assert sum((GUIDE / name).stat().st_size for name in pictures) < 2_000_000


def test_the_guide_shows_what_is_printed_today(monkeypatch: pytest.MonkeyPatch) -> None:
    """One of its commands again: the others differ by no more than the machine's last digit."""
    monkeypatch.chdir(ROOT)
    (line,) = re.findall(r"^bladeangle check .+$", GUIDE_TEXT, re.MULTILINE)
    result = CliRunner().invoke(main, shlex.split(line)[1:])
    assert result.exit_code == 0
    assert f"```text\n{result.stdout.rstrip()}\n```" in GUIDE_TEXT


def test_the_python_example_runs(tmp_path: Path) -> None:
    (code,) = re.findall(r"^<!-- python example -->\n```python\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    code = code.replace('"rotor-a.json"', repr(str(tmp_path / "rotor-a.json")))
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert run.returncode == 0, run.stderr
    record = read_record(tmp_path / "rotor-a.json")
    assert record.content.options.diameter_mm == 159.4
    assert len(re.findall(r"^blade ", run.stdout, re.MULTILINE)) == 3
    # the rotor's exit is 4.92 deg steeper than its entry (fixtures/rotor-a/truth.json)
    labels, angles_deg, _ = record.angles()
    means = {
        s: np.mean([a for k, a in zip(labels, angles_deg, strict=True) if k.endswith(s)]) for s in ("entry", "exit")
    }
    assert means["exit"] - means["entry"] == pytest.approx(4.92, abs=0.25)


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(bladeangle(?:\.\w+)+)`", README))))
def test_public_names_are_there_and_documented(name: str) -> None:
    module, _, what = name.rpartition(".")
    found = getattr(importlib.import_module(module), what)
    assert found.__doc__


def test_the_checks_run_the_readmes_test_command() -> None:
    """`.ci/run` takes the command from the README by the same mark, with the same result."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (extract,) = re.findall(r"^command=\$\((.+)\)$", script, re.MULTILINE)
    found = subprocess.run(["bash", "-c", extract], cwd=ROOT, capture_output=True, text=True, check=True)
    assert found.stdout.strip() == marked("test command")


def test_the_main_job_runs_on_the_photographs_that_come_with_it(tmp_path: Path) -> None:
    (call,) = [part.strip() for part in marked("first command").split("&&") if "bladeangle measure" in part]
    words = shlex.split(call)[1:]
    outputs = {option: tmp_path / words[words.index(option) + 1] for option in ("--out", "--picture")}
    for option, path in outputs.items():
        words[words.index(option) + 1] = str(path)
    run = subprocess.run(
        [sys.executable, "-m", "bladeangle", *words], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    assert run.returncode == 0, run.stderr
    record = json.loads(outputs["--out"].read_text(encoding="utf-8"))
    assert all(record["rotor"]["stations"].values())
    assert outputs["--picture"].read_bytes().startswith(b"\x89PNG")
    assert "entry" in run.stdout
