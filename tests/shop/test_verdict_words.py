"""What a verdict is told in: which judgements decided, how probable, by which rule."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bladeangle.shop.judging import Judgement
from bladeangle.shop.verdict_words import chance_text, verdict_table, why, yardstick_table
from bladeangle.shop.verify import Verdict, Yardstick


def judged(blade: int, verdict: str, reason: str = "") -> Judgement:
    return Judgement("blade", "exit", blade, verdict, reason, 14.57, 14.5, 0.4, 0.05, 0.098, 0.9876)


FOUND = Verdict(
    "heron", "order", "undecided", 0.25, "iso14253", 0.02, False,
    (
        judged(1, "conforming"),
        judged(2, "undecided", "too near the limit"),
        judged(3, "undecided", "no closer than 0.30 deg to the limit, which photographs from the side decide"),
        Judgement("spread", "exit", None, "conforming", "", 0.2, 0.0, 0.5, 0.05, 0.098, 0.99999),
        Judgement("blade", "entry", 1, "undecided", "hidden"),
    ),
    1.0, {"entry": None, "exit": 0.012}, (), (),
)  # fmt: skip


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (0.00009, "< 0.0001"), (0.00012, "0.0001"), (0.005, "0.0050"), (0.5, "0.5000"), (0.995, "0.9950"),
        (0.99988, "0.9999"), (0.99991, "> 0.9999"), (0.0, "< 0.0001"), (1.0, "> 0.9999"),
    ],
)  # fmt: skip
def test_no_probability_is_told_as_certain(probability: float, text: str) -> None:
    assert chance_text(probability) == text


def test_the_table_has_a_row_for_each_judgement() -> None:
    lines = verdict_table(FOUND)
    rows = {line[:16].strip(): line[16:] for line in lines if line.startswith(("blade", "spread"))}
    assert rows["blade 1 exit"].split() == ["14.57", "14.50", "±", "0.40", "0.10", "0.9876", "conforming"]
    assert rows["spread exit"].split() == ["0.20", "at", "most", "0.50", "0.10", ">", "0.9999", "conforming"]
    assert rows["blade 2 exit"].endswith("undecided (too near the limit)")
    assert rows["blade 3 exit"].endswith("undecided")
    assert rows["blade 1 entry"].split() == ["undecided", "(hidden)"]
    assert lines[lines.index("Why undecided:") + 1].startswith("  blade 3 exit: no closer than 0.30 deg")
    assert "angle deg" in lines[2] and "change deg" in verdict_table(replace(FOUND, change=True))[2]
    assert lines[-3:] == [
        "Rule: ISO 14253-1; probability that all of it conforms 0.2500.",
        "A blade 1 deg off at the entry cannot pass, as it is not seen.",
        "A blade 1 deg off at the exit would pass with probability 0.0120.",
    ]
    guard = verdict_table(replace(FOUND, rule="guard", probability=None))
    assert "Rule: guard band, a bad blade accepted in at most 0.02 of cases." in guard


def test_what_decided_is_named_and_no_more() -> None:
    assert why(FOUND) == " (blade 2 exit, blade 3 exit, blade 1 entry)"
    assert why(replace(FOUND, verdict="conforming")) == ""
    many = replace(FOUND, judgements=tuple(judged(b, "undecided") for b in range(1, 8)))
    assert why(many) == " (blade 1 exit, blade 2 exit, blade 3 exit, blade 4 exit and 3 more)"
    four = replace(many, judgements=many.judgements[:4])
    assert why(four) == " (blade 1 exit, blade 2 exit, blade 3 exit, blade 4 exit)"


def test_the_yardstick_has_signs_and_places() -> None:
    classes = (Yardstick("local", 2, "exit", -1.234, 0.5, "I"), Yardstick("whole", None, None, 0.4, 0.2, "S"))
    lines = yardstick_table(classes)
    assert lines[2].split() == ["local", "blade", "2", "exit", "-1.23", "0.50", "I"]
    assert lines[3].split() == ["whole", "+0.40", "0.20", "S"]
