"""Records their author could not send: handed in by the phone or out of a file, taken or discarded by a lead."""

import copy
import json
from datetime import timedelta

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import InMemoryUploadedFile
from django.http import FileResponse, Http404, JsonResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import resolve, reverse
from django.utils import timezone
from django.utils.datastructures import MultiValueDict
from django.utils.dateparse import parse_datetime
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from receiving import handing, outbox_file, phones, queries, rules
from receiving.enums import HandedInEnd
from receiving.forms.count import ScanForm, TallyForm
from receiving.forms.dock import ArriveForm, IncidentForm, PauseForm, SafetyForm, SealForm, UnsealedForm, WhenForm
from receiving.forms.log import LogForm, SetAsideForm
from receiving.forms.phone import DiscardForm, OutboxFileForm
from receiving.models import DamageCode, HandedIn, Person, Phone, Photo, Shipment, Store
from receiving.refusals import Refused
from receiving.web import at_site, digest_of, done, invalid, once, problem, refuse, wants_json

SHOWN = {"image/jpeg", "image/png", "image/webp", "image/avif", "image/heic", "image/tiff"}
# So many records are taken by one press, so that it is answered before a browser gives up.
AT_ONCE = 50
# What a phone gives as its reason for handing a record in.
REASONS = {
    "not_at_site": gettext_lazy("its author may no longer work here"),
    "no_right": gettext_lazy("its author may no longer do this"),
    "not_found": gettext_lazy("what it belongs to is not there"),
}
FORMS = {
    "arrive": ArriveForm,
    "seal_new": SealForm,
    "seal_correct": SealForm,
    "unsealed": UnsealedForm,
    "safety": SafetyForm,
    "incident": IncidentForm,
    "pause": PauseForm,
    "unload": WhenForm,
    "count_end": WhenForm,
    "count_scan": ScanForm,
    "count_tally_tap": TallyForm,
    "log_trailer": LogForm,
    "piece_complete": LogForm,
    "set_aside": SetAsideForm,
}
DOES = {
    "arrive": gettext_lazy("at a door"),
    "seal_new": gettext_lazy("a seal"),
    "seal_correct": gettext_lazy("a seal corrected"),
    "unsealed": gettext_lazy("came unsealed"),
    "safety": gettext_lazy("safety looks"),
    "incident": gettext_lazy("an incident note"),
    "unload": gettext_lazy("unloading started"),
    "pause": gettext_lazy("paused"),
    "resume": gettext_lazy("unloading again"),
    "count_end": gettext_lazy("count ended"),
    "count_again": gettext_lazy("back to unloading"),
    "count_scan": gettext_lazy("scans"),
    "count_undo": gettext_lazy("a count taken back"),
    "count_tally_tap": gettext_lazy("a tally"),
    "log_trailer": gettext_lazy("a piece"),
    "set_aside": gettext_lazy("a piece set aside"),
    "piece_complete": gettext_lazy("a piece filled in"),
    "photo_upload": gettext_lazy("a photo"),
}


# --- handing in -------------------------------------------------------------------------------------------------------


@require_POST
def hand_in(request, site):
    """Keep a record that its author has no right to send any more, as multipart.

    `uuid` the record's own, `url` the address it was made for, `fields` its fields as a JSON list of [name, value], its
    files, `made_at`, `reason` a key of REASONS or a sentence, `title` the phone's words, `person` its author. For
    everybody who is or was a member here. 201 `{"handed_in": {...}, "files": [{"sha256"}]}`: it is safe and may be
    forgotten; 200 with the same `files` where the very record was stored before.
    """
    here = handing.site_worked_at(request.user, site)
    if here is None:
        message = _("You have never worked at %(site)s. Sign in as the person who made this record.")
        return problem(request, 404, "never_here", message % {"site": site})
    request.site, request.may, request.device = here, rules.may(request.user, here), phones.device_of(request.headers)
    try:
        number, kept = take_in(request)
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    if kept is None:
        files = [{"sha256": file.sha256} for file in attached_to(request)]
        return JsonResponse({"stored": str(number), "files": files})
    return JsonResponse(
        {"handed_in": told(kept), "files": kept.files and [plain(file) for file in kept.files]}, status=201
    )


