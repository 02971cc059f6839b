"""The pages of the count: a scan, a batch, a tally, a file, pallets; who may, what they answer, what they cost."""

import json
import re
import uuid
from datetime import datetime
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from receiving import clock, counting, discrepancies, dock, queries
from receiving.enums import ArrivalState, Kind, ScanResult
from receiving.models import Arrival, Carton, Event, Pallet, Scan, Submission, TallyTap
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_cartons,
    make_person,
    make_shipment,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db
JSON = {"HTTP_ACCEPT": "application/json"}
PART = {"HTTP_X_PART": "1"}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("receiver", site, "alice")


@pytest.fixture
def account():
    return make_account("Juniper Home Stores")


@pytest.fixture
def stores(site, account):
    return [make_store(site, account, number) for number in ("0417", "0105")]


@pytest.fixture
def trailer(site, alice, account, stores):
    """Four listed cartons: stores 0417, 0105, 0417, 0105."""
    return make_trailer(site, alice, account, stores, 4, start=1)


@pytest.fixture
def page(client, alice):
    client.force_login(alice)
    return client


def make_trailer(site, actor, account, stores, cartons, *, start):
    arrival = make_arrival(site, actor=actor, state=ArrivalState.UNLOADING, pieces=cartons, account=account)
    make_cartons(arrival.shipments.get(), cartons, stores=stores, start=start)
    return arrival


def at(name, arrival, *more):
    return reverse(name, args=[arrival.site.code, arrival.number, *more])


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def scan(page, arrival, label, headers=None, **given):
    return page.post(at("count_scan", arrival), form(label=label, **given), **(headers or {}))


def errors(answer):
    return [(error["code"], error["field"]) for error in answer.json()["errors"]]


def text(answer):
    return " ".join(answer.content.decode().split())


# --- the page ---------------------------------------------------------------------------------------------------------


def test_the_page_has_the_scan_field_and_the_figures(page, trailer):
    shown = text(page.get(at("count", trailer)))
    assert 'name="label" maxlength="200"' in shown
    assert "autofocus" in shown
    assert "<dt>Expected</dt><dd>4</dd>" in shown
    assert "<dt>Missing</dt><dd>4</dd>" in shown


def test_a_paused_trailer_says_what_to_do_first_and_offers_no_field(page, trailer, alice):
    dock.pause(trailer, held_by="guard", actor=alice, at=NOON)
    shown = text(page.get(at("count", trailer)))
    assert "is paused. Unload again before you count." in shown
    assert 'name="label"' not in shown


def test_a_released_trailer_looks_labels_up(page, trailer):
    Arrival.objects.filter(pk=trailer.pk).update(state=ArrivalState.RELEASED, released_at=NOON)
    assert "A label scanned here is only looked up." in text(page.get(at("count", trailer)))
    shown = text(scan(page, trailer, sscc(1)))
    assert "Its trailer has left" in shown
    assert "Log a late finding" in shown
    assert f"/trailer/{trailer.number}/log/?label={sscc(1)}" in shown
    assert Carton.objects.get(label=sscc(1)).received == 0


def test_figures_count_scans_taps_shorts_and_what_has_no_list(page, trailer, alice, stores, account):
    bill = trailer.shipments.get()
    make_shipment(trailer, actor=alice, pieces=10, account=account)
    scan(page, trailer, sscc(1))
    scan(page, trailer, "NO LIST 1")
    counting.tally(bill, store=stores[1], count=1, uuid=uuid.uuid4(), actor=alice, at=NOON)
    discrepancies.declare_short(bill, cartons=Carton.objects.filter(label=sscc(3)), actor=alice, at=NOON)
    shown = text(page.get(at("count", trailer)))
    assert "<dt>Counted</dt><dd>3</dd>" in shown
    assert "<dt>Expected</dt><dd>14</dd>" in shown
    assert "<dt>Missing</dt><dd>10</dd>" in shown


