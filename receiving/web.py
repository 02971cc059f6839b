"""What views share: who may come in, one answer per client UUID, and answers for people and for scripts."""

import hashlib
import uuid
from functools import wraps

from django.contrib.messages.storage.base import BaseStorage
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, OperationalError, transaction
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect, render, resolve_url
from django.utils import timezone
from django.utils.translation import gettext as _

from receiving import clock, evidence, phones, queries, rules
from receiving.models import HandedIn, LateRecord, Recorded, Submission
from receiving.refusals import Refused

ATTEMPTS = 3
TRAILER_ROUTE = "<site:site>/trailer/<int:number>/"


def at_site(need=rules.SEE, *, place="doors"):
    """For views at `/<SITE>/...`: sets `request.site`, `request.may`, the site's time zone; 404 for strangers.

    Also `request.device`, what the phone that sent this said of itself; events written meanwhile keep it.

    need -- what the person must be granted, or a tuple of which one is enough; 403 otherwise
    """
    needs = need if isinstance(need, tuple) else (need,)

    def decorate(view):
        @wraps(view)
        def wrapped(request, site, *args, **kwargs):
            request.site = rules.site_by_code(request.user, site)
            if request.site is None:
                raise Http404
            request.may = rules.may(request.user, request.site)
            request.place = place
            if not request.may.intersection(needs):
                raise PermissionDenied
            timezone.activate(clock.zone(request.site.time_zone))
            return with_device(view, request, *args, **kwargs)

        return wrapped

    return decorate


def with_device(view, request, *args, **kwargs):
    if not hasattr(request, "device"):
        request.device = phones.device_of(request.headers)
    if from_outbox(request):
        request._messages = Said(request)
    token = evidence.device.set(request.device.told())
    try:
        answer = view(request, *args, **kwargs)
    finally:
        evidence.device.reset(token)
    if wrote_from_phone(request, answer):
        phones.worked(request.site, request.user, request.device, trailer=kwargs["number"])
    return answer


class Said(BaseStorage):
    """Words for a page that is not loaded yet: a phone's outbox gets them in the answer and shows them itself."""

    def _get(self, *args, **kwargs):
        return [], True

    def _store(self, messages, response, *args, **kwargs):
        return []

    def told(self):
        return [{"level": each.level_tag, "text": str(each.message)} for each in self._queued_messages]


def from_outbox(request):
    return "X-Outbox" in request.headers


def wrote_from_phone(request, answer):
    """Whether a phone stored a record at a trailer, in the name of the person who works with it."""
    device = request.device
    if not device.phone or device.author or request.method != "POST" or answer.status_code >= 400:
        return False
    return request.resolver_match.route.startswith(TRAILER_ROUTE)


def wants_json(request):
    return "application/json" in request.headers.get("Accept", "")


def digest_of(request):
    """SHA-256 over the path, every posted value and every posted file: two deliveries are the same or they are not."""
    found = hashlib.sha256(request.path.encode())
    for name in sorted(set(request.POST) - {"csrfmiddlewaretoken", "uuid"}):
        for value in request.POST.getlist(name):
            found.update(f"\0{name}={value}".encode())
    for name in sorted(request.FILES):
        for file in request.FILES.getlist(name):
            found.update(f"\0{name}:{file.name}:".encode())
            for chunk in file.chunks():
                found.update(chunk)
            file.seek(0)
    if request.content_type == "application/json":
        found.update(request.body)
    return found.hexdigest()


