"""Prior values and their standard uncertainties -> observations of the unknowns, each with its source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np

from bladeangle.adjustment.model import GROOVE_KNOTS, Ints, Layout, RingState, State
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.base.geometry import Array, cross_matrix, exponential_precision
from bladeangle.tuning.adjustment import ROTOR
from bladeangle.tuning.detection import HUB
from bladeangle.tuning.priors import ANY_TIPS, PRIORS, TipCondition


@dataclass(frozen=True)
class Caliper:
    """A diameter over the tips that was measured: where along the blades (0 leading end, 1 trailing end), mm."""

    share: float
    diameter_mm: float
    sigma_mm: float


@dataclass(frozen=True)
class Priors:
    """What one measurement may know better than is usual (mm, degrees, pixels, ratios); `PRIORS` has all the rest.

    tips : what tips are like; None takes them for a cylinder. calipers : measured diameters, of the mean over blades.
    overlap : wrap of a blade as a share of the pitch between blades, and its standard uncertainty.
    """

    camera: Array  # (8,) values
    camera_covariance: Array  # (8, 8)
    radius_mm: float = field(default_factory=lambda: PRIORS.radius_mm)
    radius_sigma_mm: float = field(default_factory=lambda: PRIORS.radius_sigma_mm)
    tips: TipCondition | None = ANY_TIPS
    calipers: tuple[Caliper, ...] = ()
    thickness_mm: float = field(default_factory=lambda: PRIORS.thickness_mm)
    rounding_mm: float = field(default_factory=lambda: PRIORS.rounding_mm)
    focus_sigma: float = field(default_factory=lambda: PRIORS.focus_sigma)
    principal_sigma_px: float = field(default_factory=lambda: PRIORS.principal_sigma_px)
    bend_sigma_deg: float = field(default_factory=lambda: PRIORS.bend_sigma_deg)
    overlap: tuple[float, float] = field(default_factory=lambda: (ROTOR.usual_overlap, ROTOR.overlap_sigma))

    @cached_property
    def camera_information(self) -> Array:
        """Information (8, 8) of the camera's parameters."""
        return np.asarray(np.linalg.inv(self.camera_covariance), np.float64)


def unconfirmed(priors: Priors) -> Priors:
    """The same with the focal length less certain by `PRIORS.unconfirmed_focal`."""
    covariance = priors.camera_covariance.copy()
    covariance[0, 0] += (PRIORS.unconfirmed_focal * priors.camera[0]) ** 2
    return replace(priors, camera_covariance=covariance)


def unobserved(priors: Priors) -> Priors:
    """The same with the focal length no more certain than `PRIORS.unobserved_focal`, whatever the camera file says."""
    covariance = priors.camera_covariance.copy()
    covariance[0, 0] += max((PRIORS.unobserved_focal * priors.camera[0]) ** 2 - covariance[0, 0], 0.0)
    return replace(priors, camera_covariance=covariance)


@dataclass
class PriorTerm:
    """Normal equations of one source of prior information, of `rows` observations in all.

    size : unknowns (n); blocks : columns (k,) and information (k, k), or (k,) where it is diagonal; right_sides :
    columns (k,) and right-hand side (k,); cost : sum of squares in standard uncertainties.
    """

    size: int
    blocks: list[tuple[Ints, Array]] = field(default_factory=list)
    right_sides: list[tuple[Ints, Array]] = field(default_factory=list)
    cost: float = 0.0
    rows: int = 0

    def add_to(self, information: Array, right: Array) -> None:
        """Add to the information (n, n) and right-hand side (n,) of normal equations."""
        for columns, block in self.blocks:
            if block.ndim == 1:
                information[columns, columns] += block
            else:
                information[columns[:, None], columns] += block
        for columns, side in self.right_sides:
            right[columns] += side

    @property
    def information(self) -> Array:
        """All of it, (n, n)."""
        out = np.zeros((self.size, self.size))
        self.add_to(out, np.zeros(self.size))
        return out

    def redundancy(self, covariance: Array) -> float:
        """Expected value of `cost`: the observations less those that the unknowns absorb; covariance : (n, n)."""
        absorbed = 0.0
        for columns, block in self.blocks:
            if block.ndim == 1:
                absorbed += float(block @ covariance[columns, columns])
            else:
                absorbed += float((block * covariance[columns[:, None], columns]).sum())
        return self.rows - absorbed


