"""Prior of the tip radius along blades, a Gaussian process -> the functions in which that radius is unknown.

No tip is a cylinder: tips wear where water and sand strike them first, taper, and run out. The departure of the radius
from the rotor's common radius is a Gaussian process along the tip, with a part that all blades share and a part of each
blade's own. Both are expanded in the principal functions of their covariance (Karhunen-Loeve expansion; Ghanem and
Spanos, Stochastic Finite Elements, 1991, 2.3), so that their coefficients are uncorrelated with a variance of one
beforehand. Not covered: nicks, and lands that are not parallel to the axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from bladeangle.tuning.priors import ANY_TIPS, NEW_TIPS, TipCondition

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Spacing of the tables, mm along the tip, and how far they reach beyond the ends of the blades.
TABLE_STEP_MM = 0.5
BEYOND_MM = 8.0
#: Principal functions are left out once what remains is smaller than this, mm (root mean square along the tip).
NEGLIGIBLE_MM = 0.003
#: Lengths of tips are rounded to this, mm, so that functions are made anew only where they would differ.
LENGTH_STEP_MM = 1.0


#: What tips are like -> their prior.
CONDITIONS = {"any": ANY_TIPS, "new": NEW_TIPS}


@dataclass(frozen=True)
class TipFeature:
    """One feature of tips as a linear function of the coefficients: its conditional mean, mm, given these.

    mean_mm : prior mean; shared (q,), own (r,) : mm for one standard deviation of a coefficient.
    open_mm : conditional standard deviation, as coefficients do not fix a feature: wear and unevenness look much alike.
    prior_parts_mm, open_parts_mm : prior and conditional standard deviations of the part that all blades share, and of
    a blade's own part.
    """

    mean_mm: float
    shared: Array
    own: Array
    open_mm: float
    prior_parts_mm: tuple[float, float] = (0.0, 0.0)
    open_parts_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class TipFunctions:
    """Tables along the tip from `-BEYOND_MM` every `TABLE_STEP_MM`: mean (n,) mm, shared (q, n) and own (r, n) mm.

    features : "leading wear", "trailing wear", "taper" and "run-out" -> how they follow from the coefficients.
    """

    length_mm: float
    mean: Array
    shared: Array
    own: Array
    features: dict[str, TipFeature]


@lru_cache(maxsize=32)
def tip_functions(condition: TipCondition | None, length_mm: float) -> TipFunctions:
    """The functions of tips of a length, mm; of no condition, those of a cylinder: none."""
    at = _table_places(length_mm)
    if condition is None:
        none = np.zeros((0, len(at)))
        return TipFunctions(length_mm, np.zeros_like(at), none, none, {})
    lengths = np.geomspace(*condition.wear_length_mm, 3)[:, None]
    decays = {
        "leading wear": (condition.leading_wear_mm, np.exp(-np.maximum(at, 0.0) / lengths), 0.0),
        "trailing wear": (condition.trailing_wear_mm, np.exp(-np.maximum(length_mm - at, 0.0) / lengths), length_mm),
    }
    mean = -sum(usual * shape.mean(0) for (usual, _), shape, _ in decays.values())
    worn = {name: sd**2 * (shape.T @ shape) / len(lengths) for name, ((_, sd), shape, _) in decays.items()}
    taper = condition.taper_mm * (at / length_mm - 0.5)
    uneven = _squared_exponential(at, condition.uneven_mm, condition.uneven_length_mm)
    shared = _principal(sum(worn.values()) + np.outer(taper, taper) + uneven)
    own = _principal(condition.unequal**2 * sum(worn.values()) + condition.run_out_mm**2 + uneven)

    def feature(usual: float, of_all: Array, variance: float, of_own: Array, own_variance: float) -> TipFeature:
        """From the covariances (n,) of a thing with the departure that all blades share, and with a blade's own."""
        weights, own_weights = (
            (functions @ with_it) / np.maximum((functions**2).sum(1), 1e-12)
            for functions, with_it in ((shared, of_all), (own, of_own))
        )
        left = max(variance - float(weights @ weights), 0.0)
        left_own = max(own_variance - float(own_weights @ own_weights), 0.0)
        prior_parts, open_parts = (float(np.sqrt(variance)), float(np.sqrt(own_variance))), (left**0.5, left_own**0.5)
        return TipFeature(usual, weights, own_weights, float(np.sqrt(left + left_own)), prior_parts, open_parts)

    nothing, features = np.zeros(len(at)), {}
    for name, ((usual, _), _, end_mm) in decays.items():
        k = int(np.argmin(np.abs(at - end_mm)))
        row, own_share = -worn[name][k], condition.unequal**2  # less radius is wear
        features[name] = feature(usual, row, -row[k], own_share * row, -own_share * row[k])
    features["taper"] = feature(0.0, condition.taper_mm * taper, condition.taper_mm**2, nothing, 0.0)
    features["run-out"] = feature(0.0, nothing, 0.0, nothing + condition.run_out_mm**2, condition.run_out_mm**2)
    return TipFunctions(length_mm, np.asarray(mean), shared, own, features)


@lru_cache(maxsize=32)
def waviness_functions(condition: TipCondition | None, length_mm: float) -> Array:
    """Principal functions (q, n) of the waviness of a blade's tip, mm, on the tables of `TipFunctions`."""
    at = _table_places(length_mm)
    if condition is None:
        return np.zeros((0, len(at)))
    covariance = _squared_exponential(at, condition.waviness_mm, condition.waviness_length_mm)
    return _principal(covariance, 0.2 * condition.waviness_mm)


def _table_places(length_mm: float) -> Array:
    """Places (n,) mm along the tip from its leading end."""
    return np.arange(-BEYOND_MM, length_mm + BEYOND_MM + TABLE_STEP_MM, TABLE_STEP_MM)


