"""The command that checks the evidence looks at the files and rows of claims too."""

import uuid

import pytest
from django.core.files.storage import default_storage
from django.db import connection

from claims import letters, mail, verification
from claims.enums import DocumentKind, FilingWay, LetterKind
from claims.models import Letter
from receiving import triggers
from receiving.verification import verify
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_filed
from tests.claims.evidence_rows import scorecard_row
from tests.claims.packets import make_document, make_packet_row, make_pdf

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def filed(site, clerk):
    return make_filed(site, actor=clerk)


def found(site):
    return [str(mismatch) for mismatch in verification.verify(site)]


def spoil(path):
    with open(default_storage.path(path), "ab") as file:
        file.write(b" ")


def test_what_is_as_recorded_is_not_named(site, filed, clerk):
    make_document(filed, make_pdf("one"), actor=clerk)
    send(filed, clerk)
    assert found(site) == []


def send(claim, clerk):
    by = {"uuid": uuid.uuid4(), "actor": clerk, "at": NOON}
    files = [(mail.Attached("a.pdf", "application/pdf", b"%PDF-"),)]
    return mail.send(claim, to="a@b.example", subject="Claim", body="x", attached=files, **by)[0]


def test_an_altered_paper_and_a_lost_message_are_named_by_the_whole_look_too(site, filed, clerk):
    row = make_document(filed, make_pdf("one"), actor=clerk, kind=DocumentKind.INVOICE)
    message = send(filed, clerk)
    spoil(row.file)
    default_storage.delete(message.file)
    named = [str(mismatch) for mismatch in verify(site)]
    assert any(f"document {row.uuid}: the file {row.file} was changed" in each for each in named)
    assert any(f"message {message.uuid}: the file {message.file} is missing" in each for each in named)


def test_a_packet_that_the_log_does_not_tell_of_or_that_was_changed_is_named(site, filed, clerk):
    packet = make_packet_row(filed, actor=clerk)
    assert found(site) == [f"{packet}: the log does not tell of it"]
    spoil(packet.zip)
    assert len(found(site)) == 2


def test_a_letter_changed_after_it_went_is_named(site, filed, clerk):
    letter = letters.draft(filed, kind=LetterKind.WITHDRAWAL, uuid=uuid.uuid4(), actor=clerk, at=NOON)
    letters.mark_sent(letter, way=FilingWay.POST, version=letter.version, actor=clerk, at=NOON)
    assert found(site) == []
    Letter.objects.update(body="Something else.")
    assert "body" in found(site)[0]


def test_a_changed_scorecard_is_named(site, filed, clerk):
    card = scorecard_row(site, filed.carrier, 7, actor=clerk, at=NOON)
    triggers.take_away(connection, ["claims_scorecard"])
    type(card).objects.update(content={"other": 1})
    named = found(site)
    assert any("frozen content was changed" in each for each in named)
    assert any("is missing" in each for each in named)
