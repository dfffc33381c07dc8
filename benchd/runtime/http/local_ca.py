"""The certificate that the page shows beyond this machine: from the bench's own small authority, or the user's files.

The authority (P-256) can vouch for this bench's names and addresses and nothing else: its name constraints are
critical, so a phone that trusts it trusts it for this bench only; it permits no mail address and no URI, and is for
servers alone.  An authority made by version 0.1.0, which could vouch for those, stays in use until its owner deletes
it: phones have installed it, and replacing it without being asked would cut them off from the page.  The page's own
certificate lasts 396 days, less than half of what phones accept, and is renewed when 30 days are left.  Keys are files
of mode 0600.

Sources: RFC 5280 sections 4.2.1.9 (CA), 4.2.1.10 (name constraints), 4.2.1.12 (serverAuth); 825 days at most,
whoever installed the authority: Apple, "Requirements for trusted certificates in iOS 13 and macOS 10.15",
https://support.apple.com/103769.  The CA/Browser Forum's shorter limits bind public authorities only.
`cryptography` is loaded only when a certificate is needed.
"""

from __future__ import annotations

import datetime
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.errors import BenchdError
from benchd.runtime.http.certificates import DAY_S, made_authority, made_leaf, store_pair, stored_pair

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

RENEW_DAYS = 30
EARLIEST_T = 1767225600.0  # 2026-01-01: an earlier clock was never set, and would date a certificate wrongly
ALWAYS_NAMED = ("localhost", "127.0.0.1")  # so that both kinds of name are constrained, whatever the bench's name


class CertificateError(BenchdError):
    """The page cannot be shown over HTTPS: what is wrong with certificate or clock, and what to do."""


@dataclass(frozen=True, slots=True)
class Credentials:
    """Files of a certificate and its key; `authority` is what a phone installs (None: the user's own certificate).

    `fingerprint` is the SHA-256 of the authority's certificate (or the user's), as phones show it.
    """

    chain: Path
    key: Path
    authority: Path | None
    fingerprint: str
    ends_t: float
    is_new_authority: bool = False
    is_wide: bool = False
    """Made by version 0.1.0: the authority could also vouch for mail addresses, URIs and uses other than a server's."""


class LocalAuthority:
    """The bench's own authority and certificate in a folder of their own; `names` are host names and addresses."""

    def __init__(self, folder: Path, names: Sequence[str], now: Callable[[], float]) -> None:
        self._folder, self._now = folder, now
        self._names = tuple(dict.fromkeys((*names, *ALWAYS_NAMED)))

    def ready(self) -> Credentials:
        """Valid credentials, made or renewed where needed.  Raises CertificateError."""
        _demand_library()
        now_t = self._now()
        if now_t < EARLIEST_T:
            raise CertificateError(f"this machine's clock says {_day(now_t)}, which is past: set the clock")
        try:
            self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            authority, key, is_new = self._authority(now_t)
            leaf = self._leaf(authority, key, now_t)
        except OSError as error:
            raise CertificateError(f"{self._folder}: {error.strerror or error}") from error
        return Credentials(
            self._path("page.crt"), self._path("page.key"), self._path("authority.crt"), fingerprint(authority),
            leaf.not_valid_after_utc.timestamp(), is_new, not is_narrow(authority),
        )  # fmt: skip

    def _path(self, name: str) -> Path:
        return self._folder / name

    def _authority(self, now_t: float) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey, bool]:
        """The stored authority, or a new one when none is stored, it ends soon, or it may not vouch for a name."""
        stored = stored_pair(self._path("authority.crt"), self._path("authority.key"))
        if stored is not None:
            _refuse_early(stored[0], now_t)
            ends_t = stored[0].not_valid_after_utc.timestamp()
            if ends_t - now_t > RENEW_DAYS * DAY_S and set(self._names) <= permitted_names(stored[0]):
                return *stored, False
        made = made_authority(self._names, now_t)
        store_pair(self._path("authority.crt"), self._path("authority.key"), *made)
        return *made, True

    def _leaf(self, authority: x509.Certificate, key: ec.EllipticCurvePrivateKey, now_t: float) -> x509.Certificate:
        stored = stored_pair(self._path("page.crt"), self._path("page.key"))
        if stored is not None and _is_issued_by(stored[0], authority):
            leaf = stored[0]
            _refuse_early(leaf, now_t)
            is_lasting = leaf.not_valid_after_utc.timestamp() - now_t > RENEW_DAYS * DAY_S
            if is_lasting and named_in(leaf) == set(self._names):
                return leaf
        made = made_leaf(self._names, authority, key, now_t)
        store_pair(self._path("page.crt"), self._path("page.key"), *made)
        return made[0]


