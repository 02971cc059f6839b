"""The claim page's lines, what they are priced by, and the forms that change them."""

import uuid
from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test import RequestFactory
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from claims import drafting
from claims.enums import Purpose
from claims.models import Claim, ClaimLine
from claims.views import lines
from receiving import discrepancies, rules
from receiving.enums import CarrierKind
from receiving.fields import shown
from receiving.models import Discrepancy, Event
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_claim, make_filed, make_load, make_terms

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("clerk", site, "alice")


@pytest.fixture
def clerk(client, alice):
    client.force_login(alice)
    return client


def url(name, claim, *more):
    return reverse(name, args=[claim.site.code, claim.slug, *more])


def post(client, name, claim, *more, follow=False, **data):
    return client.post(url(name, claim, *more), {"uuid": str(uuid.uuid4())} | data, follow=follow)


def price(client, claim, position=1, **data):
    line = claim.lines.get(position=position)
    said = {name: getattr(line, name) for name in drafting.PRICES if getattr(line, name) is not None}
    said = {name: shown(value) if isinstance(value, Decimal) else value for name, value in said.items()}
    return post(client, "claim_line", claim, position, **(said | {"version": claim.version} | data))


def again(record):
    return type(record).objects.get(pk=record.pk)


# -- the page --


def test_a_line_shows_its_working_step_by_step(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=1, description="Kettles <b>")
    text = clerk.get(claim.get_absolute_url()).content.decode()
    assert "10 × 12.50 = 125.00" in text
    assert "Kettles &lt;b&gt;" in text
    assert text.count("USD&nbsp;125.00") >= 2
    assert "USD&nbsp;250.00" in text


def test_the_head_says_who_claims_from_whom_for_how_much_and_what_is_next(clerk, site, alice):
    claim = make_claim(site, actor=alice, carrier=make_carrier("Sparrow Lines"))
    answer = clerk.get(claim.get_absolute_url())
    text = answer.content.decode()
    assert "Sparrow Lines" in text
    assert "being drafted" in text
    assert answer.context["next"]["words"] == "Choose the terms"


def test_a_line_without_a_price_is_what_comes_next(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0, unit_value=None)
    answer = clerk.get(claim.get_absolute_url())
    assert answer.context["next"]["url"] == url("claim_line", claim, 1)
    assert "no amount yet" in answer.content.decode()
    assert "not determined yet" in answer.content.decode()


def test_a_broker_alone_is_warned_of(clerk, site, alice):
    broker = make_carrier("Middle Freight", kind=CarrierKind.BROKER)
    claim = make_claim(site, actor=alice, carrier=broker)
    warning = "A claim sent to a broker alone does not stop the carrier's clock"
    assert warning in clerk.get(claim.get_absolute_url()).content.decode()
    Claim.objects.update(second_carrier=make_carrier("Real Wheels"))
    assert warning not in clerk.get(claim.get_absolute_url()).content.decode()


def test_a_hand_over_shows_no_demand(clerk, site, alice):
    claim = make_claim(site, actor=alice, purpose=Purpose.HANDOVER)
    text = clerk.get(claim.get_absolute_url()).content.decode()
    assert "nothing is demanded" in text


def test_a_short_that_turned_up_is_told_with_its_amount(clerk, site, alice):
    claim = make_filed(site, actor=alice, damaged=1, short=1)
    short = losses(claim.shipment)[-1]
    discrepancies.mark_found(short, actor=alice, at=NOON)
    text = clerk.get(claim.get_absolute_url()).content.decode()
    assert f"Line 2: {short} turned up after it was claimed." in text
    assert "Amend the claim, withdraw it, or give the money back." in text


def test_a_viewer_reads_and_changes_nothing(client, site, alice):
    claim = make_claim(site, actor=alice)
    client.force_login(make_person("viewer", site))
    text = client.get(claim.get_absolute_url()).content.decode()
    assert "10 × 12.50 = 125.00" in text
    assert "Price it" not in text
    assert post(client, "claim_line", claim, 1).status_code == 403


def test_another_sites_claim_does_not_exist(clerk, alice):
    claim = make_claim(make_site("SOU"), actor=alice)
    assert clerk.get(claim.get_absolute_url()).status_code == 404
    assert clerk.get(reverse("claim", args=["NOR", "26-0001"])).status_code == 404
    assert clerk.get(reverse("claim", args=["NOR", "26-9999"])).status_code == 404


