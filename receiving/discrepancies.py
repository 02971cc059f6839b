"""Pieces that are damaged, over, short or rerouted: the only writer of Discrepancy, its versions and findings.

Every change goes through `change`: one conditional UPDATE on the version, one new version that keeps the old readable,
one event. A piece with `claimed_at` is shut. What may not be done with a piece is in `dispositions`, what it still
lacks in `gaps`.
"""

import uuid as uuids

from django.db import IntegrityError, transaction
from django.db.models import F, Sum
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from receiving import clock, dispositions, dock, evidence, late, matching, queries, rules
from receiving.enums import (
    COUNTING_STATES,
    ArrivalState,
    Attribution,
    DiscrepancyState,
    Disposition,
    Extent,
    FindingKind,
    IncidentKind,
    Kind,
    LateKind,
    LateOutcome,
    RerouteAuthority,
    ScanHow,
    StopCard,
    WhereFound,
)
from receiving.models import Carton, Counter, DamageCode, Discrepancy, DiscrepancyVersion, Finding
from receiving.refusals import ChangedMeanwhile, Refused

FACTS = (
    "kind",
    "state",
    "arrival",
    "shipment",
    "carton",
    "store",
    "quantity",
    "label",
    "damaged_too",
    "codes",
    "extent",
    "disposition",
    "new_store",
    "reroute_authority",
    "where_found",
    "attribution",
    "attribution_reason",
    "no_photo_reason",
    "not_in_place_reason",
    "units_good",
    "units_hurt",
    "hazmat",
    "food_hold",
    "note",
    "matched",
    "settled_note",
)
AMENDABLE = tuple(
    name
    for name in FACTS
    if name not in ("kind", "state", "arrival", "carton", "food_hold", "disposition", "matched", "settled_note")
)
SIGNED = ("shipment", "store", "quantity", "label", "damaged_too", "new_store")


class AlreadyLogged(Refused):
    """This carton has an open piece of this kind; `piece` is the one to add to."""

    status = 409

    def __init__(self, piece):
        super().__init__(
            _("This carton is already logged as %(kind)s: %(piece)s. Open that piece and add to it.")
            % {"kind": piece.get_kind_display(), "piece": piece},
            code="already_logged",
            field="label",
        )
        self.piece = piece


# --- logging ---------------------------------------------------------------------------------------------------------


def set_aside(arrival, *, uuid, label="", note="", actor, at, found_at=None):
    """Put a piece aside while the line runs; what is wrong with it is said later by `complete`."""
    refuse_unless_logging(arrival)
    piece = Discrepancy(kind=Kind.SET_ASIDE, label=matching.tidy(label), note=note)
    with transaction.atomic():
        piece = create(piece, arrival=arrival, uuid=uuid, actor=actor, at=at, found_at=found_at)
        note_late(piece, actor=actor, at=at)
    return piece


def record(arrival, *, uuid, kind, facts, codes=(), stop="", called="", knowingly=False, actor, at, found_at=None):
    """Log one piece on a trailer; shorts are made by `declare_short` and by nothing else.

    facts -- values for AMENDABLE names and `disposition`, and `food`: True where a person says so
    codes -- DamageCode rows of the site, copied into the piece as they are worded now
    stop -- the IncidentKind whose card was shown; the piece is then kept without a close photo
    """
    refuse_unless_logging(arrival)
    with transaction.atomic():
        piece = Discrepancy()
        describe(piece, arrival=arrival, kind=kind, facts=facts, codes=codes, stop=stop, knowingly=knowingly)
        piece = create(piece, arrival=piece.arrival, uuid=uuid, actor=actor, at=at, found_at=found_at)
        follow_up(piece, codes=codes, stop=stop, called=called, actor=actor, at=at)
        note_late(piece, actor=actor, at=at)
    return piece


def note_late(piece, *, kind=LateKind.PIECE, outcome=LateOutcome.ADDED, actor, at):
    """A piece that was found before the release and came after it: the sheet no longer stands."""
    if not piece.sent_late:
        return
    entry = late.Entry(
        piece.uuid,
        kind,
        outcome,
        evidence.name_of(piece),
        piece.found_at,
        label=piece.label,
        pieces=piece.quantity,
        discrepancy=piece,
    )
    late.note_one(piece.arrival, entry, actor=actor, at=at)


