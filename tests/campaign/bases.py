"""Sound sets of photographs with their truth, rendered once and kept in a cache folder."""

from __future__ import annotations

import hashlib
import json
import os
import threading
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bladeangle.base.files import atomic_path, write_bytes_atomic
from tests import synthetic
from tests.synthetic import CameraModel, Exposure, Scene, jpeg_bytes, random_rotor, rotor_photos, truth
from tests.synthetic.photograph import radiance
from tests.synthetic.sensor import expose

VIEWS = ("inlet", "outlet", "around-1", "around-4")
#: Standard uncertainties of the camera file's parameters; what a calibration reaches.
CAMERA_SIGMA = {"f_px": 1e-3, "cx_px": 1.0, "cy_px": 1.0, "k1": 3e-3, "k2": 1e-2, "p1": 1e-4, "p2": 1e-4, "k3": 3e-3}

Image = NDArray[np.uint8]
# The renderer keeps the last scene's light in a module variable.
_rendering = threading.Lock()


@dataclass(frozen=True)
class Base:
    """One rotor with its sound photographs: scenes by view name, truth as `truth.json`, the cache they live in.

    usual : the flags that its sound photographs raise; they say nothing of a fault.
    """

    seed: int
    scenes: dict[str, Scene]
    truth: dict[str, Any]
    cache: Path
    usual: frozenset[str] = frozenset()

    @property
    def ring(self) -> dict[str, Any]:
        """The ring definition."""
        definition: dict[str, Any] = self.scenes["inlet"].sheets[0].definition
        return definition

    def camera(self) -> dict[str, Any]:
        """A camera file that fits the renders, each parameter off by a draw from its stated uncertainty."""
        t = self.truth["camera"]
        k1, k2, p1, p2, k3 = t["dist"]
        true = {"f_px": t["f"], "cx_px": t["cx"], "cy_px": t["cy"], "k1": k1, "k2": k2, "p1": p1, "p2": p2, "k3": k3}
        sigma = np.array([CAMERA_SIGMA["f_px"] * t["f"], *list(CAMERA_SIGMA.values())[1:]])
        off = np.random.default_rng(self.seed).normal(0.0, sigma)
        # The order of the camera file's parameters is the order in which its covariance stands.
        return {
            "schema": "bladeangle-camera/1",
            "name": t["name"],
            "width": t["width"],
            "height": t["height"],
            "parameters": {k: v + float(o) for (k, v), o in zip(true.items(), off, strict=True)},
            "covariance": np.diag(sigma**2).tolist(),
            "calibrated": True,
            "provenance": {"phone": f"Workshop {t['name']}", "focal_35mm": t["f35"]},
        }


def make_base(seed: int, size: tuple[int, int], folder: Path) -> Base:
    """A random rotor of 3 to 5 blades; the same seed gives the same rotor at every size."""
    rng = np.random.default_rng([seed, 5])
    shape = random_rotor(rng, blades=3 + seed % 3)
    scenes = rotor_photos(rng, shape, CameraModel().scaled(*size), views=VIEWS, exposure=Exposure(colour=False))
    return Base(seed, dict(zip(VIEWS, scenes, strict=True)), truth(scenes, f"rotor-{seed}"), folder)


@cache
def _renderer() -> str:
    """A hash of the renderer's source, so that a changed one does not meet old renders."""
    files = sorted(Path(synthetic.__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()


def image_of(scene: Scene, folder: Path) -> Image:
    """The rendered picture of a scene; its light is cached, so that another exposure of it costs little."""
    plain = replace(scene, exposure=Exposure(colour=scene.exposure.colour, vignetting=scene.exposure.vignetting))
    stored = folder / f"{hashlib.sha256((_renderer() + repr(plain)).encode()).hexdigest()[:24]}.npy"
    with _rendering:
        if stored.exists():
            light = np.load(stored)
        else:
            light = radiance(scene)
            folder.mkdir(parents=True, exist_ok=True)
            with atomic_path(stored) as temporary:
                np.save(temporary, light.astype(np.float16))
    return expose(light.astype(np.float32), scene.exposure)


def jpeg_of(scene: Scene, image: Image) -> bytes:
    """The file a phone would write of a picture of a scene."""
    return jpeg_bytes(image, scene.exposure.quality, scene.camera.name, scene.camera.focal_35mm)


def write_json_file(path: Path, data: Any) -> None:
    """JSON, NaN and all, as the file faults want it."""
    write_bytes_atomic(path, json.dumps(data).encode())


def default_cache() -> Path:
    """Where renders are kept between runs."""
    import tempfile

    user = os.getuid() if hasattr(os, "getuid") else 0
    return Path(tempfile.gettempdir()) / f"bladeangle-campaign-{user}"
