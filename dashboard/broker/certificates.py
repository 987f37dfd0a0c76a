"""A small certificate authority of the workshop's own, and the broker's certificate. Pure but for the random keys.

ECDSA on P-256 (FIPS 186-5), which the TLS of small boxes knows too. The authority outlives the boxes' installation, for
each box holds a copy; the broker's certificate is written again by every later `kerfbook broker-config`.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from api.tongues.say import gettext

if TYPE_CHECKING:
    from collections.abc import Sequence

AUTHORITY_YEARS = 30
SERVER_YEARS = 5


def new_key() -> bytes:
    """A private key as PEM, not encrypted: a broker must start without a person."""
    return ec.generate_private_key(ec.SECP256R1()).private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )


def authority(key: bytes, site: str, now: dt.datetime) -> bytes:
    """The authority's own certificate as PEM."""
    private = _private(key)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Kerfbook broker of {site}")])
    builder = (
        _begun(name, name, private, now, AUTHORITY_YEARS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(private.public_key()), critical=False)
    )
    return builder.sign(private, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def server(key: bytes, ca_key: bytes, ca: bytes, names: Sequence[str], now: dt.datetime) -> bytes:
    """The broker's certificate as PEM, for host names and addresses (RFC 5280 §4.2.1.6, subject alternative names).

    Raises:
        ValueError: the authority's key and certificate do not belong together, or a name cannot stand in one.
    """
    issuer, signer, private = x509.load_pem_x509_certificate(ca), _private(ca_key), _private(key)
    if issuer.public_key() != signer.public_key():
        raise ValueError(gettext("the authority's certificate belongs to another key"))
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0][:64])])
    builder = (
        _begun(subject, issuer.subject, private, now, SERVER_YEARS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName([_name(name) for name in names]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(private.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False)
    )
    return builder.sign(signer, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def fingerprint(certificate: bytes) -> str:
    """SHA-256 of a certificate as boxes and browsers show it."""
    return x509.load_pem_x509_certificate(certificate).fingerprint(hashes.SHA256()).hex(":")


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: dt.datetime, years: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=2))  # a box whose clock is a little behind still connects
        .not_valid_after(now + dt.timedelta(days=365 * years))
    )


def _private(pem: bytes) -> ec.EllipticCurvePrivateKey:
    key = serialization.load_pem_private_key(pem, None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError(gettext("the key is not one of an elliptic curve, as `kerfbook broker-config` makes them"))  # noqa: TRY004 (of a file)
    return key


def _name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )
