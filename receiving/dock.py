"""The trailer from the gate to the end of its count: the only writer of Arrival, Shipment, seals and incidents.

Every function takes the `actor` and the moment `at` it is written down, writes one event, and raises `Refused` with
a sentence when the record does not allow it. What happened a while before it is written down says so by
`happened_at`. A state changes by a conditional UPDATE: of two people one wins.
"""

from contextlib import contextmanager
from uuid import uuid5

from django.db import IntegrityError, transaction
from django.db.models import F, Max, Model, Sum
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from receiving import evidence, late, queries
from receiving.enums import (
    ARRIVAL_MOVES,
    ArrivalState,
    IncidentKind,
    LateKind,
    LateOutcome,
    MomentKind,
    SealAction,
    SealCondition,
)
from receiving.identifiers import compact_seal
from receiving.models import (
    Arrival,
    Counter,
    Door,
    IncidentNote,
    Looked,
    Moment,
    Refusal,
    SealRecord,
    Shipment,
    ShipmentCarrier,
)
from receiving.refusals import ChangedMeanwhile, Refused

ARRIVAL_FACTS = (
    "door",
    "carrier",
    "trailer_number",
    "driver",
    "dropped",
    "appointment_at",
    "gate_at",
    "late_reason",
    "cold",
    "temperature_unit",
    "set_point",
    "reading",
    "product_temperature",
)
SHIPMENT_FACTS = (
    "account",
    "shipper",
    "origin",
    "ship_date",
    "bill_number",
    "bill_date",
    "pro_number",
    "carrier_on_bill",
    "pieces",
    "pieces_unit",
    "pallets",
    "weight",
    "freight_charge",
    "freight_terms",
    "freight_paid",
    "freight_in_price",
    "declared_value",
    "count_clause",
    "loaded_by",
    "sealed_by",
    "origin_proof",
    "difference_note",
)
SEAL_FACTS = (
    "action",
    "trailer_door",
    "number_on_paper",
    "number_on_seal",
    "seal_class",
    "condition",
    "broken_by",
    "watched_by",
    "kept_where",
    "viewed",
    "verified",
    "tugged",
    "twisted",
    "note",
)
TICKS = ("wheels_held", "floor_looked_at", "load_safe")
CHANGED_WHILE_TYPING = gettext_lazy(
    "Somebody else changed this while you were typing. Compare with what you typed and save again."
)
SEAL_INCIDENTS = {IncidentKind.SEAL, IncidentKind.THEFT}


class IllegalStep(Refused):
    """The trailer's state does not allow this step."""

    status = 409

    def __init__(self, arrival, to):
        state = ArrivalState(arrival.state).label
        super().__init__(
            _("Trailer %(trailer)s is %(state)s; from there it cannot become “%(to)s”. Reload the page to see it now.")
            % {"trailer": arrival.trailer_number, "state": state, "to": ArrivalState(to).label},
            code="illegal_step",
        )


def tell(arrival, verb, *, actor, at, record=None, before=None, after=None):
    return evidence.append(
        site=arrival.site,
        verb=verb,
        record=record or arrival,
        arrival=arrival,
        actor=actor,
        at=at,
        before=before,
        after=after,
    )


def refuse_impossible(arrival, happened_at, at):
    """A moment that somebody names must be past, and not before the last step of the trailer."""
    if happened_at is None:
        return
    if happened_at > at:
        raise Refused(
            _("%(time)s is in the future. Give the time it happened, or leave it empty for now.")
            % {"time": words(happened_at)},
            code="in_the_future",
            field="happened_at",
        )
    before = last_step(arrival)
    if before and happened_at < before.at.replace(second=0, microsecond=0):
        raise Refused(
            _("%(time)s is before the last step: %(step)s at %(before)s. Give a later time, or leave it empty for now.")
            % {"time": words(happened_at), "step": before.get_kind_display(), "before": words(before.at)},
            code="before_last_step",
            field="happened_at",
        )


def last_step(arrival):
    return arrival.moments.exclude(kind__in=[MomentKind.EXPECTED, MomentKind.AT_GATE]).order_by("-at", "-pk").first()