def complete(piece, *, kind, facts, codes=(), stop="", called="", knowingly=False, version, actor, at):
    """Say what is wrong with a piece that was set aside: the same needs as `record`."""
    if piece.kind != Kind.SET_ASIDE:
        raise ChangedMeanwhile(
            _("%(piece)s has been filled in already: it is %(kind)s.")
            % {"piece": piece, "kind": piece.get_kind_display()}
        )
    refuse_unless_logging(piece.arrival)
    with transaction.atomic():
        told = {"label": piece.label, "note": piece.note} | facts
        after = Discrepancy(pk=piece.pk, arrival=piece.arrival)
        describe(after, arrival=piece.arrival, kind=kind, facts=told, codes=codes, stop=stop, knowingly=knowingly)
        values = {name: getattr(after, name) for name in FACTS if name not in ("state", "matched", "settled_note")}
        values["after_release"] = after.arrival.state == ArrivalState.RELEASED
        piece = change(piece, values=values, version=version, verb="piece.completed", actor=actor, at=at)
        follow_up(piece, codes=codes, stop=stop, called=called, actor=actor, at=at)
    return piece


def refuse_unless_logging(arrival):
    if arrival.state not in (*COUNTING_STATES, ArrivalState.RELEASED):
        raise Refused(
            _("Trailer %(trailer)s is %(state)s. Pieces are logged from the start of its unloading.")
            % {"trailer": arrival.trailer_number, "state": arrival.get_state_display()},
            code="not_unloading",
        )


def describe(piece, *, arrival, kind, facts, codes, stop, knowingly):
    """Fill an unsaved piece from what was said, and refuse what its kind does not allow."""
    if kind not in (Kind.DAMAGED, Kind.OVER, Kind.REROUTED):
        raise Refused(
            _("Choose what is wrong: damaged, over or rerouted. Shorts are declared when the trailer is squared."),
            code="kind_not_logged",
            field="kind",
        )
    piece.kind, piece.arrival = kind, arrival
    for name in AMENDABLE:
        if name in facts:
            setattr(piece, name, facts[name])
    piece.label = matching.tidy(piece.label)
    place(piece, knowingly=knowingly)
    if kind == Kind.DAMAGED or piece.damaged_too:
        describe_damage(piece, facts=facts, codes=codes, stop=stop, knowingly=knowingly)
    if kind == Kind.REROUTED:
        describe_reroute(piece)
    if stop and not piece.no_photo_reason:
        piece.no_photo_reason = _("stop card: %(kind)s") % {"kind": IncidentKind(stop).label}


def place(piece, *, knowingly=False):
    """Find the piece's carton by its label and with it the trailer and the bill that it counts on."""
    if piece.kind == Kind.OVER:
        piece.carton = None
        refuse_listed_over(piece, knowingly=knowingly)
    else:
        piece.carton = matching.find_carton(piece.arrival, piece.label)
    if piece.carton:
        refuse_second(piece)
        piece.arrival, piece.shipment = piece.carton.arrival, piece.carton.shipment
        piece.store = piece.carton.store
        refuse_more_than_listed(piece)
        piece.hazmat = piece.hazmat or piece.carton.hazmat
        return
    if piece.shipment is None or piece.shipment.arrival_id != piece.arrival.pk:
        piece.shipment = piece.arrival.shipments.order_by("position").first()
    refuse_more_than_billed(piece)


def refuse_more_than_listed(piece):
    """A label stands for as many pieces as its list says: one, unless it legally repeats."""
    if piece.quantity > piece.carton.expected:
        raise Refused(
            _("The list has %(expected)s of carton %(label)s, not %(quantity)s.")
            % {"expected": piece.carton.expected, "label": piece.carton, "quantity": piece.quantity},
            code="more_than_listed",
            field="quantity",
        )


def refuse_more_than_billed(piece):
    """Pieces without a label that tells them apart: no more of them can be hurt or rerouted than the bill has."""
    if piece.shipment is None or piece.kind == Kind.OVER:
        return
    billed = queries.billed_cartons(piece.shipment)
    if piece.quantity > billed:
        raise Refused(
            _("The bill has %(billed)s pieces, not %(quantity)s.") % {"billed": billed, "quantity": piece.quantity},
            code="more_than_billed",
            field="quantity",
        )


def refuse_listed_over(piece, *, knowingly):
    """A carton that a trailer in work waits for is counted, not over. Of one that has left it may be the short."""
    carton = matching.find_carton(piece.arrival, piece.label)
    if carton is None or carton.arrival.state == ArrivalState.RELEASED:
        return
    if carton.received >= carton.expected:
        if carton.arrival_id == piece.arrival.pk and not knowingly:
            raise dispositions.NeedsKnowing([second_in_hand(carton)])
        return
    told = {"label": piece.label, "line": carton.line, "trailer": carton.arrival.trailer_number}
    if carton.arrival_id == piece.arrival.pk:
        message = _(
            "%(label)s is on this trailer's list (line %(line)s) and not counted yet: count it, it is not over."
        )
    else:
        message = _("%(label)s is on the list of trailer %(trailer)s: count it here and it is credited there.")
    raise Refused(message % told, code="over_is_listed", field="label")


