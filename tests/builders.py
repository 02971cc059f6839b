"""Records for tests: plain functions, every field can be given, nothing happens that the name does not say."""

import itertools
import uuid
from datetime import UTC, datetime
from io import BytesIO

from PIL import Image

from receiving import dock, handing, phones
from receiving.enums import ArrivalState, Role, SealCondition
from receiving.identifiers.gs1 import with_check_digit
from receiving.models import Account, Carrier, Carton, DamageCode, Discrepancy, Door, Membership, Person, Site, Store

NOON = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
PASSWORD = "a long enough word"
_numbers = itertools.count(1)


def make_site(code="NOR", **fields):
    given = {"name": f"Dock {code}", "time_zone": "America/Chicago", "responsible_person": "Dana Field"} | fields
    return Site.objects.create(code=code, **given)


def make_person(role=None, site=None, username=None, *, food_qualified=False, **fields):
    """A person with one membership; `site` None with a role means all sites."""
    username = username or f"{role or 'nobody'}{next(_numbers)}"
    person = Person(username=username, **({"first_name": username.capitalize()} | fields))
    person.set_password(PASSWORD)
    person.save()
    if role:
        Membership.objects.create(person=person, site=site, role=Role(role), food_qualified=food_qualified)
    return person


def make_account(name=None, **fields):
    return Account.objects.create(legal_name=name or f"Account {next(_numbers)}", **fields)


def make_carrier(name=None, **fields):
    return Carrier.objects.create(name=name or f"Carrier {next(_numbers)}", **fields)


def make_store(site, account, number=None, **fields):
    return Store.objects.create(site=site, account=account, number=number or str(next(_numbers)), **fields)


def make_door(site, label=None):
    return Door.objects.create(site=site, label=label or str(next(_numbers)))


def make_code(site, code="CR", **fields):
    return DamageCode.objects.create(site=site, code=code, **({"label": "crushed", "min_photos": 1} | fields))


def sscc(serial, prefix="19521234"):
    """A valid serial shipping container code with the demonstration prefix."""
    return with_check_digit(f"{prefix}{serial:09d}")


def make_arrival(site, *, actor, state=ArrivalState.EXPECTED, at=NOON, pieces=None, account=None, **facts):
    """A trailer brought through its doors to `state` by the domain's own steps.

    pieces -- cartons on its one bill; None makes no bill where the state does not need one
    """
    facts = {"trailer_number": f"TR{next(_numbers):05d}", "carrier": facts.pop("carrier", None)} | facts
    arrival = dock.open_arrival(site=site, uuid=uuid.uuid4(), facts=facts, actor=actor, at=at)
    order = [
        ArrivalState.EXPECTED,
        ArrivalState.AT_DOOR,
        ArrivalState.UNLOADING,
        ArrivalState.COUNTED,
    ]
    reach = order.index(state)
    if pieces or reach >= 2:
        make_shipment(arrival, actor=actor, at=at, pieces=pieces or 10, account=account)
    if reach >= 1:
        arrival = dock.bring_to_door(arrival, door=make_door(site), driver="Sam Rivers", actor=actor, at=at)
    if reach >= 2:
        make_seal(arrival, actor=actor, at=at)
        arrival = dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=actor, at=at)
        arrival = dock.start_unloading(arrival, actor=actor, at=at)
    if reach >= 3:
        arrival = dock.end_count(arrival, actor=actor, at=at)
    return arrival


def make_shipment(arrival, *, actor, at=NOON, account=None, pieces=10, **facts):
    facts = {"account": account or make_account(), "bill_number": f"BL{next(_numbers):06d}", "pieces": pieces} | facts
    return dock.add_shipment(arrival, uuid=uuid.uuid4(), facts=facts, actor=actor, at=at)


def make_seal(arrival, *, actor, at=NOON, **facts):
    facts = {
        "number_on_paper": "0123456",
        "number_on_seal": "0123456",
        "condition": SealCondition.INTACT,
    } | facts
    return dock.record_seal(arrival, uuid=uuid.uuid4(), facts=facts, actor=actor, at=at)


def make_cartons(shipment, count=10, *, stores=None, start=1, **fields):
    """Listed cartons with valid labels, spread over the stores in turn."""
    site = shipment.arrival.site
    stores = stores or [make_store(site, shipment.account)]
    return Carton.objects.bulk_create(
        Carton(
            site=site,
            arrival=shipment.arrival,
            shipment=shipment,
            line=line,
            label=sscc(start + line),
            store=stores[line % len(stores)],
            **fields,
        )
        for line in range(count)
    )


def make_jpeg(size=(640, 480), colour="sienna"):
    """The bytes of a small plain JPEG."""
    buffer = BytesIO()
    Image.new("RGB", size, colour).save(buffer, "JPEG")
    return buffer.getvalue()


def make_piece(arrival, *, actor, at=NOON, **fields):
    """One logged piece as a row of its own, damaged if not told otherwise."""
    given = {
        "site": arrival.site,
        "arrival": arrival,
        "shipment": arrival.shipments.first(),
        "number": next(_numbers),
        "kind": "damaged",
        "found_at": at,
        "logged_at": at,
        "logged_by": actor,
    }
    return Discrepancy.objects.create(**(given | fields))


def make_handed_in(arrival, *, author, at=NOON, **given):
    """A record that its author could not send: a piece set aside at `arrival`, with one photo."""
    url = f"/{arrival.site.code}/trailer/{arrival.number}/set-aside/"
    record = {
        "url": url,
        "fields": [["note", "wet at one side"]],
        "attached": [handed_in_photo()],
        "actor": author,
    } | given
    device = record.pop("device", None) or phones.Device(at, uuid.uuid4(), said=at)
    return handing.hand_in(arrival.site, uuid=uuid.uuid4(), author=author, device=device, at=at, **record)


def handed_in_photo(content=None):
    return handing.Attached("photos", "camera.jpg", "image/jpeg", content or make_jpeg())
