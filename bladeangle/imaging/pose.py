"""Ring sighting and camera -> a start for the pose of one photograph.

A plane seen nearly straight on has two poses that look almost alike; both are refined and the better kept, and how much
better it is, is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import RingNotFoundError
from bladeangle.base.files import import_cv2
from bladeangle.imaging.ring import Ring, RingSighting

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """Pose of a photograph: x_camera = r_camera_ring @ x_ring + t_camera_ring_mm.

    rms_px : root mean square corner residual.
    """

    r_camera_ring: Array
    t_camera_ring_mm: Array
    rms_px: float

    @property
    def eye_mm(self) -> Array:
        """The camera's centre (3,) in the ring frame."""
        out: Array = -self.r_camera_ring.T @ self.t_camera_ring_mm
        return out

    @property
    def obliquity_deg(self) -> float:
        """Angle between the ring's normal and the line from the ring's centre to the camera."""
        eye = self.eye_mm
        return float(np.degrees(np.arctan2(np.hypot(eye[0], eye[1]), eye[2])))


def start_pose(sighting: RingSighting, ring: Ring, camera: Array, name: str = "photograph") -> Pose:
    """Start pose from marker corners; camera (8,) as in `geometry`.

    Raises
    ------
    RingNotFoundError : no pose in front of the camera and above the sheet explains the corners.
    """
    cv2 = import_cv2()
    plane = np.column_stack([ring.corners_mm[sighting.seen].reshape(-1, 2), np.zeros(4 * len(sighting.seen))])
    px = np.ascontiguousarray(sighting.corners_px.reshape(-1, 2))
    matrix = np.array([[camera[0], 0, camera[1]], [0, camera[0], camera[2]], [0, 0, 1]])
    distortion = camera[3:].copy()
    candidates = []
    for method in (cv2.SOLVEPNP_IPPE, cv2.SOLVEPNP_SQPNP):
        _, vectors, shifts, _ = cv2.solvePnPGeneric(plane, px, matrix, distortion, flags=method)
        candidates += list(zip(vectors, shifts, strict=True))
    refined = []
    for vector, shift in candidates:
        if not (np.isfinite(vector).all() and np.isfinite(shift).all()):
            continue
        v, t = cv2.solvePnPRefineLM(plane, px, matrix, distortion, np.array(vector, float), np.array(shift, float))
        r = cv2.Rodrigues(v)[0]
        t = np.ravel(t)
        if t[2] <= 0 or (-r.T @ t)[2] <= 0:
            continue
        seen, _ = cv2.projectPoints(plane, v, t, matrix, distortion)
        refined.append((float(np.sqrt(((seen.reshape(-1, 2) - px) ** 2).sum(1).mean())), r, t))
    if not refined:
        raise RingNotFoundError(
            f"{name}: the markers do not fit the ring definition.",
            "Name the ring definition that was printed, and its camera file.",
        )
    rms, r, t = min(refined, key=lambda c: c[0])
    return Pose(r, t, rms)
