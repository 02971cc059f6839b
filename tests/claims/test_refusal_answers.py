"""Each usual refusal: answered by what the record holds, or plainly by nothing."""

import uuid
from datetime import date
from io import BytesIO

import pytest

from claims import documents, refusal_answers, shorts
from claims.enums import DocumentKind, Ground, LineKind
from claims.models import Claim, ClaimLine, Letter
from receiving import discrepancies
from receiving.enums import PhotoPurpose
from receiving.models import Discrepancy, ExceptionSheet, Photo, SealRecord, Shipment
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim
from tests.claims.packets import make_photo
from tests.hostile.papers import pdf

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def claim(site, clerk):
    return make_claim(site, actor=clerk, damaged=1, short=1)


def answer(claim, ground, **given):
    claim = Claim.objects.select_related("shipment__arrival__site", "site", "account", "carrier").get(pk=claim.pk)
    return next(each for each in refusal_answers.answers(claim, **given) if each.ground == ground)


def upload(claim, kind):
    paper = documents.examine(BytesIO(pdf()), filename="p.pdf")
    by = {"uuid": uuid.uuid4(), "actor": claim.opened_by, "at": NOON}
    return documents.receive(claim, paper=paper, kind=kind, **by)


def damaged(claim):
    return Discrepancy.objects.get(claim_lines__claim=claim, claim_lines__kind=LineKind.DAMAGE)


def change(claim, **values):
    Discrepancy.objects.filter(pk=damaged(claim).pk).update(**values)


def sheet(claim, **facts):
    arrival = claim.shipment.arrival
    told = {"outcome": "signed", "signer": "P. Ortega", "carrier_receipt": "none", "content": {}, "log_seq": 0}
    return ExceptionSheet.objects.create(
        site=claim.site, arrival=arrival, number=1, log_head="0" * 64, actor=claim.opened_by, at=NOON, **(told | facts)
    )


def test_every_ground_but_other_has_its_line(claim):
    grounds = [each.ground for each in refusal_answers.answers(claim)]
    assert set(grounds) == set(Ground) - {Ground.OTHER}
    assert len(grounds) == len(set(grounds))


@pytest.mark.parametrize(
    ("filed", "by", "answered"),
    [
        (date(2026, 5, 1), date(2026, 5, 1), True),
        (date(2026, 5, 2), date(2026, 5, 1), False),
        (date(2026, 5, 1), None, False),
        (None, date(2026, 5, 1), False),
    ],
)
def test_filed_late_is_answered_by_both_dates_only(claim, filed, by, answered):
    found = answer(claim, Ground.LATE_CLAIM, filed_on=filed, file_by=by)
    assert found.is_answered is answered
    assert found.keys == (("dates",) if answered else ())


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({}, "P. Ortega signed"),
        ({"outcome": "refused", "signer": "", "witness": "B. Lowe"}, "witness B. Lowe"),
        ({"outcome": "at_pickup", "signer": ""}, "to be signed when the trailer is fetched"),
        ({"outcome": "clean"}, ""),
        ({"outcome": "clean", "carrier_receipt": "photographed"}, "photographed at release"),
    ],
)
def test_no_notation_is_answered_by_the_sheet_or_the_carrier_s_receipt(claim, facts, words):
    assert not answer(claim, Ground.NO_NOTATION).is_answered
    sheet(claim, **facts)
    found = answer(claim, Ground.NO_NOTATION)
    assert ("signed the notation" in " ".join(found.sentences)) is (facts == {})
    assert words in " ".join(found.sentences)
    assert found.is_answered is bool(words)


def test_the_uploaded_receipt_answers_too(claim):
    row = upload(claim, DocumentKind.CARRIER_RECEIPT)
    assert answer(claim, Ground.NO_NOTATION).keys == (f"document:{row.pk}",)


def test_a_sheet_signed_on_paper_answers_by_its_photo_or_its_pdf(claim, clerk):
    make_photo(claim.shipment.arrival, actor=clerk, purpose=PhotoPurpose.SIGNED_SHEET)
    found = answer(claim, Ground.NO_NOTATION)
    assert found.keys == ("sheet",) and "a photo of it as it was signed is here" in " ".join(found.sentences)


def test_an_uploaded_paper_sheet_answers_too(claim):
    row = upload(claim, DocumentKind.EXCEPTION_SHEET)
    found = answer(claim, Ground.NO_NOTATION)
    assert found.keys == (f"document:{row.pk}",) and "appended as it was signed" in " ".join(found.sentences)


def test_damage_seen_at_the_dock_is_not_reported_late(claim):
    found = answer(claim, Ground.LATE_REPORT)
    assert found.keys == (f"piece:{damaged(claim)}",)


def test_damage_found_later_needs_its_notice(claim, clerk):
    change(claim, after_release=True)
    assert not answer(claim, Ground.LATE_REPORT).is_answered
    facts = {"subject": "Notice", "body": "…", "drafted_at": NOON, "drafted_by": clerk, "kind": "concealed"}
    Letter.objects.create(claim=claim, number=4, sent_at=NOON, **facts)
    assert answer(claim, Ground.LATE_REPORT).keys == ("letter:4",)


