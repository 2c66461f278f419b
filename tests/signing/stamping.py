"""Certomancer's time-stamp service behind real HTTP on loopback, with a clock that the test sets. All invented."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from diagnb.signing import TrustEntry, trust_entry

SERVICES = ("first", "second", "short", "leaked", "closed")


class TimeService:
    """Five services of one invented authority: `short` ends after a year, `leaked` and `closed` are revoked in 2031."""

    def __init__(self, url: str, architecture: Any, animator: Any) -> None:
        self._url = url
        self._architecture = architecture
        self._animator = animator

    def url(self, name: str = "first") -> str:
        return f"{self._url}/invented/tsa/{name}"

    def at(self, moment: datetime) -> None:
        """Set the service's clock."""
        self._animator.fixed_time = moment

    def certificate(self, label: str) -> x509.Certificate:
        return x509.load_der_x509_certificate(self._architecture.get_cert(label).dump())

    def entry(self, added: datetime, label: str = "root") -> TrustEntry:
        return trust_entry(self.certificate(label), added=added, added_by="test", timestamp_service=True)

    def revocation_list(self, moment: datetime) -> x509.CertificateRevocationList:
        made = self._architecture.service_registry.get_crl("root", moment)
        return x509.load_der_x509_crl(made.dump())


@contextmanager
def time_service(folder: Path, *, made: datetime) -> Iterator[TimeService]:
    """The services while the block runs."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from certomancer.integrations.animator import Animator, AnimatorArchStore
        from certomancer.registry import CertomancerConfig
        from werkzeug.serving import WSGIRequestHandler, make_server

    class Quiet(WSGIRequestHandler):
        def log(self, type: str, message: str, *args: Any) -> None:
            return

    server = make_server("127.0.0.1", 0, lambda e, s: animator(e, s), request_handler=Quiet)  # type: ignore[no-any-return]
    url = f"http://127.0.0.1:{server.server_port}"
    for name in ("root", *SERVICES):
        key = ec.generate_private_key(ec.SECP256R1()).private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        (folder / f"{name}.pem").write_bytes(key)
    config = CertomancerConfig(_config(url, made), key_search_dir=str(folder))
    architectures = config.pki_archs
    animator = Animator(AnimatorArchStore(architectures), at_time=made, with_web_ui=False)
    architecture = next(iter(architectures.values()))
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield TimeService(url, architecture, animator)
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def _config(url: str, made: datetime) -> dict[str, Any]:
    def date(year: int) -> str:
        return made.replace(year=made.year + year).isoformat()

    def usage(*names: str) -> dict[str, Any]:
        return {"id": "key_usage", "critical": True, "smart-value": {"schema": "key-usage", "params": list(names)}}

    def service(name: str, years: int, **more: Any) -> dict[str, Any]:
        return {
            "subject": name,
            "issuer": "root",
            "validity": {"valid-from": date(0), "valid-to": date(years)},
            "extensions": [
                usage("digital_signature"),
                {"id": "extended_key_usage", "critical": True, "value": ["time_stamping"]},
                {
                    "id": "crl_distribution_points",
                    "smart-value": {"schema": "crl-dist-url", "params": {"crl-repo-names": ["root"]}},
                },
            ],
            **more,
        }

    def revoked(reason: str) -> dict[str, Any]:
        return {"revocation": {"revoked-since": date(1), "reason": reason}}

    names = ("root", *SERVICES)
    return {
        "external-url-prefix": url,
        "keysets": {"invented": {"path-prefix": ".", "keys": {n: {"path": f"{n}.pem"} for n in names}}},
        "pki-architectures": {
            "invented": {
                "keyset": "invented",
                "entity-defaults": {"country-name": "XX", "organization-name": "Invented"},
                "entities": {n: {"common-name": f"Invented Time Service {n}"} for n in names},
                "certs": {
                    "root": {
                        "subject": "root",
                        "issuer": "root",
                        "validity": {"valid-from": date(0), "valid-to": date(40)},
                        "extensions": [
                            {"id": "basic_constraints", "critical": True, "value": {"ca": True}},
                            usage("key_cert_sign", "crl_sign"),
                        ],
                    },
                    "first": service("first", 6),
                    "second": service("second", 12),
                    "short": service("short", 1),
                    "leaked": service("leaked", 6, **revoked("key_compromise")),
                    "closed": service("closed", 6, **revoked("cessation_of_operation")),
                },
                "services": {
                    "time-stamping": {n: {"signing-cert": n} for n in SERVICES},
                    "crl-repo": {
                        "root": {"for-issuer": "root", "signing-key": "root", "simulated-update-schedule": "P30D"}
                    },
                },
            }
        },
    }