@dataclass
class _Terms:
    """Collects prior terms by their source; columns are those of a layout."""

    layout: Layout
    by_source: dict[str, PriorTerm] = field(default_factory=dict)

    def put(self, source: str, columns: Ints, information: Array, right: Array, cost: float, rows: int) -> None:
        """Normal equations of `rows` observations: information (k, k), or (k,) of its diagonal, and right (k,)."""
        term = self.by_source.setdefault(source, PriorTerm(self.layout.size))
        term.blocks.append((columns, information))
        term.right_sides.append((columns, right))
        term.cost += cost
        term.rows += rows

    def add(self, source: str, columns: Ints, value: Array, sigma: Array, jac: Array | None = None) -> None:
        """Observations (m,) of nothing: values less their prior, with sigmas, derivatives (m, k) or of the columns."""
        w = np.ones(len(value)) / np.asarray(sigma) ** 2
        weighted = w * value
        cost = float(weighted @ value)
        if jac is None:
            self.put(source, columns, w, weighted, cost, len(value))
        else:
            self.put(source, columns, (jac.T * w) @ jac, weighted @ jac, cost, len(value))

    def columns(self, key: object, first: int = 0, count: int | None = None) -> Ints:
        """All columns of a group of unknowns, or `count` of them from the `first`."""
        at = self.layout[key]
        stop = at.stop if count is None else at.start + first + count
        return np.arange(at.start + first, stop)

    def blades(self, rotor: Rotor) -> Ints:
        """Columns (blades, k) of the blades: spline coefficients, ends, extra thickness."""
        return np.array([self.columns(("blade", b)) for b in range(rotor.blades)])


def prior_terms(state: RingState, layout: Layout, priors: Priors, start: RingState) -> dict[str, PriorTerm]:
    """Source -> normal equations of all prior information.

    `start` fixes what nothing measures, height and turn of the first setup; where grooves run is taken from it too.
    """
    terms = _Terms(layout)
    _of_photographs(terms, state, priors)
    if isinstance(state, State) and isinstance(start, State):
        _of_setups(terms, state, start)
        _of_tip_radius(terms, state.rotor, priors)
        _of_blades(terms, state, priors, start)
        _of_moves_and_grooves(terms, state, start)
        _of_likeness(terms, state.rotor, priors, start.rotor)
        _of_circles(terms, state)
    return terms.by_source


def _of_photographs(terms: _Terms, state: RingState, priors: Priors) -> None:
    """Camera, print and sheet, and what changes from photograph to photograph."""
    off = state.camera - priors.camera
    right: Array = priors.camera_information @ off
    at = terms.columns("camera")
    terms.put("camera calibration", at, priors.camera_information, right, float(off @ right), len(off))
    sheet_sigma = [PRIORS.stretch_sigma] * 2 + [PRIORS.saddle_sigma_mm] * 2 + [PRIORS.growth_sigma_mm]
    terms.add("print and flatness", terms.columns("sheet"), state.sheet, np.array(sheet_sigma))
    if state.pieces.size:
        sigma = np.tile([1, 1, 0.01], len(state.pieces)) * PRIORS.piece_sigma_mm
        terms.add("print and flatness", terms.columns("pieces"), state.pieces.reshape(-1), sigma)
    changes = np.concatenate([terms.columns(("photo", p), 6, 3) for p in range(len(state.focus))])
    sigma = np.array([priors.focus_sigma, priors.principal_sigma_px, priors.principal_sigma_px])
    value = np.column_stack([state.focus, state.principal])
    terms.add("focus and stabiliser", changes, value.reshape(-1), np.tile(sigma, len(value)))


