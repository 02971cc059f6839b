"""What a claim needs: the pure look first, then the gathering from real records."""

import uuid
from dataclasses import replace
from decimal import Decimal

import pytest

from claims import completeness, documents, shorts
from claims.completeness import Facts, LineFacts, look
from claims.enums import LineKind, PriceSource, Purpose
from claims.models import ClaimLine
from receiving.models import Discrepancy
from receiving.refusals import Refused
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim, make_load

DAMAGED = LineFacts("P-1", LineKind.DAMAGE, True, True, price_source=PriceSource.INVOICE, photos=2, inspection="done")
LOST = LineFacts("P-2", LineKind.LOSS, True, True, price_source=PriceSource.INVOICE)
WHOLE = Facts(
    bill_number="B-1",
    pro_number="PRO1",
    claimant="Juniper Home Stores",
    answer_to="claims@juniper.example",
    signatory="R. Vale",
    carrier="Tern Freight",
    lines=(DAMAGED, LOST),
    documents=frozenset(["bill_of_lading", "freight_bill", "carrier_receipt", "invoice", "origin_proof", "inspection"]),
    sheet="R-0001",
    seals=1,
    seals_clear=True,
    statement=shorts.Standing(None, True),
)


def missing(facts, reasons=None):
    return [need.code for need in look(facts, reasons) if need.is_gap]


def test_a_whole_claim_lacks_nothing():
    assert missing(WHOLE) == []


@pytest.mark.parametrize(
    "change", [{"paper_sheet": True}, {"documents": WHOLE.documents | {"exception_sheet"}}], ids=["photo", "upload"]
)
def test_a_sheet_signed_on_paper_is_asked_for_and_is_enough(change):
    [need] = [need for need in look(replace(WHOLE, sheet="")) if need.is_gap]
    assert "If one was signed on paper, add a photo or a PDF" in need.lacks
    assert need.document == "exception_sheet"
    assert missing(replace(WHOLE, sheet="", **change)) == []


def test_paper_is_no_photo_of_the_damage():
    bare = replace(WHOLE, sheet="", paper_sheet=True, lines=(replace(DAMAGED, photos=0), LOST))
    assert missing(bare) == ["arrival", "photos"]


@pytest.mark.parametrize(
    ("change", "codes"),
    [
        ({"bill_number": ""}, ["identifies"]),
        ({"claimant": ""}, ["asserts"]),
        ({"signatory": ""}, ["asserts"]),
        ({"carrier": ""}, ["asserts"]),
        ({"answer_to": ""}, ["answer_to"]),
        ({"lines": (replace(DAMAGED, doubt="nobody has opened it."), LOST)}, ["extent"]),
        ({"lines": (replace(DAMAGED, determined=False), LOST)}, ["demands"]),
        ({"lines": (replace(DAMAGED, priced=False, price_source=""), LOST)}, ["damages"]),
        ({"lines": (replace(DAMAGED, price_source=PriceSource.LIST), LOST)}, ["damages"]),
        ({"lines": (replace(DAMAGED, photos=0), LOST)}, ["arrival", "photos"]),
        ({"sheet": ""}, ["arrival"]),
        ({"seals": 0}, ["seals"]),
        ({"documents": WHOLE.documents - {"bill_of_lading"}}, ["bill_of_lading"]),
        ({"documents": WHOLE.documents - {"freight_bill"}}, ["freight_bill"]),
        ({"documents": WHOLE.documents - {"carrier_receipt"}}, ["carrier_receipt"]),
        ({"documents": WHOLE.documents - {"invoice"}}, ["invoice"]),
        ({"documents": WHOLE.documents - {"origin_proof"}}, ["origin", "origin_paper"]),
        (
            {
                "documents": WHOLE.documents - {"inspection"},
                "lines": (replace(DAMAGED, inspection=""), LOST),
            },
            ["inspection"],
        ),
        ({"statement": shorts.Standing(None, False, "not signed")}, ["statement"]),
        ({"who_claims": "us"}, ["authority"]),
        ({"lines": (replace(DAMAGED, repaired=True), LOST)}, ["repair_bill"]),
        ({"lines": (replace(DAMAGED, salvage=True), LOST)}, ["salvage_record"]),
    ],
)
def test_what_is_taken_away_is_named(change, codes):
    assert missing(replace(WHOLE, **change)) == codes


