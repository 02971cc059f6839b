"""Count: one field for the scanner, the store in huge digits; tally by store; pallets; a file of scans."""

import hashlib
import json
from dataclasses import asdict, replace
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.db.models.functions import Coalesce
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from receiving import carton_list, counting, queries, rules, scan_words
from receiving.documents.tables import MAX_BYTES
from receiving.enums import ArrivalState, ScanHow, ScanResult
from receiving.forms.count import PalletForm, ScanFileForm, ScanForm, TallyForm
from receiving.models import Arrival, Discrepancy, Event, Pallet, Scan
from receiving.refusals import Refused
from receiving.scan_words import FACES, FLAGS, ICONS, MISPLACED
from receiving.web import at_site, done, form_errors, invalid, once, problem, refuse, wants_json

R = ScanResult
LAST = 5
REPORTED = 500


def find_arrival(request, number):
    if arrival := queries.arrival_numbered(request.site, number):
        return arrival
    raise Http404


def is_part(request):
    """The page's own script asks for what has changed and not for the page around it."""
    return "X-Part" in request.headers


def count_url(arrival, **query):
    url = reverse("count", args=[arrival.site.code, arrival.number])
    return f"{url}?{urlencode(query)}" if query else url


# --- scanning ---------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.WORK)
def count(request, number):
    arrival = find_arrival(request, number)
    chosen = {name: request.GET[name] for name in ("pallet", "shipment") if request.GET.get(name)}
    form = ScanForm(chosen, arrival=arrival) if chosen else None
    if form:
        form.full_clean()
    picked = form.cleaned_data if form else {}
    return render(request, "receiving/count.html", count_page(request, arrival, ScanForm(arrival=arrival), picked))


def count_page(request, arrival, form, picked, **more):
    """The whole page. picked -- the pallet in hand and the bill chosen, as far as they are good"""
    pallet = picked.get("pallet")
    return {
        "arrival": arrival,
        "back": arrival.get_absolute_url(),
        "form": form,
        "pallet": pallet,
        "pallets": counting.open_pallets(request.site)[:60],
        "shipment": picked.get("shipment"),
        "blind_bills": queries.bills_without_list(arrival),
        "running": queries.running_count(arrival),
        "last": last_scans(arrival, request.user),
        "why_not": carton_list.why_not(arrival),
        "left": arrival.state == ArrivalState.RELEASED,
    } | more


def last_scans(arrival, person):
    """The person's own last scans here: what they can take back."""
    # As in queries.live_scans: left to itself SQLite would walk through every scan there is.
    mine = lines().alias(takes_back=Coalesce("undoes_id", 0)).filter(seen_at=arrival, actor=person, takes_back=0)
    return [line_of(row) for row in mine.order_by("-pk")[:LAST]]


def lines():
    return Scan.objects.select_related("carton__store", "carton__new_store", "undone_by")


def line_of(row):
    line = {"uuid": row.uuid, "at": row.at, "label": row.label, "words": row.get_result_display()}
    return line | {"store": row.carton and row.carton.goes_to, "taken_back": hasattr(row, "undone_by")}


@require_POST
@at_site(rules.WORK)
@once
def scan(request, number):
    """One label, or for scripts a batch of up to 500."""
    arrival = find_arrival(request, number)
    form, status = ScanForm(request.POST, arrival=arrival), 422
    if form.is_valid():
        asked = form.cleaned_data
        try:
            answers = counting.scan(
                arrival,
                reads=[timed(request, read) for read in form.reads(request.uuid)],
                pallet=asked["pallet"],
                shipment=asked["shipment"],
                how=asked["how"] or ScanHow.SCANNER,
                actor=request.user,
                at=timezone.now(),
            )
            return answered(request, arrival, form, answers)
        except Refused as why:
            status = refuse(form, why)
    if is_part(request):
        sentences = [error["message"] for error in form_errors(form)]
        return render(request, "receiving/_scan_refused.html", {"sentences": sentences}, status=status)
    return invalid(
        request,
        "receiving/count.html",
        count_page(request, arrival, form, form.cleaned_data),
        form,
        status=status,
    )


def timed(request, read):
    """A read with the time of its phone set right, or that of the whole record where it has none of its own."""
    return replace(read, device_at=request.device.true(read.device_at) or request.device.made_at)


def answered(request, arrival, form, answers):
    if wants_json(request):
        pieces = pieces_of(arrival, answers)
        scans = [told(arrival, answer, pieces) for answer in answers]
        return JsonResponse({"scans": scans, "running": asdict(queries.running_count(arrival))}, status=201)
    face = face_of(arrival, answers[-1], pieces_of(arrival, answers[-1:]))
    if is_part(request):
        part = {"face": face, "last": [as_line(answers[-1])], "running": queries.running_count(arrival), "part": True}
        # Without the request: what every page needs for its frame is not worked out.
        return HttpResponse(render_to_string("receiving/_scan_result.html", part))
    page = count_page(request, arrival, ScanForm(arrival=arrival), form.cleaned_data, face=face)
    return render(request, "receiving/count.html", page)


