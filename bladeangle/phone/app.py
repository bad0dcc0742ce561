"""The requests that the pages make -> what the desk does: addresses, forms, uploads, with their limits."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from bladeangle.base.errors import BladeangleError, OutputError, UsageError
from bladeangle.phone import pages as drawn
from bladeangle.phone.desk import Desk
from bladeangle.phone.folder import KINDS, Job, length_mm
from bladeangle.phone.guard import Guard
from bladeangle.phone.pages import Pages
from bladeangle.phone.uploads import PIECE_BYTES, Upload

#: Largest form or order of an upload, bytes; how long a phone may pause within a piece, s.
FORM_BYTES, PAUSE_S = 4000, 15.0


def application(desk: Desk, key: str, hosts: frozenset[str]) -> Guard:
    """The application: the pages of a desk behind the guard."""
    place = Handlers(desk)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        desk.resume()
        yield
        await desk.close()

    routes = [
        Route("/", place.home),
        Route("/part", place.home_part),
        Route("/style.css", place.style),
        Route("/script.js", place.script),
        Route("/new/{kind}", place.form),
        Route("/jobs", place.new_job, methods=["POST"]),
        Route("/job/{job}", place.job),
        Route("/job/{job}/part", place.job_part),
        Route("/job/{job}/report", place.report),
        Route("/job/{job}/page", place.page),
        Route("/job/{job}/measure", place.measure, methods=["POST"]),
        Route("/job/{job}/use", place.use, methods=["POST"]),
        Route("/job/{job}/leave-out", place.leave_out, methods=["POST"]),
        Route("/upload/{token}", place.upload, methods=["GET", "PUT", "PATCH"]),
    ]
    handlers: dict[Any, Any] = {HTTPException: place.refused, BladeangleError: place.impossible, 500: place.broken}
    return Guard(Starlette(routes=routes, lifespan=lifespan, exception_handlers=handlers), key, hosts)


class Handlers:
    """What answers each address."""

    def __init__(self, desk: Desk) -> None:
        self.desk, self.pages = desk, Pages(desk)
        self._style, self._script = drawn.style(), drawn.script()

    # --- pages --------------------------------------------------------------------------------------------------------

    async def home(self, _: Request) -> Response:
        """The first page: the jobs there are."""
        return HTMLResponse(self.pages.home())

    async def home_part(self, request: Request) -> Response:
        """What changes on the first page, or 204 while nothing does."""
        return _part(request, self.pages.home_part())

    async def style(self, _: Request) -> Response:
        """The style of all pages."""
        return PlainTextResponse(self._style, media_type="text/css")

    async def script(self, _: Request) -> Response:
        """The script of all pages."""
        return PlainTextResponse(self._script, media_type="text/javascript")

    async def form(self, request: Request) -> Response:
        """The form for a new job."""
        kind = request.path_params["kind"]
        if kind not in ("measure", "verify"):
            raise HTTPException(404)
        return HTMLResponse(self.pages.new(kind))

    async def job(self, request: Request) -> Response:
        """The page of a job."""
        return HTMLResponse(self.pages.job(self._job(request)))

    async def job_part(self, request: Request) -> Response:
        """What changes on a job's page, or 204 while nothing does."""
        return _part(request, self.pages.job_part(self._job(request)))

    async def report(self, request: Request) -> Response:
        """The report of a job that is measured, under its own content policy."""
        found = self.pages.report(self._job(request))
        if found is None:
            raise HTTPException(404)
        return HTMLResponse(found[0], headers={"content-security-policy": found[1]})

    async def page(self, request: Request) -> Response:
        """The page of a job as far as it has come."""
        found = self.pages.page(self._job(request))
        if found is None:
            raise HTTPException(404)
        headers = {"content-disposition": 'attachment; filename="blade-angles.pdf"'}
        return Response(found, media_type="application/pdf", headers=headers)

    # --- forms --------------------------------------------------------------------------------------------------------

    async def new_job(self, request: Request) -> Response:
        """Open the job that a form asks for; the form again, with a sentence, where it cannot be."""
        form = await _form(request)
        kind = form.get("kind", "")
        if kind not in KINDS:
            raise HTTPException(404)
        try:
            diameter = length_mm(form.get("diameter", ""))
            job = self.desk.new_job(
                kind, form.get("title", ""), diameter, form.get("order", ""), form.get("before", "")
            )
        except UsageError as error:
            if kind not in ("measure", "verify"):
                raise
            return HTMLResponse(self.pages.new(kind, f"{error.message} {error.hint}", form), 422)
        return RedirectResponse(f"/job/{job.id}", 303)

    async def measure(self, request: Request) -> Response:
        """Measure a job's photographs, also after a failure."""
        job = self._job(request)
        await _form(request)
        (job.path / "failure.json").unlink(missing_ok=True)
        self.desk.advance(job, asked=True)
        return RedirectResponse(f"/job/{job.id}", 303)

    async def use(self, request: Request) -> Response:
        """Use a photograph in spite of what is said of it."""
        job = self._job(request)
        await _form(request)
        self.desk.folder.use_anyway(job)
        self.desk.advance(job)
        return RedirectResponse(f"/job/{job.id}", 303)

    async def leave_out(self, request: Request) -> Response:
        """Set a photograph of a job aside."""
        job = self._job(request)
        self.desk.folder.set_aside(job, (await _form(request)).get("name", ""))
        self.desk.advance(job)
        return RedirectResponse(f"/job/{job.id}", 303)

    # --- uploads ------------------------------------------------------------------------------------------------------

    async def upload(self, request: Request) -> Response:
        """PUT begins an upload, PATCH adds a piece to it, GET tells how far it is and what was seen in it."""
        uploads, token = self.desk.uploads, request.path_params["token"]
        if request.method == "PUT":
            told = await _told(request)
            job = self.desk.folder.job(told["job"])
            if job is None or (told["role"] == "sheet") is not (job.kind == "calibrate"):
                raise HTTPException(404)
            found = uploads.begin(token, job.id, told["role"], told["replaced"], told["size"])
        else:
            known = uploads.find(token)
            if known is None:
                raise HTTPException(404)
            found = known
        if request.method == "PATCH":
            offset = request.headers.get("upload-offset", "")
            if not (offset.isascii() and offset.isdigit() and len(offset) < 12):
                raise HTTPException(400)
            if request.headers.get("content-type") != "application/octet-stream":
                raise HTTPException(415)
            if found.answer is None and not found.whole:
                await self._piece(request, found, int(offset))
            found = uploads.find(token) or found
        if found.whole:
            self.desk.arrived(found)
        return JSONResponse({"received": found.received, "size": found.size, "answer": found.answer})

    async def _piece(self, request: Request, upload: Upload, offset: int) -> None:
        """Put the request's body into the upload as it comes; what has come when it stops is kept."""
        if offset != upload.received:
            return  # the answer tells where to go on
        length = request.headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit() and len(length) < 12 and int(length) <= PIECE_BYTES):
            raise HTTPException(413)
        taken = 0
        stream = request.stream()
        with contextlib.suppress(ClientDisconnect, TimeoutError):
            while True:
                piece = await asyncio.wait_for(anext(stream, b""), PAUSE_S)
                if not piece:
                    return
                taken += len(piece)
                if taken > PIECE_BYTES:
                    raise HTTPException(413)
                self.desk.uploads.write(upload, offset, piece)
                offset += len(piece)

    # --- what goes wrong ----------------------------------------------------------------------------------------------

    def _job(self, request: Request) -> Job:
        job = self.desk.folder.job(request.path_params["job"])
        if job is None:
            raise HTTPException(404)
        return job

    async def refused(self, request: Request, error: Exception) -> Response:
        """Say in a sentence that a request is refused."""
        status = error.status_code if isinstance(error, HTTPException) else 400
        sentence = {
            404: "There is no such page.", 405: "There is no such page.", 413: "This is too large.",
            415: "This is no photograph.",
        }.get(status, "This request is not understood.")  # fmt: skip
        return self._told(request, sentence, status)

    async def impossible(self, request: Request, error: Exception) -> Response:
        """Say what could not be done, and what to do about it."""
        assert isinstance(error, BladeangleError)
        status = 507 if isinstance(error, OutputError) else 422
        return self._told(request, f"{error.message} {error.hint}".strip(), status)

    async def broken(self, request: Request, _: Exception) -> Response:
        """Say that the fault is the program's."""
        return self._told(request, "Internal error. The bench computer says more.", 500)

    def _told(self, request: Request, sentence: str, status: int) -> Response:
        # what is left of the body is not read, so that the connection ends here
        headers = {"connection": "close"} if request.method not in ("GET", "HEAD") else None
        if request.url.path.startswith("/upload/"):
            return JSONResponse({"sentence": sentence}, status, headers)
        return HTMLResponse(self.pages.message(sentence), status, headers)