def second_in_hand(carton):
    if not carton.received_at or not carton.received_by:
        counted = _("Carton %(label)s is on this trailer's list and is counted.")
    else:
        counted = _("Carton %(label)s is on this trailer's list and was counted at %(when)s by %(who)s.")
    local = carton.received_at and clock.local(carton.received_at, carton.arrival.site.time_zone)
    told = {"label": carton.label, "when": local and date_format(local, "H:i"), "who": carton.received_by}
    only = _("Only if a second one with the same label is in your hand, tick “I know, and it is to be so”.")
    return f"{counted % told} {only}"


def refuse_second(piece):
    earlier = Discrepancy.objects.live().filter(carton=piece.carton, kind=piece.kind).exclude(pk=piece.pk).first()
    if earlier:
        raise AlreadyLogged(earlier)


def describe_damage(piece, *, facts, codes, stop, knowingly):
    if piece.kind == Kind.DAMAGED and not codes and not stop:
        raise Refused(_("Choose what the damage is."), code="code_missing", field="codes")
    piece.codes = [copy_of(code) for code in codes]
    piece.extent = piece.extent or Extent.NOT_OPENED
    piece.food_hold = dispositions.must_be_held(piece, told_food=bool(facts.get("food")))
    wanted = facts.get("disposition", "")
    dangerous = bool(dispositions.DANGEROUS & {stop}) or dispositions.has_code(piece, StopCard.HAZARD)
    if wanted:
        dispositions.check_disposition(piece, wanted, dangerous=dangerous, inspected=False, knowingly=knowingly)
    piece.disposition = wanted or usual_disposition(piece, codes, dangerous=dangerous)


def copy_of(code):
    return {
        "code": code.code,
        "label": code.label,
        "label_es": code.label_es,
        "stop_card": code.stop_card,
        "min_photos": code.min_photos,
    }


def usual_disposition(piece, codes, *, dangerous):
    """What the first code usually leads to. Never one that gives something away without somebody saying so."""
    if piece.food_hold or dangerous:
        return Disposition.HELD
    usual = next((code.default_disposition for code in codes if code.default_disposition), "")
    return "" if usual == Disposition.FORWARDED else usual


def describe_reroute(piece):
    if piece.store is None:
        raise Refused(
            _("Say which store was printed first: the label is not on the list."), code="store_missing", field="store"
        )
    if piece.new_store is None:
        raise Refused(_("Say which store it goes to now."), code="new_store_missing", field="new_store")
    if piece.new_store == piece.store:
        raise Refused(
            _("Store %(store)s is the one that was printed first. Choose the new one.") % {"store": piece.new_store},
            code="new_store_same",
            field="new_store",
        )
    if not piece.reroute_authority:
        piece.reroute_authority = RerouteAuthority.LABEL


def create(piece, *, arrival, uuid, actor, at, found_at):
    """Number and store a new piece with its first version and event."""
    found_at = believable(found_at, arrival, at)
    piece.arrival, piece.site, piece.uuid = arrival, arrival.site, uuid
    piece.found_at, piece.logged_at, piece.logged_by = found_at, at, actor
    piece.after_release = arrival.state == ArrivalState.RELEASED
    piece.sent_late = piece.after_release and found_at < arrival.released_at
    with transaction.atomic():
        piece.number = Counter.next(arrival.site, "discrepancy")
        guarded(piece, lambda: piece.save(force_insert=True))
        told = keep_version(piece, actor=actor, at=at)
        told |= {"number": piece.number, "found_at": found_at, "after_release": piece.after_release}
        tell(piece, f"piece.{piece.kind}", actor=actor, at=at, after=told)
    return piece


def believable(found_at, arrival, at):
    """The device's word for when it was found, unless its clock is ahead of ours or before the unloading."""
    if found_at is None or found_at > at or (arrival.unloading_at and found_at < arrival.unloading_at):
        return at
    return found_at


def guarded(piece, write):
    """Run a write that the database refuses for a carton's second open piece, and say which piece is there."""
    try:
        with transaction.atomic():
            return write()
    except IntegrityError:
        earlier = piece.carton_id and (
            Discrepancy.objects.live().filter(carton=piece.carton_id, kind=piece.kind).exclude(pk=piece.pk).first()
        )
        if earlier:
            raise AlreadyLogged(earlier) from None
        raise


def follow_up(piece, *, codes, stop, called, actor, at):
    """What logging a piece brings with it: codes are in use, the carton is here, goes elsewhere, a stop is noted."""
    used = [code.pk for code in codes] if piece.is_damaged else []
    DamageCode.objects.filter(pk__in=used, used_at__isnull=True).update(used_at=at)
    credit_carton(piece, uuid=derived(piece, "scan"), actor=actor, at=at)
    if piece.kind == Kind.REROUTED and piece.carton:
        Carton.objects.filter(pk=piece.carton_id).update(new_store=piece.new_store)
    if kind := stop or stop_of(piece):
        note_stop(piece, kind, called=called, actor=actor, at=at)


