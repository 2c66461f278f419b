"""A key inside a hardware token (PKCS#11): it never leaves it; the token signs digests and nothing else is asked of it.

The one file that speaks to tokens. Needs the extra `token`. Key and certificate stand side by side under one label.
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, cast

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.x509.oid import NameOID

from diagnb.errors import Fault, SigningFault, missing_package
from diagnb.signing.keys import Authority, certify_person, fingerprint, is_authority, subject_text

KEY_LABEL = "diagnb"
"""The label under which key and certificate stand in a token unless another one is named."""


class Token:
    """An open token: stands in the place of a `SigningKey`. Close it, or use it in a `with` block."""

    def __init__(
        self, session: Any, private_key: Any, certificate: x509.Certificate, chain: tuple[x509.Certificate, ...]
    ) -> None:
        self._session = session
        self._private_key = private_key
        self.certificate = certificate
        self.chain = chain

    @property
    def name(self) -> str:
        """The printed name: common name of the certificate."""
        return subject_text(self.certificate, NameOID.COMMON_NAME)

    @property
    def role(self) -> str:
        """The role: organisational unit of the certificate."""
        return subject_text(self.certificate, NameOID.ORGANIZATIONAL_UNIT_NAME)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate's DER form, 64 hexadecimal digits."""
        return fingerprint(self.certificate)

    def sign(self, data: bytes) -> bytes:
        """The SHA-256 signature of `data`, checked against the certificate before it is handed out."""
        import pkcs11
        from pkcs11.util.ec import encode_ecdsa_signature

        public = self.certificate.public_key()
        try:
            if isinstance(public, rsa.RSAPublicKey):
                value = bytes(self._private_key.sign(data, mechanism=pkcs11.Mechanism.SHA256_RSA_PKCS))
                public.verify(value, data, padding.PKCS1v15(), hashes.SHA256())
            else:
                digest = hashlib.sha256(data).digest()
                value = encode_ecdsa_signature(self._private_key.sign(digest, mechanism=pkcs11.Mechanism.ECDSA))
                cast(ec.EllipticCurvePublicKey, public).verify(value, data, ec.ECDSA(hashes.SHA256()))
        except InvalidSignature:
            raise SigningFault(
                Fault("token", "its key does not belong to its certificate", "name another --token-key")
            ) from None
        except pkcs11.exceptions.PKCS11Error as error:
            raise SigningFault(Fault("token", f"did not sign: {type(error).__name__}")) from None
        return value

    def close(self) -> None:
        """Log out of the token."""
        self._session.close()

    def __enter__(self) -> Token:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Token({self.name!r}, {self.role!r}, {self.fingerprint[:16]})"


def open_token(
    library: Path | str,
    *,
    label: str,
    pin: str,
    key_label: str = KEY_LABEL,
    chain: tuple[x509.Certificate, ...] = (),
) -> Token:
    """The key under `key_label` in the token `label`, through the token maker's PKCS#11 `library`.

    `chain` are certificates above the signer's, when the token does not hold them. Raises SigningFault: no such
    library, token or key, wrong PIN, no certificate. The PIN appears in no message.
    """
    import_pkcs11()
    import pkcs11

    session = _session(library, label, pin, write=False)
    try:
        private_key = session.get_key(object_class=pkcs11.ObjectClass.PRIVATE_KEY, label=key_label)
        own, above = _certificates(session, key_label)
        return Token(session, private_key, own, chain or above)
    except pkcs11.exceptions.PKCS11Error as error:
        session.close()
        what = "holds no such key" if isinstance(error, pkcs11.exceptions.NoSuchKey) else type(error).__name__
        raise SigningFault(Fault("token", f"{what} ({key_label!r})", "name the key with --token-key")) from None
    except SigningFault:
        session.close()
        raise


