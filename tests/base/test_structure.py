"""Plain data is taken as the structure that it has, or refused with words that name the place."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta, field

from bladeangle.base.structure import File, Misfit, Name, plain, read_as

_Length = Annotated[float, Meta(ge=-3.0, le=9.0, title="a corner")]


class Part(File, frozen=True, kw_only=True):
    number: Annotated[int, Meta(ge=0, le=100_000, title="a part's number")] = 0
    corners: tuple[tuple[_Length, _Length], tuple[_Length, _Length]]


class Whole(File, frozen=True, kw_only=True):
    name: Name = "none"
    colour: Literal["red", "blue"] | None = None
    bar: Annotated[float, Meta(gt=0, le=1000)] | None = None
    known: bool = True
    free: dict[str, Any] = field(default_factory=dict)
    shares: Annotated[list[Annotated[float, Meta(ge=0, le=1)]], Meta(title="a share")] = field(default_factory=list)
    weights: dict[str, Annotated[float, Meta(ge=0, le=5, title="a weight")]] = field(default_factory=dict)
    parts: Annotated[list[Annotated[Part, Meta(title="a part")]], Meta(max_length=2, title="parts")]


CORNERS = [[1, 2.5], [-3, 9]]


def test_what_fits_is_taken_and_comes_back() -> None:
    data = {"parts": [{"corners": CORNERS, "number": 7}], "bar": 5, "free": {"x": [1, None]}}
    found = read_as(data, Whole)
    assert (found.name, found.bar, found.parts[0].number, found.parts[0].corners[1]) == ("none", 5.0, 7, (-3.0, 9.0))
    assert plain(found) == {"name": "none", "colour": None, "known": True, "shares": [], "weights": {}, **data}
    assert read_as(plain(found), Whole) == found
    with pytest.raises(AttributeError):
        found.name = "other"  # type: ignore[misc]


def test_null_is_what_is_not_known() -> None:
    assert read_as({"parts": [], "bar": None, "colour": None}, Whole).bar is None


@pytest.mark.parametrize(
    ("change", "json", "toml"),
    [
        ({"hue": 1}, "has the unknown key 'hue'", "x has the unknown key 'hue'."),
        ({"hue` - at `$.parts[9].corners": 1}, "has the unknown key", "x has the unknown key"),
        ({"name": 3}, "has a name that is not a text of at most 200 letters", "x: name must be a text of at most 200"),
        ({"name": "n" * 201}, "has a name that is not a text", "x: name must be a text"),
        ({"colour": "green"}, "colour must be one of 'blue', 'red'", "x: colour must be one of 'blue', 'red'."),
        ({"bar": 0}, "range: bar must be a number above 0 and at most 1000", "x: bar must be a number above 0 and"),
        ({"bar": math.nan}, "bar must be a number above 0", "x: bar must be a number"),
        ({"bar": True}, "bar must be a number above 0", "x: bar must be a number"),
        ({"bar": 10**400}, "bar must be a number above 0", "x: bar must be a number"),
        ({"known": 1}, "known must be true or false", "x: known must be true or false."),
        ({"free": 7}, "malformed: something else stands where an object is expected", "x: free must be a section"),
        ({"free": {3: 4}}, "unknown key '3'", "x has the unknown key '3' in [free]."),
        ({"\ud800": 4}, "unknown key", "x has the unknown key"),
        ({"shares": [0.5, 1.5]}, "range: a share must be a number from 0 to 1", "x: shares.1 must be a number from 0"),
        ({"weights": {"one": 9.0}}, "range: a weight must be a number from 0 to 5", "x: weights must be a number from"),
        ({"parts": None}, "something else stands where a list of parts is expected", "x: parts must be a list"),
        ({"parts": [{"corners": CORNERS}] * 3}, "has 3 parts, at most 2 are read", "x: parts must be a list"),
        ({"parts": [7]}, "where an object is expected in a part", "x: 'parts.0' must be a section"),
        ({"parts": [{}]}, "lacks the key 'corners' in a part", "x: parts.0.corners is missing."),
        ({"parts": [{"corners": CORNERS, "z": 1}]}, "the unknown key 'z' in a part", "'z' in [parts.0]."),
        (
            {"parts": [{"corners": CORNERS, "number": 1.0}]},
            "a part's number must be a whole number from 0 to 100000",
            "",
        ),
        ({"parts": [{"corners": CORNERS, "number": -1}]}, "a part's number must be a whole number", ""),
        ({"parts": [{"corners": [[1, 2]]}]}, "is malformed: corners must be 2 x 2 numbers", ""),
        ({"parts": [{"corners": [[1, 2], [3]]}]}, "is malformed: a corner must be|corners must be 2 x 2 numbers", ""),
        ({"parts": [{"corners": [[1, 2], [3, 9.1]]}]}, "a corner must be a number from -3 to 9", ""),
        ({"parts": [{"corners": [[1, 2], [3, "4"]]}]}, "a corner must be a number from -3 to 9", ""),
    ],
)
def test_what_does_not_fit_is_named(change: dict[Any, Any], json: str, toml: str) -> None:
    with pytest.raises(Misfit, match=json) as caught:
        read_as({"parts": []} | change, Whole)
    assert "\n" not in str(caught.value)
    refusal = caught.value.in_toml("x", "Mend it.")
    assert toml in refusal.message and refusal.message.endswith(".") and refusal.exit_code == 4


def test_a_key_that_is_nearly_right_is_guessed() -> None:
    with pytest.raises(Misfit) as caught:
        read_as({"parts": [], "color": "red"}, Whole)
    assert caught.value.in_toml("x", "").hint.startswith("Did you mean 'colour'? Known are: name, colour, ")


def test_a_key_of_any_length_is_told_in_few_letters() -> None:
    with pytest.raises(Misfit) as caught:
        read_as({"parts": [], "k" * 5000: 1}, Whole)
    told = (str(caught.value), caught.value.in_toml("x", "").message)
    assert all("k" * 60 in text and len(text) < 120 for text in told)
    assert "Did you mean" not in caught.value.in_toml("x", "").hint


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda c: st.lists(c, max_size=3) | st.dictionaries(st.text(max_size=9), c, max_size=3),
    max_leaves=9,
)


@given(anything, st.sampled_from(["name", "colour", "bar", "known", "free", "parts"]), anything)
def test_anything_is_taken_or_refused_in_a_sentence(data: Any, key: str, value: Any) -> None:
    for given_data in (data, {"parts": [{"corners": CORNERS}], key: value}, {"parts": [{"corners": value}]}):
        try:
            found = read_as(given_data, Whole)
        except Misfit as error:
            assert str(error) and "\n" not in str(error)  # noqa: PT017
            assert error.in_toml("x", "").message.endswith(".")  # noqa: PT017
        else:
            assert read_as(plain(found), Whole) == found
