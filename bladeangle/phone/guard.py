"""Requests -> refused, or let through: only with the secret, for our own name, from our own pages, not too many.

Cookie and address carry the same secret, compared in constant time. On the local network nothing is encrypted: who can
listen there can read it. What is refused is told in one sentence that is the same for all reasons of its kind.
"""

from __future__ import annotations

import collections
import hmac
import time
from collections.abc import Callable
from http import HTTPStatus
from http.cookies import CookieError, SimpleCookie

from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "bladeangle"
#: The address that the code shows begins like this; the secret follows.
ENTRANCE = "/open/"
#: Requests a second, and how many at once before that counts, for each address that asks; the same for refused ones,
#: of which an honest phone has none.
RATE, BURST = 20.0, 240.0
REFUSED_RATE, REFUSED_BURST = 0.5, 20.0
#: Most addresses that are remembered.
MOST_ADDRESSES = 512

#: Pages fetch nothing from elsewhere, run only our own script, and stand in no other page.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # with "no-referrer" browsers would not name the origin of a form
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=()",
    "cache-control": "no-store",
}

SENTENCES = {
    403: "This address does not open anything. Scan the code on the bench computer again.",
    421: "This page answers under its own address only. Scan the code on the bench computer again.",
    429: "Too many requests. Wait a minute.",
}


class Buckets:
    """Who may ask how often: a bucket of tokens for each address, filled steadily; the longest unused is forgotten."""

    def __init__(self, rate: float, burst: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.rate, self.burst, self.clock = rate, burst, clock
        self._left: collections.OrderedDict[str, tuple[float, float]] = collections.OrderedDict()

    def _now(self, who: str) -> float:
        left, then = self._left.get(who, (self.burst, self.clock()))
        return min(self.burst, left + (self.clock() - then) * self.rate)

    def empty(self, who: str) -> bool:
        """Whether nothing is left for this address."""
        return self._now(who) < 1

    def take(self, who: str) -> bool:
        """Take one; False when nothing is left."""
        left = self._now(who)
        self._left[who] = (left - (left >= 1), self.clock())
        self._left.move_to_end(who)
        while len(self._left) > MOST_ADDRESSES:
            self._left.popitem(last=False)
        return left >= 1


class Guard:
    """Stands before the application; hosts are the names, with port, under which the page is served."""

    def __init__(
        self, app: ASGIApp, key: str, hosts: frozenset[str], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.app, self.key, self.hosts = app, key, hosts
        self.requests = Buckets(RATE, BURST, clock)
        self.refused = Buckets(REFUSED_RATE, REFUSED_BURST, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or refuse it; nothing of its body is read before."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        who = scope["client"][0] if scope.get("client") else ""
        headers: dict[str, str] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1"), value.decode("latin-1"))
        status, entered = self._judged(scope, headers, who)
        if status:
            await _answer(send, status, SENTENCES[status])
        elif entered:
            cookie = f"{COOKIE}={self.key}; Path=/; HttpOnly; SameSite=Lax; Max-Age=2592000"
            await _answer(send, 303, "", {"location": "/", "set-cookie": cookie})
        else:
            await self.app(scope, receive, _with_headers(send))

    def _judged(self, scope: Scope, headers: dict[str, str], who: str) -> tuple[int, bool]:
        """The status with which to refuse, or 0; and whether the secret stands in the address."""
        if self.refused.empty(who) or not self.requests.take(who):
            return 429, False
        status = self._refused(scope, headers)
        # who has the secret in a cookie may be let in by the address too
        entered = not status and scope["path"].startswith(ENTRANCE)
        if status:
            self.refused.take(who)
        return status, entered

    def _refused(self, scope: Scope, headers: dict[str, str]) -> int:
        names = [name for name, _ in scope["headers"]]
        if headers.get("host", "").lower() not in self.hosts or names.count(b"host") != 1:
            return 421
        writes = scope["method"] not in ("GET", "HEAD")
        origin = headers.get("origin")
        if (origin is not None or writes) and origin not in {f"http://{host}" for host in self.hosts}:
            return 403
        if writes and headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return 403
        if scope["method"] == "GET" and scope["path"].startswith(ENTRANCE):
            return 0 if self._is_key(scope["path"].removeprefix(ENTRANCE)) else 403
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            cookie = None
        return 0 if cookie is not None and self._is_key(cookie.value) else 403

    def _is_key(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), self.key.encode("ascii"))


def _with_headers(send: Send) -> Send:
    """The sender that adds `HEADERS` where the application has set none of its own."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            more = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in there]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending


async def _answer(send: Send, status: int, sentence: str, extra: dict[str, str] | None = None) -> None:
    """A short answer of our own; what is left of the request is not read."""
    title = HTTPStatus(status).phrase
    body = (
        f'<!DOCTYPE html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>{title}</title><h1>{sentence}</h1></html>"
    ).encode()
    headers = {
        **HEADERS, "content-type": "text/html; charset=utf-8", "content-length": str(len(body)), "connection": "close",
        **(extra or {}),
    }  # fmt: skip
    if status == 303:
        del headers["connection"]
    sent = [(k.encode(), v.encode()) for k, v in headers.items()]
    await send({"type": "http.response.start", "status": status, "headers": sent})
    await send({"type": "http.response.body", "body": body})