def made_on_phone(arrival, made_at):
    """When a step happened that waited on a phone: as it was made, but not before the step that is written down last.

    Steps of one trailer can come from several phones, each when it has a network again.
    """
    before = made_at and last_step(arrival)
    return max(made_at, before.at) if before else made_at


def words(moment):
    """`Mon 2 Mar 2026, 14:32`, in the site's zone where one is set."""
    return date_format(timezone.localtime(moment), "D j M Y, H:i")


def advance(arrival, *, to, moment, actor, at, since=None, happened_at=None, note="", also=None):
    """The one door of a trailer's state. `also` are facts set in the same UPDATE.

    since -- the only state this step starts from, where another step leads to `to` as well
    """
    was = arrival.state
    if to not in ARRIVAL_MOVES[was] or was != (since or was):
        raise IllegalStep(arrival, to)
    refuse_impossible(arrival, happened_at, at)
    values = {"state": to, **(also or {})}
    if to in (ArrivalState.REFUSED, ArrivalState.CANCELLED):
        values["closed_at"] = happened_at or at
    with transaction.atomic():
        moved = Arrival.objects.filter(pk=arrival.pk, state=was).update(version=F("version") + 1, **values)
        if not moved:
            raise ChangedMeanwhile(
                _("Somebody else changed trailer %(trailer)s just now. Reload the page; nothing of yours was stored.")
                % {"trailer": arrival.trailer_number}
            )
        Moment.objects.create(arrival=arrival, kind=moment, actor=actor, at=happened_at or at, note=note)
        told = {name: value.pk if isinstance(value, Model) else value for name, value in values.items()}
        told["note"] = note
        if happened_at:
            told["happened_at"] = happened_at
        tell(arrival, f"arrival.{moment}", actor=actor, at=at, before={"state": was}, after=told)
    arrival.refresh_from_db()
    return arrival


def moment(arrival, kind, *, actor, at, note=""):
    """Something happened that changes no state: one row on the time line, one event."""
    with transaction.atomic():
        row = Moment.objects.create(arrival=arrival, kind=kind, actor=actor, at=at, note=note)
        tell(arrival, f"arrival.{kind}", actor=actor, at=at, after={"note": note})
    return row


def open_arrival(*, site, uuid, facts, actor, at):
    """Expect a trailer. `facts` are values for ARRIVAL_FACTS."""
    with transaction.atomic():
        arrival = Arrival.objects.create(site=site, uuid=uuid, number=Counter.next(site, "arrival"), **facts)
        Moment.objects.create(arrival=arrival, kind=MomentKind.EXPECTED, actor=actor, at=at)
        tell(arrival, "arrival.expected", actor=actor, at=at, after=evidence.facts(arrival, ARRIVAL_FACTS))
    return arrival


def change_facts(record, *, facts, version, names, verb, arrival, actor, at):
    """Set facts on a record that carries a version; refuses when somebody changed it since `version`."""
    before = evidence.facts(record, names)
    for name, value in facts.items():
        setattr(record, name, value)
    before, after = evidence.changed(before, evidence.facts(record, names))
    if not after:
        return record
    with transaction.atomic():
        values = {name: getattr(record, record._meta.get_field(name).attname) for name in after}
        columns = {record._meta.get_field(name).attname: value for name, value in values.items()}
        if not type(record).objects.filter(pk=record.pk, version=version).update(version=F("version") + 1, **columns):
            raise ChangedMeanwhile(CHANGED_WHILE_TYPING)
        tell(arrival, verb, record=record, actor=actor, at=at, before=before, after=after)
    record.refresh_from_db()
    return record


def edit_arrival(arrival, *, facts, version, actor, at):
    """Correct what is said of a trailer. One that turns out to be dropped was dropped when it came."""
    refuse_when_closed(arrival)
    facts = dict(facts)
    if arrival.is_open and facts.get("dropped", arrival.dropped) != arrival.dropped:
        facts["dropped_at"] = (facts.get("gate_at") or arrival.gate_at or at) if facts["dropped"] else None
    with transaction.atomic():
        if arrival.is_open and facts.get("door"):
            hold_door(arrival, facts["door"])
        return change_facts(
            arrival,
            facts=facts,
            version=version,
            names=(*ARRIVAL_FACTS, "dropped_at"),
            verb="arrival.edited",
            arrival=arrival,
            actor=actor,
            at=at,
        )


