"""Photos over the wire: sent one at a time by the page's script or a form's worth at once, and shown to members."""

import uuid as uuids

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, JsonResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from receiving import rules
from receiving.models import Arrival, Discrepancy, Photo, SealRecord
from receiving.photos import CONTENT_TYPES, receive_photo
from receiving.refusals import Refused
from receiving.web import at_site, problem, wants_json

A_YEAR = 365 * 24 * 3600


@require_POST
@at_site((rules.WORK, rules.LATE))
def upload(request, number):
    """Photos for trailer `number`, multipart: `photo` (files), `uuid`, `purpose`, and `piece` or `seal` if of one.

    `piece` is a number or a UUID: a phone that logged the piece without a network knows only the latter, and not to
    which trailer of the site its carton was credited. Also `caption`, `taken` (the client's word for when) and, for
    people, `next`. A script sends one file and asks for JSON: 201 `{"photo": {...}}`, also for a repeat, else
    `{"errors": [{"code", "field", "message"}]}`. Each file is stored or refused by itself.
    """
    arrival = get_object_or_404(Arrival.objects.select_related("site"), site=request.site, number=number)
    subject = _subject(request, arrival)
    if piece := subject.get("discrepancy"):
        arrival = piece.arrival
    if rules.WORK not in request.may and not arrival.released_at:
        raise PermissionDenied
    try:
        stored, refused = _receive_all(request, arrival, subject)
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    if wants_json(request):
        return _answer_script(request, stored, refused)
    return _answer_person(request, arrival, stored, refused)


def _subject(request, arrival):
    """The piece or seal a photo was sent for. One of another trailer does not exist here, except by a piece's UUID."""
    piece, seal = request.POST.get("piece"), request.POST.get("seal")
    found = {}
    try:
        if piece:
            pieces = Discrepancy.objects.select_related("arrival__site")
            named = {"arrival": arrival, "number": int(piece)} if piece.isdecimal() else {"uuid": uuids.UUID(piece)}
            found["discrepancy"] = get_object_or_404(pieces, site=request.site, **named)
        if seal:
            found["seal"] = get_object_or_404(SealRecord, arrival=arrival, uuid=uuids.UUID(seal))
    except (ValueError, OverflowError):
        raise Http404 from None
    return found


def _receive_all(request, arrival, subject):
    files = request.FILES.getlist("photo")
    if not files:
        raise Refused(_("No photo was sent. Take or choose one."), code="photo_missing", field="photo")
    if len(files) > 1 and wants_json(request):
        raise Refused(_("One photo at a time, each with its own number."), code="photo_one_at_a_time", field="photo")
    first = _uuid(request)
    stored, refused = [], []
    for position, file in enumerate(files):
        try:
            stored.append(
                receive_photo(
                    arrival=arrival,
                    uuid=uuids.uuid5(first, str(position)) if position else first,
                    upload=file,
                    filename=file.name,
                    purpose=request.POST.get("purpose", ""),
                    caption=request.POST.get("caption", "").strip(),
                    device_taken_at=request.POST.get("taken", ""),
                    made_at=request.device.made_at,
                    actor=request.user,
                    at=timezone.now(),
                    **subject,
                )
            )
        except Refused as why:
            refused.append(why)
    return stored, refused


def _uuid(request):
    try:
        return uuids.UUID(request.headers.get("X-Submission") or request.POST.get("uuid", ""))
    except ValueError:
        raise Refused(
            _("This form lost its number. Go back, reload the page and send it again."), code="uuid_missing"
        ) from None


def _answer_script(request, stored, refused):
    for why in refused:
        return problem(request, why.status, why.code, why.message, field=why.field)
    return JsonResponse({"photo": told(request, stored[0])}, status=201)


def _answer_person(request, arrival, stored, refused):
    if stored:
        messages.success(request, ngettext("%d photo is stored.", "%d photos are stored.", len(stored)) % len(stored))
    for why in refused:
        messages.error(request, why.message)
    to = request.POST.get("next", "")
    if not url_has_allowed_host_and_scheme(to, {request.get_host()}, require_https=request.is_secure()):
        to = arrival.get_absolute_url()
    return redirect(to)


def told(request, photo):
    """A photo as JSON: its facts and its three addresses."""
    urls = {
        which: reverse(f"photo_{which}", args=[request.site.code, photo.uuid])
        for which in ("original", "viewing", "thumbnail")
    }
    return {
        "uuid": str(photo.uuid),
        "sha256": photo.sha256,
        "size": photo.size,
        "format": photo.format,
        "width": photo.width,
        "height": photo.height,
        "filename": photo.filename,
        "purpose": photo.purpose,
        "caption": photo.caption,
        "taken_claim": photo.taken_claim,
        "received_at": photo.at.isoformat(),
        **urls,
    }


# --- showing ----------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE)
def original(request, uuid):
    """The bytes as they came: to be saved, never shown by the browser as whatever they may also be."""
    photo = _photo(request, uuid)
    name = photo.filename or f"{photo.sha256[:8]}.{photo.format.lower()}"
    return _file(request, photo, photo.original, CONTENT_TYPES[photo.format], etag=photo.sha256, save_as=name)


@require_safe
@at_site(rules.SEE)
def viewing(request, uuid):
    """The upright copy of at most 1600 pixels."""
    photo = _photo(request, uuid)
    return _file(request, photo, photo.viewing, "image/jpeg", etag=photo.viewing_sha256)


@require_safe
@at_site(rules.SEE)
def thumbnail(request, uuid):
    """The upright copy of at most 320 pixels."""
    photo = _photo(request, uuid)
    return _file(request, photo, photo.thumbnail, "image/jpeg", etag=f"{photo.viewing_sha256}-small")


def _photo(request, uuid):
    return get_object_or_404(Photo.objects.select_related("tombstone"), site=request.site, uuid=uuid)


def _file(request, photo, name, content_type, *, etag, save_as=""):
    if hasattr(photo, "tombstone"):
        return problem(
            request,
            410,
            "photo_removed",
            _("This photo was removed: %(reason)s. Its hash is kept.") % {"reason": photo.tombstone.reason},
        )
    try:
        file = default_storage.open(name)
    except FileNotFoundError:
        raise Http404 from None
    answer = get_conditional_response(request, etag=f'"{etag}"')
    if answer is None:
        answer = FileResponse(file, content_type=content_type, as_attachment=bool(save_as), filename=save_as)
    else:
        file.close()
    answer["ETag"] = f'"{etag}"'
    answer["Cache-Control"] = f"private, max-age={A_YEAR}, immutable"
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return answer
