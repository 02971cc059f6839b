"""What happens to a filed claim, for tests: plain functions by the domain's own writers."""

import uuid
from datetime import timedelta
from decimal import Decimal
from threading import Barrier, Thread

from django.db import connection

from claims import facts
from claims.enums import FactKind, Ground, ReceiptKind, Speaker
from receiving.refusals import Refused
from tests.builders import NOON

LATER = NOON + timedelta(days=60)
FILED = NOON.date()
# What each kind says beside its day, in the fewest words; `answers` is the test's own.
SAID = {
    FactKind.ACKNOWLEDGED: {"reference": "C-77", "received_on": FILED + timedelta(days=1)},
    FactKind.PAPERS_ASKED: {"note": "the invoice"},
    FactKind.PAPERS_SENT: {"note": "the invoice"},
    FactKind.STATUS: {"note": "still looking"},
    FactKind.OFFER: {"amount": Decimal(150), "until": FILED + timedelta(days=90)},
    FactKind.OFFER_DECLINED: {},
    FactKind.DECISION: {"in_writing": True, "speaker": Speaker.CARRIER},
    FactKind.CONTESTED: {"note": "the photos show it"},
    FactKind.AGREED: {"amount": Decimal(150)},
    FactKind.RECEIPT: {"amount": Decimal(100), "receipt_kind": ReceiptKind.ON_ACCOUNT},
    FactKind.OFFSET: {"amount": Decimal(100), "reference": "PRO 12"},
    FactKind.REFUND: {"amount": Decimal(10)},
    FactKind.PASSED_ON: {"amount": Decimal(10), "by_name": "Juniper Home Stores"},
    FactKind.SALVAGE: {},
    FactKind.WRITTEN_OFF: {"amount": Decimal(10), "note": "not worth a letter"},
    FactKind.COUNSEL: {"by_name": "Field and Hill"},
    FactKind.SUED: {"by_name": "County court", "reference": "26-CV-1"},
    FactKind.NOTE: {"note": "called, no answer"},
}


def make_fact(claim, kind, *, actor, on=None, at=LATER, decisions=(), lots=(), seen=None, number=None, **said):
    """A fact of this kind, by `claims.facts.record`. `said` changes what SAID says of it."""
    given = {"on": on or FILED + timedelta(days=20)} | SAID[FactKind(kind)] | said
    return facts.record(
        claim,
        kind=kind,
        facts=given,
        uuid=number or uuid.uuid4(),
        actor=actor,
        at=at,
        decisions=decisions,
        lots=lots,
        seen=seen,
    )


def decide(line, allowed, *, ground=Ground.PACKAGING, note=""):
    """What a decision says of a line: so much allowed, the rest not."""
    allowed = Decimal(allowed)
    disallowed = line.amount - allowed
    return {
        "line": line.pk,
        "allowed": allowed,
        "disallowed": disallowed,
        "ground": ground if disallowed else "",
        "note": note,
    }


def lot(line, gross, *, costs=0, number="L-1", **more):
    given = {"line": line.pk, "lot": number, "method": "sold at the dock", "gross": Decimal(gross)}
    return given | {"costs": Decimal(costs)} | more


def take_back(fact, *, actor, reason="a mistake", at=LATER, seen=None):
    return facts.reverse(fact, reason=reason, uuid=uuid.uuid4(), actor=actor, at=at, seen=seen)


def at_once(*steps):
    """Run the steps at the same moment, each in a thread of its own; gives what each gave or raised."""
    start, came = Barrier(len(steps)), {}

    def run(number, step):
        try:
            start.wait(timeout=10)
            came[number] = step()
        except Refused as why:
            came[number] = why
        finally:
            connection.close()

    threads = [Thread(target=run, args=pair) for pair in enumerate(steps)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return [came[number] for number in sorted(came)]
