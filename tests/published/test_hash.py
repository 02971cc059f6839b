"""The project's hashes against SHA-256's published examples.

Source: FIPS 180 and the example values the NIST gives with it: "abc" and the two-block message; the empty message and
a million times "a" are in its long-known test vectors. Written down from memory and confirmed by coreutils' sha256sum.
"""

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage

from receiving import evidence, verification

VECTORS = {
    "": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    "a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}
IDS = ["empty", "abc", "two blocks", "a million a"]


@pytest.mark.parametrize(("message", "digest"), VECTORS.items(), ids=IDS)
def test_the_published_messages_give_the_published_hashes(message, digest):
    assert evidence.sha256(message) == digest
    assert evidence.digest(message.encode()) == digest


@pytest.mark.parametrize(("message", "digest"), VECTORS.items(), ids=IDS)
def test_a_kept_file_is_read_back_to_the_published_hash(message, digest):
    path = default_storage.save("published/message", ContentFile(message.encode()))
    assert list(verification.check_file("a message", path, digest)) == []


def test_a_file_of_another_hash_is_named():
    path = default_storage.save("published/message", ContentFile(b"abd"))
    (mismatch,) = verification.check_file("a message", path, VECTORS["abc"])
    assert VECTORS["abc"] in mismatch.what
    assert path in mismatch.what


def test_text_is_hashed_as_utf_8_and_an_objects_keys_in_one_order():
    """The canonical text of JSON, so that a hash does not depend on how a database hands keys and letters back."""
    assert evidence.canonical({"b": [1, "ñ"], "a": None}) == '{"a":null,"b":[1,"ñ"]}'
    assert evidence.sha256("ñ") == evidence.digest(b"\xc3\xb1")