def _of_setups(terms: _Terms, state: State, start: State) -> None:
    """Tilt of the axis in each setup, and the gauge: where the rotor's frame begins is a free choice."""
    for s in range(len(state.setups)):
        axis = state.r_ring_rotor[s][:, 2]
        tilt = np.sign(axis[2]) * axis[:2]
        sigma, jac = np.radians([PRIORS.tilt_sigma_deg] * 2), np.array([[0.0, 1.0], [-1.0, 0.0]])
        terms.add("tilt", terms.columns(("setup", s), 0, 2), tilt, sigma, jac)
        origin = state.t_ring_rotor[s] - [0.0, 0.0, start.t_ring_rotor[s, 2]]
        sigma = np.array([10.0, 10.0, PRIORS.turned_height_sigma_mm if s else 1e-3])
        terms.add("gauge", terms.columns(("setup", s)), origin, sigma, _by_setup(state, s))
    first = state.r_ring_rotor[0] @ start.r_ring_rotor[0].T
    turn = np.array([(first[1, 0] - first[0, 1]) / 2])
    terms.add("gauge", terms.columns(("setup", 0), 2, 1), turn, np.array([1e-5]))


def _of_tip_radius(terms: _Terms, rotor: Rotor, priors: Priors) -> None:
    """Common tip radius, its departures along the blades, and calipered diameters."""
    radius, tips = terms.columns("rotor", 0, 1), terms.columns("tips")
    off = np.array([rotor.radius_mm - priors.radius_mm])
    terms.add("tip radius", radius, off, np.array([priors.radius_sigma_mm]))
    coefficients = np.concatenate([rotor.tip_radius.shared, rotor.tip_radius.own.reshape(-1)])
    terms.add("tip wear", tips, coefficients, np.ones(len(tips)))
    for caliper in priors.calipers:
        row, radius_mm = over_tips(rotor, caliper.share)
        off = np.array([radius_mm - caliper.diameter_mm / 2])
        terms.add("tip radius", np.append(radius, tips), off, np.array([caliper.sigma_mm / 2]), row[None])


def _of_blades(terms: _Terms, state: State, priors: Priors, start: State) -> None:
    """Thickness and rounding, bend of the tip curves, and overlap; the gauge keeps equations regular of unseen blades.

    Heights are seen as angles and so go with the radius: smoothness is differentiated by the radius too.
    """
    rotor, columns, blades = state.rotor, terms.columns("rotor"), terms.blades(state.rotor)
    off = np.array([rotor.thickness_mm - priors.thickness_mm])
    terms.add("blade edges", columns[1:2], off, np.array([PRIORS.thickness_sigma_mm]))
    rounding = rotor.rounding_mm - priors.rounding_mm
    terms.add("blade edges", columns[2:], rounding, np.array([PRIORS.rounding_sigma_mm] * 2))
    basis, count = rotor.basis, rotor.basis.count
    curves = blades[:, :count].reshape(-1)
    # third differences: change of the angle's slope from knot to knot
    bend = _third_differences(rotor.blades, count)
    value = bend @ rotor.heights.reshape(-1)
    sigma = np.radians([priors.bend_sigma_deg]) * basis.step * rotor.radius_mm
    jac = np.column_stack([-value / rotor.radius_mm, bend])
    terms.add("smoothness", np.append(columns[0], curves), value, sigma, jac)
    heights = (rotor.heights - start.rotor.heights).reshape(-1)
    terms.add("gauge", curves, heights, np.full(len(curves), 500.0))
    ends = blades[:, count : count + 2].reshape(-1)
    moved = (rotor.ends - start.rotor.ends).reshape(-1)
    terms.add("gauge", ends, moved, np.tile([0.03, 3.0], rotor.blades))
    usual, spread = (2 * np.pi / rotor.blades * share for share in priors.overlap)
    wrap = np.array([float(np.diff(rotor.ends, axis=1).mean()) - usual])
    jac = np.tile([-1.0, 1.0], rotor.blades)[None] / rotor.blades
    terms.add("overlap", ends, wrap, np.array([spread]), jac)
    terms.add("blade edges", blades[:, -1], rotor.extra_mm, np.full(rotor.blades, PRIORS.extra_sigma_mm))


def _of_moves_and_grooves(terms: _Terms, state: State, start: State) -> None:
    """How far a rotor may be moved unnoticed, and what grooves do to either edge of the tip land."""
    for p, move in state.moves.items():
        sigma = np.array([np.radians(PRIORS.move_sigma_deg), PRIORS.move_sigma_mm, PRIORS.move_sigma_mm])
        terms.add("moves", terms.columns(("move", p)), move, sigma)
    information = groove_information(start)
    for face in (0, 1):
        right = information @ state.grooves[face]
        at = terms.columns("grooves", face * GROOVE_KNOTS, GROOVE_KNOTS)
        terms.put("grooves", at, information, right, float(right @ state.grooves[face]), GROOVE_KNOTS)


