"""Scorecards: the list of issued ones, what is still to be issued of a month, one card with its files, sending it."""

import hashlib

from django.contrib import messages
from django.core.files.storage import default_storage
from django.core.paginator import Paginator
from django.db.models import F
from django.http import FileResponse, Http404
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from claims import company, issuing, jobs, periods
from claims.card import kept
from claims.forms.scorecards import CardFilter, IssueForm, MonthForm, SendCardForm, month_of
from claims.models import CardMessage, Job, Scorecard
from claims.scorecard.compare import Verdict
from claims.scorecard.verdicts import LABELS, per_thousand
from claims.views.shared import at_site_or_all, pages
from receiving import rules
from receiving.refusals import Refused
from receiving.web import done, invalid, once, problem, refuse

SIZE = 50
TONES = {Verdict.WORSE: "stop", Verdict.WATCH: "wait", Verdict.ONE_TRAILER: "wait", Verdict.BETTER: "ok"}
FILES = {
    "pdf": gettext_lazy("Two pages for the talk: verdict, charts, trailers, pictures"),
    "xlsx": gettext_lazy("Every figure, trailer and piece, the sums and the settings"),
}


def card_or_404(request, number):
    rows = Scorecard.objects.select_related("site", "carrier", "actor", "restates__site")
    return get_object_or_404(rows, site=company.column(request.site), number=number)


# --- the list ---------------------------------------------------------------------------------------------------------


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def cards(request):
    form = CardFilter(request.GET, site=request.site)
    context = {"form": form, "picked": form.used, "may_issue": rules.SCORECARDS in request.may}
    if not form.is_valid():
        return invalid(request, "claims/scorecard/cards.html", context, form)
    listing = Paginator(listed(form.chosen()), SIZE).get_page(request.GET.get("page"))
    context |= pages(request, listing, form.used) | {"listing": listing, "rows": [shown(row) for row in listing]}
    return render(request, "claims/scorecard/cards.html", context)


def listed(rows):
    """Cards without their content, which is long, each with the range of its first verdict."""
    rows = rows.annotate(interval=F("content__verdicts__0__interval")).defer("content")
    return rows.select_related("site", "carrier", "actor", "restated_by__site")


def shown(row):
    """A card with its verdict as words, a tone, and its range where it has one."""
    row.label, row.tone = LABELS[Verdict(row.verdict)], TONES.get(row.verdict, "quiet")
    row.range = in_range(row.interval)
    row.later = getattr(row, "restated_by", None)
    return row


def in_range(interval):
    if not interval:
        return ""
    return _("%(low)s to %(high)s per 1,000") % {"low": per_thousand(interval[0]), "high": per_thousand(interval[1])}


# --- issuing ----------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site_or_all(rules.SCORECARDS, place="carriers")
@once
def issue(request):
    """The carriers of a month with the state of their cards; a post asks for the cards of the ticked ones."""
    at = timezone.now()
    chosen = MonthForm(request.POST if request.method == "POST" else request.GET, months=over(request.site, at))
    context = {"month_form": chosen, "site_months": bool(chosen.fields["month"].choices)}
    if not chosen.is_valid():
        return invalid(request, "claims/scorecard/issue.html", context, chosen)
    if not context["site_months"]:
        return render(request, "claims/scorecard/issue.html", context)
    month = month_of(chosen.cleaned_data["month"] or chosen.fields["month"].choices[0][0])
    states = issuing.states(request.site, month)
    form = IssueForm(request.POST if request.method == "POST" else None, states=states)
    if request.method == "POST" and form.is_valid():
        job = ask(request, month, form.cleaned_data["carriers"], at)
        return done(request, job.get_absolute_url(), {"job": str(job.uuid), "url": job.get_absolute_url()})
    context |= {"month": month, "value": f"{month:%Y-%m}", "states": states, "form": form}
    context |= {"due": [state for state in states if state.is_due], "job": running(request.site)}
    if request.method == "POST":
        return invalid(request, "claims/scorecard/issue.html", context, form)
    return render(request, "claims/scorecard/issue.html", context)


def over(site, at):
    """Months with trailers that are over at the site, or at all: a month is on a card only when it is whole."""
    issuing.refresh(site)
    there = periods.months_there(company.sites_of(site))
    return [month for month in there if company.months_over(site, month, at)]


def ask(request, month, carriers, at):
    """The work on these cards; the same asked for while it waits or is done is one piece of work."""
    carriers = sorted(carriers)
    digest = hashlib.sha256(",".join(map(str, carriers)).encode()).hexdigest()[:16]
    words = {"month": date_format(month, "F Y"), "n": len(carriers)}
    back = reverse("scorecards_issue", args=[request.site.code])
    return jobs.ask(
        "scorecards",
        site=company.column(request.site),
        arguments={"month": month.isoformat(), "carriers": carriers},
        key=f"{month:%Y-%m} {digest}",
        title=_("Scorecards of %(month)s (%(n)s)") % words,
        back=f"{back}?month={month:%Y-%m}",
        actor=request.user,
        at=at,
    )


