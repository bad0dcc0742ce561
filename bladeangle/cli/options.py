"""Options and habits that the commands share.

Option decorators give a command these parameters: `camera_option` -> `camera: Path | None`, `ring_option` ->
`ring: Path`, `check_bar_option` -> `check_bar_mm: float | None`, `diameter_option`, `diameter_leading_option`,
`diameter_trailing_option` and `bore_option` -> `diameter_mm: float | None` and so on, `tips_option` -> `tips: str`,
`inches_option` -> `inches: bool`, `paper_option` -> `paper: str`, `json_option` -> `as_json: bool`,
`tolerance_option` -> `tolerance: float`, `spread_option` -> `spread: float | None`. `quiet_option` and
`verbose_option` give none: they are read by `note`, `detail` and `progress`, which write to standard error. Defaults
come from the settings file.
"""

from __future__ import annotations

import contextlib
import math
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bladeangle.base.config import Config
    from bladeangle.base.flags import Flagged

#: Work that ends sooner shows no progress.
PROGRESS_AFTER_S = 2.0
#: Between these lies every length in mm, angle in degrees and time in seconds that is asked for.
LEAST_NUMBER, MOST_NUMBER = 1e-6, 1e6


@dataclass
class Session:
    """What holds for one run of the command line: how much it says, and the settings file once it is read."""

    quiet: bool = False
    verbose: bool = False
    config_path: str | None = None
    _config: Config | None = None

    def use(self, path: str) -> None:
        """Take the settings from this file."""
        self.config_path, self._config = path, None

    @property
    def config(self) -> Config:
        """The settings, read when first asked for; DefinitionError as `config.read_config`."""
        if self._config is None:
            from bladeangle.base.config import load_config

            self._config = load_config(self.config_path)
        return self._config


def session() -> Session:
    """The session of the command that runs."""
    return click.get_current_context().ensure_object(Session)


def _from_config(key: str) -> Callable[[], Any]:
    """A default that is looked up in the settings file when the option is not given."""
    return lambda: getattr(session().config, key)


def number_of(text: str) -> float:
    """A number with a decimal point or a decimal comma; ValueError when it is none, or not finite."""
    if "," in text and ("." in text or text.count(",") > 1):
        raise ValueError(text)
    number = float(text.replace(",", "."))
    if not math.isfinite(number):
        raise ValueError(text)
    return number


class Number(click.ParamType):  # type: ignore[type-arg]  # not generic in older versions of click
    """A number from `low` to `high`, or between them where `open_` says so; decimal point or comma, never "nan"."""

    name = "number"

    def __init__(self, low: float = -math.inf, high: float = math.inf, *, open_: bool = False) -> None:
        self.low, self.high, self.open = low, high, open_

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; click's usage error when it is none."""
        try:
            number = number_of(value) if isinstance(value, str) else float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number.", param, ctx)
        inside = self.low < number < self.high if self.open else self.low <= number <= self.high
        if not inside:
            words = "between {:g} and {:g}" if self.open else "from {:g} to {:g}"
            self.fail(f"{value} is not a number {words.format(self.low, self.high)}.", param, ctx)
        return number


class PositiveNumber(Number):
    """A number above 0 that a length, an angle or a time may be."""

    def __init__(self) -> None:
        super().__init__(LEAST_NUMBER, MOST_NUMBER)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; click's usage error when it is none."""
        with contextlib.suppress(ValueError):
            if number_of(str(value)) <= 0:
                self.fail(f"{value} is not a number above 0.", param, ctx)
        return super().convert(value, param, ctx)


def short_name(_: click.Context, param: click.Parameter, value: str | None) -> str | None:
    """Refuse a name that no record can hold, before any work is done."""
    from bladeangle.base.inputs import NAME_LETTERS

    if value is not None and len(value) > NAME_LETTERS:
        raise click.BadParameter(f"a name has at most {NAME_LETTERS} letters.", param=param)
    return value


camera_option = click.option(
    "--camera",
    type=click.Path(path_type=Path),
    metavar="FILE",
    default=_from_config("camera"),
    show_default="from the settings, else the photograph's own data with a wide uncertainty",
    help="Camera file made by `bladeangle calibrate`.",
)