def _part(request: Request, part: str) -> Response:
    """The part of a page that changes, or 204 when the phone has it."""
    mark = drawn.mark_of(part)
    if request.query_params.get("have") == mark:
        return Response(status_code=204)
    return HTMLResponse(part, headers={"x-mark": mark})


async def _body(request: Request) -> bytes:
    """A small body; HTTPException 413 when it is not small."""
    body = b""
    stream = request.stream()
    while piece := await asyncio.wait_for(anext(stream, b""), PAUSE_S):
        body += piece
        if len(body) > FORM_BYTES:
            raise HTTPException(413)
    return body


async def _form(request: Request) -> dict[str, str]:
    """The fields of a form, the last of each name."""
    kind = request.headers.get("content-type", "").split(";")[0]
    body = await _body(request)
    if kind != "application/x-www-form-urlencoded":
        raise HTTPException(415)
    try:
        fields = parse_qs(body.decode("utf-8"), keep_blank_values=True, max_num_fields=20)
    except ValueError as error:
        raise HTTPException(400) from error
    return {name: values[-1] for name, values in fields.items()}


async def _told(request: Request) -> dict[str, Any]:
    """What an upload is to be: job, role, replaced (words) and size (whole bytes)."""
    if request.headers.get("content-type") != "application/json":
        raise HTTPException(415)
    try:
        data = json.loads(await _body(request))
        told = {"job": data["job"], "role": data["role"], "replaced": data["replaced"], "size": data["size"]}
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise HTTPException(400) from error
    if not all(isinstance(told[k], str) for k in ("job", "role", "replaced")) or type(told["size"]) is not int:
        raise HTTPException(400)
    return told
