"""What a phone says of itself with a record, what it reports, and whom a release must ask about first."""

import json
import uuid
from datetime import UTC, datetime, timedelta

import pytest

from receiving import dock, phones, release
from receiving.enums import ArrivalState, SignOutcome
from receiving.models import Arrival, Carton, Event, Moment, Phone, PhoneTrailer
from receiving.refusals import Refused
from tests.builders import NOON, make_arrival, make_cartons, make_person, make_site

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)
PHONE = uuid.UUID("11111111-2222-4333-8444-555555555555")


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def ana(site):
    return make_person("receiver", site, "ana", first_name="Ana", last_name="Ruiz")


@pytest.fixture
def trailer(site, ana):
    return make_arrival(site, actor=ana, state=ArrivalState.UNLOADING, pieces=2)


def iso(moment):
    return moment.isoformat()


def told(**given):
    return phones.read_report(json.dumps({"phone": str(PHONE)} | given))


# --- what comes along with a record -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ahead", "skew"),
    [
        (timedelta(0), timedelta(0)),
        (2 * MINUTE, timedelta(0)),
        (-2 * MINUTE, timedelta(0)),
        (2 * MINUTE + timedelta(seconds=1), 2 * MINUTE + timedelta(seconds=1)),
        (timedelta(hours=-5), timedelta(hours=-5)),
        (timedelta(days=400), timedelta(days=400)),
    ],
)
def test_a_clock_is_set_right_where_it_is_wrong_by_more_than_two_minutes(ahead, skew):
    made = NOON - 30 * MINUTE
    headers = {"X-Phone": str(PHONE), "X-Device-Now": iso(NOON + ahead), "X-Made-At": iso(made + ahead)}
    device = phones.device_of(headers, now=NOON)
    assert device.skew == skew
    assert device.made_at == (made + ahead - skew)
    assert device.told().get("clock_ahead_seconds") == (round(skew.total_seconds()) or None)
    assert device.told()["device_said"] == made + ahead


def test_a_moment_in_the_future_is_now():
    device = phones.device_of({"X-Made-At": iso(NOON + MINUTE), "X-Device-Now": iso(NOON)}, now=NOON)
    assert device.made_at == NOON
    assert device.true(NOON + 3 * MINUTE) == NOON
    assert device.true(None) is None


@pytest.mark.parametrize("text", ["", "soon", "2026-03-02T14:00:00", "1970-01-01T00:00:00Z", "2026-13-40T00:00:00Z"])
def test_a_time_that_reads_badly_counts_as_not_said(text):
    device = phones.device_of({"X-Phone": "mine", "X-Made-At": text, "X-Device-Now": text}, now=NOON)
    assert (device.phone, device.made_at, device.skew, device.told()) == (None, None, timedelta(0), None)


# --- reports ----------------------------------------------------------------------------------------------------------


def test_a_report_says_what_is_kept_of_each_trailer(site, ana, trailer):
    other = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    report = told(
        name="Dock 2", waiting={str(trailer.number): 3}, refused={str(other.number): 1}, worked=[trailer.number]
    )
    phone = phones.report(site, ana, report, at=NOON)
    assert (phone.number, str(phone), phone.name, phone.last_seen) == (1, "D-1", "Dock 2", NOON)
    rows = {row.arrival_id: (row.waiting, row.refused, row.reported_at) for row in PhoneTrailer.objects.all()}
    assert rows == {trailer.pk: (3, 0, NOON), other.pk: (0, 1, NOON)}
    phones.report(site, ana, told(), at=NOON + MINUTE)
    assert set(PhoneTrailer.objects.values_list("waiting", "refused", "reported_at")) == {(0, 0, NOON + MINUTE)}


def test_a_device_has_one_number_at_a_site_whoever_works_with_it(site, ana, trailer):
    ben = make_person("receiver", site, "ben")
    elsewhere = make_site("SOU")
    first, second = (phones.report(site, person, told(), at=NOON) for person in (ana, ben))
    assert first.pk != second.pk
    assert first.number == second.number == 1
    another = phones.report(site, ana, told(phone=str(uuid.uuid4())), at=NOON)
    assert another.number == 2
    assert phones.report(elsewhere, ana, told(), at=NOON).number == 1


