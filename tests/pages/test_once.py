"""`once` when the same delivery comes twice at the same moment: the second finds the first only when it writes."""

import uuid

import pytest
from django.db import OperationalError
from django.urls import reverse

from receiving import counting, queries
from receiving.enums import ArrivalState
from receiving.models import Carton, Discrepancy, Event, Scan, Submission
from tests.builders import make_account, make_arrival, make_cartons, make_code, make_person, make_site, sscc

pytestmark = pytest.mark.django_db


def test_of_two_deliveries_at_once_the_second_gets_the_answer_of_the_first(client, monkeypatch):
    site = make_site()
    alice = make_person("receiver", site)
    trailer = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=2, account=make_account())
    make_cartons(trailer.shipments.get(), 2)
    client.force_login(alice)
    sent = {"uuid": str(uuid.uuid4()), "labels": f'[{{"uuid": "{uuid.uuid4()}", "label": "{sscc(1)}"}}]'}
    url = reverse("count_scan", args=[site.code, trailer.number])
    first = client.post(url, sent, headers={"Accept": "application/json"})
    assert first.status_code == 201
    events = Event.objects.count()

    look, looks = queries.submission, []

    def too_early(key):
        looks.append(key)
        return None if len(looks) == 1 else look(key)

    monkeypatch.setattr(queries, "submission", too_early)
    second = client.post(url, sent, headers={"Accept": "application/json"})
    assert len(looks) == 2
    assert second.headers["X-Repeated"] == "1"
    assert second.json() == first.json()
    assert (Submission.objects.count(), Scan.objects.count(), Event.objects.count()) == (1, 1, events)
    assert Carton.objects.get(label=sscc(1)).received == 1


def test_what_its_own_first_delivery_would_refuse_gets_the_answer_of_the_first(client, monkeypatch):
    site = make_site()
    alice = make_person("receiver", site)
    trailer = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=2, account=make_account())
    make_cartons(trailer.shipments.get(), 2)
    client.force_login(alice)
    sent = {"uuid": str(uuid.uuid4()), "kind": "damaged", "codes": make_code(site).pk, "label": sscc(1)}
    sent |= {"where_found": "staging", "quantity": 1, "photos_missing_reason": "the camera is broken"}
    url = reverse("log_trailer", args=[site.code, trailer.number])
    first = client.post(url, sent, headers={"Accept": "application/json"})
    assert first.status_code == 201, first.content

    look, looks = queries.submission, []

    def too_early(key):
        looks.append(key)
        return None if len(looks) == 1 else look(key)

    monkeypatch.setattr(queries, "submission", too_early)
    second = client.post(url, sent, headers={"Accept": "application/json"})
    assert (second.status_code, second.headers["X-Repeated"]) == (201, "1")
    assert second.json() == first.json()
    looks.clear()
    another = client.post(url, sent | {"uuid": str(uuid.uuid4())}, headers={"Accept": "application/json"})
    assert another.status_code == 409
    assert (Discrepancy.objects.count(), Submission.objects.count()) == (1, 1)


class Ended(Exception):
    """What the driver raises in the one of two transactions that PostgreSQL ends."""

    sqlstate = "40P01"


@pytest.mark.parametrize(("times", "status"), [(2, 201), (3, None)])
def test_a_transaction_that_the_database_ended_goes_again_and_not_for_ever(client, monkeypatch, times, status):
    site = make_site()
    alice = make_person("receiver", site)
    trailer = make_arrival(site, actor=alice, state=ArrivalState.UNLOADING, pieces=2, account=make_account())
    make_cartons(trailer.shipments.get(), 2)
    client.force_login(alice)
    scan, tries = counting.scan, []

    def ended(*args, **kwargs):
        tries.append(1)
        if len(tries) <= times:
            raise OperationalError("deadlock detected") from Ended()
        return scan(*args, **kwargs)

    monkeypatch.setattr(counting, "scan", ended)
    sent = {"uuid": str(uuid.uuid4()), "labels": f'[{{"uuid": "{uuid.uuid4()}", "label": "{sscc(1)}"}}]'}
    url = reverse("count_scan", args=[site.code, trailer.number])
    if status is None:
        with pytest.raises(OperationalError):
            client.post(url, sent, headers={"Accept": "application/json"})
        assert len(tries) == 3
        return
    assert client.post(url, sent, headers={"Accept": "application/json"}).status_code == status
    assert Scan.objects.count() == 1