def as_line(answer):
    """A scan that was answered just now, as the list of the last ones shows it."""
    line = {"uuid": answer.uuid, "at": timezone.now(), "label": answer.label, "words": answer.result.label}
    return line | {"store": answer.store if answer.shipment_id else None}


def told(arrival, answer, pieces):
    """One answer for a script: what it is, and all that a page shows of it."""
    face = face_of(arrival, answer, pieces)
    carton, store, piece = answer.carton, answer.store, face.get("piece")
    return {
        "uuid": answer.uuid,
        "at": timezone.now(),
        "result": answer.result,
        "label": answer.label,
        "counts": answer.counts,
        "store": store.number if store else None,
        "store_name": store.name if store else "",
        "rerouted_from": carton.store.number if carton and carton.new_store_id else None,
        "trailer": answer.arrival.number,
        "pallet": answer.pallet.number if answer.pallet else None,
        "misplaced": answer.misplaced,
        "repeated": answer.repeated,
        "message": str(answer.detail or answer.result.label),
        "detail": str(answer.detail),
        "look": face["look"],
        "icon": face["icon"],
        "words": str(face["words"]),
        "line": str(answer.result.label),
        "flags": [[icon, str(words)] for icon, words in face["flags"]],
        "log": face.get("log"),
        "log_words": str(face.get("log_words", "")),
        "piece": piece and {"name": str(piece), "url": piece.get_absolute_url()},
    }


def face_of(arrival, answer, pieces):
    """How an answer is shown: its look, icon and words, the carton's flags, and the way to log what is wrong."""
    look, words = FACES[answer.result]
    if answer.misplaced and look != "wrong":
        look, words = "wrong", MISPLACED % {"words": words}
    flags = [(icon, words) for name, icon, words in FLAGS if answer.carton and getattr(answer.carton, name)]
    face = {"answer": answer, "look": look, "icon": ICONS[look], "words": words, "flags": flags}
    return face | way_on(arrival, answer, pieces)


def pieces_of(arrival, answers):
    """{label: the newest live piece that has it}, for the labels that count for nothing here."""
    labels = {answer.label for answer in answers if answer.result in (R.NOT_LISTED, R.OTHER_RELEASED)}
    found = Discrepancy.objects.live().filter(site=arrival.site_id, label__in=labels).order_by("pk") if labels else []
    pieces = {piece.label: piece for piece in found}
    for piece in pieces.values():
        piece.site = arrival.site
    return pieces


def way_on(arrival, answer, pieces):
    """Where a label that is no plain count leads: the piece that has it already, or the log."""
    if piece := pieces.get(answer.label):
        return {"piece": piece}
    late = arrival.state == ArrivalState.RELEASED
    if answer.result == R.NOT_LISTED or (answer.result == R.OTHER_RELEASED and not late):
        return {"log": log_url(arrival, label=answer.label, kind="over"), "log_words": scan_words.LOG_OVER}
    if answer.result == R.OTHER_RELEASED:
        return {"log": log_url(arrival, label=answer.label), "log_words": scan_words.LOG_LATE}
    if answer.carton and answer.result != R.OTHER_WAITING:
        return {"log": log_url(arrival, label=answer.label), "log_words": scan_words.LOG_WRONG}
    return {}


def log_url(arrival, **query):
    return f"{reverse('log_trailer', args=[arrival.site.code, arrival.number])}?{urlencode(query)}"


@require_POST
@at_site(rules.WORK)
@once
def undo(request, number):
    """Take back the person's own last count here: the last scan, the last tap, or the last of both (`what` empty).

    A phone names the very count it showed as the last (`named`), since what it shows may not have arrived yet.
    """
    arrival = find_arrival(request, number)
    meant = {"what": request.POST.get("what", ""), "named": uuid_or_none(request.POST.get("named", ""))}
    try:
        back = counting.undo_last(
            arrival,
            **meant,
            uuid=request.uuid,
            actor=request.user,
            at=timezone.now(),
            made_at=request.device.made_at,
        )
    except Refused as why:
        if is_part(request):
            return render(request, "receiving/_scan_refused.html", {"sentences": [why.message]}, status=why.status)
        return problem(request, why.status, why.code, why.message, field=why.field)
    if is_part(request):
        part = {"undone": back, "running": queries.running_count(arrival), "part": True}
        if isinstance(back, Scan):
            part["last"] = [line_of(lines().get(pk=back.undoes_id))]
        return render(request, "receiving/_scan_result.html", part)
    if not wants_json(request):
        messages.success(request, _("Taken back: %(what)s.") % {"what": words_of(back)})
    if request.POST.get("to") == "tally" and not wants_json(request):
        return redirect("count_tally", arrival.site.code, arrival.number)
    pallet = request.POST.get("pallet", "")
    told = taken_back(back) | {"undone": str(back.undoes.uuid)} | figures_after(request, arrival, back)
    return done(request, count_url(arrival, **({"pallet": pallet} if pallet else {})), told)


