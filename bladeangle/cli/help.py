"""`bladeangle help`: the help of a command, as `bladeangle COMMAND --help` shows it."""

from __future__ import annotations

import click


@click.command("help")
@click.argument("name", required=False, metavar="[COMMAND]")
@click.pass_context
def help(ctx: click.Context, name: str | None) -> None:  # noqa: A001 - the command's name
    """Show the help of a command, or of the program.

    \b
    Examples:
      bladeangle help
      bladeangle help measure
    """
    root = ctx.find_root()
    assert isinstance(root.command, click.Group)
    if name is None:
        click.echo(root.get_help(), color=root.color)
        return
    _, command, _ = root.command.resolve_command(root, [name])
    if command is None:
        raise click.UsageError(f"There is no command {name!r}.", ctx)
    with command.make_context(name, [], parent=root, resilient_parsing=True) as inner:
        click.echo(command.get_help(inner), color=root.color)