def test_one_line_and_five_take_the_same_queries(site, alice):
    request = RequestFactory().get("/")
    request.site, request.user, request.may = site, alice, {rules.CLAIM}

    def asked(claim):
        with CaptureQueriesContext(connection) as found:
            part = lines.part(request, again(claim))
            assert [row["steps"][0].words for row in part["live"]]
            assert [str(row["line"].discrepancy.get_absolute_url()) for row in part["live"]]
        return len(found)

    one = asked(make_claim(site, actor=alice, damaged=1, short=0))
    assert asked(make_claim(site, actor=alice, damaged=3, short=2)) == one


def test_the_piece_leads_to_its_claim(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    piece = losses(claim.shipment)[0]
    address = reverse("piece_claim", args=["NOR", piece.number])
    assert address in clerk.get(piece.get_absolute_url()).content.decode()
    assert clerk.get(address).url == claim.get_absolute_url()
    free = losses(make_load(site, actor=alice))[0]
    assert clerk.get(reverse("piece_claim", args=["NOR", free.number])).status_code == 404


def test_a_receiver_sees_no_way_to_the_claim(client, site, alice):
    piece = losses(make_claim(site, actor=alice).shipment)[0]
    client.force_login(make_person("receiver", site))
    assert (
        reverse("piece_claim", args=["NOR", piece.number]) not in client.get(piece.get_absolute_url()).content.decode()
    )


# -- pricing --


def test_a_line_is_priced_from_its_invoice(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    given = {"quantity": "14", "unit_price": "48.50", "price_source": "invoice", "price_reference": "INV-7"}
    answer = price(clerk, claim, **given, trade_discount="2", follow=True)
    assert answer.redirect_chain[0][0] == claim.get_absolute_url()
    assert "Line 1 is priced and NOR-26-0001 worked out anew." in answer.content.decode()
    assert "14 × 48.50 = 679.00" in answer.content.decode()
    assert again(claim).amount == Decimal("665.420")


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"unit_price": "twelve"}, "unit_price", "“twelve” is no number. Write it like 1234.50"),
        ({"unit_price": "1.250,00"}, "unit_price", "“1.250,00” is no number."),
        ({"unit_price": "1.000"}, "unit_price", "“1.000” can be read as 1000 or as 1."),
        ({"weight": "1,000"}, "weight", "“1,000” can be read as 1000 or as 1."),
        ({"unit_price": "NaN"}, "unit_price", "“NaN” is no number."),
        ({"unit_price": "-1"}, "unit_price", "-1 is below nought."),
        ({"quantity": ""}, "quantity", "This field is required."),
        ({"quantity": "0"}, "quantity", "more than nought"),
        ({"trade_discount": "101"}, "trade_discount", "from 0 to 100 percent, not 101"),
        ({"price_source": "invoice"}, "price_reference", "Write the number of the invoice"),
    ],
)
def test_a_price_that_cannot_be_is_refused_at_its_field_and_kept_as_typed(clerk, site, alice, given, field, words):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    answer = price(clerk, claim, **given)
    assert answer.status_code == 422
    assert words in str(answer.context["form"].errors[field])
    for name, value in given.items():
        assert answer.context["form"][name].value() == value
    assert again(claim).version == 1


