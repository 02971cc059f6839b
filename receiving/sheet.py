"""What an exception sheet says: the words of the notation, the frozen content, the PDF made from it.

`contents` gathers everything into plain JSON; the PDF is made from that JSON and the viewing copies of its photos and
from nothing else, so the same frozen content makes the same bytes again.
"""

import json
import re
from datetime import datetime

from django.core.files.storage import default_storage
from django.template.loader import render_to_string
from django.utils import timezone, translation
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving import clock, evidence, late, queries
from receiving.documents import pdf
from receiving.enums import Attribution, CarrierReceipt, Extent, Kind, LookedPlace, SealCondition, SignOutcome
from receiving.models import Discrepancy

LISTED_IDS = 40


def ids(pieces):
    """`ids 1 …, 2 …`; pieces without a label are counted, and a long list is cut with its number."""
    labels = [piece.label or piece.carton.label for piece in pieces if piece.label or piece.carton_id]
    unlabelled = sum(piece.quantity for piece in pieces) - len(labels)
    words = []
    if labels:
        words.append(_("ids") + " " + ", ".join(labels[:LISTED_IDS]))
    if len(labels) > LISTED_IDS:
        words.append(_("and %(count)s more on the sheet") % {"count": len(labels) - LISTED_IDS})
    if unlabelled:
        words.append(
            ngettext("%(count)s without a label", "%(count)s without labels", unlabelled) % {"count": unlabelled}
        )
    return ", ".join(words)


def seal_words(seal):
    number = seal.number_on_seal or seal.number_on_paper or "-"
    if seal.condition != SealCondition.INTACT:
        return _("seal %(number)s %(condition)s") % {"number": number, "condition": seal.get_condition_display()}
    if seal.numbers_differ:
        return _("seal %(seal)s intact, paperwork says %(paper)s") % {
            "seal": seal.number_on_seal,
            "paper": seal.number_on_paper,
        }
    if seal.number_on_paper:
        return _("seal %(number)s intact, numbers agree") % {"number": number}
    return _("seal %(number)s intact, no number on the paperwork") % {"number": number}


def groups(arrival):
    """(sentence start, pieces) for what goes on the carrier's receipt, in the order a driver reads it."""
    live = list(live_pieces(arrival))
    by_kind = {kind: [piece for piece in live if piece.kind == kind] for kind in Kind}
    yield from count_words(_("%(count)s cartons short"), _("1 carton short"), by_kind[Kind.SHORT])
    yield from count_words(_("%(count)s cartons over"), _("1 carton over"), by_kind[Kind.OVER])
    damaged = {}
    for piece in live:
        if piece.is_damaged:
            damaged.setdefault(", ".join(code["label"] for code in piece.codes) or _("damaged"), []).append(piece)
    for words, pieces in damaged.items():
        count = sum(piece.quantity for piece in pieces)
        start = ngettext("%(count)s carton damaged", "%(count)s cartons damaged", count) % {"count": count}
        yield f"{start} ({words})", pieces
    yield from count_words(_("%(count)s cartons rerouted"), _("1 carton rerouted"), by_kind[Kind.REROUTED])


def count_words(many, one, pieces):
    if pieces:
        count = sum(piece.quantity for piece in pieces)
        yield (one if count == 1 else many % {"count": count}), pieces


def live_pieces(arrival):
    return (
        Discrepancy.objects.live()
        .filter(arrival=arrival)
        .exclude(kind=Kind.SET_ASIDE)
        .select_related("carton", "carton__store", "store", "new_store", "shipment", "logged_by")
        .order_by("kind", "number")
    )


def draft_notation(arrival):
    """The words for the carrier's receipt, drafted from the record; the lead may edit them."""
    total = queries.trailer_squaring(arrival)
    parts = [f"{start}: {ids(pieces)}" for start, pieces in groups(arrival)]
    if total.refused:
        parts.append(_("%(count)s pieces refused aboard") % {"count": total.refused})
    seals = [seal_words(seal) for seal in queries.current_seals(arrival) if seal.action == "found"]
    parts += seals or [_("trailer came unsealed")]
    parts.append(
        _("%(received)s pieces received against %(billed)s on the bill")
        % {"received": total.received, "billed": total.billed}
    )
    return "; ".join(parts) + "."