def figures(page, arrival):
    shown = text(page.get(at("count", arrival)))
    return {name: int(n) for name, n in re.findall(r"<dt>(\w+)</dt><dd>(\d+)</dd>", shown)}


def test_what_is_over_in_one_store_does_not_hide_what_is_missing_in_another(page, trailer, alice, stores):
    bill = trailer.shipments.get()
    counting.tally(bill, store=stores[0], count=5, uuid=uuid.uuid4(), actor=alice, at=NOON)
    assert figures(page, trailer) == {"Counted": 5, "Expected": 4, "Missing": 2, "Over": 3}
    squared = queries.trailer_squaring(trailer)
    assert (squared.missing, squared.over) == (2, 3)


@pytest.mark.parametrize("listed", [True, False])
def test_a_piece_on_no_list_and_more_than_the_bill_says_are_over(page, site, trailer, alice, account, listed):
    arrival = trailer if listed else make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=1)
    for label in (sscc(1), "NO LIST 1", "NO LIST 2"):
        scan(page, arrival, label)
    given = {"kind": Kind.OVER, "facts": {"label": "X1"}, "actor": alice, "at": NOON}
    discrepancies.record(arrival, uuid=uuid.uuid4(), **given)
    squared = queries.trailer_squaring(arrival)
    found = figures(page, arrival)
    assert (found["Missing"], found["Over"]) == (squared.missing, squared.over) == ((3, 1) if listed else (0, 2))


# --- one scan ---------------------------------------------------------------------------------------------------------


def test_a_scan_answers_with_the_store_in_huge_digits(page, trailer):
    answer = scan(page, trailer, sscc(1))
    assert answer.status_code == 200
    shown = text(answer)
    assert '<div class="answer right" data-answer="right">' in shown
    assert '<p class="storenumber"><span class="sr">store</span> 0417</p>' in shown
    assert "<dt>Counted</dt><dd>1</dd>" in shown
    assert Carton.objects.get(label=sscc(1)).received == 1


def test_the_pages_own_script_gets_only_what_has_changed(page, trailer):
    answer = scan(page, trailer, sscc(1), PART)
    shown = text(answer)
    assert "<html" not in shown
    assert 'data-answer="right"' in shown
    assert "data-figures" in shown
    assert f'<li id="scan-{Scan.objects.get().uuid}">' in shown


def test_a_script_gets_the_answer_as_json(page, trailer, alice):
    scan(page, trailer, sscc(1))
    answer = scan(page, trailer, sscc(1), JSON)
    assert answer.status_code == 201
    (told,) = answer.json()["scans"]
    assert told.pop("message").startswith("Counted ")
    assert told.pop("detail").endswith(" CST by Alice.")
    assert told.pop("log").endswith(f"?label={sscc(1)}")
    assert told.pop("at")
    assert told == {
        "uuid": str(Scan.objects.latest("pk").uuid),
        "result": "already",
        "label": sscc(1),
        "counts": False,
        "store": "0417",
        "trailer": trailer.number,
        "pallet": None,
        "misplaced": False,
        "repeated": False,
        "store_name": "",
        "rerouted_from": None,
        "look": "again",
        "icon": "again",
        "words": "Already counted",
        "line": "already counted",
        "flags": [],
        "log_words": "Something is wrong with it",
        "piece": None,
    }
    assert answer.json()["running"] == {"expected": 4, "counted": 1, "missing": 3, "over": 0}


def face(page, trailer, label, **given):
    shown = text(scan(page, trailer, label, PART, **given))
    return shown.split('data-answer="')[1].split('"')[0], shown.split("</svg> ")[1].split("</p>")[0]


