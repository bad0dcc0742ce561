"""The command group: finds commands when they are used, and turns every way to end into a sentence and an exit code.

Start-up is kept short: `--help` and `--version` import no command at all, and a command's own module imports only click
and the shared options until its body runs.
"""

from __future__ import annotations

import errno
import importlib
import importlib.util
import os
import sys
from collections.abc import Sequence
from typing import Any

import click

from bladeangle import __version__
from bladeangle.base import clock
from bladeangle.base.errors import EXIT_INTERRUPTED, BladeangleError, OutputError
from bladeangle.base.files import THREAD_VARIABLES
from bladeangle.cli.options import Session, colour, quiet_option, verbose_option

# Before NumPy is imported: matrices are small here, and threads of a linear algebra library would mostly wait for each
# other, on a busy machine ten times as long as the work itself takes. Whoever has set them is not overruled.
for _name in THREAD_VARIABLES:
    os.environ.setdefault(_name, "1")

#: Least address space that a command is begun in. Little of it is ever used; a pair of photographs takes 200 MB.
LEAST_MEMORY_MB = 1500
#: Every command in the order in which a rotor meets them, with the line that `--help` shows. The command `name` is the
#: object `name` of the module `bladeangle.cli.name`.
COMMANDS = {
    "ring": "Make the printed ring for a rotor's size.",
    "plan": "Plan the shot: camera places and the uncertainty to expect.",
    "calibrate": "Calibrate a phone from photographs of the bare ring.",
    "check": "Look at a photograph just taken: take it again or go on.",
    "phone": "Photograph with a phone, without a cable.",
    "measure": "Measure a rotor's blade angles from photographs.",
    "correct": "Correct edges that were followed wrongly.",
    "report": "Make a report of a rotor or a shelf.",
    "order": "Write an order for a re-pitch.",
    "verify": "Judge a record against its order.",
    "tune": "Advise what to change, from what the driver noticed.",
    "batch": "Measure a shelf of rotors.",
    "inventory": "Search the shelf's inventory.",
    "export": "Write a record for other programs.",
    "config": "Show the shop's settings, or start a settings file.",
    "help": "Show the help of a command.",
    "completion": "Print the shell completion script.",
    "manual": "Print the manual page.",
}


class CommandGroup(click.Group):
    """A group whose commands are imported when used, and whose errors end with the project's exit codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the commands whose module is installed, in the order of `COMMANDS`."""
        return [name for name in COMMANDS if importlib.util.find_spec(f"bladeangle.cli.{name}") is not None]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, imported now; None when there is none of that name."""
        if cmd_name not in self.list_commands(ctx):
            return None
        command = getattr(importlib.import_module(f"bladeangle.cli.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click's, with a near name suggested for one that does not exist."""
        name = args[0]
        names = self.list_commands(ctx)
        if name in names or name.startswith("-"):
            return super().resolve_command(ctx, args)
        from difflib import get_close_matches

        near = get_close_matches(name, names, n=1)
        suggestion = f" Did you mean {near[0]!r}?" if near else ""
        raise click.UsageError(f"There is no command {name!r}.{suggestion}", ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands for `--help`, written without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name]) for name in self.list_commands(ctx)])

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command and see its output off; a reader that has gone (as `head` does) ends it quietly."""
        _insist_on_memory()
        clock.mend()
        if (doubt := clock.doubt()) and not (ctx.obj and ctx.obj.quiet):
            click.echo(doubt, err=True)
        try:
            result = super().invoke(ctx)
            sys.stdout.flush()
            return result
        except OSError as error:
            # Files are written through `files.atomic_path`, which has its own errors: these are standard output's.
            if error.filename is not None or error.errno not in (errno.EPIPE, errno.ENOSPC):
                raise
            # Whatever is still buffered must not fail again when the interpreter closes the stream.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            if error.errno == errno.EPIPE:
                ctx.exit(OutputError.exit_code)
            raise OutputError("Standard output cannot be written: the disk is full.", "Free some space.") from error

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = "bladeangle",
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the command line and leave with its exit code; with `standalone_mode` false, as click's."""
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        session = extra.setdefault("obj", Session())
        try:
            code = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except click.ClickException as error:
            error.show()
            code = error.exit_code
        except BladeangleError as error:
            if session.verbose:
                _show_traceback(error)
            _complain(error.message, error.hint)
            code = error.exit_code
        except click.Abort as abort:
            # Click makes an Abort of an interrupt, which is the user's, and of an EOFError, which is a fault.
            if isinstance(abort.__cause__, EOFError):
                code = _fault(abort.__cause__, session)
            else:
                click.echo("Interrupted.", err=True)
                code = EXIT_INTERRUPTED
        except KeyboardInterrupt:
            code = EXIT_INTERRUPTED
        except Exception as error:  # noqa: BLE001 - the last resort: a sentence instead of a traceback
            code = _fault(error, session)
        # A command that ends normally returns None; `ctx.exit(code)` arrives here as the code.
        sys.exit(code if isinstance(code, int) else 0)


