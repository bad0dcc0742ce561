"""Station angles against published screws and propellers, and against the renderer's own truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import cumulative_simpson, simpson
from scipy.interpolate import make_smoothing_spline
from seeds import generator
from simulated import observe
from simulated_noise import Noise
from simulated_run import measured
from simulated_truth import Changes, Truth, random_truth

from bladeangle.adjustment.adjust import Adjustment, adjust
from bladeangle.adjustment.model import ObservedView, applied
from bladeangle.adjustment.rotor import Basis, Rotor
from bladeangle.base.budget import STATIONS
from bladeangle.records.station import StationOptions, station_span
from bladeangle.results.angles import angle_gradient, arc_of, station_angle
from bladeangle.results.stations import Stations, measure_stations
from tests.synthetic import Progressive, RotorShape, random_rotor, station_angles
from tests.synthetic.scene import tip_curve

DEFAULT = StationOptions()


def rotor_through(arc_mm: np.ndarray, fall_mm: np.ndarray, radius_mm: float, knot_mm: float = 8.0) -> Rotor:
    """A one-bladed rotor whose tip mid-line goes through dense points from the leading to the trailing end."""
    tau = arc_mm / radius_mm
    basis = Basis(-0.05, float(tau[-1]) + 0.05, max(8, round(arc_mm[-1] / knot_mm)) + 3)
    bend = 1e-5 * np.diff(np.eye(basis.count), 3, axis=0)
    design = np.vstack([basis.matrix(tau), bend])
    heights = np.linalg.lstsq(design, np.concatenate([-fall_mm, np.zeros(len(bend))]), rcond=None)[0]
    ends = np.array([[0.0, tau[-1]]])
    return Rotor(radius_mm, 2.0, np.array([2.0, 2.0]), 1, np.zeros(1), basis, heights[None], ends, np.zeros(1))


def helix(pitch: float, diameter: float, radius_mm: float = 80.0) -> Rotor:
    """A screw of any size, enlarged to a rotor's radius: angles do not change with size."""
    arc = np.linspace(0, 200.0, 3000)
    return rotor_through(arc, arc / (2 * np.pi * radius_mm) * pitch * 2 * radius_mm / diameter, radius_mm)


@pytest.mark.parametrize(
    ("pitch", "pitch_diameter", "degrees", "minutes", "within"),
    [
        # Machinery's Handbook, 27th edition, Acme threads, table 3: lead angle at the basic pitch diameter D - P/2
        (1 / 16, 1 / 4 - 1 / 32, 5, 12, 0.5),
        (1 / 14, 5 / 16 - 1 / 28, 4, 42, 0.5),
        (1 / 12, 3 / 8 - 1 / 24, 4, 33, 0.5),
        (1 / 10, 1 / 2 - 1 / 20, 4, 3, 0.5),
        (1 / 6, 3 / 4 - 1 / 12, 4, 33, 0.5),
        # Machinery's Handbook, 27th edition, unified coarse threads, table 4a: at the pitch diameter D - 0.649519 P
        (1 / 64, 0.073 - 0.649519 / 64, 4, 31, 0.5),
        (1 / 40, 0.112 - 0.649519 / 40, 4, 45, 0.5),
        (1 / 32, 0.138 - 0.649519 / 32, 4, 50, 0.5),
        # ISO metric coarse threads, d2 = d - 0.649519 P (ISO 724); lead angles computed from tan = P / (pi d2)
        (1.0, 6 - 0.649519 * 1.0, 3, 24.3, 0.05),
        (1.25, 8 - 0.649519 * 1.25, 3, 10.1, 0.05),
        (1.5, 10 - 0.649519 * 1.5, 3, 1.7, 0.05),
    ],
)
def test_lead_angles_of_threads(pitch, pitch_diameter, degrees, minutes, within):
    rotor = helix(pitch, pitch_diameter)
    for station in STATIONS:
        found = station_angle(rotor, 0, station, DEFAULT)
        assert found * 60 == pytest.approx(degrees * 60 + minutes, abs=within + 0.02)


