"""`benchd pair`: pairs a phone, lists the paired ones, revokes one."""

from __future__ import annotations

import argparse
import contextlib
import ssl
import sys
import time
from collections.abc import Callable, Mapping
from io import StringIO
from pathlib import Path
from typing import Any

from benchd.errors import BenchdError
from benchd.runtime.http.local_client import NoDaemonError
from benchd.runtime.http.running import ask
from benchd.runtime.http.tokens import GUESSED_AT, MOST_GUESSES
from benchd.runtime.printing.terminal import say, say_own
from benchd.settings.config_option import add_config

HELP = "pair a phone with the running daemon: a code, a certificate, what to press; --list, --revoke"
EXAMPLE = "benchd pair"

STEPS = """\
Once per phone, in the same network as this machine:

  1. On the phone, open   {url}/pair
     It warns that it does not know who this is: rightly, it does not yet. Type nothing so far.
  2. Let it know the bench. Take the certificate: go on past the warning this once and press the link on the page, or
     bring the file over by cable or mail (benchd pair --certificate FILE writes it). Open it and install it as a
     certificate authority:
       Android: Settings, search for "CA certificate", Install anyway, choose the file.
       iPhone, iPad: allow the profile; Settings, Profile Downloaded, Install; then General, About, Certificate Trust
       Settings: switch it on.
       A computer's browser: its settings, Certificates, Authorities, Import.
     The phone shows a SHA-256 fingerprint. It must be, in every sign:
       {fingerprint}
     It can vouch for this bench's names only, and for no other site.
  3. Close the page, open it again: no warning now. Type the code.
"""
OWN_STEPS = """\
Once per phone, in the same network as this machine:

  1. On the phone, open   {url}/pair
     The certificate is your own; its SHA-256 fingerprint is
       {fingerprint}
  2. Type the code.
"""


LOOK_EVERY_S = 2.0
BECAME = {
    "used": "Paired.",
    "over": "The code has ended unused; a new one: benchd pair",
    "none": "The daemon was started anew: the code is gone; a new one: benchd pair",
    "guessed": f"{GUESSED_AT} (benchd pair)",
}


class PairingRefused(BenchdError):
    """The daemon refuses to pair a phone now; the text says why."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's arguments to its parser."""
    add_config(parser)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--list", action="store_true", help="list the paired phones, and when each was last seen")
    which.add_argument("--revoke", metavar="ID", help="shut a phone out for good")
    which.add_argument("--certificate", type=Path, metavar="FILE", help="write the authority's certificate to a file")


def run(args: argparse.Namespace) -> int:
    """Run the command; returns the exit code."""
    if args.list:
        show_phones(answered("GET", "/api/v0/phones")["phones"], time.time())
    elif args.revoke is not None:
        answered("POST", "/api/v0/phones/revoke", {"id": args.revoke})
        say(f"{args.revoke} is shut out")
    elif args.certificate is not None:
        write_certificate(args.certificate, answered("GET", "/api/v0/pairing"))
    else:
        shown = answered("POST", "/api/v0/pairing", {})
        show_code(shown)
        if sys.stdout.isatty():
            with contextlib.suppress(KeyboardInterrupt):
                say(watched(float(shown["lasts_s"])))
    return 0


def answered(
    method: str, route: str, body: Mapping[str, Any] | None = None, asked: Callable[..., Any] = ask
) -> dict[str, Any]:
    """The daemon's answer.  Raises PairingRefused, NoDaemonError."""
    _, answer = asked(method, route, body)
    if answer.get("ok") is not True:
        raise PairingRefused(str(answer.get("why", "the daemon did not say why")))
    return dict(answer)


def told_of_page() -> list[str]:
    """Lines on where phones open the page and how many are paired, for a command that lists the ways to the phone."""
    try:
        page, phones = ask("GET", "/api/v0/pairing")[1], ask("GET", "/api/v0/phones")[1]
    except NoDaemonError:
        return []
    if page.get("ok") is not True:
        return [f"page: {page.get('why')}"]
    count = len(phones.get("phones", []))
    return [f"page: {page['urls'][0]}, {count} phone{'' if count == 1 else 's'} paired; one more: benchd pair"]


def show_code(answer: Mapping[str, Any]) -> None:
    """The steps, the code, and both as a QR code where the library for it is installed."""
    url = answer["urls"][0]
    steps = STEPS if answer["authority"] else OWN_STEPS
    say(*steps.format(url=url, fingerprint=_in_two_lines(answer["fingerprint"])).split("\n"))
    say(f"Code:  {answer['code']}   (one phone, {answer['lasts_s'] / 60:.0f} minutes)", "")
    show_qr(f"{url}/pair#{answer['code']}")


def watched(lasts_s: float, asked: Callable[..., Any] = ask, wait: Callable[[float], None] = time.sleep) -> str:
    """Wait until the code is no longer open and return its state; meanwhile warn of wrong guesses."""
    is_told = False
    for _ in range(round(lasts_s / LOOK_EVERY_S) + 1):
        now = answered("GET", "/api/v0/pairing", asked=asked)
        if now["code_state"] != "open":
            return BECAME[now["code_state"]]
        if now["guesses"] >= MOST_GUESSES and not is_told:
            is_told = True
            say(f"Someone guesses at the code ({now['guesses']} wrong so far). It is still good.")
        wait(LOOK_EVERY_S)
    return BECAME["over"]


def show_qr(text: str) -> None:
    """Print a QR code; the part of the address after # is never sent to a server."""
    try:
        import segno
    except ImportError:
        say("As a QR code to scan: pip install 'benchd[https]'")
        return
    drawn = StringIO()
    segno.make(text, error="m", micro=False).terminal(out=drawn, compact=True)
    say_own(drawn.getvalue())


def show_phones(phones: list[dict[str, Any]], now_t: float) -> None:
    """Print one line for each phone."""
    if not phones:
        say("no phone is paired; benchd pair")
    for phone in phones:
        seen = "not since the daemon began" if phone["seen_t"] is None else f"{_ago(now_t - phone['seen_t'])} ago"
        say(f"{phone['id']:4} {phone['name']:40} paired {_ago(now_t - phone['paired_t'])} ago, seen {seen}")


def write_certificate(path: Path, answer: Mapping[str, Any]) -> None:
    """Write the authority's certificate to a file.  Raises PairingRefused."""
    if not answer["authority"]:
        raise PairingRefused("the page shows your own certificate: there is no authority to install")
    try:
        path.write_bytes(ssl.PEM_cert_to_DER_cert(answer["authority"]))
    except OSError as error:
        raise PairingRefused(f"{path}: {error.strerror}") from error
    say(f"{path}: SHA-256 {answer['fingerprint']}")


def _in_two_lines(fingerprint: str) -> str:
    return f"{fingerprint[:47]}\n       {fingerprint[48:]}"


def _ago(seconds: float) -> str:
    for unit_s, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= unit_s:
            return f"{seconds / unit_s:.0f} {unit}"
    return f"{max(0.0, seconds):.0f} s"
