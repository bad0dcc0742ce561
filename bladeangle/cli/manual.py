"""`bladeangle manual`: the manual page, made from the commands' own help so that it cannot differ from it."""

from __future__ import annotations

from collections.abc import Iterator

import click


@click.command()
@click.pass_context
def manual(ctx: click.Context) -> None:
    """Print the manual page in the format of man(7).

    \b
    Examples:
      bladeangle manual | man -l -
      bladeangle manual > ~/.local/share/man/man1/bladeangle.1
    """
    click.echo("\n".join(_page(ctx.find_root())))


def _page(root: click.Context) -> Iterator[str]:
    from bladeangle import __version__

    group = root.command
    assert isinstance(group, click.Group)
    yield f'.TH BLADEANGLE 1 "" "bladeangle {__version__}" "User Commands"'
    yield from (".SH NAME", r"bladeangle \- blade angles of small jet\-pump impellers from photographs")
    yield from (".SH SYNOPSIS", _plain(" ".join(["bladeangle", *group.collect_usage_pieces(root)])))
    yield ".SH DESCRIPTION"
    yield from _prose(group.help)
    yield ".SH OPTIONS"
    yield from _options(root)
    yield ".SH COMMANDS"
    for name in group.list_commands(root):
        command = group.get_command(root, name)
        assert command is not None
        with command.make_context(name, [], parent=root, resilient_parsing=True) as ctx:
            yield f".SS {_plain(' '.join(['bladeangle', name, *command.collect_usage_pieces(ctx)]))}"
            yield from _prose(command.help)
            yield from _options(ctx)


def _options(ctx: click.Context) -> Iterator[str]:
    """The options as a tagged list."""
    for parameter in ctx.command.get_params(ctx):
        entry = parameter.get_help_record(ctx)
        if entry is not None:
            yield from (".TP", rf"\fB{_plain(entry[0])}\fR", _plain(entry[1]))


def _prose(text: str | None) -> Iterator[str]:
    """Help text in paragraphs; those that click is told to leave as they are (a leading backspace) stay so here."""
    import inspect

    for paragraph in inspect.cleandoc(text or "").split("\n\n"):
        as_is = paragraph.startswith("\b")
        yield ".PP"
        if as_is:
            yield ".nf"
        yield from (_plain(line) for line in paragraph.lstrip("\b\n").splitlines())
        if as_is:
            yield ".fi"


def _plain(text: str) -> str:
    """Text with the characters that mean something to man(7) made harmless."""
    text = text.replace("\\", r"\e").replace("-", r"\-")
    return r"\&" + text if text.startswith((".", "'")) else text
