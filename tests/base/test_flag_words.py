"""Doubts and refusals are for technicians: what happened and what to do, in whole sentences and plain words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from bladeangle.base.flags import REGISTRY, Flag, together

PACKAGE = Path(__file__).resolve().parents[2] / "bladeangle"
#: What nobody says in a workshop.
JARGON = re.compile(r"\b(px|pixels?|residuals?|sigmas?|adjustments?|singular|covariances?|chi|clipped)\b")
#: Sizes of pictures are in pixels, as every phone shows them.
SIZE = re.compile(r"X x X(, another X x X)? pixels|X pixels( at most|, the camera file)|of X pixels")
RAISED = ("Flag", "PhotoError", "RingNotFoundError", "EdgesError", "AdjustmentError", "UsageError")


def words(node: ast.expr) -> str:
    """A string of the source with its places to fill in as X."""
    if isinstance(node, ast.JoinedStr):
        return "".join(words(part) for part in node.values)
    return str(node.value) if isinstance(node, ast.Constant) else "X"


def said(tree: ast.Module) -> Iterator[str]:
    """What flags and errors of a module say: strings given where they are made, and those called `text` before."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            at = {"Flag": 1, "flag": 1}.get(node.func.id, 0)
            if node.func.id in (*RAISED, "flag") and len(node.args) > at:
                yield words(node.args[at])
        elif isinstance(node, ast.Assign) and [t.id for t in node.targets if isinstance(t, ast.Name)] == ["text"]:
            yield words(node.value)


def first_sentence(text: str) -> str:
    return re.split(r"(?<=[.?!]) (?=[A-Z(])", text)[0]


@pytest.mark.parametrize("folder", ["pipeline", "results", "imaging", "detection", "adjustment"])
def test_first_sentences_are_in_plain_words(folder: str) -> None:
    found = [(path.name, text) for path in sorted((PACKAGE / folder).glob("*.py"))
             for text in said(ast.parse(path.read_text(encoding="utf-8")))]  # fmt: skip
    assert len(found) > 2
    told = [(name, SIZE.sub("", first_sentence(text))) for name, text in found]
    assert [one for one in told if JARGON.search(one[1])] == []


@pytest.mark.parametrize("code", REGISTRY)
def test_kinds_say_what_happened_and_what_to_do(code: str) -> None:
    kind = REGISTRY[code]
    for text in (kind.meaning, kind.remedy):
        assert text[0].isupper() and text.endswith((".", "?"))
        assert not JARGON.search(text)
    assert kind.severity in ("doubt", "note")


def test_a_sheared_picture_is_named_with_its_cause_and_remedy() -> None:
    [remark] = together([Flag("picture-sheared", "The phone moved.", "inlet.jpg")])
    assert remark.severity == "doubt" and remark.places == ("photograph inlet.jpg",)
    assert "still" in remark.remedy