def _needed(ctx: click.Context, param: click.Parameter, value: Any) -> Any:
    """Refuse None: click takes a default that turns out to be None for a value."""
    if value is None and not ctx.params.get("again"):
        words = f"Give its file, or name it as {param.name} in the settings; `bladeangle config --example` shows how."
        raise click.MissingParameter(words, ctx=ctx, param=param)
    return value


ring_option = click.option(
    "--ring",
    type=click.Path(path_type=Path),
    metavar="FILE",
    default=_from_config("ring"),
    callback=_needed,
    show_default="from the settings; needed there or here",
    help="Ring definition, made by `bladeangle ring` or elsewhere.",
)

check_bar_option = click.option(
    "--check-bar",
    "check_bar_mm",
    type=PositiveNumber(),
    metavar="MM",
    default=_from_config("check_bar_mm"),
    show_default="from the settings",
    help="Length of the printed check bar, measured with calipers; corrects for the print's scale.",
)

diameter_option = click.option(
    "--diameter",
    "diameter_mm",
    type=PositiveNumber(),
    metavar="MM",
    help="Diameter over the blade tips, measured with calipers in the middle of their length.",
)


tips_option = click.option(
    "--tips",
    type=click.Choice(["any", "new"]),
    default=_from_config("tips"),
    show_default="from the settings, else any",
    help="What is known of the tips: new or freshly turned, or any, worn ones among them.",
)

bore_option = click.option(
    "--bore",
    "bore_mm",
    type=PositiveNumber(),
    metavar="MM",
    default=_from_config("bore_mm"),
    show_default="from the settings",
    help="Diameter of the housing's bore; the clearance of the tips in it is told.",
)

diameter_leading_option = click.option(
    "--diameter-leading",
    "diameter_leading_mm",
    type=PositiveNumber(),
    metavar="MM",
    help="Diameter over the tips, measured with calipers 3 mm from their leading ends.",
)

diameter_trailing_option = click.option(
    "--diameter-trailing",
    "diameter_trailing_mm",
    type=PositiveNumber(),
    metavar="MM",
    help="The same 3 mm from their trailing ends.",
)

station_length_option = click.option(
    "--station-length",
    "length_mm",
    type=Number(5, 200),
    default=32.0,
    show_default=True,
    metavar="MM",
    help="Length of the entry and exit stations along the tip.",
)

station_skip_option = click.option(
    "--station-skip",
    "skip_mm",
    type=Number(0, 20),
    default=2.0,
    show_default=True,
    metavar="MM",
    help="Rounded edge left out at either end.",
)

inches_option = click.option(
    "--inches/--mm",
    "inches",
    default=_from_config("inches"),
    show_default="from the settings, else mm",
    help="Show lengths in inches; files stay in mm.",
)