def hold_door(arrival, door):
    """Refuse a door where another trailer stands. The door's own row is the lock: of two trailers one gets it."""
    Door.objects.filter(pk=door.pk).update(label=F("label"))
    taken = Arrival.objects.open().filter(door=door).exclude(pk=arrival.pk).first()
    if taken:
        raise Refused(
            _(
                "Trailer %(trailer)s (%(number)s) stands at door %(door)s. Choose another door, or change that "
                "trailer's door first."
            )
            % {"trailer": taken.trailer_number, "number": taken, "door": door},
            code="door_taken",
            field="door",
        )


def add_shipment(arrival, *, uuid, facts, chain=(), actor, at):
    """Put a bill on the trailer. `chain` are the carriers and brokers before the delivering one, in order."""
    refuse_when_closed(arrival)
    with transaction.atomic(), bill_once(arrival, facts.get("bill_number")):
        last = arrival.shipments.aggregate(last=Max("position"))["last"] or 0
        shipment = Shipment.objects.create(arrival=arrival, uuid=uuid, position=last + 1, **facts)
        set_chain(shipment, chain)
        tell(
            arrival,
            "shipment.added",
            record=shipment,
            actor=actor,
            at=at,
            after=evidence.facts(shipment, SHIPMENT_FACTS) | {"chain": [carrier.pk for carrier in chain]},
        )
    return shipment


@contextmanager
def bill_once(arrival, bill_number):
    """The database keeps a bill from standing twice on one trailer; this says so in a sentence."""
    try:
        with transaction.atomic():
            yield
    except IntegrityError:
        if not arrival.shipments.filter(bill_number=bill_number).exists():
            raise
        raise Refused(
            _("Bill %(bill)s is already on trailer %(trailer)s. Open it there, or correct the number.")
            % {"bill": bill_number, "trailer": arrival.trailer_number},
            code="bill_twice",
            field="bill_number",
        ) from None


def edit_shipment(shipment, *, facts, version, actor, at, chain=None):
    refuse_when_closed(shipment.arrival)
    with transaction.atomic(), bill_once(shipment.arrival, facts.get("bill_number")):
        if chain is not None:
            version = change_chain(shipment, chain, version=version, actor=actor, at=at)
        return change_facts(
            shipment,
            facts=facts,
            version=version,
            names=SHIPMENT_FACTS,
            verb="shipment.edited",
            arrival=shipment.arrival,
            actor=actor,
            at=at,
        )


def change_chain(shipment, carriers, *, version, actor, at):
    """Name other carriers before the delivering one; gives the version the shipment then has."""
    was, now = [link.carrier_id for link in queries.chain(shipment)], [carrier.pk for carrier in carriers]
    if was == now:
        return version
    if not Shipment.objects.filter(pk=shipment.pk, version=version).update(version=F("version") + 1):
        raise ChangedMeanwhile(CHANGED_WHILE_TYPING)
    set_chain(shipment, carriers)
    tell(
        shipment.arrival,
        "shipment.chain",
        record=shipment,
        actor=actor,
        at=at,
        before={"chain": was},
        after={"chain": now},
    )
    return version + 1


def set_chain(shipment, carriers):
    shipment.links.all().delete()
    ShipmentCarrier.objects.bulk_create(
        ShipmentCarrier(shipment=shipment, carrier=carrier, position=position)
        for position, carrier in enumerate(carriers, 1)
    )


def refuse_when_closed(arrival):
    if arrival.state in (ArrivalState.RELEASED, ArrivalState.REFUSED, ArrivalState.CANCELLED):
        raise Refused(
            _("Trailer %(trailer)s is %(state)s; reopen it first to change what was signed.")
            % {"trailer": arrival.trailer_number, "state": arrival.get_state_display()},
            code="trailer_closed",
        )


