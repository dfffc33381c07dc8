"""Makes and stores a certificate authority, the page's certificate and their keys: P-256, PEM, files of mode 0600.

Sources: RFC 5280 section 4.2; `cryptography` is loaded only when one of these is called.
"""

from __future__ import annotations

import datetime
import ipaddress
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.runtime.files.whole_file import put_whole

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

DAY_S = 86400.0
AUTHORITY_DAYS = 3650
LEAF_DAYS = 396  # phones accept 825, see local_ca.py; below 397 by more than BEGINS_EARLY_S
NOBODY = "nobody.invalid"  # RFC 6761 section 6.4: no host ever has this name
BEGINS_EARLY_S = 3600.0  # a phone's clock may be slow


def made_authority(names: Sequence[str], now_t: float) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """A new authority that may vouch for servers with these names and addresses (and names below them), and its key.

    A kind of name that no constraint mentions is unrestricted (RFC 5280 section 4.2.1.10), so mail addresses and URIs
    are permitted at NOBODY alone, a host that cannot exist; there is no way to exclude all of them that every verifier
    understands.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = _subject(f"benchd authority for {names[0]}")
    permitted = [_general(n, is_subtree=True) for n in names]
    permitted += [x509.RFC822Name(NOBODY), x509.UniformResourceIdentifier(NOBODY)]
    builder = (
        _dated(now_t, AUTHORITY_DAYS).subject_name(name).issuer_name(name).public_key(key.public_key())
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(is_authority=True), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.NameConstraints(permitted_subtrees=permitted, excluded_subtrees=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )  # fmt: skip
    return builder.sign(key, hashes.SHA256()), key


def made_leaf(
    names: Sequence[str], authority: x509.Certificate, authority_key: ec.EllipticCurvePrivateKey, now_t: float
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey]:
    """A server certificate for these names, signed by the authority, and its key.

    It ends no later than the authority.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    left_days = (authority.not_valid_after_utc.timestamp() - now_t) / DAY_S
    authority_id = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
    builder = (
        _dated(now_t, min(LEAF_DAYS, left_days)).subject_name(_subject(names[0])).issuer_name(authority.subject)
        .public_key(key.public_key())
        .add_extension(x509.SubjectAlternativeName([_general(n) for n in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(is_authority=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(authority_id, critical=False)
    )  # fmt: skip
    return builder.sign(authority_key, hashes.SHA256()), key


def _dated(now_t: float, days: float) -> x509.CertificateBuilder:
    from cryptography import x509

    begins, ends = _utc(now_t - BEGINS_EARLY_S), _utc(now_t + days * DAY_S)
    numbered = x509.CertificateBuilder().serial_number(x509.random_serial_number())
    return numbered.not_valid_before(begins).not_valid_after(ends)


def _subject(name: str) -> x509.Name:
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name[:64])])  # RFC 5280: ub-common-name is 64


def _general(name: str, is_subtree: bool = False) -> x509.GeneralName:
    from cryptography import x509

    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return x509.DNSName(name)
    return x509.IPAddress(ipaddress.ip_network(address) if is_subtree else address)


def _usage(is_authority: bool) -> x509.KeyUsage:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not is_authority, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=is_authority, crl_sign=is_authority, encipher_only=False,
        decipher_only=False,
    )  # fmt: skip


# ----------------------------------------------------------------------------------------------------------- storing


def stored_pair(certificate: Path, key: Path) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey] | None:
    """A certificate and its key from their files; None when missing, damaged or not a pair."""
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    try:
        found = x509.load_pem_x509_certificate(certificate.read_bytes())
        secret = serialization.load_pem_private_key(key.read_bytes(), password=None)
    except (FileNotFoundError, ValueError, TypeError):
        return None
    if not isinstance(secret, ec.EllipticCurvePrivateKey) or found.public_key() != secret.public_key():
        return None
    return found, secret


def store_pair(
    certificate_path: Path, key_path: Path, certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey
) -> None:
    """Store both, the key first.  Raises OSError."""
    from cryptography.hazmat.primitives import serialization

    pem = serialization.Encoding.PEM
    hidden = key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    put_whole(key_path, hidden)
    put_whole(certificate_path, certificate.public_bytes(pem))


def _utc(t: float) -> datetime.datetime:
    return datetime.datetime.fromtimestamp(t, datetime.UTC)
