"""The one search box: each kind of number, as people have it in hand."""

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from receiving import search
from receiving.enums import ArrivalState
from receiving.models import Carton, ExceptionSheet, Pallet
from tests.builders import (
    NOON,
    make_arrival,
    make_cartons,
    make_person,
    make_piece,
    make_seal,
    make_shipment,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("receiver", site, "alice")


@pytest.fixture
def receiver(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture
def arrival(site, alice):
    arrival = make_arrival(site, actor=alice, trailer_number="CSQU 305438-3")
    make_shipment(arrival, actor=alice, bill_number="BL 77-4411", pro_number="330-998877")
    make_seal(arrival, actor=alice, number_on_seal="AB 0012-34", number_on_paper="AB0012-35")
    return arrival


def ask(client, text, site="NOR"):
    return client.get(reverse("search", args=[site]), {"q": text})


def found(answer):
    """{group: records} of a page that lists what it found."""
    assert answer.status_code == 200, answer.get("Location")
    return {group["name"]: [hit["record"] for hit in group["hits"]] for group in answer.context.get("groups", [])}


def test_somebody_logged_out_is_sent_to_the_login(client, site):
    assert ask(client, "1").url.startswith(reverse("login"))


def test_at_another_site_there_is_no_box(receiver, site):
    make_site("SOU")
    assert ask(receiver, "1", "SOU").status_code == 404


def test_nothing_is_posted_here(receiver):
    assert receiver.post(reverse("search", args=["NOR"])).status_code == 405


def test_an_empty_box_says_what_it_takes(receiver):
    page = receiver.get(reverse("search", args=["NOR"])).content.decode()
    assert "R-0412" in page
    assert "bears" not in page


@pytest.mark.parametrize(
    "text",
    ["csqu3054383", "CSQU 305438 3", " CSQU-305438-3 ", "bl774411", "BL-77.4411", "330998877", "330-998877"]
    + ["ab001234", "AB-0012 34", "AB001235"],
)
def test_a_number_however_its_groups_are_set_apart_leads_to_its_trailer(receiver, arrival, text):
    assert ask(receiver, text).url == arrival.get_absolute_url()


@pytest.mark.parametrize("text", ["T-1", "t1", "T 0001", "1"])
def test_our_trailer_number_leads_to_the_trailer(receiver, arrival, text):
    assert arrival.number == 1
    assert ask(receiver, text).url == arrival.get_absolute_url()


@pytest.mark.parametrize("text", ["P-71234", "p71234", "71234"])
def test_a_tag_leads_to_the_piece(receiver, arrival, alice, text):
    piece = make_piece(arrival, actor=alice, number=71234)
    assert ask(receiver, text).url == piece.get_absolute_url()


def test_a_sheet_number_leads_to_the_sheet(receiver, site, arrival, alice):
    sheet = make_sheet(site, arrival, alice, 412)
    assert ask(receiver, "R-0412").url == sheet.get_absolute_url()


def make_sheet(site, arrival, actor, number):
    return ExceptionSheet.objects.create(
        site=site, arrival=arrival, actor=actor, number=number, content={}, log_seq=1, outcome="signed"
    )


def test_a_pallet_number_leads_to_the_pallets(receiver, site, arrival):
    store = make_store(site, arrival.shipments.get().account)
    Pallet.objects.create(site=site, number=17, store=store, opened_at=NOON)
    assert ask(receiver, "L-17").url == reverse("pallets", args=["NOR"])


@pytest.mark.parametrize("form", ["{0}", "]C100{0}", "(00){0}", "00{0}", "{0[0]} {1} {2} {0[17]}", "\x1d]C100{0}"])
def test_a_carton_is_found_by_its_label_however_it_was_read(receiver, arrival, alice, form):
    carton = make_cartons(arrival.shipments.get(), 3, start=80)[1]
    piece = make_piece(arrival, actor=alice, carton=carton, label=carton.label)
    text = form.format(carton.label, carton.label[1:8], carton.label[8:17])
    answer = ask(receiver, text)
    assert found(answer) == {"cartons": [carton]}
    page = answer.content.decode()
    for told in (arrival.trailer_number, str(carton.store), "not received", str(piece), piece.get_absolute_url()):
        assert told in page


def test_a_received_carton_says_when_and_by_whom(receiver, arrival, alice):
    carton = make_cartons(arrival.shipments.get(), 1, start=80)[0]
    Carton.objects.filter(pk=carton.pk).update(received=1, received_at=NOON, received_by=alice)
    assert "Mon 2 Mar 2026, 12:00 CST, Alice" in ask(receiver, carton.label).content.decode()


def test_a_piece_without_a_carton_is_found_by_its_label(receiver, arrival, alice):
    piece = make_piece(arrival, actor=alice, kind="over", label="BOX 7/12")
    assert ask(receiver, "box  7/12").url == piece.get_absolute_url()


def test_several_are_listed_in_groups(receiver, site, arrival, alice):
    piece = make_piece(arrival, actor=alice, number=1)
    sheet = make_sheet(site, arrival, alice, 1)
    assert found(ask(receiver, "1")) == {"pieces": [piece], "trailers": [arrival], "sheets": [sheet]}


def test_two_visits_of_one_trailer_are_both_listed(receiver, site, arrival, alice):
    again = make_arrival(site, actor=alice, trailer_number="CSQU3054383")
    assert found(ask(receiver, "CSQU3054383"))["trailers"] == [again, arrival]


def test_the_first_four_characters_give_a_list(receiver, arrival, alice):
    cartons = make_cartons(arrival.shipments.get(), 3, start=80)
    answer = ask(receiver, "1 9521")
    assert found(answer) == {"cartons": sorted(cartons, key=lambda carton: carton.label)}
    assert "begin with it" in answer.content.decode()
    assert found(ask(receiver, "csq u")) == {"trailers": [arrival]}
    assert found(ask(receiver, "33099")) == {"bills": [arrival.shipments.get()]}
    assert found(ask(receiver, "ab00")) == {"seals": [arrival.seals.get()]}


@pytest.mark.parametrize("text", ["952", "csq", "%%%%", "____", "5438", "9521234"])
def test_less_than_a_beginning_finds_nothing(receiver, arrival, text):
    make_cartons(arrival.shipments.get(), 3, start=80)
    assert found(ask(receiver, text)) == {}


def test_a_long_list_is_cut_and_says_so(receiver, arrival):
    make_cartons(arrival.shipments.get(), search.MOST + 1, start=80)
    answer = ask(receiver, "19521")
    assert len(found(answer)["cartons"]) == search.MOST
    assert "There are more." in answer.content.decode()


def test_nothing_found_says_what_was_searched_and_what_to_try(receiver):
    page = ask(receiver, "NOSUCH<b>").content.decode()
    assert "Nothing here bears “NOSUCH&lt;b&gt;”." in page
    assert "Looked for among cartons" in page
    assert reverse("pieces", args=["NOR"]) + "?text=NOSUCH%3Cb%3E" in page


def test_a_misread_label_says_which_digit_is_wrong(receiver):
    wrong = sscc(80)[:-1] + str((int(sscc(80)[-1]) + 1) % 10)
    assert f"its last digit should be {sscc(80)[-1]}" in ask(receiver, wrong).content.decode()


@pytest.mark.parametrize(
    "text", ["\x00", "AB\x00CD", "\x1d", "' OR 1=1 --", "9" * 100, "١٢٣٤", "(00)", "]C1", "T-", "ﬁ"]
)
def test_odd_text_is_answered(receiver, arrival, text):
    assert ask(receiver, text).status_code == 200


def test_too_much_text_is_refused_and_kept(receiver):
    answer = ask(receiver, "x" * 101)
    assert answer.status_code == 422
    assert "A number has at most 100 characters, not 101." in answer.content.decode()
    assert "x" * 101 in answer.content.decode()


# -- other sites --


@pytest.fixture
def south(arrival):
    """The same trailer and label at another site."""
    south = make_site("SOU")
    actor = make_person("lead", south)
    there = make_arrival(south, actor=actor, trailer_number="CSQU3054383", pieces=5)
    make_piece(there, actor=actor, label="BOX 1", number=5555)
    make_cartons(there.shipments.get(), 1, start=90)
    return there


@pytest.mark.parametrize("text", ["BOX 1", "P-5555", sscc(90)])
def test_another_site_s_records_do_not_exist(receiver, south, text):
    assert found(ask(receiver, text)) == {}


def test_another_site_s_trailer_is_not_among_ours(receiver, arrival, south):
    assert ask(receiver, "CSQU3054383").url == arrival.get_absolute_url()


@pytest.mark.parametrize("text", ["SL 999", "BL 999", "P 999"])
def test_another_site_s_papers_and_seals_do_not_exist(receiver, south, text):
    actor = make_person("lead", south.site)
    make_shipment(south, actor=actor, bill_number="BL-999", pro_number="P999")
    make_seal(south, actor=actor, number_on_seal="SL999")
    assert found(ask(receiver, text)) == {}


def test_a_member_of_all_sites_is_told_where_else(client, arrival, south):
    client.force_login(make_person("manager", None))
    answer = ask(client, "CSQU3054383")
    assert found(answer) == {"trailers": [arrival, south]}
    page = answer.content.decode()
    assert "at SOU" in page
    assert south.get_absolute_url() in page
    assert ask(client, "P-5555").status_code == 200
    assert ask(client, "P-5555", "SOU").url == reverse("piece", args=["SOU", 5555])


# -- cost --


def test_one_and_fifty_hits_cost_the_same_queries(receiver, site, arrival, alice):
    def queries(text):
        with CaptureQueriesContext(connection) as captured:
            assert ask(receiver, text).status_code == 200
        return len(captured)

    def fill(count, start):
        for carton in make_cartons(arrival.shipments.get(), count, start=start):
            make_piece(arrival, actor=alice, carton=carton, label=carton.label)
            make_piece(arrival, actor=alice, label="BOX 1")

    fill(2, 1_000)
    few = queries("19521"), queries("BOX 1"), queries("BOX ")
    fill(48, 2_000)
    assert (queries("19521"), queries("BOX 1"), queries("BOX ")) == few
    assert max(few) <= 26


@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="PostgreSQL rightly scans a table of few rows")
@pytest.mark.parametrize("text", ["CSQU3054383", "19521", "412", "BL77", "R-9", sscc(3)])
def test_every_look_up_seeks_its_number_in_an_index(receiver, arrival, text, monkeypatch):
    monkeypatch.setattr(search, "MOST", 13)
    make_cartons(arrival.shipments.get(), 3, start=80)
    with CaptureQueriesContext(connection) as captured:
        ask(receiver, text)
    looks = [query["sql"] for query in captured if "LIMIT 14" in query["sql"]]
    assert looks
    for sql in looks:
        with connection.cursor() as cursor:
            cursor.execute("EXPLAIN QUERY PLAN " + sql.replace("%", "%%"), [])
            steps = [row[3] for row in cursor.fetchall()]
        assert [step for step in steps if re.search(r"(<expr>|\blabel|\bnumber)[=>]", step)], (steps, sql)
        assert not [step for step in steps if step.startswith("SCAN receiving_")], sql


def test_visits_are_those_of_the_site_only(arrival, south):
    assert search.visits("csqu-3054383", sites=[arrival.site]) == [arrival.pk]
    assert search.visits("T-1", sites=[south.site]) == [south.pk]


def test_a_carton_that_repeats_on_two_trailers_is_shown_twice(receiver, site, arrival, alice):
    other = make_arrival(site, actor=alice, state=ArrivalState.EXPECTED, pieces=3)
    for bill in (arrival.shipments.get(), other.shipments.get()):
        make_cartons(bill, 1, start=80)
    assert len(found(ask(receiver, sscc(80)))["cartons"]) == 2
