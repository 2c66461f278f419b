"""Keys, trust, signing and verifying: bytes in, bytes or a frozen status out; knows no record.

The public names are loaded when they are first used, so that importing this package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.signing.additions import what_was_added
    from diagnb.signing.attachments import (
        EmbeddedFile,
        document_information,
        embedded_files,
        embedded_files_and_xmp,
        xmp_packet,
    )
    from diagnb.signing.keyfiles import load_authority, load_key, read_certificate, save_key
    from diagnb.signing.keys import (
        Authority,
        SigningKey,
        certify_person,
        create_authority,
        create_person,
        generate_passphrase,
        issued,
        self_signed_person,
    )
    from diagnb.signing.lasting import add_validation_data, signing_certificates, timestamp
    from diagnb.signing.likeness import unlike_pages
    from diagnb.signing.onepass import OnePassSigner, comes_from
    from diagnb.signing.revocation import (
        REVOCATION_REASONS,
        Revoked,
        create_revocation_list,
        read_revocation_list,
    )
    from diagnb.signing.service import fetch_revocation_lists
    from diagnb.signing.sign import Signer, certify, countersign, signature_fields
    from diagnb.signing.status import NOTES, REASONS, REMEDIES, SignatureStatus, SignerStatus, StampStatus
    from diagnb.signing.token import KEY_LABEL, Token, create_in_token, open_token
    from diagnb.signing.trust import MADE_HERE, TrustEntry, TrustList, TrustState, trust_entry
    from diagnb.signing.trustfile import load_trust
    from diagnb.signing.verify import verify_signatures

_PLACES = {
    "additions": "what_was_added",
    "likeness": "unlike_pages",
    "attachments": "EmbeddedFile document_information embedded_files embedded_files_and_xmp xmp_packet",
    "keyfiles": "load_authority load_key read_certificate save_key",
    "keys": "Authority SigningKey certify_person create_authority create_person generate_passphrase issued"
    " self_signed_person",
    "lasting": "add_validation_data signing_certificates timestamp",
    "onepass": "OnePassSigner comes_from",
    "revocation": "REVOCATION_REASONS Revoked create_revocation_list read_revocation_list",
    "service": "fetch_revocation_lists",
    "sign": "Signer certify countersign signature_fields",
    "status": "NOTES REASONS REMEDIES SignatureStatus SignerStatus StampStatus",
    "token": "KEY_LABEL Token create_in_token open_token",
    "trust": "MADE_HERE TrustEntry TrustList TrustState trust_entry",
    "trustfile": "load_trust",
    "verify": "verify_signatures",
}
_MODULE_OF = {name: module for module, names in _PLACES.items() for name in names.split()}

__all__ = [
    "KEY_LABEL",
    "MADE_HERE",
    "NOTES",
    "REASONS",
    "REMEDIES",
    "REVOCATION_REASONS",
    "Authority",
    "EmbeddedFile",
    "OnePassSigner",
    "Revoked",
    "SignatureStatus",
    "Signer",
    "SignerStatus",
    "SigningKey",
    "StampStatus",
    "Token",
    "TrustEntry",
    "TrustList",
    "TrustState",
    "add_validation_data",
    "certify",
    "certify_person",
    "comes_from",
    "countersign",
    "create_authority",
    "create_in_token",
    "create_person",
    "create_revocation_list",
    "document_information",
    "embedded_files",
    "embedded_files_and_xmp",
    "fetch_revocation_lists",
    "generate_passphrase",
    "issued",
    "load_authority",
    "load_key",
    "load_trust",
    "open_token",
    "read_certificate",
    "read_revocation_list",
    "save_key",
    "self_signed_person",
    "signature_fields",
    "signing_certificates",
    "timestamp",
    "trust_entry",
    "unlike_pages",
    "verify_signatures",
    "what_was_added",
    "xmp_packet",
]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
