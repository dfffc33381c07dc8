"""Does `benchd pair` say what to do when it can't, and draw its QR code?"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd import cli
from benchd.commands import pair


def test_without_a_daemon_it_says_what_to_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("benchd.runtime.http.local_client.SYSTEM_SOCKET", tmp_path / "none")
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert cli.main(["pair"]) == 1
    assert "benchd run" in capsys.readouterr().err


def test_a_refusal_is_told_in_the_daemons_words() -> None:
    with pytest.raises(pair.PairingRefused, match="pairing = true"):
        pair.answered("GET", "/x", asked=lambda *rest: (409, {"ok": False, "why": "write pairing = true"}))


def test_a_qr_code_is_drawn_whole(capsys: pytest.CaptureFixture[str]) -> None:
    """Its size by ISO/IEC 18004: 17 + 4 x version modules and a quiet zone of 4, two module rows a line."""
    segno = pytest.importorskip("segno", reason="segno is not installed: pip install -e '.[test]'")
    text = "https://bench.lan:8127/pair#ABCD-EFGH"
    pair.show_qr(text)
    drawn = capsys.readouterr().out
    rows = 17 + 4 * int(segno.make(text, error="m", micro=False).version) + 2 * 4
    assert len(drawn.splitlines()) == pytest.approx(rows / 2, abs=1)


def test_an_own_certificate_has_no_authority_to_write(tmp_path: Path) -> None:
    with pytest.raises(pair.PairingRefused, match="your own certificate"):
        pair.write_certificate(tmp_path / "x.crt", {"authority": None, "fingerprint": "AB"})
    assert not (tmp_path / "x.crt").exists()


@pytest.mark.parametrize(("seconds", "told"), [(-5.0, "0 s"), (59.0, "59 s"), (120.0, "2 min"), (2 * 86400.0, "2 d")])
def test_phones_are_listed_with_ages(seconds: float, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    pair.show_phones([{"id": "p1", "name": "phone", "paired_t": 1000.0 - seconds, "seen_t": None}], 1000.0)
    assert f"paired {told} ago, seen not since the daemon began" in capsys.readouterr().out