def bring_to_door(
    arrival, *, door, dropped=False, gate_at=None, driver="", late_reason="", actor, at, happened_at=None
):
    """The trailer stands at `door`. A dropped one has no driver waiting."""
    if gate_at and gate_at > at:
        raise Refused(
            _("%(time)s is in the future. Give the time it came, or leave it empty for now.")
            % {"time": words(gate_at)},
            code="in_the_future",
            field="gate_at",
        )
    also = {"door": door, "dropped": dropped, "gate_at": gate_at or arrival.gate_at or happened_at or at}
    if driver:
        also["driver"] = driver
    if late_reason:
        also["late_reason"] = late_reason
    if dropped:
        also["dropped_at"] = at
    with transaction.atomic():
        hold_door(arrival, door)
        Moment.objects.create(arrival=arrival, kind=MomentKind.AT_GATE, actor=actor, at=also["gate_at"])
        arrival = advance(
            arrival,
            to=ArrivalState.AT_DOOR,
            moment=MomentKind.AT_DOOR,
            actor=actor,
            at=at,
            happened_at=happened_at,
            also=also,
        )
        if dropped:
            Moment.objects.create(arrival=arrival, kind=MomentKind.DROPPED, actor=actor, at=at)
    return arrival


def record_seal(arrival, *, uuid, facts, actor, at, happened_at=None, made_at=None, replaces=None, reason=""):
    """Write down one seal. A correction names the row it replaces and why; the old row stays, at its place in time.

    made_at -- when it was written down on a phone; before the release it still comes to the record after it
    """
    is_late = late.is_late(arrival, made_at)
    if not is_late:
        refuse_when_closed(arrival)
    if replaces is not None:
        happened_at = happened_at or replaces.at
    elif happened_at and happened_at > at:
        refuse_impossible(arrival, happened_at, at)
    if facts.get("condition") != SealCondition.MISSING and not facts.get("number_on_seal"):
        raise Refused(
            _("Type the number on the seal, or say that the seal is missing."),
            code="seal_number_missing",
            field="number_on_seal",
        )
    if replaces is not None and not reason.strip():
        raise Refused(_("Say why the seal record is corrected."), code="reason_missing", field="reason")
    with transaction.atomic():
        evidence.lock_head(arrival.site)
        if replaces is not None and SealRecord.objects.filter(replaces=replaces).exists():
            raise ChangedMeanwhile(
                _("Somebody else corrected this seal record just now. Reload the page; nothing of yours was stored.")
            )
        happened_at = happened_at or made_at
        seal = SealRecord.objects.create(
            arrival=arrival, uuid=uuid, actor=actor, at=happened_at or at, replaces=replaces, reason=reason, **facts
        )
        tell(
            arrival,
            "seal.corrected" if replaces else "seal.recorded",
            record=seal,
            actor=actor,
            at=at,
            before=evidence.facts(replaces, SEAL_FACTS) if replaces else None,
            after=evidence.facts(seal, SEAL_FACTS) | {"reason": reason, "happened_at": seal.at},
        )
        if is_late:
            label = seal.number_on_seal or seal.number_on_paper
            come_late(arrival, LateKind.SEAL, seal, label=label, made_at=made_at, actor=actor, at=at)
    return seal


def come_late(arrival, kind, row, *, label="", made_at, actor, at):
    """A record that was made before the release was added after it."""
    name = evidence.name_of(row)
    late.note_one(arrival, late.Entry(row.uuid, kind, LateOutcome.ADDED, name, made_at, label), actor=actor, at=at)


def state_unsealed(arrival, *, reason, actor, at):
    """The trailer came without any seal, and somebody says so."""
    refuse_when_closed(arrival)
    if not reason.strip():
        raise Refused(_("Say how it is known that the trailer came unsealed."), code="reason_missing", field="reason")
    if any(seal.action == SealAction.FOUND for seal in queries.current_seals(arrival)):
        raise Refused(
            _("A seal found on this trailer is written down. Correct that record if it is wrong."),
            code="seal_was_found",
            field="reason",
        )
    with transaction.atomic():
        Arrival.objects.filter(pk=arrival.pk).update(unsealed_reason=reason, version=F("version") + 1)
        tell(arrival, "arrival.unsealed", actor=actor, at=at, after={"unsealed_reason": reason})
    arrival.refresh_from_db()
    return arrival