def derived(piece, what):
    """A UUID that a repeat of the same piece gives again."""
    return uuids.uuid5(piece.uuid, what)


def stop_of(piece):
    cards = {StopCard.HAZARD: IncidentKind.LEAKING, StopCard.FOOD: IncidentKind.FOOD}
    return next((kind for card, kind in cards.items() if dispositions.has_code(piece, card)), "")


def note_stop(piece, kind, *, called, actor, at):
    words = [code["label"] for code in piece.codes] or [IncidentKind(kind).label]
    text = f"{piece}: {', '.join(str(word) for word in words)}. {piece.note}".strip()
    dock.note_incident(
        piece.arrival,
        uuid=derived(piece, "stop"),
        kind=kind,
        text=text,
        called=called,
        discrepancy=piece,
        actor=actor,
        at=at,
    )


# --- changing --------------------------------------------------------------------------------------------------------


def change(piece, *, values, verb, actor, at, version=None, reason="", state=None, turned_up=False):
    """The one door of a piece that exists: a conditional UPDATE, a version and an event.

    values -- new values by the names of FACTS; what stays the same is left out of the event
    version -- what the person saw; None where the state alone decides who was first
    turned_up -- a short is here after all: a claim shuts that out no more than the truth; Due tells its clerk
    """
    if not turned_up:
        refuse_claimed(piece)
    before = told_facts(piece)
    rows = Discrepancy.objects.filter(pk=piece.pk, version=version or piece.version)
    if not turned_up:
        rows = rows.filter(claimed_at__isnull=True)
    if state:
        rows = rows.filter(state=state)
    columns = {Discrepancy._meta.get_field(name).attname: plain_value(value) for name, value in values.items()}
    probe = Discrepancy(pk=piece.pk, carton_id=columns.get("carton_id", piece.carton_id))
    probe.kind = columns.get("kind", piece.kind)
    with transaction.atomic():
        if not guarded(probe, lambda: rows.update(version=F("version") + 1, **columns)):
            raise ChangedMeanwhile(
                _("Somebody else changed %(piece)s meanwhile. What you typed is still here; compare and save again.")
                % {"piece": piece}
            )
        piece = fresh(piece)
        keep_version(piece, reason=reason, actor=actor, at=at)
        before, after = evidence.changed(before, told_facts(piece))
        tell(piece, verb, actor=actor, at=at, before=before, after=after | ({"reason": reason} if reason else {}))
    return piece


def plain_value(value):
    return getattr(value, "pk", value)


def fresh(piece):
    return Discrepancy.objects.select_related(
        "site", "arrival__site", "shipment__account", "carton", "store", "new_store", "matched", "logged_by"
    ).get(pk=piece.pk)


def refuse_claimed(piece):
    if piece.claimed_at:
        raise Refused(
            _("%(piece)s is on a claim and is shut. The claims clerk can take it off the claim.") % {"piece": piece},
            code="piece_claimed",
        )


def told_facts(piece):
    return evidence.plain(evidence.facts(piece, FACTS))


def keep_version(piece, *, actor, at, reason=""):
    facts = told_facts(piece)
    DiscrepancyVersion.objects.create(
        discrepancy=piece, version=piece.version, facts=facts, reason=reason, actor=actor, at=at
    )
    return dict(facts)


def tell(piece, verb, *, actor, at, before=None, after=None, record=None):
    return evidence.append(
        site=piece.site,
        verb=verb,
        record=record or piece,
        arrival=piece.arrival,
        discrepancy=piece,
        actor=actor,
        at=at,
        before=before,
        after=after,
    )


def amend(piece, *, facts, codes=None, version, reason="", actor, at):
    """Correct what was said of a piece; the earlier words stay readable as a version.

    facts -- values for AMENDABLE names; codes -- DamageCode rows, or None to leave them
    """
    refuse_settled(piece)
    facts = {name: facts[name] for name in AMENDABLE if name in facts}
    if "label" in facts:
        facts["label"] = matching.tidy(facts["label"])
    changed = {name: value for name, value in facts.items() if getattr(piece, name) != value}
    refuse_signed_change(piece, changed)
    after = fresh(piece)
    for name, value in changed.items():
        setattr(after, name, value)
    if "label" in changed:
        changed |= find_again(after)
    if codes is not None:
        after.codes = changed["codes"] = [copy_of(code) for code in codes]
        if after.codes == piece.codes:
            changed.pop("codes")
    if "quantity" in changed and after.carton:
        refuse_more_than_listed(after)
    if dispositions.must_be_held(after) and not piece.food_hold:
        changed |= {"food_hold": True, "disposition": Disposition.HELD}
    if piece.kind == Kind.REROUTED:
        describe_reroute(after)
    if not changed:
        return piece
    if not reason.strip():
        raise Refused(_("Say why it is corrected."), code="reason_missing", field="reason")
    with transaction.atomic():
        amended = change(
            piece, values=changed, version=version, verb="piece.amended", reason=reason, actor=actor, at=at
        )
        follow_carton(piece, amended, actor=actor, at=at)
        DamageCode.objects.filter(pk__in=[code.pk for code in codes or ()], used_at__isnull=True).update(used_at=at)
    return amended


