"""Plain data of a file + the structure that it should have -> that structure, or what is wrong with it in words.

Structures are frozen `msgspec.Struct`s. What a value may be stands beside its field, as `msgspec.Meta`: the limits, as
`title` what sentences call it, and as `description` what it must be where that is not to be had from its type.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, TypeVar

import msgspec
from msgspec import inspect
from msgspec.inspect import type_info

from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import safe_name
from bladeangle.base.inputs import NAME_LETTERS

Structure = TypeVar("Structure")

#: What JSON or TOML holds; its values are not used before a structure is made of them.
Plain = dict[str, object]
#: A short text.
Name = Annotated[str, msgspec.Meta(max_length=NAME_LETTERS, title="name")]

_STEP = re.compile(r"\.([^.\[]+)|\[(\d+|\.\.\.)\]")
_NUMBERS = (inspect.IntType, inspect.FloatType)


class File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a file or a part of one holds: nothing but its fields."""


@dataclass
class Misfit(ValueError):
    """Data that does not have its structure; as text words that follow a JSON file's name.

    place : keys and numbers that lead to the value.
    wanted : what should stand there; title, description : of it, in words.
    unknown, missing : the key in question, where the fault is one of keys.
    """

    place: tuple[str | int, ...]
    value: Any
    wanted: inspect.Type
    title: str
    description: str
    unknown: str | None = None
    missing: str | None = None

    def __str__(self) -> str:
        where = f" in {self.title}" if self.title else ""
        if self.unknown is not None:
            return f"has the unknown key {safe_name(self.unknown[:60])!r}{where}"
        if self.missing is not None:
            return f"lacks the key {self.missing!r}{where}"
        wanted = self.wanted
        if isinstance(wanted, inspect.StructType | inspect.DictType):
            return f"is malformed: something else stands where an object is expected{where}"
        if isinstance(wanted, inspect.ListType):
            if isinstance(self.value, list | tuple) and wanted.max_length is not None:
                return f"has {len(self.value)} {self.title}, at most {wanted.max_length} are read"
            return f"is malformed: something else stands where a list of {self.title} is expected"
        if isinstance(wanted, inspect.TupleType):
            return f"is malformed: {self.title} must be {' x '.join(map(str, _shape(wanted)))} numbers"
        if isinstance(wanted, inspect.StrType) and not self.description:
            return f"has a {self.title} that is not a text of at most {wanted.max_length} letters"
        return f"has a value out of range: {self.title} {self.requirement}"

    @property
    def requirement(self) -> str:
        """What the value must be."""
        wanted = self.wanted
        if self.description:
            return self.description
        if isinstance(wanted, _NUMBERS):
            kind = "a whole number" if isinstance(wanted, inspect.IntType) else "a number"
            if wanted.gt is not None:
                return f"must be {kind} above {wanted.gt:g} and at most {wanted.le:g}"
            low, high = (f"{limit:g}" if isinstance(limit, float) else f"{limit}" for limit in (wanted.ge, wanted.le))
            return f"must be {kind} from {low} to {high}"
        if isinstance(wanted, inspect.StrType):
            return f"must be a text of at most {wanted.max_length} characters"
        if isinstance(wanted, inspect.BoolType):
            return "must be true or false"
        if isinstance(wanted, inspect.LiteralType):
            return f"must be one of {', '.join(map(repr, wanted.values))}"
        return "must be a list of texts" if isinstance(wanted, inspect.ListType) else "must be a section, not a value"

    def in_toml(self, source: str, hint: str) -> DefinitionError:
        """The refusal of a TOML file, which names the key by its dotted path."""
        keys = ".".join(str(part) for part in self.place)
        if self.missing is not None:
            missing = f"{keys}.{self.missing}" if keys else self.missing
            return DefinitionError(f"{source}: {missing} is missing.", hint)
        if self.unknown is not None:
            known = tuple(f.encode_name for f in getattr(self.wanted, "fields", ()))
            near = difflib.get_close_matches(self.unknown, known, 1, 0.5)
            return DefinitionError(
                f"{source} has the unknown key {safe_name(self.unknown[:60])!r}{f' in [{keys}]' if keys else ''}.",
                (f"Did you mean {near[0]!r}? " if near else "") + f"Known are: {', '.join(known)}.",
            )
        if isinstance(self.wanted, inspect.StructType):
            return DefinitionError(f"{source}: {keys!r} {self.requirement}.", hint)
        return DefinitionError(f"{source}: {keys} {self.requirement}.", hint)


