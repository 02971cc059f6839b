"""The pages of terms: the list, one in words, new from a start, changed, replaced, retired, and which would hold."""

import uuid
from datetime import date
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from claims import terms
from claims.enums import Duty, Stage
from claims.models import Claim, Terms
from receiving.models import Event, Submission
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_carrier,
    make_person,
    make_shipment,
    make_site,
)

pytestmark = pytest.mark.django_db
FILE = {"duty": "file", "trigger": "delivered", "length": 9, "counting": "months", "effect": "bar", "binds": "us"}
ROW = FILE | {"applies": "any", "extra_days": 0, "every": 0, "source": "section 3(b)"}


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("manager", site, "alice")


@pytest.fixture
def boss():
    return make_person("manager", None, "boss")


@pytest.fixture
def manager(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture
def company(client, boss):
    client.force_login(boss)
    return client


def at(name, site, *more):
    return reverse(name, args=[site.code, *more])


def make(where, actor, title="Our terms", /, **facts):
    """Terms of the site, with one period."""
    given = {"title": title, "valid_from": date(2026, 1, 1), "source": "contract 12", "site": where} | facts
    return terms.create(facts=given, periods=[ROW], site=where, actor=actor, at=NOON)


def facts_of(row):
    return {name: getattr(row, name) for name in terms.FACTS}


def claim_by(row, site, actor):
    shipment = make_shipment(make_arrival(site, actor=actor), actor=actor, account=make_account())
    return Claim.objects.create(
        site=site,
        year=2026,
        number=1,
        stage=Stage.DRAFT,
        stage_since=NOON,
        opened_at=NOON,
        opened_by=actor,
        shipment=shipment,
        account=shipment.account,
        who_claims="account",
        currency="USD",
        terms=row,
    )


def posted(*periods, kept=0, blank=3, **facts):
    """What the form sends: facts, the periods as rows, and empty rows behind them."""
    given = {
        "uuid": str(uuid.uuid4()),
        "title": "Our terms",
        "valid_from": "2026-01-01",
        "source": "contract 12",
        "regime": "us_road",
        "delivered_means": "earliest",
        "calendar_country": "US",
        "limit_basis": "none",
        "limit_currency": "USD",
        "limit_weight_unit": "lb",
        "salvage_when": "before",
        "freight_when": "outside",
        "deductible": "0",
        "allowance_percent": "0",
    } | facts
    empty = {"applies": "any", "counting": "months", "extra_days": 0, "every": 0, "binds": "us"}
    rows = [*periods, *[empty] * blank]
    given |= {"periods-TOTAL_FORMS": len(rows), "periods-INITIAL_FORMS": kept}
    for number, row in enumerate(rows):
        given |= {f"periods-{number}-{name}": value for name, value in row.items()}
    return given


def page_of(response):
    return response.content.decode()


# -- Who may -----------------------------------------------------------------------------------------------------------

READING = ["terms", "terms_which", "terms_shown"]
WRITING = ["terms_new", "terms_edit", "terms_replace"]


def address_of(name, site, row):
    return at(name, site, *([] if name in ("terms", "terms_which", "terms_new") else [row.pk]))


@pytest.mark.parametrize("name", READING + WRITING)
def test_who_may_open(client, site, alice, name):
    row = make(site, alice)
    address = address_of(name, site, row)
    assert client.get(address).headers["Location"].startswith(reverse("login"))
    expected = {
        "receiver": 403,
        "lead": 403,
        "clerk": 200 if name in READING else 403,
        "viewer": 200 if name in READING else 403,
        "manager": 200,
    }
    for role, status in expected.items():
        client.force_login(make_person(role, site))
        assert client.get(address).status_code == status, role
    client.force_login(make_person("manager", make_site("SOU")))
    assert client.get(address).status_code == 404


@pytest.mark.parametrize("name", ["terms_shown", "terms_edit", "terms_replace", "terms_retire"])
def test_another_sites_terms_are_not_there(client, site, alice, name):
    other = make_site("SOU")
    row = make(other, alice)
    client.force_login(make_person("manager", site))
    address = at(name, site, row.pk)
    assert (client.post(address, posted()) if name == "terms_retire" else client.get(address)).status_code == 404


def test_the_companys_terms_are_read_at_a_site_and_written_by_the_companys_manager_only(client, site, alice, boss):
    row = make(site, boss, site=None)
    client.force_login(alice)
    page = page_of(client.get(at("terms_shown", site, row.pk)))
    assert "all sites" in page
    assert "Retire these terms" not in page
    for name in ("terms_edit", "terms_replace"):
        assert client.get(at(name, site, row.pk)).status_code == 403
        assert client.post(at(name, site, row.pk), posted(ROW)).status_code == 403
    assert client.post(at("terms_retire", site, row.pk), posted()).status_code == 403
    row.refresh_from_db()
    assert row.retired_at is None
    client.force_login(boss)
    assert "Retire these terms" in page_of(client.get(at("terms_shown", site, row.pk)))
    assert client.get(at("terms_edit", site, row.pk)).status_code == 200


def test_a_sites_manager_cannot_write_for_the_company(manager, site):
    answer = manager.post(at("terms_new", site), posted(ROW, reach="everywhere"))
    assert answer.status_code == 302
    assert Terms.objects.get().site == site


def test_the_companys_manager_chooses_where_they_hold(company, site):
    assert company.post(at("terms_new", site), posted(ROW, reach="everywhere")).status_code == 302
    assert Terms.objects.get().site is None
    assert company.post(at("terms_new", site), posted(ROW, reach="here", title="Here")).status_code == 302
    assert Terms.objects.get(title="Here").site == site


# -- New ---------------------------------------------------------------------------------------------------------------


def test_set_up_leads_to_terms_and_terms_to_the_starts(manager, site):
    assert at("terms", site) in page_of(manager.get(at("setup", site)))
    assert "There are no terms yet" in page_of(manager.get(at("terms", site)))
    page = page_of(manager.get(at("terms_new", site)))
    for start in terms.starts():
        assert f"?from={start.key}" in page


def is_sent(value):
    """A browser sends no box that is not ticked."""
    return value is not None and value is not False


@pytest.mark.parametrize("start", terms.starts(), ids=lambda start: start.key)
def test_a_start_fills_the_form_and_what_the_form_shows_can_be_saved(manager, site, start):
    """Every start goes through the page unchanged: only a first day, and a waiver's place, are typed."""
    address = f"{at('terms_new', site)}?from={start.key}"
    answer = manager.get(address)
    form, rows = answer.context["form"], answer.context["rows"]
    shown = {name: form[name].value() for name in form.fields}
    data = {name: value for name, value in shown.items() if is_sent(value)}
    data |= {"uuid": str(uuid.uuid4()), "valid_from": data.get("valid_from") or "2026-01-01"}
    data |= {"periods-TOTAL_FORMS": len(rows.forms), "periods-INITIAL_FORMS": rows.initial_form_count()}
    for row in rows:
        data |= {f"{row.prefix}-{name}": value for name in row.fields if is_sent(value := row[name].value())}
    if start.facts.get("waives_statute"):
        data["waiver"] = "clause 12"
    answer = manager.post(address, data)
    assert answer.status_code == 302, answer.context["form"].errors
    saved = Terms.objects.get()
    assert saved.template == start.key
    assert terms.periods(saved) == list(start.periods)
    assert (saved.source, saved.note) == (start.facts["source"], start.facts["note"])


def test_new_terms_are_told_in_the_log_and_shown_in_words(manager, site, alice):
    cedar = make_carrier("Cedar Line")
    answer = manager.post(at("terms_new", site), posted(ROW, carrier=cedar.pk, mode="road"), follow=True)
    page = page_of(answer)
    assert "“Our terms” are saved. They hold for bills from Thu 1 Jan 2026." in page
    assert "Carrier Cedar Line, site NOR, mode road" in page
    assert "no period for bringing suit" in page
    event = Event.objects.get(verb="terms.added")
    assert (event.site, event.actor) == (site, alice)


def test_an_empty_start_has_three_empty_rows(manager, site):
    rows = manager.get(f"{at('terms_new', site)}?from=blank").context["rows"]
    assert [row.initial for row in rows] == [{}] * 3


BAD = [
    ({"title": ""}, "This field is required"),
    ({"valid_from": "2 March"}, "Enter a valid date"),
    ({"valid_until": "2025-12-31"}, "The last day lies before the first"),
    ({"limit_basis": "package"}, "A limit needs its rate"),
    ({"waives_statute": "on"}, "which paper and clause the waiver stands"),
    ({"calendar_subdivision": "QQ"}, "no state or province"),
    ({"limit_rate": "lots"}, "“lots” is no number"),
    ({"mode": "pipe"}, "not one of the available choices"),
    ({"carrier": "999"}, "not one of the available choices"),
    ({"deductible": "-1"}, "An amount cannot be below zero"),
]


@pytest.mark.parametrize(("facts", "sentence"), BAD)
def test_bad_facts_come_back_with_a_sentence_and_what_was_typed(manager, site, facts, sentence):
    answer = manager.post(at("terms_new", site), posted(ROW | {"source": "their own words"}, **facts))
    page = page_of(answer)
    assert answer.status_code == 422
    assert sentence in page
    assert "their own words" in page
    assert "contract 12" in page
    assert not Terms.objects.exists()
    assert not Submission.objects.exists()


def test_what_does_not_go_together_is_said_all_at_once(manager, site):
    wrong = {"valid_until": "2025-12-31", "limit_basis": "package", "waives_statute": "on"}
    answer = manager.post(at("terms_new", site), posted(ROW, **wrong))
    assert set(answer.context["form"].errors) == {"valid_until", "limit_rate", "waiver"}


@pytest.mark.parametrize(
    ("row", "sentence"),
    [
        ({"length": "0"}, "Length is “0”. Give a whole number from 1 to 600."),
        ({"counting": "at_once"}, "Length is “9”."),
        ({"extra_days": "3"}, "Further days are added to years only"),
        ({"duty": ""}, "This field is required"),
        ({"trigger": "full_moon"}, "not one of the available choices"),
        ({"length": "nine"}, "Enter a whole number"),
        ({"length": "-1"}, "greater than or equal to 0"),
        ({"source": ""}, "This field is required"),
    ],
)
def test_a_bad_period_comes_back_open_with_a_sentence_and_a_link_to_its_field(manager, site, row, sentence):
    answer = manager.post(at("terms_new", site), posted(ROW, ROW | {"duty": "sue"} | row))
    page = page_of(answer)
    assert answer.status_code == 422
    assert sentence in page
    assert 'href="#id_periods-1-' in page
    assert [is_open for _row, _summary, is_open in answer.context["said"]] == [False, True, False, False, False]
    assert not Terms.objects.exists()


def test_rows_that_are_good_still_say_what_they_are_when_something_else_is_not(manager, site):
    """Also those that stand as the start had them."""
    address = f"{at('terms_new', site)}?from=us_contract"
    start = [
        {name: value for name, value in each.as_dict().items() if name in terms.PERIOD}
        for each in terms.start("us_contract").periods
    ]
    answer = manager.post(address, posted(*start, ROW, kept=len(start), blank=2, title=""))
    assert answer.status_code == 422
    said = [summary for _row, summary, _open in answer.context["said"]]
    assert said[1] == said[6] == "File the claim: nine months, counted from “delivered”"
    assert [bool(summary) for summary in said] == [True] * 7 + [False] * 2


def test_bad_facts_are_told_to_a_script_by_field(manager, site):
    answer = manager.post(
        at("terms_new", site), posted(ROW | {"length": "0"}, title=""), headers={"Accept": "application/json"}
    )
    assert answer.status_code == 422
    assert {error["field"] for error in answer.json()["errors"]} == {"title", "periods-0-length"}


@pytest.mark.parametrize("missing", ["periods-TOTAL_FORMS", "periods-INITIAL_FORMS"])
def test_a_form_whose_row_count_is_lost_is_refused_and_not_broken(manager, site, missing):
    given = posted(ROW)
    del given[missing]
    answer = manager.post(at("terms_new", site), given)
    assert answer.status_code == 422
    assert not Terms.objects.exists()


def test_more_rows_than_anybody_needs_are_refused(manager, site):
    answer = manager.post(at("terms_new", site), posted(*[ROW] * 41))
    assert answer.status_code == 422
    assert "at most 40" in page_of(answer)


def test_an_overlap_is_refused_where_the_dates_are(manager, site, alice):
    make(site, alice, "Winter terms")
    answer = manager.post(at("terms_new", site), posted(ROW, title="Others"))
    assert answer.status_code == 422
    assert "“Winter terms” hold for the same scope" in page_of(answer)
    assert "valid_from" in answer.context["form"].errors


def test_text_stays_text(manager, site):
    evil = "<script>alert(1)</script>"
    answer = manager.post(
        at("terms_new", site),
        posted(ROW | {"source": evil}, title=evil, origin=evil, note=evil, source=evil),
        follow=True,
    )
    pages = [page_of(answer), page_of(manager.get(at("terms", site)))]
    pages += [page_of(manager.get(at("terms_edit", site, Terms.objects.get().pk)))]
    for page in pages:
        assert evil not in page
        assert "&lt;script&gt;alert(1)" in page


def test_sent_twice_it_is_stored_once(manager, site):
    given = posted(ROW)
    first, second = (manager.post(at("terms_new", site), given) for _each in range(2))
    assert first.headers["Location"] == second.headers["Location"]
    assert Terms.objects.count() == 1


def test_without_its_uuid_nothing_is_stored(manager, site):
    given = posted(ROW)
    del given["uuid"]
    assert manager.post(at("terms_new", site), given).status_code == 400
    assert not Terms.objects.exists()


def test_the_unknown_start_is_an_empty_page(manager, site):
    answer = manager.post(f"{at('terms_new', site)}?from=moon_law", posted(ROW))
    assert answer.status_code == 302
    assert Terms.objects.get().template == ""


# -- Changed, replaced, retired ----------------------------------------------------------------------------------------


def test_a_change_keeps_rows_takes_some_away_and_adds_others(manager, site, alice):
    row = make(site, alice)
    sue = ROW | {"duty": "sue", "trigger": "disallowed", "counting": "years", "length": 2}
    answer = manager.post(
        at("terms_edit", site, row.pk), posted(ROW | {"DELETE": "on"}, sue, kept=1, version=1, title="Better")
    )
    assert answer.headers["Location"] == at("terms_shown", site, row.pk)
    row.refresh_from_db()
    assert (row.title, row.version) == ("Better", 2)
    assert [period.duty for period in terms.periods(row)] == [Duty.SUE]


def test_of_two_who_change_at_once_the_second_is_told_and_can_save_again(manager, site, alice):
    row = make(site, alice)
    address = at("terms_edit", site, row.pk)
    assert manager.post(address, posted(ROW, kept=1, version=1, title="First")).status_code == 302
    answer = manager.post(address, posted(ROW, kept=1, version=1, title="Second"))
    page = page_of(answer)
    assert answer.status_code == 409
    assert "Somebody else changed this meanwhile. It says now: title: First" in page
    assert 'value="Second"' in page
    assert answer.context["form"]["version"].value() == 2
    assert manager.post(address, posted(ROW, kept=1, version=2, title="Second")).status_code == 302
    row.refresh_from_db()
    assert row.title == "Second"


def test_terms_in_use_offer_their_last_day_and_note_only(manager, site, alice):
    row = make(site, alice, limit_basis="package", limit_rate=Decimal(500))
    claim_by(row, site, alice)
    answer = manager.get(at("terms_edit", site, row.pk))
    assert set(answer.context["form"].fields) == {"valid_until", "note", "version"}
    assert "Claims go by these terms" in page_of(answer)
    given = {
        "uuid": str(uuid.uuid4()),
        "version": 1,
        "valid_until": "2026-12-31",
        "note": "ends",
    }
    assert manager.post(at("terms_edit", site, row.pk), given).status_code == 302
    row.refresh_from_db()
    assert (row.title, row.valid_until, row.note) == ("Our terms", date(2026, 12, 31), "ends")
    assert row.limit_rate == 500
    assert len(terms.periods(row)) == 1


def test_a_claim_that_comes_meanwhile_stops_the_change_with_the_way_out(manager, site, alice):
    row = make(site, alice)
    address = at("terms_edit", site, row.pk)
    given = posted(ROW, kept=1, version=1, title="Better")
    claim_by(row, site, alice)
    answer = manager.post(address, given)
    page = page_of(answer)
    assert answer.status_code == 422
    assert "Replace them: that retires these" in page
    assert 'value="Better"' in page
    row.refresh_from_db()
    assert row.title == "Our terms"


def test_replacing_retires_the_old_and_leads_to_the_new(manager, site, alice):
    row = make(site, alice)
    claim = claim_by(row, site, alice)
    answer = manager.post(at("terms_replace", site, row.pk), posted(ROW, kept=1, version=1, title="New words"))
    new = Terms.objects.get(title="New words")
    assert answer.headers["Location"] == at("terms_shown", site, new.pk)
    row.refresh_from_db()
    claim.refresh_from_db()
    assert row.retired_at is not None
    assert claim.terms == row


def test_retiring_says_so_and_moves_them_to_the_retired(manager, site, alice):
    row = make(site, alice)
    page = page_of(manager.post(at("terms_retire", site, row.pk), posted(version=1), follow=True))
    assert "“Our terms” are retired. Claims that go by them keep them." in page
    assert "Our terms" in page_of(manager.get(at("terms", site) + "?retired=1"))
    assert at("terms_shown", site, row.pk) not in page_of(manager.get(at("terms", site)))
    page = page_of(manager.get(at("terms_shown", site, row.pk)))
    assert "Retired" in page
    assert "Change these terms" not in page
    for name in ("terms_edit", "terms_replace"):
        assert manager.get(at(name, site, row.pk)).status_code == 409


def test_retiring_what_somebody_else_changed_is_refused(manager, site, alice):
    row = make(site, alice)
    manager.post(at("terms_edit", site, row.pk), posted(ROW, kept=1, version=1, title="First"))
    assert manager.post(at("terms_retire", site, row.pk), posted(version=1)).status_code == 409
    row.refresh_from_db()
    assert row.retired_at is None


@pytest.mark.parametrize("name", ["terms_edit", "terms_replace", "terms_shown"])
def test_terms_that_are_not_there_are_404(manager, site, name):
    assert manager.get(at(name, site, 999)).status_code == 404


@pytest.mark.parametrize("name", ["terms", "terms_which", "terms_shown"])
def test_pages_to_read_take_no_post(manager, site, alice, name):
    row = make(site, alice)
    assert manager.post(address_of(name, site, row), posted()).status_code == 405


def test_retiring_by_a_link_is_not_possible(manager, site, alice):
    row = make(site, alice)
    assert manager.get(at("terms_retire", site, row.pk)).status_code == 405


# -- Reading -----------------------------------------------------------------------------------------------------------


def test_each_period_is_a_sentence_with_an_example(manager, site, alice):
    row = make(site, alice)
    page = page_of(manager.get(at("terms_shown", site, row.pk) + "?on=2026-05-31"))
    assert "File by Sun 28 Feb 2027: nine months after delivery on Sun 31 May 2026." in page
    assert "If missed: the right is lost." in page
    assert "section 3(b)" in page


def test_an_example_day_that_is_none_is_said(manager, site, alice):
    row = make(site, alice)
    answer = manager.get(at("terms_shown", site, row.pk) + "?on=soon")
    assert answer.status_code == 200
    assert "Enter a valid date" in page_of(answer)


@pytest.mark.parametrize(("day", "said"), [("9999-12-31", "too far ahead"), ("0001-01-01", "1 Oct 0001")])
def test_a_far_example_day_breaks_nothing(manager, site, alice, day, said):
    row = make(site, alice)
    rows = [ROW | {"counting": "business_days"}, ROW | {"counting": "hours"}, ROW]
    terms.revise(row, facts=facts_of(row), periods=rows, seen=1, site=site, actor=alice, at=NOON)
    assert said in page_of(manager.get(at("terms_shown", site, row.pk) + f"?on={day}"))


def test_the_list_costs_the_same_for_one_and_for_five(manager, site, alice):
    def queries():
        with CaptureQueriesContext(
            connection,
        ) as found:
            assert manager.get(at("terms", site)).status_code == 200
        return len(found)

    make(site, alice, carrier=make_carrier())
    manager.get(at("terms", site))
    one = queries()
    for _each in range(4):
        make(site, alice, carrier=make_carrier())
    assert queries() == one


def test_the_list_says_scope_dates_limit_and_warnings(manager, site, alice):
    make(
        site,
        alice,
        carrier=make_carrier("Cedar Line"),
        valid_until=date(2026, 12, 31),
        limit_basis="package",
        limit_rate=500,
    )
    page = page_of(manager.get(at("terms", site)))
    assert "Carrier Cedar Line, site NOR" in page
    assert "Bills from Thu 1 Jan 2026 until Thu 31 Dec 2026" in page
    assert "500.00 USD for each package" in page
    assert "1 warning" in page


def test_which_terms_would_hold_and_why(manager, site, alice):
    cedar = make_carrier("Cedar Line")
    make(site, alice, "Everybody's", site=None)
    narrow = make(site, alice, "Cedar's own", carrier=cedar)
    asked = {"carrier": cedar.pk, "origin": "", "mode": "road", "day": "2026-02-26"}
    answer = manager.get(at("terms_which", site), asked)
    assert answer.context["choice"].terms == narrow
    page = page_of(answer)
    assert "narrowest terms that fit" in page
    assert "Wider: holds for every bill." in page


def test_where_none_would_hold_it_says_so(manager, site):
    page = page_of(manager.get(at("terms_which", site), {"mode": "road", "day": "2026-02-26"}))
    assert "No terms fit this carrier" in page


@pytest.mark.parametrize("asked", [{"mode": "road", "day": "soon"}, {"mode": "pipe", "day": "2026-02-26"}, {"day": ""}])
def test_a_question_that_is_no_good_is_answered_with_a_sentence(manager, site, asked):
    answer = manager.get(at("terms_which", site), asked)
    assert answer.status_code == 422
    assert "choice" not in answer.context
    assert "errorsummary" in page_of(answer)


def test_before_it_is_asked_the_question_is_empty(manager, site):
    answer = manager.get(at("terms_which", site))
    assert answer.status_code == 200
    assert "choice" not in answer.context
