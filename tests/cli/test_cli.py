"""The command line: help, start-up, exit codes, and how errors and interruptions are told."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from bladeangle import __version__
from bladeangle.base import errors, lengths
from bladeangle.base.flags import REGISTRY, Flag, Remark, together
from bladeangle.cli import options
from bladeangle.cli.main import COMMANDS, CommandGroup, main

ROOT = Path(__file__).resolve().parents[2]
NAMES = main.list_commands(click.Context(main))
#: Packages that cost start-up time.
HEAVY = ("numpy", "cv2", "scipy", "matplotlib", "PIL", "jsonschema_rs", "openpyxl", "sqlite3", "multiprocessing")


def python(code: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run code in an interpreter of its own."""
    return subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False, **more
    )


def bladeangle(*words: str, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run the real command in a process of its own."""
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more
    words = (sys.executable, "-m", "bladeangle", *words)
    return subprocess.run(words, cwd=ROOT, text=True, timeout=60, check=False, **streams)


def ending(monkeypatch: pytest.MonkeyPatch, body: Callable[[], Any], *words: str, **more: Any) -> Result:
    """The outcome of a command whose body is `body`."""
    monkeypatch.setattr(CommandGroup, "get_command", lambda *_: click.Command("boom", callback=body))
    monkeypatch.setattr(CommandGroup, "list_commands", lambda *_: ["boom"])
    return CliRunner().invoke(main, [*words, "boom"], **more)


# --- help and start-up -----------------------------------------------------------------------------------------------


def test_commands_and_their_modules_belong_together() -> None:
    modules = {path.stem for path in (ROOT / "bladeangle" / "cli").glob("*.py")} - {"__init__", "main", "options"}
    assert modules == set(NAMES)
    assert set(NAMES) <= set(COMMANDS)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help_with_an_example(name: str) -> None:
    outcome = CliRunner().invoke(main, [name, "--help"])
    assert outcome.exit_code == 0
    assert re.search(rf"^ +Examples?:\n +bladeangle {name}\b", outcome.stdout, re.MULTILINE), outcome.stdout
    assert "\b" not in outcome.stdout


def test_help_lists_every_command_and_exit_code() -> None:
    outcome = CliRunner().invoke(main, ["--help"])
    assert outcome.exit_code == 0
    assert all(re.search(rf"^  {name}  +\S", outcome.stdout, re.MULTILINE) for name in NAMES)
    text = " ".join(outcome.stdout.split())
    for error in errors.BladeangleError.__subclasses__():
        assert re.search(rf"[:;] {error.exit_code} \w", text)


def test_version() -> None:
    outcome = CliRunner().invoke(main, ["--version"])
    assert (outcome.exit_code, outcome.stdout) == (0, f"bladeangle {__version__}\n")


@pytest.mark.parametrize("words", [["--help"], ["--version"], *([name, "--help"] for name in NAMES)], ids=" ".join)
def test_help_imports_nothing_heavy(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COVERAGE_PROCESS_CONFIG", raising=False)  # measured, the process would import some of them
    code = f"""
import sys
from bladeangle.cli.main import main
try:
    main({words!r})
except SystemExit as end:
    assert not end.code
print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)
"""
    assert python(code).stderr.strip() == "[]"


def test_the_groups_help_imports_no_command() -> None:
    code = """
import sys
from bladeangle.cli.main import main
try:
    main(["--help"])
except SystemExit:
    pass
