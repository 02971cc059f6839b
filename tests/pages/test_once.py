"""`once` when the same delivery comes twice at the same moment: the second finds the first only when it writes."""

import uuid

import pytest
from django.urls import reverse

from receiving import queries
from receiving.enums import ArrivalState
from receiving.models import Carton, Event, Scan, Submission
from tests.builders import make_account, make_arrival, make_cartons, make_person, make_site, sscc

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
