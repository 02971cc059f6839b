"""Terms of carriage: the list, one set of them in words, new ones, and which of them would hold for a bill."""

from datetime import datetime, time

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import Count, Q
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from claims import terms
from claims.deadlines import Period
from claims.forms.terms import HERE, ExampleForm, TermsForm, WhichForm, period_rows, typed
from claims.models import Terms
from claims.terms import words
from receiving import clock, rules
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import at_site, done, invalid, once, problem, refuse

BLANK = "blank"
FORM = "claims/terms_form.html"


def of_site(request):
    """Terms this site sees: its own and the company's."""
    found = Terms.objects.filter(Q(site=None) | Q(site=request.site))
    return found.select_related("carrier", "account", "site").prefetch_related("periods")


def find(request, pk):
    return get_object_or_404(of_site(request), pk=pk)


def find_to_write(request, pk):
    row = find(request, pk)
    if terms.need(row) not in request.may:
        raise PermissionDenied
    return row


def address(request, name, *more):
    return reverse(name, args=[request.site.code, *more])


# -- Reading -----------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE_CLAIMS, place="setup")
def overview(request):
    retired = request.GET.get("retired") == "1"
    rows = of_site(request).filter(retired_at__isnull=not retired).annotate(used=Count("claims"))
    rows = rows.order_by("title", "valid_from", "pk")
    found = {
        "rows": [(row, words.scope(row), words.dates(row), words.limit(row), terms.warnings(row)) for row in rows],
        "retired": retired,
        "retired_count": of_site(request).filter(retired_at__isnull=False).count(),
        "live_count": of_site(request).filter(retired_at=None).count(),
        "may_write": rules.TERMS in request.may,
    }
    return render(request, "claims/terms.html", found)


@require_safe
@at_site(rules.SEE_CLAIMS, place="setup")
def shown(request, pk):
    row = find(request, pk)
    asked = ExampleForm(request.GET)
    day = (asked.is_valid() and asked.cleaned_data["on"]) or timezone.localdate()
    example = datetime.combine(day, time(12), tzinfo=clock.zone(request.site.time_zone))
    calendar = terms.calendar(row)
    found = {
        "terms": row,
        "scope": words.scope(row),
        "dates": words.dates(row),
        "limit": words.limit(row),
        "calendar": calendar,
        "periods": [words.told(period, calendar, example) for period in terms.periods(row)],
        "warnings": terms.warnings(row),
        "start": terms.start(row.template),
        "used": row.claims.count(),
        "lookup": asked if asked.errors else ExampleForm(initial={"on": day}),
        "may_write": terms.need(row) in request.may and row.retired_at is None,
    }
    return render(request, "claims/terms_shown.html", found)


@require_safe
@at_site(rules.SEE_CLAIMS, place="setup")
def which(request):
    asked = WhichForm(request.GET or None, initial={"day": timezone.localdate()})
    found = {"form": asked}
    if asked.is_bound and asked.is_valid():
        found["choice"] = terms.which(site=request.site, **asked.cleaned_data)
    return render(
        request, "claims/terms_which.html", found, status=200 if asked.is_valid() or not asked.errors else 422
    )


# -- Writing -----------------------------------------------------------------------------------------------------------


