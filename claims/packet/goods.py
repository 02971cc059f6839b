"""The pieces that are claimed: the schedule with the working of every amount, and each piece with its proof."""

from django.db.models import Prefetch

from claims import drafting, losses
from claims.enums import LineKind
from claims.money import cents
from claims.packet import proof
from claims.packet.wording import amount, count, day, price, weight
from receiving import evidence, sheet
from receiving.enums import Extent
from receiving.models import Event, Finding, Photo


def lines(claim):
    """The live lines with their pieces, photos and findings; three queries."""
    photos = Photo.objects.select_related("actor", "tombstone").order_by("pk")
    findings = Finding.objects.select_related("actor").order_by("at", "pk")
    rows = claim.lines.filter(live=True).select_related(
        "discrepancy__shipment",
        "discrepancy__carton__store",
        "discrepancy__store",
        "discrepancy__new_store",
        "discrepancy__logged_by",
    )
    rows = rows.prefetch_related(
        Prefetch("discrepancy__photos", queryset=photos), Prefetch("discrepancy__findings", queryset=findings)
    )
    return list(rows.order_by("position"))


def why_in_full(claim):
    """The stated reason why goods whose contents nobody has counted are claimed in full; empty where there is none."""
    reason = claim.gap_reasons.filter(gap="extent").order_by("-pk").values_list("reason", flat=True).first()
    return reason or ""


def schedule(claim, lines):
    """The lines and their working, in the words and amounts of now.

    It is worked out anew and not copied, since what is kept with the claim speaks its clerk's language.
    """
    worked = drafting.working_of(claim, lines)
    sources = weighed(claim, lines)
    return {
        "damaged": sum(line.cartons for line in lines if line.kind == LineKind.DAMAGE),
        "lost": sum(line.cartons for line in lines if line.kind == LineKind.LOSS),
        "lines": [row(claim, line, worked.line(line.position), sources[line.position]) for line in lines],
        "steps": [whole_step(each, claim.currency) for each in worked.group_steps],
        "pools": [pool(each, {line.position: str(line.discrepancy) for line in lines}, claim) for each in worked.pools],
        "total": None if worked.total is None else amount(worked.total, claim.currency),
        "needs": list(worked.needs),
        "rate": rate(claim),
    }


def rate(claim):
    if claim.rate is None:
        return ""
    return f"{count(claim.rate)} ({claim.rate_source}, {day(claim.rate_date)})"


def weighed(claim, lines):
    """{position: where the weight of the line comes from}, empty where it has none."""
    listed = {line.position: losses.of_piece(line.discrepancy).weight for line in lines}
    typed = [line.position for line in lines if line.weight is not None and line.weight != listed[line.position]]
    who = written_by(claim) if typed else {}
    return {
        line.position: who.get((f"line {line.position}", "weight"), "entered on the claim")
        if line.position in typed
        else ("load list" if line.weight is not None else "")
        for line in lines
    }


def shipment_weighed(claim):
    """Where the weight of the whole shipment comes from, empty where there is none."""
    if claim.shipment_weight is None:
        return ""
    if claim.shipment_weight == claim.shipment.weight:
        return "bill of lading"
    return written_by(claim).get(("claim", "shipment_weight"), "entered on the claim")


def written_by(claim):
    """{("line 2", "weight") or ("claim", "shipment_weight"): who wrote it last, and when}, as the claim's log tells."""
    found = {}
    rows = Event.objects.filter(arrival=claim.shipment.arrival_id, record=evidence.name_of(claim)).order_by("seq")
    for event in rows.only("before", "after", "actor_name", "at"):
        before, after = event.before or {}, event.after or {}
        words = f"entered by {event.actor_name}, {sheet.moment(event.at)}"
        if after.get("shipment_weight") != before.get("shipment_weight"):
            found["claim", "shipment_weight"] = words
        for name, facts in after.items():
            if name.startswith("line ") and facts.get("weight") != (before.get(name) or {}).get("weight"):
                found[name, "weight"] = words
    return found