@pytest.mark.parametrize(
    ("pitch_ratio", "share", "angle_deg"),
    [
        # DTMB propeller 4119: P/D at r/R, angle atan(P/D / (pi r/R))
        (1.093, 0.5, 34.831),
        (1.084, 0.7, 26.240),
        (1.075, 1.0, 18.890),
        # Potsdam Propeller Test Case VP1304, likewise
        (1.400, 0.3, 56.052),
        (1.578, 0.5, 45.131),
        (1.635, 0.7, 36.630),
        (1.531, 0.9, 28.435),
        (1.355, 1.0, 23.331),
    ],
)
def test_propellers_cut_by_a_cylinder(pitch_ratio, share, angle_deg):
    radius_mm = 100.0 * share  # of a propeller of 200 mm diameter
    arc = np.linspace(0, 110.0, 3000)
    rotor = rotor_through(arc, arc * pitch_ratio * 200.0 / (2 * np.pi * radius_mm), radius_mm)
    for station in STATIONS:
        assert station_angle(rotor, 0, station, DEFAULT) == pytest.approx(angle_deg, abs=0.001)


@pytest.mark.parametrize(("inlet", "outlet"), [(62.53, 49.98), (56.53, 38.87)])
def test_compressor_blade_turning_from_inlet_to_outlet(inlet, outlet):
    """NASA TP-1659, Rotor 37, table III(a), tip and half span: blade angles from the axis at inlet and outlet.

    Between them the angle is let grow evenly along the blade: a short station then shows the angle at its middle.
    """
    entry, exit_ = 90 - inlet, 90 - outlet
    shape = RotorShape(blades=1, tip_radius_mm=80.0, tip_length_mm=90.0, laws=(Progressive(entry, exit_),))
    curve = tip_curve(shape, 0)
    rotor = rotor_through(curve.round_mm, curve.drop_mm, 80.0)
    short = StationOptions(length_mm=8.0, skip_mm=0.5)
    share = 4.5 / 90.0
    assert station_angle(rotor, 0, "entry", short) == pytest.approx(entry + share * (exit_ - entry), abs=0.01)
    assert station_angle(rotor, 0, "exit", short) == pytest.approx(exit_ - share * (exit_ - entry), abs=0.01)
    # over the whole length the line through the blade leans as its mean does, but for the curve's third order
    assert station_angle(rotor, 0, "middle", short) == pytest.approx((entry + exit_) / 2, abs=0.15)


@settings(max_examples=25)
@given(st.integers(0, 10_000))
def test_stations_of_random_rotors_are_the_renderers(seed):
    shape = random_rotor(generator(seed), blades=2)
    for blade in range(2):
        curve = tip_curve(shape, blade)
        every = np.unique(np.append(np.arange(0, len(curve.round_mm), 10), len(curve.round_mm) - 1))
        rotor = rotor_through(curve.round_mm[every], curve.drop_mm[every], shape.tip_radius_mm, 2.5)
        expected = station_angles(shape, blade)["mid"]
        for station in STATIONS:
            if station == "middle" and shape.tip_length_mm < 74.0:
                continue  # the measurement wants 5 mm of middle at least
            assert station_angle(rotor, 0, station, DEFAULT) == pytest.approx(expected[station], abs=0.005)


@pytest.mark.parametrize("station", STATIONS)
def test_the_least_squares_slope_is_that_of_the_whole_station_and_not_of_samples(station):
    """A law that turns back, 15 to 3.5 to 16 deg over 220 mm: line fitted by scipy's quadrature, evenly in length."""
    law = np.array([15.0, 3.5, 16.0])
    arc = np.linspace(0.0, 220.0, 20001)
    slope = np.tan(np.radians(np.interp(arc, [0, 110, 220], law)))
    slope = make_smoothing_spline(arc[::500], slope[::500], lam=2e5)(arc)  # no kink that a tip curve cannot have
    fall = cumulative_simpson(slope, x=arc, initial=0.0)
    length = cumulative_simpson(np.hypot(1.0, slope), x=arc, initial=0.0)
    rotor = rotor_through(arc[::10], fall[::10], 80.0, 4.0)
    low, high = station_span(length[-1], station, DEFAULT)
    inside = np.linspace(low, high, 20001)
    x, z = np.interp(inside, length, arc), np.interp(inside, length, fall)
    x -= simpson(x, x=inside) / (high - low)
    expected = np.degrees(np.arctan(simpson(x * z, x=inside) / simpson(x * x, x=inside)))
    assert station_angle(rotor, 0, station, DEFAULT) == pytest.approx(expected, abs=0.002)


