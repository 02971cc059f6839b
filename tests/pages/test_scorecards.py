"""The list of issued scorecards, the page that issues them, a card with its files, sending one."""

import re
import uuid

import pytest
from django.core import mail as outbox
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from claims import issuing, jobs
from claims.models import BillCount, Job, Scorecard
from tests.builders import make_carrier, make_person, make_site
from tests.claims.cards import APRIL, make_card, make_message
from tests.claims.cards import kept as small
from tests.claims.carriers import make_counts, make_seven
from tests.claims.test_issuing import hurt

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def manager(site, client):
    person = make_person("manager", site, first_name="Dana", email="dana@dock.example")
    client.force_login(person)
    return person


@pytest.fixture
def seven(site, manager):
    return make_seven(site)


@pytest.fixture
def undrawn(monkeypatch):
    monkeypatch.setattr(issuing, "drawn", small)


def url(name, *args):
    return reverse(name, args=["NOR", *args])


def text(answer):
    return answer.content.decode()


def plain(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text(answer)))


def post(client, name, *args, **given):
    return client.post(url(name, *args), {"uuid": uuid.uuid4()} | given)


# --- the list ---------------------------------------------------------------------------------------------------------


def test_without_a_card_the_list_says_what_to_do(client, site, manager):
    assert url("scorecards_issue") in text(client.get(url("scorecards")))
    client.force_login(make_person("viewer", site))
    page = client.get(url("scorecards"))
    assert "A manager issues them" in text(page) and url("scorecards_issue") not in text(page)


def test_the_list_tells_no_verdict_without_its_range(client, seven, manager):
    for name in ("Birch", "Elm", "Alder"):
        make_card(manager.memberships.get().site, seven[name], actor=manager)
    page = plain(client.get(url("scorecards")))
    assert "Worse 11.5 to 23.5 per 1,000" in page and "Better 0 to 1.8 per 1,000" in page
    assert "Too little data 6 Apr" not in page and re.search(r"Too little data (?!\d)", page)


def test_the_list_is_narrowed_by_the_address(client, site, seven, manager):
    card = make_card(site, seven["Birch"], actor=manager)
    make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Birch"])
    make_card(site, seven["Birch"], actor=manager, restates=card)

    def cards(**query):
        return re.findall(r"<b>(S-\d+)</b>", text(client.get(url("scorecards"), query)))

    assert cards() == ["S-0003", "S-0002"]
    assert cards(which="all") == ["S-0003", "S-0002", "S-0001"] and cards(which="restated") == ["S-0001"]
    assert cards(carrier=seven["Elm"].pk) == ["S-0002"] == cards(verdict="better")
    assert cards(month="2026-03") == ["S-0003", "S-0002"]


@pytest.mark.parametrize("query", [{"month": "2026-13"}, {"carrier": "x"}, {"verdict": "bad"}, {"which": "?"}])
def test_a_filter_that_cannot_be_read_is_answered_in_a_sentence(client, seven, query):
    page = client.get(url("scorecards"), query)
    assert page.status_code == 422 and "Choose one of the list." in text(page)


def test_the_list_reads_as_many_queries_for_many_cards_as_for_one(
    client, site, seven, manager, django_assert_num_queries
):
    make_card(site, seven["Birch"], actor=manager)
    with CaptureQueriesContext(connection) as one:
        client.get(url("scorecards"))
    for name in ("Elm", "Cedar", "Alder"):
        make_card(site, seven[name], actor=manager)
    with django_assert_num_queries(len(one)):
        client.get(url("scorecards"))


# --- issuing ----------------------------------------------------------------------------------------------------------


def ticked(page):
    return {int(key) for key in re.findall(r'name="carriers" value="(\d+)"[^>]*checked', text(page))}


