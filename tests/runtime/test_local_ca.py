"""Would a phone trust the certificate, for this bench and nothing else, and is a wrong one named?"""

from __future__ import annotations

import datetime
import ipaddress
import shutil
import ssl
import stat
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from of_kind import known

if TYPE_CHECKING:
    from cryptography import x509
else:  # where it is not installed, these tests are left out
    x509 = pytest.importorskip("cryptography.x509", reason="cryptography is not installed: pip install -e '.[test]'")

from cryptography.hazmat.primitives.asymmetric import ec

from benchd.runtime.http.certificates import made_authority, made_leaf, store_pair
from benchd.runtime.http.local_ca import (
    CertificateError,
    Credentials,
    LocalAuthority,
    OwnCertificate,
    tls_context,
)

NOW_T = 1_795_600_000.0  # 2026-11-25
DAY_S = 86400.0
NAMES = ("bench.lan", "192.168.7.20")
OPENSSL = shutil.which("openssl")


class Clock:
    def __init__(self, t: float = NOW_T) -> None:
        self.t = t

    def __call__(self) -> float:
        return self.t


def certificate(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def made(folder: Path, names: tuple[str, ...] = NAMES, t: float = NOW_T) -> Credentials:
    return LocalAuthority(folder, names, Clock(t)).ready()


def handshake(server: ssl.SSLContext, authority: Path, name: str, client: ssl.SSLContext | None = None) -> str:
    """A TLS handshake in memory by OpenSSL, name check and all; the version agreed upon.  Raises ssl.SSLError."""
    client = client or ssl.create_default_context(cafile=str(authority))
    pipes = [ssl.MemoryBIO() for _ in range(2)]
    ends = [
        client.wrap_bio(pipes[0], pipes[1], server_hostname=name),
        server.wrap_bio(pipes[1], pipes[0], server_side=True),
    ]
    for _ in range(10):
        waiting = 0
        for end in ends:
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                waiting += 1
        if not waiting:
            break
    return str(ends[0].version())


@pytest.mark.parametrize("name", [*NAMES, "localhost", "127.0.0.1"])
def test_openssl_trusts_the_page_under_each_of_its_names(tmp_path: Path, name: str) -> None:
    """OpenSSL, which Python's ssl is, as the judge: chain, dates, constraints, name."""
    found = made(tmp_path, t=datetime.datetime.now(datetime.UTC).timestamp())
    assert found.authority is not None
    assert handshake(tls_context(found), found.authority, name) == "TLSv1.3"


@pytest.mark.parametrize("name", ["shop.example", "192.168.7.21", "evil-bench.lan"])
def test_the_authority_may_vouch_for_nothing_else(tmp_path: Path, name: str) -> None:
    """RFC 5280 section 4.2.1.10: a certificate outside the permitted names is refused, whoever stole the key."""
    now_t = datetime.datetime.now(datetime.UTC).timestamp()
    authority, key = made_authority((*NAMES, "localhost", "127.0.0.1"), now_t)
    leaf, leaf_key = made_leaf((name,), authority, key, now_t)
    store_pair(tmp_path / "a.crt", tmp_path / "a.key", authority, key)
    store_pair(tmp_path / "l.crt", tmp_path / "l.key", leaf, leaf_key)
    server = tls_context(Credentials(tmp_path / "l.crt", tmp_path / "l.key", tmp_path / "a.crt", "", 0.0))
    with pytest.raises(ssl.SSLCertVerificationError, match="permitted subtree violation"):
        handshake(server, tmp_path / "a.crt", name)


def test_an_old_tls_is_refused(tmp_path: Path) -> None:
    found = made(tmp_path, t=datetime.datetime.now(datetime.UTC).timestamp())
    assert found.authority is not None
    server = tls_context(found)
    assert server.minimum_version is ssl.TLSVersion.TLSv1_2
    client = ssl.create_default_context(cafile=str(found.authority))
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        client.maximum_version = client.minimum_version = ssl.TLSVersion.TLSv1_1
    client.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.raises(ssl.SSLError):
        handshake(server, found.authority, "bench.lan", client)


def test_dates_key_and_extensions(tmp_path: Path) -> None:
    """397 days at most (phones accept 825: https://support.apple.com/103769), P-256, the extensions of RFC 5280."""
    found = made(tmp_path)
    leaf, authority = certificate(found.chain), certificate(tmp_path / "authority.crt")
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc <= datetime.timedelta(days=397)
    for key in (authority.public_key(), leaf.public_key()):
        assert isinstance(key, ec.EllipticCurvePublicKey)
        assert key.curve.name == "secp256r1"
    constraints = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical
    assert x509.IPAddress(ipaddress.ip_network("192.168.7.20/32")) in known(constraints.value.permitted_subtrees)
    basic = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert (basic.critical, basic.value.ca, basic.value.path_length) == (True, True, 0)
    assert not leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    assert [stat.S_IMODE(p.stat().st_mode) for p in sorted(tmp_path.glob("*"))] == [0o600] * 4


def test_the_fingerprint_is_the_one_openssl_shows(tmp_path: Path) -> None:
    if OPENSSL is None:
        pytest.skip("openssl is not installed: apt-get install openssl")
    found = made(tmp_path)
    command = [OPENSSL, "x509", "-in", str(found.authority), "-noout", "-fingerprint", "-sha256"]
    shown = subprocess.run(command, capture_output=True, text=True, check=True, timeout=10).stdout
    assert shown.strip().partition("=")[2] == found.fingerprint


@pytest.mark.parametrize(("days", "is_renewed"), [(1, False), (365, False), (367, True), (500, True)])
def test_it_is_renewed_when_30_days_are_left(tmp_path: Path, days: float, is_renewed: bool) -> None:
    """Made for 396 days: after 365, 31 are left."""
    clock = Clock()
    keeper = LocalAuthority(tmp_path, NAMES, clock)
    first = keeper.ready()
    before = first.chain.read_bytes()
    clock.t += days * DAY_S
    later = keeper.ready()
    assert (later.chain.read_bytes() != before) == is_renewed
    assert later.fingerprint == first.fingerprint  # phones need not install anything anew
    assert later.ends_t - clock.t > 30 * DAY_S


def test_an_authority_about_to_end_is_replaced_and_a_leaf_never_outlives_it(tmp_path: Path) -> None:
    clock = Clock()
    keeper = LocalAuthority(tmp_path, NAMES, clock)
    first = keeper.ready()
    clock.t += 3600 * DAY_S
    late = keeper.ready()
    authority_ends_t = certificate(tmp_path / "authority.crt").not_valid_after_utc.timestamp()
    assert late.fingerprint == first.fingerprint
    assert late.ends_t <= authority_ends_t
    clock.t += 30 * DAY_S
    after = keeper.ready()
    assert after.is_new_authority
    assert after.fingerprint != first.fingerprint


def test_other_names_keep_the_authority_when_it_may_vouch_for_them(tmp_path: Path) -> None:
    first = made(tmp_path)
    fewer = made(tmp_path, ("192.168.7.20",))
    assert (fewer.fingerprint, fewer.is_new_authority) == (first.fingerprint, False)
    other = made(tmp_path, ("tablet.lan",))
    assert other.is_new_authority


@pytest.mark.parametrize("name", ["page.crt", "page.key", "authority.key"])
def test_a_damaged_file_is_made_anew(tmp_path: Path, name: str) -> None:
    made(tmp_path)
    (tmp_path / name).write_bytes(b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n")
    assert tls_context(made(tmp_path)).minimum_version is ssl.TLSVersion.TLSv1_2


@pytest.mark.parametrize(("t", "says"), [(0.0, "1970-01-01"), (NOW_T - 2 * DAY_S, "begins on 2026-11-2")])
def test_an_early_clock_is_named(tmp_path: Path, t: float, says: str) -> None:
    made(tmp_path)
    with pytest.raises(CertificateError, match=f"{says}.*set the clock"):
        made(tmp_path, t=t)


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "https").write_text("a file")
    with pytest.raises(CertificateError, match="https"):
        made(tmp_path / "https")


def own(folder: Path, names: tuple[str, ...] = ("bench.example",), t: float = NOW_T) -> OwnCertificate:
    authority, key = made_authority(("bench.example",), NOW_T)
    store_pair(folder / "own.crt", folder / "own.key", *made_leaf(("bench.example",), authority, key, NOW_T))
    return OwnCertificate(folder / "own.crt", folder / "own.key", names, Clock(t))


def test_the_users_own_certificate_is_shown(tmp_path: Path) -> None:
    found = own(tmp_path).ready()
    assert found.authority is None
    assert tls_context(found).minimum_version is ssl.TLSVersion.TLSv1_2


@pytest.mark.parametrize(
    ("names", "t", "says"),
    [
        (("bench.example",), NOW_T + 400 * DAY_S, "expired on 2027-12-2.*renew it"),
        (("bench.example",), NOW_T - DAY_S, "begins on.*set the clock"),
        (("other.example",), NOW_T, "for none of other.example"),
    ],
)
def test_an_own_certificate_that_no_phone_would_take_is_named(
    tmp_path: Path, names: tuple[str, ...], t: float, says: str
) -> None:
    with pytest.raises(CertificateError, match=says):
        own(tmp_path, names, t).ready()


def test_own_files_that_are_wrong_are_named(tmp_path: Path) -> None:
    keeper = own(tmp_path)
    keeper.key.chmod(0o644)
    with pytest.raises(CertificateError, match="chmod 600"):
        keeper.ready()
    keeper.key.chmod(0o600)
    keeper.key.write_bytes((tmp_path / "own.crt").read_bytes())
    with pytest.raises(CertificateError, match="do not fit"):
        tls_context(keeper.ready())
    keeper.chain.write_text("no certificate")
    with pytest.raises(CertificateError, match="not a certificate in PEM"):
        keeper.ready()
    keeper.chain.unlink()
    with pytest.raises(CertificateError, match=r"own\.crt: No such file"):
        keeper.ready()
