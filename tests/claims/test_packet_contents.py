"""What a packet says: gathered from the record in a fixed number of queries, the same whoever asks, frozen."""

from datetime import timedelta
from decimal import Decimal
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone, translation

from claims import documents, drafting
from claims.enums import DocumentKind
from claims.models import Claim, ClaimLine, TermsPeriod
from claims.packet import contents, pdf, wording
from receiving import erasure, evidence
from receiving.models import Arrival, Discrepancy, Photo, SealRecord, Shipment
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import losses, make_claim, make_load, make_terms
from tests.claims.packets import make_document, make_pdf, make_photo, make_proved
from tests.conftest import guards_down

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(name="Northgate Dock", address="400 Northgate Road\nDry Creek")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, first_name="Ines", last_name="Calder")


def said_of(claim):
    with CaptureQueriesContext(connection) as queries:
        said = contents.said(claim)
    return said, len(queries)


def test_it_says_who_claims_what_from_whom_and_how_much(site, clerk):
    claim = make_proved(site, actor=clerk)
    said = contents.said(claim)
    assert said["claim"]["number"] == "NOR-26-0001"
    assert said["claim"]["claimant"] == "Juniper Home Stores"
    assert said["claim"]["carrier"]["name"] == "Cedar Line Freight"
    assert said["claim"]["amount"] == said["schedule"]["total"] == "USD 375.00"
    assert (said["schedule"]["damaged"], said["schedule"]["lost"]) == (2, 1)
    assert [line["amount"] for line in said["schedule"]["lines"]] == ["125.00"] * 3
    assert said["schedule"]["lines"][0]["steps"][0]["words"] == "10 × 12.50 = 125.00"
    assert said["bill"]["pro"] and said["bill"]["number"] and said["bill"]["date"] == "Thu 26 Feb 2026"
    assert said["site"]["address"] == "400 Northgate Road, Dry Creek"


def test_it_tells_of_the_trailer_its_seals_its_count_and_the_signature(site, clerk):
    said = contents.said(make_proved(site, actor=clerk))
    assert [seal["words"] for seal in said["trailer"]["seals"]] == ["seal 0123456 intact, numbers agree"]
    assert said["trailer"]["moments"][-1]["what"] == "released"
    assert said["trailer"]["moments"][-1]["by"] == "Ines Calder"
    assert said["count"]["square"]["billed"] == 5
    assert (said["count"]["square"]["short"], said["count"]["square"]["damaged"]) == (1, 2)
    assert said["delivery"]["notation"].startswith("1 carton short")
    assert said["delivery"]["signer"] == "Sam Rivers" and said["delivery"]["strokes"]


def test_of_a_damaged_piece_it_says_what_was_repaired_sold_or_not_counted(site, clerk):
    claim = make_proved(site, actor=clerk, damaged=3, signed=False)
    first, second, third = claim.lines.filter(kind="damage").order_by("position")
    Discrepancy.objects.filter(pk=first.discrepancy_id).update(extent="not_opened")
    Discrepancy.objects.filter(pk=second.discrepancy_id).update(extent="touched", units_good=4, units_hurt=6)
    ClaimLine.objects.filter(pk=second.pk).update(salvage=Decimal(9))
    ClaimLine.objects.filter(pk=third.pk).update(repair_cost=Decimal("30.00"))
    documents.write_reason(claim, gap="extent", reason="thrown away", uuid=uuid4(), actor=clerk, at=NOON)
    told = {piece["line"]: " ".join(piece["kept_small"]) for piece in contents.said(claim)["pieces"]}
    assert told[1] == "Not opened; valued by all that it held. Why in full: thrown away"
    assert told[2] == "Good units sorted out and left out: 4. Salvage of USD 9.00 is taken off."
    assert told[3] == "Repaired or to be repaired for USD 30.00."


def test_every_weight_says_where_it_comes_from(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False, weight=Decimal("20.000"))
    said = contents.said(claim)
    assert [line["weight_source"] for line in said["schedule"]["lines"]] == ["load list"] * 3
    assert (said["bill"]["weight"], said["bill"]["weight_source"]) == ("", "")
    first, second, _third = claim.lines.order_by("position")
    claim = drafting.price_line(first, values={"weight": Decimal(25)}, actor=clerk, at=NOON)
    claim = drafting.price_line(second, values={"weight": None}, version=claim.version, actor=clerk, at=NOON)
    drafting.set_facts(claim, values={"shipment_weight": Decimal(900)}, actor=clerk, at=NOON)
    said = contents.said(claim)
    entered = "entered by Ines Calder, Mon 2 Mar 2026, 12:00 CST"
    assert [line["weight_source"] for line in said["schedule"]["lines"]] == [entered, "", "load list"]
    assert said["bill"]["weight_source"] == entered
    Shipment.objects.filter(pk=claim.shipment_id).update(weight=Decimal(900))
    assert contents.said(claim)["bill"]["weight_source"] == "bill of lading"