def find_again(piece):
    """A corrected label may name another carton: its carton, bill and store follow it, on the same trailer."""
    if piece.kind not in (Kind.DAMAGED, Kind.REROUTED):
        return {}
    carton = matching.find_carton(piece.arrival, piece.label)
    if carton is None or carton.arrival_id != piece.arrival_id:
        piece.carton = None
        return {"carton": None}
    piece.carton, piece.store = carton, carton.store
    refuse_second(piece)
    refuse_more_than_listed(piece)
    return {"carton": carton, "shipment": carton.shipment, "store": carton.store}


def follow_carton(before, piece, *, actor, at):
    """After a correction: the carton now named is here, and the route belongs to it and no longer to the old one."""
    if before.kind == Kind.REROUTED:
        if before.carton_id and before.carton_id != piece.carton_id:
            Carton.objects.filter(pk=before.carton_id).update(new_store=None)
        if piece.carton_id:
            Carton.objects.filter(pk=piece.carton_id).update(new_store=piece.new_store)
    if before.carton_id and before.carton_id != piece.carton_id:
        uncount(before, actor=actor, at=at)
    if (piece.carton_id, piece.quantity) != (before.carton_id, before.quantity):
        credit_carton(piece, uuid=derived(piece, f"scan {piece.version}"), actor=actor, at=at)


def uncount(piece, *, actor, at):
    """The piece was some other carton: this one was counted by its log alone, so nobody has seen it."""
    from receiving import counting  # noqa: PLC0415  as in `credit_carton`

    if Discrepancy.objects.live().filter(carton=piece.carton_id).exclude(kind=Kind.SHORT).exists():
        return
    rows = queries.live_scans(carton=piece.carton_id)
    if rows.exclude(how=ScanHow.LOG).exists():
        return
    for row in rows.select_related("carton", "arrival__site"):
        counting.undo_scan(row, uuid=derived(row, "undone"), actor=actor, at=at)


def refuse_settled(piece, *, turned_up=False):
    if not turned_up:
        refuse_claimed(piece)
    if piece.state != DiscrepancyState.OPEN:
        raise Refused(
            _("%(piece)s is %(state)s; nothing is changed on it any more.")
            % {"piece": piece, "state": piece.get_state_display()},
            code="piece_settled",
        )


def refuse_signed_change(piece, changed):
    """What the driver signed for is not changed behind his back: the trailer is reopened first."""
    if piece.arrival.state != ArrivalState.RELEASED or piece.after_release:
        return
    field = next((name for name in SIGNED if name in changed), None)
    if field:
        raise signed(piece, field)


def signed(piece, field=None):
    return Refused(
        _(
            "%(piece)s is on the sheet the driver signed. "
            "Reopen trailer %(trailer)s first; its sheet is then superseded."
        )
        % {"piece": piece, "trailer": piece.arrival.trailer_number},
        code="piece_signed",
        field=field,
    )


def void(piece, *, reason, actor, at):
    """Take a piece out of the count. A damaged carton stays received, a rerouted one goes to its first store again."""
    refuse_settled(piece)
    if not reason.strip():
        raise Refused(_("Say why the piece is voided."), code="reason_missing", field="reason")
    if piece.arrival.state == ArrivalState.RELEASED and not piece.after_release:
        raise signed(piece)
    with transaction.atomic():
        voided = change(
            piece,
            values={"state": DiscrepancyState.VOID, "settled_note": reason},
            state=DiscrepancyState.OPEN,
            verb="piece.voided",
            reason=reason,
            actor=actor,
            at=at,
        )
        if piece.kind == Kind.REROUTED and piece.carton_id:
            Carton.objects.filter(pk=piece.carton_id).update(new_store=None)
    return voided


def attribute(piece, *, where_found, attribution, reason="", not_in_place_reason="", version, actor, at):
    """Say where it was found and whose doing it was; what differs from the suggestion needs its reason."""
    refuse_settled(piece)
    suggested = dispositions.SUGGESTED.get(where_found, "")
    if attribution and attribution != suggested and not reason.strip():
        raise Refused(
            _("Found %(where)s it is usually “%(usual)s”. Say why it is “%(said)s” here.")
            % {
                "where": WhereFound(where_found).label if where_found else "-",
                "usual": Attribution(suggested).label if suggested else "-",
                "said": Attribution(attribution).label,
            },
            code="reason_missing",
            field="attribution_reason",
        )
    values = {
        "where_found": where_found,
        "attribution": attribution,
        "attribution_reason": reason,
        "not_in_place_reason": not_in_place_reason or piece.not_in_place_reason,
    }
    return change(piece, values=values, version=version, verb="piece.attributed", actor=actor, at=at)