def test_every_answer_has_its_look_and_its_words(page, site, trailer, alice, account, stores):
    other = make_trailer(site, alice, account, stores, 2, start=900)
    waiting = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR, pieces=1, account=account)
    make_cartons(waiting.shipments.get(), 1, stores=stores, start=950)
    pallet = counting.open_pallet(site, store=stores[0], uuid=uuid.uuid4(), actor=alice, at=NOON)
    bill = trailer.shipments.get()
    discrepancies.declare_short(bill, cartons=Carton.objects.filter(label=sscc(4)), actor=alice, at=NOON)
    assert face(page, trailer, sscc(1)) == ("right", "Counted")
    assert face(page, trailer, sscc(1)) == ("again", "Already counted")
    assert face(page, trailer, sscc(1), pallet=pallet.number) == ("right", "On the pallet now")
    assert face(page, trailer, sscc(2), pallet=pallet.number) == ("wrong", "Wrong pallet")
    assert face(page, trailer, sscc(2), pallet=pallet.number) == ("wrong", "Already counted. Wrong pallet")
    assert face(page, trailer, sscc(4)) == ("right", "Found")
    assert face(page, trailer, sscc(900)) == ("other", "Counted for another trailer")
    assert face(page, trailer, sscc(950)) == ("wrong", "Its trailer is not unloading")
    assert face(page, trailer, "WHAT IS THIS") == ("wrong", "On no list")
    assert face(page, trailer, "195212340000000011") == ("wrong", "Read wrongly")
    Arrival.objects.filter(pk=other.pk).update(state=ArrivalState.RELEASED, released_at=NOON)
    assert face(page, trailer, sscc(901)) == ("wrong", "Its trailer has left")


def test_every_result_has_a_face():
    from receiving.views.count import FACES, ICONS  # noqa: PLC0415

    assert set(FACES) == set(ScanResult)
    assert {look for look, _words in FACES.values()} == set(ICONS)


def test_a_rerouted_carton_shows_its_new_store_and_what_the_label_says(page, trailer, alice, stores):
    discrepancies.record(
        trailer,
        uuid=uuid.uuid4(),
        kind=Kind.REROUTED,
        facts={"label": sscc(1), "new_store": stores[1]},
        actor=alice,
        at=NOON,
    )
    shown = text(scan(page, trailer, sscc(1), PART))
    assert "</span> 0105</p>" in shown
    assert "Rerouted: the label says store 0417." in shown


def test_flags_of_the_carton_are_shown(page, trailer):
    Carton.objects.filter(label=sscc(1)).update(hazmat=True, food=True)
    shown = text(scan(page, trailer, sscc(1), PART))
    assert "hazardous" in shown
    assert "food" in shown


def test_an_unlisted_label_leads_to_the_log_and_then_to_its_piece(page, trailer, alice):
    shown = text(scan(page, trailer, "CASE 7&8", PART))
    assert f"/trailer/{trailer.number}/log/?label=CASE+7%268&amp;kind=over" in shown
    piece = discrepancies.record(
        trailer, uuid=uuid.uuid4(), kind=Kind.OVER, facts={"label": "CASE 7&8"}, actor=alice, at=NOON
    )
    shown = text(scan(page, trailer, "CASE 7&8", PART))
    assert f"It is logged already: {piece}" in shown
    assert piece.get_absolute_url() in shown


def test_a_label_with_markup_is_text(page, trailer):
    shown = scan(page, trailer, "<B>X</B>").content.decode()
    assert "&lt;B&gt;X&lt;/B&gt;" in shown
    assert "<B>" not in shown


@pytest.mark.parametrize("label", ["", "   ", "\t"])
def test_nothing_read_is_refused_with_a_sentence(page, trailer, label):
    answer = scan(page, trailer, label)
    assert answer.status_code == 422
    assert "Nothing was read. Scan the label again or type it." in text(answer)
    assert errors(scan(page, trailer, label, JSON)) == [("label_missing", "label")]
    assert not Scan.objects.exists()


def test_what_was_typed_is_kept_when_it_is_refused(page, trailer):
    long = "X" * 201
    answer = scan(page, trailer, long)
    assert answer.status_code == 422
    assert f'value="{long}"' in text(answer)
    assert not Scan.objects.exists()