paper_option = click.option(
    "--paper",
    type=click.Choice(["a4", "letter"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper of a page written as .pdf or .png.",
)

tolerance_option = click.option(
    "--tolerance",
    type=PositiveNumber(),
    metavar="DEG",
    default=lambda: session().config.tolerance_deg or 0.5,
    show_default="from the settings, else 0.5",
    help="Tolerance of every angle, plus or minus.",
)

spread_option = click.option(
    "--spread",
    type=PositiveNumber(),
    metavar="DEG",
    default=_from_config("spread_deg"),
    show_default="from the settings, else the tolerance",
    help="Largest difference allowed between blades.",
)

despite_option = click.option(
    "--despite",
    multiple=True,
    metavar="DOUBT",
    help="A doubt, by its code, that you have looked at and accept. Repeat it for each.",
)

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON to standard output instead of text.")


def _remember(name: str) -> Callable[[click.Context, click.Parameter, bool], None]:
    def callback(ctx: click.Context, _: click.Parameter, value: bool) -> None:
        if value:
            setattr(ctx.ensure_object(Session), name, True)

    return callback


quiet_option = click.option(
    "-q",
    "--quiet",
    is_flag=True,
    expose_value=False,
    callback=_remember("quiet"),
    help="Say nothing but results, doubts and errors.",
)
_verbose_option = click.option(
    "-v", "--verbose", is_flag=True, expose_value=False, callback=_remember("verbose"), help="Say more while working."
)


def _set_config(ctx: click.Context, _: click.Parameter, value: str | None) -> None:
    if value is not None:
        ctx.ensure_object(Session).use(value)


#: Before the command or after it; read before the options that take their defaults from it.
config_option = click.option(
    "--config",
    type=click.Path(),
    metavar="FILE",
    expose_value=False,
    is_eager=True,
    callback=_set_config,
    help="Settings file.  [default: $BLADEANGLE_CONFIG, or bladeangle/config.toml in the user's configuration folder]",
)


def verbose_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """--verbose and --config, which every command takes."""
    return config_option(_verbose_option(command))


def note(message: str) -> None:
    """Tell the user something on standard error, unless --quiet."""
    if not session().quiet:
        click.echo(message, err=True)


def say_flags(flags: Sequence[Flagged], *severities: str) -> None:
    """Tell the flags of a record on standard error: doubts always, notes unless --quiet."""
    from bladeangle.base.flags import flag_line, together

    for remark in together(flags):
        if remark.severity in severities:
            (warn if remark.severity == "doubt" else note)(flag_line(remark))


def doubts_coloured(text: str) -> str:
    """Text with the word "Doubt:" at the start of a line made to stand out; click leaves colour out of files."""
    loud = click.style("Doubt:", fg="yellow", bold=True)
    return "\n".join(loud + line[6:] if line.startswith("Doubt:") else line for line in text.split("\n"))


def warn(message: str) -> None:
    """Tell the user something on standard error that --quiet does not hide."""
    click.echo(doubts_coloured(message), err=True, color=colour())


def colour() -> bool | None:
    """False when the environment asks for no colour (https://no-color.org); None leaves it to click."""
    return False if os.environ.get("NO_COLOR") else None


def detail(message: str) -> None:
    """Tell the user something on standard error, with --verbose only."""
    if session().verbose and not session().quiet:
        click.echo(message, err=True)


@contextlib.contextmanager
def progress(label: str, total: int) -> Iterator[Callable[[], None]]:
    """Progress of `total` steps on standard error; call what it yields after each step.

    Nothing shows before `PROGRESS_AFTER_S`, with --quiet, or when standard error is not a terminal, unless --verbose.
    On a terminal one line is rewritten and cleared at the end; elsewhere lines follow each other.
    """
    now = session()
    terminal = sys.stderr.isatty()
    shows = not now.quiet and (terminal or now.verbose)
    start = shown = time.monotonic()
    pause_s = 0.1 if terminal else PROGRESS_AFTER_S
    done = width = 0

    def advance() -> None:
        nonlocal done, shown, width
        done += 1
        time_s = time.monotonic()
        if not shows or time_s - start < PROGRESS_AFTER_S or time_s - shown < pause_s:
            return
        shown = time_s
        left_s = (time_s - start) / done * max(total - done, 0)
        text = f"{label}: {done} of {total}, {_duration(left_s)} left"
        click.echo(f"\r{text.ljust(width)}" if terminal else text, nl=not terminal, err=True)
        width = len(text)

    try:
        yield advance
    finally:
        if terminal and width:
            click.echo("\r" + " " * width + "\r", nl=False, err=True)


def _duration(seconds: float) -> str:
    """A duration in the unit that people would use."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def wrote(path: Path, replaced: bool | Path | None = None) -> None:
    """Say that a file was written; `replaced` when there was one of its name, or the path that it is kept at."""
    from bladeangle.base.files import safe_name

    kept = f"; the one before is now {safe_name(replaced)}" if isinstance(replaced, Path) else ""
    note(f"{'Replaced' if replaced else 'Wrote'} {safe_name(path)}{kept}.")


def keep_old(path: Path) -> Path | None:
    """Copy a file that is about to be replaced to its name with ~ added, where the copy is; None when there is none.

    For what cannot be made again from something else: records, camera files, orders. OutputError when it cannot be
    copied. A link, or anything else that is no plain file, is left to the writer.
    """
    from bladeangle.base.files import write_bytes_atomic

    if not path.is_file() or path.is_symlink():
        return None
    kept = path.with_name(path.name + "~")
    try:
        old = path.read_bytes()
    except OSError:
        return None  # whoever cannot read it may still be allowed to replace it
    write_bytes_atomic(kept, old)
    return kept