def note_incident(arrival, *, uuid, kind, text, called="", discrepancy=None, actor, at, made_at=None):
    """A stop: what was seen and who was called.

    made_at -- when it was written down on a phone, if it waited there
    """
    with transaction.atomic():
        note = IncidentNote.objects.create(
            arrival=arrival,
            uuid=uuid,
            kind=kind,
            text=text,
            called=called,
            discrepancy=discrepancy,
            actor=actor,
            at=made_at or at,
        )
        evidence.append(
            site=arrival.site,
            verb="incident.noted",
            record=note,
            arrival=arrival,
            discrepancy=discrepancy,
            actor=actor,
            at=at,
            after={"kind": kind, "text": text, "called": called} | ({"happened_at": made_at} if made_at else {}),
        )
        if late.is_late(arrival, made_at):
            come_late(arrival, LateKind.INCIDENT, note, made_at=made_at, actor=actor, at=at)
    return note


def tick(arrival, *, ticks, actor, at):
    """The three looks before anybody goes in: a dict of TICKS to True or False."""
    refuse_when_closed(arrival)
    before, after = evidence.changed(evidence.facts(arrival, TICKS), {name: bool(ticks.get(name)) for name in TICKS})
    if not after:
        return arrival
    with transaction.atomic():
        Arrival.objects.filter(pk=arrival.pk).update(version=F("version") + 1, **after)
        tell(arrival, "arrival.safety", actor=actor, at=at, before=before, after=after)
    arrival.refresh_from_db()
    return arrival


def what_unloading_needs(arrival):
    """Sentences for what stands between this trailer and its unloading; empty when nothing does."""
    return [sentence for _code, sentence in unloading_needs(arrival)]


def unloading_needs(arrival):
    """(code, sentence) for each thing that is missing, in the order of the work.

    The codes are bill, seal, incident and safety. Reads the relations of `arrival`, so that a list of trailers can
    prefetch them.
    """
    found = [seal for seal in queries.unreplaced(arrival.seals.all()) if seal.action == SealAction.FOUND]
    noted = {incident.kind for incident in arrival.incidents.all()}
    if not arrival.shipments.all():
        yield "bill", _("Enter the bill of lading.")
    if not found and not arrival.unsealed_reason:
        yield "seal", _("Write down the seal, or say that the trailer came unsealed.")
    if any(seal.needs_incident for seal in found) and not noted & SEAL_INCIDENTS:
        yield "incident", _("The seal is not as it should be: write the incident note first.")
    if not arrival.is_safe_to_unload:
        yield "safety", _("Tick the three safety looks: wheels, floor, load.")


def start_unloading(arrival, *, actor, at, happened_at=None):
    if arrival.state == ArrivalState.AT_DOOR and (needs := what_unloading_needs(arrival)):
        raise Refused(" ".join(needs), code="not_ready_to_unload")
    when = happened_at or at
    return advance(
        arrival,
        since=ArrivalState.AT_DOOR,
        to=ArrivalState.UNLOADING,
        moment=MomentKind.UNLOADING_STARTED,
        actor=actor,
        at=at,
        happened_at=happened_at,
        also={"unloading_at": arrival.unloading_at or when, "opened_at": arrival.opened_at or when},
    )


def pause(arrival, *, held_by, actor, at, happened_at=None):
    """Stop for a while: `held_by` says who holds the trailer meanwhile."""
    if not held_by.strip():
        raise Refused(_("Say who holds the trailer meanwhile."), code="held_by_missing", field="held_by")
    return advance(
        arrival,
        to=ArrivalState.PAUSED,
        moment=MomentKind.PAUSED,
        actor=actor,
        at=at,
        happened_at=happened_at,
        note=held_by,
    )


def seals_on(seals):
    """Seals put on at this dock and not yet taken off, in order. A removal is told by either of its numbers."""
    on = []
    for seal in seals:
        if seal.action == SealAction.APPLIED:
            on.append(seal)
        elif seal.action == SealAction.REMOVED:
            numbers = {compact_seal(seal.number_on_seal), compact_seal(seal.number_on_paper)} - {""}
            off = next((one for one in on if compact_seal(one.number_on_seal) in numbers), None)
            on = [one for one in on if one is not off]
    return on