def test_spans_of_the_stations():
    assert station_span(195.0, "entry", DEFAULT) == (2.0, 34.0)
    assert station_span(195.0, "middle", DEFAULT) == (34.0, 161.0)
    assert station_span(195.0, "exit", DEFAULT) == (161.0, 193.0)


def test_a_blade_too_short_for_a_middle_has_none():
    arc = np.linspace(0, 70.0, 500)
    rotor = rotor_through(arc, arc * 0.2, 80.0)
    assert np.isnan(station_angle(rotor, 0, "middle", DEFAULT))
    assert station_angle(rotor, 0, "entry", DEFAULT) == pytest.approx(np.degrees(np.arctan(0.2)), abs=1e-6)


def test_length_along_the_tip():
    arc = np.linspace(0, 120.0, 500)
    rotor = rotor_through(arc, arc * 0.75, 80.0)
    tau, length = arc_of(rotor, 0, rotor.ends[0])
    assert tau[-1] == pytest.approx(1.5, abs=1e-9)
    assert length[-1] == pytest.approx(150.0, abs=1e-6)  # 3-4-5
    assert np.all(np.diff(length) > 0)


@pytest.mark.parametrize("station", STATIONS)
def test_derivatives_of_an_angle_are_those_of_central_differences(station):
    arc = np.linspace(0, 130.0, 500)
    rotor = rotor_through(arc, 0.2 * arc + 0.0015 * arc**2, 80.0)
    found = angle_gradient(rotor, 0, station, DEFAULT)

    def angle(x):
        moved = rotor.copy()
        moved.radius_mm, moved.ends[0], moved.heights[0] = x[0], x[1:3], x[3:]
        return station_angle(moved, 0, station, DEFAULT)

    x = np.concatenate([[rotor.radius_mm], rotor.ends[0], rotor.heights[0]])
    steps = np.array([1e-3, 1e-5, 1e-5] + [1e-3] * rotor.basis.count)
    expected = [(angle(x + h) - angle(x - h)) / (2 * step) for h, step in zip(np.diag(steps), steps, strict=True)]
    np.testing.assert_allclose(found, expected, rtol=1e-4, atol=1e-5 * np.abs(expected).max())


# --- the budget and the curves of a simulated rotor ------------------------------------------------------------------


@pytest.fixture(scope="module", params=[3, 8])
def simulated(request: pytest.FixtureRequest) -> tuple[Truth, tuple[ObservedView, ...], Adjustment, Stations]:
    rng = generator(request.param)
    noise = Noise(ring_every=8)
    truth = random_truth(rng, "eight", Changes(blades=3), noise)
    views = observe(truth, rng, noise)
    return truth, views, *measured(truth, views, rng)


def line(found: Stations, name: str) -> np.ndarray:
    return next(x.covariance_deg2 for x in found.budget.lines if x.name == name)


