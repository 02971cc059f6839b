"""One small site with a record of every kind, and a person for every role there, at another site and at all sites."""

import uuid
from dataclasses import dataclass, field

from django.core.files.base import ContentFile

from claims import company, drafting, letters, mail
from claims.enums import FactKind
from claims.models import Job, Scorecard
from receiving import counting, discrepancies, dock, photos, release
from receiving.enums import ArrivalState, Kind, PhotoPurpose, Role
from receiving.models import Arrival, Carrier, Carton, LoadList
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_carrier,
    make_cartons,
    make_code,
    make_door,
    make_handed_in,
    make_jpeg,
    make_person,
    make_seal,
    make_site,
    make_store,
)
from tests.claims.builders import losses, make_claim, make_filed, make_load, make_terms
from tests.claims.cards import make_card, make_message
from tests.claims.carriers import make_counts
from tests.claims.fact_builders import LATER, make_fact
from tests.claims.packets import make_document, make_packet_row
from tests.claims.talks import make_talk
from tests.hostile.papers import pdf


@dataclass
class World:
    people: dict
    records: dict
    clients: dict = field(default_factory=dict)

    def args(self, needs):
        """The arguments of an address: `trailer shipment` -> [3, 7]."""
        return [need[1:] if need.startswith("=") else self.records[need] for need in needs.split()]


def build():
    site, other = make_site("NOR"), make_site("SOU", time_zone="America/Denver")
    people = {role.value: make_person(role, site, role.value) for role in Role}
    people |= {f"other site's {role.value}": make_person(role, other, f"o-{role.value}") for role in Role}
    people |= {f"all-sites {role.value}": make_person(role, None, f"a-{role.value}") for role in Role}
    people["qualified"] = make_person("viewer", site, "q", food_qualified=True)
    people["member of nothing"] = make_person(username="nobody")
    member = people["viewer"].memberships.get().pk
    found = records(site, people["lead"])
    found |= claim_records(site, people) | card_records(site, people["manager"])
    found |= talk_records(site, found["carrier"], people["manager"])
    found |= all_sites_records(found["carrier"], people["all-sites manager"])
    return World(people, found | {"member": member})


def records(site, lead):
    account = make_account("Juniper Home Stores")
    store = make_store(site, account, "0417")
    code = make_code(site)
    trailer = make_arrival(site, actor=lead, state=ArrivalState.COUNTED, pieces=4, account=account)
    shipment = trailer.shipments.get()
    cartons = make_cartons(shipment, 4, stores=[store])
    Carton.objects.filter(shipment=shipment).update(received=1)
    piece = discrepancies.record(
        trailer,
        uuid=uuid.uuid4(),
        kind=Kind.DAMAGED,
        facts={"label": cartons[0].label},
        codes=[code],
        actor=lead,
        at=NOON,
    )
    released, sheet = let_go(site, lead, account)
    photo = photos.receive_photo(
        arrival=released,
        uuid=uuid.uuid4(),
        upload=ContentFile(make_jpeg()),
        filename="camera.jpg",
        purpose=PhotoPurpose.TRAILER,
        actor=lead,
        at=NOON,
    )
    late = discrepancies.record(
        released,
        uuid=uuid.uuid4(),
        kind=Kind.DAMAGED,
        facts={"label": released.cartons.first().label},
        codes=[code],
        actor=lead,
        at=NOON,
    )
    return {
        "trailer": trailer.number,
        "handed_in": make_handed_in(trailer, author=lead).uuid,
        "released": released.number,
        "shipment": shipment.pk,
        "seal": make_seal(trailer, actor=lead).pk,
        "incident": dock.note_incident(
            trailer, kind="leaking", text="a drop", uuid=uuid.uuid4(), actor=lead, at=NOON
        ).uuid,
        "piece": piece.number,
        "late": late.number,
        "sheet": sheet.number,
        "photo": photo.uuid,
        "code": code.pk,
        "door": make_door(site).pk,
        "store": store.pk,
        "account": account.pk,
        "carrier": make_carrier().pk,
        "carton": cartons[0].pk,
        "job": Job.objects.create(site=site, kind="packet", key="1", title="Packet", asked_by=lead, asked_at=NOON).uuid,
        "pallet": counting.open_pallet(site, store=store, uuid=uuid.uuid4(), actor=lead, at=NOON).number,
        "list": LoadList.objects.create(
            shipment=shipment,
            file="lists/none.csv",
            name="none.csv",
            sha256="0" * 64,
            size=1,
            uploaded_at=NOON,
            uploaded_by=lead,
        ).pk,
    }