@pytest.mark.parametrize(
    "change",
    [
        {"documents": WHOLE.documents - {"carrier_receipt"}, "receipt_photos": 1},
        {"documents": WHOLE.documents - {"invoice"} | {"certified_value"}},
        {"documents": WHOLE.documents - {"inspection"} | {"inspection_waiver"}},
        {"seals": 0, "unsealed": "a drop trailer from the yard"},
    ],
)
def test_another_paper_does_as_well(change):
    assert missing(replace(WHOLE, **change)) == []


def test_damage_alone_on_an_unsealed_trailer_is_proved_at_origin_by_a_clean_bill():
    facts = replace(WHOLE, lines=(DAMAGED,), seals=0, unsealed="x", documents=WHOLE.documents - {"origin_proof"})
    assert missing(facts) == []
    assert missing(replace(facts, seals=1)) == ["origin", "origin_paper"]


def test_a_hand_over_demands_nothing():
    facts = replace(WHOLE, purpose=Purpose.HANDOVER, carrier="", signatory="", claimant="")
    assert missing(facts) == []
    assert [need.code for need in look(facts) if need.group == completeness.CLAIM] == ["identifies"]


def test_a_hand_over_values_nothing_in_full_that_nobody_has_seen_the_inside_of_without_a_reason():
    doubted = replace(DAMAGED, doubt="only the packaging is said to be hurt.")
    facts = replace(WHOLE, purpose=Purpose.HANDOVER, lines=(doubted, LOST))
    [gap] = [need for need in look(facts) if need.is_gap]
    assert gap.code == "extent" and gap.blocks and "P-1: only the packaging" in gap.lacks
    [excused] = [need for need in look(facts, {"extent": "the store threw it away"}) if need.is_gap]
    assert not excused.blocks


def test_a_reason_excuses_a_paper_and_not_an_element():
    facts = replace(WHOLE, carrier="", documents=WHOLE.documents - {"freight_bill"})
    reasons = {"freight_bill": "collect, the store pays it", "asserts": "we do not know"}
    needs = {need.code: need for need in look(facts, reasons)}
    assert needs["freight_bill"].is_gap
    assert not needs["freight_bill"].blocks
    assert needs["asserts"].blocks


def test_a_reason_for_something_that_came_since_is_not_shown():
    assert not any(need.reason for need in look(WHOLE, {"invoice": "none"}))


def test_a_match_elsewhere_blocks_whatever_is_said():
    match = shorts.Match(1, "P-2", "There is a match at another site.")
    needs = {need.code: need for need in look(replace(WHOLE, matches=(match,)), {"statement": "never mind"})}
    assert needs["statement"].blocks


def test_a_broker_alone_and_a_clear_seal_are_warned_of():
    facts = replace(WHOLE, carrier_is_broker=True, loaded_by="shipper")
    assert len(list(completeness.warnings(facts))) == 2
    assert list(completeness.warnings(WHOLE)) == []


def test_every_gap_says_why_it_matters_and_where_to_get_it():
    for need in look(Facts(lines=(replace(DAMAGED, photos=0, priced=False, determined=False), LOST), who_claims="us")):
        assert need.why, need.code
        assert need.where, need.code
        assert need.there or need.lacks, need.code


# --- from the record --------------------------------------------------------------------------------------------------


@pytest.fixture
def site(db):
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


def test_a_fresh_draft_lacks_what_nobody_has_uploaded(site, clerk):
    claim = make_claim(site, actor=clerk)
    found = completeness.of_claim(claim)
    codes = {need.code for need in found.gaps}
    assert {"bill_of_lading", "freight_bill", "invoice", "statement", "photos"} <= codes
    assert completeness.gaps(claim) == found.gaps
    assert found.blocking == found.gaps


