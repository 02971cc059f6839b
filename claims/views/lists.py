"""Open and closed claims: filtered by the address, counted, a page at a time, and taken along as a file."""

from collections import Counter
from io import BytesIO

from django.core.paginator import Paginator
from django.db.models import Count
from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from claims import dates, losses, queries, readings
from claims.enums import FactKind, Stage, Standing
from claims.filters import ClaimFilter, LossFilter
from claims.models import Claim, Fact
from claims.money import cents
from claims.views import to_claim
from claims.views.shared import EXPORTS, TONES, exports, here, pages, tabs
from receiving import clock, rules
from receiving.documents import xlsx
from receiving.web import at_site, invalid, wants_json

SIZE = 50
STAGES = {"open": queries.OPEN_STAGES, "closed": (Stage.CLOSED, Stage.WITHDRAWN)}


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def claims(request):
    return redirect("to_claim", request.site.code)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def open_claims(request):
    return listed(request, "open")


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def closed_claims(request):
    return listed(request, "closed")


def listed(request, which):
    chosen = claim_filter(request, which)
    context = {"form": chosen.form, "which": which, "picked": chosen.used, "tabs": tabs(request, which)}
    if not chosen.form.is_valid():
        return invalid(request, "claims/claims.html", context, chosen.form)
    at, wanted = timezone.now(), asked_standing(request)
    kept, numbers = sorted_out(chosen.rows, which, wanted, at)
    listing = Paginator(kept, SIZE).get_page(request.GET.get("page"))
    query = chosen.used | ({"standing": wanted} if wanted else {})
    context |= pages(request, listing, query) | {
        "listing": listing,
        "rows": to_show(listing.object_list, which, at),
        "picked": query,
        "standings": list(counted(request, numbers, chosen.used, wanted)),
        "exports": list(exports(request, which, query)),
    }
    return render(request, "claims/claims.html", context)


def asked_standing(request):
    asked = request.GET.get("standing", "")
    return asked if asked in Standing.values else ""


def sorted_out(rows, which, wanted, at):
    """The claims to list, newest first, and how many there are of each standing.

    Open claims are few and are read for their standing; of closed ones it is the stage, and a page is read when shown.
    """
    listed = queries.claim_rows(rows).order_by("-pk")
    if which == "closed":
        numbers = dict(rows.order_by().values_list("stage").annotate(n=Count("pk")))
        return listed.filter(stage=wanted) if wanted else listed, numbers
    found = read(listed, at)
    return narrowed(found, wanted), Counter(claim.reading.standing for claim in found)


def claim_filter(request, which):
    rows = Claim.objects.filter(site=request.site, stage__in=STAGES[which])
    return ClaimFilter(request.GET, rows=rows, site=request.site)


def read(claims, at):
    """These claims as a list, each with its standing and money as `reading`."""
    claims = list(claims)
    found = readings.readings(claims, at=at)
    for claim in claims:
        claim.reading = found[claim.pk]
        claim.tone = TONES.get(claim.reading.standing, "wait")
    return claims


def to_show(kept, which, at):
    """The rows of a page or a file, read and dated."""
    return with_dates(kept if which == "open" else read(kept, at), at)


def with_dates(claims, at):
    """The same claims, each with its most urgent `dates.Entry` as `next` and the days left as `days_left`, or None."""
    nearest = {}
    for entry in dates.of_claims(Claim.objects.filter(pk__in=[claim.pk for claim in claims]), at=at):
        nearest.setdefault(entry.claim.pk, entry)
    for claim in claims:
        claim.next = nearest.get(claim.pk)
        claim.days_left = claim.next and claim.next.days_left(clock.site_day(at, claim.site.time_zone))
    return claims


def narrowed(rows, standing):
    return [claim for claim in rows if not standing or claim.reading.standing == standing]


def counted(request, numbers, query, wanted):
    """Each standing that occurs, with how many, beside whatever else is chosen."""
    total = sum(numbers.values())
    yield {"words": _("all"), "number": total, "url": here(request, query), "current": not wanted}
    for standing in Standing:
        number = numbers.get(standing.value, 0)
        if number or standing == wanted:
            url = here(request, query | {"standing": standing.value})
            yield {"words": standing.label, "number": number, "url": url, "current": standing == wanted}


# --- export -----------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def claims_export(request, which, suffix):
    """All pages of what the list shows, as `suffix` csv or xlsx. which -- to-claim, open or closed"""
    if suffix not in EXPORTS or which not in {"to-claim", *STAGES}:
        raise Http404
    title, headings, rows, form = losses_file(request) if which == "to-claim" else claims_file(request, which)
    if not form.is_valid():
        back = reverse({"to-claim": "to_claim"}.get(which, f"claims_{which}"), args=[request.site.code])
        return invalid(request, "", {}, form) if wants_json(request) else redirect(f"{back}?{request.GET.urlencode()}")
    day = clock.site_day(timezone.now(), request.site.time_zone)
    return as_file(request, f"{request.site.code}-{which}-{day}.{suffix}", title, headings, rows)