def test_a_scan_on_a_paused_trailer_is_refused_and_stores_nothing(page, trailer, alice):
    dock.pause(trailer, held_by="guard", actor=alice, at=NOON)
    answer = scan(page, trailer, sscc(1), PART)
    assert answer.status_code == 422
    assert "Unload again before you count." in text(answer)
    assert not Scan.objects.exists()
    assert not Submission.objects.exists()


@pytest.mark.parametrize("pallet", ["99", "x", "9" * 30, "-1"])
def test_a_pallet_that_is_not_here_is_refused(page, trailer, pallet):
    answer = scan(page, trailer, sscc(1), JSON, pallet=pallet)
    assert answer.status_code == 422
    assert errors(answer) == [("invalid_choice", "pallet")]
    assert page.get(at("count", trailer), {"pallet": pallet}).status_code == 200


def test_another_sites_pallet_and_another_trailers_bill_are_not_here(page, trailer, alice, account):
    away = make_site("SOU")
    pallet = counting.open_pallet(away, store=make_store(away, account), uuid=uuid.uuid4(), actor=alice, at=NOON)
    other = make_arrival(away, actor=alice, state=ArrivalState.UNLOADING, account=account)
    assert errors(scan(page, trailer, sscc(1), JSON, pallet=pallet.number)) == [("invalid_choice", "pallet")]
    bill = other.shipments.get().pk
    assert errors(scan(page, trailer, sscc(1), JSON, shipment=bill)) == [("invalid_choice", "shipment")]


def test_a_closed_pallet_in_hand_is_told(page, trailer, site, alice, stores):
    pallet = counting.open_pallet(site, store=stores[0], uuid=uuid.uuid4(), actor=alice, at=NOON)
    counting.close_pallet(pallet, actor=alice, at=NOON)
    answer = scan(page, trailer, sscc(1), JSON, pallet=pallet.number)
    assert errors(answer) == [("pallet_closed", "pallet")]
    assert "L-1 · closed and wrapped" in text(page.get(at("count", trailer), {"pallet": pallet.number}))


def test_several_bills_without_a_list_must_be_chosen_from(page, site, alice, account):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=3, account=account)
    second = make_shipment(arrival, actor=alice, pieces=2, account=account)
    assert second.bill_number in text(page.get(at("count", arrival)))
    assert errors(scan(page, arrival, "A1", JSON)) == [("bill_missing", "shipment")]
    shown = text(scan(page, arrival, "A1", shipment=second.pk))
    assert f'<option value="{second.pk}" selected>' in shown
    assert Scan.objects.get().shipment == second


def test_the_same_scan_sent_twice_is_stored_once(page, trailer):
    sent = form(label=sscc(1))
    first, again = (page.post(at("count_scan", trailer), sent, **JSON) for _ in "ab")
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert again["X-Repeated"] == "1"
    assert Scan.objects.count() == 1


def test_another_label_under_the_same_number_is_refused(page, trailer):
    sent = form(label=sscc(1))
    page.post(at("count_scan", trailer), sent)
    assert page.post(at("count_scan", trailer), sent | {"label": sscc(2)}, **JSON).status_code == 409
    assert Scan.objects.count() == 1


def test_how_and_when_the_device_read_it_are_kept(page, trailer):
    scan(page, trailer, sscc(1), how="typed", device_at="2026-03-02T17:58:00.000Z")
    row = Scan.objects.get()
    assert (row.how, row.device_at.isoformat()) == ("typed", "2026-03-02T17:58:00+00:00")


@pytest.mark.parametrize("at_text", ["yesterday", "0001-01-01T00:00:00+14:00"])
def test_a_time_that_is_none_is_refused(page, trailer, at_text):
    assert errors(scan(page, trailer, sscc(1), JSON, device_at=at_text)) == [("invalid", "device_at")]


# --- a batch ----------------------------------------------------------------------------------------------------------


def send_batch(page, trailer, rows):
    return page.post(
        at("count_scan", trailer), form(labels=rows if isinstance(rows, str) else json.dumps(rows)), **JSON
    )


