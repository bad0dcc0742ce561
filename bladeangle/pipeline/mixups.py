"""Overhead shots with their hub circles -> a refusal where two of them were mixed up, by what they show.

A rotor turned over shows its other end (`ends.py`). So two photographs that are said to show both ends and show one
were mixed up, and so were two that are said to show one end and show both.

Not covered: photographs from the side, which the adjustment contradicts.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.ends import End
from bladeangle.pipeline.shots import Shot
from bladeangle.results.two_rotors import differences

#: Twice the logarithm of the likelihood ratio from which photographs show two rotors: a ratio of 100, which one rotor
#: exceeds at most once in 100 cases.
DIFFERENT = 2 * math.log(100)


def refuse_mixups(shots: Sequence[Shot], priors: Priors) -> None:
    """Compare all overhead shots by pairs.

    Parameters
    ----------
    shots : all, those that were looked at for hub circles among them; others are looked at here.

    Raises
    ------
    UsageError : two are copies of one photograph.
    AdjustmentError : two said to show different ends show one, or the other way round.
    """
    above = [shot for shot in shots if shot.overhead]
    if len(above) < 2:
        return
    ends = [End.of(s.photo, s.pose, priors.camera, s.sighting.blur_px, s.circles) for s in above]
    for k, (one, mine) in enumerate(zip(above, ends, strict=True)):
        for other, its in zip(above[:k], ends[:k], strict=True):
            if mine.copy_of(its):
                raise UsageError(
                    f"{other.name} and {one.name} are the same photograph, saved twice.",
                    f"{_turn_over(one, other)} Name every photograph once, each a shot of its own.".strip(),
                )
            same = mine.shows(its)
            if one.setup != other.setup and same is True:
                late = one if one.setup == "outlet_up" else other
                raise AdjustmentError(
                    f"{other.name} and {one.name} show the same end of the rotor, but {late.name} was named as turned "
                    "over.",
                    f"{_turn_over(one, other)} Give --turned only what shows the outlet end up.",
                )
            if one.setup == other.setup and same is False:
                way = "turned over" if one.setup == "outlet_up" else "standing inlet end up"
                raise AdjustmentError(
                    f"{other.name} and {one.name} were both named as {way}, but show different ends of the rotor, or "
                    "two rotors.",
                    "Name those that show the outlet end up after --turned; leave out another rotor's.",
                )


def contradictions(result: Adjustment, ring: Ring, *, spoiled: bool = False) -> Iterator[Flag]:
    """What a finished adjustment says of photographs that do not belong together.

    spoiled : pictures are shifted unevenly or have second edges, which make blades seem another rotor's.
    """
    if result.from_above and len(result.state.setups) == 2:
        text = "Seen from above only: that both ends are of one rotor, and which is the inlet, is taken as given."
        yield Flag("taken-as-given", text)
    for found in () if spoiled else differences(result, ring):
        if found.log_ratio > DIFFERENT:
            names = ", ".join(result.views[p].name for p in found.photos)
            most = found.steeper_deg[np.abs(found.steeper_deg).argmax()]
            text = f"{names} and the other photographs seem to show two rotors: blades up to {abs(most):.1f} deg apart."
            yield Flag("rotors-differ", text)


def _turn_over(one: Shot, other: Shot) -> str:
    return "Turn the rotor over and take the second one again." if one.setup != other.setup else ""
