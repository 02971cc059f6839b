"""Due: one list of dates over all claims and unclaimed losses, nearest first, what has no date on top."""

from dataclasses import dataclass

from django.core.paginator import Paginator
from django.http import Http404
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from claims import dates
from claims.dates import words
from claims.forms.due import DueForm
from claims.views.lists import as_file
from claims.views.shared import EXPORTS, here, pages
from receiving import clock, rules
from receiving.web import at_site, invalid, wants_json

SIZE = 100
PARTS = {
    "unknown": gettext_lazy("no date"),
    "late": gettext_lazy("late"),
    "week": gettext_lazy("within 7 days"),
    "later": gettext_lazy("later"),
}
TONES = {"unknown": ("stop", "wait"), "late": ("stop", "wait"), "week": ("wait", "wait")}


@dataclass(frozen=True)
class Row:
    """An entry as the page shows it. part -- a key of PARTS; left -- how long there is, in words."""

    entry: dates.Entry
    part: str
    left: str

    @property
    def tone(self):
        """Red is for what we may lose, amber for what is near, and for what the carrier owes."""
        ours, carriers = TONES.get(self.part, ("quiet", "quiet"))
        return ours if self.entry.is_ours else carriers


def rows_of(entries, now):
    return [Row(entry, words.when(entry, now), words.left(entry, now)) for entry in entries]


@require_safe
@at_site(rules.SEE_CLAIMS, place="due")
def due(request):
    form, now = DueForm(request.GET, site=request.site), local_now(request.site)
    context = {"form": form, "picked": form.used, "now": now}
    if not form.is_valid():
        return invalid(request, "claims/due.html", context, form)
    rows, part = listed(request.site, form, now), request.GET.get("when", "")
    listing = Paginator(narrowed(rows, part), SIZE).get_page(request.GET.get("page"))
    query = form.used | ({"when": part} if part in PARTS else {})
    context |= pages(request, listing, query) | {
        "listing": listing,
        "picked": query,
        "parts": list(counted(request, rows, form.used, part)),
        "exports": list(exports(request, query)),
        "mine": "" if form.used.get("who") else mine(request, form, query),
    }
    return render(request, "claims/due.html", context)


def local_now(site):
    return clock.local(timezone.now(), site.time_zone)


def listed(site, form, now):
    """Every row that the filter shows, the most urgent first."""
    entries = dates.of_site(site, at=now)
    return rows_of((entry for entry in entries if form.lets(entry, now.date())), now)


def narrowed(rows, part):
    return [row for row in rows if row.part == part] if part in PARTS else rows


def counted(request, rows, query, part):
    """Each part of the list with how many stand in it, beside whatever else is chosen."""
    yield {"words": _("all"), "number": len(rows), "url": here(request, query), "current": part not in PARTS}
    for name, label in PARTS.items():
        number = sum(row.part == name for row in rows)
        url = here(request, query | {"when": name})
        yield {"words": label, "number": number, "url": url, "current": name == part}


def mine(request, form, query):
    """The same list of what the person opened, or nothing where that is no claim."""
    if not form.fields["who"].queryset.filter(pk=request.user.pk).exists():
        return ""
    return here(request, query | {"who": request.user.pk})


def exports(request, query):
    for suffix, label in EXPORTS.items():
        url = reverse("due_export", args=[request.site.code, suffix])
        yield {"words": label, "url": f"{url}?{urlencode(query)}" if query else url}


# --- export -----------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE_CLAIMS, place="due")
def due_export(request, suffix):
    """All pages of what the list shows, as `suffix` csv or xlsx."""
    if suffix not in EXPORTS:
        raise Http404
    form, now = DueForm(request.GET, site=request.site), local_now(request.site)
    if not form.is_valid():
        back = reverse("due", args=[request.site.code])
        return invalid(request, "", {}, form) if wants_json(request) else redirect(f"{back}?{request.GET.urlencode()}")
    rows = narrowed(listed(request.site, form, now), request.GET.get("when", ""))
    name = f"{request.site.code}-due-{now.date()}.{suffix}"
    table = [[value(row) for _heading, value in COLUMNS] for row in rows]
    return as_file(request, name, _("Due"), [str(heading) for heading, _value in COLUMNS], table)


COLUMNS = [
    (gettext_lazy("Date"), lambda row: row.entry.date),
    (gettext_lazy("Hour"), lambda row: row.entry.moment),
    (gettext_lazy("How long"), lambda row: row.left),
    (gettext_lazy("Work towards"), lambda row: row.entry.target),
    (gettext_lazy("What is to be done"), lambda row: row.entry.head),
    (gettext_lazy("For"), lambda row: row.entry.about),
    (gettext_lazy("Carrier"), lambda row: str(row.entry.carrier or "")),
    (gettext_lazy("By whom"), lambda row: str(row.entry.who or "")),
    (gettext_lazy("Whose date"), lambda row: _("ours") if row.entry.is_ours else _("the carrier's")),
    (gettext_lazy("If missed"), lambda row: str(row.entry.effect)),
    (gettext_lazy("Currency"), lambda row: row.entry.claim.currency if row.entry.amount is not None else ""),
    (gettext_lazy("Amount"), lambda row: row.entry.amount),
    (gettext_lazy("In words"), lambda row: row.entry.sentence),
    (gettext_lazy("Rule"), lambda row: row.entry.source),
    (gettext_lazy("Caution"), lambda row: row.entry.caution),
]