@at_site(rules.TERMS, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def new(request):
    key = request.GET.get("from", "")
    if request.method != "POST" and not key:
        return render(request, "claims/terms_start.html", {"starts": terms.starts(), "blank": BLANK})
    start = terms.start(key)
    form = TermsForm(posted(request), initial=beginning(start), **grants(request))
    rows = period_rows(posted(request), periods=start.periods if start else ())

    def write(**given):
        return terms.create(template=start.key if start else "", **given)

    return write_form(request, form, rows, write, {"start": start})


def posted(request):
    return request.POST if request.method == "POST" else None


def beginning(start):
    return {"reach": HERE} | (start.facts if start else {})


def grants(request):
    return {"site": request.site, "company": rules.COMPANY in request.may}


@at_site(rules.TERMS, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request, pk):
    row = find_to_write(request, pk)
    if row.retired_at:
        return problem(request, 409, "retired", _("These terms are retired. Start new ones instead."))
    used = terms.is_used(row)
    # A whole form was open when the first claim came: what it says is refused by the writer, and not dropped here.
    short = used and "title" not in request.POST
    form = TermsForm(posted(request), terms=row, used=short, **grants(request))
    rows = None if short else period_rows(posted(request), periods=terms.periods(row))
    return write_form(request, form, rows, on_version(form, row, terms.revise), {"terms": row, "used": used})


@at_site(rules.TERMS, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def replace(request, pk):
    """New terms in place of some that claims go by: the old are retired and stay with their claims."""
    row = find_to_write(request, pk)
    if row.retired_at:
        return problem(request, 409, "retired", _("These terms are retired. Start new ones instead."))
    form = TermsForm(posted(request), terms=row, **grants(request))
    rows = period_rows(posted(request), periods=terms.periods(row))
    return write_form(request, form, rows, on_version(form, row, terms.replace), {"replaced": row})


@at_site(rules.TERMS, place="setup")
@once
@require_POST
def retire(request, pk):
    row = find_to_write(request, pk)
    try:
        terms.retire(row, seen=seen(request, row), site=request.site, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    messages.success(request, _("“%(title)s” are retired. Claims that go by them keep them.") % {"title": row.title})
    return done(request, address(request, "terms"), {"pk": row.pk})


def seen(request, row):
    typed_in = request.POST.get("version", "")
    return int(typed_in) if typed_in.isdecimal() else row.version


def on_version(form, row, step):
    def write(**given):
        return step(row, seen=form.cleaned_data["version"] or row.version, **given)

    return write


def write_form(request, form, rows, write, context):
    """The page of a form; on a good post one call of the writer, which is given facts and periods."""
    status = 200
    if request.method == "POST":
        status = 422
        if all([form.is_valid(), rows is None or rows.is_valid()]):
            try:
                saved = write(**told(request, form, rows, context))
            except Refused as why:
                status = refuse_terms(form, why)
            else:
                return written(request, saved)
    found = context | {"form": form, "rows": rows, "groups": groups(form), "said": summaries(rows)}
    if status == 200:
        return render(request, FORM, found)
    forms = [form, *(rows or [])]
    return invalid(request, FORM, found, *(each for each in forms if each.is_bound), status=status)


def told(request, form, rows, context):
    periods = terms.periods(context["terms"]) if rows is None else typed(rows)
    more = {"site": request.site, "actor": request.user, "at": timezone.now()}
    return more | {"facts": form.facts(), "periods": periods}


def refuse_terms(form, why):
    """The refusal at its field. After somebody else's change the form carries the new version, to save again."""
    if isinstance(why, ChangedMeanwhile) and form.terms:
        form.terms.refresh_from_db(fields=["version"])
        form.data = form.data.copy()
        form.data["version"] = form.terms.version
    return refuse(form, why)


def written(request, row):
    messages.success(
        request, _("“%(title)s” are saved. They hold for %(dates)s.") % {"title": row.title, "dates": words.dates(row)}
    )
    return done(request, address(request, "terms_shown", row.pk), {"pk": row.pk, "title": row.title})


GROUPS = [
    (
        gettext_lazy("Which bills they are for"),
        [("carrier", "account"), ("origin", "mode"), ("valid_from", "valid_until")],
    ),
    (gettext_lazy("Where they come from"), [("source",), ("regime", "waives_statute", "waiver")]),
    (
        gettext_lazy("How far the carrier answers"),
        [
            ("limit_basis", "limit_rate", "limit_currency", "limit_weight_unit"),
            ("salvage_when", "freight_when", "deductible", "allowance_percent"),
        ],
    ),
    (gettext_lazy("How days are counted"), [("delivered_means", "calendar_country", "calendar_subdivision")]),
]


def groups(form):
    """(heading, lines of fields) of what the form shows of each group."""
    found = [(heading, [present(form, names) for names in lines]) for heading, lines in GROUPS]
    return [(heading, lines) for heading, lines in found if any(lines)]


def present(form, names):
    return [form[name] for name in names if name in form.fields]


def summaries(rows):
    """(row, its period in a line or nothing yet, whether it stands open) for each row."""
    if rows is None:
        return []
    return [(row, summary(row), bool(row.is_bound and row.errors)) for row in rows]


def summary(row):
    period = getattr(row, "period", None)
    if period is None and not row.is_bound and row.initial:
        period = Period(**row.initial)
    return words.short(period) if period else ""