def row(label, **given):
    return {"uuid": str(uuid.uuid4()), "label": label} | given


def test_a_batch_is_answered_scan_by_scan_in_one_event(page, trailer):
    rows = [row(sscc(1), device_at="2026-03-02T10:00:00-06:00"), row("NOPE"), row("195212340000000011"), row("")]
    before = Event.objects.count()
    answer = send_batch(page, trailer, rows)
    assert answer.status_code == 201
    assert [told["result"] for told in answer.json()["scans"]] == ["counted", "not_listed", "bad_label", "bad_label"]
    assert Event.objects.count() == before + 1
    assert Scan.objects.get(uuid=rows[0]["uuid"]).device_at.isoformat() == "2026-03-02T16:00:00+00:00"


def test_a_scan_sent_alone_and_then_in_a_batch_is_one_scan(page, trailer):
    sent = form(label=sscc(1))
    page.post(at("count_scan", trailer), sent)
    answer = send_batch(page, trailer, [{"uuid": sent["uuid"], "label": sscc(1)}, row(sscc(2))])
    assert [told["repeated"] for told in answer.json()["scans"]] == [True, False]
    assert Scan.objects.count() == 2


@pytest.mark.parametrize(
    "rows",
    [
        "{not json",
        "{}",
        "[]",
        "[1]",
        '[{"uuid": "x", "label": "A"}]',
        '[{"label": "A"}]',
        json.dumps([row("A" * 201)]),
        json.dumps([row("A\0")]),
        json.dumps([row(7)]),
        json.dumps([row("A", device_at="2026-03-02T10:00:00")]),
        json.dumps([row("A", device_at=12)]),
        json.dumps([row("A")] * 501),
    ],
    ids=range(12),
)
def test_a_batch_that_is_none_is_refused_whole(page, trailer, rows):
    answer = send_batch(page, trailer, rows)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "labels"
    assert not Scan.objects.exists()


# --- taking back ------------------------------------------------------------------------------------------------------


def test_taking_back_says_what_and_leaves_both_rows(page, trailer):
    scan(page, trailer, sscc(1))
    answer = page.post(at("count_undo", trailer), form(), **PART)
    shown = text(answer)
    assert "Taken back" in shown
    assert "<strong>taken back</strong>" in shown
    assert "<dt>Counted</dt><dd>0</dd>" in shown
    assert Scan.objects.count() == 2
    assert page.post(at("count_undo", trailer), form(), **JSON).json()["errors"][0]["code"] == "nothing_to_undo"


def test_a_phone_names_the_scan_it_takes_back(page, trailer):
    first = form(label=sscc(1))
    page.post(at("count_scan", trailer), first, **JSON)
    scan(page, trailer, sscc(2))
    answer = page.post(at("count_undo", trailer), form(what="scan", named=first["uuid"]), **JSON)
    assert (answer.json()["label"], answer.json()["undone"]) == (sscc(1), first["uuid"])
    assert answer.json()["running"]["counted"] == 1
    for gone in (first["uuid"], str(uuid.uuid4()), "no number"):
        refused = page.post(at("count_undo", trailer), form(what="scan", named=gone), **JSON)
        assert errors(refused) == [("nothing_to_undo", None)]
    assert list(Carton.objects.filter(received=1).values_list("label", flat=True)) == [sscc(2)]


def test_a_script_that_taps_is_told_the_row(page, trailer, stores):
    tap = at("count_tally_tap", trailer, trailer.shipments.get().pk)
    sent = form(store=stores[0].pk, count=5)
    assert page.post(tap, sent, **JSON).json() == {"count": 5, "store": "0417", "expected": 2, "counted": 5}
    back = page.post(at("count_undo", trailer), form(what="tap", named=sent["uuid"], to="tally"), **JSON).json()
    assert back == {"count": -5, "store": "0417", "undone": sent["uuid"], "expected": 2, "counted": 0}


