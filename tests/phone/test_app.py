"""The whole way as a phone takes it: photographs in, verdicts out, the rotor measured, everything in ordinary files."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from bench import CAMERA, PHOTOS, client, known, send, start, wait_for
from rendered_ring import encode, light_of, shot, trial_ring

from bladeangle.imaging.camera import read_camera
from bladeangle.phone.folder import Folder, read_json
from bladeangle.pipeline.sorting import photos_by_name
from bladeangle.records.record import read_record
from bladeangle.shop.ordering import order_from_record
from bladeangle.shop.orders import order_to_toml

INLET, OUTLET = (PHOTOS / "inlet.jpg").read_bytes(), (PHOTOS / "outlet.jpg").read_bytes()
#: What the blades' law says of the stations of the published rotor (fixtures/rotor-a/truth.json, linear from 10 to 16
#: degrees), to a quarter of a degree; `tests/test_end_to_end.py` is the sharper test.
WITHIN_DEG = 0.25


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one rotor that was measured through the pages."""
    folder = tmp_path_factory.mktemp("bench")
    with client(folder) as phone:
        job = start(phone, title="Heron <b>", diameter="159,4")
        assert "Turned over, from straight above" in phone.get(f"/job/{job}").text
        assert send(phone, job, "outlet", OUTLET) == {"verdict": "good", "sentences": [], "name": "outlet"}
        assert "Inlet end up, from straight above" in phone.get(f"/job/{job}").text
        again = send(phone, job, "inlet", OUTLET)
        assert again["verdict"] == "retake" and "here already" in again["sentences"][0]
        assert "Take it again" in phone.get(f"/job/{job}").text
        assert send(phone, job, "inlet", INLET)["verdict"] == "good"
        part = wait_for(phone, job, "Open the report")
        assert "Take it again" not in part
        assert "From the side, higher up" in part and "photograph 1 of 3" in part
    return folder


def test_the_rotor_is_measured_and_every_file_is_an_ordinary_one(measured: Path) -> None:
    job = measured / "rotors" / "rotor-1"
    assert (job / "inlet.jpg").read_bytes() == INLET and (job / "outlet.jpg").read_bytes() == OUTLET
    told = photos_by_name(job)
    assert [p.name for p in told.inlet_up] == ["inlet.jpg"] and [p.name for p in told.turned] == ["outlet.jpg"]
    record = read_record(job / "record.json")
    assert record.data["name"] == "Heron <b>"
    assert record.content.options.diameter_mm == 159.4
    means = {s: record.mean(s) for s in ("entry", "middle", "exit")}
    # 10.5, 13.0 and 15.42 are means of the linear law over the stations (fixtures/rotor-a/truth.json)
    for station, angle in (("entry", 10.5), ("middle", 13.0), ("exit", 15.42)):
        found = means[station]
        assert found is not None and found.angle_deg == pytest.approx(angle, abs=WITHIN_DEG)
    assert list((measured / ".phone" / "uploads").glob("*.part")) == []


def test_the_report_is_served_with_its_own_policy_and_none_of_our_rights(measured: Path) -> None:
    with client(measured) as phone:
        answer = phone.get("/job/rotor-1/report")
        assert answer.status_code == 200 and answer.text.rstrip().endswith("</html>")
        policy = answer.headers["content-security-policy"]
        assert (
            "script-src 'sha256-" in policy and "sandbox allow-scripts" in policy and "allow-same-origin" not in policy
        )
        assert "connect-src" not in policy and "default-src 'none'" in policy
        assert "Heron &lt;b&gt;" in answer.text and "<b>" not in answer.text.split("<style>")[0]


def test_the_one_page_is_handed_out_as_a_pdf(measured: Path) -> None:
    with client(measured) as phone:
        assert "One page as PDF" in phone.get("/job/rotor-1/part").text
        answer = phone.get("/job/rotor-1/page")
        assert answer.status_code == 200 and answer.headers["content-type"] == "application/pdf"
        assert answer.headers["content-disposition"].startswith("attachment")
        assert answer.content == (measured / "rotors" / "rotor-1" / "page.pdf").read_bytes()
        assert answer.content.startswith(b"%PDF") and phone.get("/job/rotor-99/page").status_code == 404


def test_the_page_is_the_same_for_another_phone_and_after_a_restart(measured: Path) -> None:
    with client(measured) as one:
        part = one.get("/job/rotor-1/part")
        assert one.get(f"/job/rotor-1/part?have={part.headers['x-mark']}").status_code == 204
    with client(measured) as two:
        assert two.get("/job/rotor-1/part").text == part.text
        assert part.text in two.get("/job/rotor-1").text
        home = two.get("/part").text
        assert "Heron &lt;b&gt;" in home and "measured" in home