def _squared_exponential(at: Array, sigma: float, length: float) -> Array:
    """Covariance (n, n) of a process with a standard deviation and a correlation length, at places (n,)."""
    out: Array = sigma**2 * np.exp(-(((at[:, None] - at) / length) ** 2) / 2)
    return out


def _principal(covariance: Array, negligible_mm: float = NEGLIGIBLE_MM) -> Array:
    """Principal functions (q, n) of a covariance (n, n), each as large as its standard deviation."""
    values, vectors = np.linalg.eigh(covariance)
    values, vectors = values[::-1], vectors[:, ::-1]
    left = np.trace(covariance) - np.cumsum(values)
    keep = 1 + int(np.argmax(left < len(covariance) * negligible_mm**2))
    out: Array = (vectors[:, :keep] * np.sqrt(values[:keep])).T
    return out


@dataclass
class TipRadius:
    """Departure of the tip radius from the rotor's common one, on blades whose leading ends lie at `lead` (b,), rad.

    functions : tables along the tip; mm_per_rad : length along the tip of a radian of azimuth.
    shared : (q,) and own : (b, r) coefficients, in prior standard deviations.
    """

    condition: TipCondition | None
    functions: TipFunctions
    lead: Array
    mm_per_rad: float
    shared: Array
    own: Array

    @classmethod
    def of(
        cls, condition: TipCondition | None, ends: Array, mm_per_rad: float, before: TipRadius | None = None
    ) -> TipRadius:
        """As it is on the mean beforehand, or as it was `before`, on blades with these ends (b, 2), rad."""
        length = float(np.median(np.diff(ends))) * mm_per_rad
        length = max(LENGTH_STEP_MM * round(length / LENGTH_STEP_MM), 20.0)
        functions = tip_functions(condition, length)
        shared, own = np.zeros(len(functions.shared)), np.zeros((len(ends), len(functions.own)))
        new = cls(condition, functions, ends[:, 0].copy(), mm_per_rad, shared, own)
        if before is not None and before.condition == condition and condition is not None:
            new._adopt(before)
        return new

    def _adopt(self, before: TipRadius) -> None:
        """Take coefficients from another, on other ends: as they are, or those nearest to them where lengths differ."""
        if len(before.lead) != len(self.lead):
            return
        if before.functions.length_mm == self.functions.length_mm:  # of one condition: the same functions
            self.shared, self.own = before.shared.copy(), before.own.copy()
            return
        blades, at = len(self.lead), np.arange(0.0, self.functions.length_mm, 2.0)
        q, r = len(self.shared), len(self.own[0])
        design, wanted = [], []
        for b in range(blades):
            tau, blade = self.lead[b] + at / self.mm_per_rad, np.full(len(at), b)
            shared, own = self.shapes(tau)
            row = np.zeros((len(at), q + blades * r))
            row[:, :q], row[:, q + b * r : q + (b + 1) * r] = shared.T, own.T
            design.append(row)
            wanted.append(before.departure(tau, blade) - _between(self.functions.mean, *self._place(tau, blade)))
        small = NEGLIGIBLE_MM * np.eye(q + blades * r)  # towards what is usual where functions are much alike
        right = np.concatenate([*wanted, np.zeros(len(small))])
        found = np.linalg.lstsq(np.vstack([*design, small]), right, rcond=None)
        self.shared, self.own = found[0][:q], found[0][q:].reshape(blades, r)

    def copy(self) -> TipRadius:
        """An independent copy."""
        return TipRadius(
            self.condition, self.functions, self.lead, self.mm_per_rad, self.shared.copy(), self.own.copy()
        )

    def _place(self, tau: Array, blade: Ints | int) -> tuple[Ints, Array]:
        """Cell of the tables and share of it, of places (n,)."""
        x = ((tau - self.lead[blade]) * self.mm_per_rad + BEYOND_MM) / TABLE_STEP_MM
        x = np.clip(x, 0.0, len(self.functions.mean) - 1.001)
        cell = x.astype(int)
        return cell, x - cell

    def _table(self) -> Array:
        """Departures (b, n) mm of all blades along the tables."""
        out: Array = self.functions.mean + self.shared @ self.functions.shared + self.own @ self.functions.own
        return out

    def departure(self, tau: Array, blade: Ints | int) -> Array:
        """Departure (n,) mm from the common radius at tau (n,) of blades (n,) or of one."""
        if self.condition is None:
            return np.zeros(len(tau))
        table, (cell, share) = self._table(), self._place(tau, blade)
        out: Array = table[blade, cell] * (1 - share) + table[blade, cell + 1] * share
        return out

    def slope(self, tau: Array, blade: Ints | int) -> Array:
        """Derivative (n,) mm/rad of `departure` by tau."""
        if self.condition is None:
            return np.zeros(len(tau))
        table, (cell, _) = self._table(), self._place(tau, blade)
        out: Array = (table[blade, cell + 1] - table[blade, cell]) * (self.mm_per_rad / TABLE_STEP_MM)
        return out

    def shapes(self, tau: Array, blade: Ints | int = 0) -> tuple[Array, Array]:
        """Derivatives (q, n) and (r, n) of `departure` by the shared coefficients and by the blade's own, mm."""
        if self.condition is None:
            return np.zeros((0, len(tau))), np.zeros((0, len(tau)))
        place = self._place(tau, blade)
        return _between(self.functions.shared, *place), _between(self.functions.own, *place)


def _between(table: Array, cell: Ints, share: Array) -> Array:
    """Values (..., n) of tables (..., m), linear between cells (n,) and the next by a share (n,)."""
    out: Array = table[..., cell] * (1 - share) + table[..., cell + 1] * share
    return out
