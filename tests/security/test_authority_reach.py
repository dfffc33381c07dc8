"""Can the bench's authority, its key stolen, vouch for anything but this bench's page?  Debian's `openssl` judges.

RFC 5280 sections 4.2.1.10 (name constraints) and 4.2.1.12 (extended key usage).
"""

from __future__ import annotations

import logging
import shutil
import subprocess
import time
from pathlib import Path

import pytest

x509 = pytest.importorskip("cryptography.x509", reason="cryptography is not installed: pip install -e '.[test]'")

from cryptography.hazmat.primitives import hashes  # noqa: E402
from cryptography.hazmat.primitives.asymmetric import ec  # noqa: E402
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key  # noqa: E402
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID  # noqa: E402

from benchd.runtime.http.certificates import made_authority, store_pair  # noqa: E402
from benchd.runtime.http.https import HttpsDoor  # noqa: E402
from benchd.runtime.http.local_ca import LocalAuthority  # noqa: E402

OPENSSL = shutil.which("openssl")
pytestmark = pytest.mark.skipif(OPENSSL is None, reason="openssl is not installed: apt-get install openssl")
NAME = "bench.lan"
SERVER, CLIENT = ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH
MAIL = ExtendedKeyUsageOID.EMAIL_PROTECTION


def judged(folder: Path, leaf: Path, *more: str) -> str:
    """ "OK", or what `openssl verify` says against it."""
    assert OPENSSL is not None
    command = [OPENSSL, "verify", "-x509_strict", "-CAfile", str(folder / "authority.crt"), *more, str(leaf)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    return "OK" if done.returncode == 0 else done.stdout + done.stderr


def stolen(folder: Path, san: list[object], usage: object) -> Path:
    """A certificate that a thief of the authority's key makes."""
    authority = x509.load_pem_x509_certificate((folder / "authority.crt").read_bytes())
    key = load_pem_private_key((folder / "authority.key").read_bytes(), None)
    own = ec.generate_private_key(ec.SECP256R1())
    builder = (
        x509.CertificateBuilder().subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "thief")]))
        .issuer_name(authority.subject).public_key(own.public_key()).serial_number(x509.random_serial_number())
        .not_valid_before(authority.not_valid_before_utc).not_valid_after(authority.not_valid_after_utc)
        .add_extension(x509.SubjectAlternativeName(san), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([usage]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(own.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(key.public_key()), critical=False)
    )  # fmt: skip
    (folder / "stolen.crt").write_bytes(builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM))
    return folder / "stolen.crt"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    LocalAuthority(tmp_path, (NAME, "192.168.7.20"), time.time).ready()
    return tmp_path


@pytest.mark.parametrize("name", [("-verify_hostname", NAME), ("-verify_ip", "192.168.7.20")])
def test_the_pages_own_certificate_passes(folder: Path, name: tuple[str, str]) -> None:
    assert judged(folder, folder / "page.crt", "-purpose", "sslserver", *name) == "OK"


@pytest.mark.parametrize(
    ("san", "usage"),
    [
        ([x509.DNSName("shop.example")], SERVER),
        ([x509.DNSName(NAME), x509.DNSName("shop.example")], SERVER),
        ([x509.RFC822Name("caster@shop.example")], MAIL),
        ([x509.RFC822Name(f"caster@{NAME}")], MAIL),
        ([x509.DNSName(NAME), x509.RFC822Name("caster@shop.example")], SERVER),
        ([x509.UniformResourceIdentifier("https://shop.example/")], SERVER),
        ([x509.UniformResourceIdentifier(f"https://{NAME}/")], SERVER),
    ],
)
def test_a_foreign_name_a_mail_address_and_a_uri_are_refused(folder: Path, san: list[object], usage: object) -> None:
    assert "permitted subtree violation" in judged(folder, stolen(folder, san, usage))


@pytest.mark.parametrize(("usage", "purpose"), [(MAIL, "smimesign"), (CLIENT, "sslclient")])
def test_the_authority_is_for_servers_alone(folder: Path, usage: object, purpose: str) -> None:
    """Of its own name too: the authority's extended key usage holds for all below it."""
    authority = x509.load_pem_x509_certificate((folder / "authority.crt").read_bytes())
    assert list(authority.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value) == [SERVER]
    leaf = stolen(folder, [x509.DNSName(NAME)], usage)
    assert "purpose" in judged(folder, leaf, "-purpose", purpose)


def of_0_1_0(folder: Path) -> None:
    """An authority as version 0.1.0 made it: names and addresses constrained, nothing else."""
    made, key = made_authority((NAME, "localhost", "127.0.0.1"), time.time())
    builder = x509.CertificateBuilder(
        made.issuer, made.subject, made.public_key(), made.serial_number, made.not_valid_before_utc,
        made.not_valid_after_utc,
    )  # fmt: skip
    for extension in made.extensions:
        value = extension.value
        if isinstance(value, x509.ExtendedKeyUsage):
            continue
        if isinstance(value, x509.NameConstraints):
            permitted = [n for n in value.permitted_subtrees or () if isinstance(n, x509.DNSName | x509.IPAddress)]
            value = x509.NameConstraints(permitted, None)
        builder = builder.add_extension(value, extension.critical)
    store_pair(folder / "authority.crt", folder / "authority.key", builder.sign(key, hashes.SHA256()), key)


async def test_an_authority_of_0_1_0_goes_on_and_the_log_says_how_to_make_the_narrower_one(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """No phone that installed it loses the page: it stays until its owner takes it away."""
    caplog.set_level(logging.INFO, "benchd")
    of_0_1_0(tmp_path)
    keeper = LocalAuthority(tmp_path, (NAME,), time.time)
    before = (tmp_path / "authority.crt").read_bytes()
    said: list[str] = []
    door = HttpsDoor(keeper, said.append)
    context = await door._context()
    assert context is not None
    await door.renew(context)
    assert (tmp_path / "authority.crt").read_bytes() == before
    said = [r.getMessage() for r in caplog.records if "authority" in r.getMessage() and r.levelno == logging.WARNING]
    assert len(said) == 1
    assert str(tmp_path / "authority.crt") in said[0]
    assert "each phone" in said[0]
    (tmp_path / "authority.crt").unlink()
    assert keeper.ready().is_new_authority
    assert not keeper.ready().is_wide
