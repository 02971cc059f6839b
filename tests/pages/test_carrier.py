"""One carrier: its verdict, months with limits, trailers, claims, cards, and what was agreed with it."""

import re
import uuid
from datetime import date

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from claims import months, periods
from claims.enums import FactKind
from claims.models import ReviewNote
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.builders import make_filed, make_load
from tests.claims.cards import make_card
from tests.claims.carriers import MARCH, make_counts, make_seven
from tests.claims.fact_builders import make_fact
from tests.claims.talks import close_talk, make_talk

pytestmark = pytest.mark.django_db
MAY = "2026-05-04T15:00:00Z"


@pytest.fixture(autouse=True)
def in_may():
    with time_machine.travel(MAY, tick=False):
        yield


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


def at(site, name, *more, **query):
    return reverse(name, args=[site.code, *more], query=query)


def page_of(client, site, carrier, **query):
    answer = client.get(at(site, "carrier", carrier.pk, **query))
    assert answer.status_code == 200
    return answer.content.decode()


def words(page):
    """What a page says, without its drawings and tags."""
    return re.sub(r"\s+", " ", re.sub(r"<svg.*?</svg>|<[^>]+>", " ", page, flags=re.S))


def post(client, address, **told):
    return client.post(address, {"uuid": str(uuid.uuid4())} | told)


# --- the verdict and what it rests on ---------------------------------------------------------------------------------


def test_the_verdict_is_the_first_thing_it_says_with_its_range(signed_in, site, seven):
    page = page_of(signed_in, site, seven["Birch"])
    said = words(page)
    assert "Worse Birch: 365 damaged cartons; for its freight about 136 would be usual." in said
    assert said.index("Likely range 11.5 to 23.5 per 1,000.") < said.index("Months up to")
    assert "Look through its trailers first" in said and "does not say whose doing" in said


def test_each_kind_has_its_row_and_verdict_and_only_rates_with_ranges(signed_in, site, seven, account):
    make_counts(site, seven["Birch"], [], account=account)
    lines = signed_in.get(at(site, "carrier", seven["Birch"].pk)).context["lines"]
    assert [(line.kind, line.standing.verdict) for line in lines] == [
        ("damaged", "worse"),
        ("short", "no_comparison"),
        ("over", "no_comparison"),
    ]
    table = page_of(signed_in, site, seven["Birch"]).partition('aria-labelledby="figures"')[2].partition("</table>")[0]
    assert "16.9 11.5–23.5" in words(table) and "88% 69–96%, 21 / 24" in words(table)


def test_under_the_floor_there_are_counts_and_no_rate(signed_in, site, seven):
    said = words(page_of(signed_in, site, seven["Alder"]))
    assert "Too little data Alder: 1 trailer, 9 damaged cartons. Verdicts start at 5 trailers." in said
    assert "per 1,000." not in said and "%" not in said.partition("The figures")[2].partition("The trailers")[0]


def test_a_carrier_without_such_freight_and_a_site_without_trailers_say_so(signed_in, site, seven):
    idle = make_carrier("Cedar Two")
    assert "Cedar Two brought no such freight in these months." in words(page_of(signed_in, site, idle))
    away = make_site("SOU")
    signed_in.force_login(make_person("manager", None, "everywhere"))
    said = words(page_of(signed_in, away, idle))
    assert "No trailer of a known carrier has been released here yet" in said and "Months up to" not in said


def test_the_filter_of_the_comparison_holds_here_and_on_the_way_on(signed_in, site, seven, account):
    birch = seven["Birch"]
    make_counts(site, birch, [4, 5, 6, 7, 8], month=date(2026, 2, 1), account=account, short=2)
    page = page_of(signed_in, site, birch, kind="short", first="2026-02", last="2026-02")
    assert re.search(r"Short No comparison 5 4,500 10 ", words(page)) and "Less than twelve months" in page
    behind = at(site, "carriers_behind", birch.pk, "counted", kind="short", first="2026-02", last="2026-02")
    assert {part.split("=")[0] for part in behind.partition("?")[2].split("&")} == {"kind", "first", "last"}
    links = [link.replace("&amp;", "&") for link in re.findall(r'href="([^"]+)"', page)]
    assert [link for link in links if "behind/counted/" in link and "first=2026-02" in link]
    assert [link for link in links if link.startswith(at(site, "carriers") + "?") and "kind=short" in link]
    answer = signed_in.get(at(site, "carrier", birch.pk, kind="short", account=account.pk))
    assert all("kind=short" in line.url and "account=" in line.url for line in answer.context["month_lines"])


