"""To claim: what stands there, what it says of it, and the ways out."""

import csv
import io
import uuid
from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from claims import drafting, queries
from claims.enums import Purpose
from claims.models import Claim, NotClaimed
from receiving import discrepancies
from receiving.models import Arrival, Discrepancy
from tests.builders import NOON, make_account, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_claim, make_load, make_terms

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(minimum_claim=Decimal("50.00"))


@pytest.fixture
def alice(site):
    return make_person("clerk", site, "alice")


@pytest.fixture
def clerk(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture(autouse=True)
def today(time_machine):
    time_machine.move_to(NOON, tick=False)


def page(client, query=""):
    return client.get(reverse("to_claim", args=["NOR"]) + query)


def groups(answer):
    assert answer.status_code == 200
    return list(answer.context["listing"].object_list)


def bills(answer):
    return [group.shipment for group in groups(answer)]


def post(client, name, *args, follow=False, **data):
    data = {"uuid": str(uuid.uuid4())} | data
    return client.post(reverse(name, args=["NOR", *args]), data, follow=follow)


def periods(terms, **period):
    given = {"duty": "file", "trigger": "bill_date", "length": 9, "counting": "months"}
    given |= {"effect": "bar", "binds": "us", "source": "made for a test"}
    terms.periods.create(**(given | period))
    return terms


# -- what stands there --


def test_damaged_and_short_pieces_of_a_bill_stand_together(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=2, short=1)
    [group] = groups(page(clerk))
    assert (group.shipment, group.quantity, group.damaged, group.short) == (shipment, 3, 2, 1)
    assert (group.value, group.unvalued) == (Decimal("375.00"), 0)


def test_the_freight_bill_names_a_group_else_the_bill_of_lading(clerk, site, alice):
    make_load(site, actor=alice, pro_number="PRO-1")
    make_load(site, actor=alice, pro_number="", bill_number="BL-2")
    assert sorted(group.number for group in groups(page(clerk))) == ["BL-2", "PRO-1"]


def test_bills_under_one_freight_bill_are_told_of_each_other(clerk, site, alice):
    carrier, account = make_carrier(), make_account()
    given = {"carrier": carrier, "account": account, "pro_number": "PRO-1"}
    first, second = (make_load(site, actor=alice, **given) for _each in range(2))
    make_load(site, actor=alice, account=account, pro_number="PRO-1")
    make_load(site, actor=alice, carrier=carrier, account=account, pro_number="")
    answer = page(clerk)
    told = {group.shipment: [other.shipment for other in group.others] for group in groups(answer) if group.others}
    assert told == {first: [second], second: [first]}
    assert answer.content.decode().count("send the claims together") == 2


def test_what_is_worth_nobody_knows_how_much_is_unknown_and_not_nought(clerk, site, alice):
    make_load(site, actor=alice, damaged=1, short=0, unit_value=None)
    answer = page(clerk)
    [group] = groups(answer)
    assert (group.unvalued, group.is_small) == (1, False)
    assert "<dd>unknown</dd>" in answer.content.decode()
    assert "USD&nbsp;0.00" not in answer.content.decode()


def test_a_group_of_known_value_below_the_sites_minimum_is_marked(clerk, site, alice):
    make_load(site, actor=alice, damaged=1, short=0, unit_value=Decimal("1.00"))
    answer = page(clerk)
    assert groups(answer)[0].is_small
    assert "below the smallest claim" in answer.content.decode()


@pytest.mark.parametrize("kept", ["claimed", "decided", "found", "still here", "void"])
def test_what_is_taken_care_of_does_not_stand_there(clerk, site, alice, kept):
    shipment = make_load(site, actor=alice, damaged=0, short=1, released=kept != "still here")
    [piece] = losses(shipment)
    match kept:
        case "claimed":
            make_claim(site, actor=alice, shipment=shipment)
        case "decided":
            drafting.decide_not([piece], reason="x", uuid=uuid.uuid4(), actor=alice, at=NOON)
        case "found":
            discrepancies.mark_found(piece, actor=alice, at=NOON)
        case "void":
            Discrepancy.objects.update(state="void")
    answer = page(clerk)
    assert groups(answer) == []
    assert "Nothing is left to claim." in answer.content.decode()


def test_another_sites_losses_are_not_ours(clerk, alice):
    other = make_site("SOU")
    make_load(other, actor=alice)
    assert groups(page(clerk)) == []
    assert clerk.get(reverse("to_claim", args=["SOU"])).status_code == 404


@pytest.mark.parametrize("doing", ["own", "outbound"])
def test_what_was_our_own_doing_is_kept_out_and_shown_with_its_reason(clerk, site, alice, doing):
    shipment = make_load(site, actor=alice, damaged=2, short=0)
    first, second = losses(shipment)
    Discrepancy.objects.filter(pk=first.pk).update(attribution=doing, attribution_reason="fell off the fork")
    answer = page(clerk)
    assert groups(answer)[0].pieces == [second]
    assert list(answer.context["kept_out"]) == [first]
    assert "fell off the fork" in answer.content.decode()


def test_a_piece_without_a_bill_is_shown_as_one_that_needs_it(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=1, short=0)
    Discrepancy.objects.update(shipment=None)
    answer = page(clerk)
    assert groups(answer) == []
    assert "no bill is known" in answer.content.decode()
    assert post(clerk, "draft_claim", shipment.pk, pieces=[Discrepancy.objects.get().pk]).status_code == 422


def test_of_whom_nobody_can_tell_stands_there_and_is_marked(clerk, site, alice):
    make_load(site, actor=alice, damaged=2, short=1)
    Discrepancy.objects.filter(kind="damaged").update(attribution="cannot_tell")
    [group] = groups(page(clerk))
    assert (group.doubtful, len(group.pieces)) == (2, 3)


def test_the_evidence_that_is_missing_is_named(clerk, site, alice):
    make_load(site, actor=alice, damaged=1, short=0)
    [group] = groups(page(clerk))
    assert group.missing == ["no sheet signed by the driver", "no picture of the carrier's own receipt"]
    Discrepancy.objects.update(disposition="")
    Arrival.objects.update(unsealed_reason="")
    [group] = groups(page(clerk))
    assert group.missing[-1] == "1 piece: Decide what happens with it."


def test_a_trailer_without_a_seal_record_says_so_unless_it_came_unsealed(site, alice):
    arrival = make_load(site, actor=alice).arrival
    assert next(queries.trailer_gaps(arrival, sealed=False, sheet=None)) == "no seal record"
    arrival.unsealed_reason = "came open from the yard"
    assert "no seal record" not in list(queries.trailer_gaps(arrival, sealed=False, sheet=None))


# -- dates and order --


def test_without_terms_the_date_is_unknown_and_says_what_it_needs(clerk, site, alice):
    make_load(site, actor=alice)
    answer = page(clerk)
    [group] = groups(answer)
    assert (group.due, group.is_undated) == (None, True)
    assert "no date: needs terms" in answer.content.decode()


def test_the_nearest_date_that_still_runs_is_shown_with_the_days_left(clerk, site, alice):
    periods(make_terms())
    make_load(site, actor=alice, bill_date=date(2025, 6, 10))
    answer = page(clerk)
    [group] = groups(answer)
    assert (group.due.day, group.days_left, group.missed) == (date(2026, 3, 10), 8, [])
    assert "8 days left" in answer.content.decode()


def test_a_date_that_has_passed_is_late_with_what_that_means(clerk, site, alice):
    periods(make_terms())
    make_load(site, actor=alice, bill_date=date(2025, 5, 1))
    answer = page(clerk)
    [group] = groups(answer)
    assert (group.due, [due.day for due in group.missed]) == (None, [date(2026, 2, 1)])
    text = answer.content.decode()
    assert "every date is past" in text
    assert "If missed: the right is lost." in text


def test_today_is_not_late(clerk, site, alice):
    periods(make_terms())
    make_load(site, actor=alice, bill_date=date(2025, 6, 2))
    [group] = groups(page(clerk))
    assert (group.days_left, group.is_late) == (0, False)


def test_unknown_dates_stand_on_top_then_the_nearest_and_at_the_end_what_is_lost(clerk, site, alice):
    periods(make_terms(carrier=make_carrier("With terms")))
    carrier = Arrival._meta.get_field("carrier").related_model.objects.get(name="With terms")
    lost = make_load(site, actor=alice, carrier=carrier, bill_date=date(2025, 5, 1))
    later = make_load(site, actor=alice, carrier=carrier, bill_date=date(2026, 2, 1))
    soon = make_load(site, actor=alice, carrier=carrier, bill_date=date(2025, 6, 20))
    unknown = make_load(site, actor=alice)
    assert bills(page(clerk)) == [unknown, soon, later, lost]
    assert bills(page(clerk, "?only=late")) == [lost]
    assert bills(page(clerk, "?only=undated")) == [unknown]


# -- filters, pages, files --


def test_the_list_is_narrowed_by_carrier_account_and_text_in_the_address(clerk, site, alice):
    carrier, account = make_carrier("Sparrow Lines"), make_account("Maple Foods")
    one = make_load(site, actor=alice, carrier=carrier, pro_number="AB-771")
    two = make_load(site, actor=alice, account=account)
    assert bills(page(clerk, f"?carrier={carrier.pk}")) == [one]
    assert bills(page(clerk, f"?account={account.pk}")) == [two]
    assert bills(page(clerk, "?text=ab-771")) == [one]
    assert bills(page(clerk, f"?text={losses(two)[0].label}")) == [two]
    assert bills(page(clerk, f"?text={losses(two)[1]}")) == [two]
    assert bills(page(clerk, "?text=nothing+like+it")) == []


def test_a_carrier_named_on_the_bill_is_found_as_well(clerk, site, alice):
    named = make_carrier("On The Bill")
    shipment = make_load(site, actor=alice, carrier_on_bill=named)
    assert bills(page(clerk, f"?carrier={named.pk}")) == [shipment]


def test_a_filter_that_cannot_be_read_lists_nothing_and_says_why(clerk, site, alice):
    make_load(site, actor=alice)
    answer = page(clerk, "?carrier=everybody")
    assert answer.status_code == 422
    assert "Nothing is listed: the filter cannot be read" in answer.content.decode()


def test_a_long_list_has_pages_that_keep_the_filter(clerk, site, alice, monkeypatch):
    monkeypatch.setattr("claims.views.to_claim.GROUPS", 1)
    carrier = make_carrier()
    for _each in range(2):
        make_load(site, actor=alice, carrier=carrier)
    first = page(clerk, f"?carrier={carrier.pk}")
    second = clerk.get(first.context["older"])
    assert {*bills(first), *bills(second)} == {*make_bills(site)}
    assert f"carrier={carrier.pk}" in first.context["older"]
    assert (second.context["older"], bool(second.context["newer"])) == ("", True)


def make_bills(site):
    return [piece.shipment for piece in Discrepancy.objects.filter(site=site)]


def queries_for(clerk):
    with CaptureQueriesContext(
        connection,
    ) as found:
        assert page(clerk).status_code == 200
    return len(found)


def test_one_bill_and_three_take_the_same_queries(clerk, site, alice):
    periods(make_terms())
    make_load(site, actor=alice, damaged=1, short=1)
    page(clerk)
    one = queries_for(clerk)
    for _each in range(2):
        make_load(site, actor=alice, damaged=3, short=2)
    assert len(groups(page(clerk))) == 3
    assert queries_for(clerk) == one


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_the_files_hold_exactly_what_is_shown(clerk, site, alice, suffix):
    carrier = make_carrier("Sparrow Lines")
    shown = make_load(site, actor=alice, carrier=carrier, damaged=1, short=1, description="=1+1")
    make_load(site, actor=alice)
    answer = clerk.get(reverse("claims_export", args=["NOR", "to-claim", suffix]), {"carrier": carrier.pk})
    assert answer.status_code == 200
    data = answer.getvalue()
    rows = (
        list(csv.reader(io.StringIO(data.decode("utf-8-sig"))))
        if suffix == "csv"
        else [list(row) for row in load_workbook(io.BytesIO(data)).active.values]
    )
    assert rows[0][:2] == ["Piece", "What is wrong"]
    assert [row[0] for row in rows[1:]] == [str(piece) for piece in losses(shown)]
    assert {str(row[7]) for row in rows[1:]} in ({"125.00"}, {"125"})
    assert all(str(row[3]).lstrip("'") == "=1+1" for row in rows[1:])


def test_a_file_of_another_kind_or_list_does_not_exist(clerk, site):
    assert clerk.get(reverse("claims_export", args=["NOR", "to-claim", "pdf"])).status_code == 404
    assert clerk.get(reverse("claims_export", args=["NOR", "everything", "csv"])).status_code == 404


# -- ways out --


def test_one_click_drafts_the_claim_of_what_is_ticked(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=2, short=1)
    first, second, _third = losses(shipment)
    answer = post(clerk, "draft_claim", shipment.pk, pieces=[first.pk, second.pk], follow=True)
    claim = Claim.objects.get()
    assert answer.redirect_chain == [(claim.get_absolute_url(), 302)]
    assert [line.discrepancy for line in claim.lines.order_by("position")] == [first, second]
    assert (claim.purpose, claim.opened_by) == (Purpose.CLAIM, alice)
    assert "NOR-26-0001 is drafted and its pieces are shut." in answer.content.decode()


def test_a_form_sent_twice_drafts_one_claim(clerk, site, alice):
    shipment = make_load(site, actor=alice)
    number, pieces = str(uuid.uuid4()), [piece.pk for piece in losses(shipment)]
    answers = [post(clerk, "draft_claim", shipment.pk, uuid=number, pieces=pieces) for _each in range(2)]
    assert [answer.status_code for answer in answers] == [302, 302]
    assert Claim.objects.count() == 1


def test_nothing_ticked_is_said_with_the_pieces_to_tick(clerk, site, alice):
    shipment = make_load(site, actor=alice)
    answer = post(clerk, "draft_claim", shipment.pk)
    assert answer.status_code == 422
    assert "Tick at least one piece." in answer.content.decode()
    assert len(answer.context["group"].pieces) == 2


@pytest.mark.parametrize("key", ["x", "-1", "9" * 30, "1.5", ""])
def test_a_key_that_is_none_is_refused(clerk, site, alice, key):
    shipment = make_load(site, actor=alice)
    answer = post(clerk, "draft_claim", shipment.pk, pieces=[key])
    assert answer.status_code == 422
    assert "is not of this bill" in answer.content.decode()


def test_what_somebody_else_claimed_meanwhile_is_told_and_nothing_kept(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=1, short=1)
    first, second = losses(shipment)
    make_claim(site, actor=alice, shipment=shipment, pieces=[first])
    answer = post(clerk, "draft_claim", shipment.pk, pieces=[first.pk, second.pk])
    assert answer.status_code == 409
    assert f"{first} is on claim NOR-26-0001 already." in answer.content.decode()
    assert Claim.objects.count() == 1
    assert str(second.pk) in answer.context["ticked"], "what was ticked still is"


def test_a_hand_over_demands_nothing(clerk, site, alice):
    shipment = make_load(site, actor=alice, account=make_account(who_claims="supplier"))
    answer = page(clerk).content.decode()
    assert answer.index("Hand over</button>") < answer.index("Draft the claim</button>"), "the usual way stands first"
    post(clerk, "hand_over", shipment.pk, pieces=[piece.pk for piece in losses(shipment)])
    assert Claim.objects.get().is_handover


def test_a_decision_not_to_claim_needs_its_reason_and_keeps_the_ticks(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=2, short=0)
    first, _second = losses(shipment)
    answer = post(clerk, "decide_not", shipment.pk, pieces=[first.pk], reason=" ")
    assert answer.status_code == 422
    assert "Say why it is not claimed." in answer.content.decode()
    assert answer.context["ticked"] == [str(first.pk)]
    assert NotClaimed.objects.count() == 0


def test_what_is_decided_leaves_the_list_and_can_be_taken_back(clerk, site, alice):
    shipment = make_load(site, actor=alice, damaged=2, short=0)
    first, second = losses(shipment)
    post(clerk, "decide_not", shipment.pk, pieces=[first.pk], reason="too small <b>")
    assert groups(page(clerk))[0].pieces == [second]
    listed = clerk.get(reverse("not_claimed", args=["NOR"])).content.decode()
    assert "too small &lt;b&gt;" in listed
    answer = post(clerk, "claim_after_all", first.number, reason="", follow=True)
    assert answer.status_code == 422
    answer = post(clerk, "claim_after_all", first.number, reason="more came to light", follow=True)
    assert "stands under To claim again." in answer.content.decode()
    assert set(groups(page(clerk))[0].pieces) == {first, second}
    assert post(clerk, "claim_after_all", first.number, reason="again").status_code == 404


def test_a_script_gets_json(clerk, site, alice):
    shipment = make_load(site, actor=alice)
    address = reverse("draft_claim", args=["NOR", shipment.pk])
    data = {"pieces": [piece.pk for piece in losses(shipment)], "uuid": str(uuid.uuid4())}
    answer = clerk.post(address, data, headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()) == (201, {"claim": "NOR-26-0001"})
    answer = clerk.post(address, data | {"uuid": str(uuid.uuid4())}, headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()["errors"][0]["field"]) == (409, "pieces")


def test_another_sites_bill_does_not_exist(clerk, site, alice):
    shipment = make_load(make_site("SOU"), actor=alice)
    for name in ("draft_claim", "hand_over", "decide_not"):
        assert post(clerk, name, shipment.pk, pieces=[piece.pk for piece in losses(shipment)]).status_code == 404


def test_a_viewer_sees_the_list_without_its_ways_out(client, site, alice):
    make_load(site, actor=alice)
    client.force_login(make_person("viewer", site))
    answer = page(client)
    assert len(groups(answer)) == 1
    assert "Draft the claim" not in answer.content.decode()