def test_a_photograph_replaced_or_left_out_makes_the_result_go_and_come_again(measured: Path, tmp_path: Path) -> None:
    import shutil

    folder = tmp_path / "copy"
    shutil.copytree(measured, folder)
    with client(folder) as phone:
        assert phone.post("/job/rotor-1/leave-out", data={"name": "inlet"}).status_code == 303
        part = phone.get("/job/rotor-1/part").text
        assert "Open the report" not in part and "Inlet end up, from straight above" in part
        assert phone.post("/job/rotor-1/leave-out", data={"name": "../../../.phone/key"}).status_code == 303
        assert (folder / ".phone" / "key").exists()
        assert send(phone, "rotor-1", "inlet", INLET)["name"] == "inlet"
        part = wait_for(phone, "rotor-1", "Open the report")
        # sent once more, as by a phone that never heard the answer
        again = send(phone, "rotor-1", "inlet", INLET)
        assert (again["verdict"], again["name"]) == ("good", "inlet")
        assert len(Folder(folder).pictures(Folder(folder).jobs()[0])) == 2


def test_a_rotor_that_was_not_turned_over_is_noticed(tmp_path: Path) -> None:
    """Two different photographs of the same end from above: the second is one of the first with its noise changed."""
    picture = cv2.imdecode(np.frombuffer(INLET, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    dimmed = (picture * 0.97).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", dimmed, [cv2.IMWRITE_JPEG_QUALITY, 90])
    assert ok
    with client(tmp_path) as phone:
        job = start(phone)
        first = send(phone, job, "outlet", data.tobytes())
        assert first["name"] == "outlet"
        # its data of taking are gone, so that only the picture tells; take those of the second away as well
        ok, other = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
        second = send(phone, job, "inlet", other.tobytes())
        assert second["verdict"] == "retake" and "same end" in second["sentences"][0]
        assert "Use it anyway" in phone.get(f"/job/{job}/part").text
        assert phone.post(f"/job/{job}/use", data={"sure": "yes"}).status_code == 303
        assert [p.name for p in Folder(tmp_path).pictures(Folder(tmp_path).jobs()[0])] == ["outlet", "inlet"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"GIF89a" + b"x" * 5000, "not a photograph"), (b"\xff\xd8\xff" + b"x" * 5000, "damaged"),
        (INLET[:900_000], "damaged"), (b"<svg onload=alert(1)>", "not a photograph"),
        (b"PK\x03\x04" * 500, "not a photograph"),
    ],
    ids=["gif", "no jpeg", "cut", "svg", "zip"],
)  # fmt: skip
def test_what_is_no_whole_photograph_never_counts(tmp_path: Path, content: bytes, words: str) -> None:
    with client(tmp_path) as phone:
        job = start(phone)
        answer = send(phone, job, "outlet", content)
        assert answer["verdict"] == "retake" and words in answer["sentences"][0]
        assert "part" not in answer["sentences"][0].split() and str(tmp_path) not in str(answer)
        assert answer["sentences"][0].startswith("The photograph")
    assert {p.name for p in (tmp_path / "rotors" / "rotor-1").rglob("*")} == {"job.json"}
    assert list((tmp_path / ".phone" / "uploads").glob("*.part")) == []