@pytest.mark.parametrize(
    ("query", "sentence"), [({"last": "2019-01"}, "no trailer was released here"), ({"kind": "x"}, "compared by")]
)
def test_a_filter_that_cannot_be_read_is_named(signed_in, site, seven, query, sentence):
    answer = signed_in.get(at(site, "carrier", seven["Elm"].pk, **query))
    assert answer.status_code == 422 and sentence in answer.content.decode()


def test_the_worst_trailers_come_first_and_lead_to_themselves(signed_in, site, seven):
    answer = signed_in.get(at(site, "carrier", seven["Birch"].pk))
    found = answer.context["trailers"]
    assert [row.events for row in found] == [47, 40, 36, 31, 28, 25, 22, 19, 17, 16]
    page = answer.content.decode()
    assert found[0].arrival.get_absolute_url() in page and "365 counted as damaged, in 21 trailers" in words(page)


def test_no_such_carrier_is_404(signed_in, site):
    assert signed_in.get(at(site, "carrier", 99_999)).status_code == 404


def test_names_and_notes_are_text(signed_in, site, manager, account):
    carrier = make_carrier("<script>x</script>")
    make_counts(site, carrier, [1] * 6, account=account)
    make_talk(site, carrier, actor=manager, text="<b>bold</b>\nsecond", agreed_with="<i>M</i>")
    page = page_of(signed_in, site, carrier)
    assert "<script>x" not in page and "<b>bold" not in page and "<i>M" not in page and "<br>second" in page
    assert 'style="' not in page and "<style" not in page


# --- months -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def long(site, account):
    """Thirty months up to April 2026 of five trailers with 2, 3, 1, 2 and 2 damaged cartons, the last with 40 each."""
    carrier = make_carrier("Alder")
    for back in range(30):
        make_counts(
            site,
            carrier,
            [40] * 5 if back == 0 else [2, 3, 1, 2, 2],
            month=periods.month_back(date(2026, 4, 1), back),
            account=account,
        )
    return carrier


def test_months_stand_against_limits_of_the_first_twelve_and_one_outside_is_named(signed_in, site, long):
    answer = signed_in.get(at(site, "carrier", long.pk))
    page, lines = answer.content.decode(), answer.context["month_lines"]
    assert (len(lines), lines[0].point.label, lines[-1].point.label) == (24, date(2026, 4, 1), date(2024, 5, 1))
    assert answer.context["centre"] == pytest.approx(10 / 4.5), "of November 2023 to October 2024"
    assert [line.signs for line in lines if line.signs] == ["above the limit"]
    assert "April 2026 : above the limit." in words(page)
    assert page.count("<svg role") == 2 and "not a verdict" in page
    link = answer.context["signals"][0].url
    assert "first=2026-04" in link and "40" in signed_in.get(link).content.decode()


def test_the_table_has_what_the_chart_has(signed_in, site, long):
    page = page_of(signed_in, site, long)
    table = words(page.partition("The months as a table")[2].partition("</table>")[0])
    assert re.search(r"April 2026 5 4,500 200 44\.4 [\d.]+–[\d.]+ above the limit", table)
    assert re.search(r"March 2026 5 4,500 10 2\.2 [\d.]+–[\d.]+ –", table)


def test_without_twelve_months_there_are_counts_and_neither_chart_nor_rate(signed_in, site, seven):
    page = page_of(signed_in, site, seven["Birch"])
    assert (
        "Limits need 12 months with this carrier's trailers" in page
        and "there is 1 such month" in page
        and "<svg role" not in page
    )
    table = words(page.partition("The months as a table")[2].partition("</table>")[0])
    assert "March 2026 24 21,600 365 – –" in table


def test_eight_months_on_one_side_are_told(signed_in, site, account):
    carrier = make_carrier("Alder")
    for back in range(22):
        events = [3] * 21 if back < 9 else [1, 2, 3] * 7
        make_counts(site, carrier, events, month=periods.month_back(date(2026, 4, 1), back), account=account)
    signs = [line.signs for line in signed_in.get(at(site, "carrier", carrier.pk)).context["signals"]]
    assert signs and all("months on one side" in each or each == "above the limit" for each in signs)