def once(view):
    """Run a POST at most once per client UUID: the whole of it in one transaction, a repeat gets the first answer.

    The UUID comes as the form field `uuid` or the header `X-Submission`. The same UUID with other contents is refused
    with 409. An answer of 400 or above stores nothing at all. GET passes through. The view finds it as `request.uuid`.
    """

    @wraps(view)
    def wrapped(request, *args, **kwargs):
        if request.method != "POST":
            return view(request, *args, **kwargs)
        try:
            request.uuid = uuid.UUID(request.headers.get("X-Submission") or request.POST.get("uuid", ""))
        except ValueError:
            return problem(
                request,
                400,
                "uuid_missing",
                _("This form lost its number. Go back, reload the page and send it again."),
            )
        digest = digest_of(request)
        for attempt in range(ATTEMPTS):
            try:
                with transaction.atomic():
                    earlier = queries.submission(request.uuid)
                    if earlier is not None:
                        return replay(request, earlier, digest)
                    answer = view(request, *args, **kwargs)
                    if answer.status_code < 400:
                        remember(request, answer, digest)
                        return answer
                    transaction.set_rollback(True)
                # What refused it may be its own first delivery, stored since we looked: then this one is the repeat.
                earlier = queries.submission(request.uuid)
                return answer if earlier is None else replay(request, earlier, digest)
            except SameUuid:
                continue
            except OperationalError as error:
                # PostgreSQL ends one of two that wait for each other; nothing of it was written, so it goes again.
                if not is_deadlock(error) or attempt + 1 == ATTEMPTS:
                    raise
            except IntegrityError:
                if not is_taken(request.uuid):
                    raise
        return uuid_reused(request)

    return wrapped


def is_deadlock(error):
    return getattr(error.__cause__, "sqlstate", "") == "40P01"


def is_taken(number):
    """Whether some record carries this UUID already."""
    models = set(Recorded.__subclasses__()) - {HandedIn, LateRecord}  # those speak of a record, under its number
    return any(model.objects.filter(uuid=number).exists() for model in models)


def uuid_reused(request):
    message = _("Something else was already sent under this number. Reload the page and send it again.")
    return problem(request, 409, "uuid_reused", message)


class SameUuid(Exception):
    """Another delivery of the same UUID was written between our look and our write."""


def remember(request, answer, digest):
    given = Submission(
        uuid=request.uuid,
        person_id=request.user.pk,
        path=request.path[:200],
        digest=digest,
        status=answer.status_code,
        location=answer.headers.get("Location", ""),
        content_type=answer.headers.get("Content-Type", ""),
        body="" if answer.streaming else answer.content.decode(),
        at=timezone.now(),
    )
    if not evidence.insert([given], unless_there=True):
        raise SameUuid


def replay(request, earlier, digest):
    if earlier.digest != digest or earlier.person_id != request.user.pk:
        return uuid_reused(request)
    answer = HttpResponse(earlier.body, status=earlier.status, content_type=earlier.content_type)
    if earlier.location:
        answer["Location"] = earlier.location
    answer["X-Repeated"] = "1"
    return answer


def problem(request, status, code, message, *, field=None):
    """One refusal, for a script as JSON, for a person as a page that says what to do."""
    if wants_json(request):
        return JsonResponse({"errors": [{"code": code, "field": field, "message": str(message)}]}, status=status)
    return render(request, "problem.html", {"message": message, "code": code}, status=status)


def invalid(request, template, context, *forms, status=422):
    """The form again, with what was typed and a sentence per field; for a script the same as JSON."""
    if wants_json(request):
        return JsonResponse({"errors": [error for form in forms for error in form_errors(form)]}, status=status)
    return render(request, template, context, status=status)


def form_errors(form):
    for field, errors in form.errors.get_json_data().items():
        for error in errors:
            yield {
                "code": error["code"] or "invalid",
                "field": None if field == "__all__" else form.add_prefix(field),
                "message": error["message"],
            }


def refuse(form, why: Refused):
    """Put a domain refusal where the person can see it: at its field if the form has it, else on top."""
    field = why.field if why.field in form.fields else None
    form.add_error(field, ValidationError(why.message, code=why.code))
    return why.status


def done(request, to, data=None):
    """After a change: a redirect for a person, 201 with `data` for a script.

    A phone's outbox also learns where a person would be now (`next`) and what would be said there (`said`).
    """
    if not wants_json(request):
        return redirect(to)
    data = data or {"ok": True}
    if from_outbox(request):
        said = request._messages.told() if isinstance(request._messages, Said) else []
        data = {"next": resolve_url(to)} | data | {"said": said}
    return JsonResponse(data, status=201)