def plain(file):
    return {name: file[name] for name in ("name", "size", "sha256")}


def told(row):
    return {"uuid": str(row.uuid), "received_at": row.at.isoformat(), "sha256": row.sha256}


def take_in(request):
    """(the record's UUID, its HandedIn or None where it is stored as a record already)."""
    number = phones.read_uuid(request.POST.get("uuid", ""))
    if number is None:
        raise Refused(
            _("The record has no number. Save the outbox as a file and show it to a lead."), code="uuid_missing"
        )
    if request.POST.get("person", str(request.user.pk)) != str(request.user.pk):
        raise Refused(
            _("This record was made by somebody else. They have to sign in on this phone themselves."), code="not_yours"
        )
    try:
        fields = json.loads(request.POST.get("fields") or "[]")
    except (ValueError, RecursionError):
        fields = None
    said = phones.read_moment(request.POST.get("made_at", ""))
    device = phones.Device(request.device.now, request.device.phone, request.device.skew, said or request.device.said)
    reason = request.POST.get("reason", "")
    record = {
        "uuid": number,
        "author": request.user,
        "url": request.POST.get("url", ""),
        "fields": handing.check_fields(fields),
        "attached": attached_to(request),
        "device": device,
        "why": str(REASONS.get(reason, reason)),
        "kind": request.POST.get("kind", ""),
        "title": request.POST.get("title", ""),
    }
    handing.place_of(request.site, record["url"])
    if stored_before(request, record):
        return number, None
    return number, handing.hand_in(request.site, **record, actor=request.user, at=timezone.now())


def attached_to(request):
    """The record's files, as they were sent along."""
    found = []
    for field in sorted(request.FILES):
        for file in request.FILES.getlist(field):
            found.append(handing.Attached(field, file.name, file.content_type or "", file.read(handing.MOST_BYTES + 1)))
            file.seek(0)
    return found


def stored_before(request, record):
    """Whether this very record was stored by its author, and only the answer got lost."""
    if photo := Photo.objects.filter(uuid=record["uuid"], site=request.site).first():
        return photo.sha256 in {file.sha256 for file in record["attached"]}
    earlier = queries.submission(record["uuid"])
    if earlier is None:
        return False
    return digest_of(posted(request, **{name: record[name] for name in ("uuid", "url", "fields", "attached")})) == (
        earlier.digest
    )


def posted(request, *, uuid, url, fields, attached):
    """The request that the record's own address would have got, in the name of who asks now."""
    again = copy.copy(request)
    again.__dict__.pop("headers", None)
    again.META = {name: value for name, value in request.META.items() if not name.startswith("HTTP_X_")}
    again.META |= {"HTTP_ACCEPT": "application/json", "REQUEST_METHOD": "POST", "PATH_INFO": url, "QUERY_STRING": ""}
    again.method, again.path, again.path_info, again.resolver_match = "POST", url, url, resolve(url)
    again.content_type = "multipart/form-data"
    again.GET = QueryDict()
    again.POST = QueryDict(mutable=True)
    again.POST["uuid"] = str(uuid)
    for name, value in fields:
        again.POST.appendlist(name, value)
    again._files = MultiValueDict()
    for file in attached:
        again._files.appendlist(file.field, as_upload(file))
    return again


def as_upload(file):
    content = ContentFile(file.content)
    return InMemoryUploadedFile(content, file.field, file.name, file.type, len(file.content), None)


# --- taking and discarding --------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.DECIDE)
def overview(request):
    """What waits for a decision, by author, of each in the order in which it was made."""
    return render(request, "receiving/phone_handed_in.html", list_of(request.site))


