"""A saved outbox comes from outside: what is read of it, and what is refused with the name of what is wrong."""

import hashlib
import io
import json
import uuid
import zipfile

import pytest

from receiving import outbox_file
from receiving.refusals import Refused

PHOTO = b"\xff\xd8\xff the bytes of a photo"
SHA256 = hashlib.sha256(PHOTO).hexdigest()


def record(**given):
    return {
        "uuid": str(uuid.uuid4()),
        "url": "/NOR/trailer/1/set-aside/",
        "kind": "set_aside",
        "title": "Set aside",
        "fields": [["note", "wet at one side"]],
        "made_at": "2026-03-02T18:00:00Z",
        "seq": 1,
        "files": [],
    } | given


def photo(**given):
    told = {"field": "photo", "name": "a.jpg", "type": "image/jpeg", "sha256": SHA256, "path": f"files/{SHA256}"}
    return told | given


def saved(records=(), *, files=None, index=None, **given):
    """The bytes of an outbox file; `index` takes the place of the whole of outbox.json."""
    told = {"format": 1, "person": 7, "name": "Ana Ruiz", "site": "NOR", "phone": str(uuid.uuid4())}
    told |= {"saved_at": "2026-03-03T00:00:00Z", "records": list(records)} | given
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("outbox.json", index if index is not None else json.dumps(told))
        for path, content in ({f"files/{SHA256}": PHOTO} if files is None else files).items():
            archive.writestr(path, content)
    return buffer.getvalue()


def read(data):
    return outbox_file.read(io.BytesIO(data))


def test_records_are_read_in_their_order_with_their_files():
    outbox = read(saved([record(title="second", seq=2, files=[photo()]), record(title="first", seq=1)]))
    assert [row.title for row in outbox.records] == ["first", "second"]
    assert (outbox.person, outbox.name, outbox.site) == (7, "Ana Ruiz", "NOR")
    assert outbox.content(outbox.records[1].files[0]) == PHOTO
    assert outbox.records[0].made_at.isoformat() == "2026-03-02T18:00:00+00:00"


def test_a_refused_record_brings_its_sentences():
    outbox = read(saved([record(state="refused", why=[{"code": "x", "field": None, "message": "No such bill."}])]))
    assert outbox.records[0].why == "No such bill."


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "not an outbox that was saved"),
        (b"PK\x03\x04 cut", "not an outbox that was saved"),
        (saved()[:-30], "not an outbox that was saved"),
        (saved(index="[1, 2"), "not an outbox that was saved"),
        (saved(index="[" * 100_000), "not an outbox that was saved"),
        (saved(index="[]"), "another version"),
        (saved(format=2), "another version"),
        (saved(person="7"), "whose records"),
        (saved(person=True), "whose records"),
        (saved(name=None), "whose records"),
        (saved(index=json.dumps({"format": 1, "person": 7, "name": "A", "site": "NOR"})), "list of records"),
        (saved(records=[5]), "list of records"),
        (saved([record(uuid="mine")]), "list of records"),
        (saved([record(made_at="yesterday")]), "list of records"),
        (saved([record(made_at="2026-03-02T18:00:00")]), "list of records"),
        (saved([record(url=5)]), "list of records"),
        (saved([record(fields="note")]), "list of records"),
        (saved([record(fields=[["note"]])]), "list of records"),
        (saved([record(files=[{"name": "a"}])]), "list of records"),
        (saved([record() for _row in range(5001)]), "list of records"),
        (saved(files={f"files/{n}": b"" for n in range(5001)}), "too many files"),
        (saved(index=" " * 21_000_000), "too large"),
        (saved(index="0" * 5_000_000), "too large"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_outbox_is_refused_with_the_way_out(data, sentence):
    with pytest.raises(Refused) as why:
        read(data)
    assert sentence in why.value.message
    assert "what is on the phone stays there" in why.value.message
    assert why.value.field == "file"


def test_an_archive_without_its_index_is_refused():
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("other.json", "{}")
    with pytest.raises(Refused, match="no list of records"):
        read(buffer.getvalue())


@pytest.mark.parametrize(
    ("files", "sentence"),
    [
        ({}, r"a\.jpg is missing from it"),
        ({f"files/{SHA256}": PHOTO + b"!"}, r"a\.jpg in it is not the file that was saved: its SHA-256 differs"),
        ({f"files/{SHA256}": b"0" * 41_000_000}, "is far too large"),
        ({f"files/{SHA256}": b"0" * 3_000_000}, "is far too large"),
    ],
)
def test_a_file_that_is_missing_other_or_swollen_is_named(files, sentence):
    outbox = read(saved([record(files=[photo()])], files=files))
    with pytest.raises(Refused, match=sentence):
        outbox.content(outbox.records[0].files[0])


def test_a_damaged_member_is_named():
    data = bytearray(saved([record(files=[photo()])]))
    place = data.index(b"files/")
    data[place + 70 : place + 74] = b"\0\0\0\0"
    outbox = read(bytes(data))
    with pytest.raises(Refused, match=r"a\.jpg in it"):
        outbox.content(outbox.records[0].files[0])