def claim_records(site, people):
    lead, clerk = people["lead"], people["clerk"]
    draft = make_claim(site, actor=clerk, shipment=make_load(site, actor=lead))
    filed = make_filed(site, actor=clerk, shipment=make_load(site, actor=lead))
    loss = losses(make_load(site, actor=lead))[0]
    given_up = losses(make_load(site, actor=lead))[0]
    drafting.decide_not([given_up], reason="too small", uuid=uuid.uuid4(), actor=clerk, at=NOON)
    return {
        "claim": draft.slug,
        "packet": make_packet_row(draft, actor=clerk).number,
        "line": draft.lines.first().position,
        "filed": filed.slug,
        "fact": make_fact(filed, FactKind.NOTE, actor=clerk).pk,
        **correspondence(filed, clerk),
        "claimed": draft.lines.first().discrepancy.number,
        "not_claimed": given_up.number,
        "loss": loss.number,
        "bill": loss.shipment_id,
        "terms": make_terms("Terms of the site", site=site).pk,
        "company_terms": make_terms("Terms of the company").pk,
    }


def correspondence(claim, clerk):
    """A paper, a letter and a message of a filed claim."""
    by = {"actor": clerk, "at": NOON}
    attached = [(mail.Attached("a.pdf", "application/pdf", b"%PDF-"),)]
    told = {"to": "claims@tern.example", "subject": "Claim", "body": "Attached.", "attached": attached}
    return {
        "document": make_document(claim, pdf(), actor=clerk).uuid,
        "letter": letters.draft(claim, kind="withdrawal", uuid=uuid.uuid4(), actor=clerk, at=LATER).number,
        "message": mail.send(claim, uuid=uuid.uuid4(), **told, **by)[0].uuid,
    }


def card_records(site, manager):
    """A scorecard that went by e-mail."""
    carrier = make_carrier()
    make_counts(site, carrier, [3, 0, 1, 0, 2, 1])
    card = make_card(site, carrier, actor=manager)
    return {"card": card.number, "card_message": make_message(card, actor=manager).uuid}


def talk_records(site, carrier, manager):
    """Something that was agreed with this carrier."""
    return {"talk": make_talk(site, Carrier.objects.get(pk=carrier), actor=manager).pk}


def all_sites_records(carrier, manager):
    """A scorecard over all sites that went by e-mail, something agreed for all of them, work for all of them."""
    everywhere, by = company.everywhere(), {"asked_by": manager, "asked_at": NOON}
    card = make_card(everywhere, Scorecard.objects.get().carrier, actor=manager)
    return {
        "all_card": card.number,
        "all_card_message": make_message(card, actor=manager).uuid,
        "all_talk": make_talk(everywhere, Carrier.objects.get(pk=carrier), actor=manager).pk,
        "all_job": Job.objects.create(site=None, kind="scorecards", key="1", title="Cards", **by).uuid,
    }


def let_go(site, lead, account):
    arrival = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2, account=account)
    make_cartons(arrival.shipments.get(), 2, received=1, start=500)
    sheet = release.release_clean(arrival, uuid=uuid.uuid4(), device="", actor=lead, at=NOON)
    return Arrival.objects.get(pk=arrival.pk), sheet