print(sorted(name for name in sys.modules if name.startswith("bladeangle.cli.")), file=sys.stderr)
"""
    assert python(code).stderr.strip() == "['bladeangle.cli.main', 'bladeangle.cli.options']"


@pytest.mark.skipif(os.name == "nt", reason="processor time of children as POSIX has it")
def test_start_up_costs_a_few_bare_interpreters() -> None:
    """A ratio of processor times, which mean the same on a slow or busy machine: about 6; NumPy would make it 13."""
    import resource

    def cost(words: list[str]) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    pairs = [(cost(["-m", "bladeangle", "--help"]), cost(["-c", "pass"])) for _ in range(7)]
    assert min(ours for ours, _ in pairs) < 9 * min(bare for _, bare in pairs)


# --- exit codes ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", errors.BladeangleError.__subclasses__(), ids=lambda kind: kind.__name__)
def test_each_error_is_a_sentence_a_hint_and_its_code(
    monkeypatch: pytest.MonkeyPatch, kind: type[errors.BladeangleError]
) -> None:
    def body() -> None:
        raise kind("Nothing is seen.", "Look again.")

    outcome = ending(monkeypatch, body)
    assert outcome.exit_code == kind.exit_code
    assert outcome.stderr == "Error: Nothing is seen.\nLook again.\n"
    assert outcome.stdout == ""
    assert "Traceback (most recent call last)" in ending(monkeypatch, body, "--verbose").stderr


def test_exit_codes_are_the_documented_ones() -> None:
    codes = {error.__name__: error.exit_code for error in errors.BladeangleError.__subclasses__()}
    assert codes == {
        "UsageError": 2,
        "PhotoError": 3,
        "DefinitionError": 4,
        "RingNotFoundError": 5,
        "EdgesError": 6,
        "AdjustmentError": 7,
        "RecordError": 8,
        "OutputError": 9,
    }


def test_a_fault_of_ours_is_said_to_be_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def body() -> None:
        raise ZeroDivisionError("by\nzero")

    outcome = ending(monkeypatch, body)
    assert outcome.exit_code == 1
    assert outcome.stderr.startswith("Error: Internal error, not your mistake: ZeroDivisionError: by\\nzero.\n")
    assert "--verbose" in outcome.stderr
    assert "Traceback" not in outcome.stderr
    assert "Traceback (most recent call last)" in ending(monkeypatch, body, "--verbose").stderr


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (MemoryError(), 1, "not enough memory"),
        (EOFError(), 1, "Internal error"),
        (OSError(5, "broken", "some.file"), 1, "Internal error"),
        (KeyboardInterrupt(), 130, "Interrupted."),
        (click.UsageError("So not."), 2, "So not."),
    ],
    ids=lambda value: type(value).__name__,
)
def test_other_endings(monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int, words: str) -> None:
    def body() -> None:
        raise error

    outcome = ending(monkeypatch, body)
    assert outcome.exit_code == code
    assert words in outcome.stderr
    assert outcome.stdout == ""


@pytest.mark.parametrize("code", [0, errors.EXIT_NOT_CONFORMING, errors.EXIT_BATCH_PARTLY_FAILED])
def test_an_outcome_that_is_no_error(monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    def leave() -> None:
        click.get_current_context().exit(code)

    assert ending(monkeypatch, leave).exit_code == code
    assert ending(monkeypatch, lambda: sys.exit(code)).exit_code == code


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["mesure"], "Did you mean 'measure'?" if "measure" in NAMES else "no command"),
        (["xyzzy"], "There is no command 'xyzzy'."),
        (["tune", "--nonsense"], "No such option"),
        (["tune"], "Missing argument"),
    ],
)
def test_usage_errors(words: list[str], says: str) -> None:
    outcome = CliRunner().invoke(main, words)
    assert outcome.exit_code == 2
    assert says in outcome.stderr
    assert outcome.stdout == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_a_full_disk_behind_standard_output() -> None:
    with open("/dev/full", "w") as full:
        run = bladeangle("manual", stdout=full)
    assert run.returncode == 9
    assert run.stderr.startswith("Error: Standard output cannot be written: the disk is full.\n")


def test_a_reader_that_goes_away_ends_it_quietly() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        run = bladeangle("manual", stdout=writing)
    finally:
        os.close(writing)
    assert (run.returncode, run.stderr) == (9, "")


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_an_interrupt_from_outside() -> None:
    code = """
import click, time
from bladeangle.cli.main import CommandGroup, main
def body():
    click.echo("started", err=True)
    time.sleep(30)