def test_a_seal_says_which_class_its_letter_is(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False)
    with guards_down(connection):
        SealRecord.objects.filter(arrival=claim.shipment.arrival_id).update(seal_class="H")
    [seal] = contents.said(claim)["trailer"]["seals"]
    assert seal["class_words"] == "class H, high security"


def test_every_photo_says_what_when_and_by_whom(site, clerk):
    claim = make_proved(site, actor=clerk)
    photo = contents.said(claim)["pieces"][0]["photos"][0]
    row = Photo.objects.get(uuid=photo["uuid"])
    assert (photo["sha256"], photo["viewing_sha256"]) == (row.sha256, row.viewing_sha256)
    assert photo["name"] == "photo 1 of P-1" and photo["archive"] == "photos/P-1-1.jpg"
    assert photo["shows"] == "the piece" and photo["caption"] == "Corner pushed in"
    assert photo["received"] == "Mon 2 Mar 2026, 12:00 CST" and photo["by"] == "Ines Calder"


def test_photos_of_pieces_that_are_not_claimed_stay_out(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=2)
    first, second, *_ = losses(shipment)
    for piece in (first, second):
        make_photo(shipment.arrival, actor=clerk, discrepancy=piece)
    claim = make_claim(site, actor=clerk, shipment=shipment, pieces=[first])
    assert len(list(pdf.photos(contents.said(claim)))) == 1


def test_an_erased_photo_is_told_of_without_its_picture(site, clerk):
    claim = make_proved(site, actor=clerk)
    seal = Photo.objects.get(purpose="seal_before")
    erasure.erase_photo(seal, reason="A court ordered it", actor=clerk, at=NOON)
    assert [photo["erased"] for photo in contents.said(claim)["trailer"]["seal_photos"]] == ["A court ordered it"]


def test_papers_that_come_after_the_packet_are_no_part_of_it(site, clerk):
    claim = make_proved(site, actor=clerk)
    for kind in DocumentKind:
        make_document(claim, make_pdf(kind), actor=clerk, kind=kind, name=f"{kind}.pdf")
    kinds = {each["kind"] for each in contents.said(claim)["documents"]}
    assert set(DocumentKind) - kinds == {"proof_of_filing", "carrier_letter", "proof_of_payment"}


def test_the_number_of_queries_does_not_grow(site, clerk):
    small = make_proved(site, actor=clerk, damaged=1)
    large = make_proved(site, actor=clerk, damaged=4, short=3, photos_each=2)
    make_document(small, make_pdf("one"), actor=clerk)
    for number in range(3):
        make_document(large, make_pdf(f"paper {number}"), actor=clerk, name=f"{number}.pdf")
    assert said_of(small)[1] == said_of(large)[1] < 70


def test_it_is_the_same_in_whatever_language_and_zone_it_is_asked_for(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False)
    english = contents.said(claim)
    with translation.override("es"), timezone.override("Asia/Tokyo"):
        assert contents.said(claim) == english


def test_working_kept_in_the_clerks_language_is_printed_in_english(site, clerk):
    shipment = make_load(
        site, actor=clerk, freight_charge="90.00", weight="1000.00", freight_paid="yes", freight_in_price="no"
    )
    with translation.override("es"):
        claim = make_claim(site, actor=clerk, shipment=shipment)
        claim = drafting.set_facts(claim, values={"claimant": "Juniper"}, actor=clerk, at=NOON)
    steps = contents.said(claim)["schedule"]["lines"][0]["steps"]
    assert any("freight" in step["words"] for step in steps)


def test_filing_and_closing_leave_it_as_it_is(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False)
    before = contents.said(claim)
    at = NOON + timedelta(days=3)
    Claim.objects.filter(pk=claim.pk).update(
        stage="filed", stage_since=at, filed_at=at, filed_on=at.date(), filing_way="email", version=9
    )
    assert contents.said(claim) == before


def test_a_change_of_the_record_changes_it(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False)
    before = contents.said(claim)
    Arrival.objects.filter(pk=claim.shipment.arrival_id).update(driver="Lee Marsh")
    assert contents.said(claim) != before