def test_the_same_number_of_queries_for_one_line_and_for_many(site, clerk, django_assert_num_queries):
    one = make_claim(site, actor=clerk, damaged=1, short=1)
    many = make_claim(site, actor=clerk, damaged=5, short=4)
    with django_assert_num_queries(17):
        completeness.of_claim(one)
    with django_assert_num_queries(17):
        completeness.of_claim(many)


def test_a_dropped_line_is_not_asked_about(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=1)
    ClaimLine.objects.filter(claim=claim, kind=LineKind.LOSS).update(live=False, dropped_reason="found")
    assert "statement" not in {need.code for need in completeness.of_claim(claim).needs}


def test_a_stated_reason_is_kept_with_who_and_told(site, clerk):
    claim = make_claim(site, actor=clerk)
    state(claim, "freight_bill", "the store pays the freight", clerk)
    need = next(need for need in completeness.gaps(claim) if need.code == "freight_bill")
    assert need.reason == "the store pays the freight"
    state(claim, "freight_bill", "it is collect", clerk)
    assert next(need for need in completeness.gaps(claim) if need.code == "freight_bill").reason == "it is collect"


def state(claim, gap, reason, actor):
    return documents.state_reason(claim, gap=gap, reason=reason, uuid=uuid.uuid4(), actor=actor, at=NOON)


@pytest.mark.parametrize(
    ("gap", "reason", "code"),
    [
        ("freight_bill", "  ", "reason_missing"),
        ("identifies", "never mind", "no_gap"),
        ("nonsense", "never mind", "no_gap"),
    ],
)
def test_a_reason_that_says_nothing_or_is_not_needed_is_refused(site, clerk, gap, reason, code):
    claim = make_claim(site, actor=clerk)
    with pytest.raises(Refused) as refused:
        state(claim, gap, reason, clerk)
    assert refused.value.code == code
    assert not claim.gap_reasons.exists()


def test_no_reason_excuses_an_element(site, clerk):
    claim = make_claim(site, actor=clerk, shipment=make_load(site, actor=clerk, unit_value=None))
    with pytest.raises(Refused) as refused:
        state(claim, "demands", "later", clerk)
    assert refused.value.code == "firm_gap"


# --- goods valued in full that nobody has seen ------------------------------------------------------------------------


def extent_of(claim, *, piece=None, **line):
    """The need for the extent, with facts of the damaged piece and of its line changed."""
    [row] = claim.lines.filter(kind=LineKind.DAMAGE)
    ClaimLine.objects.filter(pk=row.pk).update(**line) if line else None
    facts = {"disposition": "held", "extent": "lost"} | (piece or {})
    Discrepancy.objects.filter(pk=row.discrepancy_id).update(**facts)
    return next(need for need in completeness.of_claim(claim).needs if need.code == "extent")


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"extent": "not_opened"}, "nobody has opened it"),
        ({"extent": "packaging"}, "only the packaging is said to be hurt"),
        ({"extent": ""}, "nobody has said how far"),
        ({"extent": "touched", "disposition": "forwarded"}, "repaired and forwarded"),
        ({"extent": "lost", "disposition": "forwarded", "units_hurt": 4}, "repaired and forwarded"),
    ],
)
def test_goods_valued_in_full_that_may_not_be_lost_are_asked_about(site, clerk, facts, words):
    need = extent_of(make_claim(site, actor=clerk), piece=facts)
    assert need.is_gap and need.lacks == f"P-1: {need.lacks.removeprefix('P-1: ')}" and words in need.lacks


@pytest.mark.parametrize(
    ("piece", "line"),
    [
        ({"extent": "lost"}, {}),
        ({"extent": "not_opened", "units_hurt": 10}, {}),
        ({"extent": "packaging"}, {"repair_cost": Decimal(3)}),
        ({"extent": "not_opened"}, {"value_lost": Decimal(40)}),
        ({"extent": "", "disposition": "forwarded"}, {"salvage": Decimal(5)}),
    ],
)
def test_what_was_counted_repaired_or_sold_is_not_asked_about(site, clerk, piece, line):
    assert extent_of(make_claim(site, actor=clerk), piece=piece, **line).there
