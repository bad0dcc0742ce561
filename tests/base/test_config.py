"""The settings file: where it is looked for, what it may hold, and what is refused."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from bladeangle.base.config import EXAMPLE, Config, config_path, load_config, read_config, usual_path
from bladeangle.base.errors import DefinitionError


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "shop.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_everything_at_once(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        'camera = "cameras/phone.json"\nring = "../ring.json"\ncheck_bar_mm = 100\ninches = true\n'
        "tolerance_deg = 0.4\nspread_deg = 0.6\n",
    )
    assert read_config(path) == Config(
        camera=tmp_path / "cameras" / "phone.json",
        ring=tmp_path.parent / "ring.json",
        check_bar_mm=100.0,
        inches=True,
        tolerance_deg=0.4,
        spread_deg=0.6,
        source=path,
    )


def test_the_example_is_valid_and_names_every_setting(tmp_path: Path) -> None:
    assert read_config(write(tmp_path, EXAMPLE)) == Config(source=tmp_path / "shop.toml")
    lines = [line.removeprefix("# ") if " = " in line else line for line in EXAMPLE.splitlines()]
    config = read_config(write(tmp_path, "\n".join(lines)))
    assert all(getattr(config, field.name) is not None for field in fields(Config))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("colour = 'red'", "unknown key 'colour'"),
        ("[camera]\nname = 'x'", "camera must be the name of a file"),
        ("camera = ''", "camera must be"),
        ('ring = "a\\u0000b"', "ring must be"),
        ("check_bar_mm = 0", "check_bar_mm must be a number above 0"),
        ("check_bar_mm = nan", "check_bar_mm must be"),
        ("check_bar_mm = 1" + 400 * "0", "check_bar_mm must be"),
        ("tolerance_deg = inf", "tolerance_deg must be"),
        ("spread_deg = true", "spread_deg must be"),
        ("spread_deg = '1'", "spread_deg must be"),
        ("inches = 1", "inches must be true or false"),
        ("camera", "not valid TOML"),
        (b"\xff\xfe", "not a text in UTF-8"),
        ("a=" + "[" * 50_000, "not valid TOML"),
        ("#" * 200_000, "larger than"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(DefinitionError, match=says):
        read_config(write(tmp_path, text))


def test_what_is_said_of_tips_and_bore(tmp_path: Path) -> None:
    config = read_config(write(tmp_path, 'tips = "new"\nbore_mm = 158.5'))
    assert (config.tips, config.bore_mm) == ("new", 158.5)
    assert (Config().tips, Config().bore_mm) == ("any", None)
    for text, says in (('tips = "worn"', 'tips must be "any" or "new"'), ("bore_mm = -1", "bore_mm must be a number")):
        with pytest.raises(DefinitionError, match=says):
            read_config(write(tmp_path, text))


def test_the_folder_of_an_unknown_user_is_a_name_like_others(tmp_path: Path) -> None:
    config = read_config(write(tmp_path, 'ring = "~nobody-here/ring.json"'))
    assert config.ring == tmp_path / "~nobody-here" / "ring.json"


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(DefinitionError, match="cannot be read"):
            read_config(path)


def test_where_it_is_looked_for(tmp_path: Path) -> None:
    usual = tmp_path / "bladeangle" / "config.toml"
    environ = {"XDG_CONFIG_HOME": str(tmp_path)}
    assert config_path(None, environ) is None
    assert load_config(None, environ) == Config()
    usual.parent.mkdir()
    usual.write_text("inches = true")
    assert config_path(None, environ) == usual
    assert load_config(None, environ).inches
    assert config_path(None, environ | {"BLADEANGLE_CONFIG": "/shop.toml"}) == Path("/shop.toml")
    assert config_path(None, environ | {"BLADEANGLE_CONFIG": ""}) is None
    assert config_path("mine.toml", environ | {"BLADEANGLE_CONFIG": "/shop.toml"}) == Path("mine.toml")
    # The base directory specification: a path that is not absolute is ignored.
    assert usual_path({"XDG_CONFIG_HOME": "relative"}) == usual_path({})
