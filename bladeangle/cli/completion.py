"""`bladeangle completion`: the script that teaches a shell to complete commands and options."""

from __future__ import annotations

import click


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def completion(ctx: click.Context, shell: str) -> None:
    """Print the completion script for a shell.

    \b
    Examples:
      bladeangle completion bash > ~/.local/share/bash-completion/completions/bladeangle
      bladeangle completion zsh > ~/.zfunc/_bladeangle
      bladeangle completion fish > ~/.config/fish/completions/bladeangle.fish
    """
    from click.shell_completion import get_completion_class

    script = get_completion_class(shell)
    assert script is not None
    click.echo(script(ctx.find_root().command, {}, "bladeangle", "_BLADEANGLE_COMPLETE").source())
