"""All sites together: what the pages put together, cards and talks of their own, and the rules of judging."""

import csv
import re
import uuid
from datetime import UTC, date, datetime
from io import StringIO

import pytest
import time_machine
from django.urls import reverse

from claims import company, issuing, jobs, judging, periods
from claims.models import Job, JudgingRule, Scorecard
from claims.periods import Choice, Period
from receiving import evidence, verification
from receiving.documents import pages
from receiving.models import Event, Membership
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_filed, make_load
from tests.claims.cards import APRIL, make_card
from tests.claims.cards import kept as small
from tests.claims.carriers import MARCH, make_counts, make_seven
from tests.claims.talks import make_talk

pytestmark = pytest.mark.django_db


@pytest.fixture
def sites():
    return make_site("NOR"), make_site("SOU", time_zone="America/Denver", currency="CAD")


@pytest.fixture
def everywhere(sites):
    return company.everywhere()


@pytest.fixture
def manager(client, sites):
    person = make_person("manager", None, "everywhere", first_name="Dana")
    client.force_login(person)
    return person


@pytest.fixture
def account():
    return make_account("Juniper Home Stores")


@pytest.fixture
def two(sites, account):
    """The seven carriers of the golden example at one site; two of them, careless in other freight, at another."""
    seven = make_seven(sites[0], account=account)
    for name in ("Birch", "Elm"):
        make_counts(sites[1], seven[name], [60, 50, 70, 55, 65, 60], account=account)
    return seven


def url(name, *args, **query):
    return reverse(name, args=["all", *args], query=query)


def text(answer):
    return answer.content.decode()