@pytest.mark.parametrize("kind", ["inspection_done", "inspection_waived", "inspection_asked"])
def test_an_inspection_done_waived_or_asked_for_answers(claim, clerk, kind):
    assert not answer(claim, Ground.NO_INSPECTION).is_answered
    facts = {"by_name": "K. Amos", "text": "as found"}
    discrepancies.add_finding(damaged(claim), uuid=uuid.uuid4(), kind=kind, facts=facts, actor=clerk, at=NOON)
    assert str(damaged(claim)) in " ".join(answer(claim, Ground.NO_INSPECTION).sentences)


def test_a_clear_seal_is_answered_by_proof_at_origin_alone(claim):
    assert not answer(claim, Ground.SEAL_CLEAR).is_answered
    upload(claim, DocumentKind.ORIGIN_PROOF)
    assert answer(claim, Ground.SEAL_CLEAR).is_answered
    assert answer(claim, Ground.SHIPPER_COUNT).is_answered


def test_a_broken_seal_speaks_for_the_short(claim, clerk):
    arrival = claim.shipment.arrival
    for old in SealRecord.objects.filter(arrival=arrival):
        again = {"replaces": old, "reason": "looked again"}
        SealRecord.objects.create(
            arrival=arrival, condition="broken", number_on_seal=old.number_on_seal, actor=clerk, at=NOON, **again
        )
    if not SealRecord.objects.filter(arrival=arrival).exists():
        SealRecord.objects.create(arrival=arrival, condition="broken", number_on_seal="1", actor=clerk, at=NOON)
    assert answer(claim, Ground.SEAL_CLEAR).keys == ("seals",)


def test_the_carrier_s_own_count_answers_shipper_s_load_and_count(claim):
    assert not answer(claim, Ground.SHIPPER_COUNT).is_answered
    Shipment.objects.filter(pk=claim.shipment_id).update(count_clause="carrier")
    assert answer(claim, Ground.SHIPPER_COUNT).is_answered


def test_packaging_is_answered_by_what_was_described_when_opened(claim, clerk):
    assert not answer(claim, Ground.PACKAGING).is_answered
    facts = {"by_name": "K. Amos", "packaging_outside": "double wall", "units_good": 8, "units_hurt": 2}
    discrepancies.add_finding(damaged(claim), uuid=uuid.uuid4(), kind="opened", facts=facts, actor=clerk, at=NOON)
    assert answer(claim, Ground.PACKAGING).is_answered


def test_value_is_shown_by_the_invoice_that_prices_the_lines(claim):
    upload(claim, DocumentKind.INVOICE)
    assert not answer(claim, Ground.VALUE_NOT_SHOWN).is_answered
    ClaimLine.objects.filter(claim=claim).update(price_source="invoice", unit_price=3)
    assert "prices of 2 lines" in " ".join(answer(claim, Ground.VALUE_NOT_SHOWN).sentences)


@pytest.mark.parametrize(
    "values", [{"disposition": "forwarded"}, {"disposition": "returned"}, {"units_good": 4}, {"disposition": "salvage"}]
)
def test_the_loss_was_kept_small(claim, values):
    change(claim, disposition="destroyed", units_good=None)
    assert not answer(claim, Ground.NOT_MITIGATED).is_answered
    change(claim, **values)
    assert answer(claim, Ground.NOT_MITIGATED).is_answered


def test_a_photo_in_the_trailer_answers_the_act_of_the_shipper(claim, clerk):
    piece = damaged(claim)
    facts = {"sha256": "a" * 64, "size": 1, "width": 1, "height": 1, "purpose": "before_moving"}
    Photo.objects.create(site=claim.site, arrival=piece.arrival, discrepancy=piece, actor=clerk, at=NOON, **facts)
    assert f"piece:{piece}" in answer(claim, Ground.SHIPPER_ACT).keys


def test_already_claimed_is_answered_by_asking_and_by_the_statement(claim):
    assert not answer(claim, Ground.ALREADY_CLAIMED).is_answered
    by = {"actor": claim.opened_by, "at": NOON}
    claim = shorts.answer_asked(claim, answer="no", note="D. Roe", version=claim.version, **by)
    text = shorts.statement_text(claim, shorts.short_lines(claim), shorts.search(claim))
    row = shorts.sign(claim, signer="R. Vale", role="clerk", text=text, uuid=uuid.uuid4(), **by)
    assert f"statement:{row.pk}" in answer(claim, Ground.ALREADY_CLAIMED).keys


def test_what_is_about_shorts_is_not_raised_against_damage_and_the_other_way_round(site, clerk):
    only_damage = make_claim(site, actor=clerk, damaged=1, short=0)
    only_loss = make_claim(site, actor=clerk, damaged=0, short=1)
    assert {Ground.SEAL_CLEAR, Ground.SHIPPER_COUNT}.isdisjoint(raised(only_damage))
    hurt_only = {Ground.NO_INSPECTION, Ground.PACKAGING, Ground.NOT_MITIGATED, Ground.LATE_REPORT}
    assert hurt_only.isdisjoint(raised(only_loss))


def raised(claim):
    return {each.ground for each in refusal_answers.answers(claim) if each.applies}