@pytest.mark.slow
def test_two_phones_at_once_each_have_their_own_rotor(tmp_path: Path) -> None:
    with client(tmp_path) as phone:
        jobs = [start(phone, title=f"rotor of phone {k}") for k in (1, 2)]
        answers: dict[str, Any] = {}

        def way(job: str, first: str) -> None:
            pair = {"outlet": OUTLET, "inlet": INLET}
            answers[job] = [
                send(phone, job, role, pair[role])["verdict"] for role in sorted(pair, reverse=first == "outlet")
            ]

        threads = [
            threading.Thread(target=way, args=(job, role)) for job, role in zip(jobs, ("outlet", "inlet"), strict=True)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert answers == {job: ["good", "good"] for job in jobs}
        for job in jobs:
            wait_for(phone, job, "Open the report")
    for job in jobs:
        record = read_record(tmp_path / "rotors" / job / "record.json")
        assert record.data["name"] == f"rotor of phone {job[-1]}"
        assert {p.name: p.standing for p in record.content.photos} == {
            "inlet.jpg": "inlet_up",
            "outlet.jpg": "outlet_up",
        }


def test_two_tabs_that_send_the_same_photograph_make_one(tmp_path: Path) -> None:
    with client(tmp_path) as phone:
        job = start(phone)
        answers: list[Any] = []
        threads = [
            threading.Thread(target=lambda: answers.append(send(phone, job, "outlet", OUTLET, token="ab" * 16)))
            for _ in range(2)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(answers) == 2 and answers[0] == answers[1]
        assert (tmp_path / "rotors" / job / "outlet.jpg").read_bytes() == OUTLET


@pytest.mark.slow
def test_a_re_pitch_is_judged_against_its_order(measured: Path, tmp_path: Path) -> None:
    import shutil

    folder = tmp_path / "copy"
    shutil.copytree(measured, folder)
    record = read_record(folder / "rotors" / "rotor-1" / "record.json")
    doubted = ("station-cut-short",)  # of a pair from above; what it does to an order is tested elsewhere
    order = order_from_record(record, {"exit": -3.0}, tolerance_deg=0.4, name="exits lower", despite=doubted)
    told = known(orders=((order, order_to_toml(order).encode()),), inches=True, paper="letter")
    with client(folder, told) as phone:
        page = phone.get("/new/verify").text
        assert "exits lower" in page and "Heron &lt;b&gt;" in page
        assert phone.post("/jobs", data={"kind": "verify", "order": "2"}).status_code == 422
        assert phone.post("/jobs", data={"kind": "verify", "order": "1", "before": "rotor-9"}).status_code == 422
        job = start(phone, "verify", order="1", before="rotor-1", title="came back")
        for role, content in (("outlet", OUTLET), ("inlet", INLET)):
            send(phone, job, role, content)
        part = wait_for(phone, job, "Not conforming")
        assert "exits lower" in part and "Mean exit" in part and "changes" in part
        assert "not conforming" in phone.get("/part").text
    verdict = read_json(folder / "rotors" / job / "verdict.json")
    assert verdict["verdict"] == "not conforming" and verdict["change"] is True
    report = (folder / "rotors" / job / "report.html").read_text(encoding="utf-8")
    assert "arc length from the leading edge, in<" in report and "Hub, mm" not in report
    assert b"/MediaBox [ 0 0 612 792 ]" in (folder / "rotors" / job / "page.pdf").read_bytes()


@pytest.mark.slow
def test_the_next_rotor_of_the_shelf_needs_no_words(tmp_path: Path) -> None:
    with client(tmp_path) as phone:
        job = start(phone, "shelf")
        for role, content in (("outlet", OUTLET), ("inlet", INLET)):
            send(phone, job, role, content)
        part = wait_for(phone, job, "Next rotor")
        assert 'name="kind" value="shelf"' in part
        assert start(phone, "shelf") == "rotor-2"
        wait_for(phone, job, "Open the report")


def test_without_a_calibration_it_is_said_and_another_phones_is_not_used(tmp_path: Path) -> None:
    other = read_camera(CAMERA)
    other = type(other)(
        other.name, other.width, other.height, other.parameters, other.covariance, True, {"phone": "Other 3"}
    )
    with client(tmp_path, known(camera=other)) as phone:
        job = start(phone)
        send(phone, job, "outlet", OUTLET)
        assert "not calibrated" in phone.get(f"/job/{job}/part").text
    check = json.loads((tmp_path / "rotors" / job / "checks" / "outlet.json").read_text())
    assert check["calibrated"] is False and check["phone"] == "Workshop Pocket 7"


@pytest.mark.slow
def test_a_phone_is_calibrated_and_used_from_then_on(tmp_path: Path) -> None:
    ring = trial_ring()
    camera = np.array([1150.0, 803.0, 596.0, 0.03, -0.04, 0.0003, -0.0004, 0.0])
    with client(tmp_path, known(camera=None)) as phone:
        assert "No phone is calibrated yet" in phone.get("/").text
        job = start(phone, "calibrate")
        assert job == "camera-1"
        for k, (tilt, azimuth, roll) in enumerate(
            [(3, 10, 0), (30, 70, 0), (38, 160, 90), (42, 250, 0), (35, 330, 90)]
        ):
            light = light_of(ring, shot(camera, tilt, azimuth, 320.0, roll))
            _, data = cv2.imencode(".png", encode(light, noise=0.01, rng=np.random.default_rng(k)))
            answer = send(phone, job, "sheet", data.tobytes())
            assert answer["name"] == f"sheet-{k + 1}", answer
        part = phone.get(f"/job/{job}/part").text
        assert "photograph 6 of 8" in part and "Calibrate with these" in part
        assert phone.post(f"/job/{job}/measure", data={"sure": "yes"}).status_code == 303
        part = wait_for(phone, job, "Focal length known to")
        assert "No phone is calibrated yet" not in phone.get("/").text
    found = read_camera(tmp_path / "cameras" / "camera-1" / "camera.json")
    assert found.parameters[0] == pytest.approx(1150.0, rel=0.004)
    assert [c.width for c in Folder(tmp_path).cameras()] == [1600]


def test_photographs_that_cannot_be_measured_are_told_and_may_be_tried_again(tmp_path: Path) -> None:
    """The ring without a rotor, used anyway."""
    ring = trial_ring()
    camera = np.array([1150.0, 803.0, 596.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    with client(tmp_path, known(camera=None)) as phone:
        job = start(phone)
        for k, role in enumerate(("outlet", "inlet")):
            light = light_of(ring, shot(camera, 2.0, 90.0 * k, 320.0, 0))
            _, data = cv2.imencode(".png", encode(light, noise=0.01, rng=np.random.default_rng(k)))
            answer = send(phone, job, role, data.tobytes())
            assert answer["verdict"] == "retake"
            assert any("No rotor" in s for s in answer["sentences"])
            phone.post(f"/job/{job}/use", data={"sure": "yes"})
        part = wait_for(phone, job, "Not measured")
        assert "Try again" in part and "Internal error" not in part