def words_of(back):
    if isinstance(back, Scan):
        return back.label
    return _("%(count)s tallied for store %(store)s") % {"count": -back.count, "store": back.store or "-"}


def uuid_or_none(text):
    """The UUID; none where none was sent, and one that nothing has where it is no UUID."""
    try:
        return UUID(text) if text else None
    except ValueError:
        return UUID(int=0)


def taken_back(back):
    if isinstance(back, Scan):
        return {"label": back.label, "result": back.result}
    return {"count": back.count, "store": back.store.number if back.store else None}


def row_of(bill, store):
    """(store, expected, counted) of one store of a bill, as the tally shows it."""
    rows = next(rows for found, rows in queries.tally_board(bill.arrival) if found == bill)
    return next(row for row in rows if (row[0] and row[0].pk) == store)


def figures_after(request, arrival, row):
    """For a script: how far the count is after a scan or a tap was taken back or a tap was made."""
    if not wants_json(request):
        return {}
    if isinstance(row, Scan):
        return {"running": asdict(queries.running_count(arrival)), "at": timezone.now()}
    _store, expected, counted = row_of(row.shipment, row.store_id)
    return {"expected": expected, "counted": counted}


# --- the list for the phone -------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.WORK)
def cartons_json(request, number):
    """What the phone answers scans by where there is no network. An unchanged list is answered with 304."""
    now = timezone.now()
    body = json.dumps(carton_list.of(find_arrival(request, number), at=now), separators=(",", ":"), ensure_ascii=False)
    mark = f'"{hashlib.sha256(body.encode()).hexdigest()[:32]}"'
    if mark in request.headers.get("If-None-Match", ""):
        answer = HttpResponse(status=304)
    else:
        answer = HttpResponse(body, content_type="application/json")
    answer["ETag"] = mark
    answer["X-List-At"] = now.isoformat()
    return answer


# --- tally ------------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.WORK)
def tally(request, number):
    arrival = find_arrival(request, number)
    return render(request, "receiving/tally.html", tally_page(arrival))


def tally_page(arrival, **more):
    return {
        "arrival": arrival,
        "back": count_url(arrival),
        "bills": queries.tally_board(arrival),
        "taps": counting.TAPS,
        "why_not": carton_list.why_not(arrival),
    } | more


@require_POST
@at_site(rules.WORK)
@once
def tally_tap(request, number, shipment):
    """`count` more cartons of a bill for a store, or of no store that is known."""
    arrival = find_arrival(request, number)
    bill = get_object_or_404(arrival.shipments.select_related("account"), pk=shipment)
    bill.arrival = arrival
    form, status = TallyForm(request.POST, bill=bill), 422
    if form.is_valid():
        try:
            row = counting.tally(
                bill,
                uuid=request.uuid,
                actor=request.user,
                at=timezone.now(),
                made_at=request.device.made_at,
                **form.cleaned_data,
            )
            return tapped(request, bill, row) if row else kept(request, arrival)
        except Refused as why:
            status = refuse(form, why)
    if is_part(request):
        sentences = [error["message"] for error in form_errors(form)]
        return render(request, "receiving/_scan_refused.html", {"sentences": sentences}, status=status)
    return invalid(request, "receiving/tally.html", tally_page(arrival, form=form), form, status=status)


def kept(request, arrival):
    """A tally that came after the release and that no short waits for: the lead sees it, it does not count."""
    return done(request, reverse("count_tally", args=[arrival.site.code, arrival.number]), {"count": 0, "kept": True})


def tapped(request, bill, row):
    if not is_part(request):
        to = reverse("count_tally", args=[request.site.code, bill.arrival.number])
        told = taken_back(row) | figures_after(request, bill.arrival, row)
        return done(request, f"{to}#store-{bill.pk}-{row.store_id or 0}", told)
    found = row_of(bill, row.store_id)
    part = {"bill": bill, "row": found, "arrival": bill.arrival, "taps": counting.TAPS}
    return render(request, "receiving/_tally_row.html", part)