# --- beside, claims, money, cards -------------------------------------------------------------------------------------


def test_gate_and_seals_stand_beside_the_verdict(signed_in, site, account):
    carrier = make_carrier("Alder")
    make_counts(site, carrier, [1, 0, 2, 1], account=account, minutes_late=10)
    make_counts(site, carrier, [1], account=account, minutes_late=16, seal_exception=True)
    said = words(page_of(signed_in, site, carrier))
    assert re.search(r"On time at the gate 80% [\d]+–[\d]+%, 4 / 5", said)
    assert re.search(r"Seal exceptions 20% [\d]+–[\d]+%, 1 / 5", said)


@pytest.fixture
def claimed(site, manager):
    """A claim filed on 2 March, acknowledged and not decided, and one of another carrier."""
    carrier = make_carrier("Alder")
    mine = make_filed(site, actor=manager, shipment=make_load(site, actor=manager, carrier=carrier, damaged=2))
    make_filed(site, actor=manager, shipment=make_load(site, actor=manager, carrier=make_carrier("Birch")))
    make_fact(mine, FactKind.ACKNOWLEDGED, actor=manager, on=date(2026, 3, 20))
    return mine


def test_claims_and_open_money_are_of_this_carrier_only(signed_in, site, claimed):
    answer = signed_in.get(at(site, "carrier", claimed.carrier_id))
    said = words(answer.content.decode())
    assert answer.context["handled"].filed == 1 and "1 claim filed against it here" in said
    assert "Days until half are decided not half of them yet" in said and "0 decided, 1 open" in said
    [book] = answer.context["books"]
    assert book.count == 1 and book.total.open == book.total.claimed > 0
    assert f"/claims/money/?carrier={claimed.carrier_id}" in answer.content.decode()
    assert "Outstanding by days since filing" in said


def test_shares_in_time_have_ranges_and_recovery_has_none(signed_in, site, claimed, manager):
    amount = claimed_amount(claimed)
    make_fact(claimed, FactKind.RECEIPT, actor=manager, on=date(2026, 4, 1), amount=amount)
    said = words(page_of(signed_in, site, claimed.carrier))
    handled = said.partition("How it handles claims")[2].partition("What was agreed")[0]
    assert "Come in of what was claimed, USD 100%" in handled and "one claim is most of this" in handled
    assert re.search(r"Decided claims paid at all, USD 100% \d+–100%, 1 / 1", handled)
    assert "1 decided, 0 open" in handled


def test_the_ages_add_up_and_the_settled_are_counted_beside_them(signed_in, site, claimed, manager):
    settled = make_filed(site, actor=manager, shipment=make_load(site, actor=manager, carrier=claimed.carrier))
    make_fact(settled, FactKind.RECEIPT, actor=manager, on=date(2026, 4, 1), amount=claimed_amount(settled))
    answer = signed_in.get(at(site, "carrier", claimed.carrier_id))
    [book] = answer.context["books"]
    assert (book.count, book.owing, sum(age.count for age in book.ages)) == (2, 1, 1)
    said = words(answer.content.decode())
    assert "Together 1 USD" in said and "2 claims ever filed here, settled or not: claimed USD" in said


def claimed_amount(claim):
    return claim.lines.get(position=1).amount + sum(line.amount for line in claim.lines.exclude(position=1))


def test_without_claims_it_says_so(signed_in, site, seven):
    assert "No claim was filed against it here, April 2025 to March 2026." in words(
        page_of(signed_in, site, seven["Elm"])
    )


def test_cards_are_listed_with_what_took_their_place(signed_in, site, manager, account):
    carrier = make_carrier("Alder")
    make_counts(site, carrier, [1, 2, 0, 1, 3], account=account)
    first = make_card(site, carrier, actor=manager)
    assert "None yet." not in page_of(signed_in, site, carrier)
    make_counts(site, carrier, [9], account=account)
    second = make_card(site, carrier, actor=manager, restates=first)
    page = page_of(signed_in, site, carrier)
    said = words(page.partition('id="cards"')[2].partition("</section>")[0])
    assert said.index(str(second)) < said.index("March 2026") and f"{second} took its place" in said
    assert "a restatement" in said and first.get_absolute_url() in page and second.get_absolute_url() in page
    assert str(first) not in words(page_of(signed_in, site, make_carrier("Birch")))


