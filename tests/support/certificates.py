"""Throw-away certificates for the TLS servers of the tests."""

import datetime as dt
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


@dataclass(frozen=True)
class Certificate:
    """A server's certificate, its key, and the authority that signed it, as PEM files."""

    ca_file: Path
    cert_file: Path
    key_file: Path


def make_certificate(
    directory: Path,
    *,
    host: str = "localhost",
    address: str | None = "127.0.0.1",
    issued_in_days: float = 0.0,
    valid_days: float = 1.0,
) -> Certificate:
    """Make an authority and a certificate signed by it for `host` and `address`.

    They count from the day before they are issued to the day after, or to `valid_days` after.
    """
    issued = dt.datetime.now(dt.UTC) + dt.timedelta(days=issued_in_days)
    directory.mkdir(parents=True, exist_ok=True)
    ca_key, server_key = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    ca_name = _name("Test authority")
    ca = (
        _builder(ca_name, ca_name, ca_key.public_key(), issued, valid_days)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_key_usage(for_authority=True), critical=True)
        .add_extension(
            x509.SubjectKeyIdentifier.from_public_key(ca_key.public_key()), critical=False
        )
        .sign(ca_key, hashes.SHA256())
    )
    names: list[x509.GeneralName] = [x509.DNSName(host)]
    if address is not None:
        names.append(x509.IPAddress(ipaddress.ip_address(address)))
    server = (
        _builder(_name(host), ca_name, server_key.public_key(), issued, valid_days)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key()), critical=False
        )
        .sign(ca_key, hashes.SHA256())
    )
    files = Certificate(directory / "ca.pem", directory / "server.pem", directory / "server.key")
    files.ca_file.write_bytes(ca.public_bytes(serialization.Encoding.PEM))
    files.cert_file.write_bytes(server.public_bytes(serialization.Encoding.PEM))
    files.key_file.touch(mode=0o600)
    files.key_file.write_bytes(
        server_key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return files


def _name(common_name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])


def _builder(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePublicKey,
    issued: dt.datetime,
    valid_days: float,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(issued - dt.timedelta(days=1))
        .not_valid_after(issued + dt.timedelta(days=valid_days))
    )


def _key_usage(*, for_authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=for_authority,
        crl_sign=for_authority,
        encipher_only=False,
        decipher_only=False,
    )