def test_the_page_ticks_what_is_to_be_issued(client, site, seven, manager):
    make_card(site, seven["Elm"], actor=manager)
    make_card(site, seven["Birch"], actor=manager)
    hurt(seven["Birch"])
    page = client.get(url("scorecards_issue"))
    assert ticked(page) == {carrier.pk for name, carrier in seven.items() if name != "Elm"}
    assert "Birch 24 differs now S-0002 Damaged cartons, the month: 365 → 372" in plain(page)
    assert "Elm 10 issued S-0001" in plain(page) and "Cedar 12 not yet" in plain(page)


def test_ticked_cards_are_asked_for_once_and_made_by_the_worker(client, seven, undrawn):
    keys = [seven["Elm"].pk, seven["Birch"].pk]
    answer = post(client, "scorecards_issue", month="2026-03", carriers=keys)
    assert post(client, "scorecards_issue", month="2026-03", carriers=keys)["Location"] == answer["Location"]
    job = Job.objects.get()
    assert (answer.status_code, answer["Location"]) == (302, job.get_absolute_url())
    jobs.run_now(job)
    assert "2 cards are issued." in text(client.get(answer["Location"]))
    assert Scorecard.objects.count() == 2


def test_one_card_leads_to_its_page(client, seven, undrawn):
    post(client, "scorecards_issue", month="2026-03", carriers=[seven["Elm"].pk])
    job = jobs.run_now(Job.objects.get())
    assert job.result_url == Scorecard.objects.get().get_absolute_url()
    assert job.result_words == "S-0001 of Elm is issued. Read it, then send it."


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"month": "2026-03"}, "Tick a carrier, or there is nothing to issue."),
        ({"month": "2026-03", "carriers": ["999999"]}, "One of the ticked cards stands as it is"),
        ({"month": "2026-02", "carriers": ["1"]}, "months that are over and had trailers"),
        ({"month": "2099-01", "carriers": ["1"]}, "months that are over and had trailers"),
        ({"month": "x", "carriers": ["1"]}, "months that are over and had trailers"),
    ],
)
def test_what_cannot_be_issued_is_refused_in_a_sentence(client, seven, given, sentence):
    answer = post(client, "scorecards_issue", **given)
    assert answer.status_code == 422 and sentence in text(answer)
    assert not Job.objects.exists()


def test_the_running_month_is_not_offered(client, site, manager, monkeypatch):
    make_counts(site, make_carrier("Elm"), [1, 2])
    monkeypatch.setattr("django.utils.timezone.now", lambda: APRIL.replace(month=3, day=20))
    page = client.get(url("scorecards_issue"))
    assert page.status_code == 200 and "No month with trailers is over here yet" in text(page)
    assert client.get(url("scorecards_issue"), {"month": "2026-03"}).status_code == 422


def test_a_card_that_stands_is_not_issued_again(client, site, seven, manager):
    make_card(site, seven["Elm"], actor=manager)
    answer = post(client, "scorecards_issue", month="2026-03", carriers=[seven["Elm"].pk])
    assert answer.status_code == 422 and "stands as it is" in text(answer)


# --- one card ---------------------------------------------------------------------------------------------------------


def test_a_card_s_page_tells_verdict_range_figures_files_and_hashes(client, site, seven, manager):
    card = make_card(site, seven["Birch"], actor=manager)
    page = client.get(card.get_absolute_url())
    words = plain(page)
    assert "Damaged cartons Worse 11.5 to 23.5 per 1,000" in words and "about 136 would be usual" in words
    assert "16.9 (11.5 to 23.5)" in words
    for known in (card.content_sha256, card.pdf_sha256, card.xlsx_sha256, card.log_head[:12]):
        assert known in text(page)
    assert "stands" in words and "Restate this card" not in words


def test_under_the_floor_the_page_tells_counts_only(client, site, seven, manager):
    words = plain(client.get(make_card(site, seven["Alder"], actor=manager).get_absolute_url()))
    assert "Too little data" in words and "per 1,000 likely" not in words.split("The figures")[0]
    assert "%" not in words.split("The figures")[1].split("The files")[0]