def test_what_is_about_one_packet_stands_apart(site, clerk):
    claim = make_proved(site, actor=clerk, signed=False)
    found = contents.contents(claim, number=3, supersedes=2, actor=clerk, at=NOON)
    assert found["made"]["number"] == 3 and found["made"]["supersedes"] == 2
    assert found["made"]["moment"] == "Mon 2 Mar 2026, 12:00 CST"
    assert (found["made"]["log"]["seq"], found["made"]["log"]["hash"]) == evidence.head(site)
    assert found["said"] == contents.said(claim)


@pytest.mark.parametrize(
    ("typed", "name"),
    [
        ("invoice 7", "invoice-7"),
        ("../../etc/passwd", "etc-passwd"),
        ("Rechnung Łódź «2»", "Rechnung-d-2"),
        ("-rf *", "rf"),
        ("\\\n\0", "file"),
        ("", "file"),
        (".hidden", "hidden"),
        ("a" * 200, "a" * 60),
    ],
)
def test_names_in_the_archive_are_safe_everywhere(typed, name):
    assert wording.safe(typed) == name


# --- terms and dates --------------------------------------------------------------------------------------------------


def with_terms(claim):
    terms = make_terms(limit_basis="pieces_weight", limit_rate="2.5000", limit_weight_unit="lb")
    for position, (duty, applies, trigger) in enumerate(
        [("file", "damage", "delivered"), ("file", "loss", "bill_date"), ("sue", "any", "disallowed")]
    ):
        TermsPeriod.objects.create(
            terms=terms,
            position=position,
            duty=duty,
            applies=applies,
            trigger=trigger,
            length=9,
            counting="months",
            effect="bar",
            binds="us",
            source="bill of lading, section 3(b)",
        )
    Claim.objects.filter(pk=claim.pk).update(terms=terms)
    return claim


def test_terms_and_last_days_of_filing_are_told_with_their_rule(site, clerk):
    said = contents.said(with_terms(make_proved(site, actor=clerk, signed=False)))
    assert said["terms"]["title"] == "Bill of lading terms"
    assert said["terms"]["limit"].startswith("2.50 USD per lb")
    assert [(date["by"], date["lines"]) for date in said["dates"]] == [
        ("Thu 26 Nov 2026", "line 3"),
        ("Wed 2 Dec 2026", "lines 1, 2"),
    ]
    assert all(date["source"] == "bill of lading, section 3(b)" for date in said["dates"])


def test_a_limit_that_lines_share_is_told_with_its_weight_and_each_share(site, clerk):
    """2.50 a pound for 3 x 20 lb is 150.00 for goods of 3 x 125.00: 150 x 125 / 375 each."""
    said = contents.said(with_terms(make_proved(site, actor=clerk, signed=False)))
    [pool] = said["schedule"]["pools"]
    assert (pool["weight"], pool["ceiling"], pool["before"]) == ("60 lb", "150.00", "375.00")
    assert [(each["piece"], each["weight"], each["exact"], each["given"]) for each in pool["shares"]] == [
        ("P-1", "20 lb", "50.00", "50.00"),
        ("P-2", "20 lb", "50.00", "50.00"),
        ("P-3", "20 lb", "50.00", "50.00"),
    ]
    assert said["schedule"]["total"] == "USD 150.00"


def test_filed_late_is_answered_by_the_last_day_of_filing(site, clerk):
    said = contents.said(with_terms(make_proved(site, actor=clerk, signed=False)))
    late = next(each for each in said["refusals"] if each["ground"] == "late_claim")
    assert late["keys"] == ["dates"] and len(late["sentences"]) == 2


def test_without_terms_nothing_is_said_of_dates(site, clerk):
    said = contents.said(make_proved(site, actor=clerk, signed=False))
    late = next(each for each in said["refusals"] if each["ground"] == "late_claim")
    assert (said["terms"], said["dates"], late["sentences"]) == (None, [], [])


def test_under_the_cmr_the_signed_sheet_stands_for_the_written_notice(site, clerk):
    claim = make_proved(site, actor=clerk)
    terms = make_terms(title="Road between countries", regime="cmr")
    given = {"trigger": "delivered", "length": 7, "counting": "days_less_sundays", "effect": "presumption"}
    TermsPeriod.objects.create(terms=terms, position=0, duty="notice", applies="any", binds="us", source="x", **given)
    Claim.objects.filter(pk=claim.pk).update(terms=terms)
    [notice] = contents.said(claim)["dates"]
    assert (notice["by"], notice["lines"]) == ("done", "")
    assert notice["words"].startswith("Done at delivery: the driver Sam Rivers signed sheet R-0001 on Mon 2 Mar 2026")
    assert "CMR Art. 30(1)" in notice["words"]