def mark_claimed(piece, *, at):
    """Shut the piece for a claim, or open it again with `at` None. One call at a time wins."""
    rows = Discrepancy.objects.filter(pk=piece.pk, claimed_at__isnull=at is not None)
    if not rows.update(claimed_at=at):
        raise ChangedMeanwhile(_("%(piece)s is on another claim already.") % {"piece": piece})
    return fresh(piece)


# --- findings and what happens with it -------------------------------------------------------------------------------


def add_finding(piece, *, uuid, kind, facts, actor, at):
    """Write down what was done or learnt about a piece later.

    facts -- by_name, units_good, units_hurt, packaging_outside, packaging_inside, text
    """
    if kind in (FindingKind.DISPOSITION, FindingKind.FOOD_RELEASED):
        raise Refused(_("This has its own page."), code="finding_elsewhere", field="kind")
    if piece.state == DiscrepancyState.VOID:
        refuse_settled(piece)
    check_finding(piece, kind, facts)
    with transaction.atomic():
        finding = write_finding(piece, uuid=uuid, kind=kind, facts=facts, actor=actor, at=at)
        carry_units(piece, finding, actor=actor, at=at)
    return finding


NAMED = {FindingKind.OPENED, FindingKind.INSPECTION_DONE, FindingKind.INSPECTION_WAIVED, FindingKind.STORE_REPORT}
WORDED = {FindingKind.INSPECTION_DONE, FindingKind.STORE_REPORT, FindingKind.NOTE, FindingKind.SALVAGE_OFFERED}


def check_finding(piece, kind, facts):
    if kind in NAMED and not facts.get("by_name", "").strip():
        raise Refused(_("Write by whom."), code="by_name_missing", field="by_name")
    if kind in WORDED and not facts.get("text", "").strip():
        raise Refused(_("Write what was found."), code="text_missing", field="text")
    if kind == FindingKind.SALVAGE_OFFERED and piece.food_hold:
        raise dispositions.held_food(piece, "kind")


def write_finding(piece, *, uuid, kind, facts, actor, at):
    finding = Finding.objects.create(discrepancy=piece, uuid=uuid, kind=kind, actor=actor, at=at, **facts)
    told = {"kind": kind} | {name: value for name, value in facts.items() if value not in ("", None)}
    tell(piece, f"piece.finding_{kind}", record=finding, actor=actor, at=at, after=told)
    return finding


def carry_units(piece, finding, *, actor, at):
    """The newest count of good and hurt units is the piece's own; a claimed piece keeps the one it was claimed with."""
    if piece.claimed_at or piece.state != DiscrepancyState.OPEN:
        return
    units = {"units_good": finding.units_good, "units_hurt": finding.units_hurt}
    values = {name: value for name, value in units.items() if value is not None and getattr(piece, name) != value}
    if values:
        change(piece, values=values, verb="piece.units", reason=str(finding.get_kind_display()), actor=actor, at=at)


def store_report(piece, *, uuid, facts, actor, at):
    """What the store found in a carton that was forwarded, on the same piece."""
    return add_finding(piece, uuid=uuid, kind=FindingKind.STORE_REPORT, facts=facts, actor=actor, at=at)


def dispose(piece, *, uuid, disposition, by_name="", text="", knowingly=False, version, actor, at):
    """Decide what happens with a piece.

    Leaking hazardous material never moves on; held food stays held until `release_food`. Forwarding before an
    inspection or its waiver needs `knowingly`.
    """
    refuse_settled(piece)
    dispositions.check_disposition(
        piece,
        disposition,
        dangerous=dispositions.is_dangerous(piece),
        inspected=dispositions.is_inspected(piece),
        knowingly=knowingly,
        qualified=rules.RELEASE_FOOD in rules.may(actor, piece.site),
    )
    with transaction.atomic():
        piece = change(
            piece,
            values={"disposition": disposition},
            version=version,
            verb="piece.disposed",
            reason=text,
            actor=actor,
            at=at,
        )
        facts = {"by_name": by_name or str(actor), "text": text, "disposition": disposition}
        write_finding(piece, uuid=uuid, kind=FindingKind.DISPOSITION, facts=facts, actor=actor, at=at)
    return piece


