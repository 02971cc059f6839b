"""Carriers side by side: what the page says, its filters, what is behind its figures, and its files."""

import csv
import re
from datetime import date
from io import BytesIO, StringIO
from urllib.parse import urljoin

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from claims import behind, months
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.carriers import make_counts, make_seven

pytestmark = pytest.mark.django_db
EVEN = "9 0 4 1 1 " * 8


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def manager(site):
    return make_person("manager", site, "manager")


@pytest.fixture
def signed_in(client, manager):
    client.force_login(manager)
    return client


@pytest.fixture
def account():
    return make_account("Juniper Home Stores")


@pytest.fixture
def seven(site, account):
    return make_seven(site, account=account)


def at(site, name="carriers", *more, **query):
    return reverse(name, args=[site.code, *more], query=query)


def near(site, address):
    """An address as seen from the page of all carriers."""
    return address.removeprefix(at(site))


def text(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def words(page):
    """What a page says, without its tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def rows(page):
    """{carrier: what its row of figures says}"""
    table = page.partition('aria-labelledby="figures"')[2].partition("</table>")[0]
    found = [words(row).strip() for row in re.findall(r"<tr>(.*?)</tr>", table, re.S)]
    return {row.split()[0]: row for row in found if row.split()[0] != "Carrier"}


# --- what it says -----------------------------------------------------------------------------------------------------


def test_one_sentence_on_top_says_who_is_really_worse_with_its_range(signed_in, site, seven):
    said = words(text(signed_in, at(site)))
    assert "Really worse: Birch, with 365 damaged cartons where about 136 would be usual." in said
    assert said.index("Really worse") < said.index("Months up to")
    assert "Likely range 11.5 to 23.5 per 1,000." in said


def test_what_stands_out_leads_to_the_trailers_that_made_it_most_first(signed_in, site, account):
    oak = "Juniper 900*40 {0}\nLarch 900*40 {0}\nMaple 900*40 {0}\nOak 900*6 70 3 2 4 1 5"
    carriers = make_seven(site, oak.format(EVEN), account=account)
    page = text(signed_in, at(site))
    assert "Oak: 85 damaged cartons, 70 of them in one trailer." in words(page)
    address = at(site, "carriers_behind", carriers["Oak"].pk, "touched")
    assert f'href="{near(site, address)}">The trailers of Oak' in page
    assert [row.events for row in signed_in.get(address).context["trailers"]] == [70, 5, 4, 3, 2, 1]


def test_names_and_marks_lead_to_the_carrier_under_the_same_filter(signed_in, site, seven):
    page = text(signed_in, at(site, kind="damaged"))
    address = at(site, "carrier", seven["Birch"].pk, kind="damaged")
    # Two charts in two widths, what stands out, two tables.
    assert page.count(f'<a href="{near(site, address)}">') == 2 * 2 + 3
    assert text(signed_in, address)


def test_the_table_stands_in_the_shrunken_order_with_a_range_at_every_rate(signed_in, site, seven):
    found = rows(text(signed_in, at(site)))
    assert list(found) == ["Birch", "Gorse", "Cedar", "Dogwood", "Fir", "Elm", "Alder"]
    assert found["Birch"] == ("Birch Worse 24 21,600 365 about 136 16.9 11.5–23.5 16.9 11.5–23.5 88% 69–96%, 21 / 24")
    assert "Better 10 9,000 0 about 57 0 0–1.8" in found["Elm"]
    for name, row in found.items():
        if name != "Alder":
            assert len(re.findall(r"[\d.]+–[\d.]+", row)) == 3, row


def test_under_the_floor_there_are_counts_and_nothing_else(signed_in, site, seven):
    page = text(signed_in, at(site))
    assert rows(page)["Alder"] == "Alder Too little data 1 900 9 counts only"
    for drawing in re.findall(r"<svg role.*?</svg>", page, re.S):
        assert "Alder" not in drawing and "Birch" in drawing
    beside = page.partition('aria-labelledby="beside"')[2].partition("</table>")[0]
    [row] = [words(row) for row in re.findall(r"<tr>(.*?)</tr>", beside, re.S) if "Alder" in row]
    assert "%" not in row and "1 / 1" in row


def test_carriers_under_the_floor_stand_by_name_and_not_by_what_they_brought(signed_in, site, account):
    listing = f"Juniper 900*40 {EVEN}\nMaple 900*40 {EVEN}\nZinnia 900*2 60 40\nAlder 900*2 0 0"
    make_seven(site, listing, account=account)
    assert list(rows(text(signed_in, at(site))))[-2:] == ["Alder", "Zinnia"]


def test_case_mix_stands_beside_the_raw_rate(signed_in, site, account):
    for name, easy, hard in (("Alder", 20, 5), ("Birch", 5, 20), ("Cedar", 20, 5)):
        carrier = make_carrier(name)
        make_counts(site, carrier, [3, 1, 2, 4, 0] * (easy // 5), account=account, origin="Lakeside")
        make_counts(site, carrier, [12, 5, 9, 11, 8] * (hard // 5), account=account, origin="Mill Town")
    birch = rows(text(signed_in, at(site)))["Birch"]
    raw, adjusted = (float(value) for value in re.findall(r"(\d+\.\d) [\d.]+–[\d.]+", birch)[:2])
    assert raw == pytest.approx(8.4, abs=0.1) and adjusted < raw - 2


def test_no_word_of_chances_and_no_ranking(signed_in, site, seven):
    said = words(text(signed_in, at(site))).lower()
    for never in ("p-value", "p value", "significan", "q =", "p =", "rank 1", "best carrier", "worst carrier"):
        assert never not in said
    assert "no ranking" in said
    assert "a higher rate does not say whose doing it is" in said
    assert "is not “equal”" in said


def test_where_nothing_sets_carriers_apart_they_stand_by_name_and_it_says_so(signed_in, site, account):
    make_seven(site, "".join(f"{name} 900*40 {EVEN}\n" for name in ("Maple", "Juniper", "Larch")), account=account)
    page = text(signed_in, at(site))
    assert list(rows(page)) == ["Juniper", "Larch", "Maple"]
    assert "In the order of their names" in page and "Nobody can be shown to be worse" in page


def test_too_little_to_compare_is_said_and_leaves_the_counts(signed_in, site, account):
    make_seven(site, "Alder 900*9 0 0 0 0 0 0 0 0 0\nBirch 900*9 0 0 0 0 0 0 0 0 0", account=account)
    page = text(signed_in, at(site))
    assert "Nobody is compared in this period" in page and "<svg role" not in page
    assert rows(page)["Alder"] == "Alder No comparison 9 8,100 0 counts only"


def test_without_a_trailer_the_page_says_so_and_shows_the_way(signed_in, site):
    page = text(signed_in, at(site))
    assert "nobody to compare" in page and at(site, "doors") in page and "Months up to" not in page
    assert "Nothing is behind" in text(signed_in, at(site, "carriers_behind", make_carrier().pk, "counted"))


def test_names_are_text(signed_in, site, account):
    make_seven(site, f"<script>x</script> 900*40 {EVEN}\nBirch 900*40 {EVEN}", account=account)
    page = text(signed_in, at(site))
    assert "<script>x" not in page and "&lt;script&gt;x" in page and 'style="' not in page and "<style" not in page


# --- filters ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def two_years(site, account):
    """Alder brought one trailer in each month of 2024 and 2025, with as many damaged cartons as the month's number."""
    carrier = make_carrier("Alder")
    for year in (2024, 2025):
        for month in range(1, 13):
            make_counts(site, carrier, [month], month=date(year, month, 1), account=account)
    return carrier


def figures(client, site, **query):
    """(trailers, events) of Alder on the page with this filter, or None."""
    lines = {line.standing.name: line.standing.sums for line in client.get(at(site, **query)).context["all"]}
    return (lines["Alder"].k, lines["Alder"].sx) if "Alder" in lines else None


def test_twelve_months_up_to_the_last_that_is_over_are_the_first_choice(signed_in, site, two_years, account):
    with time_machine.travel("2025-12-20T12:00:00Z", tick=False):
        assert figures(signed_in, site) == (12, 78 - 12 + 12)
        page = text(signed_in, at(site))
        assert "December 2024 to November 2025" in page and "December 2025, still running" in page
        assert figures(signed_in, site, last="2025-12") == (12, 78)
    with time_machine.travel("2026-01-01T05:30:00Z", tick=False):
        assert "December 2025, still running" in text(signed_in, at(site)), "the site is in Chicago"


def test_months_from_and_to_are_both_taken_and_a_short_time_is_remarked_on(signed_in, site, two_years):
    assert figures(signed_in, site, first="2024-02", last="2025-12") == (23, 155)
    assert figures(signed_in, site, first="2025-03", last="2025-03") == (1, 3)
    assert "Less than twelve months" in text(signed_in, at(site, first="2025-03", last="2025-03"))
    assert "Less than twelve months" not in text(signed_in, at(site, last="2025-12"))


def test_kind_account_and_origin_narrow(signed_in, site, account):
    carrier, other = make_carrier("Alder"), make_account("Brook & Sons")
    make_counts(site, carrier, [3], account=account, origin="Lakeside", short=2, over=1)
    make_counts(site, carrier, [4], account=other, origin="", short=5)
    assert figures(signed_in, site) == (2, 7)
    assert figures(signed_in, site, kind="short") == (2, 7)
    assert figures(signed_in, site, kind="over") == (2, 1)
    assert figures(signed_in, site, account=account.pk) == (1, 3)
    assert figures(signed_in, site, origin="=Lakeside", kind="short") == (1, 2)
    assert figures(signed_in, site, origin="=") == (1, 4)
    assert figures(signed_in, site, account=other.pk, origin="=Lakeside") is None
    page = text(signed_in, at(site, account=other.pk, origin="="))
    assert "Brook &amp; Sons" in page and "an origin not stated" in page and "of all freight" in page
    assert "no trailer brought such freight" in text(signed_in, at(site, account=other.pk, origin="=Lakeside"))


@pytest.mark.parametrize(
    ("query", "sentence"),
    [
        ({"last": "2019-01"}, "no trailer was released here"),
        ({"last": "soon"}, "no trailer was released here"),
        ({"first": "2026-03", "last": "2026-02"}, "after the last"),
        ({"kind": "rerouted"}, "compared by damaged, short or over"),
        ({"account": "99999"}, "freight of that account"),
        ({"account": "x"}, "freight of that account"),
        ({"origin": "=Nowhere"}, "freight from there"),
        ({"origin": "Denver"}, "freight from there"),
    ],
)
def test_a_filter_that_cannot_be_read_is_named(signed_in, site, seven, query, sentence):
    make_counts(site, seven["Elm"], [0], month=date(2026, 2, 1))
    answer = signed_in.get(at(site, **query))
    assert answer.status_code == 422 and sentence in answer.content.decode()
    assert signed_in.get(at(site, "carriers_export", "csv", **query)).status_code == 302
    assert signed_in.get(at(site, "carriers_behind", seven["Elm"].pk, "counted", **query)).status_code == 302
    asked = signed_in.get(at(site, **query), headers={"accept": "application/json"})
    assert asked.status_code == 422 and sentence in asked.json()["errors"][0]["message"]


def test_the_sums_are_brought_up_to_date_before_they_are_read(signed_in, site, manager):
    carrier = make_carrier("Alder")
    for count in (1, 2):
        make_load(site, actor=manager, carrier=carrier)
        assert figures(signed_in, site) == (count, count)


# --- behind a figure --------------------------------------------------------------------------------------------------


def test_every_figure_leads_to_what_it_is_made_of(signed_in, site, manager):
    carrier = make_carrier("Alder")
    for _n in range(2):
        make_load(site, actor=manager, carrier=carrier, damaged=2, short=1)
    page = text(signed_in, at(site))
    links = {link.replace("&amp;", "&") for link in re.findall(rf'href="({carrier.pk}/behind/[^"]*)"', page)}
    assert {link.split("/")[-2] for link in links} >= {"trailers", "counted", "seals"}
    for link in links:
        assert "Alder" in text(signed_in, urljoin(at(site), link))
    counted = signed_in.get(at(site, "carriers_behind", carrier.pk, "counted"))
    assert counted.context["total"] == 4 and len(counted.context["rows"]) == 4
    short = signed_in.get(at(site, "carriers_behind", carrier.pk, "counted", kind="short"))
    assert short.context["total"] == 2 and {row.kind for row in short.context["rows"]} == {"short"}


@pytest.mark.parametrize("figure", behind.WORDS)
def test_each_list_has_a_page_and_an_empty_one_says_so(signed_in, site, figure, account):
    carrier = make_carrier("Alder")
    make_counts(site, make_carrier("Birch"), [1], account=account)
    page = text(signed_in, at(site, "carriers_behind", carrier.pk, figure))
    assert "Nothing is behind this figure any more." in page and str(behind.WORDS[figure]) in page


def test_a_list_keeps_the_filter_on_its_way_and_comes_in_pages(signed_in, site, account):
    carrier = make_carrier("Alder")
    make_counts(site, carrier, [1] * 60, account=account)
    address = at(site, "carriers_behind", carrier.pk, "trailers", account=account.pk)
    page = text(signed_in, address)
    assert f'{at(site)}?account={account.pk}"' in page and page.count('scope="row"') == 50
    older = re.search(r'href="([^"]+)" rel="next"', page)[1].replace("&amp;", "&")
    assert f"account={account.pk}" in older and text(signed_in, older).count('scope="row"') == 10


def test_no_such_figure_carrier_or_file_is_404(signed_in, site, seven):
    for address in (
        at(site, "carriers_behind", seven["Elm"].pk, "guesses"),
        at(site, "carriers_behind", 99_999, "counted"),
        at(site, "carriers_export", "pdf"),
    ):
        assert signed_in.get(address).status_code == 404


# --- files ------------------------------------------------------------------------------------------------------------


def test_files_hold_the_rows_and_figures_of_the_page(signed_in, site, seven):
    answer = signed_in.get(at(site, "carriers_export", "csv"))
    found = list(csv.DictReader(StringIO(answer.content.decode("utf-8-sig"))))
    assert [row["Carrier"] for row in found] == ["Birch", "Gorse", "Cedar", "Dogwood", "Fir", "Elm", "Alder"]
    birch, alder = found[0], found[-1]
    kept = [
        birch[name] for name in ("Verdict", "Trailers", "Damaged", "Per 1,000", "Per 1,000, low", "Per 1,000, high")
    ]
    assert kept == ["Worse", "24", "365", "16.9", "11.5", "23.5"]
    assert [birch[f"Trailers with any{more}"] for more in ("", ", of", ", percent", ", percent low")] == (
        ["21", "24", "88", "69"]
    )
    assert birch["In words"].startswith("Worse. Birch: 365 damaged cartons;")
    assert (alder["Trailers"], alder["Damaged"], alder["Verdict"]) == ("1", "9", "Too little data")
    rates = [value for name, value in alder.items() if "1,000" in name or "same" in name or "percent" in name]
    assert len(rates) >= 12 and set(rates) == {""}


def test_the_workbook_tells_its_notes_and_text_stays_text(signed_in, site, account):
    make_seven(site, f"=1+1 900*40 {EVEN}\nBirch 900*40 {EVEN}", account=account)
    answer = signed_in.get(at(site, "carriers_export", "xlsx", kind="damaged"))
    assert "NOR-carriers-damaged-2025-04-2026-03.xlsx" in answer["Content-Disposition"]
    book = load_workbook(BytesIO(b"".join(answer.streaming_content)))
    figures, notes = book.worksheets
    first = list(figures.iter_rows(min_row=2))[0]
    assert (first[0].value, first[0].data_type) == ("=1+1", "s") and first[2].value == 40
    told = " ".join(str(row[0].value) for row in notes.iter_rows())
    assert "Nobody can be shown to be worse" in told and "April 2025 to March 2026" in told and "whose doing" in told


def test_without_trailers_there_is_no_file_but_the_page_that_says_why(signed_in, site):
    answer = signed_in.get(at(site, "carriers_export", "csv"))
    assert (answer.status_code, answer["Location"]) == (302, at(site))


# --- the cost ---------------------------------------------------------------------------------------------------------


def cost(client, address):
    with CaptureQueriesContext(
        connection,
    ) as asked:
        assert client.get(address).status_code == 200
    return len(asked)


def test_queries_do_not_grow_with_carriers_months_and_pieces(signed_in, site, manager, account):
    make_counts(site, make_carrier("Alder"), [3, 1, 2, 0, 4], account=account)
    months.refresh(site)
    text(signed_in, at(site))
    one = [cost(signed_in, at(site)), cost(signed_in, at(site, "carriers_export", "csv"))]
    for name in ("Birch", "Cedar"):
        carrier = make_carrier(name)
        for month in (1, 2, 3):
            make_counts(site, carrier, [3, 1, 2, 0, 4], account=account, month=date(2026, month, 1))
    assert [cost(signed_in, at(site)), cost(signed_in, at(site, "carriers_export", "csv"))] == one
    assert one[0] <= 16


# --- many carriers ----------------------------------------------------------------------------------------------------


@pytest.fixture
def fifty(site, account):
    """Fifty carriers with names as they are, a fifth of them worse, in eight classes of freight."""
    origins = ["Denver", "Mill Town", "Lakeside", "Fairview", "", "Ashland", "Salem", "Clinton"]
    for n in range(50):
        carrier = make_carrier(f"No.{n:02d} Invented Haulage")
        events = [9, 0, 4, 1, 1] * 2 if n % 5 else [31, 12, 14, 22, 9] * 2
        make_counts(site, carrier, events, account=account, origin=origins[n % 8])


def test_with_fifty_carriers_the_page_stays_under_150_kilobytes_and_leads_to_the_rest(signed_in, site, fifty):
    answer = signed_in.get(at(site))
    assert len(answer.content) < 150 * 1024
    page = answer.content.decode()
    assert len(rows(page)) == 50
    assert "See it for every carrier" in page and 'data-label="Our own handling"' not in page
    beside = text(signed_in, at(site, "carriers_beside"))
    assert beside.count('data-label="On time at the gate"') == 50


def test_addresses_of_the_page_lead_where_they_say(signed_in, site, seven):
    page = text(signed_in, at(site, kind="damaged"))
    table = page.partition('aria-labelledby="figures"')[2].partition("</table>")[0]
    found = re.findall(r'<a href="([^"]+)"', table)
    assert len(found) > 20
    for address in {each.replace("&amp;", "&") for each in found}:
        assert signed_in.get(urljoin(at(site), address)).status_code == 200, address


def test_what_stands_beside_goes_back_where_the_filter_cannot_be_read(signed_in, site, seven):
    answer = signed_in.get(at(site, "carriers_beside", kind="lost"))
    assert (answer.status_code, answer["Location"]) == (302, at(site, kind="lost"))


def test_where_the_cap_leaves_something_out_the_usual_says_of_which(signed_in, site, account):
    for name in ("Juniper", "Larch", "Maple"):
        make_counts(site, make_carrier(name), map(int, EVEN.split()), account=account)
    head = text(signed_in, at(site)).partition('aria-labelledby="figures"')[2].partition("</thead>")[0]
    assert "of those that count for the verdict" not in head
    make_counts(site, make_carrier("Oak"), [700, 3, 2, 4, 1, 5], account=account)
    head = text(signed_in, at(site)).partition('aria-labelledby="figures"')[2].partition("</thead>")[0]
    assert "of those that count for the verdict" in head