def row(claim, line, worked, weight_source):
    piece = line.discrepancy
    return {
        "position": line.position,
        "piece": str(piece),
        "kind": line.get_kind_display(),
        "label": label(piece),
        "description": line.description or (piece.carton.description if piece.carton_id else ""),
        "order": piece.carton.purchase_order if piece.carton_id else "",
        "quantity": count(line.quantity),
        "unit": line.unit,
        "cartons": line.cartons,
        "unit_price": price(line.unit_price, claim.currency),
        "price_source": line.get_price_source_display(),
        "price_reference": line.price_reference,
        "trade_discount": count(line.trade_discount) if line.trade_discount else "",
        "cash_discount": count(line.cash_discount) if line.cash_discount else "",
        "repair_cost": price(line.repair_cost, claim.currency),
        "value_lost": price(line.value_lost, claim.currency),
        "salvage": price(line.salvage, claim.currency) if line.salvage else "",
        "weight": weight(line.weight, claim.site.weight_unit),
        "weight_source": weight_source,
        "amount": None if worked.amount is None else price(worked.amount, claim.currency),
        "exact": None if worked.amount is None else format(worked.amount, "f"),
        "steps": [step(each, claim.currency) for each in worked.steps],
        "needs": list(worked.needs),
    }


def step(each, currency):
    return {"words": each.words, "amount": price(each.amount, currency), "note": each.note}


def whole_step(each, currency):
    """What a step of the whole claim arrives at is no part of a sum: cents are enough."""
    return step(each, currency) | {"amount": price(cents(each.amount, currency), currency)}


POOLS = {
    "limit": "The limit holds these lines together",
    "allowance": "The shortage allowance comes off these lines together",
    "deductible": "The deductible comes off these lines together",
}


def pool(each, pieces, claim):
    """What lines share, so that it can be reckoned again by hand: each one's worth before it, its part, its share."""
    weights = [share.weight for share in each.shares if share.weight is not None]
    unit = each.shares[0].unit
    return {
        "code": each.code,
        "words": POOLS[each.code],
        "ceiling": price(each.ceiling, claim.currency),
        "before": price(each.before, claim.currency),
        "weight": weight(sum(weights), unit) if weights else "",
        "shares": [
            {
                "position": share.key,
                "piece": pieces[share.key],
                "weight": weight(share.weight, unit),
                "before": price(share.before, claim.currency),
                "exact": price(share.exact, claim.currency),
                "given": price(share.given, claim.currency),
            }
            for share in each.shares
        ],
    }


def label(piece):
    return piece.label or (piece.carton.label if piece.carton_id else "")


def piece(line, currency="", in_full=""):
    """What is known of a claimed piece: as the sheet tells it, what was done since, and its photos.

    in_full -- the stated reason why it is claimed in full, for one of which that is in doubt
    """
    found = line.discrepancy
    return sheet.piece(found) | {
        "line": line.position,
        "lost": line.kind == LineKind.LOSS,
        "description": line.description or (found.carton.description if found.carton_id else ""),
        "cartons": line.cartons,
        "label": label(found),
        "attribution_reason": found.attribution_reason,
        "units_good": found.units_good,
        "units_hurt": found.units_hurt,
        "kept_small": kept_small(line, currency, in_full),
        "after_release": found.after_release,
        "found_at": found.found_at,
        "logged": sheet.moment(found.logged_at),
        "logged_at": found.logged_at,
        "findings": [finding(each) for each in found.findings.all()],
        "photos": [proof.photo(each, n, str(found)) for n, each in enumerate(found.photos.all(), 1)],
    }


IN_FULL = {
    "forwarded": "Repaired and forwarded; valued at its full price.",
    Extent.NOT_OPENED: "Not opened; valued by all that it held.",
    Extent.PACKAGING: "The packaging is hurt; the goods are valued in full.",
    "": "The contents were not counted; valued in full.",
}


def kept_small(line, currency, in_full):
    """Sentences on what was repaired, sorted out or sold of a damaged piece, and so how much of it is claimed."""
    if line.kind == LineKind.LOSS:
        return []
    said = []
    if line.repair_cost is not None:
        said.append(f"Repaired or to be repaired for {amount(line.repair_cost, currency)}.")
    if line.value_lost is not None:
        said.append(f"Worth less by {amount(line.value_lost, currency)}.")
    if line.discrepancy.units_good:
        said.append(f"Good units sorted out and left out: {line.discrepancy.units_good}.")
    if line.salvage > 0:
        said.append(f"Salvage of {amount(line.salvage, currency)} is taken off.")
    if (doubt := losses.doubt_of_full(line)) is not None:
        said.append(IN_FULL[doubt])
        said += [f"Why in full: {in_full}"] if in_full else []
    elif not said:
        said.append("Nothing is taken off for repair or salvage.")
    return said


def finding(each):
    return {
        "kind": each.get_kind_display(),
        "code": each.kind,
        "by_name": each.by_name,
        "units_good": each.units_good,
        "units_hurt": each.units_hurt,
        "outside": each.packaging_outside,
        "inside": each.packaging_inside,
        "disposition": each.get_disposition_display() if each.disposition else "",
        "text": each.text,
        "at": sheet.moment(each.at),
        "by": str(each.actor),
    }
