"""What browser tests, benches and the guide's pictures share: where Chromium is, a phone's screen and its network."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from typing import Any

#: A phone's screen: touch, 390 px.
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}


def program() -> str | None:
    """Chromium on this machine: what `CHROMIUM` names, or what is on the path; None without any."""
    names = [os.environ.get("CHROMIUM", ""), "chromium", "chromium-browser", "google-chrome"]
    return next((found for n in names if n and (found := shutil.which(n))), None)


def network(page: Any, latency_ms: int) -> Callable[[int], None]:
    """What makes the page's network so many kilobytes a second; 0: none at all; -1: as fast as it is."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")

    def becomes(kilobytes: int) -> None:
        rate = kilobytes * 1024 if kilobytes > 0 else -1
        how = {"offline": kilobytes == 0, "latency": latency_ms, "downloadThroughput": rate, "uploadThroughput": rate}
        session.send("Network.emulateNetworkConditions", how)

    return becomes
