"""Are names from a serial board, from MQTT and from the files shown as text, never read as markup?"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from daemon import wait_for
from mosquitto import needs_mosquitto
from mosquitto import running as broker_running
from paho.mqtt import publish
from phone_page import EVIL, Board, PageDaemon, chromium, until, with_evil_mold, word

from benchd.core.intake.wire import encode


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with chromium() as context:
        yield context


def nothing_ran(page: Any) -> None:
    assert page.evaluate("document.querySelectorAll('img, script:not([src])').length") == 0
    assert page.evaluate("window.pwned") is None


@pytest.mark.wide
def test_a_name_from_a_serial_board_is_text(phone: Any, tmp_path: Path) -> None:
    """A fault's words, a name and a unit, in lines with right check sums."""
    daemon = PageDaemon(tmp_path)
    with daemon.started(), Board(daemon) as board:
        del board.values["cup"]  # else its next reading would be good again
        page = phone.new_page()
        page.goto(daemon.url)
        until(page, lambda: page.inner_text("#phase") == "Between pours", 30.0)
        board.send(json.dumps([{"bn": "b1-", "n": EVIL, "u": EVIL, "v": 1}], separators=(",", ":")))
        board.send(json.dumps([{"bn": "b1-", "n": "fault", "vs": f"cup {EVIL}"}], separators=(",", ":")))
        until(page, lambda: EVIL in page.inner_text("#strip"), 30.0)
        nothing_ran(page)


@pytest.mark.wide
@needs_mosquitto
def test_a_name_from_mqtt_is_text(phone: Any, tmp_path: Path) -> None:
    """A Wi-Fi board's fault, and a mark whose lot, id and author are hostile: its refusal is shown too."""
    (tmp_path / "broker").mkdir()
    with broker_running(tmp_path / "broker") as broker:
        daemon = PageDaemon(tmp_path / "daemon", mqtt_port=broker.port)
        config = daemon.folder / "bench.toml"
        source = f'kind = "mqtt_topics"\nport = {broker.port}\ntopics = ["benchd/board/b1/lines"]\n'
        config.write_text(
            re.sub(r'kind = "serial_lines"\nport = .*\nclock = "arrival".*\n', source, config.read_text("utf-8")),
            "utf-8",
        )
        with daemon.started():
            page = phone.new_page()
            page.goto(daemon.url)
            lines = encode([("pot", 0.0, None, "Pa")], board="b1-", fault=f"cup {EVIL}", seq=1, checked=False)

            def sent() -> bool:
                publish.single("benchd/board/b1/lines", lines, hostname="127.0.0.1", port=broker.port)
                return EVIL in str(page.inner_text("#strip"))

            until(page, sent, 30.0)
            mark = json.dumps({"id": "evil-1", "lot": EVIL, "by": EVIL, "text": EVIL})
            publish.single("benchd/v0/quiet-harbour/north/do/mix", mark, hostname="127.0.0.1", port=broker.port)
            wait_for(lambda: daemon.rows("SELECT seq FROM inputs WHERE kind = 'mark' AND body LIKE '%<img%'"))
            page.wait_for_timeout(1000)
            nothing_ran(page)


def test_a_name_from_the_files_is_text(phone: Any, tmp_path: Path) -> None:
    """Bench, pot, cup and mold named as markup, on both rooms and in the forms."""
    daemon = with_evil_mold(tmp_path)
    text = (tmp_path / "bench.toml").read_text("utf-8")
    for name in ("North bench", "Barrel", "witness cup"):
        text = text.replace(f'name = "{name}"', f"name = {json.dumps(EVIL)}")
    (tmp_path / "bench.toml").write_text(text, "utf-8")
    with daemon.started(), Board(daemon):
        page = phone.new_page()
        page.goto(daemon.url)
        until(page, lambda: page.inner_text("#title") == EVIL, 30.0)
        until(page, lambda: EVIL in page.inner_text("#strip"), 30.0)  # the pot's row
        assert EVIL in page.inner_text("#mix-molds")
        daemon.mark("mix", molds=["M03"])
        until(page, lambda: word(page) == f"Mixing. First {EVIL}.", 30.0)
        nothing_ran(page)
        page.click("#to-book")
        until(page, lambda: EVIL in page.inner_text("#book"), 30.0)
        page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        nothing_ran(page)