def running(site):
    return Job.objects.filter(kind="scorecards", site=company.column(site), finished_at=None).first()


@require_POST
@at_site_or_all(rules.SCORECARDS, place="carriers")
@once
def restate(request, number):
    """Ask for a card in the place of this one."""
    found = card_or_404(request, number)
    try:
        issuing.refuse_superseded(found)
        issuing.refuse_unchanged_now(found)
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    job = ask(request, found.month, [found.carrier_id], timezone.now())
    return done(request, job.get_absolute_url(), {"job": str(job.uuid), "url": job.get_absolute_url()})


# --- one card ---------------------------------------------------------------------------------------------------------


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def card(request, number):
    found = card_or_404(request, number)
    later = Scorecard.objects.filter(restates=found).select_related("site").first()
    changes = [] if later else issuing.changes_since(found)
    context = {
        "card": found,
        "c": found.content,
        "verdicts": [told(each) for each in found.content["verdicts"]],
        "later": later,
        "changes": changes if any(each["own"] for each in changes) else [],
        "files": list(files(request.site, found)),
        "sent": list(found.messages.select_related("actor").order_by("-at", "-pk")),
        "may_issue": rules.SCORECARDS in request.may,
    }
    return render(request, "claims/scorecard/card.html", context)


def told(verdict):
    """A frozen verdict with the tone and the word of the page."""
    key = Verdict(verdict["verdict"])
    return verdict | {"tone": TONES.get(key, "quiet"), "label": LABELS[key], "range": in_range(verdict["interval"])}


def files(site, row):
    for kind, words in FILES.items():
        yield {
            "kind": kind.upper(),
            "words": words,
            "size": getattr(row, f"{kind}_size"),
            "sha256": getattr(row, f"{kind}_sha256"),
            "url": reverse(f"scorecard_{kind}", args=[site.code, row.number]),
        }


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def pdf(request, number):
    return handed_out(request, card_or_404(request, number), "pdf")


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def xlsx(request, number):
    return handed_out(request, card_or_404(request, number), "xlsx")


def handed_out(request, row, kind):
    """The file as it was frozen; the PDF to look at, the workbook to keep."""
    try:
        file = kept.opened(row, kind)
    except Refused as why:
        return problem(request, 410, why.code, why.message)
    answer = FileResponse(
        file, as_attachment=kind != "pdf", filename=kept.name_of(row, kind), content_type=kept.TYPES[kind]
    )
    answer["Cache-Control"] = "private, max-age=31536000, immutable"
    answer["X-Content-Type-Options"] = "nosniff"
    return answer


# --- sending ----------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site_or_all(rules.SCORECARDS, place="carriers")
def send(request, number):
    """Send a card by e-mail. Not under `once`: a mail server is waited for."""
    found = card_or_404(request, number)
    later = Scorecard.objects.filter(restates=found).select_related("site").first()
    context = {"card": found, "later": later}
    if request.method != "POST":
        return render(request, "claims/scorecard/send.html", context | {"form": SendCardForm(initial=drafted(found))})
    form, status = SendCardForm(request.POST), 422
    if form.is_valid():
        try:
            row = issuing.send(found, **form.cleaned_data, actor=request.user, at=timezone.now())
            messages.success(
                request, _("%(card)s went to %(to)s and is kept as it left.") % {"card": found, "to": row.to}
            )
            return done(request, found.get_absolute_url())
        except Refused as why:
            status = refuse(form, why)
    return invalid(request, "claims/scorecard/send.html", context | {"form": form}, form, status=status)


def drafted(row):
    where = _("at %(site)s") % {"site": row.site.name} if row.site else _("over all our sites")
    facts = {"card": row, "carrier": row.carrier, "month": date_format(row.month, "F Y"), "where": where}
    body = _(
        "Attached is our scorecard %(card)s for %(carrier)s, %(month)s %(where)s.\n\n"
        "It is a reason to talk: a rate does not say whose doing it is. Please look through the trailers it names and "
        "tell us what you find.\n\nSHA-256 of the PDF: %(hash)s\n"
    )
    return {
        "to": row.carrier.claims_email,
        "subject": _("Scorecard %(card)s, %(carrier)s, %(month)s") % facts,
        "body": body % (facts | {"hash": row.pdf_sha256}),
    }


@require_safe
@at_site_or_all(rules.SEE_CLAIMS, place="carriers")
def message_file(request, number, uuid):
    """The message as it left."""
    row = get_object_or_404(CardMessage, scorecard=card_or_404(request, number), uuid=uuid)
    try:
        file = default_storage.open(row.file)
    except FileNotFoundError:
        raise Http404 from None
    name = f"{request.site.code}-{row.scorecard}-message-{row.pk}.eml"
    answer = FileResponse(file, content_type="message/rfc822", as_attachment=True, filename=name)
    answer["X-Content-Type-Options"] = "nosniff"
    return answer