def test_empty_discounts_and_salvage_are_nought(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    assert price(clerk, claim, trade_discount="", cash_discount="", salvage="").status_code == 302
    assert again(claim).amount == 125


def test_a_short_is_not_asked_for_repair_or_salvage(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=0, short=1)
    form = clerk.get(url("claim_line", claim, 1)).context["form"]
    assert not {"repair_cost", "value_lost", "salvage"} & set(form.fields)


def test_the_price_may_be_taken_over_to_lines_of_the_same_goods(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=3, short=0, description="Kettles")
    assert "(2)" in clerk.get(url("claim_line", claim, 1)).context["form"].fields["also"].label
    price(clerk, claim, unit_price="20", price_source="invoice", price_reference="INV-7", also="on")
    assert set(claim.lines.values_list("unit_price", flat=True)) == {Decimal("20.0000")}
    assert again(claim).amount == 600


def test_a_number_is_shown_for_editing_without_idle_noughts(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    form = clerk.get(url("claim_line", claim, 1)).context["form"]
    assert (form["quantity"].value(), form["unit_price"].value()) == ("10", "12.5")


def test_of_two_people_one_wins_and_the_other_is_told_with_what_they_typed(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    assert price(clerk, claim, unit_price="10").status_code == 302
    answer = price(clerk, claim, unit_price="11")
    assert answer.status_code == 409
    assert "Somebody else changed NOR-26-0001 meanwhile." in answer.content.decode()
    form = answer.context["form"]
    assert (form["unit_price"].value(), form["version"].value()) == ("11", 2), "the next press answers to what is now"
    assert again(claim).amount == 100


def test_a_form_sent_twice_is_one_change(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    number = str(uuid.uuid4())
    assert [price(clerk, claim, uuid=number, unit_price="10").status_code for _each in range(2)] == [302, 302]
    assert again(claim).version == 2
    assert Event.objects.filter(verb="claim.line_priced").count() == 1


def test_a_filed_claim_is_not_priced_here(clerk, site, alice):
    claim = make_filed(site, actor=alice)
    answer = price(clerk, claim, unit_price="10")
    assert answer.status_code == 422
    assert "a draft is changed here, a filed claim is amended" in answer.content.decode()


def test_a_line_that_is_not_there_or_not_live_does_not_exist(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    assert clerk.get(url("claim_line", claim, 9)).status_code == 404
    ClaimLine.objects.filter(position=2).update(live=False, dropped_reason="x")
    assert clerk.get(url("claim_line", claim, 2)).status_code == 404
    assert clerk.get(url("claim_line_drop", claim, 2)).status_code == 404


# -- lines come and go --


def test_a_line_is_taken_off_with_its_reason_which_stays_readable(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=1)
    piece = claim.lines.get(position=2).discrepancy
    answer = post(clerk, "claim_line_drop", claim, 2, reason="found <i>", version=1, follow=True)
    text = answer.content.decode()
    assert f"{piece} is off the claim and stands under To claim again." in text
    assert "found &lt;i&gt;" in text
    assert again(claim).amount == 125


def test_a_line_is_not_taken_off_without_a_reason(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    answer = post(clerk, "claim_line_drop", claim, 2, reason="", version=1)
    assert (answer.status_code, claim.lines.filter(live=True).count()) == (422, 2)
    assert "Say why it is taken off." in answer.content.decode()


def test_pieces_of_the_same_bill_are_added(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=2, short=0)
    first, second = losses(shipment)
    claim = make_claim(site, actor=alice, shipment=shipment, pieces=[first])
    assert "Add 1 piece of this bill" in clerk.get(claim.get_absolute_url()).content.decode()
    answer = post(clerk, "claim_add", claim, pieces=[second.pk], follow=True)
    assert answer.redirect_chain[0][0] == claim.get_absolute_url()
    assert claim.lines.filter(live=True).count() == 2
    assert "of this bill" not in clerk.get(claim.get_absolute_url()).content.decode()


def test_a_piece_of_another_bill_is_not_added(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    other = losses(make_load(site, actor=alice))[0]
    answer = post(clerk, "claim_add", claim, pieces=[other.pk])
    assert answer.status_code == 422
    assert "is not of this bill" in answer.content.decode()


# -- facts --


def test_parties_are_changed(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    other = make_carrier("Other Lines")
    given = {"claimant": "Juniper Home", "payee": "Juniper Home", "carrier": claim.carrier_id}
    answer = post(clerk, "claim_parties", claim, **given, second_carrier=other.pk, version=1, follow=True)
    assert "The parties are saved." in answer.content.decode()
    claim = again(claim)
    assert (claim.claimant, claim.second_carrier, claim.version) == ("Juniper Home", other, 2)
    answer = post(clerk, "claim_parties", claim, carrier=other.pk, claimant_email="claims at juniper", version=2)
    assert answer.status_code == 422 and "“claims at juniper” is no e-mail address." in answer.content.decode()
    told = given | {"claimant_email": "claims@juniper.example", "claimant_phone": "555-0190"}
    post(clerk, "claim_parties", claim, **told, version=2)
    shown = clerk.get(claim.get_absolute_url()).content.decode()
    assert "<dt>Answers to</dt><dd>claims@juniper.example, 555-0190</dd>" in shown
    answer = post(clerk, "claim_parties", claim, carrier=other.pk, second_carrier=other.pk, version=3)
    assert "Other Lines is named twice." in answer.content.decode()


def test_freight_that_was_paid_is_shared(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    given = {"shipment_weight": "160", "freight_charge": "400", "freight_paid": "yes", "freight_in_price": "no"}
    post(clerk, "claim_freight", claim, **given, version=1)
    assert again(claim).amount == 175
    answer = post(clerk, "claim_freight", claim, freight_charge="-3", freight_paid="no", freight_in_price="no")
    assert (answer.status_code, again(claim).amount) == (422, 175)


def test_the_rate_is_asked_for_where_the_limit_is_in_another_currency(clerk, site, alice):
    limit = {"limit_basis": "pieces_weight", "limit_rate": Decimal("8.33"), "limit_currency": "XDR"}
    make_terms("By the kilogram", **limit, limit_weight_unit="kg")
    claim = make_claim(site, actor=alice, damaged=1, short=0, weight=Decimal(10))
    answer = clerk.get(claim.get_absolute_url())
    assert answer.context["next"]["url"] == url("claim_rate", claim)
    answer = post(clerk, "claim_rate", claim, rate="1.36", rate_date="2 March", rate_source="x", version=1)
    assert "“2 March” is no day on the calendar." in answer.content.decode()
    answer = post(clerk, "claim_rate", claim, rate="1.36", rate_date="2026-03-02", rate_source="", version=1)
    assert "Say where the rate was read." in answer.content.decode()
    post(clerk, "claim_rate", claim, rate="1.36", rate_date="2026-03-02", rate_source="the fund's page", version=1)
    claim = again(claim)
    assert (claim.amount, claim.rate_date) == (Decimal("51.390"), date(2026, 3, 2))


def test_lines_that_share_a_limit_say_that_one_moves_the_others(clerk, site, alice):
    make_terms("By the pound", limit_basis="pieces_weight", limit_rate=Decimal("2.5"), limit_weight_unit="lb")
    claim = make_claim(site, actor=alice, damaged=2, short=0, weight=Decimal(20))
    shown = clerk.get(claim.get_absolute_url()).content.decode()
    assert "Lines 1, 2 share USD 100.00 in proportion to what each was worth before" in shown


def test_other_terms_are_chosen_with_a_reason_and_the_choice_is_shown(clerk, site, alice):
    found, other = make_terms("Found terms"), make_terms("Contract", account=None, origin="Elm Street")
    claim = make_claim(site, actor=alice)
    text = clerk.get(url("claim_terms", claim)).content.decode()
    assert claim.terms == found
    assert found.title in text
    answer = post(clerk, "claim_terms", claim, terms=other.pk, reason="", version=1)
    assert "Say why these terms hold" in answer.content.decode()
    post(clerk, "claim_terms", claim, terms=other.pk, reason="contract of January", version=1)
    assert "contract of January" in clerk.get(claim.get_absolute_url()).content.decode()
    assert again(claim).terms == other


def test_terms_that_came_after_the_draft_are_pointed_out(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    make_terms("Written since")
    assert "By the record “Written since” would hold." in clerk.get(claim.get_absolute_url()).content.decode()
    post(clerk, "claim_terms", claim, terms=drafting.found_terms(again(claim)).terms.pk, version=1)
    assert "would hold" not in clerk.get(claim.get_absolute_url()).content.decode()


def test_terms_of_another_carrier_or_site_are_not_offered(clerk, site, alice):
    claim = make_claim(site, actor=alice)
    mine = make_terms("For all")
    make_terms("For another carrier", carrier=make_carrier())
    make_terms("For another site", site=make_site("SOU"))
    make_terms("Retired", retired_at=NOON, valid_from=date(2019, 1, 1))
    assert list(clerk.get(url("claim_terms", claim)).context["form"].fields["terms"].queryset) == [mine]


def test_what_was_found_hurt_is_doubted_where_nobody_opened_it(clerk, site, alice):
    claim = make_claim(site, actor=alice, damaged=1, short=0)
    Discrepancy.objects.update(extent="packaging")
    assert "Only the packaging is said to be hurt" in clerk.get(claim.get_absolute_url()).content.decode()
