"""Signing a PDF: the technician's certification signature, the reviewer's countersignature.

PAdES baseline B-B (EN 319 142-1 clause 6: `ETSI.CAdES.detached`, SHA-256, signing certificate bound in);
with a time-stamp service B-T. The file grows at its end only, its earlier bytes stay as they are.
The one file that signs with pyHanko.
"""

from __future__ import annotations

import tempfile
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from diagnb.errors import Fault, SigningFault
from diagnb.signing.awaiting import finish
from diagnb.signing.keys import is_authority, require_valid
from diagnb.signing.service import MOST_DIGITS, stamper
from diagnb.signing.writing import quiet_writer

if TYPE_CHECKING:
    from cryptography import x509

RESERVED_DIGITS = 8192
"""Hexadecimal digits kept for the signature value; fixed, so no trial signature is needed to measure it."""

_BYTES_BESIDE_CERTIFICATES = 1536
_MAX_TEXT = 500


class Signer(Protocol):
    """What signing needs of a key; `SigningKey` offers it, a hardware token can too."""

    @property
    def certificate(self) -> x509.Certificate:
        """The signer's certificate."""

    @property
    def chain(self) -> tuple[x509.Certificate, ...]:
        """The certificates above it, nearest first."""

    def sign(self, data: bytes) -> bytes:
        """The SHA-256 signature of `data` in the form that CMS carries."""


def certify(
    pdf: bytes,
    *,
    key: Signer,
    field: str,
    reason: str,
    location: str = "",
    moment: datetime,
    appearance: bytes | None = None,
    timestamp_url: str | None = None,
) -> bytes:
    """The PDF with a certification signature in `field`; later only form filling and signing is permitted.

    `moment` (with a zone) is written as the time of signing. The field's own appearance stays as it was
    drawn, unless `appearance` gives a one-page PDF for its box. `timestamp_url` asks an RFC 3161 service.
    Raises SigningFault: not a PDF, encrypted, signed before, no such field, key not valid at `moment`.
    """
    return _signed(
        pdf,
        key=key,
        field=field,
        reason=reason,
        location=location,
        moment=moment,
        appearance=appearance,
        timestamp_url=timestamp_url,
        first=True,
    )


def countersign(
    pdf: bytes,
    *,
    key: Signer,
    field: str,
    reason: str,
    location: str = "",
    moment: datetime,
    appearance: bytes | None = None,
    timestamp_url: str | None = None,
) -> bytes:
    """The PDF with an approval signature in a field that has been there from the start.

    Arguments and errors as for `certify`; the PDF must hold a certification signature already.
    """
    return _signed(
        pdf,
        key=key,
        field=field,
        reason=reason,
        location=location,
        moment=moment,
        appearance=appearance,
        timestamp_url=timestamp_url,
        first=False,
    )


def _signed(
    pdf: bytes,
    *,
    key: Signer,
    field: str,
    reason: str,
    location: str,
    moment: datetime,
    appearance: bytes | None,
    timestamp_url: str | None,
    first: bool,
) -> bytes:
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
    from pyhanko.sign.general import SigningError
    from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner
    from pyhanko.sign.timestamps import TimestampRequestError

    class TimedSigner(PdfSigner):
        """Takes the time of signing from its caller, not from a clock."""

        def init_signing_session(self, *args: Any, **kwargs: Any) -> Any:
            session = super().init_signing_session(*args, **kwargs)
            session.system_time = moment
            return session

    check_texts(reason=reason, location=location, moment=moment)
    if is_authority(key.certificate):
        raise SigningFault(Fault("key", "is an authority's and signs no reports", "load a person's key"))
    require_valid(key.certificate, moment, where="key")
    if not pdf.startswith(b"%PDF-"):
        raise SigningFault(Fault("pdf", "is not a PDF file"))
    try:
        reader = PdfFileReader(BytesIO(pdf))
        _check_document(reader, field=field, first=first)
        writer = quiet_writer(reader)
        metadata = PdfSignatureMetadata(
            field_name=field,
            md_algorithm="sha256",
            subfilter=SigSeedSubFilter.PADES,
            reason=reason,
            location=location or None,
            certify=first,
            docmdp_permissions=MDPPerm.FILL_FORMS,
        )
        signer = TimedSigner(
            metadata,
            signer=pyhanko_signer(key),
            timestamper=None if timestamp_url is None else stamper(timestamp_url),
            stamp_style=_stamp_style(appearance),
        )
        digits = reserved_digits(key, timestamped=timestamp_url is not None)
        output = finish(signer.async_sign_pdf(writer, existing_fields_only=True, bytes_reserved=digits))
        return bytes(output.getvalue())
    except SigningFault:
        raise
    except TimestampRequestError as error:
        raise SigningFault(Fault("timestamp_url", f"the service gave no time stamp: {error}")) from None
    except (PdfError, SigningError) as error:
        raise SigningFault(Fault("pdf", f"can't be signed: {error}")) from None
    except (ValueError, TypeError, KeyError, AttributeError, AssertionError, RecursionError, OSError) as error:
        what = f"can't be signed: its structure is not readable ({type(error).__name__})"
        raise SigningFault(Fault("pdf", what)) from None