@dataclass(frozen=True, slots=True)
class OwnCertificate:
    """The user's certificate chain and key (PEM files); the user renews them, and they are read again."""

    chain: Path
    key: Path
    names: tuple[str, ...]
    now: Callable[[], float]

    def ready(self) -> Credentials:
        """The credentials, if valid now and for one of the names.  Raises CertificateError otherwise."""
        _demand_library()
        from cryptography import x509

        try:
            certificate = x509.load_pem_x509_certificates(self.chain.read_bytes())[0]
            if self.key.stat().st_mode & 0o007:
                raise CertificateError(f"{self.key}: anyone on this machine can read the key: chmod 600 {self.key}")
        except OSError as error:
            raise CertificateError(f"{error.filename}: {error.strerror}") from error
        except ValueError as error:
            raise CertificateError(f"{self.chain}: is not a certificate in PEM form ({error})") from error
        ends_t = certificate.not_valid_after_utc.timestamp()
        _refuse_early(certificate, self.now())
        if ends_t <= self.now():
            raise CertificateError(f"{self.chain}: the certificate expired on {_day(ends_t)}: renew it")
        if not any(_covers(certificate, name) for name in self.names):
            raise CertificateError(f"{self.chain}: the certificate is for none of {', '.join(self.names)}")
        return Credentials(self.chain, self.key, None, fingerprint(certificate), ends_t)


def tls_context(credentials: Credentials) -> ssl.SSLContext:
    """A server context for TLS 1.2 or newer with these credentials.

    Raises CertificateError when the key does not fit.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_alpn_protocols(["http/1.1"])
    load_into(context, credentials)
    return context


def load_into(context: ssl.SSLContext, credentials: Credentials) -> None:
    """Use these credentials for new connections.  Raises CertificateError."""
    try:
        context.load_cert_chain(credentials.chain, credentials.key, password=lambda: b"")
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise CertificateError(f"{credentials.chain} and {credentials.key} do not fit: {error}") from error


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 as a phone shows it: AB:CD:..."""
    from cryptography.hazmat.primitives import hashes

    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def named_in(certificate: x509.Certificate) -> set[str]:
    """The names and addresses a certificate is for."""
    from cryptography import x509

    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return set()
    return {str(name.value) for name in names if isinstance(name, x509.DNSName | x509.IPAddress)}


def permitted_names(authority: x509.Certificate) -> set[str]:
    """The names and addresses an authority of ours may vouch for."""
    from cryptography import x509

    try:
        constraints = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    except x509.ExtensionNotFound:
        return set()
    names = [n for n in constraints.permitted_subtrees or () if isinstance(n, x509.DNSName | x509.IPAddress)]
    return {str(name.value).partition("/")[0] for name in names}


def is_narrow(authority: x509.Certificate) -> bool:
    """Whether an authority of ours is for servers alone and may vouch for no mail address and no URI."""
    from cryptography import x509

    try:
        constraints = authority.extensions.get_extension_for_class(x509.NameConstraints).value
        authority.extensions.get_extension_for_class(x509.ExtendedKeyUsage)
    except x509.ExtensionNotFound:
        return False
    kinds = {type(name) for name in constraints.permitted_subtrees or ()}
    return kinds >= {x509.RFC822Name, x509.UniformResourceIdentifier}


# ----------------------------------------------------------------------------------------------------------- judging


def _refuse_early(certificate: x509.Certificate, now_t: float) -> None:
    begins_t = certificate.not_valid_before_utc.timestamp()
    if now_t < begins_t:
        what = f"the certificate begins on {_day(begins_t)}, and this machine's clock says {_day(now_t)}"
        raise CertificateError(f"{what}: set the clock")


def _is_issued_by(leaf: x509.Certificate, authority: x509.Certificate) -> bool:
    from cryptography.exceptions import InvalidSignature

    try:
        leaf.verify_directly_issued_by(authority)
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def _covers(certificate: x509.Certificate, name: str) -> bool:
    """RFC 6125: an exact name, or one label for a leading star."""
    found = {each.lower() for each in named_in(certificate)}
    return name in found or "*." + name.partition(".")[2] in found


def _demand_library() -> None:
    try:
        import cryptography  # noqa: F401 - only whether it is there
    except ImportError as error:
        raise CertificateError("HTTPS needs a library more: pip install 'benchd[https]'") from error


def _day(t: float) -> str:
    return datetime.datetime.fromtimestamp(t, datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")


Keeper = LocalAuthority | OwnCertificate
"""Where credentials come from: `ready()`."""
