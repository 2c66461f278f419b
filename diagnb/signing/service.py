"""What is asked over the network: time stamps (RFC 3161 over HTTP, section 3.4) and revocation lists. Bounded."""

from __future__ import annotations

import urllib.error
import urllib.request
from collections.abc import Iterable
from typing import Any

from cryptography import x509

from diagnb.errors import Fault, SigningFault
from diagnb.signing.revocation import issued_by

MOST_DIGITS = 24 * 1024
"""Hexadecimal digits kept for a time stamp of 12 KiB; a service's certificates travel in it."""

_SECONDS = 20
_MAX_STAMP = 1 << 20
_MAX_LIST = 4 << 20
_MOST_ADDRESSES = 8


def stamper(url: str) -> Any:
    """A client of the time-stamp service at `url`, as pyHanko wants it. Raises SigningFault for another scheme."""
    if not _web(url):
        raise SigningFault(Fault("timestamp_url", "is not a web address", "give https://…"))

    from asn1crypto import tsp
    from pyhanko.sign.timestamps import TimeStamper, TimestampRequestError

    class Service(TimeStamper):
        """One request, one answer; the library checks nonce and digest of the answer."""

        async def async_request_tsa_response(self, req: Any) -> Any:
            request = urllib.request.Request(  # noqa: S310 - the scheme is checked above
                url, data=req.dump(), headers={"Content-Type": "application/timestamp-query"}
            )
            try:
                with urllib.request.urlopen(request, timeout=_SECONDS) as answer:  # noqa: S310
                    if answer.headers.get_content_type() != "application/timestamp-reply":
                        raise TimestampRequestError("it answered something that is no time stamp")
                    return tsp.TimeStampResp.load(answer.read(_MAX_STAMP))
            except (urllib.error.URLError, TimeoutError, ConnectionError) as error:
                raise TimestampRequestError(f"it can't be reached: {error}") from None

    return Service()  # type: ignore[no-untyped-call]


def fetch_revocation_lists(
    certificates: Iterable[x509.Certificate],
) -> tuple[tuple[x509.CertificateRevocationList, ...], tuple[Fault, ...]]:
    """The revocation lists that these certificates name (RFC 5280 section 4.2.1.13), and what could not be had.

    Only lists that the issuer among `certificates` signed are returned.
    """
    known = list(certificates)
    found, faults = [], []
    for url in list(dict.fromkeys(url for c in known for url in _addresses(c)))[:_MOST_ADDRESSES]:
        try:
            with urllib.request.urlopen(url, timeout=_SECONDS) as answer:  # noqa: S310 - http and https alone
                each = x509.load_der_x509_crl(answer.read(_MAX_LIST))
        except (OSError, ValueError) as error:
            faults.append(Fault(url, f"gave no revocation list: {error}", "hand the list in as a file"))
            continue
        if any(issued_by(each, issuer) for issuer in known):
            found.append(each)
        else:
            faults.append(Fault(url, "gave a revocation list that none of the issuers signed"))
    return tuple(found), tuple(faults)


def _addresses(certificate: x509.Certificate) -> list[str]:
    try:
        points = certificate.extensions.get_extension_for_class(x509.CRLDistributionPoints).value
    except (x509.ExtensionNotFound, ValueError):
        return []
    names = [name for point in points for name in point.full_name or ()]
    return [str(n.value) for n in names if isinstance(n, x509.UniformResourceIdentifier) and _web(str(n.value))]


def _web(url: str) -> bool:
    return url.startswith(("https://", "http://"))
