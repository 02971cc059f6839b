"""Records that a bad network cuts, doubles, reorders and delays on their way to a real server process are stored once.

Also with other contents under the same number: the first that arrives stays, the other is told so. `DELIVERIES=10000`
sends as many; `script/trial deliveries` does the same from outside.
"""

import os

import pytest
from django.db import connection

from tests.trial.deliveries import delivered
from tests.trial.server import Server

pytestmark = pytest.mark.django_db(transaction=True)
DELIVERIES = int(os.environ.get("DELIVERIES", "400"))
SEED = int(os.environ.get("DELIVERIES_SEED", "1"))


@pytest.fixture
def server(tmp_path):
    with Server(connection, tmp_path) as server:
        yield server


def test_each_record_is_stored_once_and_a_changed_one_is_refused(server):
    with delivered(server, DELIVERIES, seed=SEED) as (plan, proxy, judge):
        assert judge.wrong == []
        assert len(proxy.answers) >= DELIVERIES / 2
        assert judge.counts[201] > judge.counts[409] > 0
        assert sum(len(record.variants) > 1 for record in plan.records) > DELIVERIES / 40
    code, said = server.manage("verify_evidence")
    assert (code, "all files match" in said) == (0, True), said
