"""Adjustment + photographs -> the rows of equations that they brought to it, weighted as there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from bladeangle.adjustment.adjust import RingAdjustment
from bladeangle.adjustment.correlated_errors import correlated_errors_in_px
from bladeangle.adjustment.equations import Equations
from bladeangle.adjustment.model import State
from bladeangle.adjustment.normals import WeightedRows
from bladeangle.imaging.ring import Ring


def weighted_rows(result: RingAdjustment, photos: Sequence[int], ring: Ring | None = None) -> Iterator[WeightedRows]:
    """What each of some photographs shows of the rotor, at the solution; `rows.view` counts them as in `photos`.

    result : of a rotor, or of the ring alone. ring : with it the rows of its markers as well. Robust weights, scales
    and the sizes of correlated errors are the adjustment's, and correlated errors are marginalised as there.
    """
    views = [result.views[p] for p in photos]
    whole = result.state if isinstance(result.state, State) else None
    condition = None if whole is None else whole.rotor.tip_radius.condition
    setups = [None if whole is None else whole.setups.index(view.setup) for view in views]
    equations = Equations(ring, result.layout, views, photos, setups)
    for rows in equations.rows(result.state):
        p, kind = photos[rows.view], rows.kind
        single, total = (rows.sigma * scale[p].get(kind, 1.0) for scale in (result.single, result.scale))
        errors = correlated_errors_in_px(
            kind, result.views[p], condition, single, result.correlated_sigma, result.run_scale[p].get(kind)
        )
        residual = np.where(np.isfinite(rows.residual), rows.residual, 0.0)
        yield WeightedRows(rows, residual, result.weight[p][kind] / total**2, errors)