def _of_likeness(terms: _Terms, rotor: Rotor, priors: Priors, start: Rotor) -> None:
    """That the blades of a rotor are alike, in shape and in the places of their ends against even pitch.

    Shapes are differentiated by the radius too, on which heights are seen.
    """
    blades, count, freedom = terms.blades(rotor), rotor.basis.count, rotor.blades - 1
    columns = np.append(terms.columns("rotor", 0, 1), blades[:, :count].reshape(-1))
    off = rotor.heights - rotor.heights.mean(0)
    alike, functions = alike_information(rotor, priors, float(np.median(start.ends[:, 1])))
    right = alike @ off.reshape(-1)
    cost = float(right @ off.reshape(-1))
    by_radius = np.append(cost / rotor.radius_mm, -right) / rotor.radius_mm
    information = np.empty((len(columns), len(columns)))
    information[1:, 1:] = alike
    information[0], information[:, 0] = by_radius, by_radius
    right = np.append(-cost / rotor.radius_mm, right)
    terms.put("blades alike", columns, information, right, cost, freedom * functions)
    even = 2 * np.pi / rotor.blades * np.arange(rotor.blades)[:, None]
    places = rotor.azimuth[:, None] + rotor.turn * rotor.ends - even
    away = np.angle(np.exp(1j * (places - np.angle(np.exp(1j * places).mean(0)))))
    weight = (priors.radius_mm / PRIORS.alike_end_sigma_mm) ** 2
    apart = np.eye(rotor.blades) - 1 / rotor.blades
    for e in (0, 1):
        right, cost = weight * rotor.turn * away[:, e], weight * float(away[:, e] @ away[:, e])
        terms.put("blades alike", blades[:, count + e], weight * apart, right, cost, freedom)


def _of_circles(terms: _Terms, state: State) -> None:
    """How high hub circles lie.

    The rotor's frame begins at the sheet under the rotor set up inlet up. It stands on its outlet hub face, or nearly,
    and that face's rim is the largest circle seen when it is turned over.
    """
    if state.setups == ("inlet_up", "outlet_up") and 1 in state.circle_setup:
        rim = max((k for k, s in enumerate(state.circle_setup) if s == 1), key=lambda k: state.circles[k, 0])
        at = terms.columns("circles", 2 * rim + 1, 1)
        off = state.circles[rim, 1:] - PRIORS.rim_height_mm
        terms.add("hub circles", at, off, np.array([PRIORS.rim_height_sigma_mm]))
    if len(state.circles):
        curves = terms.blades(state.rotor)[:, : state.rotor.basis.count].reshape(-1)
        by_setup = [_by_setup(state, s) for s in range(len(state.setups))]
        terms.add("hub circles", *_circle_heights(state, terms.layout, curves, by_setup))


def over_tips(rotor: Rotor, share: float) -> tuple[Array, float]:
    """Mean radius, mm, over blades at a share of their length, and its derivatives (1 + k,) by radius and tips."""
    blades = np.arange(rotor.blades)
    tau = rotor.ends[:, 0] + share * (rotor.ends[:, 1] - rotor.ends[:, 0])
    shared, own = rotor.tip_radius.shapes(tau, blades)
    row = np.concatenate([[1.0], shared.mean(1), own.T.reshape(-1) / rotor.blades])
    return row, float(rotor.radius_at(tau, blades).mean())