def create_in_token(
    authority: Authority,
    library: Path | str,
    *,
    label: str,
    pin: str,
    name: str,
    role: str,
    years: int = 3,
    moment: datetime,
    key_label: str = KEY_LABEL,
) -> x509.Certificate:
    """Make a P-256 key inside the token, have the authority certify it, and put the certificate beside it.

    The private key is made so that the token never gives it out. Raises SigningFault, also when the label is taken.
    """
    import_pkcs11()
    import pkcs11
    from pkcs11.util.ec import encode_ec_public_key, encode_named_curve_parameters

    session = _session(library, label, pin, write=True)
    made: list[Any] = []
    try:
        _require_free(session, key_label)
        parameters = session.create_domain_parameters(
            pkcs11.KeyType.EC,
            {pkcs11.Attribute.EC_PARAMS: encode_named_curve_parameters("secp256r1")},
            local=True,
        )
        identifier = secrets.token_bytes(8)
        never_out = {pkcs11.Attribute.SENSITIVE: True, pkcs11.Attribute.EXTRACTABLE: False}
        public, private = parameters.generate_keypair(
            store=True, label=key_label, id=identifier, private_template=never_out
        )
        made += [public, private]
        loaded = cast(ec.EllipticCurvePublicKey, serialization.load_der_public_key(encode_ec_public_key(public)))
        certificate = certify_person(authority, loaded, name=name, role=role, years=years, moment=moment)
        for each in (certificate, authority.certificate):
            made.append(
                session.create_object(
                    {
                        pkcs11.Attribute.CLASS: pkcs11.ObjectClass.CERTIFICATE,
                        pkcs11.Attribute.CERTIFICATE_TYPE: pkcs11.CertificateType.X_509,
                        pkcs11.Attribute.TOKEN: True,
                        pkcs11.Attribute.LABEL: key_label,
                        pkcs11.Attribute.ID: identifier,
                        pkcs11.Attribute.SUBJECT: each.subject.public_bytes(),
                        pkcs11.Attribute.ISSUER: each.issuer.public_bytes(),
                        pkcs11.Attribute.SERIAL_NUMBER: _serial(each),
                        pkcs11.Attribute.VALUE: each.public_bytes(serialization.Encoding.DER),
                    }
                )
            )
        return certificate
    except BaseException as error:
        for each in made:  # nothing half made stays behind
            each.destroy()
        if isinstance(error, pkcs11.exceptions.PKCS11Error):
            raise SigningFault(Fault("token", f"made no key: {type(error).__name__}")) from None
        raise
    finally:
        session.close()


def import_pkcs11() -> None:
    """Raise MissingPackage unless the extra is installed."""
    try:
        import pkcs11  # noqa: F401
    except ImportError:
        raise missing_package("python-pkcs11", "token", "is needed for a token, and not installed") from None


def _session(library: Path | str, label: str, pin: str, *, write: bool) -> Any:
    import pkcs11

    try:
        loaded = pkcs11.lib(str(library))
    except (pkcs11.exceptions.PKCS11Error, RuntimeError, OSError):
        raise SigningFault(
            Fault(str(library), "is not a PKCS#11 library that can be used", "give the token maker's library")
        ) from None
    try:
        return loaded.get_token(token_label=label).open(rw=write, user_pin=pin)
    except (pkcs11.exceptions.NoSuchToken, pkcs11.exceptions.MultipleTokensReturned):
        raise SigningFault(Fault("token", f"there is not exactly one labelled {label!r}", "plug it in")) from None
    except (pkcs11.exceptions.PinIncorrect, pkcs11.exceptions.PinInvalid, pkcs11.exceptions.PinLenRange):
        raise SigningFault(Fault("token", "refused the PIN", "tokens lock themselves after a few tries")) from None
    except pkcs11.exceptions.UserAlreadyLoggedIn:
        raise SigningFault(Fault("token", "is open already in this program", "close it there")) from None
    except pkcs11.exceptions.PinLocked:
        raise SigningFault(Fault("token", "is locked", "its maker's program unlocks it")) from None
    except (pkcs11.exceptions.PKCS11Error, ValueError) as error:
        raise SigningFault(Fault("token", f"can't be opened: {type(error).__name__}")) from None


def _require_free(session: Any, key_label: str) -> None:
    import pkcs11

    if list(session.get_objects({pkcs11.Attribute.LABEL: key_label})):
        raise SigningFault(Fault("token", f"already holds something under {key_label!r}", "name another --token-key"))


def _certificates(session: Any, key_label: str) -> tuple[x509.Certificate, tuple[x509.Certificate, ...]]:
    """The signer's certificate and those above it, whatever order the token keeps."""
    import pkcs11

    wanted = {pkcs11.Attribute.CLASS: pkcs11.ObjectClass.CERTIFICATE, pkcs11.Attribute.LABEL: key_label}
    found = []
    for each in session.get_objects(wanted):
        try:
            found.append(x509.load_der_x509_certificate(bytes(each[pkcs11.Attribute.VALUE])))
        except ValueError:
            raise SigningFault(Fault("token", "holds a certificate that can't be read")) from None
    people = [c for c in found if not is_authority(c)]
    if len(people) != 1:
        what = f"holds {len(people)} certificates of people under {key_label!r} instead of one"
        raise SigningFault(Fault("token", what, "keep the certificate beside its key, under a label of their own"))
    return people[0], tuple(c for c in found if is_authority(c))


def _serial(certificate: x509.Certificate) -> bytes:
    from asn1crypto.core import Integer

    return bytes(Integer(certificate.serial_number).dump())
