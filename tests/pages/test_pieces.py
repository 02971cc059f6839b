"""The list of pieces: its filter, its pages, its counts, its files."""

import csv
import io
from datetime import UTC, datetime, timedelta
from urllib.parse import parse_qs, urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from receiving import paging
from receiving.enums import ArrivalState
from receiving.models import Photo
from receiving.views import pieces as views
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_carrier,
    make_code,
    make_person,
    make_piece,
    make_shipment,
    make_site,
    make_store,
    sscc,
)

pytestmark = pytest.mark.django_db
CR = {"code": "CR", "label": "crushed", "label_es": "aplastado", "stop_card": "none", "min_photos": 1}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("viewer", site, "alice")


@pytest.fixture
def viewer(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture
def arrival(site, alice):
    return make_arrival(site, actor=alice, state=ArrivalState.EXPECTED, pieces=10, trailer_number="TR 007")


def address(query="", name="pieces", *more):
    return reverse(name, args=["NOR", *more]) + (f"?{query}" if query else "")


def listed(answer):
    """The numbers of the pieces on the page, in order."""
    assert answer.status_code == 200
    return [row.number for row in answer.context["rows"]]


def shown(viewer, query):
    return listed(viewer.get(address(query)))


# -- who may see it --


def test_somebody_logged_out_is_sent_to_the_login(client, site):
    for name, more in (("pieces", ()), ("pieces_export", ("csv",))):
        answer = client.get(address("", name, *more))
        assert (answer.status_code, answer.url.split("?")[0]) == (302, reverse("login"))


def test_another_site_s_pieces_do_not_exist(client, site):
    client.force_login(make_person("lead", make_site("SOU"), "bob"))
    assert client.get(address()).status_code == 404
    assert client.get(address("", "pieces_export", "csv")).status_code == 404


@pytest.mark.parametrize("role", ["receiver", "lead", "clerk", "manager", "viewer"])
def test_every_role_sees_the_list_and_its_files(client, site, role):
    client.force_login(make_person(role, site))
    assert client.get(address()).status_code == 200
    assert client.get(address("", "pieces_export", "csv")).status_code == 200


def test_nothing_is_posted_here(viewer, site):
    assert viewer.post(address()).status_code == 405
    assert viewer.post(address("", "pieces_export", "xlsx")).status_code == 405


def test_only_this_site_s_pieces_are_listed(viewer, arrival, alice):
    mine = make_piece(arrival, actor=alice)
    south = make_site("SOU")
    make_piece(make_arrival(south, actor=make_person("lead", south), pieces=5), actor=alice)
    assert shown(viewer, "") == [mine.number]
    lines = export(viewer, "csv")
    assert [line[0] for line in lines[1:]] == [str(mine)]


def test_an_empty_site_says_what_to_do(client, site):
    client.force_login(make_person("receiver", site))
    page = client.get(address()).content.decode()
    assert "No piece has been logged here yet." in page
    assert reverse("log", args=["NOR"]) in page


# -- filters --


@pytest.fixture
def world(site, alice, arrival):
    """One piece that differs in everything from the other."""
    make_code(site)
    other = make_arrival(site, actor=alice, carrier=make_carrier("Birch Freight"), trailer_number="TR 008")
    bill = make_shipment(other, actor=alice, account=make_account("Juniper Foods"))
    stores = [make_store(site, bill.account, number) for number in ("0417", "0555")]
    make_piece(arrival, actor=alice, at=NOON - timedelta(days=40), kind="short", label="BOX 9")
    special = make_piece(
        other,
        actor=alice,
        state="void",
        codes=[CR],
        store=stores[0],
        new_store=stores[1],
        label=sscc(5),
        note="torn at the “=1+1” corner",
        where_found="conveyor",
        attribution="own",
        disposition="held",
        after_release=True,
        number=71234,
    )
    return {"special": special, "carrier": other.carrier, "account": bill.account, "trailer": other}


@pytest.mark.parametrize(
    "query",
    [
        "kind=damaged",
        "state=void",
        "code=CR",
        "trailer=tr008",
        "trailer=T-{trailer.number}",
        "trailer={trailer.number}",
        "carrier={carrier.pk}",
        "account={account.pk}",
        "store=0417",
        "store=0555",
        "where_found=conveyor",
        "attribution=own",
        "disposition=held",
        "first_day=2026-03-01",
        "last_day=2026-03-02&first_day=2026-03-02",
        "after_release=yes",
        "text=P-71234",
        "text=71234",
        "text=TORN",
        "text=%5DC100{special.label}",
        "text=1 9521234",
        "kind=damaged&state=void&code=CR&store=0417&text=corner&attribution=own&trailer=TR-008",
    ],
)
def test_each_filter_leaves_what_it_names(viewer, world, query):
    assert shown(viewer, query.format(**world)) == [world["special"].number]


@pytest.mark.parametrize(
    "query",
    ["kind=short", "where_found=none", "attribution=none", "disposition=none", "after_release=no", "text=box+9"]
    + ["last_day=2026-03-01", "state=open", "trailer=TR007"],
)
def test_each_filter_leaves_out_what_it_does_not_name(viewer, world, query):
    numbers = shown(viewer, query)
    assert len(numbers) == 1
    assert world["special"].number not in numbers


def test_days_are_the_site_s_days_and_whole(viewer, arrival, alice):
    """In Chicago 2 March 2026 goes from 06:00 to 06:00 UTC."""
    first = datetime(2026, 3, 2, 6, tzinfo=UTC)
    inside = [make_piece(arrival, actor=alice, at=at) for at in (first, first + timedelta(hours=23, minutes=59))]
    for at in (first - timedelta(microseconds=1), first + timedelta(days=1)):
        make_piece(arrival, actor=alice, at=at)
    assert shown(viewer, "first_day=2026-03-02&last_day=2026-03-02") == [piece.number for piece in reversed(inside)]


def test_a_code_is_found_by_its_own_letters_only(viewer, site, arrival, alice):
    make_code(site, "C", label="CR")
    make_code(site, "CR")
    make_piece(arrival, actor=alice, codes=[CR | {"code": "C", "label": '"code": "CR"'}])
    crushed = make_piece(arrival, actor=alice, codes=[CR | {"code": "WT"}, CR])
    assert shown(viewer, "code=CR") == [crushed.number]


@pytest.mark.parametrize(
    ("query", "field", "sentence"),
    [
        ("trailer=NOSUCH", "trailer", "No trailer “NOSUCH” has been here."),
        ("store=9999", "store", "NOR has no store “9999”."),
        ("first_day=2026-02-30", "first_day", "“2026-02-30” is no day on the calendar."),
        ("first_day=0001-01-01", "first_day", "“0001-01-01” is no day on the calendar."),
        ("last_day=9999-12-31", "last_day", "“9999-12-31” is no day on the calendar."),
        ("first_day=2026-03-02&last_day=2026-03-01", "last_day", "The last day is before the first."),
        ("kind=broken", "kind", "broken"),
        ("carrier=0", "carrier", "not one of the available choices"),
        ("text=%00", "text", "Null characters"),
        ("text=" + "x" * 101, "text", "at most 100 characters"),
        ("state=' OR 1=1 --", "state", "not one of the available choices"),
    ],
)
def test_a_filter_that_cannot_be_read_is_told_and_kept(viewer, arrival, alice, query, field, sentence):
    make_piece(arrival, actor=alice)
    answer = viewer.get(address(f"{query}&disposition=held"))
    assert answer.status_code == 422
    page = answer.content.decode()
    assert sentence in " ".join(answer.context["form"].errors[field])
    assert f'href="#id_{field}"' in page
    assert '<option value="held" selected>' in page
    assert "rows" not in answer.context
    assert viewer.get(address(query, "pieces_export", "csv")).status_code == 302


def test_typed_text_is_only_ever_text(viewer, arrival, alice):
    make_piece(arrival, actor=alice, note="<script>alert(1)</script>", label="<B>")
    page = viewer.get(address("text=<script>")).content.decode()
    assert 'value="&lt;script&gt;"' in page
    assert "<script>alert" not in page
    assert "&lt;B&gt;" in page


def test_nothing_found_offers_a_way_out(viewer, arrival, alice):
    make_piece(arrival, actor=alice)
    page = viewer.get(address("kind=over")).content.decode()
    assert "No piece matches." in page
    assert f'href="{address()}"' in page


# -- pages and counts --


@pytest.fixture
def small_pages(monkeypatch):
    monkeypatch.setattr(paging.page, "__kwdefaults__", paging.page.__kwdefaults__ | {"size": 2})


def test_pages_go_both_ways_and_keep_the_filter(viewer, arrival, alice, small_pages):
    numbers = [make_piece(arrival, actor=alice, at=NOON + timedelta(minutes=n)).number for n in range(5)][::-1]
    make_piece(arrival, actor=alice, kind="over")
    first = viewer.get(address("kind=damaged"))
    second = viewer.get(first.context["older"])
    third = viewer.get(second.context["older"])
    assert listed(first) + listed(second) + listed(third) == numbers
    assert (first.context["newer"], third.context["older"]) == (None, None)
    assert listed(viewer.get(third.context["newer"])) == listed(second)
    assert parse_qs(urlsplit(second.context["older"]).query)["kind"] == ["damaged"]


@pytest.mark.parametrize("key", ["older=x", "newer=1.2.3", "older=%00", "older=" + "9" * 300])
def test_a_damaged_page_address_leads_to_the_newest_page(viewer, arrival, alice, key):
    piece = make_piece(arrival, actor=alice)
    answer = viewer.get(address(f"kind=damaged&{key}"), follow=True)
    assert answer.redirect_chain == [(address("kind=damaged"), 302)]
    assert listed(answer) == [piece.number]
    assert "That address names no page of this list." in answer.content.decode()


def test_a_rare_match_far_back_is_offered_not_hidden(viewer, arrival, alice, monkeypatch):
    monkeypatch.setattr(paging, "STRIDES", (2, 2))
    pieces = [make_piece(arrival, actor=alice, at=NOON + timedelta(minutes=n)) for n in range(8)]
    pieces[0].note = "torn"
    pieces[0].save()
    first = viewer.get(address("text=torn"))
    assert listed(first) == []
    assert "Look further back" in first.content.decode()
    assert listed(viewer.get(first.context["older"])) == [pieces[0].number]


def test_counts_say_what_each_choice_would_show(viewer, arrival, alice):
    for kind, state in [("damaged", "open"), ("damaged", "open"), ("damaged", "void"), ("short", "found")]:
        make_piece(arrival, actor=alice, kind=kind, state=state)
    context = viewer.get(address("kind=damaged")).context
    assert numbers(context["states"]) == {"all": 3, "open": 2, "found": 0, "matched": 0, "void": 1}
    assert numbers(context["kinds"])["all"] == 4
    assert numbers(context["kinds"])["short"] == 1
    assert [entry["words"] for entry in context["kinds"] if entry["current"]] == ["damaged"]
    for entry in [*context["states"], *context["kinds"]]:
        assert len(shown(viewer, urlsplit(entry["url"]).query)) == entry["number"]


def numbers(entries):
    return {str(entry["words"]): entry["number"] for entry in entries}


def test_counts_stop_at_a_thousand(viewer, arrival, alice, monkeypatch):
    monkeypatch.setattr(views, "COUNTED", 3)
    for _ in range(5):
        make_piece(arrival, actor=alice)
    make_piece(arrival, actor=alice, kind="over")
    counts = numbers(viewer.get(address()).context["kinds"])
    assert (counts["all"], counts["damaged"], counts["over"]) == ("3+", "3+", 1)


def test_one_and_fifty_pieces_cost_the_same_queries(viewer, site, arrival, alice):
    def fill(count):
        for _ in range(count):
            piece = make_piece(arrival, actor=alice, store=make_store(site, arrival.shipments.get().account))
            Photo.objects.create(
                site=site, arrival=arrival, discrepancy=piece, actor=alice, purpose="piece", size=1, width=4, height=3
            )

    def queries(query=""):
        with CaptureQueriesContext(connection) as captured:
            assert viewer.get(address(query)).status_code == 200
        return len(captured)

    fill(1)
    few = queries(), queries("text=x"), queries("kind=damaged&attribution=none")
    fill(49)
    assert len(shown(viewer, "")) == 50
    assert (queries(), queries("text=x"), queries("kind=damaged&attribution=none")) == few
    assert max(few) <= 16


def test_a_row_shows_its_first_photo_late(viewer, site, arrival, alice):
    piece = make_piece(arrival, actor=alice)
    given = {"site": site, "arrival": arrival, "discrepancy": piece, "actor": alice, "size": 1, "width": 4, "height": 3}
    first, second = (Photo.objects.create(purpose="piece", **given) for _ in range(2))
    page = viewer.get(address()).content.decode()
    assert reverse("photo_thumbnail", args=["NOR", first.uuid]) in page
    assert str(second.uuid) not in page
    assert page.count('loading="lazy"') == 1


# -- files --


def export(viewer, suffix, query=""):
    """The rows of the file as a reader of that kind sees them."""
    answer = viewer.get(address(query, "pieces_export", suffix))
    assert answer.status_code == 200
    data = b"".join(answer.streaming_content)
    if suffix == "csv":
        assert data.startswith(b"\xef\xbb\xbf")
        return list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    sheet = load_workbook(io.BytesIO(data)).active
    return [["" if value is None else value for value in row] for row in sheet.iter_rows(values_only=True)]


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_the_file_holds_all_pages_of_what_is_shown(viewer, arrival, alice, small_pages, suffix):
    numbers = [make_piece(arrival, actor=alice, at=NOON + timedelta(minutes=n)).number for n in range(5)][::-1]
    make_piece(arrival, actor=alice, kind="over")
    rows = export(viewer, suffix, "kind=damaged&older=1.1")
    assert [row[0] for row in rows] == ["Piece", *(f"P-{number}" for number in numbers)]
    assert rows[0] == views.headings()


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_every_column_says_what_the_record_says(viewer, world, suffix):
    head, line = export(viewer, suffix, "state=void")
    row = dict(zip(head, line, strict=True))
    assert row["Label"] == sscc(5)
    assert row["Damage"] == "crushed (CR)"
    assert (row["Account"], row["Carrier"]) == ("Juniper Foods", "Birch Freight")
    assert (row["Store"], row["New store"]) == ("0417", "0555")
    assert (row["Where found"], row["Attributed to"]) == ("on the conveyor", "our own handling")
    found = {"csv": "2026-03-02 12:00 CST", "xlsx": datetime.fromisoformat("2026-03-02T12:00")}
    assert row["Found"] == found[suffix]
    assert (row["After release"], str(row["Photos"])) == ("yes", "0")
    assert row["Trailer"] == str(world["trailer"])


@pytest.mark.parametrize("suffix", ["csv", "xlsx"])
def test_text_stays_text(viewer, arrival, alice, suffix):
    make_piece(arrival, actor=alice, note="=HYPERLINK(1)", label="0012")
    head, line = export(viewer, suffix)
    row = dict(zip(head, line, strict=True))
    assert row["Note"] == ("'=HYPERLINK(1)" if suffix == "csv" else "=HYPERLINK(1)")
    assert row["Label"] == "0012"


def test_the_file_is_named_for_site_and_day(viewer, site, time_machine_at):
    time_machine_at(datetime(2026, 3, 3, 5, 30, tzinfo=UTC))
    for suffix in ("csv", "xlsx"):
        answer = viewer.get(address("", "pieces_export", suffix))
        assert b"".join(answer.streaming_content)
        assert answer["Content-Disposition"] == f'attachment; filename="NOR-pieces-2026-03-02.{suffix}"'


@pytest.fixture
def time_machine_at(monkeypatch):
    def stop(moment):
        monkeypatch.setattr(views.timezone, "now", lambda: moment)

    return stop


def test_a_workbook_has_a_limit_that_is_told(viewer, arrival, alice, monkeypatch):
    monkeypatch.setattr(views, "WORKBOOK_ROWS", 2)
    for _ in range(2):
        make_piece(arrival, actor=alice)
    assert len(export(viewer, "xlsx")) == 3
    make_piece(arrival, actor=alice)
    answer = viewer.get(address("kind=damaged", "pieces_export", "xlsx"), follow=True)
    assert answer.redirect_chain == [(address("kind=damaged"), 302)]
    assert "More than 2 pieces match, too many for one workbook." in answer.content.decode()
    assert len(export(viewer, "csv")) == 4
    scripted = viewer.get(address("", "pieces_export", "xlsx"), headers={"Accept": "application/json"})
    assert (scripted.status_code, scripted.json()["errors"][0]["code"]) == (422, "too_many_rows")


def test_a_file_of_another_kind_does_not_exist(viewer, site):
    assert viewer.get(address("", "pieces_export", "ods")).status_code == 404


def test_the_file_speaks_the_person_s_language(client, site, arrival, alice):
    make_piece(arrival, actor=alice, codes=[CR])
    client.force_login(make_person("viewer", site, language="es"))
    assert any("aplastado (CR)" in line for line in export(client, "csv")[1])


def test_a_file_costs_queries_by_the_thousand_not_by_the_piece(viewer, arrival, alice):
    def queries():
        with CaptureQueriesContext(connection) as captured:
            export(viewer, "csv")
        return len(captured)

    make_piece(arrival, actor=alice)
    few = queries()
    for _ in range(30):
        make_piece(arrival, actor=alice)
    assert queries() == few