@pytest.mark.parametrize(("face", "name"), [(1, "edge bias, inlet face"), (-1, "edge bias, outlet face")])
def test_the_edge_bias_is_what_edges_0_08_px_off_do(simulated, face, name):
    """Against adjustments of the same points, those of one face moved by ten times as much either way.

    By so much, since an adjustment settles to some thousandths of a degree.
    """
    truth, views, result, found = simulated
    angles = []
    for by_px in (0.8, -0.8):
        moved = []
        for view in views:
            shift = np.where(view.tips.face == face, by_px, 0.0)[:, None] * view.tips.normal
            moved.append(replace(view, tips=replace(view.tips, px=view.tips.px + shift)))
        after = adjust(truth.ring, tuple(moved), result.state, truth.priors)
        angles.append(measure_stations(after, DEFAULT).angle_deg)
    changed = np.abs(angles[0] - angles[1]) / 20
    stated = np.sqrt(np.diag(line(found, name)))
    assert np.abs(changed).mean() == pytest.approx(stated.mean(), rel=0.3)
    assert np.corrcoef(changed, stated)[0, 1] > 0.5  # of nine angles


def test_all_lines_but_those_added_are_the_propagated_covariance(simulated):
    """JCGM 100, 5.2: G C G^T of the angles' derivatives, here by differences along the unknowns' largest variances."""
    _, _, result, found = simulated
    added = {"edge bias, inlet face", "edge bias, outlet face", "edge bias, ring", "form of the wear"}
    added |= {"waviness of the tips"}
    total = sum(x.covariance_deg2 for x in found.budget.lines if x.name not in added)
    values, vectors = np.linalg.eigh(result.covariance)

    def angles_deg(step: np.ndarray) -> np.ndarray:
        rotor = applied(result.state, result.layout, step).rotor
        return np.array([station_angle(rotor, int(b) - 1, s, DEFAULT) for b, s in (x.split(".") for x in found.labels)])

    assert angles_deg(np.zeros(result.layout.size)) == pytest.approx(found.angle_deg, abs=1e-9)
    by = np.empty((len(found.labels), len(values)))
    for k, (value, vector) in enumerate(zip(values, vectors.T, strict=True)):
        step = np.sqrt(max(value, 0.0)) * vector * 0.02
        by[:, k] = (angles_deg(step) - angles_deg(-step)) / 0.04
    assert total == pytest.approx(by @ by.T, rel=0.02, abs=2e-5)
    assert {"focal length and lens", "tip edge points", "wear and run-out of the tips"} <= {
        x.name for x in found.budget.lines
    }


def test_the_length_along_the_axis_is_that_of_the_mean_blade(simulated):
    """Blades differ; its variance by differences along the unknowns' largest variances, as above."""
    _, _, result, found = simulated
    values, vectors = np.linalg.eigh(result.covariance)

    def falls_mm(step: np.ndarray) -> np.ndarray:
        rotor = applied(result.state, result.layout, step).rotor
        ends = [rotor.basis.values(at, rotor.heights, np.arange(rotor.blades)) for at in rotor.ends.T]
        return np.asarray(ends[0] - ends[1])

    each = falls_mm(np.zeros(result.layout.size))
    length_mm, u = found.sizes["axial_length"]
    assert length_mm == pytest.approx(each.mean(), abs=1e-9)
    assert np.abs(each - length_mm).min() > u / 10  # no single blade's
    steps = np.sqrt(np.maximum(values, 0.0)) * vectors * 0.02
    by = [(falls_mm(step) - falls_mm(-step)).mean() / 0.04 for step in steps.T]
    assert u == pytest.approx(np.linalg.norm(by), rel=0.02)


def test_curves_have_the_angles_and_uncertainties_of_their_entries(simulated):
    _, _, _, found = simulated
    u = dict(zip(found.labels, np.sqrt(np.diag(found.budget.covariance_deg2)), strict=True))
    for label, angle in zip(found.labels, found.angle_deg, strict=True):
        blade, station = label.split(".")
        arc, height, angles, spread = found.curves[int(blade)]
        inside = (arc > 2.0) & (arc < 34.0)
        if station != "entry":
            continue
        assert angles[inside].mean() == pytest.approx(angle, abs=0.25)
        fall = -np.polyfit(arc[inside], height[inside], 1)[0]
        assert np.degrees(np.arcsin(np.clip(fall, -1, 1))) == pytest.approx(angle, abs=0.3)
        assert 0.8 * u[label] < np.median(spread[inside]) < 6 * u[label]