CommandGroup.get_command = lambda *_: click.Command("boom", callback=body)
CommandGroup.list_commands = lambda *_: ["boom"]
main(["boom"])
"""
    with subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert process.stderr.readline() == "started\n"
        process.send_signal(signal.SIGINT)
        said = process.stderr.read()
    assert process.returncode == 130
    assert said.strip() == "Interrupted."


# --- colour, quiet, verbose, progress --------------------------------------------------------------------------------


@pytest.mark.parametrize(("no_color", "coloured"), [(None, True), ("", True), ("1", False)])
def test_no_color_is_honoured(monkeypatch: pytest.MonkeyPatch, no_color: str | None, coloured: bool) -> None:
    def body() -> None:
        raise errors.PhotoError("Nothing is seen.")

    outcome = ending(monkeypatch, body, env={"NO_COLOR": no_color}, color=True)
    assert ("\x1b[" in outcome.stderr) is coloured


@pytest.mark.parametrize(
    ("words", "said"), [([], "note\n"), (["--quiet"], ""), (["--verbose"], "note\ndetail\n"), (["-q", "-v"], "")]
)
def test_quiet_and_verbose(monkeypatch: pytest.MonkeyPatch, words: list[str], said: str) -> None:
    def body() -> None:
        options.note("note")
        options.detail("detail")

    outcome = ending(monkeypatch, body, *words)
    assert (outcome.stderr, outcome.stdout) == (said, "")


@pytest.mark.parametrize(
    ("step_s", "terminal", "words", "shows"),
    [
        (0.5, False, [], False),
        (0.5, False, ["-v"], True),
        (0.5, True, [], True),
        (0.5, True, ["-q"], False),
        (0.1, True, [], False),
    ],
)
def test_progress_shows_only_when_it_lasts(
    monkeypatch: pytest.MonkeyPatch, step_s: float, terminal: bool, words: list[str], shows: bool
) -> None:
    clock = [100.0]
    monkeypatch.setattr("bladeangle.cli.options.time.monotonic", lambda: clock[0])

    def body() -> None:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: terminal, raising=False)
        with options.progress("measuring", 10) as advance:
            for _ in range(10):
                clock[0] += step_s
                advance()

    outcome = ending(monkeypatch, body, *words)
    assert outcome.exit_code == 0
    assert outcome.stdout == ""
    assert ("measuring: 4 of 10, 3 s left" in outcome.stderr) is shows
    assert bool(outcome.stderr) is shows
    if shows and terminal:
        # The line is cleared at the end, so that nothing of it stays behind.
        assert outcome.stderr.endswith(" \r")


def test_lengths_in_inches_on_request() -> None:
    assert lengths.length_text(155.0, inches=False) == "155.00 mm"
    assert lengths.length_text(25.4, inches=True) == "1.000 in"
    assert lengths.interval_text(155.0, 0.3, inches=False, decimals=1) == "155.0 ± 0.3 mm"
    assert lengths.interval_text(50.8, 2.54, inches=True, decimals=1) == "2.00 ± 0.10 in"


@pytest.mark.parametrize("value", ["0", "-1", "nan", "inf", "many", "1e400"])
def test_numbers_of_options_must_be_positive_and_finite(value: str) -> None:
    @click.command()
    @options.diameter_option
    def body(diameter_mm: float | None) -> None:
        pass

    assert CliRunner().invoke(body, ["--diameter", value]).exit_code == 2
    assert CliRunner().invoke(body, ["--diameter", "155.5"]).exit_code == 0


# --- settings, completion, manual ------------------------------------------------------------------------------------


@click.command()
@options.camera_option
@options.ring_option
@options.check_bar_option
@options.inches_option
@options.tolerance_option
@options.spread_option
def show(**values: Any) -> None:
    click.echo(json.dumps(values, default=str))


def test_options_take_their_defaults_from_the_settings(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    settings = tmp_path / "shop.toml"
    settings.write_text(
        'camera = "phone.json"\nring = "/rings/a4.json"\ncheck_bar_mm = 99.8\ninches = true\nspread_deg = 1\n'
    )
    monkeypatch.setattr(CommandGroup, "get_command", lambda *_: show)
    monkeypatch.setattr(CommandGroup, "list_commands", lambda *_: ["show"])
    outcome = CliRunner().invoke(main, ["--config", str(settings), "show", "--check-bar", "100.1"])
    assert outcome.exit_code == 0, outcome.stderr
    assert json.loads(outcome.stdout) == {
        "camera": str(tmp_path / "phone.json"),
        "ring": "/rings/a4.json",
        "check_bar_mm": 100.1,
        "inches": True,
        "tolerance": 0.5,
        "spread": 1.0,
    }
    outcome = CliRunner().invoke(main, ["show"])
    assert outcome.exit_code == 2
    assert "--ring" in outcome.stderr


def test_the_config_command(tmp_path: Path) -> None:
    settings = tmp_path / "shop.toml"
    example = CliRunner().invoke(main, ["config", "--example"])
    settings.write_text(example.stdout.replace("# ring =", "ring ="))
    outcome = CliRunner().invoke(main, ["config"], env={"BLADEANGLE_CONFIG": str(settings)})
    assert outcome.exit_code == 0
    assert f"ring: {tmp_path / 'ring.json'}\n" in outcome.stdout
    assert "camera: not set" in outcome.stdout
    outcome = CliRunner().invoke(main, ["--config", str(tmp_path / "none.toml"), "config", "--json"])
    assert outcome.exit_code == 4


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts(shell: str) -> None:
    outcome = CliRunner().invoke(main, ["completion", shell])
    assert outcome.exit_code == 0
    assert f"_BLADEANGLE_COMPLETE={shell}_complete" in outcome.stdout


def test_completion_completes() -> None:
    def completed(words: str, position: int) -> list[str]:
        more = {"_BLADEANGLE_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(position)}
        return [line.split(",")[1] for line in bladeangle(env=os.environ | more).stdout.splitlines()]

    assert "tune" in completed("bladeangle tu", 1)
    assert "slow-off-idle" in completed("bladeangle tune --noticed slow", 3)


def test_the_manual_page_has_every_command_and_option() -> None:
    outcome = CliRunner().invoke(main, ["manual"])
    assert outcome.exit_code == 0
    page = outcome.stdout.replace("\\-", "-")
    assert page.startswith(".TH BLADEANGLE 1 ")
    for name in NAMES:
        assert re.search(rf"^\.SS bladeangle {name}\b", page, re.MULTILINE)
    assert r"\fB-q, --quiet\fR" in page
    # Every line that starts with a dot is a macro that we mean.
    assert set(re.findall(r"^[.'](\w*)", page, re.MULTILINE)) <= {"TH", "SH", "SS", "PP", "TP", "nf", "fi"}


def test_the_module_runs_as_the_console_script_does() -> None:
    assert bladeangle("--version").stdout == f"bladeangle {__version__}\n"


def test_a_missing_ring_says_where_it_can_be_named() -> None:
    run = CliRunner().invoke(main, ["measure", "inlet.jpg"])
    assert run.exit_code == 2
    assert "Missing option '--ring'" in run.output and "as ring in the settings" in run.output


def test_doubts_and_notes_are_told_apart() -> None:
    flags = [
        Flag("edge-nick", "Left out.", None, 1, "exit"),
        Flag("blur", "Not sharp.", "inlet.jpg"),
        Flag("edge-nick", "Left out.", None, 2, "exit"),
    ]
    doubt, note = together(flags)
    assert doubt == Remark("blur", "Not sharp.", "doubt", REGISTRY["blur"].remedy, ("photograph inlet.jpg",))
    assert note.severity == "note" and note.places == ("blade 1, exit", "blade 2, exit")


def test_quiet_hides_notes_and_no_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    flags = [Flag("edge-nick", "Left out."), Flag("blur", "Not sharp.")]

    def body() -> None:
        options.say_flags(flags, "doubt", "note")

    assert ending(monkeypatch, body).stderr.count("\n") == 2
    assert ending(monkeypatch, body, "-q").stderr == f"Doubt: Not sharp. {REGISTRY['blur'].remedy}\n"


@pytest.mark.parametrize(("given", "expected"), [(None, "1"), ("3", "3")])
def test_linear_algebra_has_one_thread_unless_told_otherwise(given: str | None, expected: str) -> None:
    env = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    if given is not None:
        env["OPENBLAS_NUM_THREADS"] = given
    code = "import sys, os, bladeangle.cli.main; print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.split() == [expected, "False"]


@pytest.mark.parametrize(
    ("text", "number"), [("0,5", 0.5), ("-1", -1.0), ("+0.5", 0.5), ("12,", 12.0), ("1.000,5", None), ("1,2,3", None)]
)
def test_numbers_with_decimal_commas(text: str, number: float | None) -> None:
    if number is None:
        with pytest.raises(ValueError, match=re.escape(text)):
            options.number_of(text)
    else:
        assert options.number_of(text) == number


def test_help_of_a_command() -> None:
    named = CliRunner().invoke(main, ["help", "measure"])
    assert named.exit_code == 0 and named.stdout == CliRunner().invoke(main, ["measure", "--help"]).stdout
    assert CliRunner().invoke(main, ["help"]).stdout == CliRunner().invoke(main, ["--help"]).stdout
    wrong = CliRunner().invoke(main, ["help", "mesure"])
    assert wrong.exit_code == 2 and "Did you mean 'measure'?" in wrong.stderr


def test_the_settings_can_be_named_before_or_after_the_command(tmp_path: Path) -> None:
    settings = tmp_path / "shop.toml"
    settings.write_text("tolerance_deg = 0.25\n")
    for words in (["--config", str(settings), "config"], ["config", "--config", str(settings)]):
        shown = CliRunner().invoke(main, words)
        assert shown.exit_code == 0 and "tolerance_deg: 0.25" in shown.stdout


def test_what_is_replaced_is_said_and_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    out = tmp_path / "record.json"

    def body() -> None:
        before = options.keep_old(out)
        out.write_text("new")
        options.wrote(out, before)

    assert ending(monkeypatch, body).stderr == f"Wrote {out}.\n"
    out.write_text("old")
    assert ending(monkeypatch, body).stderr == f"Replaced {out}; the one before is now {out}~.\n"
    assert ((tmp_path / "record.json~").read_text(), out.read_text()) == ("old", "new")