def signature_fields(pdf: bytes) -> dict[str, bool]:
    """The signature fields of a PDF in their order, and whether each is signed. Raises SigningFault."""
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.fields import enumerate_sig_fields

    try:
        reader = PdfFileReader(BytesIO(pdf))
        if "/Encrypt" in reader.trailer:
            raise SigningFault(Fault("pdf", "is encrypted"))
        return {name: value is not None for name, value, _ in enumerate_sig_fields(reader)}
    except (PdfError, ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise SigningFault(Fault("pdf", f"can't be read ({type(error).__name__})")) from None


def check_texts(*, reason: str, location: str, moment: datetime) -> None:
    """Raise SigningFault unless these can be written into a signature."""
    faults = []
    if not reason.strip():
        faults.append(Fault("reason", "is empty", "say what the signature means"))
    for where, text in (("reason", reason), ("location", location)):
        if len(text) > _MAX_TEXT or any(ord(c) < 32 for c in text):
            faults.append(Fault(where, f"is longer than {_MAX_TEXT} characters or holds control characters"))
    if moment.tzinfo is None:
        faults.append(Fault("moment", "carries no time zone"))
    if faults:
        raise SigningFault(faults)


def _check_document(reader: Any, *, field: str, first: bool) -> None:
    from pyhanko.sign.fields import enumerate_sig_fields

    if "/Encrypt" in reader.trailer:
        raise SigningFault(Fault("pdf", "is encrypted", "sign the report as it was rendered"))
    fields = {name: value for name, value, _ in enumerate_sig_fields(reader)}
    signed = sorted(name for name, value in fields.items() if value is not None)
    if field not in fields:
        known = ", ".join(sorted(fields)) or "none"
        raise SigningFault(Fault("field", f"there is no signature field {field!r}", f"there is: {known}"))
    if fields[field] is not None:
        raise SigningFault(Fault("field", f"{field!r} is signed already"))
    if first and signed:
        raise SigningFault(
            Fault("pdf", f"is signed already ({', '.join(signed)})", "countersign it, or render it again")
        )
    if not first and not signed:
        raise SigningFault(Fault("pdf", "carries no signature to countersign", "sign it first"))


def reserved_digits(key: Signer, *, timestamped: bool) -> int:
    """Hexadecimal digits to keep for the signature of this key."""
    from cryptography.hazmat.primitives.serialization import Encoding

    certificates = sum(len(c.public_bytes(Encoding.DER)) for c in (key.certificate, *key.chain))
    needed = max(RESERVED_DIGITS, 2 * (certificates + _BYTES_BESIDE_CERTIFICATES))
    return needed + MOST_DIGITS if timestamped else needed


def pyhanko_signer(key: Signer) -> Any:
    """The key as pyHanko wants it; the private key is neither loaded nor checked again."""
    from asn1crypto import x509 as asn1
    from cryptography.hazmat.primitives.serialization import Encoding
    from pyhanko.sign.signers import Signer as PyhankoSigner
    from pyhanko_certvalidator.registry import SimpleCertificateStore

    class KeySigner(PyhankoSigner):
        """Hands the bytes to the key that was loaded once."""

        async def async_sign_raw(self, data: bytes, digest_algorithm: str, dry_run: bool = False) -> bytes:
            if digest_algorithm.lower() != "sha256":
                raise SigningFault(Fault("key", f"signs SHA-256 only, not {digest_algorithm}"))
            return key.sign(data)

    store = SimpleCertificateStore()  # type: ignore[no-untyped-call]
    store.register_multiple(asn1.Certificate.load(c.public_bytes(Encoding.DER)) for c in key.chain)
    own = asn1.Certificate.load(key.certificate.public_bytes(Encoding.DER))
    return KeySigner(signing_cert=own, cert_registry=store)


def _stamp_style(appearance: bytes | None) -> Any:
    from pyhanko.pdf_utils.content import ImportedPdfPage
    from pyhanko.pdf_utils.layout import AxisAlignment, Margins, SimpleBoxLayoutRule
    from pyhanko.stamp import NoOpStampStyle, StaticStampStyle

    if appearance is None:
        return NoOpStampStyle()
    drawn = appearance

    class DrawnPage(ImportedPdfPage):
        """A page held in memory; the library wants a file name."""

        def render(self) -> bytes:
            with tempfile.TemporaryDirectory() as folder:
                self.file_name = str(Path(folder, "appearance.pdf"))
                Path(self.file_name).write_bytes(drawn)
                return bytes(super().render())

    page = DrawnPage("")  # type: ignore[no-untyped-call]
    whole_box = SimpleBoxLayoutRule(AxisAlignment.ALIGN_MID, AxisAlignment.ALIGN_MID, margins=Margins(0, 0, 0, 0))
    return StaticStampStyle(background=page, background_layout=whole_box, border_width=0, background_opacity=1.0)