def test_taking_back_without_a_script_goes_back_to_the_page(page, trailer):
    scan(page, trailer, sscc(1))
    answer = page.post(at("count_undo", trailer), form(pallet="3"))
    assert answer.url == at("count", trailer) + "?pallet=3"
    assert f"Taken back: {sscc(1)}." in text(page.get(at("count", trailer)))


# --- tally ------------------------------------------------------------------------------------------------------------


def test_a_tap_counts_and_the_row_shows_it(page, trailer, stores):
    bill = trailer.shipments.get()
    address = at("count_tally_tap", trailer, bill.pk)
    shown = text(page.post(address, form(store=stores[0].pk, count=5), **PART))
    assert f'id="store-{bill.pk}-{stores[0].pk}"' in shown
    assert "<span data-figure>5</span> / 2" in shown
    answer = page.post(address, form(store=stores[0].pk, count=1))
    assert answer.url == f"{at('count_tally', trailer)}#store-{bill.pk}-{stores[0].pk}"
    assert "<span data-figure>6</span> / 2" in text(page.get(at("count_tally", trailer)))
    scan(page, trailer, sscc(1))
    assert page.post(at("count_undo", trailer), form(to="tally", what="tap")).url == at("count_tally", trailer)
    assert sum(TallyTap.objects.values_list("count", flat=True)) == 5


@pytest.mark.parametrize(("count", "code"), [("0", "tally_out_of_range"), ("-1", "tally_below_none"), ("x", "invalid")])
def test_a_tap_that_cannot_be_is_refused(page, trailer, stores, count, code):
    sent = form(store=stores[0].pk, count=count)
    answer = page.post(at("count_tally_tap", trailer, trailer.shipments.get().pk), sent, **JSON)
    assert answer.status_code == 422
    assert errors(answer) == [(code, "count")]
    assert not TallyTap.objects.exists()


def test_a_store_of_another_account_is_refused(page, trailer, site):
    stranger = make_store(site, make_account())
    answer = page.post(
        at("count_tally_tap", trailer, trailer.shipments.get().pk), form(store=stranger.pk, count=1), **JSON
    )
    assert errors(answer) == [("invalid_choice", "store")]


def test_another_trailers_bill_is_not_found(page, trailer, site, alice):
    other = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING)
    assert page.post(at("count_tally_tap", trailer, other.shipments.get().pk), form(count=1)).status_code == 404


# --- a file of scans --------------------------------------------------------------------------------------------------


def upload(page, trailer, data, name="scans.csv", **headers):
    sent = form(file=SimpleUploadedFile(name, data.encode() if isinstance(data, str) else data))
    return page.post(at("count_file", trailer), sent, **headers)


def test_a_file_is_reported_line_by_line_odd_ones_first(page, trailer):
    answer = upload(page, trailer, f"carton id,time\n{sscc(1)},2026-03-02 10:00\nNOPE,soon\n")
    assert answer.status_code == 302
    shown = text(page.get(answer.url))
    assert "scans.csv is taken in" in shown
    assert "1 times could not be read" in shown
    assert shown.index("On no list") < shown.index("Counted</td>")
    assert Scan.objects.filter(how="file").count() == 2
    (seq,) = parse_qs(urlsplit(answer.url).query)["report"]
    assert Event.objects.get(seq=seq).after["lines"] == [2, 3]


def test_a_script_gets_the_report_as_json(page, trailer):
    answer = upload(page, trailer, f"{sscc(1)}\n{sscc(1)}\n", **JSON)
    assert [(told["line"], told["result"]) for told in answer.json()["scans"]] == [(1, "counted"), (2, "already")]


@pytest.mark.parametrize(
    ("data", "code"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "no_label_column"),
        ("carton id,time\n,\n , \n", "no_scans"),
        (b"\x89PNG\r\n\x1a\n" + b"\0" * 50, "not_a_table"),
        ("carton id\n" + "A\n" * 5001, "too_many_rows"),
    ],
)
def test_a_file_that_holds_no_scans_is_refused_with_a_sentence(page, trailer, data, code):
    answer = upload(page, trailer, data, **JSON)
    assert answer.status_code == 422
    assert errors(answer) == [(code, "file")]
    assert not Scan.objects.exists()


