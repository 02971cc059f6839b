"""How far long work is: a page that may be left and come back to, and the same as JSON for the script on it."""

from datetime import timedelta

from django.http import JsonResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_safe

from claims import company
from claims.enums import JobState
from claims.models import Job
from claims.views.shared import at_site_or_all
from receiving import rules
from receiving.web import wants_json

BADGES = {JobState.WAITING: "wait", JobState.RUNNING: "next", JobState.DONE: "ok", JobState.FAILED: "stop"}
UNUSUAL = timedelta(minutes=1)


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="claims")
def job(request, uuid):
    rows = Job.objects.seen_at(company.column(request.site), company=rules.sees_company(request.user)).select_related(
        "asked_by", "site"
    )
    found = get_object_or_404(rows, uuid=uuid)
    said = sentence(found, timezone.now())
    if wants_json(request):
        answer = JsonResponse(as_json(found, said))
    else:
        answer = render(request, "claims/job.html", {"job": found, "said": said, "badge": BADGES[found.state]})
    # One address, two answers: a browser that goes back must not show the other one.
    patch_vary_headers(answer, ["Accept"])
    return answer


def as_json(job, said):
    return {
        "state": job.state,
        "finished": job.is_finished,
        "made": job.made,
        "total": job.total,
        "words": said,
        "url": job.result_url,
    }


def sentence(job, at):
    """Where the job stands, in one or two sentences."""
    return SENTENCES[job.state](job, at)


def waiting(job, at):
    before = Job.objects.ahead_of(job).count()
    if at - job.asked_at > UNUSUAL and not Job.objects.in_hand(at).exists():
        return _("Waiting. Nothing is being made at the moment; if that lasts, tell whoever looks after the server.")
    if not before:
        return _("Waiting. It is the next to be made.")
    words = ngettext("Waiting. %(n)s other is before it.", "Waiting. %(n)s others are before it.", before)
    return words % {"n": number_format(before, force_grouping=True)}


def running(job, at):
    words = job.progress_line or _("Begun.")
    if job.attempts > 1:
        again = _("The worker stopped in between; this is attempt %(n)s.") % {"n": job.attempts}
        return f"{words} {again}" if words.endswith(".") else f"{words}. {again}"
    return words


SENTENCES = {
    JobState.WAITING: waiting,
    JobState.RUNNING: running,
    JobState.DONE: lambda job, at: job.result_words or _("It is made."),
    JobState.FAILED: lambda job, at: job.error,
}
