"""What was agreed with a carrier: written once, closed by a second note, with the rate before and since."""

import uuid
from datetime import date

import pytest
from django.db import connection, transaction
from django.db.utils import DatabaseError
from django.test.utils import CaptureQueriesContext

from claims import periods, review, verification
from claims.models import ReviewNote
from claims.periods import Choice, Period
from receiving.enums import Kind
from receiving.models import Event
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import make_account, make_carrier, make_person, make_site
from tests.claims.cards import make_card
from tests.claims.carriers import make_counts
from tests.claims.talks import APRIL, TALK, close_talk, make_talk

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def manager(site):
    return make_person("manager", site, "manager")


@pytest.fixture
def carrier():
    return make_carrier("Alder")


@pytest.fixture
def account():
    return make_account()


@pytest.fixture
def talk(site, carrier, manager):
    return make_talk(site, carrier, actor=manager, by_when=date(2026, 5, 1))


def refusal(call, *args, **kwargs):
    with pytest.raises(Refused) as caught:
        call(*args, **kwargs)
    return caught.value


# --- writing ----------------------------------------------------------------------------------------------------------


def test_a_note_is_told_by_one_event_with_all_its_columns(site, carrier, manager, talk):
    [event] = Event.objects.filter(site=site, verb="review.agreed")
    assert (event.record, event.actor, event.at) == (f"reviewnote:{talk.pk}", manager, APRIL)
    assert event.after == {
        "carrier": carrier.pk,
        "scorecard": None,
        "on": "2026-04-02",
        "text": TALK["text"],
        "agreed_with": "M. Reed",
        "by_when": "2026-05-01",
        "who": "Quinn Vance",
        "closes": None,
    }
    assert not list(verify(site))


def test_a_closing_note_points_at_the_one_it_closes(site, manager, talk):
    row = close_talk(talk, actor=manager)
    assert (row.closes, row.site, row.carrier, row.text) == (talk, site, talk.carrier, "Chocked since.")
    assert Event.objects.get(verb="review.closed").after["closes"] == talk.pk
    [found] = review.notes(site, talk.carrier)
    assert (found, found.closed_by) == (talk, row)
    assert not list(verify(site))


def test_only_one_person_closes_and_the_other_is_told_what_came_of_it(manager, talk):
    close_talk(talk, actor=manager)
    why = refusal(close_talk, talk, actor=manager, text="Nothing was done.")
    assert isinstance(why, ChangedMeanwhile)
    assert str(manager) in why.message and "Chocked since." in why.message and "Thu 9 Apr 2026" in why.message
    assert ReviewNote.objects.count() == 2 and Event.objects.filter(verb="review.closed").count() == 1


def test_what_came_of_it_is_not_closed_itself(manager, talk):
    row = close_talk(talk, actor=manager)
    assert refusal(close_talk, row, actor=manager).code == "nothing_to_close"


@pytest.mark.parametrize(
    ("facts", "code", "field", "says"),
    [
        ({"text": " \n "}, "text_missing", "text", "Write what was agreed"),
        ({"on": date(2026, 4, 11)}, "day_to_come", "on", "Sat 11 Apr 2026 is still to come at NOR"),
        ({"by_when": date(2026, 4, 1)}, "by_when_before_talk", "by_when", "before the day of the talk, Thu 2 Apr 2026"),
    ],
)
def test_what_cannot_be_is_refused_by_field_with_the_way_out(site, carrier, manager, facts, code, field, says):
    why = refusal(make_talk, site, carrier, actor=manager, **facts)
    assert (why.code, why.field) == (code, field) and says in why.message
    assert not ReviewNote.objects.exists() and not Event.objects.filter(verb__startswith="review.").exists()


def test_the_day_is_the_sites_own(carrier, manager):
    """At 02:00 UTC on 11 April it is still the tenth in Chicago."""
    site = make_site("SOU", time_zone="America/Chicago")
    night = APRIL.replace(day=11, hour=2)
    assert refusal(make_talk, site, carrier, actor=manager, at=night, on=date(2026, 4, 11)).code == "day_to_come"
    assert make_talk(site, carrier, actor=manager, at=night, on=date(2026, 4, 10)).pk


def test_nothing_is_settled_before_the_talk_or_tomorrow(manager, talk):
    assert refusal(close_talk, talk, actor=manager, on=date(2026, 4, 1)).code == "closed_before_talk"
    assert refusal(close_talk, talk, actor=manager, on=date(2026, 4, 11)).code == "day_to_come"
    assert refusal(close_talk, talk, actor=manager, text="").code == "text_missing"
    assert close_talk(talk, actor=manager, on=talk.on).pk


