"""The rotor as the adjustment knows it: a tip radius along every blade, and a smooth mid-line with a face each side.

A blade's tip is followed in `tau`, radians of azimuth from its leading edge towards its trailing edge. Its mid-line
height is a cubic B-spline in tau; its radius is the rotor's plus a departure that `tip_radius.py` describes; the two
face edges lie half the blade thickness above and below, less where the edges are rounded. Not covered: tip lands that
are not parallel to the axis, so that both face edges lie on the same radius.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from bladeangle.adjustment.tip_radius import TipRadius
from bladeangle.tuning.adjustment import ROTOR
from bladeangle.tuning.priors import TipCondition

Array = NDArray[np.float64]

#: Signs of the faces: which side of the mid-line, towards the inlet end or the outlet end.
FACES: dict[Literal["inlet", "outlet"], int] = {"inlet": 1, "outlet": -1}


#: The four pieces (k) of a uniform cubic B-spline, as coefficients (4, k) by falling powers of the place in a piece; in
#: any text on them (de Boor, A Practical Guide to Splines, 1978).
CUBICS = np.array([[-1, 3, -3, 1], [3, -6, 3, 0], [-3, 0, 3, 0], [1, 4, 1, 0]]) / 6


@dataclass(frozen=True)
class Basis:
    """Uniform cubic B-splines on [start, stop] with `count` coefficients; `step` between knots, all in radians."""

    start: float
    stop: float
    count: int

    @classmethod
    def over(cls, first: float, last: float, radius_mm: float) -> Basis:
        """The basis of blades from `first` to `last`, rad."""
        margin = ROTOR.past_end_mm / radius_mm
        return cls(first - margin, last + margin, max(6, round((last - first) * radius_mm / ROTOR.knot_mm)) + 3)

    @property
    def step(self) -> float:
        """Distance between knots, rad."""
        return (self.stop - self.start) / (self.count - 3)

    @cached_property
    def _cubics(self) -> Array:
        """What (count, 4 * pieces) makes the cubics of every piece of coefficients, power after power."""
        pieces = np.arange(self.count - 3)
        out = np.zeros((self.count, 4, len(pieces)))
        for k in range(4):
            out[pieces + k, :, pieces] = CUBICS[:, k]
        return out.reshape(self.count, -1)

    def _place(self, tau: Array) -> tuple[NDArray[np.int64], Array, Array]:
        """Piece in which each tau (n,) lies, its share of the piece, and how far it lies beyond either end, rad."""
        inside = np.minimum(np.maximum(tau, self.start), self.stop)
        x = (inside - self.start) / self.step
        piece = np.minimum(x.astype(int), self.count - 4)
        return piece, x - piece, tau - inside

    def _horner(self, pieces: Array, u: Array, beyond: Array, derivative: int) -> Array:
        """Cubics or a derivative (..., n), of coefficients (4, ..., n) by falling powers of u (n,); linear beyond."""
        a, b, c, d = pieces
        if derivative == 2:
            bend: Array = (6 * a * u + 2 * b) * (beyond == 0) / self.step**2
            return bend
        slope: Array = ((3 * a * u + 2 * b) * u + c) / self.step
        return slope if derivative == 1 else ((a * u + b) * u + c) * u + d + slope * beyond

    def matrix(self, tau: Array, derivative: int = 0) -> Array:
        """Values (n, count) of the basis functions (or a derivative by tau) at tau (n,); linear beyond the ends."""
        piece, u, beyond = self._place(tau)
        out = np.zeros((len(tau), self.count))
        four = self._horner(CUBICS[:, :, None], u, beyond, derivative)
        out[np.arange(len(tau)), piece + np.arange(4)[:, None]] = four
        return out

    def values(self, tau: Array, coefficients: Array, row: NDArray[np.int64] | int = 0, derivative: int = 0) -> Array:
        """Splines (or a derivative) at tau (n,): each with the coefficients of its `row` (n,) or one, of (b, count)."""
        piece, u, beyond = self._place(tau)
        cubics = (coefficients.reshape(-1, self.count) @ self._cubics).reshape(-1, 4, self.count - 3)
        at = piece + np.asarray(row) * (self.count - 3)
        return self._horner(cubics.transpose(1, 0, 2).reshape(4, -1)[:, at], u, beyond, derivative)


@dataclass
class Rotor:
    """Shape parameters; the adjustment changes them.

    radius_mm : tip radius from which departures along the blades count.
    thickness_mm : of the blades at the tip, across the blade.
    rounding_mm : (2,) length over which the thickness grows at the leading and at the trailing edge.
    turn : +1 when a blade runs counter-clockwise (seen from the inlet) from its leading to its trailing edge, else -1.
    azimuth : (b,) azimuth of tau = 0 of each blade, rad, rotor frame.
    basis : spline basis, common to all blades.
    heights : (b, c) spline coefficients of the mid-lines, mm.
    ends : (b, 2) tau of the leading and the trailing edge, rad.
    extra_mm : (b,) thickness of each blade over the common one.
    tip_radius : departures of the tip radius along each blade; those of a cylinder where none are given.
    """

    radius_mm: float
    thickness_mm: float
    rounding_mm: Array
    turn: int
    azimuth: Array
    basis: Basis
    heights: Array
    ends: Array
    extra_mm: Array
    tip_radius: TipRadius = field(default_factory=lambda: TipRadius.of(None, np.zeros((1, 2)), 1.0))

    @property
    def blades(self) -> int:
        """Number of blades."""
        return len(self.azimuth)

    @property
    def thicker_mm(self) -> Array:
        """How much thicker (b,) each blade is than the middle one of the others, mm."""
        if self.blades == 1:
            return np.zeros(1)
        others = [np.delete(self.extra_mm, b) for b in range(self.blades)]
        return np.asarray(self.extra_mm - np.median(others, axis=1), np.float64)

    def copy(self) -> Rotor:
        """An independent copy."""
        return Rotor(
            self.radius_mm, self.thickness_mm, self.rounding_mm.copy(), self.turn, self.azimuth.copy(), self.basis,
            self.heights.copy(), self.ends.copy(), self.extra_mm.copy(), self.tip_radius.copy(),
        )  # fmt: skip

    def covered(self) -> Rotor:
        """The same on splines that reach to all ends of its blades, if they did not; beyond them it is straight."""
        first, last = float(self.ends[:, 0].min()), float(self.ends[:, 1].max())
        if self.basis.start <= first and last <= self.basis.stop:
            return self
        basis = Basis.over(first, last, self.radius_mm)
        tau = np.linspace(basis.start, basis.stop, 20 * basis.count)
        heights = np.linalg.lstsq(basis.matrix(tau), self.basis.matrix(tau) @ self.heights.T, rcond=None)[0].T
        return replace(self, basis=basis, heights=np.asarray(heights, np.float64))

    def with_tips(self, condition: TipCondition | None) -> Rotor:
        """The same with departures of the tip radius that count from where its blades now begin and end."""
        slope = float(np.median(self.basis.values(self.ends.mean(1), self.heights, np.arange(self.blades), 1)))
        mm_per_rad = float(np.hypot(self.radius_mm, slope))
        return replace(self, tip_radius=TipRadius.of(condition, self.ends, mm_per_rad, self.tip_radius))

    def radius_at(self, tau: Array, blade: NDArray[np.int64] | int) -> Array:
        """Tip radius (n,) mm at tau (n,) of blades (n,) or of one."""
        out: Array = self.radius_mm + self.tip_radius.departure(tau, blade)
        return out

    def half_mm(self, tau: Array, blade: NDArray[np.int64]) -> Array:
        """Height of the faces over the mid-line per mm of thickness (n,); `half` without the derivatives."""
        slope = self.basis.values(tau, self.heights, blade, 1) / self.radius_mm
        stretch = np.sqrt(1 + slope**2)
        half: Array = stretch / 2
        for end, sign in ((0, 1.0), (1, -1.0)):
            s = sign * self.radius_mm * (tau - self.ends[blade, end]) * stretch
            v = np.minimum(np.maximum(1 - s / self.rounding_mm[end], 0.0), 1.0)
            half = half * np.sqrt(np.maximum(1 - v * v, 1e-2))
        return half

    def half(self, tau: Array, blade: NDArray[np.int64]) -> tuple[Array, Array, Array, Array]:
        """Height of the faces over the mid-line per mm of thickness (n,), its derivatives by tau (n,), rounding and
        ends (2, n).

        Half the thickness, seen along the axis: 1 / (2 cos(blade angle)), times a quarter-ellipse at either edge.
        """
        slope = self.basis.values(tau, self.heights, blade, 1) / self.radius_mm
        bend = self.basis.values(tau, self.heights, blade, 2) / self.radius_mm
        stretch = np.sqrt(1 + slope**2)
        growth = slope * bend / stretch**2  # of the logarithm of the stretch
        by_tau = growth.copy()
        profile = np.ones(len(tau))
        by_rounding, by_ends = np.empty((2, len(tau))), np.empty((2, len(tau)))
        for end, sign in ((0, 1.0), (1, -1.0)):
            length = self.rounding_mm[end]
            s = np.maximum(sign * (tau - self.ends[blade, end]) * self.radius_mm * stretch, 0.0)
            v = np.clip(1 - s / length, 0.0, 1.0)
            ellipse = np.sqrt(np.maximum(1 - v**2, 1e-2))
            profile *= ellipse
            by_s = np.where(v < 0.995, v, 0.0) / ellipse**2 / length  # of the logarithm of the profile
            by_rounding[end] = -by_s * s / length
            by_ends[end] = -by_s * sign * self.radius_mm * stretch
            by_tau += by_s * s * growth - by_ends[end]
        half = stretch / 2 * profile
        return half, by_tau * half, by_rounding * half, by_ends * half

    def tip(self, blade: NDArray[np.int64], face: NDArray[np.int64], tau: Array) -> Array:
        """Points (n, 3) mm in the rotor frame on tip edges; face +1 inlet, -1 outlet, 0 mid-line."""
        z = self.basis.values(tau, self.heights, blade)
        if np.any(face):
            z = z + face * self.half_mm(tau, blade) * (self.thickness_mm + self.extra_mm[blade])
        phi = self.azimuth[blade] + self.turn * tau
        radius = self.radius_at(tau, blade)
        out: Array = np.stack([radius * np.cos(phi), radius * np.sin(phi), z]).T
        return out

    def tau_of(self, points: Array, blade: NDArray[np.int64]) -> Array:
        """tau (n,) of points (n, 3) by their azimuth, in the turn nearest to the middle of the blade."""
        phi = np.arctan2(points[:, 1], points[:, 0])
        middle = self.ends[blade].mean(1)
        tau = self.turn * (phi - self.azimuth[blade]) - middle
        out: Array = tau - 2 * np.pi * np.round(tau / (2 * np.pi)) + middle
        return out
