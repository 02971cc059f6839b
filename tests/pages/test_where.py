"""Where pieces are found and what is wrong with them: the page, its filter, its links, its files."""

import csv
import re
from datetime import UTC, datetime
from io import BytesIO, StringIO

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from receiving.enums import ArrivalState
from tests.builders import make_account, make_arrival, make_carrier, make_code, make_person, make_piece, make_site

pytestmark = pytest.mark.django_db
MARCH = datetime(2026, 3, 10, 15, tzinfo=UTC)
CRUSHED = {"code": "CR", "label": "crushed", "label_es": ""}
WET = {"code": "WE", "label": "wet", "label_es": ""}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def lead(site):
    return make_person("lead", site, "lead")


@pytest.fixture
def signed_in(client, site):
    client.force_login(make_person("manager", site, "manager"))
    return client


@pytest.fixture
def log(site, lead):
    trailer = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=100)

    def make(**fields):
        given = {"where_found": "in_trailer", "attribution": "transit", "codes": [CRUSHED], "at": MARCH}
        return make_piece(fields.pop("arrival", trailer), actor=lead, **(given | fields))

    return make


@pytest.fixture
def some(site, log):
    """Six crushed cartons on the way in, four wet ones of our own on the pallet, one that nobody can tell."""
    make_code(site, "CR"), make_code(site, "WE", label="wet")
    log(), log(quantity=5)
    log(where_found="pallet", attribution="own", codes=[WET, CRUSHED], quantity=4)
    log(where_found="store", attribution="cannot_tell", codes=[])


def at(site, name="carriers_where", *more, **query):
    return reverse(name, args=[site.code, *more], query=query)


def text(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def words(page):
    return re.sub(r"\s+", " ", re.sub(r"<svg.*?</svg>|<[^>]+>", " ", page, flags=re.S))


def rows(page, name):
    table = page.partition(f'aria-labelledby="{name}"')[2].partition("</table>")[0]
    return [words(row).strip() for row in re.findall(r"<tr.*?</tr>", table, re.S)][1:]


def test_the_tables_count_cartons_by_place_and_damage_with_our_own_handling(signed_in, site, some):
    page = text(signed_in, at(site))
    assert "4 open pieces, cartons: 11." in words(page) and "our own handling included" in page
    assert rows(page, "byplace") == [
        "in the trailer, before moving 6 – – 6 2",
        "on the pallet – 4 – 4 1",
        "by the store – – 1 1 1",
        "Together 6 4 1 11 4",
    ]
    assert rows(page, "bydamage") == ["crushed 6 4 – 10 3", "wet – 4 – 4 1"]


def test_the_charts_say_what_the_tables_say_and_their_bars_are_links(signed_in, site, some):
    page = text(signed_in, at(site))
    drawings = re.findall(r"<svg role.*?</svg>", page, re.S)
    assert len(drawings) == 6, "three charts, each for a desk and for a phone"
    assert "in the trailer, before moving: cartons 6" in drawings[0]
    assert "our own handling: cartons 4" in drawings[2] and "wet: cartons 4" in drawings[4]
    assert len(set(re.findall(r'id="([a-z]+-(?:wide|narrow)-title)"', page))) == 6
    assert all("<a href" in drawing for drawing in drawings) and 'style="' not in page


def test_every_number_leads_to_a_list_of_that_many_pieces(signed_in, site, some, log):
    log(kind="over", codes=[], quantity=9)
    page = text(signed_in, at(site))
    tables = "".join(re.findall(r"<table.*?</table>", page, re.S))
    links = re.findall(r'<a href="([^"]+)">(?:<b>)?(\d+)', tables)
    assert len(links) == 3 + 3 + 3 + 3 + 2
    for link, cartons in links:
        listed = signed_in.get(link.replace("&amp;", "&"))
        assert listed.status_code == 200
        assert sum(row.quantity for row in listed.context["rows"]) == int(cartons), link


def test_filters_narrow_by_months_kind_account_and_carrier(signed_in, site, lead, some, log):
    account, carrier = make_account("Brook & Sons"), make_carrier("Alder")
    other = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=9, account=account, carrier=carrier)
    log(arrival=other, quantity=20, at=MARCH.replace(month=5))
    log(kind="over", quantity=40, codes=[])
    log(quantity=80, at=MARCH.replace(year=2025, month=4))

    def cartons(**query):
        return signed_in.get(at(site, **query)).context["found"].total.cartons

    assert cartons() == 31, "twelve months up to that of the newest piece"
    assert cartons(last="2026-03") == 91
    assert cartons(first="2026-05", last="2026-05") == 20
    assert cartons(first="2025-04") == 111
    assert cartons(account=account.pk) == cartons(carrier=carrier.pk) == 20
    assert cartons(kind="over") == 40 and cartons(kind="any") == 71
    said = words(text(signed_in, at(site, account=account.pk, carrier=carrier.pk)))
    assert "damaged · June 2025 to May 2026 · NOR Dock NOR · Brook &amp; Sons · Alder" in said
    link = signed_in.get(at(site, carrier=carrier.pk)).context["place_lines"][0]["url"]
    assert f"carrier={carrier.pk}" in link and "first_day=2025-06-01" in link and "last_day=2026-05-31" in link


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ({"last": "2019-01"}, "no piece was found here"),
        ({"first": "soon"}, "no piece was found here"),
        ({"kind": "set_aside"}, "damaged, short, over or rerouted"),
        ({"account": "x"}, "no such account"),
        ({"carrier": "999"}, "no such carrier"),
        ({"first": "2026-04", "last": "2026-03"}, "after the last"),
    ],
)
def test_a_filter_that_cannot_be_read_is_named(signed_in, site, some, log, query, sentence):
    log(at=MARCH.replace(month=4))
    answer = signed_in.get(at(site, **query))
    assert answer.status_code == 422 and sentence in answer.content.decode()
    assert signed_in.get(at(site, "carriers_where_export", "csv", **query)).status_code == 302
    asked = signed_in.get(at(site, "carriers_where_export", "csv", **query), headers={"accept": "application/json"})
    assert asked.status_code == 422 and sentence in asked.json()["errors"][0]["message"]