def resuming_needs(arrival):
    """(code, sentence) for what stands between a paused trailer and going on; `code` is seal or incident."""
    seals = queries.unreplaced(arrival.seals.all())
    if on := seals_on(seals):
        yield (
            "seal",
            _("Seal %(number)s was put on during the pause. Write down its removal first.")
            % {"number": on[-1].number_on_seal},
        )
    wrong = [seal for seal in seals if seal.action == SealAction.REMOVED and seal.needs_incident]
    noted = [note.at for note in arrival.incidents.all() if note.kind in SEAL_INCIDENTS]
    if wrong and not any(at >= wrong[-1].at for at in noted):
        yield "incident", _("The seal that was taken off is not as it should be: write the incident note first.")


def resume(arrival, *, actor, at, happened_at=None, note=""):
    """Unload again. If a seal was put on during the pause, its removal must have been written down."""
    if arrival.state == ArrivalState.PAUSED and (needs := list(resuming_needs(arrival))):
        raise Refused(
            " ".join(sentence for _code, sentence in needs),
            code={"seal": "seal_still_on", "incident": "incident_missing"}[needs[0][0]],
        )
    return advance(
        arrival,
        since=ArrivalState.PAUSED,
        to=ArrivalState.UNLOADING,
        moment=MomentKind.RESUMED,
        actor=actor,
        at=at,
        happened_at=happened_at,
        note=note,
    )


def end_count(arrival, *, actor, at, happened_at=None):
    return advance(
        arrival,
        since=ArrivalState.UNLOADING,
        to=ArrivalState.COUNTED,
        moment=MomentKind.COUNTED,
        actor=actor,
        at=at,
        happened_at=happened_at,
        also={"counted_at": happened_at or at},
    )


def back_to_unloading(arrival, *, actor, at, note=""):
    return advance(
        arrival,
        since=ArrivalState.COUNTED,
        to=ArrivalState.UNLOADING,
        moment=MomentKind.COUNT_REOPENED,
        actor=actor,
        at=at,
        note=note,
    )


def refuse_whole(arrival, *, reason, actor, at):
    """Nothing is taken off: every bill's pieces are refused and the trailer is closed."""
    if not reason.strip():
        raise Refused(_("Say why the trailer is refused."), code="reason_missing", field="reason")
    with transaction.atomic():
        arrival = advance(arrival, to=ArrivalState.REFUSED, moment=MomentKind.REFUSED, actor=actor, at=at, note=reason)
        Refusal.objects.bulk_create(
            Refusal(shipment=s, pieces=queries.billed_cartons(s), whole=True, reason=reason, actor=actor, at=at)
            for s in arrival.shipments.all()
        )
    return arrival


def refuse_rest(shipment, *, uuid, pieces, reason, actor, at):
    """Leave `pieces` of a bill aboard; a negative number takes pieces of an earlier refusal back."""
    arrival = shipment.arrival
    refuse_when_closed(arrival)
    if not reason.strip():
        raise Refused(_("Say why pieces are refused."), code="reason_missing", field="reason")
    square = queries.shipment_squaring(shipment)
    already = shipment.refusals.aggregate(n=Sum("pieces"))["n"] or 0
    if not -already <= pieces <= square.missing or pieces == 0:
        raise Refused(
            _("%(pieces)s pieces cannot be refused: %(missing)s are not counted yet, %(already)s are refused.")
            % {"pieces": pieces, "missing": square.missing, "already": already},
            code="refusal_out_of_range",
            field="pieces",
        )
    with transaction.atomic():
        row = Refusal.objects.create(shipment=shipment, uuid=uuid, pieces=pieces, reason=reason, actor=actor, at=at)
        tell(
            arrival,
            "shipment.refused",
            record=shipment,
            actor=actor,
            at=at,
            after={"pieces": pieces, "reason": reason},
        )
    return row


def cancel(arrival, *, reason, actor, at):
    if not reason.strip():
        raise Refused(_("Say why the trailer is cancelled."), code="reason_missing", field="reason")
    return advance(arrival, to=ArrivalState.CANCELLED, moment=MomentKind.CANCELLED, actor=actor, at=at, note=reason)


def looked(arrival, *, uuid, places, actor, at):
    """Somebody looked for missing cartons at `places`; a row for each."""
    with transaction.atomic():
        for position, place in enumerate(places):
            Looked.objects.create(
                arrival=arrival, uuid=uuid5(uuid, str(position)) if position else uuid, place=place, actor=actor, at=at
            )
        tell(arrival, "arrival.looked", actor=actor, at=at, after={"places": list(places)})
