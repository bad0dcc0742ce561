"""What a job has come to -> the pages that a phone shows."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from markupsafe import Markup

from bladeangle.base import inputs
from bladeangle.base.budget import STATIONS
from bladeangle.base.errors import DefinitionError
from bladeangle.base.flags import doubts_about, flag_words, open_doubts
from bladeangle.page.scene import angle_decimals
from bladeangle.page.templates import page_text
from bladeangle.phone.desk import Desk
from bladeangle.phone.drawing import drawing
from bladeangle.phone.folder import Job, Picture
from bladeangle.phone.steps import JobStatus, status_of
from bladeangle.records.summary import MARK

HERE = Path(__file__).parent
VERDICTS = {"good": "Good", "usable": "Good enough", "retake": "Take it again"}
ROLES = {
    "outlet": "Turned over, from above",
    "inlet": "Inlet end up, from above",
    "around": "From the side",
    "sheet": "Bare ring",
}
KINDS = {
    "measure": ("Measure a rotor", "Two photographs, three more from the side make it finer."),
    "shelf": ("Next rotor of the shelf", "Two photographs; it is measured while the next one is photographed."),
    "verify": ("Check a re-pitch", "Measures the rotor and judges it against its order."),
    "calibrate": ("Calibrate this phone", "Eight photographs of the bare ring, once for each phone."),
}


def _templates() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    env = Environment(
        loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    env.filters["places"] = lambda value, interval: f"{value:.{angle_decimals(interval)}f}"
    return env


def style() -> str:
    """The style sheet: that of the other pages, and what these need beside it."""
    return str(page_text("base.css")) + (HERE / "phone.css").read_text(encoding="utf-8")


def script() -> str:
    """The script."""
    return (HERE / "phone.js").read_text(encoding="utf-8")


class Pages:
    """The pages of a desk."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._env = _templates()

    def home(self) -> str:
        """Which job, and those there are."""
        return self._page("bladeangle", self.home_part(), "/part")

    def home_part(self) -> str:
        """What of the first page changes."""
        jobs = [(job, self._state(status_of(self.desk.folder, job))) for job in self.desk.folder.jobs()[:60]]
        return self._render("home.html", kinds=KINDS, jobs=jobs, cameras=bool(self.desk.cameras()))

    def new(self, kind: str, trouble: str = "", given: dict[str, str] | None = None) -> str:
        """The form for a job that needs to be told something."""
        content = self._render(
            "new.html", kind=kind, heading=KINDS[kind][0], trouble=trouble,
            given={"order": "", "before": "", "title": "", "diameter": ""} | (given or {}),
            orders=[order.name for order, _ in self.desk.known.orders], measured=self.desk.measured(),
        )  # fmt: skip
        return self._page(KINDS[kind][0], content)

    def job(self, job: Job) -> str:
        """A job's page."""
        return self._page(job.title, self.job_part(job), f"/job/{job.id}/part", job.id)

    def job_part(self, job: Job) -> str:
        """What of a job's page changes."""
        now = status_of(self.desk.folder, job)
        progress = self.desk.progress.get(job.id)
        settled = now.notice is not None or now.record is not None or now.camera is not None
        told = now.record.content.flags if now.record else []
        latest = max(now.pictures, key=lambda p: p.path.stat().st_mtime_ns, default=None)
        return self._render(
            "job.html",
            job=job,
            now=now,
            state=self._state(now),
            progress=progress,
            looking=self.desk.looking(job),
            drawing=drawing(now.wanted) if now.wanted else Markup(""),
            notice=now.notice,
            latest=latest if latest is not None and latest.check and not settled else None,
            verdicts=VERDICTS,
            stations=STATIONS,
            record=now.record.content if now.record else None,
            doubts=[flag_words(f, remedy=False) for f in open_doubts(told)],
            mark=lambda blade, station: MARK if doubts_about(told, blade, station) else "",
            report=(job.path / "report.html").is_file() and now.record is not None,
            on_paper=(job.path / "page.pdf").is_file(),
            judgements=self._judgements(now),
            uncalibrated=job.kind != "calibrate" and any(p.check.get("calibrated") is False for p in now.pictures),
            focal=self._focal(now),
            roles=ROLES,
            rows=[(p, _said(p)) for p in now.pictures],
        )

    def message(self, sentence: str) -> str:
        """A page with one sentence."""
        return self._page("bladeangle", Markup("<h1>{}</h1>").format(sentence))

    def report(self, job: Job) -> tuple[str, str] | None:
        """The job's report with the content policy that its own page names, None when there is none."""
        try:
            html = inputs.read_text(job.path / "report.html", inputs.REPORT)
        except DefinitionError:
            return None
        found = re.search(r"script-src '(sha256-[A-Za-z0-9+/=]+)'", html[:2000])
        script_source = f"'{found[1]}'" if found else "'none'"
        policy = (
            f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {script_source}; "
            "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-scripts"
        )
        return html, policy

    def page(self, job: Job) -> bytes | None:
        """The job's one page on paper as PDF, None when there is none."""
        try:
            return inputs.read_bytes(job.path / "page.pdf", inputs.REPORT)
        except DefinitionError:
            return None

    def _state(self, now: JobStatus) -> str:
        """How far a job has come, in a few words."""
        if now.job.id in self.desk.progress:
            return "being calculated"
        if now.camera is not None:
            return "calibrated"
        if now.record is not None:
            return str(now.verdict["verdict"]) if now.verdict else "measured"
        if now.failure is not None:
            return "could not be measured"
        count = len(now.pictures)
        return "no photograph yet" if not count else f"{count} photograph{'s' if count > 1 else ''}"

    def _judgements(self, now: JobStatus) -> list[Mapping[str, object]]:
        """What of the verdict does not conform or is undecided; all stations' means beside it."""
        rows = now.verdict["judgements"] if now.verdict else []
        return [row for row in rows if row["verdict"] != "conforming" or row["what"] == "mean"]

    def _focal(self, now: JobStatus) -> str:
        """How well the focal length of a calibrated phone is known."""
        if now.camera is None:
            return ""
        return f"{200 * float(now.camera.covariance[0, 0]) ** 0.5 / float(now.camera.parameters[0]):.2f}"

    def _page(self, title: str, content: str | Markup, part: str = "", job: str = "") -> str:
        mark = mark_of(str(content)) if part else ""
        return self._render("page.html", title=title, content=Markup(content), part=part, job=job, mark=mark)

    def _render(self, name: str, **values: Any) -> str:
        return str(self._env.get_template(name).render(**values))


def _said(picture: Picture) -> str:
    """The verdict on a photograph that counts."""
    return VERDICTS.get(str(picture.check.get("verdict", "")), "not looked at").lower()


def mark_of(part: str) -> str:
    """A short name for a state of a page, by which a phone knows whether anything has changed."""
    return hashlib.sha256(part.encode()).hexdigest()[:16]