def _circle_heights(
    state: State, layout: Layout, curves: Ints, by_setup: Sequence[Array]
) -> tuple[Ints, Array, Array, Array]:
    """Prior observations of each hub circle: how high it is, and how far beyond the blades.

    As columns (k,), values and sigmas (m,) mm, and derivatives (m, k).

    Height is that above the sheet, along the axis: what is seen is the upper end of the rotor. And it lies not far
    beyond the blades' upper ends, whatever the radius, to which all heights go together: hub faces of the two
    path-traced rotors and of rendered ones lie 4 to 6 mm beyond the trailing ends and 8 to 23 beyond the leading ones,
    a flare of the hub 15 to 30 below. Circles of one setup mostly lie on one face, so that all of them together carry
    the information of one.
    """
    rotor = state.rotor
    setup, heights = np.array(state.circle_setup), state.circles[:, 1]
    sign = np.sign(state.r_ring_rotor[:, 2, 2])[setup]
    ends = rotor.basis.matrix(rotor.ends.T.reshape(-1)).reshape(2, rotor.blades, -1)
    tips = (ends * rotor.heights).sum(2).mean(1)  # mean height of the leading ends, and of the trailing ones
    upper = np.where(sign > 0, 0, 1)
    high = state.t_ring_rotor[setup, 2] + sign * heights - HUB.plane_mm
    beyond = sign * (heights - tips[upper]) - HUB.beyond_mm
    count, each, of = len(heights), np.arange(len(heights)), 6 * len(by_setup)
    jac = np.zeros((2 * count, of + count + len(curves)))
    for s, by in enumerate(by_setup):
        jac[np.flatnonzero(setup == s), 6 * s : 6 * s + 6] = by[2]
    jac[each, of + each] = jac[count + each, of + each] = sign
    jac[count:, of + count :] = -sign[:, None] * ends.reshape(2, -1)[upper] / rotor.blades
    setups = [layout.columns["setup", s] for s in range(len(by_setup))]
    alone = np.sqrt(np.bincount(setup)[setup])
    columns = np.concatenate([*setups, layout.columns["circles"][1::2], curves])
    sigma = np.concatenate([PRIORS.circle_height_sigma_mm * alone, PRIORS.circle_beyond_sigma_mm * alone])
    return columns, np.concatenate([high, beyond]), sigma, jac


def _by_setup(state: State, setup: int) -> Array:
    """Derivative (3, 6) of the place of a setup's origin by its small rotation, about the pivot, and shift."""
    out = np.zeros((3, 6))
    out[:, :3], out[:, 3:] = cross_matrix(state.pivot(setup)), np.eye(3)
    return out


def groove_information(state: State) -> Array:
    """Information (GROOVE_KNOTS, GROOVE_KNOTS), 1/mm2, of what the grooves of the tip land do to one of its edges.

    A tip land is turned: its grooves lie at the same heights on all blades, and so move the same places of all edges
    alike, in every photograph from the side; no number of them takes that away. In path-traced photographs it is
    `PRIORS.groove_sigma_mm`, correlated over `PRIORS.groove_length_mm` along the tip.
    """
    rotor = state.rotor
    return _grooved(rotor.basis, rotor.radius_mm, PRIORS.groove_sigma_mm)


@lru_cache(maxsize=16)
def _grooved(basis: Basis, radius_mm: float, sigma_mm: float) -> Array:
    at = np.linspace(basis.start, basis.stop, GROOVE_KNOTS) * radius_mm
    return exponential_precision(at, PRIORS.groove_length_mm) / sigma_mm**2


@lru_cache(maxsize=16)
def _third_differences(blades: int, count: int) -> Array:
    """Those (blades * (count - 3), blades * count) of the coefficients of every blade."""
    return np.asarray(np.kron(np.eye(blades), np.diff(np.eye(count), 3, axis=0)), np.float64)


def alike_information(rotor: Rotor, priors: Priors, wrap: float) -> tuple[Array, int]:
    """Information (k, k) of all blades' coefficients that they are alike, and in how many functions of a blade.

    These are the slopes at the leading, middle and trailing parts and the height of the middle, each a share of the
    radius, and their spread about the mean of all blades is known. Blades of one rotor are made alike to about half a
    degree (common practice, no source); a blade that is not shows as soon as the photographs say so better.
    """
    slopes = rotor.basis.matrix(np.array([0.1, 0.5, 0.9]) * wrap, 1)
    like = np.vstack([slopes, rotor.basis.matrix(np.array([0.5 * wrap]))]) / rotor.radius_mm
    sigma = np.array([np.radians(PRIORS.alike_sigma_deg)] * 3 + [PRIORS.alike_height_sigma_mm / priors.radius_mm])
    weighted = like.T @ (like / sigma[:, None] ** 2)
    return np.asarray(np.kron(np.eye(rotor.blades) - 1 / rotor.blades, weighted), np.float64), len(like)