# --- what was agreed --------------------------------------------------------------------------------------------------


def test_writing_down_leads_back_to_the_carrier_with_the_note(signed_in, site, seven):
    birch = seven["Birch"]
    told = {
        "on": "2026-04-20",
        "text": "Load bars in every trailer.",
        "agreed_with": "M. Reed",
        "by_when": "2026-06-01",
    }
    answer = post(signed_in, at(site, "carrier_agreed", birch.pk), **told)
    assert (answer.status_code, answer["Location"]) == (302, at(site, "carrier", birch.pk) + "#agreed")
    said = words(page_of(signed_in, site, birch))
    assert "Written down. It stands on the next scorecard of Birch" in said
    assert "Mon 20 Apr 2026 open Load bars in every trailer." in said and "By Mon 1 Jun 2026" in said
    note = ReviewNote.objects.get()
    assert (note.site, note.carrier, note.actor.username) == (site, birch, "manager")
    assert "Load bars" not in words(page_of(signed_in, site, seven["Fir"]))


def test_the_same_form_sent_twice_is_one_note(signed_in, site, seven):
    told = {"on": "2026-04-20", "text": "Load bars.", "uuid": str(uuid.uuid4())}
    address = at(site, "carrier_agreed", seven["Birch"].pk)
    assert [signed_in.post(address, told).status_code for _ in range(2)] == [302, 302]
    assert ReviewNote.objects.count() == 1
    assert signed_in.post(address, told | {"text": "Other."}).status_code == 409


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"on": "", "text": "x"}, "Write the day of the talk."),
        ({"on": "soon", "text": "x"}, "“soon” is no day on the calendar"),
        ({"on": "2026-05-05", "text": "x"}, "Tue 5 May 2026 is still to come at NOR"),
        ({"on": "2026-04-20", "text": ""}, "Write what was agreed."),
        ({"on": "2026-04-20", "text": "x" * 1001}, "at most 1000"),
        ({"on": "2026-04-20", "text": "x", "by_when": "2026-04-19"}, "before the day of the talk"),
        ({"on": "2026-04-20", "text": "x", "scorecard": "99"}, "no card of this carrier"),
    ],
)
def test_bad_input_is_named_and_what_was_typed_is_kept(signed_in, site, seven, told, sentence):
    answer = post(signed_in, at(site, "carrier_agreed", seven["Birch"].pk), **({"agreed_with": "M. Reed"} | told))
    page = answer.content.decode()
    assert answer.status_code == 422 and sentence in page and 'value="M. Reed"' in page
    assert not ReviewNote.objects.exists()


def test_a_talk_about_a_card_leads_to_it(signed_in, site, manager, account):
    carrier = make_carrier("Alder")
    make_counts(site, carrier, [1, 2], account=account)
    card, other = make_card(site, carrier, actor=manager), make_carrier("Birch")
    make_counts(site, other, [1], account=account)
    theirs = make_card(site, other, actor=manager)
    form = signed_in.get(at(site, "carrier_agreed", carrier.pk)).content.decode()
    assert f"{card}, March 2026" in form and str(theirs) not in form
    told = {"on": "2026-04-20", "text": "x"}
    address = at(site, "carrier_agreed", carrier.pk)
    assert post(signed_in, address, **told, scorecard=theirs.pk).status_code == 422
    assert post(signed_in, address, **told, scorecard=card.pk).status_code == 302
    talks = page_of(signed_in, site, carrier).partition('id="agreed"')[2].partition('id="cards"')[0]
    assert card.get_absolute_url() in talks


def test_what_came_of_it_closes_it(signed_in, site, manager, seven):
    note = make_talk(site, seven["Birch"], actor=manager, by_when=date(2026, 4, 30))
    assert "overdue" in words(page_of(signed_in, site, seven["Birch"]))
    address = at(site, "carrier_agreed_close", seven["Birch"].pk, note.pk)
    assert "Chock the last row." in signed_in.get(address).content.decode()
    assert post(signed_in, address, on="2026-05-02", text="They do now.").status_code == 302
    said = words(page_of(signed_in, site, seven["Birch"]))
    assert "What came of it, Sat 2 May 2026" in said and "They do now." in said and "overdue" not in said
    assert "Write what came of it" not in said


