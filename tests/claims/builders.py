"""Records of claims for tests: plain functions; every field can be given."""

import itertools
import uuid
from datetime import date
from decimal import Decimal

from django.db import transaction

from claims import drafting
from claims.enums import Purpose
from claims.models import Claim, Terms
from receiving import discrepancies, evidence
from receiving.enums import ArrivalState, Attribution, Kind, WhereFound
from receiving.models import Arrival, Carton, DamageCode, Discrepancy, Shipment
from tests.builders import NOON, make_account, make_arrival, make_carrier, make_cartons, make_code

_numbers = itertools.count(1)


def make_load(site, *, actor, damaged=1, short=1, good=2, at=NOON, released=True, carrier=None, account=None, **given):
    """A trailer with one bill, unloaded and gone again: so many cartons damaged in transit, so many short, the rest
    good. Gives its Shipment.

    given -- columns of the cartons (units, unit_value, weight, description, stores), else of the bill
    Left by a row's change and not by a signature: no sheet is made, which takes long.
    """
    listed = {
        name: given.pop(name) for name in ("stores", "units", "unit_value", "weight", "description") if name in given
    }
    goods = {"units": 10, "unit_value": Decimal("12.5000"), "weight": Decimal("20.000")}
    arrival = make_arrival(
        site,
        actor=actor,
        state=ArrivalState.COUNTED,
        at=at,
        pieces=damaged + short + good,
        account=account or make_account(),
        carrier=carrier or make_carrier(),
    )
    shipment = arrival.shipments.get()
    facts = {"bill_date": date(2026, 2, 26), "pro_number": f"PRO{next(_numbers):07d}"} | given
    Shipment.objects.filter(pk=shipment.pk).update(**facts)
    shipment.refresh_from_db()
    cartons = make_cartons(shipment, damaged + short + good, start=1000 * next(_numbers), **(goods | listed))
    cartons = list(shipment.cartons.order_by("line"))
    gone = cartons[damaged : damaged + short]
    Carton.objects.filter(shipment=shipment).exclude(pk__in=[carton.pk for carton in gone]).update(received=1)
    for carton in cartons[:damaged]:
        make_damage(arrival, carton, actor=actor, at=at)
    if gone:
        gone = list(Carton.objects.filter(pk__in=[carton.pk for carton in gone]).order_by("line"))
        discrepancies.declare_short(shipment, cartons=gone, actor=actor, at=at)
    if released:
        Arrival.objects.filter(pk=arrival.pk).update(state=ArrivalState.RELEASED, released_at=at)
    return Shipment.objects.select_related("arrival__site", "arrival__carrier", "account").get(pk=shipment.pk)


def make_damage(arrival, carton, *, actor, at=NOON, **facts):
    """A listed carton logged as damaged in transit, by the dock's own step."""
    code = DamageCode.objects.filter(site=arrival.site).first() or make_code(arrival.site)
    facts = {
        "label": carton.label,
        "where_found": WhereFound.CONVEYOR,
        "attribution": Attribution.TRANSIT,
        "disposition": "salvage",
        "no_photo_reason": "made for a test",
    } | facts
    return discrepancies.record(
        arrival, uuid=uuid.uuid4(), kind=Kind.DAMAGED, facts=facts, codes=[code], actor=actor, at=at
    )


def losses(shipment):
    """The damaged and short pieces of a bill, in the order of their numbers."""
    kinds = [Kind.DAMAGED, Kind.SHORT]
    return list(Discrepancy.objects.filter(shipment=shipment, kind__in=kinds).order_by("number"))


def make_claim(site, *, actor, at=NOON, shipment=None, pieces=None, purpose=Purpose.CLAIM, **load):
    """A draft of all losses of a bill, by the domain's own step. `load` is what `make_load` takes."""
    shipment = shipment or make_load(site, actor=actor, at=at, **load)
    pieces = losses(shipment) if pieces is None else pieces
    return drafting.open_claim(shipment, pieces, purpose=purpose, uuid=uuid.uuid4(), actor=actor, at=at)


def make_filed(site, *, actor, at=NOON, **given):
    """A claim filed by a change of its row, which the log tells: without packet, letter, or a look at what it lacks."""
    claim = make_claim(site, actor=actor, at=at, **given)
    on = at.date()
    Claim.objects.filter(pk=claim.pk).update(
        stage="filed", stage_since=at, filed_at=at, filed_on=on, filing_way="email"
    )
    claim = Claim.objects.get(pk=claim.pk)
    with transaction.atomic():
        after = evidence.facts(claim, ["stage", "filed_at", "filed_on", "filing_way"])
        evidence.append(site=site, verb="test.filed", record=claim, actor=actor, at=at, after=after)
    return claim


def make_terms(title="Bill of lading terms", **fields):
    """Terms for everything, from the beginning of 2020, without a limit and without periods."""
    given = {"title": title, "valid_from": date(2020, 1, 1), "source": "made for a test", "limit_currency": "USD"}
    return Terms.objects.create(**(given | fields))