def list_of(site, refused=()):
    """The page's context; `refused` holds (row, sentence) of what could not be taken just now."""
    why, authors = {row.pk: sentence for row, sentence in refused}, {}
    for row in handing.waiting(site):
        row.refused = why.get(row.pk)
        authors.setdefault(row.author, []).append(described(row))
    groups = [{"author": author, "rows": rows, "first": rows[:AT_ONCE]} for author, rows in authors.items()]
    return {"groups": groups, "back": reverse("doors", args=[site.code])}


def described(row):
    row.match = resolve(row.url)
    row.words = row.title or str(capfirst(DOES[row.match.url_name]))
    return row


def row_or_404(request, number):
    rows = HandedIn.objects.select_related("site", "author", "actor", "arrival__site", "ended__actor")
    return get_object_or_404(rows, site=request.site, uuid=number)


@require_safe
@at_site(rules.DECIDE)
def one(request, number):
    return render(request, "receiving/phone_handed_in_one.html", page_of(row_or_404(request, number), DiscardForm()))


def page_of(row, form, **more):
    row = described(row)
    phone = Phone.objects.filter(site=row.site, uuid=row.phone).first() if row.phone else None
    said = parse_datetime(row.said_at) if row.said_at else None
    return {
        "row": row,
        "form": form,
        "back": reverse("handed_in", args=[row.site.code]),
        "facts": in_words(row),
        "files": [file | {"shown": file["type"] in SHOWN, "erased": queries.is_erased(file)} for file in row.files],
        "phone": phone,
        "said": said if said and abs(said - row.made_at) > phones.BELIEVED else None,
        "ended": getattr(row, "ended", None),
    } | more


def in_words(row):
    """[(what, value)] of a record's fields, in the words of the form it was typed into."""
    form = FORMS.get(row.match.url_name)
    fields = form.base_fields if form else {}
    values = {}
    for name, value in row.fields:
        if value.strip() and name not in ("version", "found_at", "device_at"):
            values.setdefault(name, []).append(value)
    return [
        (
            fields[name].label if name in fields and fields[name].label else name,
            worded(row, name, fields.get(name), given),
        )
        for name, given in values.items()
    ]


def worded(row, name, field, values):
    if name == "labels":
        return labels_of(values[0])
    if name == "codes":
        codes = DamageCode.objects.filter(site=row.site_id, pk__in=[value for value in values if value.isdecimal()])
        return ", ".join(map(str, codes)) or ", ".join(values)
    model = {
        "shipment": Shipment,
        "store": Store if name == "store" and row.match.url_name == "count_tally_tap" else None,
    }
    if (kind := model.get(name)) and values[0].isdecimal():
        return str(kind.objects.filter(pk=values[0]).first() or values[0])
    choices = dict(getattr(field, "choices", None) or ())
    words = [str(choices.get(value, value)) for value in values]
    return ", ".join({"on": _("yes"), "True": _("yes"), "False": _("no")}.get(word, word) for word in words)


def labels_of(text):
    try:
        return ", ".join(str(scan["label"]) for scan in json.loads(text))
    except (ValueError, TypeError, KeyError):
        return text


@require_safe
@at_site(rules.DECIDE)
def file(request, number, position):
    """One file of a record as it came: pictures to look at, anything else to be saved."""
    row = row_or_404(request, number)
    if not 0 < position <= len(row.files):
        raise Http404
    kept = row.files[position - 1]
    try:
        content = default_storage.open(kept["path"])
    except FileNotFoundError:
        raise Http404 from None
    shown = kept["type"] in SHOWN
    answer = FileResponse(
        content,
        content_type=kept["type"] if shown else "application/octet-stream",
        as_attachment=not shown,
        filename=kept["name"],
    )
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer["Cache-Control"] = "private, no-store"
    return answer