def release_food(piece, *, uuid, text, version, actor, at):
    """Let held food go on: by a person the site has marked as qualified, in their own name, with the reason."""
    if rules.RELEASE_FOOD not in rules.may(actor, piece.site):
        raise Refused(
            _("%(person)s is not marked as qualified to release held food.") % {"person": actor},
            code="not_qualified",
        )
    refuse_settled(piece)
    if not piece.food_hold:
        raise Refused(_("%(piece)s is not held.") % {"piece": piece}, code="not_held")
    if not text.strip():
        raise Refused(_("Say on what ground it is safe."), code="text_missing", field="text")
    with transaction.atomic():
        piece = change(
            piece,
            values={"food_hold": False},
            version=version,
            verb="piece.food_released",
            reason=text,
            actor=actor,
            at=at,
        )
        facts = {"by_name": str(actor), "text": text}
        write_finding(piece, uuid=uuid, kind=FindingKind.FOOD_RELEASED, facts=facts, actor=actor, at=at)
    return piece


# --- shorts ----------------------------------------------------------------------------------------------------------


def declare_short(shipment, *, cartons=(), quantity=0, store=None, actor, at):
    """Declare what is missing short, in one step and one event.

    cartons -- listed cartons, each for what it still lacks; or `quantity` pieces, of one store where that is known
    """
    dock.refuse_when_closed(shipment.arrival)
    wanted = list(short_rows(shipment, cartons, quantity, store))
    with transaction.atomic():
        missing = queries.shipment_squaring(shipment).missing
        total = sum(row.quantity for row in wanted)
        if not 0 < total <= missing:
            raise Refused(
                _("%(total)s pieces cannot be declared short: %(missing)s are missing. Reload the page.")
                % {"total": total, "missing": missing},
                code="short_out_of_range",
                field="quantity",
            )
        number_rows(wanted, shipment, actor=actor, at=at)
        guarded(wanted[0], lambda: Discrepancy.objects.bulk_create(wanted))
        DiscrepancyVersion.objects.bulk_create(
            DiscrepancyVersion(discrepancy=row, version=1, facts=told_facts(row), actor=actor, at=at) for row in wanted
        )
        pieces = [{"number": row.number, "label": row.label, "quantity": row.quantity} for row in wanted]
        dock.tell(
            shipment.arrival,
            "shipment.short",
            record=shipment,
            actor=actor,
            at=at,
            after={"pieces": pieces, "store": store and store.pk},
        )
    return wanted


def short_rows(shipment, cartons, quantity, store):
    for carton in cartons:
        yield Discrepancy(
            carton=carton,
            shipment=shipment,
            store_id=carton.store_id,
            label=carton.label,
            quantity=carton.expected - carton.received,
        )
    if quantity:
        yield Discrepancy(shipment=shipment, store=store, quantity=quantity)


def number_rows(rows, shipment, *, actor, at):
    """Give new shorts a run of numbers: the counter's row is ours until the transaction ends."""
    site = shipment.arrival.site
    first = Counter.next(site, "discrepancy")
    Counter.objects.filter(site=site, name="discrepancy", year=0).update(value=F("value") + len(rows) - 1)
    for number, row in enumerate(rows, first):
        row.number, row.site, row.arrival, row.kind = number, site, shipment.arrival, Kind.SHORT
        row.found_at, row.logged_at, row.logged_by = at, at, actor


def mark_found(piece, *, actor, at, note="", where="", credit=True):
    """A short turned up: resolved with who, when and where. Its carton counts as received.

    credit -- False where the caller has counted the carton itself
    """
    if piece.kind != Kind.SHORT:
        raise Refused(_("Only a short can be found."), code="not_short")
    refuse_settled(piece, turned_up=True)
    words = ", ".join(part for part in (where, note) if part)
    with transaction.atomic():
        found = change(
            piece,
            values={"state": DiscrepancyState.FOUND, "settled_note": words[:300]},
            state=DiscrepancyState.OPEN,
            turned_up=True,
            verb="piece.found",
            reason=words[:300],
            actor=actor,
            at=at,
        )
        if credit:
            credit_found(found, actor=actor, at=at)
    return found


def credit_found(short, *, actor, at):
    """All pieces of a short are here: its carton as often as it was short, or a tally where there is no label."""
    from receiving import counting  # noqa: PLC0415  as in `credit_carton`

    if short.carton_id is None:
        counting.receive_found(short, uuid=derived(short, "found"), actor=actor, at=at)
        return
    for position in range(short.quantity):
        uuid = derived(short, f"found {position}")
        counting.receive_logged(short.carton, seen_at=short.arrival, uuid=uuid, actor=actor, at=at)


def credit_carton(piece, *, uuid, actor, at):
    """The piece's carton is here: count it on its own trailer, unless it is counted in full, and find its short."""
    from receiving import counting  # noqa: PLC0415  a scanned carton that was short is found: each calls the other

    carton = piece.carton
    if carton is None:
        return
    for position in range(min(piece.quantity, carton.expected) - carton.received):
        short = Discrepancy.objects.live().filter(carton=carton, kind=Kind.SHORT).exclude(pk=piece.pk).first()
        if short:
            one_found(fresh(short), note=_("logged as %(piece)s") % {"piece": piece}, actor=actor, at=at)
        counting.receive_logged(
            carton, seen_at=piece.arrival, uuid=uuids.uuid5(uuid, str(position)), actor=actor, at=at
        )


