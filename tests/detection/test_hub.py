"""Hub and bore of the shipped photographs, and the peaks by which their radii are found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from painted import ABOVE, Painted, photographs
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks
from seeds import generator

from bladeangle.base.geometry import pixels
from bladeangle.detection import hub
from bladeangle.imaging.camera import read_camera
from bladeangle.imaging.photo import read_photo
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.ring import read_ring, sight_ring
from bladeangle.tuning.detection import HUB

ROOT = Path(__file__).resolve().parents[2]


@given(st.integers(0, 10_000))
@settings(max_examples=50, deadline=None)
def test_peaks_are_those_of_scipy(seed):
    """`scipy.signal.find_peaks`, which takes half a second to import."""
    values = 2 * gaussian_filter1d(generator(seed).normal(size=480), 5.0)
    assert hub._peaks(values, 0.15) == find_peaks(values, prominence=0.15)[0].tolist()


@pytest.mark.parametrize("off_mm", [(0.0, 0.0), (6.0, -5.0)])
def test_the_hub_is_the_same_wherever_it_is_looked_for(off_mm):
    """The refinement ends at the same circles, whatever the votes were cast about."""
    ring = read_ring(ROOT / "calibration" / "trial-ring.json")
    camera = read_camera(ROOT / "calibration" / "camera-pocket7.json").parameters
    photo = read_photo(ROOT / "fixtures" / "rotor-a" / "inlet.jpg")
    sighting = sight_ring(photo, ring)
    pose = start_pose(sighting, ring, camera, photo.name)
    plane = hub.Plane(lambda points: pixels(points @ pose.r_camera_ring.T + pose.t_camera_ring_mm, camera))
    circles = hub.find_hub(photo, plane, np.array(off_mm), sighting.blur_px)
    assert [c.radius_mm for c in circles] == pytest.approx([27.463, 13.726], abs=0.003)
    for circle in circles:  # of two heights, seen from a little beside the axis
        assert circle.share > 0.9
        assert np.linalg.norm(circle.centre_mm - circles[0].centre_mm) < 0.5


@pytest.mark.parametrize("height_mm", [20.0, 75.0])
def test_a_circle_on_another_plane_is_seen_the_same(height_mm):
    """A pinhole camera that looks straight down, 12 and -7 mm beside the ring's centre and 310 mm up."""
    eye = np.array([12.0, -7.0, 310.0])

    def seen(circle, azimuth):
        place = circle.centre_mm + circle.radius_mm * np.array([np.cos(azimuth), np.sin(azimuth)])
        return (place - eye[:2]) / (eye[2] - circle.height_mm)

    none = np.zeros((0, 2))
    circle = hub.HubCircle(np.array([1.0, 2.0]), 30.0, none, none, np.zeros(0), 1.0)
    other = circle.on(height_mm, eye)
    assert other.height_mm == height_mm
    assert abs(other.radius_mm - 30.0) > 2.0
    for azimuth in (0.0, 1.0, 4.0):
        assert seen(other, azimuth) == pytest.approx(seen(circle, azimuth), abs=1e-12)
    assert other.on(HUB.plane_mm, eye).centre_mm == pytest.approx(circle.centre_mm, abs=1e-9)


def test_the_rim_is_the_largest_circle_that_nothing_hides():
    """The axis of outlines stands under it; the flare of a hub is larger, lower, and hidden by blades in part."""
    none = np.zeros((0, 2))
    flare, rim, bore = (
        hub.HubCircle(np.array([x, 0.0]), radius, none, none, np.zeros(0), share)
        for x, radius, share in ((0.4, 34.7, 0.66), (0.1, 25.8, 0.99), (0.0, 12.7, 1.0))
    )
    assert hub.rim_of([flare, rim, bore]) is rim
    assert hub.rim_of([flare]) is flare


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("off_mm", [(0.0, 0.0), (5.0, -7.0)])
def test_painted_circles_are_found_as_they_are(seed, off_mm):
    """Circles of 28 and 13 mm at 64 mm, carried along the rays to the plane at 55 mm: k = (300 - 55) / (300 - 64)."""
    rotor, eye = Painted(), np.array(ABOVE.place_mm)
    photo = photographs(rotor, seed)[0]
    plane = hub.Plane(ABOVE.px)
    k = (300.0 - HUB.plane_mm) / (300.0 - 64.0)
    circles = hub.find_hub(photo, plane, (1 - k) * eye[:2] + np.array(off_mm), 0.85)
    assert [c.radius_mm for c in circles] == pytest.approx([28.0 * k, 13.0 * k], abs=0.02)
    for circle, radius in zip(circles, (28.0, 13.0), strict=True):
        assert circle.centre_mm == pytest.approx((1 - k) * eye[:2], abs=0.01)
        assert circle.share > 0.95
        there = circle.on(64.0, eye)
        assert there.centre_mm == pytest.approx([0.0, 0.0], abs=0.01)
        assert there.radius_mm == pytest.approx(radius, abs=0.01)
        middle = ABOVE.px(np.array([[0.0, 0.0, 64.0]]))[0]
        outwards = circle.px - middle
        assert ((outwards * circle.normal).sum(1) / np.hypot(*outwards.T)).min() > 0.99
        assert np.hypot(*outwards.T) == pytest.approx(1500.0 / 236.0 * radius, abs=0.5)
        assert 0.02 < np.hypot(*outwards.T).std() < 0.2  # they are measured, not those of the circle
        assert circle.sigma_px.min() >= 0.03
        assert 0.04 < np.median(circle.sigma_px) < 0.09


def test_no_circle_is_refused():
    from bladeangle.base.errors import EdgesError

    photo = photographs(Painted(), 1)[0]
    with pytest.raises(EdgesError, match="no circle of hub or bore"):
        hub.find_hub(photo, hub.Plane(ABOVE.px), np.array([200.0, 0.0]), 0.85)
