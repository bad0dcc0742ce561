"""Adjustment -> distance of the blades' trailing edges from the outlet end that the rotor stands on (cutback).

With the inlet end up the rotor's outlet end stands on the paper, whose plane the ring gives. The distance is that of
the tip's mid-line at its trailing end from this plane, by propagation of the whole covariance (JCGM 100:2008, 5.2).
It is taken for granted that the rotor stands on its hub's outlet end; on trailing edges that reach lower it is nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bladeangle.adjustment.adjust import Adjustment
from bladeangle.base.geometry import Array
from bladeangle.results.angles import BladeColumns
from bladeangle.tuning.results import TRAILING


@dataclass(frozen=True)
class TrailingEdges:
    """Distances, mm, from the outlet end.

    blades : (b, 2) value and standard uncertainty of each blade, nan where its trailing end is not seen or its
        uncertainty is larger than `TRAILING.largest_u_mm`.
    mean : the same of the mean over blades; nan where it is of one.
    """

    blades: Array
    mean: tuple[float, float]


def trailing_edges(result: Adjustment, seen: Array) -> TrailingEdges | None:
    """The distances; None where no photograph shows the rotor with its inlet end up.

    seen : (b,) whether the trailing end of each blade is seen in any photograph.
    """
    state, rotor = result.state, result.state.rotor
    if "inlet_up" not in state.setups:
        return None
    s = state.setups.index("inlet_up")
    rotation, blade = state.r_ring_rotor[s], np.arange(rotor.blades)
    tau = rotor.ends[:, 1]
    out = rotor.tip(blade, np.zeros(rotor.blades, int), tau) @ rotation.T  # (b, 3), from the rotor's origin
    value = out[:, 2] + state.t_ring_rotor[s][2]
    arm = out - state.pivot(s)
    basis, slope = rotor.basis.matrix(tau), rotor.basis.values(tau, rotor.heights, blade, 1)
    rows = np.zeros((rotor.blades, result.layout.size))
    first = result.layout["setup", s].start
    for b in range(rotor.blades):
        columns = BladeColumns.of(result.layout, rotor, b)
        rows[b, columns.heights] = rotation[2, 2] * basis[b]
        rows[b, columns.ends] = 0.0, rotation[2, 2] * slope[b]
        rows[b, [first, first + 1, first + 5]] = arm[b, 1], -arm[b, 0], 1.0
    covariance = rows @ result.covariance @ rows.T + TRAILING.seat_mm**2
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    known = np.asarray(seen, bool) & (u <= TRAILING.largest_u_mm)
    blades = np.where(known[:, None], np.stack([value, u], 1), np.nan)
    mean = (float(value.mean()), float(np.sqrt(max(covariance.mean(), 0.0))))
    return TrailingEdges(blades, mean if known.all() else (np.nan, np.nan))