def read_as(data: Any, kind: type[Structure]) -> Structure:
    """Data of a file as the structure that it should have.

    Raises
    ------
    Misfit : it does not have it.
    """
    try:
        return msgspec.convert(data, kind)
    except msgspec.ValidationError as error:
        raise _misfit(str(error), data, kind) from error
    except UnicodeEncodeError as error:  # a key with half a surrogate pair, which no file of ours has
        raise Misfit((), data, type_info(dict), "", "", unknown=str(error.object)) from error


def plain(structure: msgspec.Struct) -> Plain:
    """A structure as what JSON holds: dicts, lists, texts, numbers."""
    found: Plain = _with_lists(msgspec.to_builtins(structure))
    return found


def _with_lists(value: Any) -> Any:
    """The same with lists for tuples."""
    if isinstance(value, dict):
        return {key: _with_lists(part) for key, part in value.items()}
    return [_with_lists(part) for part in value] if isinstance(value, list | tuple) else value


@cache
def _described(kind: Any) -> inspect.Type:
    return type_info(kind)


def _misfit(text: str, data: Any, kind: Any) -> Misfit:
    """What the library found, with the field's own words."""
    what, _, place = text.rpartition(" - at ")
    if not place.endswith("`") or "`$" not in place:
        what, place = text, "`$`"
    try:
        misfit = _at(place, data, kind)
    except (LookupError, TypeError):  # an unknown key that looks like a place
        misfit = _at("`$`", data, kind)
    known = {f.encode_name for f in getattr(misfit.wanted, "fields", ())}
    if "unknown field" in what:
        misfit.unknown = next((key for key in misfit.value if key not in known), "")
    elif "required field" in what:
        misfit.missing = what.rpartition("field `")[2].removesuffix("`")
    elif place.startswith("`key` in"):
        misfit.unknown = next((str(key) for key in misfit.value if not isinstance(key, str)), "")
    return misfit


def _at(place: str, data: Any, kind: Any) -> Misfit:
    """What should stand at a place such as `$.markers[3].id`."""
    steps: list[str | int] = []
    wanted, title, description = _bare(_described(kind))
    table: inspect.Type | None = None
    for name, number in _STEP.findall(place.rpartition("`$")[2].removesuffix("`")):
        if number == "...":  # in a mapping, whose keys the library leaves out
            wanted, title, description = _bare(getattr(wanted, "value_type", wanted), title)
            break
        step: str | int = name or int(number)
        table = (table or wanted) if isinstance(wanted, inspect.TupleType) else None
        data = data[step]
        steps.append(step)
        wanted, title, description = _bare(_inside(wanted, step), title if number else str(step))
    if table is not None and isinstance(wanted, inspect.TupleType):  # a row of it
        wanted = table
    return Misfit(tuple(steps), data, wanted, title, description)


def _inside(wanted: inspect.Type, step: str | int) -> inspect.Type:
    if isinstance(wanted, inspect.StructType):
        return {f.encode_name: f.type for f in wanted.fields}[str(step)]
    if isinstance(wanted, inspect.TupleType):
        return wanted.item_types[int(step)]
    if isinstance(wanted, inspect.ListType):
        return wanted.item_type
    raise LookupError(step)


def _bare(wanted: inspect.Type, title: str = "") -> tuple[inspect.Type, str, str]:
    """A type without what is said of it and without null, and its title and description."""
    description = ""
    while isinstance(wanted, inspect.Metadata | inspect.UnionType):
        if isinstance(wanted, inspect.UnionType):
            wanted = next(t for t in wanted.types if not isinstance(t, inspect.NoneType))
        else:
            said = wanted.extra_json_schema or {}
            title, description = said.get("title", title), said.get("description", description)
            wanted = wanted.type
    return wanted, title, description


def _shape(wanted: inspect.Type) -> list[int]:
    if not isinstance(wanted, inspect.TupleType):
        return []
    return [len(wanted.item_types), *_shape(wanted.item_types[0])]
