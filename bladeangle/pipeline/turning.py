"""Camera file + photographs' sizes -> the camera turned by quarters to how an app has stored them.

A phone's pixels lie as its sensor does, whatever way it is held; its EXIF orientation says how to show them. Apps that
turn the pixels themselves make 3024 x 4032 of 4032 x 3024, and the calibration holds if it is turned with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from bladeangle.base.flags import Flag
from bladeangle.imaging.camera import Camera
from bladeangle.imaging.photo import picture_size
from bladeangle.imaging.pose import start_pose
from bladeangle.imaging.ring import Ring
from bladeangle.pipeline.shots import Shot
from bladeangle.tuning.pipeline import TURNING


def quarter_turned(camera: Camera, turns: int) -> Camera:
    """The camera of pictures whose pixels were turned counter-clockwise by so many quarters.

    A quarter puts pixel (x, y) at (y, width - 1 - x); the normalised axes turn alike, with them the tangential terms.
    """
    for _ in range(turns % 4):
        turn = np.eye(8)
        turn[1:3, 1:3] = turn[5:7, 5:7] = 0.0
        turn[1, 2], turn[2, 1] = 1.0, -1.0
        turn[5, 6], turn[6, 5] = -1.0, 1.0
        parameters = turn @ camera.parameters
        parameters[2] += camera.width - 1
        covariance = turn @ camera.covariance @ turn.T
        camera = replace(camera, width=camera.height, height=camera.width, parameters=parameters, covariance=covariance)
    return camera


def stands_upright(paths: Sequence[Path], camera: Camera | None) -> bool:
    """Whether every photograph has the camera file's size with width and height exchanged."""
    if camera is None or not camera.calibrated or camera.width == camera.height:
        return False
    return all(picture_size(path) == (camera.height, camera.width) for path in paths)


def turned_to_fit(shots: Sequence[Shot], ring: Ring, camera: Camera) -> tuple[Camera, list[Shot], Flag]:
    """The camera file turned the way that fits the ring in all shots better, and the shots posed anew by it.

    From straight above both ways fit alike, as they differ in little but the place of the lens's axis: then that is
    made uncertain by half of what they differ.

    Parameters
    ----------
    shots : with pictures that stand upright to the camera file, sighted with any of its quarter turns.
    """
    ways = [quarter_turned(camera, turns) for turns in (3, 1)]  # held upright, phones mostly store it turned like this
    poses = [
        [start_pose(s.sighting, ring, way.reduced(s.photo.reduction).parameters, s.name) for s in shots] for way in ways
    ]
    first, second = (float(np.sqrt(np.mean([p.rms_px**2 for p in placed]))) for placed in poses)
    k = 1 if second * TURNING.better_fit_ratio < first else 0
    posed = [replace(shot, pose=pose) for shot, pose in zip(shots, poses[k], strict=True)]
    found = ways[k]
    if max(first, second) < TURNING.better_fit_ratio * min(first, second):
        covariance = found.covariance.copy()
        covariance[[1, 2], [1, 2]] += ((ways[1].parameters[1:3] - ways[0].parameters[1:3]) / 2) ** 2
        found = replace(found, covariance=covariance)
    text = (
        f"The photographs stand upright, {found.width} x {found.height}, as an app turns them; the camera file was "
        "turned by a quarter with them."
    )
    return found, posed, Flag("quarter-turned", text)