def one_found(short, *, note="", pieces=1, actor, at):
    """One piece of a short, or `pieces`, turned up and is counted by the caller: the short is found, or is less."""
    if short.quantity <= pieces:
        return mark_found(short, note=note, credit=False, actor=actor, at=at)
    values = {"quantity": short.quantity - pieces}
    return change(
        short,
        values=values,
        state=DiscrepancyState.OPEN,
        verb="piece.found",
        reason=note,
        turned_up=True,
        actor=actor,
        at=at,
    )


def short_pieces(carton):
    """How many pieces of a carton are declared short and not found."""
    rows = Discrepancy.objects.live().filter(carton=carton, kind=Kind.SHORT)
    return rows.aggregate(n=Sum("quantity"))["n"] or 0


def loose_shorts(shipment):
    """Open shorts of a bill that are pieces by number: no label tells which."""
    rows = Discrepancy.objects.live().filter(shipment=shipment, kind=Kind.SHORT, carton__isnull=True)
    return list(rows.order_by("pk").select_related("site", "arrival__site"))


def some_found(shipment, store, wanted, *, note="", actor, at):
    """Up to `wanted` pieces of a bill's shorts by number turned up and are counted by the caller; gives how many."""
    left = wanted
    fitting = [short for short in loose_shorts(shipment) if store is None or short.store_id in (store.pk, None)]
    for short in sorted(fitting, key=lambda short: short.store_id is None):
        pieces = min(left, short.quantity)
        one_found(short, note=note, pieces=pieces, actor=actor, at=at)
        left -= pieces
        if not left:
            break
    return wanted - left


def short_again(shipment, *, carton=None, store=None, quantity=1, uuid, actor, at, found_at):
    """A count was taken back before the release and the taking back came after it: its pieces are short after all."""
    earlier = carton and Discrepancy.objects.live().filter(carton=carton, kind=Kind.SHORT).first()
    if earlier:
        more = {"quantity": earlier.quantity + quantity}
        note = _("a count was taken back")
        return change(fresh(earlier), values=more, verb="piece.short_again", reason=note, actor=actor, at=at)
    piece = Discrepancy(
        kind=Kind.SHORT,
        shipment=shipment,
        carton=carton,
        store=carton.store if carton else store,
        label=carton.label if carton else "",
        quantity=quantity,
    )
    return create(piece, arrival=shipment.arrival, uuid=uuid, actor=actor, at=at, found_at=found_at)


def match_over_short(over, short, *, actor, at):
    """The carton that was over is the one that was short: both are resolved, its own trailer is credited.

    An over that is damaged too becomes that carton's damaged piece, so that its photos and codes stay live.
    """
    check_match(over, short)
    with transaction.atomic():
        words = _("matched with %(piece)s") % {"piece": over}
        short = change(
            short,
            values={"state": DiscrepancyState.MATCHED, "settled_note": words},
            state=DiscrepancyState.OPEN,
            verb="piece.matched",
            turned_up=True,
            actor=actor,
            at=at,
        )
        over = change(
            over,
            values=matched_values(over, short),
            state=DiscrepancyState.OPEN,
            verb="piece.matched",
            actor=actor,
            at=at,
        )
        credit_found(short, actor=actor, at=at)
    return over, short


def matched_values(over, short):
    values = {"matched": short, "settled_note": _("matched with %(piece)s") % {"piece": short}}
    if over.damaged_too and short.carton_id:
        return values | {
            "kind": Kind.DAMAGED,
            "damaged_too": False,
            "arrival": short.arrival,
            "after_release": short.arrival.state == ArrivalState.RELEASED,
            "shipment": short.shipment,
            "carton": short.carton,
            "store": short.store,
            "food_hold": over.food_hold or short.carton.food and dispositions.has_code(over, StopCard.FOOD),
        }
    return values | {"state": DiscrepancyState.MATCHED}


def check_match(over, short):
    refuse_settled(over)
    refuse_settled(short, turned_up=True)
    if over.kind != Kind.OVER or short.kind != Kind.SHORT or over.site_id != short.site_id:
        raise Refused(_("Only an over and a short of the same site are matched."), code="not_a_match")
    if not over.label or over.label != short.label:
        raise Refused(
            _("The labels differ: %(over)s and %(short)s.") % {"over": over.label or "-", "short": short.label or "-"},
            code="labels_differ",
        )
    if over.quantity != short.quantity:
        raise Refused(
            _("%(over)s is %(found)s pieces, %(short)s %(missing)s. Correct the number of pieces first.")
            % {"over": over, "found": over.quantity, "short": short, "missing": short.quantity},
            code="quantities_differ",
        )
