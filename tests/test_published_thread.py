"""A screw thread with a published lead, rendered as a rotor and taken through the commands from photographs to verdict.

ISO 2904, metric trapezoidal threads: pitch diameter d2 = d - 0.5 P; a thread of several starts climbs its lead in a
turn, so that tan(lead angle) = lead / (pi d2) (the helix of ISO 5408; sizes Tr 60 and pitches as in ISO 2901 and 2902,
formulas from memory). Blades of a rotor are the starts of such a thread, and their tips its pitch cylinder, enlarged.
"""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from seeds import generator

from bladeangle.cli.main import main
from bladeangle.imaging.camera import Camera, write_camera
from tests.synthetic import CameraModel, Exposure, Progressive, RotorShape, rotor_photos, write_json, write_photo
from tests.synthetic.scene import tip_curve

SIZE = (2016, 1512)
TIP_RADIUS_MM = 75.0
#: Tr 60x42 P14, three starts: d2 = 53 mm, lead 42 mm; the same with a pitch of 9 mm: d2 = 55.5 mm, lead 27 mm.
LEAD_MM, PITCH_DIAMETER_MM = 3 * 14.0, 60 - 14 / 2
OTHER_LEAD_MM, OTHER_PITCH_DIAMETER_MM = 3 * 9.0, 60 - 9 / 2
ANGLE_DEG = math.degrees(math.atan(LEAD_MM / (math.pi * PITCH_DIAMETER_MM)))
OTHER_DEG = math.degrees(math.atan(OTHER_LEAD_MM / (math.pi * OTHER_PITCH_DIAMETER_MM)))


def photographed(folder: Path, hand: int) -> tuple[str, ...]:
    """Photographs of the thread as a rotor, with ring and camera file; the words that measure them."""
    shape = RotorShape(
        blades=3, hand=hand, tip_radius_mm=TIP_RADIUS_MM, hub_radius_mm=40.0, nose_radius_mm=28.0, bore_radius_mm=13.0,
        outlet_bore_radius_mm=16.0, tip_length_mm=140.0, thickness_mm=2.6, root_thickness_mm=3.4, edge_round_mm=2.5,
        sweep_mm=10.0, laws=(Progressive(ANGLE_DEG, ANGLE_DEG),),
    )  # fmt: skip
    shape = replace(shape, height_mm=shape.base_mm + float(tip_curve(shape, 0).drop_mm[-1]) + 8.0)
    rng = generator(21)
    model = CameraModel().scaled(*SIZE)
    views = ("inlet", "outlet", "around-1", "around-3", "around-5")
    scenes = rotor_photos(rng, shape, model, views=views, exposure=Exposure(colour=False))
    for scene in scenes:
        write_photo(folder / scene.name, scene)
    write_json(folder / "ring.json", scenes[0].sheets[0].definition)
    sigma = np.array([1.3, 0.4, 0.4, 0.001, 0.01, 4e-5, 4e-5, 0.02])
    values = np.array([model.f_px, model.cx_px, model.cy_px, *model.dist]) + sigma * rng.normal(size=8)
    known = {"phone": f"Workshop {model.name}", "focal_35mm": model.focal_35mm}  # as a calibration writes it
    write_camera(Camera("rendered", *SIZE, values, np.diag(sigma**2), True, known), folder / "camera.json")
    names = [str(folder / f"{view}.jpg") for view in views]
    at = ["--ring", str(folder / "ring.json"), "--camera", str(folder / "camera.json")]
    return ("measure", names[0], *names[2:], "--turned", names[1], *at, "--tips", "new")


def run(*words: str) -> tuple[int, str]:
    """Exit code and standard output of a command."""
    found = CliRunner().invoke(main, list(words))
    assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
    return found.exit_code, found.stdout


@pytest.mark.slow
@pytest.mark.parametrize("hand", [pytest.param(1, id="right"), pytest.param(-1, id="left", marks=pytest.mark.campaign)])
def test_a_thread_of_three_starts_from_photographs_to_the_verdict(tmp_path: Path, hand: int) -> None:
    record, table, order = (str(tmp_path / name) for name in ("thread.json", "thread.csv", "order.toml"))
    assert run(*photographed(tmp_path, hand), "--out", record)[0] == 0
    data = json.loads(Path(record).read_text())
    rotor = data["rotor"]
    assert (rotor["blade_count"], rotor["hand"]) == (3, {1: "right", -1: "left"}[hand])
    enlarged = 2 * TIP_RADIUS_MM / PITCH_DIAMETER_MM
    for station in ("entry", "middle", "exit"):
        mean, pitch = rotor["stations"][station], rotor["pitch_mm"][station]
        assert mean["angle_deg"] == pytest.approx(ANGLE_DEG, abs=min(0.25, 3 * mean["standard_uncertainty_deg"]))
        assert 0.008 < mean["standard_uncertainty_deg"] < 0.25
        # the lead of the thread, which at 1 deg more would be 2.9 mm longer
        lead_mm, u_mm = pitch["value"] / enlarged, pitch["standard_uncertainty"] / enlarged
        assert lead_mm == pytest.approx(LEAD_MM, abs=min(1.0, 3 * u_mm))
        for blade in data["blades"]:
            found = blade["stations"][station]
            assert found["angle_deg"] == pytest.approx(ANGLE_DEG, abs=min(0.5, 3 * found["standard_uncertainty_deg"]))
    tip = rotor["tip_diameter_mm"]
    assert tip["value"] == pytest.approx(2 * TIP_RADIUS_MM, abs=min(0.6, 3 * tip["standard_uncertainty"]))

    code, printed = run("export", record)
    assert code == 0
    rows = [
        row for row in csv.DictReader(io.StringIO(printed)) if row["station"] == "middle" and row["blade"].isdigit()
    ]
    assert len(rows) == 3
    for row in rows:
        lead_mm, u_mm = (float(row[name]) / enlarged for name in ("pitch [mm]", "u_pitch [mm]"))
        assert lead_mm == pytest.approx(LEAD_MM, abs=min(1.5, 3 * u_mm))
    assert run("export", record, "--csv", table)[0] == 0

    stations = "".join(f"[stations.{s}]\nangle_deg = {{0:.3f}}\ntolerance_deg = 1.2\n" for s in ("entry", "exit"))
    for angle, expected in ((ANGLE_DEG, 0), (OTHER_DEG, 10)):
        Path(order).write_text('[order]\nname = "thread"\n' + stations.format(angle))
        doubts = [w for flag in data["flags"] for w in ("--despite", flag["code"])]
        code, said = run("verify", record, "--order", order, *doubts)
        assert code == expected, said
