"""Key files: encrypted, for their owner alone, loaded once and never shown."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import PrivateFormat, pkcs12

from diagnb.errors import Fault, SigningFault
from diagnb.signing.keys import Authority, SigningKey, is_authority

SHORTEST_PASSPHRASE = 12
"""Bytes. The container's own integrity check is cheap to guess against, so length has to do the work."""

_KDF_ROUNDS = 600_000
_MAX_KEY_FILE = 1 << 20


def save_key(key: SigningKey, path: Path | str, passphrase: bytes) -> None:
    """Write key, certificate and chain to a new file that only its owner can read (mode 0600).

    A name ending in `.pem` gives an encrypted PEM file, anything else PKCS#12 (AES-256, PBKDF2 with 600,000
    rounds, SHA-256). A missing folder is made for its owner alone (0700). Raises SigningFault when the file
    exists already, the folder is open to others, or the passphrase is shorter than `SHORTEST_PASSPHRASE`.
    """
    target = Path(path)
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise SigningFault(
            Fault(
                "passphrase",
                f"is shorter than {SHORTEST_PASSPHRASE} characters",
                "use a generated passphrase",
            )
        )
    data = _pem_bytes(key, passphrase) if target.suffix.lower() == ".pem" else _pkcs12_bytes(key, passphrase)
    _prepare_folder(target.parent)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(target, flags, 0o600)
    except FileExistsError:
        raise SigningFault(
            Fault(str(target), "exists already", "keys are never overwritten: choose another name")
        ) from None
    except OSError as error:
        raise SigningFault(Fault(str(target), f"can't be written: {error.strerror}")) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            target.unlink()
        raise SigningFault(Fault(str(target), f"can't be written: {error.strerror}")) from None


def load_key(path: Path | str, passphrase: bytes) -> SigningKey:
    """A person's key from a PKCS#12 or PEM file; takes some 0.15 s, so load once and keep it.

    Raises SigningFault for a file others can read (POSIX), a wrong passphrase, an authority's key, and
    anything that isn't a key file. The passphrase appears in no message.
    """
    key = _load(Path(path), passphrase)
    if is_authority(key.certificate):
        raise SigningFault(Fault(str(path), "holds an authority's key, which signs no reports", "load a person's key"))
    return key


def load_authority(path: Path | str, passphrase: bytes) -> Authority:
    """The shop authority's key from its file. Raises SigningFault like `load_key`."""
    key = _load(Path(path), passphrase)
    return Authority(key.certificate, key.chain, private_key=key.private_key)


def read_certificate(data: bytes, *, passphrase: bytes | None = None) -> x509.Certificate:
    """The first certificate of a PEM, DER or, with its passphrase, PKCS#12 file. Raises SigningFault."""
    if len(data) > _MAX_KEY_FILE:
        raise SigningFault(Fault("certificate", "is too large for a certificate"))
    try:
        if passphrase is not None:
            opened = pkcs12.load_pkcs12(data, passphrase)
            found = [c.certificate for c in (opened.cert, *opened.additional_certs) if c is not None]
        elif b"-----BEGIN" in data:
            found = x509.load_pem_x509_certificates(data)
        else:
            found = [x509.load_der_x509_certificate(data)]
    except (ValueError, TypeError, UnsupportedAlgorithm):
        found = []
    if not found:
        raise SigningFault(
            Fault("certificate", "is not one, or the passphrase is wrong", "hand in a PEM, DER or .p12 file")
        )
    return found[0]


def _pkcs12_bytes(key: SigningKey, passphrase: bytes) -> bytes:
    sealing = (
        PrivateFormat.PKCS12.encryption_builder()
        .kdf_rounds(_KDF_ROUNDS)
        .key_cert_algorithm(pkcs12.PBES.PBESv2SHA256AndAES256CBC)
        .hmac_hash(hashes.SHA256())
        .build(passphrase)
    )
    return pkcs12.serialize_key_and_certificates(
        key.name.encode(), key.private_key, key.certificate, list(key.chain) or None, sealing
    )


def _pem_bytes(key: SigningKey, passphrase: bytes) -> bytes:
    secret = key.private_key.private_bytes(
        serialization.Encoding.PEM,
        PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(passphrase),
    )
    open_part = (c.public_bytes(serialization.Encoding.PEM) for c in (key.certificate, *key.chain))
    return secret + b"".join(open_part)


def _prepare_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        mode = folder.stat().st_mode
    except OSError as error:
        raise SigningFault(Fault(str(folder), f"can't be used as a folder: {error.strerror}")) from None
    if os.name == "posix" and mode & 0o022 and not mode & stat.S_ISVTX:
        raise SigningFault(Fault(str(folder), "others may write to this folder", f"run: chmod 700 '{folder}'"))


def _read_private(path: Path) -> bytes:
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(path, flags)
    except OSError as error:
        raise SigningFault(Fault(str(path), f"can't be read: {error.strerror}")) from None
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise SigningFault(Fault(str(path), "is not a file"))
        if os.name == "posix" and found.st_mode & 0o077:
            raise SigningFault(
                Fault(str(path), "other people on this computer may read it", f"run: chmod 600 '{path}'")
            )
        if found.st_size > _MAX_KEY_FILE:
            raise SigningFault(Fault(str(path), "is too large for a key file"))
        with os.fdopen(handle, "rb", closefd=False) as stream:
            return stream.read(_MAX_KEY_FILE)
    finally:
        os.close(handle)


def _load(path: Path, passphrase: bytes) -> SigningKey:
    data = _read_private(path)
    wrong = Fault(
        str(path),
        "can't be opened: wrong passphrase, or not a key file",
        "try again, or use the file that the key was saved to",
    )
    try:
        if data.lstrip().startswith(b"-----BEGIN"):
            key = serialization.load_pem_private_key(data, passphrase)
            certificates = x509.load_pem_x509_certificates(data)
        else:
            opened = pkcs12.load_pkcs12(data, passphrase)
            found = [c.certificate for c in (opened.cert, *opened.additional_certs) if c is not None]
            if opened.key is None or opened.cert is None:
                raise SigningFault(Fault(str(path), "holds no private key with its certificate"))
            certificates = found
            key = opened.key
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise SigningFault(wrong) from None
    if not isinstance(key, ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey) or key.key_size < 256:
        raise SigningFault(Fault(str(path), "holds a kind of key that can't sign reports", "use P-256"))
    if isinstance(key, rsa.RSAPrivateKey) and key.key_size < 2048:
        raise SigningFault(Fault(str(path), "its RSA key is shorter than 2048 bits", "use P-256"))
    if not certificates:
        raise SigningFault(Fault(str(path), "holds no certificate"))
    return SigningKey(certificates[0], tuple(certificates[1:]), private_key=key)
