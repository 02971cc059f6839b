"""The demo's claims: every standing and every kind of date is there, it all adds up, and nobody real is named."""

import json
import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from io import StringIO

import pytest
from django.core import mail
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import transaction
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from claims import dates, deadlines, issuing, periods, queries, readings, review, terms
from claims.demo import bills, load, office, scenario
from claims.enums import Binds, Duty, FactKind, LetterKind, Purpose, Stage, Standing
from claims.models import (
    Bounce,
    Claim,
    Document,
    Fact,
    Letter,
    Message,
    NotClaimed,
    Packet,
    ReviewNote,
    Scorecard,
    Terms,
)
from claims.scorecard.compare import Verdict
from claims.scorecard.verdicts import LABELS
from receiving import clock, evidence
from receiving.demo import scenario as docks
from receiving.models import Arrival, Carrier, Event, Person, Site

NOW = datetime(2026, 3, 4, 16, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def printed(django_db_setup, django_db_blocker):
    """What the command printed. Loaded once for this module, and rolled back after it."""
    out = StringIO()
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("demo", small=True, now=NOW.isoformat(), stdout=out, stderr=StringIO(), no_color=True)
        yield out.getvalue()
        transaction.set_rollback(True)


@pytest.fixture
def loaded(printed, db):
    return printed


def claims():
    return list(Claim.objects.select_related("site", "carrier", "shipment__arrival", "terms").order_by("pk"))


def standings():
    return Counter(reading.standing for reading in readings.readings(claims(), at=NOW).values())


def entries():
    return [entry for site in Site.objects.order_by("pk") for entry in dates.of_site(site, at=NOW)]


def test_every_standing_is_there_and_both_sites_have_claims(loaded):
    assert set(standings()) == set(Standing)
    assert {claim.stage for claim in claims()} == set(Stage)
    assert {claim.site.code for claim in claims()} == {"ALD", "BRK"}


def test_there_are_dates_of_every_kind(loaded):
    found = entries()
    today = NOW.date()
    known = [entry for entry in found if entry.is_known]
    assert any(not entry.is_known for entry in found)
    assert {entry.binds for entry in known if entry.date < today} == {Binds.US, Binds.CARRIER}
    assert any(today <= entry.date <= today + timedelta(days=7) for entry in known if entry.is_ours)
    assert any(entry.date > today + timedelta(days=300) for entry in known)
    kinds = {entry.kind for entry in found}
    assert kinds >= {"deadline", "offer", "letter", "bounced", "turned_up", "refund", "unclaimed"}, kinds
    duties = {entry.due.duty for entry in found if entry.due}
    assert duties >= {Duty.FILE, Duty.CONCEALED_NOTICE, Duty.ACKNOWLEDGE, Duty.DECIDE, Duty.SUE}, duties


def test_losses_are_left_to_claim_and_some_were_decided_against(loaded):
    for site in Site.objects.all():
        assert queries.to_claim(site), site
        assert queries.decided(site).exists(), site
    assert any(queries.kept_out(site).exists() for site in Site.objects.all())
    assert all(row.reason in scenario.read()["not_claimed"].values() for row in NotClaimed.objects.all())


def test_the_money_of_every_claim_adds_up(loaded):
    for claim, reading in zip(claims(), readings.readings(claims(), at=NOW).values(), strict=True):
        money = reading.money
        assert money.claimed == money.allowed + money.disallowed + money.undecided, claim
        gone = money.received + money.offset - money.refunded + money.written_off + money.conceded
        assert money.claimed == gone + money.outstanding, claim
        priced = sum((line.amount or Decimal(0) for line in claim.lines.filter(live=True)), Decimal(0))
        assert claim.amount in (None, priced) or claim.stage == Stage.WITHDRAWN, claim


def test_a_claim_for_money_is_filed_with_an_amount_under_terms_that_hold(loaded):
    filed = [claim for claim in claims() if claim.filed_at and claim.purpose == Purpose.CLAIM]
    assert len(filed) >= 10
    for claim in filed:
        assert claim.amount or claim.stage == Stage.WITHDRAWN, claim
        assert claim.frozen_terms["carrier"] == claim.carrier_id, claim
        assert terms.choose(claim.shipment, carrier=claim.carrier).terms == claim.terms


def test_a_filing_names_the_packet_that_went_or_says_that_there_was_none(loaded):
    events = Event.objects.filter(verb="claim.filed")
    assert events.count() == len([claim for claim in claims() if claim.filed_at])
    for event in events:
        number, reason = event.after["packet"], event.after["no_proof"]
        packet = Packet.objects.filter(claim=int(event.record.split(":")[1]), number=number or 0).first()
        assert (packet is None) == (reason == scenario.read()["on_paper"]), event
        assert packet is None or packet.pdf_sha256 == event.after["packet_sha256"]


def test_the_packet_of_the_demo_went_by_mail_and_came_back_and_nothing_left_the_machine(loaded):
    packet = Packet.objects.get()
    with default_storage.open(packet.pdf) as file:
        assert evidence.digest(file.read()) == packet.pdf_sha256
    assert set(Message.objects.filter(packet=packet)) == {bounce.message for bounce in Bounce.objects.all()}
    assert packet.claim.stage == Stage.FILED and packet.claim.filing_way == "email"
    assert mail.outbox == []


def test_the_settings_of_the_mail_are_as_they_were_after_loading_and_after_a_failure(settings):
    kept = settings.EMAIL_BACKEND
    with pytest.raises(ZeroDivisionError), load.nothing_leaves():
        assert settings.EMAIL_BACKEND == load.NOWHERE
        raise ZeroDivisionError
    assert kept == settings.EMAIL_BACKEND


def test_the_record_of_claims_verifies_and_its_log_goes_forward(loaded):
    out = StringIO()
    call_command("verify_evidence", stdout=out)
    assert out.getvalue().count("events and all files match") == 2
    for claim in claims():
        told = list(Event.objects.filter(record=f"claim:{claim.pk}").order_by("seq").values_list("at", flat=True))
        assert told and told == sorted(told) and told[-1] <= NOW, claim
    for arrival in Arrival.objects.filter(shipments__claims__isnull=False).distinct():
        told = list(arrival.events.order_by("seq").values_list("at", flat=True))
        assert told == sorted(told), arrival
    late = sum(told["at"] < before["at"] for before, told in pairs(Event.objects.order_by("site", "seq")))
    assert late < 10


def pairs(events):
    rows = list(events.values("site", "at"))
    return [(a, b) for a, b in zip(rows, rows[1:], strict=False) if a["site"] == b["site"]]


def test_terms_are_copies_of_starts_one_waives_the_statute_and_one_is_below_it(loaded):
    found = list(Terms.objects.all())
    assert {row.carrier.name for row in found} == set(
        Carrier.objects.filter(kind="carrier").values_list("name", flat=True)
    )
    assert all(row.template and "invented" in row.source for row in found if row.template != "us_bill" or row.account)
    waived = Terms.objects.get(carrier__name="Fernwhistle Lines")
    assert waived.waives_statute and waived.waiver
    short = Terms.objects.get(carrier__name="Cobblewick Haulage")
    assert len(deadlines.warnings(terms.periods(short), regime=short.regime, waived=False)) == 3
    assert Terms.objects.get(limit_currency="XDR").limit_rate == Decimal("8.33")


def test_papers_say_that_they_are_invented(loaded):
    rows = list(Document.objects.all())
    assert len({row.kind for row in rows}) >= 6
    for row in rows:
        with default_storage.open(row.file) as file:
            pages = PdfReader(file).pages
            assert "Example, invented." in pages[0].extract_text() and len(pages) == row.pages


PATHS = ("to_claim", "claims_open", "claims_closed", "not_claimed", "due", "money")


@pytest.mark.parametrize("username", ["clerk", "manager"])
def test_the_pages_of_claims_open_for_clerk_and_manager(loaded, username):
    client = Client()
    client.force_login(Person.objects.get(username=username))
    for name in PATHS:
        assert client.get(reverse(name, args=["ALD"])).status_code == 200, name
    for claim in claims():
        if claim.site.code == "ALD" or username == "manager":
            assert client.get(claim.get_absolute_url()).status_code == 200, claim


def test_the_printed_addresses_are_the_clerks_first_and_lead_somewhere(loaded):
    lines = loaded.splitlines()
    paths = [line.split()[0] for line in lines[lines.index("As the clerk, open first:") + 1 :]]
    assert paths[0] == "/ALD/claims/to-claim/" and "/ALD/due/" in paths and len(paths) == 4
    client = Client()
    client.force_login(Person.objects.get(username="clerk"))
    assert [client.get(path).status_code for path in paths] == [200] * 4
    assert Packet.objects.get().claim.get_absolute_url() in paths


def test_nobody_real_is_named(loaded):
    written = json.dumps(scenario.read(), ensure_ascii=False)
    names = {row["name"] for row in docks.read()["carriers"]} | {row["legal_name"] for row in docks.read()["accounts"]}
    for row in scenario.read()["claims"]:
        asked = row.get("bill", {})
        assert {asked.get("carrier"), asked.get("account")} - {None} <= names
    assert not re.search(r"https?:|www\.|@(?!\S*\.example)", written)
    to = [*Message.objects.values_list("to", flat=True), *Letter.objects.values_list("to", flat=True)]
    assert to and all(address.endswith(".example") for address in to)


def test_a_script_is_the_same_for_the_same_moment(loaded):
    """Which bill each claim takes depends on nothing but the day."""
    company = type("Company", (), {"sites": {site.code: site for site in Site.objects.all()}})
    asked = [row | {"acts": []} for row in scenario.read()["left"]]
    given = [[bills.Bills(company, now=NOW).give(row).shipment.pk for row in asked] for _again in range(2)]
    assert given[0] == given[1]


def test_every_word_of_every_script_is_something_that_can_happen():
    words = {act[1] for row in scenario.read()["claims"] for act in row["acts"]}
    assert all(callable(getattr(office.Acts, word, None)) for word in words)
    kinds = {act[2] for row in scenario.read()["claims"] for act in row["acts"] if "letter" in act[1]}
    assert kinds <= set(LetterKind.values)


def test_every_claim_of_the_full_demo_has_its_standing_in_the_scenario():
    rows = bills.rows(small=False)
    assert 40 <= len(rows) <= 60 and 12 <= len(bills.rows(small=True)) <= 25
    for row in rows:
        days = [act[0] for act in row["acts"]]
        assert days == sorted(days, reverse=True), row


def test_facts_happened_on_days_that_were(loaded):
    for fact in Fact.objects.select_related("claim__site"):
        assert fact.on <= clock.site_day(NOW, fact.claim.site.time_zone)
        assert fact.kind == FactKind.NOTE or fact.on >= fact.claim.filed_on


def test_the_totals_of_the_money_page_are_the_claims_own(loaded):
    site = Site.objects.get(code="ALD")
    held = [claim for claim in claims() if claim.site == site and claim.stage in (Stage.FILED, Stage.CLOSED)]
    held = [claim for claim in held if claim.purpose == Purpose.CLAIM]
    total = sum((claim.amount for claim in held), Decimal(0))
    client = Client()
    client.force_login(Person.objects.get(username="clerk"))
    page = client.get(reverse("money", args=["ALD"])).content.decode()
    assert f"{total:,.2f}" in page


# --- carriers ---------------------------------------------------------------------------------------------------------


def test_a_card_was_issued_and_restated_after_a_late_finding(loaded):
    first, second = Scorecard.objects.filter(carrier__name="Quarterbell Freight").order_by("number")
    assert second.restates == first and (second.month, second.site) == (first.month, first.site)
    was, now = ({row["key"]: row["value"] for row in card.content["figures"]} for card in (first, second))
    assert int(now["month.damaged"]) == int(was["month.damaged"]) + 1
    assert list(issuing.standing(first.site, first.month).filter(carrier=first.carrier)) == [second]
    assert first.month < clock.site_day(first.at, first.site.time_zone).replace(day=1)


def test_talks_are_in_the_review_log_one_closed_and_one_about_a_card(loaded):
    carrier, site = Carrier.objects.get(name="Quarterbell Freight"), Site.objects.get(code="ALD")
    newest, older = review.notes(site, carrier)
    assert newest.scorecard.carrier == carrier and newest.on < NOW.date() < newest.by_when
    assert older.closed_by.text and older.on < older.closed_by.on
    assert ReviewNote.objects.count() == 3


def test_the_managers_pages_of_carriers_open(loaded):
    client = Client()
    client.force_login(Person.objects.get(username="manager"))
    carrier = Carrier.objects.get(name="Quarterbell Freight")
    card = Scorecard.objects.latest("number")
    for name, args in (("carriers", []), ("carrier", [carrier.pk]), ("scorecards", []), ("scorecard", [card.number])):
        assert client.get(reverse(name, args=["ALD", *args])).status_code == 200, name


# --- no verdict without its range, none below the floor ---------------------------------------------------------------

RANGE = re.compile(r"likely range|[0-9.,]+–[0-9.,]+|[0-9.]+ to [0-9.]+ per 1,000", re.IGNORECASE)
JUDGED = [str(LABELS[each]) for each in Verdict if each not in (Verdict.TOO_LITTLE_DATA, Verdict.NO_COMPARISON)]
BADGE = re.compile(rf'<span class="badge [a-z]+">.*?</svg> ({"|".join(JUDGED)})</span>', re.DOTALL)


def parts_with_a_verdict(page):
    """Rows and entries of a page on which a verdict stands, as plain words; and how many badges there are in all."""
    blocks = [each for tag in ("tr", "li") for each in re.findall(rf"<{tag}[ >].*?</{tag}>", page, re.DOTALL)]
    found = [block for block in blocks if BADGE.search(block)]
    return [re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", block)) for block in found], len(BADGE.findall(page))


def pages_with_verdicts(client):
    for code in ("ALD", "BRK", "all"):
        for kind in ("damaged", "short", "over"):
            for first in ("", "&first=2026-02"):
                yield client.get(f"/{code}/carriers/?kind={kind}&last=2026-02{first}")
        yield client.get(f"/{code}/scorecards/?which=all")
        for carrier in Carrier.objects.all():
            yield client.get(f"/{code}/carriers/{carrier.pk}/")
    for card in Scorecard.objects.all():
        yield client.get(card.get_absolute_url())


def test_no_page_of_the_demo_tells_a_verdict_without_its_range_or_below_the_floor(loaded):
    client, seen = Client(), Counter()
    client.force_login(Person.objects.get(username="manager"))
    for answer in pages_with_verdicts(client):
        assert answer.status_code == 200
        page = answer.content.decode()
        parts, badges = parts_with_a_verdict(page)
        headed = BADGE.search(page.partition('class="pagehead"')[2].partition("</div>")[0])
        assert not headed or "Likely range" in page.partition('<p class="lead">')[2].partition("</p>")[0]
        assert badges == len(parts) + bool(headed), "every verdict stands in a row or an entry"
        for words in parts:
            assert RANGE.search(words), words
            seen.update(label for label in JUDGED if label in words)
    assert seen["Cannot be told apart"] and len(seen) > 1


def test_no_comparison_of_the_demo_judges_below_the_floor_or_shows_a_rate_without_its_range(loaded):
    judged = 0
    for sites in (*((site,) for site in Site.objects.all()), tuple(Site.objects.order_by("code"))):
        for kind in periods.JUDGED:
            for count in (1, 3, 12):
                period = periods.Period.rolling(date(2026, 2, 1), count)
                for each in periods.comparison(periods.Choice(sites, period, kind)).standings:
                    is_judged = str(LABELS[each.verdict]) in JUDGED
                    assert each.sums.k >= 5 or not is_judged
                    assert not is_judged or each.rate_interval[0] <= each.rate <= each.rate_interval[1]
                    assert each.sums.k >= 5 or each.rate is None
                    judged += is_judged
    assert judged > 5