def test_no_file_is_told(page, trailer):
    answer = page.post(at("count_file", trailer), form())
    assert answer.status_code == 422
    assert "Choose the file of scans first." in text(answer)


@pytest.mark.parametrize("report", ["x", "99", "9" * 40, "1"])
def test_a_report_that_is_none_is_just_the_page(page, trailer, report):
    answer = page.get(at("count_file", trailer), {"report": report})
    assert answer.status_code == 200
    assert "is taken in" not in text(answer)


# --- pallets ----------------------------------------------------------------------------------------------------------


def test_a_pallet_is_opened_on_the_way_and_counted_onto(page, site, trailer, stores):
    there = page.get(reverse("pallets", args=["NOR"]), {"trailer": trailer.number})
    assert f'name="trailer" value="{trailer.number}"' in text(there)
    sent = form(store=stores[0].pk, staging="B4", trailer=trailer.number)
    answer = page.post(reverse("pallet_new", args=["NOR"]), sent)
    assert answer.url == at("count", trailer) + "?pallet=1"
    assert "L-1 · 0417 · B4" in text(page.get(answer.url))
    assert "L-1</p>" in text(scan(page, trailer, sscc(1), PART, pallet=1))
    assert Pallet.objects.get().cartons.count() == 1


def test_a_pallet_is_closed_once(page, site, alice, stores):
    counting.open_pallet(site, store=stores[0], uuid=uuid.uuid4(), actor=alice, at=NOON)
    close = reverse("pallet_close", args=["NOR", 1])
    assert page.post(close, form()).status_code == 302
    assert "closed and wrapped" in text(page.get(reverse("pallets", args=["NOR"])))
    assert page.post(close, form(), **JSON).status_code == 409


def test_a_pallet_without_a_store_is_refused_and_keeps_what_was_typed(page, site):
    answer = page.post(reverse("pallet_new", args=["NOR"]), form(staging="B4", delivery_day="someday"))
    assert answer.status_code == 422
    assert 'value="B4"' in text(answer)
    assert 'value="someday"' in text(answer)
    assert not Pallet.objects.exists()


# --- the list for the phone -------------------------------------------------------------------------------------------


def carton_list(page, trailer, **headers):
    return page.get(at("cartons_json", trailer), headers=headers)


def test_the_phones_list_names_every_carton_and_the_stores_once(page, site, trailer, alice, account, stores):
    other = make_trailer(site, alice, account, stores, 2, start=900)
    pallet = counting.open_pallet(site, store=stores[0], uuid=uuid.uuid4(), actor=alice, at=NOON)
    Carton.objects.filter(label=sscc(3)).update(new_store=stores[1], fragile=True)
    scan(page, trailer, sscc(1), pallet=pallet.number)
    found = carton_list(page, trailer).json()
    names = [number for number, _name in found["stores"]]
    assert [(row[0], names[row[1]]) for row in found["cartons"]] == [
        (sscc(1), "0417"),
        (sscc(2), "0105"),
        (sscc(3), "0417"),
        (sscc(4), "0105"),
    ]
    counted, waiting, rerouted = found["cartons"][:3]
    assert (counted[2], counted[3], found["people"][counted[6]]) == (1, 1, "Alice")
    assert (len(waiting), names[rerouted[8]], rerouted[10]) == (2, "0105", 4)
    assert found["pallets"] == [[1, "L-1", names.index("0417")]]
    assert found["others"] == [[other.number, other.trailer_number, "unloading"]]
    assert found["running"] == [4, 1, 3, 0]
    assert found["why_not"] == ""


def test_an_unchanged_list_is_not_sent_again(page, trailer):
    first = carton_list(page, trailer)
    again = carton_list(page, trailer, if_none_match=first["ETag"])
    assert (again.status_code, again.content, again["ETag"]) == (304, b"", first["ETag"])
    assert again["X-List-At"] > first["X-List-At"]
    scan(page, trailer, sscc(1))
    changed = carton_list(page, trailer, if_none_match=first["ETag"])
    assert (changed.status_code, changed["ETag"] == first["ETag"]) == (200, False)