def contents(arrival, *, release, number, at, replaces=None):
    """Everything the sheet prints, as plain JSON.

    release -- dict of notation, outcome, signer, employer, signature, typed, witness, carrier_receipt, device
    replaces -- the sheet that no longer stands because of what came late, which is then told
    """
    site = arrival.site
    looked = set(arrival.looks.values_list("place", flat=True))
    with timezone.override(clock.zone(site.time_zone)), translation.override("en"):
        return evidence.plain(
            {
                "number": number,
                "at": moment(at),
                "site": {
                    "code": site.code,
                    "name": site.name,
                    "address": site.address,
                    "paper": site.paper,
                },
                "trailer": trailer(arrival),
                "moments": [
                    {
                        "what": entry.get_kind_display(),
                        "at": moment(entry.at),
                        "by": str(entry.actor),
                        "note": entry.note,
                    }
                    for entry in arrival.moments.select_related("actor").order_by("at", "pk")
                ],
                "seals": [seal(row) for row in queries.current_seals(arrival)],
                "incidents": [
                    {"kind": row.get_kind_display(), "text": row.text, "called": row.called, "at": moment(row.at)}
                    for row in arrival.incidents.order_by("at", "pk")
                ],
                "bills": [bill(shipment, squared) for shipment, squared in queries.squarings(arrival).items()],
                "total": squares(queries.trailer_squaring(arrival)),
                "looked": [place.label for place in LookedPlace if place in looked],
                "pieces": [piece(row) for row in live_pieces(arrival).prefetch_related("photos__tombstone")],
                **({"late": came_late(replaces)} if replaces else {}),
                "release": release
                | {
                    "outcome_words": SignOutcome(release["outcome"]).label,
                    "receipt_words": CarrierReceipt(release["carrier_receipt"]).label,
                    "strokes": stroke_paths(release.get("signature", "")),
                },
            }
        )


def came_late(replaced):
    """What was made before a sheet and came after it, and how the driver answered to that sheet."""
    return {
        "sheet": str(replaced),
        "answered": replaced.get_outcome_display(),
        "signer": replaced.signer,
        "at": moment(replaced.at),
        "records": [
            {
                "what": late.said(row),
                "piece": str(row.discrepancy or ""),
                "pieces": row.pieces,
                "by": str(row.actor),
                "made": moment(row.made_at),
                "received": moment(row.at),
            }
            for row in late.of_sheet(replaced)
        ],
    }


def moment(at):
    if at is None:
        return ""
    return worded(timezone.localtime(at))


def worded(local):
    return f"{local:%a} {local.day} {local:%b %Y, %H:%M} {local.tzname() or ''}".strip()


def claimed(text):
    """What a device said of when it took a photo, in words where it is ISO 8601 or EXIF; else as it said it."""
    iso = re.sub(r"^(\d{4}):(\d\d):(\d\d) ([\d:]{8}) ?", r"\1-\2-\3 \4", text)
    try:
        return worded(datetime.fromisoformat(iso))
    except ValueError:
        return text


def trailer(arrival):
    return {
        "record": str(arrival),
        "number": arrival.trailer_number,
        "carrier": str(arrival.carrier or ""),
        "driver": arrival.driver,
        "door": str(arrival.door or ""),
        "dropped": arrival.dropped,
        "unsealed": arrival.unsealed_reason,
        "cold": arrival.cold,
        "temperatures": {
            "unit": arrival.get_temperature_unit_display(),
            "set_point": text(arrival.set_point),
            "reading": text(arrival.reading),
            "product": text(arrival.product_temperature),
        },
    }


def text(value):
    return "" if value is None else str(value)


def seal(row):
    return {
        "action": row.get_action_display(),
        "where": row.get_trailer_door_display(),
        "paper": row.number_on_paper,
        "seal": row.number_on_seal,
        "class": row.seal_class,
        "condition": row.get_condition_display(),
        "words": seal_words(row),
        "broken_by": row.broken_by,
        "watched_by": row.watched_by,
        "kept_where": row.kept_where,
        "at": moment(row.at),
        "by": str(row.actor),
    }


def bill(shipment, squared):
    return {
        "bill": shipment.bill_number,
        "pro": shipment.pro_number,
        "account": str(shipment.account),
        "shipper": shipment.shipper,
        "origin": shipment.origin,
        "clause": shipment.get_count_clause_display(),
        "pieces": f"{shipment.pieces} {shipment.get_pieces_unit_display()}",
        "difference_note": shipment.difference_note,
        "square": squares(squared),
    }


