"""An adjustment that has the blades' lower ends where none are seen -> the same matched where they are.

The two setups are matched along the blades, which are nearly screws: matched a centimetre farther on they fit almost as
well, and the blades are so much longer. Photographs from the side decide. Carried on to the right length, nearly all
lower ends that nothing hides are found at once; a few millimetres off hardly any is.

Not covered: photographs from above alone (`overlap.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import State
from bladeangle.adjustment.priors import Priors
from bladeangle.detection.blade_ends import ends_in_sight, find_ends
from bladeangle.detection.edges import upper_end
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.overlap import held, mean_share, without_lower_ends
from bladeangle.pipeline.register import matched_farther
from bladeangle.pipeline.shots import Shot
from bladeangle.tuning.blade_ends import LOWER_ENDS


def in_sight_and_found(shots: Sequence[Shot], state: State) -> tuple[int, int]:
    """How many lower ends nothing hides in the photographs from the side, and how many are where a state has them."""
    wanted = found = 0
    for p, shot in enumerate(shots):
        if shot.overhead:
            continue
        setup, lower = state.setups.index(shot.setup), 1 - upper_end(shot.setup)
        ends = [end for end in ends_in_sight(state, p, setup) if end[1] == lower]
        seen = find_ends(shot.photo, state, p, setup, ends, shot.sighting.blur_px, LOWER_ENDS.search_mm)
        wanted, found = wanted + len(ends), found + len(seen)
    return wanted, found


def matched_at_lower_ends(shots: Sequence[Shot], result: Adjustment, ring: Ring, priors: Priors) -> Adjustment | None:
    """An adjustment matched where the lower ends are found; None where that is where it has them, or nowhere clearly.

    The overlap is held, as long as the points are those of the wrong match.

    Raises
    ------
    AdjustmentError : it does not converge there.
    """
    wanted, found = in_sight_and_found(shots, result.state)
    if _clear(wanted, found, LOWER_ENDS.enough_share):
        return None
    here = log_likelihood(wanted, found)
    rotor = result.state.rotor
    pitch = 2 * np.pi / rotor.blades
    step = LOWER_ENDS.step_mm / rotor.radius_mm
    shorter = min(LOWER_ENDS.most_shorter * pitch, float(np.diff(rotor.ends).min()) - LOWER_ENDS.least_wrap * pitch)
    tried = np.arange(-max(shorter, 0.0), LOWER_ENDS.most_longer * pitch, step)
    seen = [in_sight_and_found(shots, matched_farther(result.state, float(by_rad))) for by_rad in tried]
    likelihood = np.array([log_likelihood(*of) if _clear(*of, LOWER_ENDS.clear_share) else -np.inf for of in seen])
    if likelihood.max() < here + LOWER_ENDS.least_gain:
        return None
    likeliest = tried[likelihood == likelihood.max()]
    by_rad = likeliest[np.abs(likeliest - likeliest[0]) * rotor.radius_mm <= 2 * LOWER_ENDS.search_mm].mean()
    alone = replace(result, views=tuple(without_lower_ends(view) for view in result.views))
    return held(mean_share(result) + by_rad / pitch, alone, ring, priors)


def _clear(wanted: int, found: int, least_share: float) -> bool:
    """Whether so many of the lower ends in sight are found that they are no other things seen by chance."""
    return found >= LOWER_ENDS.fewest and found >= least_share * wanted


def log_likelihood(wanted: int, found: int) -> float:
    """Log likelihood ratio of lower ends being where a state has them, to their being elsewhere."""
    right, wrong = LOWER_ENDS.found_share, LOWER_ENDS.chance_share
    return float(found * np.log(right / wrong) + (wanted - found) * np.log((1 - right) / (1 - wrong)))
