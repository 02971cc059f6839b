"""The morning e-mail of due dates: to whom, what it says, once a day."""

from datetime import date
from io import StringIO

import pytest
import time_machine
from django.core import mail
from django.core.management import CommandError, call_command

from claims import digests
from claims.models import Digest
from receiving.models import Shipment
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import make_load
from tests.claims.dated import days, draft, filed, make_dated_terms, make_letter, make_note

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def settings_of_mail(settings):
    settings.PUBLIC_URL = "https://dock.example"
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk", email="clerk@dock.example")


@pytest.fixture
def us():
    return make_dated_terms()


def run(*args):
    out = StringIO()
    call_command("due_digest", *args, stdout=out)
    return out.getvalue()


def test_it_tells_what_is_late_what_is_near_and_what_has_no_date(site, clerk, us):
    claim = draft(site, clerk, short=0)
    make_letter(claim, clerk, sent=False)
    bill = make_load(site, actor=clerk, damaged=0, bill_date=None)
    with time_machine.travel(NOON + days(280), tick=False):
        assert run() == "NOR clerk: sent\n"
    [sent] = mail.outbox
    assert sent.subject == "NOR: 1 late, 1 within 7 days, 1 without a date" and sent.to == ["clerk@dock.example"]
    html = sent.alternatives[0].content
    for part in (
        "File by Wed 2 Dec 2026: nine months",
        "5 days late",
        "Letter 1 is drafted",
        bill.bill_number,
        "today",
    ):
        assert part in sent.body and part in html, part
    assert f"https://dock.example{claim.get_absolute_url()}" in sent.body
    assert f'href="https://dock.example{claim.get_absolute_url()}"' in html
    assert sent.body.index("NO DATE") < sent.body.index("\nLATE") < sent.body.index("TODAY AND WITHIN")


def test_what_is_far_off_is_no_reason_to_write(site, clerk, us):
    draft(site, clerk, short=0)
    assert run() == "NOR clerk: nothing due\n" and mail.outbox == [] and not Digest.objects.exists()


def test_run_twice_on_one_day_it_sends_once_and_again_the_next_morning(site, clerk, us):
    filed(site, clerk)
    assert [run(), run()] == ["NOR clerk: sent\n", "NOR clerk: sent before\n"]
    with time_machine.travel(NOON + days(1), tick=False):
        assert run() == "NOR clerk: sent\n"
    assert len(mail.outbox) == 2


def test_of_two_runs_at_once_one_sends(site, clerk, us, monkeypatch):
    filed(site, clerk)
    real, parts = digests.parts, []

    def slow(*args):
        parts.append(real(*args))
        if len(parts) == 1:  # the other one comes while this one looks
            run()
        return parts[-1]

    monkeypatch.setattr(digests, "parts", slow)
    assert run() == "NOR clerk: sent before\n" and len(mail.outbox) == 1


def test_only_clerks_and_managers_with_an_address_who_can_sign_in_get_it(site, clerk, us):
    other = make_site("SOU")
    for role in ("manager", "viewer", "lead", "receiver"):
        make_person(role, site, role, email=f"{role}@dock.example")
    make_person("manager", None, "all", email="all@dock.example")
    make_person("clerk", site, "silent")
    make_person("clerk", site, "gone", email="gone@dock.example", is_active=False)
    make_person("clerk", other, "south", email="south@dock.example")
    filed(site, clerk)
    run()
    assert sorted(to for message in mail.outbox for to in message.to) == [
        "all@dock.example",
        "clerk@dock.example",
        "manager@dock.example",
    ]


def test_a_dry_run_says_who_would_get_one_and_sends_nothing(site, clerk, us):
    filed(site, clerk)
    assert run("--dry-run") == "NOR clerk: would send\n"
    assert mail.outbox == [] and not Digest.objects.exists()
    assert run() == "NOR clerk: sent\n"


def test_a_site_and_a_day_can_be_named(site, clerk, us):
    make_site("SOU")
    filed(site, clerk)
    assert run("--site", "SOU") == ""
    assert run("--site", "NOR", "--date", "2026-03-05") == "NOR clerk: sent\n"
    assert Digest.objects.get().day == date(2026, 3, 5)
    assert "Thu 5 Mar 2026" in mail.outbox[0].body


@pytest.mark.parametrize(
    ("args", "words"),
    [(["--site", "XXX"], "No site XXX."), (["--date", "5 March"], "--date 5 March: write it like 2026-03-02.")],
)
def test_what_cannot_be_read_is_said(site, args, words):
    with pytest.raises(CommandError, match=words):
        run(*args)


def test_a_mail_server_that_refuses_is_told_and_asked_again(site, clerk, us, monkeypatch):
    filed(site, clerk)
    second = make_person("manager", site, "second", email="second@dock.example")
    real = digests.message

    def refused(site, person, *rest):
        if person == second:
            raise ConnectionRefusedError("no route")
        return real(site, person, *rest)

    monkeypatch.setattr(digests, "message", refused)
    with pytest.raises(CommandError, match="1 could not be sent"):
        run()
    monkeypatch.setattr(digests, "message", real)
    assert run() == "NOR clerk: sent before\nNOR second: sent\n"


def test_text_from_outside_stays_text_and_out_of_the_headers(site, clerk, us):
    load = make_load(site, actor=clerk, damaged=0, bill_date=None, carrier=make_carrier("Cedar"))
    Shipment.objects.filter(pk=load.pk).update(bill_number="1\nBcc: all@example.org <b>x</b>")
    run()
    raw = mail.outbox[0].message()
    assert raw["Bcc"] is None and raw["Subject"] == "NOR: 1 without a date"
    assert "<b>x" not in mail.outbox[0].alternatives[0].content and "<b>x</b>" in mail.outbox[0].body


def test_without_a_public_address_it_has_no_links(site, clerk, us, settings):
    settings.PUBLIC_URL = ""
    filed(site, clerk)
    run()
    assert "://" not in mail.outbox[0].body and "href" not in mail.outbox[0].alternatives[0].content


def test_hours_are_told_on_the_sites_clock(site, clerk):
    make_note(make_load(site, actor=clerk).arrival, clerk)
    run()
    assert "tomorrow, Tue 3 Mar 2026, 00:00 CST: report the incident by phone" in mail.outbox[0].body


def test_each_person_reads_it_in_their_own_language(site, clerk, us, monkeypatch):
    make_person("clerk", site, "second", email="second@dock.example", language="es")
    filed(site, clerk)
    monkeypatch.setattr(digests, "subject", lambda *args: digests.translation.get_language())
    run()
    assert [message.subject for message in mail.outbox] == ["en", "es"]
    assert '<html lang="es">' in mail.outbox[1].alternatives[0].content
