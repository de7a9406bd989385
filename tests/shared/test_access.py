"""What keys are made of."""

from __future__ import annotations

import hashlib
import re

import pytest

from shared.access import KEY_PATTERN, SECRET_BYTES, digest_of, new_secret, prefix_of


def test_a_key_has_256_random_bits_beside_its_public_part() -> None:
    secret = new_secret()
    assert re.fullmatch(r"fp_[0-9a-f]{10}_[\w-]{43}", secret.text, re.ASCII)
    assert SECRET_BYTES * 8 == 256
    assert secret.text.startswith(f"{secret.prefix}_")


def test_keys_differ_in_both_parts() -> None:
    secrets = [new_secret() for _ in range(200)]
    assert len({one.prefix for one in secrets}) == len({one.text[14:] for one in secrets}) == 200


def test_a_digest_is_sha_256() -> None:
    # FIPS 180-4, example of "abc" (from memory)
    assert digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert new_secret().sha256 != hashlib.sha256(b"").hexdigest()


@pytest.mark.parametrize(
    "text", ["", "fp_", "fp_0123456789_", "xx_0123456789_" + "a" * 43, "fp_0123456789_" + "a" * 44]
)
def test_what_has_not_the_form_of_a_key_has_no_public_part(text: str) -> None:
    assert prefix_of(text) is None


def test_a_key_is_not_shown_where_objects_are_printed() -> None:
    secret = new_secret()
    assert secret.text[14:] not in f"{secret!r} {secret}"
    assert KEY_PATTERN.fullmatch(secret.text)