def words(page):
    page = re.sub(r"<(svg|select).*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def rows(page):
    table = page.partition('aria-labelledby="figures"')[2].partition("</table>")[0]
    found = [words(row).strip() for row in re.findall(r"<tr>(.*?)</tr>", table, re.S)]
    return {row.split()[0]: row for row in found}


# --- who --------------------------------------------------------------------------------------------------------------


def test_a_member_of_every_single_site_is_no_member_of_all(client, sites):
    person = make_person("manager", sites[0], "both")
    Membership.objects.create(person=person, site=sites[1], role="manager")
    client.force_login(person)
    assert client.get(url("carriers")).status_code == 404
    assert url("carriers") not in text(client.get(reverse("carriers", args=["NOR"])))


def test_what_somebody_may_at_one_site_they_may_not_at_all(client, sites, two):
    person = make_person("viewer", None, "looks")
    Membership.objects.create(person=person, site=sites[0], role="manager")
    client.force_login(person)
    assert client.get(url("scorecards_issue")).status_code == 403
    assert client.get(reverse("scorecards_issue", args=["NOR"])).status_code == 200


def test_the_page_leads_from_a_site_to_all_and_back(client, manager, two):
    assert f'href="{url("carriers")}"' in text(client.get(reverse("carriers", args=["NOR"])))
    page = text(client.get(url("carriers")))
    assert reverse("doors", args=["NOR"]) in page and 'action="/NOR/search/"' in page


# --- what is put together ---------------------------------------------------------------------------------------------


def test_a_site_of_no_matter_which_size_is_held_against_itself(everywhere, sites, two):
    """What is usual is added up by site: Birch's 360 at the second site are what its freight brings there."""
    choice = Choice(everywhere.sites, Period(MARCH, MARCH))
    both = {each.name: each for each in periods.comparison(choice).standings}
    [one, other] = [
        {each.name: each for each in periods.comparison(Choice((site,), Period(MARCH, MARCH))).standings}
        for site in sites
    ]
    for name in both:
        parts = [part[name].expected for part in (one, other) if name in part]
        assert both[name].expected == pytest.approx(sum(parts))
        assert both[name].sums.k == sum(part[name].sums.k for part in (one, other) if name in part)
    assert both["Birch"].expected == pytest.approx(135.7009 + 360, abs=1e-4)


def test_the_page_adds_up_and_says_how(client, manager, two):
    page = text(client.get(url("carriers")))
    assert rows(page)["Birch"].startswith("Birch Worse 30 27,000 725")
    said = words(page)
    assert "all sites together (NOR, SOU), each by its own calendar" in said
    assert "freight is held against freight of the same site only" in said
    assert "Money in different currencies is never added" in said


def test_behind_a_figure_the_trailers_say_their_site(client, manager, two):
    page = words(text(client.get(url("carriers_behind", two["Birch"].pk, "trailers"))))
    assert "NOR T-" in page and "SOU T-" in page


def test_the_file_has_the_rows_of_the_page(client, manager, two):
    answer = client.get(url("carriers_export", "csv"))
    lines = list(csv.reader(StringIO(b"".join(answer).decode("utf-8-sig"))))
    assert ["Birch", "Worse", "30", "27000", "725"] in [line[:5] for line in lines]


def test_a_month_is_each_sites_own(client, manager, sites, account):
    """Half past midnight on the first of April in Chicago is still March in Denver."""
    carrier = make_carrier("Alder")
    at = datetime(2026, 4, 1, 5, 30, tzinfo=UTC)
    for site in sites:
        arrival = make_load(site, actor=manager).arrival
        type(arrival).objects.filter(pk=arrival.pk).update(carrier=carrier, released_at=at)
        issuing.months.rebuild(site)
    found = dict(periods.series(Choice(company.everywhere().sites, Period(MARCH, date(2026, 4, 1))), carrier.pk))
    assert [found[month].k for month in (MARCH, date(2026, 4, 1))] == [1, 1]


def test_money_in_two_currencies_is_never_added(client, manager, sites, everywhere):
    carrier = make_carrier("Alder")
    for site in sites:
        make_filed(site, actor=manager, carrier=carrier)
    page = words(text(client.get(url("carrier", carrier.pk))))
    assert [f"Outstanding by days since filing, {currency}" in page for currency in ("USD", "CAD")] == [True, True]
    money = make_card(everywhere, carrier, actor=manager).content["claims"]["money"]
    assert [row["currency"] for row in money] == ["CAD", "USD"]


# --- cards ------------------------------------------------------------------------------------------------------------


@pytest.fixture
def undrawn(monkeypatch):
    monkeypatch.setattr(issuing, "drawn", small)


def issue(everywhere, carrier, actor, **given):
    return issuing.issue(everywhere, carrier, MARCH, **({"uuid": uuid.uuid4()} | given), actor=actor, at=APRIL)


def test_a_card_over_all_sites_is_two_pages_and_made_again_byte_for_byte(everywhere, manager, two):
    card = issue(everywhere, two["Birch"], manager)
    files = issuing.remake(Scorecard.objects.get(pk=card.pk))
    assert (str(card), card.site, card.verdict, pages.count(files["pdf"])) == ("SA-0001", None, "worse", 2)
    assert {kind: evidence.digest(data) for kind, data in files.items()} == {
        "pdf": card.pdf_sha256,
        "xlsx": card.xlsx_sha256,
    }


def test_a_card_names_the_site_of_every_trailer_and_stratum(everywhere, manager, two):
    content = make_card(everywhere, two["Birch"], actor=manager).content
    assert {row["number"].split()[0] for row in content["trailers"]} == {"NOR", "SOU"}
    assert set(content["strata"].values()) == {
        f"{code}: Juniper Home Stores, Denver, counted by list" for code in ("NOR", "SOU")
    }
    assert any("same site only" in note for note in content["notes"])


def test_cards_over_all_sites_have_numbers_of_their_own(everywhere, sites, manager, two):
    made = [make_card(where, two[name], actor=manager) for name in ("Birch", "Elm") for where in (sites[0], everywhere)]
    assert [str(card) for card in made] == ["S-0001", "SA-0001", "S-0002", "SA-0002"]


@pytest.mark.parametrize("typed", ["SA-0001", "sa 1"])
def test_a_card_of_all_sites_is_found_by_its_number(client, two, everywhere, manager, typed):
    make_card(everywhere, two["Elm"], actor=manager)
    search = reverse("search", args=["NOR"], query={"q": typed})
    assert client.get(search).url == url("scorecard", 1)


def test_who_does_not_see_all_sites_is_not_told_of_their_card(client, two, sites, everywhere, manager):
    make_card(everywhere, two["Elm"], actor=manager)
    client.force_login(make_person("manager", sites[0], "nora"))
    page = client.get(reverse("search", args=["NOR"], query={"q": "SA-0001"}))
    assert "Nothing here bears “SA-0001”." in text(page)


def test_a_card_over_all_sites_is_told_in_every_log_and_holds_every_head(everywhere, sites, manager, two):
    for site in sites:
        make_talk(site, two["Birch"], actor=manager)
    heads = [evidence.head(site) for site in sites]
    card = make_card(everywhere, two["Birch"], actor=manager)
    assert [(each["seq"], each["hash"]) for each in card.content["made"]["log"]["heads"]] == heads
    assert (card.log_seq, card.log_head) == (None, card.content["made"]["log"]["hash"])
    told = Event.objects.filter(record=f"scorecard:{card.pk}", verb="scorecard.issued")
    assert {event.site for event in told} == set(sites)
    assert [list(verification.verify(site)) for site in sites] == [[], []]


def test_a_site_made_later_does_not_miss_what_was_told_before_it(everywhere, manager, two):
    make_card(everywhere, two["Birch"], actor=manager)
    assert list(verification.verify(make_site("WES"))) == []


def test_a_card_over_all_sites_that_was_slipped_in_is_named(everywhere, sites, manager, two):
    card = make_card(everywhere, two["Birch"], actor=manager)
    card.pk, card.number, card.uuid = None, 7, uuid.uuid4()
    card.save(force_insert=True)
    assert any("SA-0007" in each.where for each in verification.verify(sites[0]))


def test_a_late_finding_at_any_site_makes_the_card_differ(everywhere, sites, manager, two):
    card = make_card(everywhere, two["Birch"], actor=manager)
    assert issuing.changes_since(card) == []
    make_counts(sites[1], two["Birch"], [3])
    later = make_card(everywhere, two["Birch"], actor=manager, restates=card)
    assert later.content["restated"]["number"] == "SA-0001"
    assert [each["number"].split()[0] for each in later.content["restated"]["sources"]] == ["SOU"]


def test_the_month_has_to_be_over_at_every_site(everywhere, manager, two):
    """One in the morning of the first of April in Chicago, midnight in Denver: a minute before, it is March there."""
    early = datetime(2026, 4, 1, 5, 59, tzinfo=UTC)
    with pytest.raises(Refused, match="not over at every site"):
        issuing.issue(everywhere, two["Birch"], MARCH, uuid=uuid.uuid4(), actor=manager, at=early)


def test_asked_for_on_the_page_they_are_made_by_work_of_the_company(client, manager, two, undrawn):
    with time_machine.travel(APRIL, tick=False):
        page = text(client.get(url("scorecards_issue")))
        assert "SA-" not in page
        given = {"month": "2026-03", "carriers": [two["Birch"].pk, two["Elm"].pk], "uuid": uuid.uuid4()}
        answer = client.post(url("scorecards_issue"), given)
        job = Job.objects.get()
        assert (answer["Location"], job.site) == (job.get_absolute_url(), None)
        assert jobs.run_now(job).state == "done"
        assert sorted(map(str, Scorecard.objects.all())) == ["SA-0001", "SA-0002"]
        page = words(text(client.get(url("scorecards"))))
        assert "SA-0001" in page and "SA-0002" in page
        assert "SA-0001" not in words(text(client.get(reverse("scorecards", args=["NOR"]))))
        assert "Log entry, SOU" in words(text(client.get(url("scorecard", 1))))


# --- talks ------------------------------------------------------------------------------------------------------------


def test_what_was_agreed_for_all_and_at_each_stands_together(client, everywhere, sites, manager, two):
    make_talk(everywhere, two["Birch"], actor=manager, text="New straps everywhere.")
    make_talk(sites[1], two["Birch"], actor=manager, text="Chock the last row.")
    page = words(text(client.get(url("carrier", two["Birch"].pk))))
    assert "all sites" in page and "New straps everywhere." in page and "Chock the last row." in page
    page = words(text(client.get(reverse("carrier", args=["NOR", two["Birch"].pk]))))
    assert "New straps everywhere." not in page and "Chock the last row." not in page
    content = make_card(everywhere, two["Birch"], actor=manager).content
    assert {each["site"] for each in content["agreed"]} == {"", "SOU"}


# --- the rules of judging ---------------------------------------------------------------------------------------------


def change(site, actor, *, false_share=10, trailer_cap=10, seen=0, **given):
    return judging.change(
        site,
        false_share=false_share,
        trailer_cap=trailer_cap,
        seen=seen,
        **({"uuid": uuid.uuid4()} | given),
        actor=actor,
        at=APRIL,
    )


def test_rules_are_a_sites_own_and_those_of_all_sites_are_their_own(everywhere, sites, manager):
    change(sites[0], manager)
    change(everywhere, manager, false_share=5, trailer_cap=None)
    found = [judging.settings(where) for where in (*sites, everywhere)]
    assert [(each.q, each.trailer_cap) for each in found] == [(0.1, 10), (0.05, 10), (0.05, None)]
    assert list(verification.verify(sites[0])) == []


def test_a_change_of_rules_is_told_with_what_was_before(sites, manager):
    rule = change(sites[0], manager)
    event = Event.objects.get(record=f"judgingrule:{rule.pk}")
    assert (event.before["false_share"], event.after["false_share"]) == (5, 10)


def test_of_two_at_once_one_wins_and_the_other_is_told(sites, manager):
    change(sites[0], manager)
    with pytest.raises(ChangedMeanwhile, match="Dana"):
        change(sites[0], manager, trailer_cap=None)


def test_what_holds_already_and_what_nobody_has_tried_is_refused(sites, manager):
    with pytest.raises(Refused, match="holds already"):
        change(sites[0], manager, false_share=5)
    for given in ({"false_share": 20}, {"trailer_cap": 5}):
        with pytest.raises(Refused, match="effect is known"):
            change(sites[0], manager, **given)


def test_a_card_keeps_its_rules_and_is_restated_under_them(sites, manager, two):
    """Dogwood's q against all is 0.074: with 10 in 100 it would be told apart in the first pass, not with 5."""
    card = make_card(sites[0], two["Dogwood"], actor=manager)
    change(sites[0], manager, trailer_cap=None)
    assert issuing.changes_since(card) == []
    assert [each.differs for each in issuing.states(sites[0], MARCH) if each.card] == [False]
    make_counts(sites[0], two["Dogwood"], [5])
    later = make_card(sites[0], two["Dogwood"], actor=manager, restates=card)
    assert later.content["settings"]["trailer_cap"] == 10 and later.content["rules"] is None
    other = make_card(sites[0], two["Elm"], actor=manager)
    assert (other.content["settings"]["q"], other.content["settings"]["trailer_cap"]) == (0.1, None)
    assert other.content["rules"] == {"day": "Mon 6 Apr 2026", "by": "Dana"}
    assert any("10 in 100" in note for note in other.content["notes"])


def test_the_page_judges_by_the_rules_of_its_site(client, sites, manager, account):
    """Oak lost most of one trailer, which counts with a tenth of it, or in full."""
    base = " ".join(["9 0 4 1 1"] * 8)
    carriers = {name: make_carrier(name) for name in ("Juniper", "Larch", "Maple", "Oak")}
    for name in ("Juniper", "Larch", "Maple"):
        make_counts(sites[0], carriers[name], map(int, base.split()), account=account)
    make_counts(sites[0], carriers["Oak"], [700, 3, 2, 4, 1, 5], account=account)
    address = reverse("carriers", args=["NOR"])
    assert "at most 10% of its cartons" in text(client.get(address))
    change(sites[0], manager, false_share=5, trailer_cap=None)
    page = text(client.get(address))
    assert "at most 10% of its cartons" not in page and "with all of its cartons" in page


def test_the_rules_are_changed_on_their_page(client, sites, manager):
    address = reverse("judging_rules", args=["NOR"])
    page = text(client.get(address))
    assert "5 in 100" in page and "Nothing yet" in page
    given = {"false_share": "10", "trailer_cap": "", "seen": "0"}
    assert client.post(address, given | {"uuid": uuid.uuid4()}).status_code == 302
    rule = JudgingRule.objects.get()
    assert (rule.false_share, rule.trailer_cap, rule.site) == (10, None, sites[0])
    page = text(client.get(address))
    assert "10 in 100 by luck" in page and "Dana" in page
    answer = client.post(address, given | {"uuid": uuid.uuid4(), "trailer_cap": "10"})
    assert answer.status_code == 409 and "meanwhile" in text(answer)
    assert f'name="seen" value="{rule.pk}"' in text(answer), "who has compared may save"
    answer = client.post(address, given | {"uuid": uuid.uuid4(), "false_share": "20"})
    assert answer.status_code == 422 and "Choose 5 or 10 in 100" in text(answer)