def test_a_list_of_900_cartons_stays_small_and_costs_the_same(page, site, alice, account, stores):
    many = [
        make_store(site, account, f"{number:04d}", name=f"Store in Street {number}") for number in range(2000, 2090)
    ]
    small = make_trailer(site, alice, account, stores, 1, start=1)
    large = make_trailer(site, alice, account, many, 900, start=100)
    rows = [{"uuid": str(uuid.uuid4()), "label": sscc(label)} for label in range(100, 600)]
    assert page.post(at("count_scan", large), form(labels=json.dumps(rows)), **JSON).status_code == 201
    assert len(carton_list(page, large).content) < 60_000
    few = statements(lambda: carton_list(page, small))
    assert statements(lambda: carton_list(page, large)) == few
    assert few <= 14


def test_a_paused_trailer_says_so_in_the_list(page, trailer, alice):
    dock.pause(trailer, held_by="guard", actor=alice, at=NOON)
    assert "Unload again before you count." in carton_list(page, trailer).json()["why_not"]


def test_the_list_knows_how_the_clock_changes(page, site, trailer):
    zone = carton_list(page, trailer).json()["zone"]
    assert {name for _second, _offset, name in zone} == {"CST", "CDT"}
    for second, offset, name in zone[1:]:
        before, after = (datetime.fromtimestamp(second + step, clock.zone(site.time_zone)) for step in (-1, 0))
        assert after.tzname() == name != before.tzname()
        assert after.utcoffset().total_seconds() == offset


# --- who may, and what it costs ---------------------------------------------------------------------------------------

POSTS = ["count_scan", "count_undo", "count_file"]


@pytest.mark.parametrize("name", ["count", "count_tally", "cartons_json", *POSTS])
def test_who_may(client, site, trailer, name):
    def ask():
        sent = form(label=sscc(1))
        return client.post(at(name, trailer), sent) if name in POSTS else client.get(at(name, trailer))

    assert ask()["Location"].startswith(reverse("login"))
    client.force_login(make_person("receiver", make_site("SOU")))
    assert ask().status_code == 404
    client.force_login(make_person("clerk", site))
    assert ask().status_code == 403
    assert not Scan.objects.exists()


def test_anybody_of_the_site_sees_pallets_and_only_the_floor_opens_them(client, site, stores):
    client.force_login(make_person("viewer", site))
    shown = text(client.get(reverse("pallets", args=["NOR"])))
    assert "Open a pallet" not in shown
    assert client.post(reverse("pallet_new", args=["NOR"]), form(store=stores[0].pk)).status_code == 403


def statements(ask):
    with CaptureQueriesContext(connection) as made:
        assert ask().status_code in (200, 201)
    return len(made)


@pytest.mark.parametrize("headers", [JSON, PART, {}], ids=["json", "part", "page"])
def test_a_scan_costs_the_same_with_1_and_900_cartons(page, site, alice, account, stores, headers):
    small = make_trailer(site, alice, account, stores, 1, start=1)
    large = make_trailer(site, alice, account, stores, 900, start=100)
    few = statements(lambda: scan(page, small, sscc(1), headers))
    assert statements(lambda: scan(page, large, sscc(100), headers)) == few
    assert few <= (26 if headers else 40)


def test_the_pages_cost_the_same_with_1_and_900_cartons(page, site, alice, account, stores):
    small = make_trailer(site, alice, account, stores, 1, start=1)
    large = make_trailer(site, alice, account, stores, 900, start=100)
    for label in range(100, 120):
        scan(page, large, sscc(label))
    for name in ("count", "count_tally"):
        assert statements(lambda name=name: page.get(at(name, large))) == statements(
            lambda name=name: page.get(at(name, small))
        )