def test_nothing_logged_and_nothing_matching_say_what_to_do(signed_in, site, log):
    page = text(signed_in, at(site))
    assert "No piece has been logged here yet." in page and at(site, "doors") in page and "Found up to" not in page
    assert signed_in.get(at(site, "carriers_where_export", "csv")).status_code == 302
    log()
    assert "No open piece matches." in text(signed_in, at(site, kind="over"))


def test_many_kinds_of_damage_are_drawn_in_part_and_listed_in_full(signed_in, site, log):
    for n in range(15):
        log(codes=[{"code": f"C{n}", "label": f"kind {n}"}], quantity=20 - n)
    page = text(signed_in, at(site))
    assert len(rows(page, "bydamage")) == 15 and "The 12 commonest" in page
    drawn = re.findall(r"<svg role.*?</svg>", page, re.S)[4]
    assert "kind 11:" in drawn and "kind 12:" not in drawn


def test_words_of_the_site_are_text(signed_in, site, log):
    log(codes=[{"code": "X", "label": "<script>x</script>"}])
    page = text(signed_in, at(site))
    assert "<script>x" not in page and "&lt;script&gt;x" in page


def test_files_hold_what_the_tables_hold(signed_in, site, some):
    answer = signed_in.get(at(site, "carriers_where_export", "csv"))
    told = answer.getvalue().decode("utf-8-sig")
    found = [tuple(row.values()) for row in csv.DictReader(StringIO(told))]
    assert found == [
        ("Where found", "in the trailer, before moving", "in transit", "2", "6"),
        ("Where found", "on the pallet", "our own handling", "1", "4"),
        ("Where found", "by the store", "cannot tell", "1", "1"),
        ("Damage", "crushed", "in transit", "2", "6"),
        ("Damage", "crushed", "our own handling", "1", "4"),
        ("Damage", "wet", "our own handling", "1", "4"),
    ]
    workbook = signed_in.get(at(site, "carriers_where_export", "xlsx"))
    assert "NOR-where-2025-04-2026-03.xlsx" in workbook["Content-Disposition"]
    sheet = load_workbook(BytesIO(b"".join(workbook.streaming_content))).worksheets[0]
    assert [cell.value for cell in list(sheet.iter_rows())[1]] == list(found[0][:3]) + [2, 6]
    assert signed_in.get(at(site, "carriers_where_export", "pdf")).status_code == 404


def test_the_tabs_of_carriers_lead_here(signed_in, site):
    assert f'href="{at(site)}"' in text(signed_in, at(site, "carriers"))


def test_queries_do_not_grow_with_pieces(signed_in, site, log):
    def cost():
        with CaptureQueriesContext(connection) as asked:
            text(signed_in, at(site))
        return len(asked)

    log()
    text(signed_in, at(site))
    one = cost()
    for where in ("conveyor", "pallet", "staging"):
        for whose in ("own", "transit", ""):
            log(where_found=where, attribution=whose, codes=[CRUSHED, WET])
    assert cost() == one <= 14
