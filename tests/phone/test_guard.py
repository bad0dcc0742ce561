"""An attacker's client: nothing gets in without the secret, under another name, from another page, or too often."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from bench import HOST, ORIGIN, client, start
from starlette.testclient import TestClient

from bladeangle.phone.folder import Folder
from bladeangle.phone.guard import BURST, COOKIE, MOST_ADDRESSES, Buckets

TOKEN = "0123456789abcdef" * 2
TOLD = {"job": "rotor-1", "role": "inlet", "replaced": "", "size": 9}
OCTETS = {"content-type": "application/octet-stream", "upload-offset": "0"}


def files(folder: Path) -> set[str]:
    return {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}


def test_the_address_lets_in_once_and_the_cookie_from_then_on(tmp_path: Path) -> None:
    key = Folder(tmp_path).key()
    with client(tmp_path, cookie=False) as browser:
        assert browser.get("/").status_code == 403
        answer = browser.get(f"/open/{key}")
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=Lax" in cookie and "Path=/" in cookie
        assert browser.get("/").status_code == 200


@pytest.mark.parametrize("wrong", ["", "x", "A" * 32, "%00", "..%2f..", "{key}x", "{short}", "ключ"])
@pytest.mark.parametrize("where", ["address", "cookie"])
def test_no_other_secret_opens_anything(tmp_path: Path, wrong: str, where: str) -> None:
    key = Folder(tmp_path).key()
    wrong = wrong.format(key=key, short=key[:-1])
    with client(tmp_path, cookie=False) as browser:
        before = files(tmp_path)
        if where == "address":
            answers = [browser.get(f"/open/{wrong}")]
        else:
            cookie = {"cookie": f"{COOKIE}={wrong}".encode()}
            answers = [browser.get("/", headers=cookie), browser.post("/jobs", data={"kind": "shelf"}, headers=cookie)]
        for answer in answers:
            assert answer.status_code == 403 and "set-cookie" not in answer.headers
            assert key not in answer.text
        assert files(tmp_path) == before


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8337", "127.0.0.1", "127.0.0.1:80", f"{HOST}.evil.example", ""]
)
def test_other_hosts_are_refused(tmp_path: Path, host: str) -> None:
    """As when a name of an attacker's is made to point here (DNS rebinding)."""
    key = Folder(tmp_path).key()
    with client(tmp_path) as browser:
        for path in ("/", f"/open/{key}", "/style.css"):
            answer = browser.get(path, headers={"host": host, "origin": f"http://{host}"})
            assert answer.status_code == 421 and "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", f"https://{HOST}", f"{ORIGIN}.evil.example", "", None]
)
def test_other_origins_change_nothing(tmp_path: Path, origin: str | None) -> None:
    with client(tmp_path) as browser:
        del browser.headers["origin"]
        headers = {} if origin is None else {"origin": origin}
        assert browser.post("/jobs", data={"kind": "shelf"}, headers=headers).status_code == 403
        told = {"job": "rotor-1", "role": "inlet", "replaced": "", "size": 10}
        assert browser.put(f"/upload/{TOKEN}", json=told, headers=headers).status_code == 403
        assert browser.patch(f"/upload/{TOKEN}", content=b"x", headers=OCTETS | headers).status_code == 403
        assert Folder(tmp_path).jobs() == []


