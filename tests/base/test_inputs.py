"""What inputs are opened and how much of them is taken; the checks of values."""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bladeangle.base import inputs
from bladeangle.base.errors import BladeangleError
from bladeangle.base.inputs import KINDS, Kind

ROOT = Path(__file__).resolve().parents[2]
SMALL = Kind("small file", BladeangleError, "Try another.", 100, 3, 12, 4)


def refused(words: str, kind: Kind = SMALL) -> Any:
    return pytest.raises(kind.error, match=words)


@pytest.mark.parametrize("kind", KINDS, ids=lambda k: k.name)
def test_only_regular_files_are_opened(tmp_path: Path, kind: Kind) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "device").symlink_to("/dev/zero")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "gone").symlink_to("nothing")
    with (tmp_path / "sparse").open("wb") as file:
        file.truncate(kind.most_bytes + 1)
    cases = {
        "pipe": "not a regular file", "device": "not a regular file", "": "a folder, not a regular file",
        "loop": "cannot be read", "gone": "does not exist", "none": "does not exist", "a\0b": "cannot be read",
        "sparse": "is larger than", "pipe/x": "cannot be read",
    }  # fmt: skip
    for name, words in cases.items():
        for read in (inputs.size_of, inputs.read_bytes):
            with refused(words, kind) as caught:
                read(tmp_path / name, kind)
            assert caught.value.hint
            assert "\n" not in caught.value.message and caught.value.message.endswith(".")


def test_all_that_a_kind_may_have_is_read(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(b"a" * SMALL.most_bytes)
    assert inputs.read_bytes(path, SMALL) == b"a" * 100
    assert inputs.size_of(path, SMALL) == 100
    path.write_bytes(b"\xef\xbb\xbfb\xc3\xa4r")
    assert inputs.read_text(path, SMALL) == "bär"
    path.write_bytes(b"b\xe4r")
    with refused("not a text in UTF-8"):
        inputs.read_text(path, SMALL)


@pytest.mark.skipif(not Path("/proc/self/status").is_file(), reason="needs a file that says it is empty: Linux's /proc")
def test_a_file_that_has_grown_since_it_was_looked_at_is_refused() -> None:
    assert inputs.size_of("/proc/self/status", SMALL) == 0
    with refused("is larger than 0 kB"):
        inputs.read_bytes("/proc/self/status", SMALL)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[[[1]]]]", "nested too deeply"),
        ('{"a": {"b": {"c": {}}}}', "nested too deeply"),
        ("[" * 100_000, "nested too deeply"),
        ("[1,2,3,4,5,6,7,8,9,10,11,12]", "far more than a small file can"),
        ("[[],[],[],[],[],[]]", "far more"),
        ("[{},{},{},{},{}]", "far more"),
        ("[1", "not valid JSON"),
        ("]]]]", "not valid JSON"),
        ('{"a": 1, "a": 2}', "stands twice"),
        ("NaN", "NaN"),
        ("12345678901234567", "far too large"),
    ],
)
def test_json_beyond_its_kind_is_refused(text: str, words: str) -> None:
    with refused(words):
        inputs.parse_json(text, SMALL, "It")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("[[[1]]]", [[[1]]]),
        ("[1,2,3,4,5,6,7,8,9,10,11]", list(range(1, 12))),
        ('["[[[[{{{{,,,,,,,,,,,,"]', ["[[[[{{{{,,,,,,,,,,,,"]),
        (r'["\"[[[[", "\\"]', ['"[[[[', "\\"]),
        ("1234567890123456", 1234567890123456),
    ],
)
def test_json_within_its_kind_is_taken(text: str, value: Any) -> None:
    assert inputs.parse_json(text, SMALL, "It") == value


values = st.recursive(
    st.none() | st.booleans() | st.integers(-9999, 9999) | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


def _measured(value: Any) -> tuple[int, int, int]:
    """Depth, values and objects, counted by walking: the reference for counting marks in the text."""
    if not isinstance(value, list | dict):
        return 0, 0, 0
    inside = list(value.values()) if isinstance(value, dict) else value
    parts = [_measured(part) for part in inside]
    return (
        1 + max((p[0] for p in parts), default=0),
        1 + max(len(inside) - 1, 0) + sum(p[1] for p in parts),
        int(isinstance(value, dict)) + sum(p[2] for p in parts),
    )


@given(values, st.booleans())
def test_json_is_weighed_as_it_is(value: Any, plain: bool) -> None:
    text = json.dumps(value, ensure_ascii=plain)
    depth, many, objects = _measured(value)
    fits = Kind("x", BladeangleError, "", 10**6, depth, many + 1, objects)
    assert inputs.parse_json(text, fits, "It") == value
    for tighter in ((depth - 1, many + 1, objects), (depth, many, objects), (depth, many + 1, objects - 1)):
        if min(tighter) >= 0 and tighter[1] >= 1:
            with refused("."):
                inputs.parse_json(text, Kind("x", BladeangleError, "", 10**6, *tighter), "It")


@pytest.mark.parametrize(
    "text",
    ["a.b.c.d.e = 1", "[a.b.c.d.e]", "a = [[[[1]]]]", "a = {b = {c = {d = {}}}}", "a = [\n[\n[\n[\n1]]]]",
     "a = " + "[" * 50_000, '"a"."b"."c"."d"."e" = 1', "x = '''\n'''\na . b . c . d . e = 1",
     'x = "\\""\na.b.c.d.e = 1', "# ' \"\na.b.c.d.e = 1"],
)  # fmt: skip
def test_toml_beyond_its_kind_is_refused(text: str) -> None:
    with refused("nested too deeply"):
        inputs.parse_toml(text, SMALL, "It")


@pytest.mark.parametrize(
    "text",
    ["a.b.c = 1.5", "a = '....[[[[[['", 'a = "....[[[[[["', 'a = """\n....[[[[\n"""', "a = '''\n....[[[['''",
     "# ....[[[[[\na = 1", 'a = "it\'s" # ....', "a = [[[1.5]]]", "[x]\na = 1\n[y]\na = 2"],
)  # fmt: skip
def test_toml_within_its_kind_is_taken(text: str) -> None:
    assert inputs.parse_toml(text, SMALL, "It") == tomllib.loads(text)


@given(st.text())
def test_any_toml_is_taken_as_the_library_does_or_refused(text: str) -> None:
    try:
        found: Any = inputs.parse_toml(text, SMALL, "It")
    except BladeangleError:
        return
    assert found == tomllib.loads(text)


def test_the_table_of_limits_is_that_of_the_docs() -> None:
    text = (ROOT / "bladeangle" / "records" / "FORMATS.md").read_text(encoding="utf-8")
    for kind in KINDS:
        most = f"{kind.most_bytes / 1e6:g} MB"
        cells = [kind.name, str(kind.error.exit_code), most]
        cells += [f"{n:,}" if n else "" for n in (kind.most_depth, kind.most_values, kind.most_objects)]
        assert re.search(rf"^\| {re.escape(' | '.join(cells))} \|$", text, re.MULTILINE), " | ".join(cells)