def as_file(request, name, title, headings, rows):
    zone = clock.zone(request.site.time_zone)
    if name.endswith(".csv"):
        answer = HttpResponse(
            b"\xef\xbb\xbf" + b"".join(xlsx.csv_lines([headings, *rows], zone=zone)),
            content_type="text/csv; charset=utf-8",
        )
        answer["Content-Disposition"] = f'attachment; filename="{name}"'
        return answer
    sheet = xlsx.Sheet(title, headings, rows)
    data = xlsx.workbook_bytes([sheet], title=name, zone=zone, created=timezone.now())
    return FileResponse(BytesIO(data), as_attachment=True, filename=name)


def claims_file(request, which):
    chosen = claim_filter(request, which)
    rows = []
    if chosen.form.is_valid():
        at = timezone.now()
        kept, _numbers = sorted_out(chosen.rows, which, asked_standing(request), at)
        found = to_show(kept, which, at)
        numbers = their_numbers(found)
        rows = [[value(claim, numbers) for _heading, value in COLUMNS] for claim in found]
    return _("Claims"), [str(heading) for heading, _value in COLUMNS], rows, chosen.form


def their_numbers(claims):
    """{claim: the carrier's own number for it, as it last acknowledged it}"""
    facts = Fact.objects.filter(claim__in=claims, kind=FactKind.ACKNOWLEDGED, reverses=None, reversed_by=None)
    return dict(facts.order_by("on", "pk").values_list("claim", "reference"))


COLUMNS = [
    (gettext_lazy("Claim"), lambda claim, numbers: str(claim)),
    (gettext_lazy("What for"), lambda claim, numbers: claim.get_purpose_display()),
    (gettext_lazy("Stage"), lambda claim, numbers: claim.get_stage_display()),
    (gettext_lazy("Standing"), lambda claim, numbers: str(claim.reading.standing.label)),
    (gettext_lazy("Until"), lambda claim, numbers: claim.reading.until),
    (gettext_lazy("Against"), lambda claim, numbers: str(claim.carrier or "")),
    (gettext_lazy("And against"), lambda claim, numbers: str(claim.second_carrier or "")),
    (gettext_lazy("Carrier's claim number"), lambda claim, numbers: numbers.get(claim.pk, "")),
    (gettext_lazy("Account"), lambda claim, numbers: claim.account.legal_name),
    (gettext_lazy("Bill"), lambda claim, numbers: claim.shipment.bill_number),
    (gettext_lazy("PRO"), lambda claim, numbers: claim.shipment.pro_number),
    (gettext_lazy("Lines"), lambda claim, numbers: claim.pieces),
    (gettext_lazy("Currency"), lambda claim, numbers: claim.currency),
    (gettext_lazy("Claimed"), lambda claim, numbers: None if claim.amount is None else claim.reading.money.claimed),
    (gettext_lazy("Allowed"), lambda claim, numbers: claim.reading.money.allowed),
    (gettext_lazy("Received"), lambda claim, numbers: claim.reading.money.kept),
    (gettext_lazy("Outstanding"), lambda claim, numbers: claim.reading.money.open),
    (gettext_lazy("Nearest date"), lambda claim, numbers: claim.next and claim.next.date),
    (gettext_lazy("What is to be done"), lambda claim, numbers: claim.next and claim.next.head),
    (gettext_lazy("Drafted"), lambda claim, numbers: claim.opened_at),
    (gettext_lazy("Drafted by"), lambda claim, numbers: str(claim.opened_by)),
    (gettext_lazy("Filed"), lambda claim, numbers: claim.filed_on),
]


def losses_file(request):
    chosen = LossFilter(request.GET, rows=queries.claimable(request.site))
    rows = []
    if chosen.form.is_valid():
        groups = to_claim.urgent(request.site, queries.groups(chosen.rows), timezone.now())
        groups = to_claim.narrowed(groups, request.GET.get("only", ""))
        rows = [loss_row(group, piece) for group in queries.with_evidence(groups) for piece in group.pieces]
    return _("To claim"), [str(heading) for heading in LOSS_HEADINGS], rows, chosen.form


LOSS_HEADINGS = [
    gettext_lazy("Piece"),
    gettext_lazy("What is wrong"),
    gettext_lazy("Label"),
    gettext_lazy("Goods"),
    gettext_lazy("Quantity"),
    gettext_lazy("Counted in"),
    gettext_lazy("Currency"),
    gettext_lazy("Estimated value"),
    gettext_lazy("Attributed to"),
    gettext_lazy("Carrier"),
    gettext_lazy("Account"),
    gettext_lazy("Bill"),
    gettext_lazy("PRO"),
    gettext_lazy("Trailer"),
    gettext_lazy("Nearest date"),
    gettext_lazy("Evidence missing for the bill"),
]


def loss_row(group, piece):
    loss = losses.of_piece(piece)
    return [
        str(piece),
        piece.get_kind_display(),
        piece.label,
        loss.description,
        loss.quantity,
        loss.unit,
        piece.site.currency,
        None if loss.value is None else cents(loss.value, piece.site.currency),
        piece.get_attribution_display(),
        str(group.respondent),
        group.shipment.account.legal_name,
        group.shipment.bill_number,
        group.shipment.pro_number,
        str(group.arrival),
        group.due.day if group.due else None,
        "; ".join(group.missing),
    ]
