"""Making a signed report last: validation data (B-LT) and a time stamp over the whole file (B-LTA, EN 319 142-1).

Each time stamp proves everything under it. It has to be made while signatures and earlier stamps are still good, and
again before the certificate of its service ends; verification then follows them back (`identity`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from io import BytesIO
from typing import Any, TypeVar

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from diagnb.errors import Fault, SigningFault
from diagnb.signing.awaiting import finish
from diagnb.signing.reading import open_pdf
from diagnb.signing.revocation import issued_by
from diagnb.signing.service import MOST_DIGITS, stamper
from diagnb.signing.status import REASONS
from diagnb.signing.trust import TrustList
from diagnb.signing.verify import verify_signatures
from diagnb.signing.writing import quiet_writer

T = TypeVar("T")

_FIELD = "Timestamp"
_BROKEN = frozenset(REASONS) - {
    "not-trusted",
    "certificate-expired",
    "certificate-not-yet-valid",
    "certificate-revoked",
    "outside-trust-period",
    "key-not-for-signing",
    "signing-time-in-future",
    "timestamp-not-trusted",
    "timestamp-expired",
    "timestamp-revoked",
    "expected-signature-missing",
}


def add_validation_data(
    pdf: bytes,
    *,
    trust: TrustList,
    moment: datetime,
    revocation_lists: Iterable[x509.CertificateRevocationList] = (),
) -> bytes:
    """The report with every certificate and revocation list that a verifier needs; the same bytes if all are there.

    Takes the certificates of signatures and time stamps, their authorities on the trust list, and the lists of the
    trust list and of `revocation_lists` that one of them signed. Raises SigningFault for a broken report.
    """
    _require_whole(pdf, trust, moment)
    reader = open_pdf(pdf)
    writer = quiet_writer(reader)
    if not _supply(reader, writer, trust, revocation_lists):
        return pdf
    return _written(writer)


def timestamp(
    pdf: bytes,
    *,
    url: str,
    trust: TrustList,
    moment: datetime,
    revocation_lists: Iterable[x509.CertificateRevocationList] = (),
) -> bytes:
    """The report with its validation data and a time stamp of the RFC 3161 service at `url` over all of it.

    `moment` is now: the signatures must be whole, not necessarily trusted. Do it again, with any service, before
    `StampStatus.renew_before`. Raises SigningFault: broken or unsigned report, no answer, an answer that is no stamp.
    """
    _require_whole(pdf, trust, moment)
    client = stamper(url)
    reader = open_pdf(pdf)
    writer = quiet_writer(reader)
    _supply(reader, writer, trust, revocation_lists)

    def run() -> bytes:
        from pyhanko.sign.fields import InvisSigSettings
        from pyhanko.sign.signers import PdfTimeStamper

        # outside every page: the one place where PDF/A and PDF/UA both allow an untagged invisible field
        place = InvisSigSettings(box_out_of_bounds=True)
        maker = PdfTimeStamper(client, field_name=_free_name(reader), invis_settings=place)
        output = finish(maker.async_timestamp_pdf(writer, "sha256", bytes_reserved=MOST_DIGITS))
        return bytes(output.getvalue())

    stamped = _named(run)
    status = verify_signatures(stamped, trust=trust, moment=moment)
    if not status.stamps or not status.stamps[-1].intact or _BROKEN & set(status.reasons):
        why = next((REASONS[code] for code in status.reasons if code in _BROKEN), "it does not fit the file")
        raise SigningFault(Fault("timestamp_url", f"the time stamp is not good: {why}", "try another service"))
    return stamped


def signing_certificates(pdf: bytes) -> tuple[x509.Certificate, ...]:
    """Every certificate inside signatures and time stamps of a report, each once."""
    return _named(lambda: tuple(_certificates(open_pdf(pdf))))


def _require_whole(pdf: bytes, trust: TrustList, moment: datetime) -> None:
    status = verify_signatures(pdf, trust=trust, moment=moment)
    broken = [code for code in status.reasons if code in _BROKEN]
    if broken:
        raise SigningFault([Fault("pdf", REASONS[code], "only a whole signed report can be kept") for code in broken])


def _supply(reader: Any, writer: Any, trust: TrustList, more: Iterable[x509.CertificateRevocationList]) -> bool:
    """Put what is missing into the file's validation data; whether anything was missing."""
    from asn1crypto import crl
    from asn1crypto import x509 as asn1
    from pyhanko.sign.validation.dss import DocumentSecurityStore

    certificates = _certificates(reader)
    names = {c.issuer for c in certificates}
    certificates += [
        e.certificate for e in trust.entries if e.certificate.subject in names and e.certificate not in certificates
    ]
    lists = [
        each for each in (*trust.revocation_lists, *more) if any(issued_by(each, issuer) for issuer in certificates)
    ]
    loaded = [asn1.Certificate.load(c.public_bytes(Encoding.DER)) for c in certificates]
    held = [crl.CertificateList.load(der) for der in dict.fromkeys(each.public_bytes(Encoding.DER) for each in lists)]

    def run() -> bool:
        if "/DSS" in reader.root:
            store = DocumentSecurityStore.read_dss(reader)
            there = {c.dump() for c in store.load_certs()} | {s.get_object().data for s in store.crls}
            if {c.dump() for c in loaded} | {each.dump() for each in held} <= there:
                return False
        DocumentSecurityStore.supply_dss_in_writer(writer, None, certs=loaded, crls=held)
        return True

    return _named(run)


def _certificates(reader: Any) -> list[x509.Certificate]:
    from pyhanko.sign.validation.generic_cms import extract_tst_data_iter

    found: dict[bytes, None] = {}
    for embedded in reader.embedded_signatures:
        containers = [embedded.signed_data]
        if embedded.sig_object_type == "/Sig":
            containers += list(extract_tst_data_iter(embedded.signer_info, signed=False))
        for container in containers:
            for choice in container["certificates"]:
                if choice.name == "certificate":
                    found[choice.chosen.dump()] = None
    return [x509.load_der_x509_certificate(der) for der in found]


def _free_name(reader: Any) -> str:
    from pyhanko.sign.fields import enumerate_sig_fields

    taken = {name for name, _, _ in enumerate_sig_fields(reader)}
    return next(name for n in range(1, 1000) if (name := f"{_FIELD}{n}") not in taken)


def _written(writer: Any) -> bytes:
    output = BytesIO()
    writer.write(output)
    return output.getvalue()


def _named(run: Callable[[], T]) -> T:
    from pyhanko.pdf_utils.misc import PdfError
    from pyhanko.sign.general import SigningError
    from pyhanko.sign.timestamps import TimestampRequestError

    try:
        return run()
    except SigningFault:
        raise
    except TimestampRequestError as error:
        raise SigningFault(Fault("timestamp_url", f"the service gave no time stamp: {error}")) from None
    except (PdfError, SigningError) as error:
        raise SigningFault(Fault("pdf", f"can't be added to: {error}")) from None
    except (ValueError, TypeError, KeyError, AttributeError, OSError) as error:
        what = f"can't be added to: its structure is not readable ({type(error).__name__})"
        raise SigningFault(Fault("pdf", what)) from None
