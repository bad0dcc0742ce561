"""Adjustment -> what waviness of the tips, finer than the functions of the tip radius, does to angles.

Waves of the radius a few hundredths of a millimetre high and a few centimetres long move the edge by fractions of a
pixel, no more than its image errs by itself: as unknowns they would absorb the errors of the image. So they are
considered instead (consider parameters; Schmidt 1966, Bierman, Factorization Methods, 1977, chapter VIII, from memory):
not estimated, but the covariance says what they do to the estimate. From overhead they count as correlated errors of
the edge as well, so that it is not trusted more than the photographs from the side, which hardly feel them; where all
photographs are from overhead, that says it all.
"""

from __future__ import annotations

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.adjustment.model import TIP_KINDS
from bladeangle.adjustment.tip_radius import BEYOND_MM, TABLE_STEP_MM, waviness_functions
from bladeangle.base.geometry import Array
from bladeangle.results.weighted import weighted_rows


def waviness_effects(result: Adjustment, jacobian: Array) -> Array:
    """Effects (m, q) on quantities with derivatives `jacobian` (m, n), of q uncorrelated waves of variance one.

    Every blade has waves of its own, and all photographs see the same.
    """
    rotor, layout = result.state.rotor, result.layout
    functions = waviness_functions(rotor.tip_radius.condition, rotor.tip_radius.functions.length_mm)
    at = np.arange(functions.shape[1]) * TABLE_STEP_MM - BEYOND_MM
    right = np.zeros((layout.size, rotor.blades * len(functions)))
    for one in weighted_rows(result, range(len(result.views))):
        view = result.views[one.rows.view]
        tips = view.tips_of(TIP_KINDS.get(one.rows.kind, 0))
        if tips is None:
            continue
        tau = result.state.tau_of_tips(tips, one.rows.view, result.state.setups.index(view.setup))
        along = np.nan_to_num(tau - rotor.ends[tips.blade, 0]) * rotor.tip_radius.mm_per_rad
        waves = np.array([np.interp(along, at, f) for f in functions]).T
        by_radius = one.rows.jac[int(np.flatnonzero(one.rows.columns == layout["rotor"].start)[0])]
        off_px = np.zeros((len(along), rotor.blades, len(functions)))
        off_px[np.arange(len(along)), tips.blade] = by_radius[:, None] * waves
        right[one.rows.columns] += one.right_side(off_px.reshape(len(along), -1))
    out: Array = jacobian @ (result.covariance @ right)
    return out
