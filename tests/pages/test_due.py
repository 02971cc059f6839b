"""The list of dates: what stands in it and in which order, its filters and files, the dates on a claim's page."""

import csv
import re
from datetime import UTC, datetime
from io import BytesIO, StringIO

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import load_workbook

from claims.enums import FactKind
from claims.models import Claim
from receiving.models import Shipment
from tests.builders import make_carrier, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.dated import draft, filed, make_dated_terms, make_letter, make_note
from tests.claims.fact_builders import make_fact

pytestmark = pytest.mark.django_db
MARCH = datetime(2026, 3, 4, 15, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def in_march():
    with time_machine.travel(MARCH, tick=False):
        yield


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk", last_name="Rivers")


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


@pytest.fixture
def us():
    return make_dated_terms()


def page(client, address="/NOR/due/"):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer


def heads(answer):
    return [row.entry.head for row in answer.context["listing"]]


def text(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def test_what_has_no_date_stands_on_top_then_the_nearest(signed_in, site, clerk, us):
    filed(site, clerk)
    make_load(site, actor=clerk, bill_date=None)
    answer = page(signed_in)
    rows = list(answer.context["listing"])
    assert [row.part for row in rows] == ["unknown", "unknown", "later"]
    assert rows[0].entry.is_ours and not rows[1].entry.is_ours
    assert [row.entry.head for row in rows[1:]] == ["pay, decline or make a firm offer", "acknowledge the claim"]


def test_a_row_says_what_for_whom_by_whom_whose_date_and_by_which_rule(signed_in, site, clerk, us):
    claim = draft(site, clerk, short=0, carrier=make_carrier("Cedar Line"))
    words = text(page(signed_in))
    for part in (
        "Wed 2 Dec 2026",
        "in 273 days",
        "File the claim",
        "File by Wed 2 Dec 2026: nine months after delivery on Mon 2 Mar 2026 (section 3)",
        "(section 3). If missed: the right is lost.",
        str(claim),
        "Cedar Line",
        "Clerk Rivers",
        "ours",
    ):
        assert part in words, part
    assert f'href="{claim.get_absolute_url()}"' in page(signed_in).content.decode()


def test_the_last_working_day_before_is_what_to_work_towards(signed_in, site, clerk):
    make_dated_terms({"duty": "file", "trigger": "delivered", "length": 5, "counting": "days"})
    draft(site, clerk, short=0)  # delivered Mon 2 Mar, so Sat 7 Mar
    words = text(page(signed_in))
    assert "Sat 7 Mar 2026" in words and "work towards Fri 6 Mar 2026" in words


@pytest.mark.parametrize(
    ("day", "part", "left", "tone"),
    [
        ("2026-12-02", "week", "today", "wait"),
        ("2026-12-01", "week", "tomorrow", "wait"),
        ("2026-11-25", "week", "in 7 days", "wait"),
        ("2026-11-24", "later", "in 8 days", "quiet"),
        ("2026-12-03", "late", "1 day late", "stop"),
        ("2026-12-12", "late", "10 days late", "stop"),
    ],
)
def test_how_long_there_is_in_words_with_an_icon_where_it_is_near(signed_in, site, clerk, us, day, part, left, tone):
    draft(site, clerk, short=0)
    with time_machine.travel(f"{day}T12:00-06:00", tick=False):
        signed_in.force_login(clerk)
        answer = page(signed_in)
        [row] = answer.context["listing"]
        body = answer.content.decode()
    assert (row.part, row.left, row.tone) == (part, left, tone)
    assert (f'<span class="badge {tone}"><svg' in body) is (part != "later")


def test_red_is_for_what_we_may_lose(signed_in, site, clerk, us):
    filed(site, clerk)
    make_load(site, actor=clerk, damaged=0, bill_date=None)
    with time_machine.travel("2026-09-01T12:00Z", tick=False):
        signed_in.force_login(clerk)
        rows = page(signed_in).context["listing"]
    assert [(row.part, row.entry.is_ours, row.tone) for row in rows] == [
        ("unknown", True, "stop"),
        ("unknown", False, "wait"),
        ("late", False, "wait"),
    ]


def test_the_day_that_counts_is_the_sites(signed_in, site, clerk, us):
    draft(site, clerk, short=0)
    with time_machine.travel("2026-12-03T05:30Z", tick=False):  # still 2 Dec in Chicago
        signed_in.force_login(clerk)
        [row] = page(signed_in).context["listing"]
    assert row.left == "today"


def test_an_hour_that_has_passed_is_late_on_its_own_day(signed_in, site, clerk):
    make_note(make_load(site, actor=clerk).arrival, clerk)
    with time_machine.travel("2026-03-03T11:00Z", tick=False):  # the twelve hours ended at 06:00
        signed_in.force_login(clerk)
        rows = [row for row in page(signed_in).context["listing"] if row.entry.moment]
        assert "Tue 3 Mar 2026, 00:00 CST" in text(page(signed_in))
    assert [(row.part, row.left) for row in rows] == [("late", "late")]


def test_the_filters_stand_in_the_address_and_each_takes_away_what_it_says(signed_in, site, clerk, us):
    cedar = make_carrier("Cedar Line")
    claim = filed(site, clerk, carrier=cedar)
    other = make_person("clerk", site, "other")
    draft(site, other, short=0)
    unclaimed = make_load(site, actor=clerk, damaged=0)
    everything = heads(page(signed_in))
    assert len(everything) == 4

    def shown(**asked):
        return [
            row.entry
            for row in page(signed_in, "/NOR/due/?" + "&".join(f"{k}={v}" for k, v in asked.items())).context["listing"]
        ]

    assert {entry.claim for entry in shown(binds="carrier")} == {claim}
    assert {entry.binds for entry in shown(binds="us")} == {"us"} and len(shown(binds="us")) == 2
    assert {entry.carrier for entry in shown(carrier=cedar.pk)} == {cedar} and len(shown(carrier=cedar.pk)) == 2
    assert [entry.who for entry in shown(who=other.pk)] == [other]
    near = shown(within="30")
    assert [entry.head for entry in near] == ["pay, decline or make a firm offer", "acknowledge the claim"]
    assert [entry.shipment for entry in shown(within="365") if entry.kind == "unclaimed"] == [unclaimed]


def test_a_horizon_hides_neither_what_is_late_nor_what_has_no_date(signed_in, site, clerk, us):
    filed(site, clerk)
    with time_machine.travel("2026-09-01T12:00Z", tick=False):
        signed_in.force_login(clerk)
        assert [row.part for row in page(signed_in, "/NOR/due/?within=7").context["listing"]] == ["unknown", "late"]


def test_the_counts_lead_to_the_parts_and_keep_the_filter(signed_in, site, clerk, us):
    claim = filed(site, clerk)
    make_letter(claim, clerk, sent=False)
    answer = page(signed_in, "/NOR/due/?binds=carrier")
    parts = {str(part["words"]): part for part in answer.context["parts"]}
    assert {words: part["number"] for words, part in parts.items()} == {
        "all": 2, "no date": 1, "late": 0, "within 7 days": 0, "later": 1,
    }  # fmt: skip
    assert heads(page(signed_in, parts["later"]["url"])) == ["acknowledge the claim"]
    assert heads(page(signed_in, "/NOR/due/?when=week")) == ["send the letter"]


def test_only_mine_is_offered_to_whoever_opened_a_claim(signed_in, client, site, clerk, us):
    draft(site, clerk)
    assert f"?who={clerk.pk}" in page(signed_in).content.decode()
    client.force_login(make_person("viewer", site))
    assert page(client).context["mine"] == ""


@pytest.mark.parametrize("query", ["binds=nobody", "carrier=999", "who=x", "within=12"])
def test_a_filter_nobody_can_read_lists_nothing_and_says_why(signed_in, site, clerk, us, query):
    draft(site, clerk)
    answer = signed_in.get(f"/NOR/due/?{query}")
    assert answer.status_code == 422 and "the filter cannot be read" in text(answer)
    assert "listing" not in answer.context


def test_nothing_due_and_nothing_matching_are_said(signed_in, site, clerk, us):
    assert "Nothing is due" in text(page(signed_in))
    draft(site, clerk)
    assert "Nothing matches" in text(page(signed_in, "/NOR/due/?when=late"))


def test_text_from_outside_is_text(signed_in, site, clerk, us):
    draft(site, clerk, short=0, carrier=make_carrier("<b>Cedar</b>"))
    load = make_load(site, actor=clerk)
    Shipment.objects.filter(pk=load.pk).update(bill_number="<script>1")
    body = page(signed_in).content.decode()
    assert "<b>Cedar" not in body and "<script>1" not in body
    assert "&lt;b&gt;Cedar" in body and "&lt;script&gt;1" in body


def test_the_list_takes_as_many_queries_for_three_claims_as_for_one(signed_in, site, clerk, us):
    def asked():
        with CaptureQueriesContext(connection) as queries:
            page(signed_in)
        return len(queries)

    def more():
        make_fact(filed(site, clerk), FactKind.PAPERS_ASKED, actor=clerk)
        make_load(site, actor=clerk)

    more()
    asked()
    one = asked()
    more()
    more()
    assert asked() == one


# -- files


def rows_of(answer):
    return list(csv.DictReader(StringIO(answer.content.decode("utf-8-sig"))))


def test_the_csv_is_exactly_what_is_shown(signed_in, site, clerk, us):
    filed(site, clerk)
    draft(site, clerk, short=0, carrier=make_carrier("=1+1"))
    shown = page(signed_in, "/NOR/due/?binds=us")
    [row] = rows_of(signed_in.get(shown.context["exports"][0]["url"]))
    assert row["Date"] == "2026-12-02" and row["What is to be done"] == "file the claim"
    assert (row["Work towards"], row["By whom"], row["Whose date"]) == ("2026-12-02", "Clerk Rivers", "ours")
    assert (row["If missed"], row["Rule"], row["Carrier"]) == ("the right is lost", "section 3", "'=1+1")
    assert row["In words"].startswith("File by Wed 2 Dec 2026") and row["In words"].endswith("(section 3).")
    assert rows_of(signed_in.get("/NOR/due/export/csv/?when=late")) == []
    everything = rows_of(signed_in.get("/NOR/due/export/csv/"))
    assert [row["What is to be done"] for row in everything] == heads(page(signed_in))
    assert everything[0]["Date"] == "" and "no date: needs" in everything[0]["In words"]


def test_the_workbook_holds_dates_as_dates(signed_in, site, clerk, us):
    draft(site, clerk, short=0)
    answer = signed_in.get("/NOR/due/export/xlsx/")
    sheet = load_workbook(BytesIO(b"".join(answer.streaming_content))).active
    headings, first = [[cell.value for cell in row] for row in sheet.iter_rows(max_row=2)]
    assert dict(zip(headings, first, strict=True))["Date"] == datetime(2026, 12, 2)  # noqa: DTZ001  a cell has no zone
    assert "NOR-due-2026-03-04.xlsx" in answer["Content-Disposition"]


def test_a_file_of_a_filter_nobody_can_read_goes_back_to_the_page(signed_in, site):
    answer = signed_in.get("/NOR/due/export/csv/?within=12")
    assert (answer.status_code, answer["Location"]) == (302, "/NOR/due/?within=12")
    assert signed_in.get("/NOR/due/export/pdf/").status_code == 404


# -- on the claim's page


def test_the_claim_shows_its_next_date_large_and_the_rest_folded(signed_in, site, clerk, us):
    claim = draft(site, clerk)
    body = page(signed_in, claim.get_absolute_url()).content.decode()
    section = body[body.index('id="dates"') :]
    section = section[: section.index("</section>")]
    first, rest = section.split("<details")
    assert "Thu 26 Nov 2026" in first and "(line 2)" in first and "Wed 2 Dec 2026" not in first
    assert "1 more date<" in rest and "Wed 2 Dec 2026" in rest
    assert "Work towards Wed 25 Nov 2026" in first


def test_what_has_no_date_stands_above_the_next_date_and_is_never_folded(signed_in, site, clerk, us):
    body = page(signed_in, filed(site, clerk).get_absolute_url()).content.decode()
    section = body[body.index('id="dates"') :]
    section = section[: section.index("</section>")]
    assert section.index("needs the day the carrier received the claim") < section.index("Wed 1 Apr 2026")
    assert "<details" not in section


def test_a_claim_on_which_nothing_runs_shows_no_dates(signed_in, site, clerk, us):
    claim = filed(site, clerk)
    Claim.objects.update(stage="closed")
    assert 'id="dates"' not in page(signed_in, claim.get_absolute_url()).content.decode()


def test_the_claim_answers_that_it_was_filed_late_by_the_last_day_of_its_terms(signed_in, site, clerk, us):
    claim = filed(site, clerk)
    assert "Filed on 2 Mar 2026; the terms allow until 26 Nov 2026." in text(page(signed_in, claim.get_absolute_url()))
    Claim.objects.update(filed_on="2026-11-27")
    assert "the terms allow until" not in text(page(signed_in, claim.get_absolute_url()))
