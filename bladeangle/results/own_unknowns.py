"""Normal equations of what one photograph alone may have -> their estimate, with all common unknowns estimated anew.

A score test at the solution: the adjustment has none of these unknowns, and what they would come to is read off its
equations (Schur complement). Once one photograph is given its own, the others are asked again beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bladeangle.base.geometry import Array


@dataclass(frozen=True)
class OwnUnknowns:
    """Normal equations of k unknowns that one photograph has for itself, beside the n common ones.

    coupling : (n, k) with the common unknowns; information : (k, k); gradient : (k,).
    """

    photo: int
    coupling: Array
    information: Array
    gradient: Array

    def estimated(self, covariance: Array, change: Array, prior_sigma: float) -> tuple[Array, Array]:
        """Their values (k,) and covariance (k, k), with a prior of zero and `prior_sigma` each.

        covariance : (n, n) of the common unknowns; change : (n,) by how much these have come to differ already.
        """
        absorbed = self.coupling.T @ covariance @ self.coupling
        left = self.information - absorbed + np.eye(len(self.gradient)) / prior_sigma**2
        own = np.asarray(np.linalg.inv(left), np.float64)
        return -own @ (self.gradient + self.coupling.T @ change), own

    def granted(self, covariance: Array, change: Array, value: Array, own: Array) -> tuple[Array, Array]:
        """Covariance (n, n) and change (n,) of the common unknowns once the photograph has values (k,) of its own.

        own : (k, k) covariance of the values, as of `estimated`.
        """
        response = covariance @ self.coupling
        return covariance + response @ own @ response.T, change - response @ value
