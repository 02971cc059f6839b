"""The command that checks the evidence looks at the files and rows of claims too."""

import uuid
from datetime import date
from decimal import Decimal

import pytest
from django.apps import apps
from django.core.files.storage import default_storage
from django.db import connection, transaction

from claims import drafting, facts, filing, letters, mail, verification
from claims.enums import DocumentKind, FilingWay, LetterKind
from claims.models import Claim, ClaimLine, Letter
from receiving import evidence, triggers
from receiving.models import Evidence
from receiving.verification import verify
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import losses, make_claim, make_filed, make_load, make_terms
from tests.claims.evidence_rows import rows, scorecard_row
from tests.claims.fact_builders import LATER
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
    sent_letter(filed, clerk)
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


# --- letters ----------------------------------------------------------------------------------------------------------


def draft_letter(claim, clerk):
    letter = letters.draft(claim, kind=LetterKind.WITHDRAWAL, uuid=uuid.uuid4(), actor=clerk, at=NOON)
    words = {"to": letter.to, "subject": letter.subject, "body": letter.body.replace("(say why)", "found")}
    return letters.edit(letter, **words, version=letter.version, actor=clerk, at=NOON)


def sent_letter(claim, clerk):
    letter = draft_letter(claim, clerk)
    return letters.mark_sent(letter, way=FilingWay.POST, version=letter.version, actor=clerk, at=NOON)


def test_a_sent_letter_emptied_and_set_back_to_a_draft_is_named(site, filed, clerk):
    letter = sent_letter(filed, clerk)
    Letter.objects.update(body="", sent_at=None, sent_way="", pdf="", pdf_sha256="")
    assert {each.partition(": recorded")[0] for each in found(site)} == {
        f"letter {letter}: {name}" for name in ("body", "sent_at", "sent_way", "pdf", "pdf_sha256")
    }


@pytest.mark.parametrize("make", [draft_letter, sent_letter])
def test_a_letter_that_is_gone_is_named(site, filed, clerk, make):
    letter = make(filed, clerk)
    where = evidence.name_of(letter)
    Letter.objects.filter(pk=letter.pk).delete()
    assert found(site) == [f"NOR {where}: the row that the log tells of is gone"]


@pytest.mark.parametrize(
    ("column", "now"), [("body", "x"), ("to", "a@b.example"), ("subject", "x"), ("kind", "salvage")]
)
def test_a_draft_of_a_letter_changed_behind_the_log_is_named(site, filed, clerk, column, now):
    letter = draft_letter(filed, clerk)
    was = getattr(letter, column)
    Letter.objects.update(**{column: now})
    assert found(site) == [f"letter {letter}: {column}: recorded {was!r}, found {now!r}"]


def test_a_letter_that_never_went_or_was_never_drafted_is_named(site, filed, clerk):
    letter = draft_letter(filed, clerk)
    Letter.objects.update(sent_at=NOON, sent_way="post")
    assert found(site) == [f"letter {letter}: the log does not tell that it went"]
    other = Letter.objects.create(claim=filed, number=9, kind="salvage", drafted_at=NOON, drafted_by=clerk)
    assert f"letter {other}: the log does not tell of it" in found(site)


# --- rows of which no event tells -------------------------------------------------------------------------------------


def test_every_kind_of_row_that_is_written_once_is_looked_for():
    written_once = {model for model in apps.get_app_config("claims").get_models() if issubclass(model, Evidence)}
    assert {*verification.PLAIN, *verification.FILED} == written_once


def test_rows_of_every_kind_that_were_slipped_in_are_named(site, clerk):
    shipment = make_load(site, actor=clerk)
    planted = rows(site, losses(shipment)[0], shipment, actor=clerk, at=NOON)
    untold = [each.where for each in verification.verify(site) if each.what == "the log does not tell of it"]
    kinds = {type(row) for row in planted}
    assert kinds == {*verification.PLAIN, *verification.FILED}
    assert len(untold) == sum(kind.objects.count() for kind in kinds) + Claim.objects.count()
    for kind in verification.PLAIN:
        wanted = {f"NOR {kind._meta.verbose_name} {key}" for key in kind.objects.values_list("pk", flat=True)}
        assert wanted and wanted <= set(untold)


# --- claims and their lines -------------------------------------------------------------------------------------------

CLAIM_CHANGES = {
    "amount": 1,
    "filed_on": date(2026, 2, 1),
    "filed_at": LATER,
    "filing_way": "post",
    "claimant": "Mallory",
    "claimant_address": "elsewhere",
    "signatory": "Mallory",
    "payee": "Mallory",
    "carrier": None,
    "currency": "CAD",
    "stage": "closed",
    "stage_since": LATER,
    "closed_note": "paid",
    "freight_charge": 77,
    "declared_value": 1,
    "opened_at": LATER,
    "purpose": "handover",
    "terms_reason": "x",
    "asked_owner": "yes",
    "number": 99,
    "year": 2020,
}


@pytest.mark.parametrize("column", CLAIM_CHANGES)
def test_a_claim_changed_behind_the_log_is_named(site, filed, column):
    was = recorded(filed, column)
    Claim.objects.update(**{column: CLAIM_CHANGES[column]})
    filed.refresh_from_db()
    assert found(site) == [f"claim {filed}: {column}: recorded {was!r}, found {recorded(filed, column)!r}"]


def recorded(row, column):
    return evidence.plain(evidence.facts(row, [column]))[column]


LINE_CHANGES = {
    "quantity": 3,
    "unit_price": 1,
    "amount": 1,
    "salvage": 5,
    "cartons": 4,
    "description": "x",
    "kind": "loss",
}