def test_nobody_reports_for_what_somebody_else_keeps_on_the_device(site, ana, trailer):
    ben = make_person("receiver", site, "ben")
    phones.report(site, ana, told(waiting={str(trailer.number): 2}), at=NOON)
    phones.report(site, ben, told(worked=[trailer.number]), at=NOON + MINUTE)
    assert [(row.phone.person, row.waiting) for row in phones.unheard(trailer)] == [(ana, 2)]


def test_what_belongs_to_no_trailer_or_to_one_that_is_not_here_is_no_error(site, ana):
    phones.report(site, ana, told(waiting={"": 1, "99": 4}, worked=[98]), at=NOON)
    assert not PhoneTrailer.objects.exists()


@pytest.mark.parametrize(
    ("said", "key"),
    [
        ("no JSON", "report"),
        ("[]", "report"),
        ("[" * 100_000, "report"),
        ("{}", "phone"),
        ({"phone": 5}, "phone"),
        ({"name": 5}, "name"),
        ({"waiting": [1]}, "waiting"),
        ({"waiting": {"1": -1}}, "waiting"),
        ({"waiting": {"1": True}}, "waiting"),
        ({"waiting": {"x": 1}}, "waiting"),
        ({"refused": {"1": 10**9}}, "refused"),
        ({"worked": {}}, "worked"),
        ({"worked": ["9" * 20]}, "worked"),
        ({"worked": list(range(501))}, "worked"),
        ({"oldest": "yesterday"}, "oldest"),
        ({"clock": 12}, "clock"),
        ({"discarded": [5]}, "discarded"),
        ({"discarded": [{"title": 5}]}, "discarded"),
    ],
)
def test_a_report_that_is_not_as_it_should_be_is_refused_by_the_name_of_its_key(said, key):
    text = said if isinstance(said, str) else json.dumps({"phone": str(PHONE)} | said)
    with pytest.raises(Refused) as why:
        phones.read_report(text)
    assert (why.value.code, why.value.field) == ("bad_report", key)


def test_a_wrong_clock_is_written_down_and_the_oldest_record_told_by_ours(site, ana):
    ahead = timedelta(hours=3)
    report = told(clock=iso(NOON + ahead), oldest=iso(NOON + ahead - 10 * MINUTE))
    phone = phones.report(site, ana, report, at=NOON)
    phone.refresh_from_db()
    assert (phone.skew, phone.oldest) == (3 * 3600, NOON - 10 * MINUTE)


def test_what_was_thrown_away_on_the_phone_is_told_once(site, ana, trailer):
    row = {"uuid": str(uuid.uuid4()), "title": "Piece", "reason": "logged twice", "trailer": trailer.number}
    for _time in range(2):
        phones.report(site, ana, told(discarded=[row | {"made_at": iso(NOON - MINUTE)}]), at=NOON)
    event = Event.objects.get(verb="phone.discarded")
    assert (event.arrival, event.actor, event.after["reason"]) == (trailer, ana, "logged twice")
    assert event.after["made_at"] == "2026-03-02T17:59:00Z"


# --- before the release -----------------------------------------------------------------------------------------------


def worked(site, person, trailer, at, uuid=PHONE):
    phones.worked(site, person, phones.Device(at, uuid), trailer=trailer.number)


def test_a_phone_is_unheard_until_it_reports_nothing_since_it_worked_and_since_the_count_ended(site, ana, trailer):
    def unheard():
        return [str(row.phone) for row in phones.unheard(Arrival.objects.get(pk=trailer.pk))]

    assert unheard() == []
    worked(site, ana, trailer, NOON)
    assert unheard() == ["D-1"]
    phones.report(site, ana, told(waiting={str(trailer.number): 1}), at=NOON + MINUTE)
    assert unheard() == ["D-1"]
    phones.report(site, ana, told(refused={str(trailer.number): 1}), at=NOON + 2 * MINUTE)
    assert unheard() == ["D-1"]
    phones.report(site, ana, told(), at=NOON + 3 * MINUTE)
    assert unheard() == []
    dock.end_count(trailer, actor=ana, at=NOON + 4 * MINUTE)
    assert unheard() == ["D-1"], "what was counted since it reported may still be on it"
    phones.report(site, ana, told(), at=NOON + 5 * MINUTE)
    assert unheard() == []
    worked(site, ana, trailer, NOON + 6 * MINUTE)
    assert unheard() == ["D-1"]