def test_a_card_of_another_carrier_or_site_is_refused(site, carrier, manager, account):
    make_counts(site, carrier, [1, 2], account=account)
    card = make_card(site, carrier, actor=manager)
    assert make_talk(site, carrier, actor=manager, scorecard=card).scorecard == card
    for elsewhere, other in ((site, make_carrier("Birch")), (make_site("SOU"), carrier)):
        why = refusal(make_talk, elsewhere, other, actor=manager, scorecard=card)
        assert (why.code, why.field) == ("card_of_another", "scorecard")


def test_the_database_keeps_notes_as_written(talk):
    with pytest.raises(DatabaseError), transaction.atomic():
        ReviewNote.objects.filter(pk=talk.pk).update(text="Nothing.")
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("DELETE FROM claims_reviewnote")


def test_a_note_of_which_the_log_does_not_tell_is_named(site, carrier, manager):
    by = {"uuid": uuid.uuid4(), "actor": manager, "at": APRIL}
    row = ReviewNote(site=site, carrier=carrier, on=date(2026, 4, 2), text="Slipped in.", **by)
    row.save(force_insert=True)
    assert [str(each) for each in verification.verify(site)] == [
        f"NOR note {row.pk} on {carrier.pk}: the log does not tell of it"
    ]


# --- before and since -------------------------------------------------------------------------------------------------


@pytest.fixture
def year(site, carrier, account):
    """From April 2025 to July 2026 one trailer of 900 each month: 2 damaged up to April 2026, 1 after. And another."""
    other = make_carrier("Birch")
    for back in range(16):
        month = periods.month_back(date(2026, 7, 1), back)
        make_counts(site, carrier, [1 if month > date(2026, 4, 1) else 2], month=month, account=account)
        make_counts(site, other, [1], month=month, account=account)


def choice(site, last=date(2026, 7, 1), **more):
    return Choice((site,), Period.rolling(last), **more)


def test_months_before_and_since_leave_out_the_month_of_the_talk(site, carrier, talk, year):
    [found] = review.agreed(choice(site), carrier, [talk])
    assert found.before_months == Period(date(2025, 4, 1), date(2026, 3, 1))
    assert found.since_months == Period(date(2026, 5, 1), date(2026, 7, 1))
    assert (found.before.sums.k, found.before.sums.sx) == (12, 24)
    assert (found.since.sums.k, found.since.sums.sx) == (3, 3)
    low, high = found.before.rate_interval
    assert found.before.rate == pytest.approx(24 / 10.8) and low < found.before.rate < high
    assert found.since.rate is None, "three trailers are too few for a rate"


def test_what_is_before_and_since_is_what_a_comparison_of_those_months_says(site, carrier, talk, year):
    [found] = review.agreed(choice(site), carrier, [talk])
    for span, standing in ((found.before_months, found.before), (found.since_months, found.since)):
        alone = periods.comparison(Choice((site,), span))
        assert standing == next(each for each in alone.standings if each.key == carrier.pk)


def test_while_no_month_is_over_there_is_nothing_since(site, carrier, talk, year):
    [found] = review.agreed(choice(site, last=date(2026, 4, 1)), carrier, [talk])
    assert (found.since_months, found.since) == (None, None) and found.before.sums.k == 12


def test_a_carrier_that_brought_nothing_has_no_rate(site, manager, year):
    idle = make_carrier("Cedar")
    note = make_talk(site, idle, actor=manager)
    [found] = review.agreed(choice(site), idle, [note])
    assert (found.before, found.since) == (None, None)


def test_the_rate_is_of_the_kind_that_is_looked_at(site, carrier, talk, account):
    make_counts(site, carrier, [0, 0], month=date(2026, 2, 1), account=account, short=3)
    [found] = review.agreed(choice(site, kind=Kind.SHORT), carrier, [talk])
    assert found.before.sums.sx == 6


def test_a_note_is_late_after_its_day_until_it_is_closed(site, carrier, manager, talk):
    def late(today):
        [found] = review.agreed(choice(site), carrier, review.notes(site, carrier))
        return found.late(today)

    assert not late(date(2026, 5, 1)) and late(date(2026, 5, 2))
    close_talk(talk, actor=manager)
    assert not late(date(2026, 5, 2))


def test_queries_do_not_grow_with_notes_and_months(site, carrier, manager, talk, year):
    def cost():
        with CaptureQueriesContext(connection) as asked:
            review.agreed(choice(site), carrier, review.notes(site, carrier))
        return len(asked)

    one = cost()
    for month in (1, 2, 3):
        close_talk(make_talk(site, carrier, actor=manager, on=date(2026, month, 2)), actor=manager)
    assert cost() == one == 3


def test_without_a_note_nothing_is_read(site, carrier, django_assert_num_queries):
    with django_assert_num_queries(0):
        assert review.agreed(choice(site), carrier, []) == []
