"""The camera file: JSON <-> Camera (intrinsics with their covariance and where they come from)."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import write_text_atomic
from bladeangle.base.geometry import CAMERA_PARAMETERS
from bladeangle.imaging.photo import reduced_px, reduction_of

SCHEMA = "bladeangle-camera/1"

#: Prior standard uncertainties of an uncalibrated phone, in the order of CAMERA_PARAMETERS: EXIF rounds the
#: 35 mm-equivalent focal length to a whole millimetre and rounds the sensor's diagonal, 4 % together; the principal
#: point is within about 1 % of the width of the centre (handled by `camera_from_exif`); distortion as phones have it
#: after their own correction (common practice, no source).
UNCALIBRATED_SIGMA = (0.04, 0.01, 0.01, 0.06, 0.1, 0.001, 0.001, 0.02)


@dataclass(frozen=True)
class Camera:
    """Intrinsics of one phone camera.

    parameters : (8,) in the order of `geometry.CAMERA_PARAMETERS`; pixels and pure numbers.
    covariance : (8, 8) of `parameters`.
    calibrated : whether the parameters come from a calibration rather than from EXIF.
    """

    name: str
    width: int
    height: int
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]
    calibrated: bool = True
    provenance: dict[str, Any] = field(default_factory=dict)

    @property
    def reduction(self) -> int:
        """The whole factor by which this camera's photographs are reduced to be worked on."""
        return reduction_of(self.width, self.height)

    def reduced(self, factor: float) -> Camera:
        """The camera in the pixels of its pictures reduced by a factor: lengths in pixels are so many times shorter."""
        if factor == 1:
            return self
        parameters = self.parameters.copy()
        parameters[0] /= factor
        parameters[1:3] = reduced_px(parameters[1:3], factor)
        shorter = np.append(np.full(3, 1 / factor), np.ones(len(parameters) - 3))
        covariance = shorter[:, None] * self.covariance * shorter
        size = int(self.width / factor), int(self.height / factor)
        return replace(self, width=size[0], height=size[1], parameters=parameters, covariance=covariance)

    def worked(self) -> Camera:
        """The camera in the pixels that its photographs are worked on in."""
        return self.reduced(self.reduction)


def camera_to_dict(camera: Camera) -> dict[str, Any]:
    """The camera file's contents."""
    return {
        "schema": SCHEMA,
        "name": camera.name,
        "width": camera.width,
        "height": camera.height,
        "parameters": {k: float(v) for k, v in zip(CAMERA_PARAMETERS, camera.parameters, strict=True)},
        "covariance": [[float(v) for v in row] for row in camera.covariance],
        "calibrated": camera.calibrated,
        "provenance": camera.provenance,
    }


def camera_from_dict(data: Any, source: str = "camera file") -> Camera:
    """Camera from the camera file's contents.

    Raises
    ------
    DefinitionError : anything missing, unknown, not finite, or a covariance that is not one.
    """
    hint = "Make the file with `bladeangle calibrate`."
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise DefinitionError(f"{source} is not a {SCHEMA} file.", hint)
    known = {"schema", "name", "width", "height", "parameters", "covariance", "calibrated", "provenance"}
    if unknown := sorted(set(data) - known):
        raise DefinitionError(f"{source} has the unknown key {unknown[0]!r}.", hint)
    try:
        values = np.array([float(data["parameters"][k]) for k in CAMERA_PARAMETERS])
        covariance = np.array(data["covariance"], dtype=float)
        width, height = int(data["width"]), int(data["height"])
        name = str(data["name"])
        provenance = dict(data.get("provenance", {}))
    except (KeyError, TypeError, ValueError, OverflowError) as e:
        raise DefinitionError.malformed(source, e, hint) from e
    if set(data["parameters"]) != set(CAMERA_PARAMETERS) or covariance.shape != (8, 8):
        raise DefinitionError(
            f"{source} needs exactly the parameters {', '.join(CAMERA_PARAMETERS)} and an 8 x 8 covariance.", hint
        )
    everything = np.concatenate([values, covariance.ravel()])
    if not np.isfinite(everything).all() or np.abs(everything).max() > 1e9:
        raise DefinitionError(f"{source} has values that are not finite or far too large.", hint)
    if not np.allclose(covariance, covariance.T, rtol=1e-6, atol=1e-12) or np.linalg.eigvalsh(covariance).min() < -1e-6:
        raise DefinitionError(f"{source}: the covariance is not symmetric and positive.", hint)
    size = max(width, height)
    if not (100 <= width <= 100_000 and 100 <= height <= 100_000 and 0.2 * size < values[0] < 20 * size):
        raise DefinitionError(
            f"{source}: a focal length of {values[0]:.0f} px does not fit a picture of {width} x {height}.", hint
        )
    return Camera(
        name, width, height, values, (covariance + covariance.T) / 2, bool(data.get("calibrated", True)), provenance
    )


def read_camera(path: Path) -> Camera:
    """Read a camera file; DefinitionError when it is missing or wrong."""
    return camera_from_dict(read_definition(path, "camera file"), f"The camera file {path.name!r}")


def write_camera(camera: Camera, path: Path) -> None:
    """Write a camera file atomically; OutputError when it cannot be written."""
    write_text_atomic(path, json.dumps(camera_to_dict(camera), indent=1, allow_nan=False) + "\n")


def read_definition(path: Path, what: str, limit_bytes: int = 4_000_000) -> Any:
    """Contents of a JSON definition file.

    Raises
    ------
    DefinitionError : missing, a folder, larger than `limit_bytes`, not text or not JSON.
    """
    try:
        if path.stat().st_size > limit_bytes:
            raise DefinitionError(
                f"The {what} {path.name!r} is larger than {limit_bytes // 1_000_000} MB.", "Name the right file."
            )
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise DefinitionError(f"The {what} {path.name!r} cannot be read: {e.strerror}.", "Check the name.") from e
    except (ValueError, RecursionError) as e:
        raise DefinitionError(
            f"The {what} {path.name!r} is not valid JSON.", "Name the right file, or make it again."
        ) from e


def camera_from_exif(width: int, height: int, focal_35mm: float | None, name: str = "uncalibrated") -> Camera:
    """Camera assumed for a phone that was never calibrated.

    The 35 mm-equivalent focal length is by the diagonal, 43.27 mm (CIPA DC-008 Exif, FocalLengthIn35mmFilm). Without
    one, 26 mm is assumed with four times the uncertainty.
    """
    sigma = np.array(UNCALIBRATED_SIGMA)
    diagonal_px = float(np.hypot(width, height))
    f_px = (focal_35mm or 26.0) * diagonal_px / np.hypot(36.0, 24.0)
    sigma[0] *= f_px * (1.0 if focal_35mm else 4.0)
    sigma[1:3] *= max(width, height)
    values = np.array([f_px, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0], float)
    return Camera(
        name, width, height, values, np.diag(sigma**2), False, {"from": "EXIF" if focal_35mm else "assumption"}
    )
