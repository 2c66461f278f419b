"""The certificate of a page that others may reach: one of the shop, or a self-signed one made here."""

from __future__ import annotations

import contextlib
import datetime as dt
import ipaddress
import os
import socket
import ssl
from pathlib import Path
from typing import Any

from diagnb.errors import fault

_VALID = dt.timedelta(days=397)  # browsers refuse certificates that last longer
_RENEW = dt.timedelta(days=7)


def checked_pair(certificate: Path, key: Path) -> None:
    """Raise InputFault when these are not a certificate and its key without passphrase, as PEM files."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(certificate, key, password=lambda: b"")
    except ssl.SSLError as error:
        raise fault(str(certificate), f"and {key} can't be used together: {error.reason or error}") from error


def fingerprint(certificate: Path) -> str:
    """SHA-256 of the certificate as browsers show it: pairs of hexadecimal digits with colons."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes

    found = x509.load_pem_x509_certificate(certificate.read_bytes())
    return found.fingerprint(hashes.SHA256()).hex(":").upper()


def own_certificate(folder: Path, *, address: str, now: dt.datetime) -> tuple[Path, Path]:
    """A self-signed certificate for ``address`` and its key in ``folder``; the same one again while it still fits."""
    certificate, key = folder / "page-certificate.pem", folder / "page-key.pem"
    names = _names(address)
    if not (certificate.exists() and key.exists() and _fits(certificate, names, now)):
        _make(certificate, key, names, now)
    return certificate, key


def _names(address: str) -> list[str]:
    """What a browser may call this machine."""
    if address not in ("0.0.0.0", "::"):  # noqa: S104 - asked, not bound
        return [address]
    host = socket.gethostname()
    found = {host, "localhost", "127.0.0.1"}
    with contextlib.suppress(OSError):
        found |= {str(entry[4][0]).split("%")[0] for entry in socket.getaddrinfo(host, None)}
    return sorted(found)


def _fits(certificate: Path, names: list[str], now: dt.datetime) -> bool:
    from cryptography import x509

    try:
        found = x509.load_pem_x509_certificate(certificate.read_bytes())
        held = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return False
    return {str(name.value) for name in held} >= set(names) and now + _RENEW < found.not_valid_after_utc


def _make(certificate: Path, key: Path, names: list[str], now: dt.datetime) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    secret = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Circuit record page")])
    made = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(secret.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + _VALID)
        .add_extension(x509.SubjectAlternativeName([_general(name) for name in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(secret, hashes.SHA256())
    )
    certificate.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    plain = secret.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    key.unlink(missing_ok=True)
    with os.fdopen(os.open(key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(plain)
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))


def _general(name: str) -> Any:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