@require_POST
@at_site(rules.DECIDE)
def take(request, number):
    """Make the record one of the person who takes it; its events name who made it, when and on which phone."""
    row = row_or_404(request, number)
    try:
        answer = taken(request, row)
    except Refused as why:
        page = page_of(row, DiscardForm(), refused=why.message)
        if wants_json(request):
            return problem(request, why.status, why.code, why.message, field=why.field)
        return render(request, "receiving/phone_handed_in_one.html", page, status=why.status)
    words = _("Taken: %(what)s of %(person)s.") % {"what": described(row).words, "person": row.author}
    messages.success(request, words)
    return done(request, reverse("handed_in", args=[row.site.code]), {"taken": str(row.uuid), "answer": answer})


@require_POST
@at_site(rules.DECIDE)
def take_several(request):
    """Take the records that the page listed, `record` their UUIDs, at most AT_ONCE, in the order they were made.

    Each by itself: what is refused goes on waiting with its sentence, and what somebody else decided on meanwhile is
    left to them. Gives a script `{"taken": [uuid], "refused": [{"uuid", "message"}]}`.
    """
    wanted = {phones.read_uuid(number) for number in request.POST.getlist("record")} - {None}
    rows = [row for row in handing.waiting(request.site) if row.uuid in wanted][:AT_ONCE]
    good, refused = [], []
    for row in rows:
        try:
            taken(request, row)
            good.append(row)
        except Refused as why:
            refused.append((row, why.message))
    if wants_json(request):
        told = [{"uuid": str(row.uuid), "message": sentence} for row, sentence in refused]
        return JsonResponse({"taken": [str(row.uuid) for row in good], "refused": told})
    if good:
        messages.success(
            request, ngettext("Taken: %(n)s record.", "Taken: %(n)s records.", len(good)) % {"n": len(good)}
        )
    if elsewhere := len(wanted) - len(rows):
        words = ngettext(
            "%(n)s record does not wait any more: somebody decided on it meanwhile.",
            "%(n)s records do not wait any more: somebody decided on them meanwhile.",
            elsewhere,
        )
        messages.info(request, words % {"n": elsewhere})
    if not refused:
        return redirect("handed_in", request.site.code)
    return render(request, "receiving/phone_handed_in.html", list_of(request.site, refused), status=422)


def taken(request, row):
    """Put the record through its own address in the name of who asks; gives the JSON that the address answered."""
    if hasattr(row, "ended"):
        raise Refused(
            _("This record was decided on already: it is %(end)s.") % {"end": row.ended.get_end_display()}, code="ended"
        )
    record = {"uuid": row.uuid, "url": row.url, "fields": row.fields, "attached": attached_from(row)}
    answer = {} if stored_before(request, record) else replayed(request, record, device_of(row))
    handing.end(row, end=HandedInEnd.TAKEN, answer=address_of(answer), actor=request.user, at=timezone.now())
    return answer


def device_of(row):
    said = (parse_datetime(row.said_at) if row.said_at else None) or row.made_at
    return phones.Device(timezone.now(), row.phone, said - row.made_at, said, str(row.author))


def attached_from(row):
    found = []
    for kept in row.files:
        try:
            with default_storage.open(kept["path"]) as stored:
                content = stored.read()
        except OSError as error:
            message = _("%(name)s, a file of this record, is missing here.") % {"name": kept["name"]}
            raise Refused(message, code="file_missing") from error
        found.append(handing.Attached(kept["field"], kept["name"], kept["type"], content))
    return found


def replayed(request, record, device):
    """What the record's own address answers; raises Refused with its sentences where it stores nothing."""
    again = posted(request, **record)
    again.device = device
    match = again.resolver_match
    try:
        answer = match.func(again, *match.args, **match.kwargs)
    except PermissionDenied:
        raise Refused(_("You have no right to do this yourself. Ask a lead."), code="no_right") from None
    except Http404:
        raise Refused(
            _("What this record belongs to is not here. If that was handed in too, take it first."), code="not_there"
        ) from None
    data = json.loads(answer.content)
    if answer.status_code >= 400:
        sentences = [error["message"] for error in data["errors"]]
        raise Refused(" ".join(sentences), code=data["errors"][0]["code"])
    return data


