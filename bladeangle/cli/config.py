"""`bladeangle config`: the settings in force, or a settings file to start from."""

from __future__ import annotations

import click

from bladeangle.cli.options import config_option, json_option, session


@click.command()
@click.option("--example", is_flag=True, help="Print a settings file to start from.")
@json_option
@config_option
def config(example: bool, as_json: bool) -> None:
    """Show the shop's settings and the file that they come from.

    \b
    Examples:
      bladeangle config
      bladeangle config --example > ~/.config/bladeangle/config.toml
    """
    import json
    from dataclasses import asdict

    from bladeangle.base.config import EXAMPLE, usual_path
    from bladeangle.base.files import safe_name

    if example:
        click.echo(EXAMPLE, nl=False)
        return
    settings = session().config
    values = asdict(settings)
    if as_json:
        click.echo(json.dumps(values, indent=1, default=str))
        return
    source = values.pop("source")
    usual = usual_path()
    click.echo(f"Settings file: {safe_name(source)}" if source else f"No settings file ({usual and safe_name(usual)}).")
    for key, value in values.items():
        click.echo(f"{key}: {'not set' if value is None else safe_name(str(value))}")