def test_the_words_for_a_phone_say_what_is_on_it_and_when_it_was_heard_of(site, ana, trailer):
    worked(site, ana, trailer, NOON)
    row = phones.unheard(trailer)[0]
    assert phones.unheard_words(row) == (
        "D-1 (Ana Ruiz): it never said whether it keeps anything of this trailer; last heard of Mon 2 Mar 2026, 18:00"
    )
    phones.report(site, ana, told(waiting={str(trailer.number): 1}, refused={str(trailer.number): 1}), at=NOON)
    assert "2 records are still on it" in phones.unheard_words(phones.unheard(trailer)[0])


def facts():
    return {
        "notation": "all there",
        "outcome": SignOutcome.CLEAN,
        "signer": "",
        "employer": "",
        "signature": "",
        "typed": False,
        "witness": "",
        "device": "",
        "carrier_receipt": "none",
    }


def test_a_release_waits_for_phones_or_for_somebody_who_knows(site, ana, trailer):
    lead = make_person("lead", site, "lee")
    make_cartons(trailer.shipments.get(), 2)
    Carton.objects.update(received=1)
    arrival = dock.end_count(trailer, actor=lead, at=NOON)
    worked(site, ana, trailer, NOON)
    number = uuid.uuid4()
    with pytest.raises(release.UnheardPhones) as why:
        release.release(arrival, uuid=number, facts=facts(), actor=lead, at=NOON + MINUTE)
    assert "D-1 (Ana Ruiz)" in why.value.message
    assert (why.value.code, why.value.field, why.value.status) == ("phones_unheard", "knowing_phones", 409)
    assert Arrival.objects.get().state == ArrivalState.COUNTED
    release.release(arrival, uuid=number, facts=facts(), knowing_phones=True, actor=lead, at=NOON + MINUTE)
    noted = Event.objects.get(verb="arrival.released").after["note"]
    assert noted.startswith("released although phones may keep something of it. D-1 (Ana Ruiz): it never said")
    assert Moment.objects.get(kind="released").note == noted


def test_a_release_without_unheard_phones_notes_nothing(site, ana, trailer):
    lead = make_person("lead", site, "lee")
    make_cartons(trailer.shipments.get(), 2)
    Carton.objects.update(received=1)
    arrival = dock.end_count(trailer, actor=lead, at=NOON)
    release.release(arrival, uuid=uuid.uuid4(), facts=facts(), knowing_phones=True, actor=lead, at=NOON)
    assert Event.objects.get(verb="arrival.released").after["note"] == ""


def test_the_note_of_many_phones_fits_its_field(site, ana, trailer):
    for _phone in range(12):
        worked(site, ana, trailer, NOON, uuid=uuid.uuid4())
    words = release.released_knowing(phones.unheard(trailer))
    assert len(words) == 500
    assert words.endswith("…")


def test_two_who_meet_a_phone_for_the_first_time_at_once_make_one_row(site, ana, trailer, monkeypatch):
    made = phones.hear(site, ana, PHONE, at=NOON)
    filtered = Phone.objects.filter

    class Blind:
        """The first look finds nothing: the other has not committed yet."""

        looked = False

        def update(self, **values):
            if not self.looked:
                self.looked = True
                return 0
            return filtered(pk=made.pk).update(**values)

        def get(self):
            return filtered(pk=made.pk).get()

    blind = Blind()
    monkeypatch.setattr(
        Phone.objects, "filter", lambda **where: blind if "person" in where else filtered(**where), raising=False
    )
    assert phones.hear(site, ana, PHONE, at=NOON + MINUTE).pk == made.pk
    monkeypatch.undo()
    assert Phone.objects.get().last_seen == datetime(2026, 3, 2, 18, 1, tzinfo=UTC)