def test_later_findings_are_told_and_restated_from_the_page(client, site, seven, manager, undrawn):
    card = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"], 40)
    words = plain(client.get(card.get_absolute_url()))
    assert "differs now" in words and "Damaged cartons, the month 0 40" in words
    answer = post(client, "scorecard_restate", card.number)
    assert answer.status_code == 302
    assert jobs.run_now(Job.objects.get()).state == "done"
    old, new = plain(client.get(card.get_absolute_url())), plain(client.get(url("scorecard", 2)))
    assert "S-0002 took its place" in old and "Worse" not in old and "Restate this card" not in old
    assert "Takes the place of S-0001" in new and "was “Better”, is now" in new
    trailer = BillCount.objects.filter(carrier=seven["Elm"]).order_by("pk").first().arrival
    assert f"The trailers that made the difference: {trailer} {trailer.trailer_number}, changed: damaged 0 → 40" in new


def test_of_many_trailers_that_made_a_difference_ten_are_named(client, site, seven, manager):
    card = make_card(site, seven["Elm"], actor=manager)
    make_counts(site, seven["Elm"], [2] * 13)
    page = plain(client.get(make_card(site, seven["Elm"], actor=manager, restates=card).get_absolute_url()))
    assert page.count(", new: received 900, damaged 2") == 10 and "And 3 more trailers, in the workbook." in page


def test_a_card_that_stands_is_not_restated(client, site, seven, manager):
    card = make_card(site, seven["Elm"], actor=manager)
    answer = post(client, "scorecard_restate", card.number)
    assert answer.status_code == 422 and "Nothing has changed since S-0001" in text(answer)


def test_of_two_who_restate_the_second_is_told(client, site, seven, manager):
    card = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"])
    make_card(site, seven["Elm"], actor=manager, restates=card)
    answer = post(client, "scorecard_restate", card.number)
    assert answer.status_code == 409 and "S-0002 has taken the place of S-0001" in text(answer)


def test_files_are_handed_out_as_they_were_frozen(client, site, seven, manager):
    card = make_card(site, seven["Elm"], actor=manager)
    pdf, xlsx = client.get(url("scorecard_pdf", 1)), client.get(url("scorecard_xlsx", 1))
    assert pdf["Content-Type"] == "application/pdf" and "attachment" in xlsx["Content-Disposition"]
    assert 'filename="NOR-S-0001.xlsx"' in xlsx["Content-Disposition"]
    assert b"".join(pdf.streaming_content).startswith(b"%PDF") and b"".join(xlsx.streaming_content)
    with open(issuing.kept.kept.default_storage.path(card.pdf), "ab") as file:
        file.write(b"x")
    answer = client.get(url("scorecard_pdf", 1))
    assert answer.status_code == 410 and "is not the one that was frozen" in text(answer)


def test_another_site_s_card_is_not_there(client, site, seven, manager):
    other = make_site("SOU")
    make_counts(other, seven["Elm"], [1, 0])
    boss = make_person("manager", other)
    make_card(other, seven["Elm"], actor=boss)
    for name in ("scorecard", "scorecard_pdf", "scorecard_xlsx", "scorecard_send"):
        assert client.get(url(name, 1)).status_code == 404
    assert client.get(reverse("scorecard", args=["SOU", 1])).status_code == 404


def test_a_viewer_reads_and_does_nothing(client, site, seven, manager):
    card = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"])
    client.force_login(make_person("viewer", site))
    page = client.get(card.get_absolute_url())
    assert page.status_code == 200 and "Restate this card" not in text(page) and "Send it" not in text(page)
    assert client.get(url("scorecards_issue")).status_code == 403
    assert post(client, "scorecard_restate", 1).status_code == 403


