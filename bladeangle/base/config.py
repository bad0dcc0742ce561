"""The shop's settings: TOML file <-> `Config`.

The file saves typing what is the same for every rotor of a shop: the phone's camera file, the ring, the measured check
bar and the usual tolerances. Options on the command line win over it. Paths in it are relative to the file.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from bladeangle.base import inputs
from bladeangle.base.structure import File, Misfit, read_as

ENVIRONMENT_VARIABLE = "BLADEANGLE_CONFIG"

#: A settings file to start from.
EXAMPLE = """\
# Settings of the shop for bladeangle. Options on the command line win over these; paths are relative to this file.

# camera = "phone.json"        # made by `bladeangle calibrate`
# ring = "ring.json"           # made by `bladeangle ring`
# check_bar_mm = 100.0         # measured length of the printed check bar
# tips = "any"                 # or "new", where every rotor measured has new or freshly turned tips
# bore_mm = 156.0              # diameter of the housing's bore
# inches = false               # show lengths in inches; files stay in mm
# tolerance_deg = 0.5          # of every angle in a new order, plus or minus
# spread_deg = 0.5             # largest minus smallest angle over the blades in a new order
"""


@dataclass(frozen=True)
class Config:
    """The settings; every field may be left out of the file.

    camera, ring : paths of the definition files, made absolute.
    check_bar_mm : measured length of the printed check bar.
    tips : "any" as rotors come in, or "new"; bore_mm : diameter of the housing's bore.
    inches : lengths are shown in inches.
    tolerance_deg : of every angle in a new order, plus or minus.
    spread_deg : largest minus smallest angle over the blades in a new order.
    source : the file read, None when there is none.
    """

    camera: Path | None = None
    ring: Path | None = None
    check_bar_mm: float | None = None
    tips: str = "any"
    bore_mm: float | None = None
    inches: bool = False
    tolerance_deg: float | None = None
    spread_deg: float | None = None
    source: Path | None = None


_FileName = Annotated[str, msgspec.Meta(pattern="^[^\0]+\\Z", description="must be the name of a file")]
_Length = Annotated[float, msgspec.Meta(gt=0, le=1000)]
_Tolerance = Annotated[float, msgspec.Meta(gt=0, le=20)]
_Tips = Annotated[Literal["any", "new"], msgspec.Meta(description='must be "any" or "new"')]


class ConfigFile(File, frozen=True):
    """The content of a settings file; above the limits is no length of a bar, no tolerance of an angle."""

    camera: _FileName | None = None
    ring: _FileName | None = None
    check_bar_mm: _Length | None = None
    tips: _Tips = "any"
    bore_mm: _Length | None = None
    inches: bool = False
    tolerance_deg: _Tolerance | None = None
    spread_deg: _Tolerance | None = None


def config_path(explicit: str | os.PathLike[str] | None = None, environ: Mapping[str, str] = os.environ) -> Path | None:
    """The settings file to read, None when there is none.

    `explicit` wins over the environment's `BLADEANGLE_CONFIG` (empty: no file), and that over `bladeangle/config.toml`
    in the user's configuration folder (XDG Base Directory Specification 0.8: `XDG_CONFIG_HOME`, ignored unless
    absolute, else `~/.config`). Only the last may be absent.
    """
    if explicit is not None:
        return Path(explicit)
    if (named := environ.get(ENVIRONMENT_VARIABLE)) is not None:
        return Path(named) if named else None
    usual = usual_path(environ)
    return usual if usual is not None and usual.is_file() else None


def usual_path(environ: Mapping[str, str] = os.environ) -> Path | None:
    """Where the settings file lives unless told otherwise, existing or not; None when the user has no home folder."""
    folder = environ.get("XDG_CONFIG_HOME", "")
    if os.path.isabs(folder):
        return Path(folder) / "bladeangle" / "config.toml"
    home = os.path.expanduser("~")
    return Path(home) / ".config" / "bladeangle" / "config.toml" if home != "~" else None


def read_config(path: Path) -> Config:
    """Read a settings file.

    Raises
    ------
    DefinitionError : missing, unreadable, too large, not TOML, unknown keys, or values of the wrong kind.
    """
    name = inputs.shown_as(path, inputs.SETTINGS)
    try:
        file = read_as(inputs.read_toml(path, inputs.SETTINGS), ConfigFile)
    except Misfit as misfit:
        raise misfit.in_toml(name, inputs.SETTINGS.hint) from misfit

    def absolute(text: str | None) -> Path | None:
        # as the shell does, an unknown user's ~ is left as it stands
        return None if text is None else Path(os.path.abspath(path.parent / os.path.expanduser(text)))

    given = msgspec.structs.asdict(file) | {"camera": absolute(file.camera), "ring": absolute(file.ring)}
    return Config(**given, source=path)


def load_config(explicit: str | os.PathLike[str] | None = None, environ: Mapping[str, str] = os.environ) -> Config:
    """The settings in force: of the file that `config_path` names, or empty ones; DefinitionError as `read_config`."""
    path = config_path(explicit, environ)
    return Config() if path is None else read_config(path)