# --- a file of scans --------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.WORK)
def scan_file(request, number):
    """The file is read before `once` opens its transaction: a large workbook must not keep scanners waiting."""
    arrival = find_arrival(request, number)
    if request.method != "POST":
        report = file_report(arrival, request.GET.get("report", ""))
        return render(request, "receiving/scan_file.html", file_page(arrival, ScanFileForm(), report=report))
    form = ScanFileForm(request.POST, request.FILES)
    if not form.is_valid():
        return invalid(request, "receiving/scan_file.html", file_page(arrival, form), form)
    upload = form.cleaned_data["file"]
    try:
        data = upload.read(MAX_BYTES + 1)
        file = counting.open_scans(data, filename=upload.name, zone_name=request.site.time_zone)
    except Refused as why:
        return invalid(request, "receiving/scan_file.html", file_page(arrival, form), form, status=refuse(form, why))
    upload.seek(0)
    return take_scans(request, arrival, form, file)


@once
def take_scans(request, arrival, form, file):
    try:
        lines = counting.import_scans(arrival, file=file, uuid=request.uuid, actor=request.user, at=timezone.now())
    except Refused as why:
        return invalid(request, "receiving/scan_file.html", file_page(arrival, form), form, status=refuse(form, why))
    for remark in file.remarks:
        messages.warning(request, remark)
    pieces = pieces_of(arrival, [answer for _line, answer in lines])
    told_lines = [told(arrival, answer, pieces) | {"line": line} for line, answer in lines]
    seq = Event.objects.filter(arrival=arrival, verb="scans").order_by("-seq").values_list("seq", flat=True)[0]
    to = reverse("count_file", args=[request.site.code, arrival.number])
    return done(request, f"{to}?report={seq}", {"scans": told_lines, "remarks": file.remarks})


def file_page(arrival, form, **more):
    return {
        "arrival": arrival,
        "back": count_url(arrival),
        "form": form,
        "why_not": carton_list.why_not(arrival),
    } | more


def file_report(arrival, seq):
    """What each line of a file was answered, as its event keeps it; what was not plainly counted comes first."""
    if not (seq.isascii() and seq.isdigit() and len(seq) < 16):
        return None
    event = Event.objects.filter(site=arrival.site_id, seq=seq, arrival=arrival, verb="scans").first()
    if event is None or "lines" not in event.after:
        return None
    rows = []
    for line, (label, result, trailer) in zip(event.after["lines"], event.after["scans"], strict=True):
        look, words = FACES[R(result)]
        elsewhere = trailer if trailer != arrival.number else None
        rows.append({"line": line, "label": label, "look": look, "words": words, "trailer": elsewhere})
    odd = [row for row in rows if row["look"] != "right"]
    plain = [row for row in rows if row["look"] == "right"]
    return {
        "event": event,
        "lines": len(rows),
        "counted": len(plain),
        "odd": odd,
        "rows": [*odd, *plain][:REPORTED],
        "more": max(0, len(rows) - REPORTED),
    }


# --- pallets ----------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE)
def pallets(request):
    form = PalletForm(site=request.site, initial={"trailer": request.GET.get("trailer", "")})
    return render(request, "receiving/pallets.html", pallets_page(request, form))


def pallets_page(request, form):
    """`trailer` in the form is the one somebody came from while counting it."""
    trailer = str(form["trailer"].value() or "")
    known = trailer.isascii() and trailer.isdigit() and len(trailer) < 10
    return {
        "back": reverse("count", args=[request.site.code, trailer])
        if known
        else reverse("doors", args=[request.site.code]),
        "form": form,
        "pallets": queries.pallets_with_counts(request.site),
    }


@require_POST
@at_site(rules.WORK)
@once
def pallet_new(request):
    form = PalletForm(request.POST, site=request.site)
    if not form.is_valid():
        return invalid(request, "receiving/pallets.html", pallets_page(request, form), form)
    facts = dict(form.cleaned_data)
    trailer = facts.pop("trailer")
    pallet = counting.open_pallet(request.site, uuid=request.uuid, actor=request.user, at=timezone.now(), **facts)
    words = _("Pallet %(pallet)s is open for store %(store)s.") % {"pallet": pallet, "store": pallet.store}
    if not wants_json(request):
        messages.success(request, words)
    to = reverse("pallets", args=[request.site.code])
    if arrival := trailer and Arrival.objects.filter(site=request.site, number=trailer).select_related("site").first():
        to = count_url(arrival, pallet=pallet.number)
    return done(request, to, {"pallet": pallet.number, "name": str(pallet), "store": pallet.store.number})


@require_POST
@at_site(rules.WORK)
@once
def pallet_close(request, number):
    pallet = get_object_or_404(Pallet.objects.select_related("site", "store"), site=request.site, number=number)
    try:
        counting.close_pallet(pallet, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    if not wants_json(request):
        messages.success(request, _("Pallet %(pallet)s is closed and wrapped.") % {"pallet": pallet})
    return done(request, reverse("pallets", args=[request.site.code]), {"pallet": pallet.number, "state": pallet.state})
