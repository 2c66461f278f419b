"""Keys, trust, signing and verifying: bytes in, bytes or a frozen status out; knows no record.

The public names are loaded when they are first used, so that importing this package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnb.signing.attachments import EmbeddedFile, document_information, embedded_files, xmp_packet
    from diagnb.signing.keys import (
        Authority,
        SigningKey,
        create_authority,
        create_person,
        generate_passphrase,
        load_authority,
        load_key,
        save_key,
        self_signed_person,
    )
    from diagnb.signing.sign import Signer, certify, countersign
    from diagnb.signing.status import REASONS, SignatureStatus, SignerStatus
    from diagnb.signing.trust import TrustEntry, TrustList, load_trust, trust_entry
    from diagnb.signing.verify import verify_signatures

_PLACES = {
    "attachments": "EmbeddedFile document_information embedded_files xmp_packet",
    "keys": "Authority SigningKey create_authority create_person generate_passphrase load_authority load_key"
    " save_key self_signed_person",
    "sign": "Signer certify countersign",
    "status": "REASONS SignatureStatus SignerStatus",
    "trust": "TrustEntry TrustList load_trust trust_entry",
    "verify": "verify_signatures",
}
_MODULE_OF = {name: module for module, names in _PLACES.items() for name in names.split()}

__all__ = [
    "REASONS",
    "Authority",
    "EmbeddedFile",
    "SignatureStatus",
    "Signer",
    "SignerStatus",
    "SigningKey",
    "TrustEntry",
    "TrustList",
    "certify",
    "countersign",
    "create_authority",
    "create_person",
    "document_information",
    "embedded_files",
    "generate_passphrase",
    "load_authority",
    "load_key",
    "load_trust",
    "save_key",
    "self_signed_person",
    "trust_entry",
    "verify_signatures",
    "xmp_packet",
]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
