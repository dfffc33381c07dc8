"""Two paired phones at one running bench: who marked what, once; the watch handed over, also across a kill."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from daemon import wait_for
from paired_daemon import JSON, PairedDaemon

pytest.importorskip("cryptography", reason="cryptography is not installed: pip install -e '.[test]'")


class TwoPhones:
    """Ada's and Bo's, at one bench."""

    def __init__(self, daemon: PairedDaemon) -> None:
        self.daemon = daemon
        self.tokens = {name: daemon.token(name) for name in ("Ada", "Bo")}

    def asks(self, who: str, method: str, path: str, body: Any = None) -> dict[str, Any]:
        bearer = JSON | {"Authorization": f"Bearer {self.tokens[who]}"}
        return dict(json.loads(self.daemon.ask(method, path, bearer, body)[2]))

    def marks(self, who: str, verb: str, **more: Any) -> tuple[bool, str]:
        told = self.asks(who, "POST", "/api/v0/marks", {"verb": verb, **more})
        return told["ok"], told["why"]

    def holder(self) -> dict[str, Any] | None:
        cards = self.daemon.get("/api/v0/state")["cards"]
        return next((card for card in cards if card["of"] == "watch"), None)


def test_two_phones_count_once_and_hand_the_watch_over_across_a_kill(tmp_path: Path) -> None:
    daemon = PairedDaemon(tmp_path)
    with daemon.started():
        two = TwoPhones(daemon)
        assert two.asks("Ada", "GET", "/api/v0/me") == {"v": 0, "by": "page:Ada", "name": "Ada"}
        assert two.marks("Ada", "mix", molds=["M02", "M05"])[0]
        assert two.marks("Bo", "mix") == (True, "counted once: Ada marked it just now")
        assert two.marks("Ada", "watch") == (True, "Ada has the watch")
        assert two.marks("Ada", "watch", text="Bo") == (True, "Bo has the watch once a mark of Bo's comes")
        wait_for(lambda: (card := two.holder()) and card["phase"] == "handed")
        words = wait_for(lambda: len(said := daemon.get("/api/v0/state")["said"]) > 1 and said)
        assert [word["say"] for word in words] == ["North bench: yours, Ada.", "North bench: yours, Bo."]
        daemon.kill()
        daemon.start()
        wait_for(lambda: (card := two.holder()) and card["who"] == "Bo")
        assert [card["phase"] for card in daemon.get("/api/v0/state")["cards"] if card["of"] == "watch"] == ["handed"]
        assert two.marks("Bo", "heard")[0]
        wait_for(lambda: (card := two.holder()) and card["phase"] == "sure")
        assert two.marks("Ada", "kicked")[0]
        for who in ("Ada", "Bo"):
            assert two.marks(who, "demolded", mold="M02", grade="good")[0]
        graded = "SELECT mold, grade FROM parts WHERE grade IS NOT NULL"
        assert wait_for(lambda: daemon.rows(graded)) == [("m02", "good")]
        marks = [json.loads(body)["mark"] for (body,) in daemon.rows("SELECT body FROM inputs WHERE kind = 'mark'")]
        assert [(mark["verb"], mark["by"]) for mark in marks] == [
            ("mix", "page:Ada"), ("mix", "page:Bo"), ("watch", "page:Ada"), ("watch", "page:Ada"), ("heard", "page:Bo"),
            ("kicked", "page:Ada"), ("demolded", "page:Ada"), ("demolded", "page:Bo"),
        ]  # fmt: skip
        assert daemon.rows("SELECT count(*) FROM pours") == [(1,)]
