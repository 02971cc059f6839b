"""The writers' queue: one at a time, given back on every way out, and a clear error when it takes too long."""

import threading

import pytest
from django.db import OperationalError, connection, transaction

from receiving.models import Account

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif("connection.vendor != 'sqlite'", reason="SQLite's own queue"),
]


def in_thread(work):
    found = []

    def run():
        try:
            found.append(work())
        except Exception as error:
            found.append(error)
        finally:
            connection.close()

    thread = threading.Thread(target=run)
    thread.start()
    return thread, found


def add(name):
    with transaction.atomic():
        Account.objects.create(legal_name=name)
    return name


def test_eight_writers_of_twenty_rows_all_get_through():
    threads = [in_thread(lambda n=n: [add(f"{n}-{i}") for i in range(20)]) for n in range(8)]
    for thread, _ in threads:
        thread.join()
    assert [len(found[0]) for _, found in threads] == [20] * 8
    assert Account.objects.count() == 160


def test_a_waiter_gets_its_turn_when_the_first_is_rolled_back():
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        thread, found = in_thread(lambda: add("second"))
        thread.join(0.2)
        assert found == []
        raise ZeroDivisionError
    thread.join()
    assert found == ["second"]


def test_who_waits_too_long_is_told(monkeypatch):
    with transaction.atomic():

        def impatient():
            monkeypatch.setitem(connection.settings_dict["OPTIONS"], "timeout", 0.1)
            connection.ensure_connection()
            return add("never")

        thread, found = in_thread(impatient)
        thread.join()
    assert isinstance(found[0], OperationalError)
    assert not Account.objects.exists()
