"""Keys that never leave their token: a real PKCS#11 library, made, used and refused."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import CHECKED, MADE, Shop
from test_sign import tool

from diagnb.errors import SigningFault
from diagnb.signing import OnePassSigner, Token, certify, countersign, create_in_token, open_token, verify_signatures

LIBRARY = next(
    (p for p in map(Path, ("/usr/lib/softhsm/libsofthsm2.so", "/usr/lib64/softhsm/libsofthsm2.so")) if p.exists()),
    Path("libsofthsm2.so"),
)
PIN = "271828"


@pytest.fixture(scope="session")
def token(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A fresh token; the library reads its configuration once in a process."""
    if not LIBRARY.exists():
        pytest.fail("SoftHSM2 is missing; Debian: apt-get install softhsm2")
    folder = tmp_path_factory.mktemp("token")
    (folder / "tokens").mkdir()
    (folder / "softhsm2.conf").write_text(f"directories.tokendir = {folder / 'tokens'}\nlog.level = ERROR\n")
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("SOFTHSM2_CONF", str(folder / "softhsm2.conf"))
        command = [
            tool("softhsm2-util"),
            "--init-token",
            "--free",
            "--label",
            "bay 3",
            "--pin",
            PIN,
            "--so-pin",
            "31415926",
        ]
        subprocess.run(command, check=True, capture_output=True)
        yield "bay 3"


@pytest.fixture(scope="session")
def made(shop: Shop, token: str) -> str:
    create_in_token(shop.authority, LIBRARY, label=token, pin=PIN, name="Tess Invented", role="technician", moment=MADE)
    return token


@pytest.fixture
def opened(made: str) -> Iterator[Token]:
    with open_token(LIBRARY, label=made, pin=PIN) as key:
        yield key


def test_a_key_made_inside_signs_reports(shop: Shop, opened: Token) -> None:
    assert (opened.name, opened.role) == ("Tess Invented", "technician")
    assert opened.chain == (shop.authority.certificate,)
    signed = certify(shop.unsigned, key=opened, field="Technician", reason="Measured", moment=shop.signed)
    both = countersign(signed, key=shop.reviewer, field="Reviewer", reason="Reviewed", moment=shop.reviewed)
    status = verify_signatures(both, trust=shop.trust, moment=shop.checked, expected_fields=("Technician", "Reviewer"))
    assert status.reasons == ()
    assert status.signatures[0].signer == "Tess Invented"
    assert status.signatures[0].fingerprint == opened.fingerprint


def test_a_token_can_sign_in_one_pass(opened: Token) -> None:
    assert OnePassSigner(opened) is not None


def test_the_private_key_can_not_be_taken_out(opened: Token) -> None:
    import pkcs11

    key = opened._private_key
    assert key[pkcs11.Attribute.SENSITIVE]
    assert not key[pkcs11.Attribute.EXTRACTABLE]
    with pytest.raises(pkcs11.exceptions.PKCS11Error):
        key[pkcs11.Attribute.VALUE]


def test_what_goes_wrong_says_so_and_keeps_the_pin(made: str) -> None:
    wrong = "999998"
    cases = [
        ({"pin": wrong}, "refused the PIN"),
        ({"label": "bay 4"}, "exactly one labelled"),
        ({"key_label": "nothing"}, "holds no such key"),
    ]
    for change, message in cases:
        with pytest.raises(SigningFault, match=message) as caught:
            open_token(LIBRARY, **({"label": made, "pin": PIN} | change))  # type: ignore[arg-type]
        assert wrong not in str(caught.value)
        assert PIN not in str(caught.value)
    with pytest.raises(SigningFault, match="not a PKCS#11 library"):
        open_token(os.devnull, label=made, pin=PIN)
    with open_token(LIBRARY, label=made, pin=PIN) as opened:
        assert PIN not in repr(opened)
        with pytest.raises(SigningFault, match="open already"):
            open_token(LIBRARY, label=made, pin=PIN)


def test_a_label_is_used_once_and_nothing_half_made_stays(shop: Shop, made: str) -> None:
    arguments = {"label": made, "pin": PIN, "role": "technician", "moment": MADE}
    with pytest.raises(SigningFault, match="already holds"):
        create_in_token(shop.authority, LIBRARY, name="Tess Invented", **arguments)  # type: ignore[arg-type]
    with pytest.raises(SigningFault, match="1 to 64"):
        create_in_token(shop.authority, LIBRARY, name=" ", key_label="second", **arguments)  # type: ignore[arg-type]
    with pytest.raises(SigningFault, match="no such key"):
        open_token(LIBRARY, label=made, pin=PIN, key_label="second")
    second = create_in_token(shop.authority, LIBRARY, name="Uma Invented", key_label="second", **arguments)  # type: ignore[arg-type]
    with open_token(LIBRARY, label=made, pin=PIN, key_label="second") as other:
        assert other.certificate == second
        assert other.name == "Uma Invented"
    assert second.not_valid_after_utc > CHECKED
