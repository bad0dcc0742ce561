"""Overhead shots with their hub circles -> a refusal where two of them were mixed up, by what they show.

A rotor turned over shows its other end (`ends.py`). So two photographs that are said to show both ends and show one
were mixed up, and so were two that are said to show one end and show both.

Not covered: photographs from the side, which the adjustment contradicts.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView
from bladeangle.adjustment.priors import Priors
from bladeangle.base.errors import AdjustmentError, UsageError
from bladeangle.base.flags import Flag
from bladeangle.base.geometry import rotation
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.ends import End
from bladeangle.pipeline.shots import Shot
from bladeangle.results.two_rotors import Difference, differences
from bladeangle.tuning.pipeline import MIXUPS


def shows_two(result: Adjustment, found: Difference) -> bool:
    """Whether a difference is that of two rotors: from above by the likelihood ratio, else by what one rotor's is."""
    if result.from_above:
        return found.log_ratio > 2 * math.log(MIXUPS.likelihood_ratio)
    return found.excess > MIXUPS.excess_sigmas


def two_rotors(result: Adjustment) -> list[Difference]:
    """Where photographs of one setup, and the others, show two rotors."""
    return [found for found in differences(result) if shows_two(result, found)]


def surely_renumbered() -> float:
    """Twice the log of the likelihood ratio from which another blade at the arrow explains them better than two do."""
    return 2 * math.log(MIXUPS.sure_ratio)


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
            same = mine.same_as(its)
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


def contradictions(result: Adjustment, ring: Ring, priors: Priors, *, spoiled: bool = False) -> Iterator[Flag]:
    """What a finished adjustment says of photographs that do not belong together.

    spoiled : pictures are shifted unevenly or have second edges, which make blades seem another rotor's.
    """
    if result.from_above and len(result.state.setups) == 2:
        text = "Seen from above only: that both ends are of one rotor, and which is the inlet, is taken as given."
        yield Flag("taken-as-given", text)
    for found in () if spoiled else two_rotors(result):
        names = ", ".join(result.views[p].name for p in found.photos)
        blade = _at_the_arrow(result, ring, priors, found)
        if blade is not None and found.log_ratio > surely_renumbered():  # all else that differs follows from it
            text = f"{names} and the other photographs fit if the blade at the arrow there is their blade {blade}."
            yield Flag("blades-misnumbered", text)
            return
        most = found.steeper_deg[np.abs(found.steeper_deg).argmax()]
        text = f"{names} and the other photographs seem to show two rotors: blades up to {abs(most):.1f} deg apart."
        if blade is not None:
            text += f" Or another blade was at the arrow there: they fit if it is their blade {blade}."
        yield Flag("rotors-differ", text)


def _at_the_arrow(result: Adjustment, ring: Ring, priors: Priors, found: Difference) -> int | None:
    """Number of the blade that is at the arrow in the photographs of a setup, if they then fit the others.

    None where no other blade makes one rotor of them so much likelier.
    """
    state, setup = result.state, result.views[found.photos[0]].setup
    blades, s = state.rotor.blades, state.setups.index(setup)
    if s == 0 or any(view.setup == setup and p not in found.photos for p, view in enumerate(result.views)):
        return None
    tried = {0: found}
    for k in range(1, blades):
        other = state.copy()
        other.r_ring_rotor[s] = other.r_ring_rotor[s] @ rotation(np.array([0.0, 0.0, -2 * np.pi * k / blades]))
        views = tuple(_renumbered(v, k, blades) if v.setup == setup else v for v in result.views)
        with contextlib.suppress(AdjustmentError):
            tried[k] = differences(adjust(ring, views, other, priors, believed=True))[0]
    best = min(tried, key=lambda k: tried[k].log_ratio)
    likelier = tried[best].log_ratio < found.log_ratio - surely_renumbered()
    return best + 1 if likelier and not shows_two(result, tried[best]) else None


def _renumbered(view: ObservedView, by: int, blades: int) -> ObservedView:
    """What is seen of the blades with each number higher by so much."""
    tips, ends = view.tips, view.ends
    return replace(
        view,
        tips=None if tips is None else replace(tips, blade=(tips.blade + by) % blades),
        ends=None if ends is None else replace(ends, blade=(ends.blade + by) % blades),
    )


def _turn_over(one: Shot, other: Shot) -> str:
    return "Turn the rotor over and take the second one again." if one.setup != other.setup else ""
