"""The mutants fit the modules as they are, and a fault is a fault."""

from __future__ import annotations

import pytest

from .__main__ import ROOT, mutants, mutated


@pytest.mark.parametrize("module", mutants())
def test_every_mutant_fits_its_module(module: str) -> None:
    source = (ROOT / "bladeangle" / module).read_text(encoding="utf-8")
    entry = mutants()[module]
    assert all((ROOT / test.partition("::")[0]).is_file() for test in entry["tests"])
    for _, text, replacement in entry["faults"]:
        changed = mutated(source, text, replacement)
        assert changed != source
        compile(changed, module, "exec")


def test_a_text_that_does_not_stand_once_is_named() -> None:
    with pytest.raises(ValueError, match="stands 2 times: a"):
        mutated("a a", "a", "b")