def address_of(answer):
    for part in (answer.get("piece"), answer.get("seal"), answer):
        if isinstance(part, dict) and isinstance(part.get("url"), str):
            return part["url"]
    return ""


@require_POST
@at_site(rules.DECIDE)
@once
def discard(request, number):
    row, form = row_or_404(request, number), DiscardForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            handing.end(
                row,
                end=HandedInEnd.DISCARDED,
                reason=form.cleaned_data["reason"],
                actor=request.user,
                at=timezone.now(),
            )
            messages.success(request, _("Discarded. It can still be read, with your reason."))
            return done(request, reverse("handed_in", args=[row.site.code]), {"discarded": str(row.uuid)})
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/phone_handed_in_one.html", page_of(row, form), form, status=status)


# --- a saved file -----------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site((rules.WORK, rules.LATE, rules.DECIDE))
def load_file(request):
    """Load an outbox that was saved on a phone. Its author's own are stored at once, anybody else's wait for a lead."""
    context = {"form": OutboxFileForm(), "back": reverse("doors", args=[request.site.code])}
    if request.method != "POST":
        return render(request, "receiving/phone_file.html", context)
    context["form"] = form = OutboxFileForm(request.POST, request.FILES)
    status = 422
    if form.is_valid():
        try:
            outcome = load(request, outbox_file.read(form.cleaned_data["file"]))
            if wants_json(request):
                return JsonResponse(outcome, status=201)
            return render(
                request, "receiving/phone_file.html", context | {"form": OutboxFileForm(), "outcome": outcome}
            )
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "receiving/phone_file.html", context, form, status=status)


def load(request, outbox):
    """Each record by itself: {"stored": [titles], "handed_in": [titles], "refused": [[title, sentence]]}."""
    if outbox.site != request.site.code:
        raise outbox_file.spoilt(_("It is of site %(site)s; load it there.") % {"site": outbox.site})
    author = Person.objects.filter(pk=outbox.person).first()
    if author is None or handing.site_worked_at(author, request.site.code) is None:
        raise outbox_file.spoilt(_("%(name)s has never worked here.") % {"name": outbox.name})
    skew = skew_known(request.site, author, outbox.phone)
    outcome = {"person": str(author), "stored": [], "handed_in": [], "refused": []}
    for record in outbox.records:
        title = record.title or record.kind or str(record.uuid)
        device = phones.Device(timezone.now(), outbox.phone, skew, record.made_at)
        try:
            outcome[load_one(request, outbox, record, author, device)].append(title)
        except Refused as why:
            outcome["refused"].append([title, why.message])
    return outcome


def skew_known(site, author, phone):
    """By how much that phone's clock was ahead when it was last heard of."""
    seconds = Phone.objects.filter(site=site, person=author, uuid=phone).values_list("skew", flat=True).first()
    return timedelta(seconds=seconds or 0)


def load_one(request, outbox, record, author, device):
    """Where one record of the file went: `stored` or `handed_in`."""
    handing.place_of(request.site, record.url)
    attached = [handing.Attached(file.field, file.name, file.type, outbox.content(file)) for file in record.files]
    kept = {"uuid": record.uuid, "url": record.url, "fields": handing.check_fields(record.fields), "attached": attached}
    handing.check_attached(attached)
    if stored_before(request, kept):
        return "stored"
    if author == request.user and rules.WORK in request.may:
        replayed(request, kept, device)
        return "stored"
    handing.hand_in(
        request.site,
        **kept,
        author=author,
        device=device,
        why=record.why or str(_("loaded from a saved file")),
        kind=record.kind,
        title=record.title,
        actor=request.user,
        at=timezone.now(),
    )
    return "handed_in"