def test_the_second_to_close_is_told_and_keeps_what_was_typed(signed_in, site, manager, seven):
    note = make_talk(site, seven["Birch"], actor=manager)
    close_talk(note, actor=manager)
    address = at(site, "carrier_agreed_close", seven["Birch"].pk, note.pk)
    answer = post(signed_in, address, on="2026-05-02", text="Nothing was done.")
    page = answer.content.decode()
    assert answer.status_code == 409 and "has closed this already" in page and "Chocked since." in page
    assert "Nothing was done.</textarea>" in page and "Close this" not in page
    assert ReviewNote.objects.filter(closes=note).count() == 1


@pytest.mark.parametrize(
    ("told", "sentence"),
    [
        ({"on": "2026-04-01", "text": "x"}, "before the day of the talk"),
        ({"on": "2026-05-01", "text": ""}, "even if it is nothing"),
    ],
)
def test_closing_refuses_what_cannot_be(signed_in, site, manager, seven, told, sentence):
    note = make_talk(site, seven["Birch"], actor=manager)
    answer = post(signed_in, at(site, "carrier_agreed_close", seven["Birch"].pk, note.pk), **told)
    assert answer.status_code == 422 and sentence in answer.content.decode()


def test_notes_of_another_carrier_or_site_are_404(signed_in, site, manager, seven):
    note = make_talk(site, seven["Birch"], actor=manager)
    closed = close_talk(note, actor=manager)
    away = make_site("SOU")
    theirs = make_talk(away, seven["Birch"], actor=make_person("manager", away))
    for carrier, key in ((seven["Fir"], note.pk), (seven["Birch"], theirs.pk), (seven["Birch"], closed.pk)):
        assert signed_in.get(at(site, "carrier_agreed_close", carrier.pk, key)).status_code == 404


def test_who_may_only_look_sees_no_button(client, site, manager, seven):
    make_talk(site, seven["Birch"], actor=manager)
    for role in ("clerk", "viewer"):
        client.force_login(make_person(role, site))
        said = words(page_of(client, site, seven["Birch"]))
        assert "Chock the last row." in said
        assert "Write down what was agreed" not in said and "Write what came of it" not in said


def test_the_rate_before_and_since_has_its_range_and_no_verdict(signed_in, site, manager, account, long):
    make_talk(site, long, actor=manager, on=date(2025, 10, 2))
    talks = words(page_of(signed_in, site, long).partition('id="agreed"')[2].partition('id="cards"')[0])
    assert re.search(
        r"Twelve months before October 2024 to September 2025 : 2\.2 per 1,000 \([\d.]+–[\d.]+\), 120 in 54,000 "
        r"cartons, 60 trailers",
        talks,
    )
    assert "Since November 2025 to April 2026" in talks and "250 in 27,000 cartons, 30 trailers" in talks
    assert "Worse" not in talks and "Better" not in talks


def test_many_notes_come_in_pages(signed_in, site, manager, seven):
    for day in range(1, 26):
        make_talk(site, seven["Birch"], actor=manager, on=date(2026, 3, day), text=f"note {day};")
    page = page_of(signed_in, site, seven["Birch"])
    assert page.count("note ") == 10 and "note 25;" in page and "note 15;" not in page
    older = re.search(r'href="([^"]+)" rel="next"', page)[1].replace("&amp;", "&")
    assert "note 15;" in signed_in.get(older).content.decode()


# --- the cost ---------------------------------------------------------------------------------------------------------


def cost(client, address):
    with CaptureQueriesContext(connection) as asked:
        assert client.get(address).status_code == 200
    return len(asked)


def test_queries_do_not_grow_with_months_trailers_claims_and_notes(signed_in, site, manager, account):
    carrier = make_carrier("Alder")

    def more(month):
        make_counts(site, carrier, [3, 1, 2, 0, 4], account=account, month=month)
        make_filed(site, actor=manager, shipment=make_load(site, actor=manager, carrier=carrier))
        make_talk(site, carrier, actor=manager)
        months.refresh(site)

    more(MARCH)
    page_of(signed_in, site, carrier)
    one = cost(signed_in, at(site, "carrier", carrier.pk))
    for back in (1, 2, 3):
        more(periods.month_back(MARCH, back))
    assert cost(signed_in, at(site, "carrier", carrier.pk)) == one <= 50