@pytest.mark.parametrize("column", LINE_CHANGES)
def test_a_line_changed_behind_the_log_is_named(site, filed, column):
    line = filed.lines.order_by("position").first()
    was = recorded(line, column)
    ClaimLine.objects.filter(pk=line.pk).update(**{column: LINE_CHANGES[column]})
    line.refresh_from_db()
    where = f"claim {filed} line {line}: {column}"
    assert found(site) == [f"{where}: recorded {was!r}, found {recorded(line, column)!r}"]


def test_a_line_taken_off_or_away_or_put_on_behind_the_log_is_named(site, filed, clerk):
    first, second = filed.lines.order_by("position")
    ClaimLine.objects.filter(pk=first.pk).update(live=False, dropped_reason="x")
    second.delete()
    ClaimLine.objects.create(claim=filed, discrepancy=second.discrepancy, position=7, kind="damage", quantity=1)
    assert found(site) == [
        f"claim {filed} line 1: dropped_reason: recorded '', found 'x'",
        f"claim {filed} line 1: live: recorded True, found False",
        f"claim {filed} line 7: the log does not tell of it",
        f"claim {filed} line 2: the row that the log tells of is gone",
    ]


def test_a_claim_that_is_gone_is_named(site, filed):
    name = evidence.name_of(filed)
    filed.lines.all().delete()
    filed.delete()
    assert found(site) == [f"NOR {name}: the row that the log tells of is gone"]


def test_a_draft_that_was_dated_behind_the_log_is_named(site, clerk):
    claim = make_claim(site, actor=clerk)
    assert found(site) == []
    Claim.objects.update(filed_on=NOON.date(), frozen_terms={"title": "planted"})
    assert found(site) == [
        f"claim {claim}: its frozen terms were changed",
        f"claim {claim}: filed_on: recorded None, found '2026-03-02'",
    ]


def test_what_people_change_by_the_doors_is_not_named(site, clerk):
    """Priced, corrected, added to, withdrawn; the lines of a withdrawn claim are free by the withdrawal itself."""
    claim = make_claim(site, actor=clerk, damaged=2, short=2)
    by = {"actor": clerk, "at": NOON}
    line = claim.lines.order_by("position").first()
    claim = drafting.price_line(line, values={"unit_price": Decimal("3.5")}, also=True, **by)
    claim = drafting.set_facts(claim, values={"claimant": "Northgate Dock"}, **by)
    claim = drafting.drop_line(claim.lines.order_by("position").last(), reason="found", **by)
    assert found(site) == []
    filing.withdraw(claim, reason="a mistake", **by)
    assert found(site) == []
    ClaimLine.objects.filter(pk=line.pk).update(live=True)
    assert found(site) == [f"claim {claim} line 1: live: recorded False, found True"]


def test_an_amended_claim_is_held_against_its_amendment(site, filed, clerk):
    line = filed.lines.order_by("position").first()
    values = {line.pk: {"unit_price": Decimal("2.0000")}}
    by = {"reason": "invoice read wrongly", "on": LATER.date(), "uuid": uuid.uuid4(), "actor": clerk, "at": LATER}
    facts.amend(filed, values=values, **by)
    assert found(site) == []
    ClaimLine.objects.filter(pk=line.pk).update(unit_price=line.unit_price)
    assert found(site) == [f"claim {filed} line 1: unit_price: recorded '2.0000', found '12.5000'"]


@pytest.fixture
def handed_over(site, clerk, monkeypatch):
    """A claim filed by its door, with terms; its packet is a row only."""
    monkeypatch.setattr(filing.assemble, "is_current", lambda claim: True)
    make_terms()
    claim = make_claim(site, actor=clerk)
    claim = drafting.set_facts(
        claim, values={"claimant": "Northgate Dock", "signatory": "Ann Hill"}, actor=clerk, at=NOON
    )
    packet = make_packet_row(claim, actor=clerk)
    reasons = {gap.code: "not to be had" for gap in filing.readiness(claim).unexplained}
    given = {"way": FilingWay.POST, "on": NOON.date(), "reasons": reasons, "no_proof": "handed to the driver"}
    claim = filing.file_claim(claim, **given, actor=clerk, at=NOON)
    assert found(site) == [f"{packet}: the log does not tell of it"]
    return claim


def test_frozen_terms_changed_after_filing_are_named(site, handed_over):
    Claim.objects.update(frozen_terms=handed_over.frozen_terms | {"limit_basis": "package"})
    assert f"claim {handed_over}: its frozen terms were changed" in found(site)
    Claim.objects.update(frozen_terms=None)
    assert f"claim {handed_over}: its frozen terms were changed" in found(site)


def test_frozen_terms_of_a_filing_that_did_not_tell_them_are_let_be(site, clerk):
    claim = make_filed(site, actor=clerk)
    with transaction.atomic():
        told = {"verb": "claim.filed", "record": claim, "after": {"terms": "Bill of lading terms"}}
        evidence.append(site=site, actor=clerk, at=NOON, **told)
    Claim.objects.update(frozen_terms={"title": "as it was"})
    assert found(site) == []


@pytest.mark.parametrize("make", ["document", "message", "letter"])
def test_what_was_given_to_another_claim_is_named(site, filed, clerk, make):
    other = make_claim(site, actor=clerk)
    row = {"document": lambda: make_document(filed, make_pdf("one"), actor=clerk)}
    row |= {"message": lambda: send(filed, clerk), "letter": lambda: draft_letter(filed, clerk)}
    row = row[make]()
    triggers.take_away(connection, ["claims_document", "claims_message"])
    type(row).objects.filter(pk=row.pk).update(claim=other)
    # The builder counts the cartons of a load past the scanner, which is named as well.
    named = [str(each) for each in verify(site) if " carton " not in each.where]
    assert len(named) == 1 and f"claim: recorded {filed.pk}, found {other.pk}" in named[0]