def _insist_on_memory() -> None:
    """Refuse to begin where less memory may be addressed than the libraries need: they crash in ways of their own."""
    try:
        import resource
    except ImportError:  # not POSIX: no such limit
        return
    limit = resource.getrlimit(resource.RLIMIT_AS)[0]
    if limit != resource.RLIM_INFINITY and limit < LEAST_MEMORY_MB * 1_000_000:
        raise BladeangleError(
            f"This process may use {limit // 1_000_000} MB of memory; at least {LEAST_MEMORY_MB} MB are needed.",
            "Raise the limit (`ulimit -v`), or start it where there is none.",
        )


def _complain(message: str, hint: str) -> None:
    click.echo(click.style("Error:", fg="red", bold=True) + " " + message, err=True, color=colour())
    if hint:
        click.echo(hint, err=True)


def _fault(error: BaseException, session: Session) -> int:
    from bladeangle.base.files import safe_name

    if session.verbose:
        _show_traceback(error)
    what = f"{type(error).__name__}: {safe_name(str(error))}" if str(error) else type(error).__name__
    if isinstance(error, MemoryError):
        _complain("There is not enough memory for this.", "Close other programs, or use fewer or smaller photographs.")
    else:
        _complain(
            f"Internal error, not your mistake: {what}.",
            "" if session.verbose else "Run it again as `bladeangle --verbose ...` and report what it prints.",
        )
    return BladeangleError.exit_code


def _show_traceback(error: BaseException) -> None:
    import traceback

    click.echo("".join(traceback.format_exception(error)), err=True, nl=False)


@click.command(
    cls=CommandGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=True,
)
@click.version_option(__version__, "-V", "--version", prog_name="bladeangle", message="%(prog)s %(version)s")
@quiet_option
@verbose_option
@click.pass_context
def main(ctx: click.Context) -> None:
    """Blade angles of small jet-pump impellers from photographs on a printed ring.

    Print a ring, calibrate the phone once, photograph the rotor from above and turned over, and measure.

    \b
    Example:
      bladeangle measure inlet.jpg --turned outlet.jpg --camera phone.json --ring ring.json --out rotor.json

    A file that is there already is replaced only when it is empty or of the very kind that is written, and made by
    bladeangle; no command writes over a file that it reads, or twice to one.

    Every command has its own --help with an example. Exit codes: 0 done; 1 internal error; 2 usage; 3 photograph
    unreadable; 4 camera, ring or order file missing or wrong; 5 ring not found; 6 edges insufficient; 7 adjustment
    failed; 8 record invalid; 9 output refused; 10 measured, out of tolerance or undecided; 11 batch partly failed; 130
    interrupted.
    """
    ctx.color = colour()


#: The same group under the name that libraries built on click look for.
cli = main
