"""The camera file: JSON <-> Camera (intrinsics with their covariance and where they come from)."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from bladeangle.base import inputs
from bladeangle.base.errors import DefinitionError
from bladeangle.base.files import write_text_atomic
from bladeangle.base.structure import File, Name, plain, read_as
from bladeangle.imaging.photo import reduced_px, reduction_of
from bladeangle.tuning.imaging import CAMERA

SCHEMA = "bladeangle-camera/1"
_HINT = "Make the file with `bladeangle calibrate`."

#: What a camera file may say, far beyond any phone: the centre within so much of the picture's middle, in its sides;
#: distortion that moves the picture's corner by at most so much of its distance; standard uncertainties from so little
#: on (the covariance is inverted) to so much of the focal length or the longer side, and of distortion.
MOST_OFF_CENTRE = 0.25
MOST_DISTORTION = 0.5
LEAST_SIGMA = 1e-9
MOST_SIGMA = 1.0
MOST_DISTORTION_SIGMA = 10.0


@dataclass(frozen=True)
class Camera:
    """Intrinsics of one phone camera.

    parameters : (8,) in the order of `geometry.CAMERA_PARAMETERS`; pixels and pure numbers.
    covariance : (8, 8) of `parameters`.
    calibrated : whether the parameters come from a calibration rather than from EXIF.
    provenance : where they come from; free JSON, which every version fills in its own way.
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


_Side = Annotated[int, msgspec.Meta(ge=100, le=100_000)]
_Parameter = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]
_Covariance = Annotated[float, msgspec.Meta(ge=-1e12, le=1e12, title="the covariance")]
_Row = tuple[_Covariance, _Covariance, _Covariance, _Covariance, _Covariance, _Covariance, _Covariance, _Covariance]


class Parameters(File, frozen=True):
    """Intrinsics as the camera file has them, in the order of `geometry.CAMERA_PARAMETERS`."""

    f_px: _Parameter
    cx_px: _Parameter
    cy_px: _Parameter
    k1: _Parameter
    k2: _Parameter
    p1: _Parameter
    p2: _Parameter
    k3: _Parameter


class CameraFile(File, frozen=True):
    """The camera file's contents."""

    schema: Literal["bladeangle-camera/1"]
    name: Name
    width: _Side
    height: _Side
    parameters: Parameters
    covariance: Annotated[tuple[_Row, _Row, _Row, _Row, _Row, _Row, _Row, _Row], msgspec.Meta(title="the covariance")]
    calibrated: bool = True
    provenance: dict[str, Any] = msgspec.field(default_factory=dict)


def camera_to_file(camera: Camera) -> CameraFile:
    """The camera file's contents."""
    return CameraFile(
        schema="bladeangle-camera/1",
        name=camera.name,
        width=camera.width,
        height=camera.height,
        parameters=Parameters(*camera.parameters.tolist()),
        covariance=camera.covariance.tolist(),
        calibrated=camera.calibrated,
        provenance=camera.provenance,
    )


def camera_from_dict(data: Any, source: str = "camera file") -> Camera:
    """Camera from the camera file's contents.

    Raises
    ------
    DefinitionError : anything missing, unknown, out of range, or a covariance that is not one.
    """
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise DefinitionError(f"{source} is not a {SCHEMA} file.", _HINT)
    try:
        file = read_as(data, CameraFile)
    except ValueError as e:
        raise DefinitionError(f"{source} {e}.", _HINT) from e
    return camera_of(file, source)


def camera_of(file: CameraFile, source: str = "camera file") -> Camera:
    """Camera from a camera file's contents as a structure; the errors of `camera_from_dict`."""
    try:
        values = np.array(msgspec.structs.astuple(file.parameters))
        covariance = np.array(file.covariance)
        _check_parameters(values, file.width, file.height)
        _check_covariance(covariance, values[0], max(file.width, file.height))
    except ValueError as e:
        raise DefinitionError(f"{source} {e}.", _HINT) from e
    covariance = (covariance + covariance.T) / 2
    return Camera(file.name, file.width, file.height, values, covariance, file.calibrated, file.provenance)


def _check_parameters(values: NDArray[np.float64], width: int, height: int) -> None:
    """Refuse what no lens does to a picture of this size."""
    f, cx, cy, k1, k2, p1, p2, k3 = values
    if not 0.2 < f / max(width, height) < 20:
        raise ValueError(f"has a focal length of {f:.6g} px, which does not fit a picture of {width} x {height}")
    if abs(cx / (width - 1) - 0.5) > MOST_OFF_CENTRE or abs(cy / (height - 1) - 0.5) > MOST_OFF_CENTRE:
        raise ValueError(f"has its centre at {cx:.6g}, {cy:.6g}, far from the middle of {width} x {height} px")
    r = np.linspace(0.0, np.hypot(max(cx, width - cx), max(cy, height - cy)) / f, 50)
    stretch = k1 * r**2 + k2 * r**4 + k3 * r**6
    across = 3 * np.hypot(p1, p2) * r
    rising = 1 + 3 * k1 * r**2 + 5 * k2 * r**4 + 7 * k3 * r**6
    if np.abs(stretch).max() > MOST_DISTORTION or across.max() > 0.1 or rising.min() <= 0:
        raise ValueError("has a distortion that folds or stretches the picture as no lens does")


def _check_covariance(covariance: NDArray[np.float64], f_px: float, size_px: int) -> None:
    """Refuse what is no covariance of a camera's parameters."""
    if not np.allclose(covariance, covariance.T, rtol=1e-6, atol=1e-12):
        raise ValueError("has a covariance that is not symmetric")
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if sigma.min() < LEAST_SIGMA or np.linalg.eigvalsh(covariance / np.outer(sigma, sigma)).min() < 1e-12:
        raise ValueError("has a covariance that is not positive definite")
    if sigma[0] > MOST_SIGMA * f_px or sigma[1:3].max() > MOST_SIGMA * size_px:
        raise ValueError("has a covariance far too large: it leaves focal length or centre open")
    if sigma[3:].max() > MOST_DISTORTION_SIGMA:
        raise ValueError("has a covariance far too large: it leaves the distortion open")


def read_camera(path: Path) -> Camera:
    """Read a camera file; DefinitionError when it is missing or wrong."""
    return camera_from_dict(inputs.read_json(path, inputs.CAMERA), inputs.shown_as(path, inputs.CAMERA))


def write_camera(camera: Camera, path: Path) -> None:
    """Write a camera file atomically; OutputError when it cannot be written."""
    write_text_atomic(path, json.dumps(plain(camera_to_file(camera)), indent=1, allow_nan=False) + "\n")


def camera_from_exif(width: int, height: int, focal_35mm: float | None, name: str = "uncalibrated") -> Camera:
    """Camera assumed for a phone that was never calibrated.

    The 35 mm-equivalent focal length is by the diagonal, 43.27 mm (CIPA DC-008 Exif, FocalLengthIn35mmFilm). Without
    one, 26 mm is assumed with four times the uncertainty.
    """
    sigma = np.array(CAMERA.uncalibrated_sigma)
    diagonal_px = float(np.hypot(width, height))
    f_px = (focal_35mm or 26.0) * diagonal_px / np.hypot(36.0, 24.0)
    sigma[0] *= f_px * (1.0 if focal_35mm else 4.0)
    sigma[1:3] *= max(width, height)
    values = np.array([f_px, (width - 1) / 2, (height - 1) / 2, 0, 0, 0, 0, 0], float)
    return Camera(
        name, width, height, values, np.diag(sigma**2), False, {"from": "EXIF" if focal_35mm else "assumption"}
    )