def squares(squared):
    names = "billed listed received missing short over refused contradiction damaged rerouted hurt difference good"
    return {name: getattr(squared, name) for name in names.split()}


def piece(row):
    return {
        "number": str(row),
        "kind": row.get_kind_display(),
        "label": row.label or (row.carton.label if row.carton_id else ""),
        "quantity": row.quantity,
        "damaged": row.is_damaged,
        "codes": [f"{code['code']} {code['label']}" for code in row.codes],
        "extent": Extent(row.extent).label if row.extent else "",
        "disposition": row.get_disposition_display(),
        "where": row.get_where_found_display(),
        "attribution": Attribution(row.attribution).label if row.attribution else "",
        "store": str(row.store or (row.carton.store if row.carton_id else "") or ""),
        "new_store": str(row.new_store or ""),
        "note": row.note,
        "no_photo_reason": row.no_photo_reason,
        "not_in_place_reason": row.not_in_place_reason,
        "reroute_authority": row.get_reroute_authority_display(),
        "by": str(row.logged_by),
        "at": moment(row.found_at),
        "photos": [
            {
                "uuid": str(photo.uuid),
                "purpose": photo.get_purpose_display(),
                "caption": photo.caption,
                "taken": claimed(photo.taken_claim),
                "received": moment(photo.at),
                "sha256": photo.sha256,
                "viewing": photo.viewing,
                "viewing_sha256": photo.viewing_sha256,
            }
            for photo in sorted(row.photos.all(), key=lambda photo: photo.pk)
            if not hasattr(photo, "tombstone")
        ],
    }


MAX_POINTS = 20_000


def stroke_paths(signature):
    """SVG paths of a signature given as the pad's JSON, a list of strokes each with its points; [] if it is none."""
    try:
        strokes = json.loads(signature) if signature else []
        found, points = [], 0
        for stroke in strokes:
            dots = [(round(float(dot["x"]), 1), round(float(dot["y"]), 1)) for dot in stroke["points"]]
            points += len(dots)
            if points > MAX_POINTS or not all(-5000 <= n <= 5000 for dot in dots for n in dot):
                return []
            if dots:
                found.append("M" + " L".join(f"{x} {y}" for x, y in (dots if len(dots) > 1 else dots * 2)))
        return found
    except (ValueError, TypeError, KeyError):
        return []


def frame(paths):
    """The smallest view box that holds the signature, with a margin."""
    numbers = [float(n) for path in paths for n in path.replace("M", " ").replace("L", " ").split()]
    xs, ys = numbers[0::2], numbers[1::2]
    if not xs:
        return "0 0 100 40"
    left, top = min(xs) - 4, min(ys) - 4
    return f"{left:g} {top:g} {max(xs) - left + 4:g} {max(ys) - top + 4:g}"


def make_pdf(content, *, log, supersedes="", created):
    """PDF bytes of a frozen content. `log` is the chain's (seq, hash) printed on it.

    Raises documents.pdf.DocumentNotMade when a photo of it is missing or is not the one that was recorded.
    """
    pictures = {}
    for entry in content["pieces"]:
        for photo in entry["photos"]:
            pictures[f"photo:{photo['uuid']}"] = viewing_copy(photo)
    digest = evidence.sha256(evidence.canonical(content))
    html = render_to_string(
        "receiving/sheet_pdf.html",
        {
            "c": content,
            "digest": digest,
            "log_seq": log[0],
            "log_hash": log[1],
            "supersedes": supersedes,
            "frame": frame(content["release"]["strokes"]),
            "photographed": bool(pictures),
        },
    )
    return pdf.render_pdf(
        html,
        title=f"Exception sheet {content['number']}",
        created=created,
        identifier=bytes.fromhex(digest[:32]),
        paper=content["site"]["paper"],
        pictures=pictures,
        attachments=[
            pdf.Attachment("sheet.json", evidence.canonical(content).encode(), "The record behind this sheet")
        ],
    )


def viewing_copy(photo):
    try:
        with default_storage.open(photo["viewing"]) as file:
            data = file.read()
    except OSError as error:
        raise pdf.DocumentNotMade("picture_missing", name=photo["uuid"]) from error
    if evidence.digest(data) != photo["viewing_sha256"]:
        raise pdf.DocumentNotMade("picture_broken", name=photo["uuid"])
    return data