def test_a_name_that_looks_like_markup_stays_text(client, site, manager):
    carrier = make_carrier("<script>alert(1)</script>")
    make_counts(site, carrier, [1, 0, 2, 0, 1, 4])
    card = make_card(site, carrier, actor=manager)
    for address in (card.get_absolute_url(), url("scorecards"), url("scorecards_issue"), url("scorecard_send", 1)):
        assert "<script>alert(1)" not in text(client.get(address))


# --- sending ----------------------------------------------------------------------------------------------------------


def test_sending_fills_in_what_is_known_and_keeps_what_left(client, site, seven, manager):
    seven["Elm"].claims_email = "desk@elm.example"
    seven["Elm"].save()
    card = make_card(site, seven["Elm"], actor=manager)
    page = client.get(url("scorecard_send", 1))
    assert 'value="desk@elm.example"' in text(page) and card.pdf_sha256 in text(page)
    answer = post(client, "scorecard_send", 1, to="desk@elm.example", subject="Card", body="Read it.")
    assert answer["Location"] == card.get_absolute_url() and len(outbox.outbox) == 1
    page = client.get(card.get_absolute_url())
    assert "S-0001 went to desk@elm.example" in text(page)
    message = client.get(url("scorecard_message", 1, card.messages.get().uuid))
    assert b"desk@elm.example" in b"".join(message.streaming_content)


def test_a_wrong_address_keeps_what_was_typed(client, site, seven, manager):
    make_card(site, seven["Elm"], actor=manager)
    answer = post(client, "scorecard_send", 1, to="nobody", subject="Card", body="Words that I typed")
    assert answer.status_code == 422 and "Words that I typed" in text(answer)
    assert "“nobody” is no e-mail address" in text(answer) and not outbox.outbox


def test_a_mail_server_that_refuses_is_told_and_nothing_is_kept(client, site, seven, manager, monkeypatch):
    card = make_card(site, seven["Elm"], actor=manager)

    def down(message):
        raise OSError("connection refused")

    monkeypatch.setattr("claims.mail.OnceMade.send", down)
    answer = post(client, "scorecard_send", 1, to="desk@elm.example", subject="Card", body="Read it.")
    assert answer.status_code == 422 and "connection refused" in text(answer)
    assert not card.messages.exists()


def test_a_message_of_another_card_is_not_there(client, site, seven, manager):
    make_card(site, seven["Elm"], actor=manager)
    row = make_message(make_card(site, seven["Birch"], actor=manager), actor=manager)
    assert client.get(url("scorecard_message", 1, row.uuid)).status_code == 404
    assert b"".join(client.get(url("scorecard_message", 2, row.uuid)).streaming_content)


# --- found by its number ----------------------------------------------------------------------------------------------


def test_the_search_box_knows_a_card_by_its_number(client, site, seven, manager):
    card = make_card(site, seven["Birch"], actor=manager)
    for written in ("S-0001", "s 1", "NOR-S-0001"):
        answer = client.get(url("search"), {"q": written})
        assert (answer.status_code, answer["Location"]) == (302, card.get_absolute_url()), written
    for other in ("S-0002", "SOU-S-0001", "SA-0001"):
        assert client.get(url("search"), {"q": other}).status_code == 200, other


def test_a_card_is_found_at_every_site_of_the_person_and_told_without_a_verdict(client, site, seven, manager):
    away = make_site("SOU")
    make_counts(away, seven["Birch"], [3])
    first, there = make_card(site, seven["Birch"], actor=manager), make_card(away, seven["Birch"], actor=manager)
    assert client.get(url("search"), {"q": "S-1"})["Location"] == first.get_absolute_url()
    manager.memberships.create(site=away, role="viewer")
    page = plain(client.get(url("search"), {"q": "S-1"}))
    assert "Birch, March 2026" in page and "at SOU" in page and "Worse" not in page
    client.force_login(make_person("receiver", site))
    assert there.get_absolute_url() not in text(client.get(url("search"), {"q": "S-1"}))
