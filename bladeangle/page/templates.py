"""Names of files -> templates, styles and scripts of the pages."""

from __future__ import annotations

import base64
import hashlib
import json
import math
from pathlib import Path
from typing import Any

from markupsafe import Markup

from bladeangle.page.scene import angle_decimals

PAGE = Path(__file__).parent


def page_text(*names: str) -> Markup:
    """Our own style or script files, put together, as text that the template leaves as it is."""
    return Markup("\n".join((PAGE / name).read_text(encoding="utf-8") for name in names))


def page_script(*names: str, data: str = "") -> tuple[Markup, str]:
    """A script for the page and its hash for the content security policy; `data` is put before our own files."""
    script = Markup(data) + page_text(*names)
    digest = hashlib.sha256(script.encode("utf-8")).digest()
    return script, f"sha256-{base64.b64encode(digest).decode('ascii')}"


def page_template(name: str) -> Any:
    """A page template that escapes everything and fails on a missing name."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    env = Environment(
        loader=FileSystemLoader(PAGE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    env.filters.update(
        value=lambda q: f"{q.value:.{decimals(q.expanded_uncertainty)}f}",
        interval=lambda q: f"{q.expanded_uncertainty:.{decimals(q.expanded_uncertainty)}f}",
        angle=lambda s: f"{s.angle_deg:.{angle_decimals(s.expanded_uncertainty_deg)}f}",
        angle_interval=lambda s: f"{s.expanded_uncertainty_deg:.{angle_decimals(s.expanded_uncertainty_deg)}f}",
        plain=lambda v: v if isinstance(v, str) else "not given" if v is None else json.dumps(v).replace('"', ""),
        code=code,
        small=lambda v: "not known" if v is None else f"{v:.3f}",
    )
    return env.get_template(name)


def code(words: str) -> Markup:
    """Escaped text in which what stands between backticks is shown as a command."""
    parts = words.split("`")
    if len(parts) % 2 == 0:  # a backtick without its fellow is only a backtick
        return Markup("{}").format(words)
    shown = [Markup("<code>{}</code>" if i % 2 else "{}").format(part) for i, part in enumerate(parts)]
    return Markup("").join(shown)


def decimals(uncertainty: float) -> int:
    """How many decimals leave two significant digits of an uncertainty; 0 to 4."""
    if not uncertainty > 0:
        return 2
    return min(max(1 - math.floor(math.log10(uncertainty)), 0), 4)