def test_a_request_that_a_browser_marks_as_from_elsewhere_changes_nothing(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        for site, status in (("cross-site", 403), ("same-site", 403), ("same-origin", 303)):
            answer = browser.post("/jobs", data={"kind": "shelf"}, headers={"sec-fetch-site": site})
            assert answer.status_code == status


@pytest.mark.parametrize(
    "path",
    [
        "/job/..%2f..%2fetc/report", "/job/../.phone/key", "/.phone/key", "/rotors/",
        "/job/rotor-1/../../../etc/passwd",
        "/job/rotor-1/report/../../key", "/job/rotor-1%00/part", "/upload/..%2f..%2fkey", "/static/", "/new/shelf",
        "/job/rotor-1/report", "/job/rotor-1/inlet.jpg", "/job/rotor-1/job.json", "/jobs",
    ],
)  # fmt: skip
def test_no_path_leads_out_or_to_a_list(tmp_path: Path, path: str) -> None:
    (tmp_path / "secret.txt").write_text("nobody reads this")
    with client(tmp_path) as browser:
        assert start(browser, "shelf") == "rotor-1"
        answer = browser.get(path)
        assert answer.status_code in (404, 405, 422)
        assert "nobody reads" not in answer.text and Folder(tmp_path).key() not in answer.text
        assert str(tmp_path) not in answer.text and "Traceback" not in answer.text


@pytest.mark.parametrize(
    "told",
    [
        {}, [], "x", 7, {"job": "rotor-1"}, TOLD | {"size": True}, TOLD | {"size": 1e9}, TOLD | {"size": 2_000_000_000},
        TOLD | {"job": "../x"}, TOLD | {"role": "../../x"}, TOLD | {"replaced": "../a"}, TOLD | {"role": "sheet"},
    ],
)  # fmt: skip
def test_what_an_upload_is_told_to_be_is_checked(tmp_path: Path, told: Any) -> None:
    with client(tmp_path) as browser:
        start(browser, "shelf")
        before = files(tmp_path)
        answer = browser.put(f"/upload/{TOKEN}", json=told)
        assert answer.status_code in (400, 404, 422)
        assert files(tmp_path) == before


def test_bodies_of_other_kinds_and_sizes_are_refused(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        job = start(browser, "shelf")
        told = {"job": job, "role": "inlet", "replaced": "", "size": 100}
        assert browser.put(f"/upload/{TOKEN}", content=json.dumps(told)).status_code == 415
        deep = b"[" * 3000
        assert (
            browser.put(f"/upload/{TOKEN}", content=deep, headers={"content-type": "application/json"}).status_code
            == 400
        )
        assert (
            browser.post(
                "/jobs", content=b"k=" + b"x" * 5000, headers={"content-type": "application/x-www-form-urlencoded"}
            ).status_code
            == 413
        )
        assert browser.post("/jobs", files={"kind": b"shelf"}).status_code in (413, 415)
        assert browser.put(f"/upload/{TOKEN}", json=told).status_code == 200
        for headers, status in (
            ({"content-type": "image/jpeg", "upload-offset": "0"}, 415), (OCTETS | {"upload-offset": "-1"}, 400),
            (OCTETS | {"upload-offset": "1e3"}, 400), (OCTETS | {"upload-offset": "9" * 30}, 400),
        ):  # fmt: skip
            assert browser.patch(f"/upload/{TOKEN}", content=b"x", headers=headers).status_code == status
        assert browser.patch(f"/upload/{TOKEN}", content=b"x" * 101, headers=OCTETS).status_code == 422
        assert browser.patch(f"/upload/{TOKEN}", content=b"x" * 1_000_001, headers=OCTETS).status_code == 413
        assert browser.get(f"/upload/{TOKEN}").json()["received"] == 0
        assert Folder(tmp_path).jobs()[0].id == job and len(Folder(tmp_path).jobs()) == 1


def test_script_in_a_name_stays_text(tmp_path: Path) -> None:
    script = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    with client(tmp_path) as browser:
        job = start(browser, "measure", title=script)
        for path in ("/", f"/job/{job}", f"/job/{job}/part"):
            answer = browser.get(path)
            assert "<script>alert" not in answer.text and "<img" not in answer.text
        trouble = browser.post("/jobs", data={"kind": "measure", "title": script, "diameter": '"><script>'})
        assert trouble.status_code == 422
        assert "<script>alert" not in trouble.text and '"><script>' not in trouble.text
        assert "&lt;script&gt;" in trouble.text


def test_every_answer_has_a_strict_policy_and_pages_need_no_other(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        job = start(browser, "measure")
        for path in (
            "/",
            "/part",
            "/style.css",
            "/script.js",
            "/new/measure",
            "/new/verify",
            f"/job/{job}",
            "/nothing",
        ):
            answer = browser.get(path)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "same-origin", "`no-referrer` makes the origin of forms null"
            assert answer.headers["cache-control"] == "no-store"
            if "html" in answer.headers["content-type"]:
                assert not re.search(r"<script(?! src=\"/script\.js\" defer>)|<style| style=| on[a-z]+=", answer.text)
                assert not re.search(r"(?:src|href|action)=\"(?!/|data:,)", answer.text)
        refused = browser.get("/", headers={"host": "evil.example"})
        assert refused.headers["content-security-policy"] == policy


def test_what_goes_wrong_inside_is_not_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with client(tmp_path) as browser:

        def fail(_: Any) -> None:
            raise RuntimeError(f"secret of {tmp_path}")

        monkeypatch.setattr("bladeangle.phone.pages.Pages.home_part", fail)
        quiet = TestClient(browser.app, base_url=ORIGIN, raise_server_exceptions=False)
        quiet.cookies.set(COOKIE, Folder(tmp_path).key())
        answer = quiet.get("/")
        assert answer.status_code == 500
        assert "Internal error" in answer.text and "secret" not in answer.text and "Traceback" not in answer.text
        assert "content-security-policy" in answer.headers


# --- how often --------------------------------------------------------------------------------------------------------


def test_buckets_fill_with_time_and_forget_the_longest_unused() -> None:
    now = [0.0]
    buckets = Buckets(2.0, 5.0, lambda: now[0])
    assert [buckets.take("a") for _ in range(6)] == [True] * 5 + [False]
    assert buckets.take("b")
    now[0] = 1.0
    assert [buckets.take("a") for _ in range(3)] == [True, True, False]
    now[0] = 1000.0
    assert [buckets.take("a") for _ in range(6)] == [True] * 5 + [False]
    for k in range(5000):
        buckets.take(str(k))
    assert len(buckets._left) == MOST_ADDRESSES


def test_who_guesses_is_shut_out_even_with_the_right_secret(tmp_path: Path) -> None:
    key = Folder(tmp_path).key()
    with client(tmp_path, cookie=False) as browser:
        statuses = [browser.get(f"/open/{k:032d}").status_code for k in range(100)]
        assert statuses.count(403) <= 21 and statuses[-1] == 429
        assert browser.get(f"/open/{key}").status_code == 429


def test_who_asks_too_much_waits_and_is_let_in_again(tmp_path: Path) -> None:
    with client(tmp_path) as browser:
        clock = [0.0]
        browser.app.requests.clock = lambda: clock[0]  # type: ignore[attr-defined]
        statuses = [browser.get("/style.css").status_code for _ in range(int(BURST) + 50)]
        assert statuses[: int(BURST)] == [200] * int(BURST) and statuses[-50:] == [429] * 50
        clock[0] = 60.0
        assert browser.get("/style.css").status_code == 200
