"""Shows the phone page at a moment of the invented day in Chromium: its own files, a stream of one snapshot."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import parse_qs, urlsplit

from benchd.page.shell import static_files

URL = "http://bench.test/"
SIZES = ((360, 640), (390, 844), (844, 390), (768, 1024), (1280, 800))
"""Width and height [CSS px]: two phones, the larger on its side, a tablet, the shop's wall."""


WORD = "document.querySelector('#word')"


def show(page: Any, state: dict[str, Any], size: tuple[int, int] = (390, 844), ground: str = "light") -> None:
    """Open the page at that moment, wait until it is painted, its curve with it."""
    files, asked = static_files(), list[str]()

    def answer(route: Any) -> Any:
        url = urlsplit(route.request.url)
        name = url.path.lstrip("/") or "index.html"
        if name == "api/v0/stream":
            event = f"retry: 1000\nevent: snapshot\ndata: {json.dumps(state['snapshot'])}\n\n"
            return route.fulfill(status=200, content_type="text/event-stream", body=event)
        if name == "api/v0/history":
            channel = parse_qs(url.query)["channel"][0]
            points = state["history"].get(channel, [])
            asked.append(channel)
            return route.fulfill(json={"v": 0, "channel": channel, "points": points, "minutes": []})
        if name == "api/v0/plan":
            return route.fulfill(json={"v": 0, "sheet": state.get("sheet")})
        if name in files:
            return route.fulfill(status=200, content_type=files[name].media_type, body=files[name].body)
        return route.fulfill(status=404, json={"ok": False, "why": "not shown here"})

    page.unroute_all()
    page.route(f"{URL}**", answer)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(color_scheme=ground, reduced_motion="reduce")
    page.goto("about:blank")
    page.goto(URL, wait_until="commit")
    page.wait_for_function(
        "document.querySelector('#phase') && document.querySelector('#word').textContent !== 'Connecting.'"
    )
    wanted = sum(c["role"] in ("cup_temperature", "pot_pressure") for c in state["snapshot"]["bench"]["channels"])
    while len(asked) < wanted:
        page.wait_for_timeout(50)
    page.wait_for_timeout(600)  # the curves' past is drawn at the next tick
