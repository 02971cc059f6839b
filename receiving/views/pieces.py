"""Every logged piece of the site: narrowed by the filter in the address, page by page, and taken along as a file."""

import tempfile
from itertools import product

from django.contrib import messages
from django.http import FileResponse, Http404, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.formats import number_format
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from receiving import clock, history, paging, queries, rules
from receiving.documents import xlsx
from receiving.enums import DiscrepancyState, Kind
from receiving.filters import PieceFilter
from receiving.web import at_site, invalid, problem, wants_json

COUNTED = 1_000
WORKBOOK_ROWS = 100_000
PAGE = "receiving/pieces.html"
SHOWN_FIRST = ("text", "trailer")
SHOWN_AS_COUNTS = ("kind", "state")
EXPORTS = {"csv": gettext_lazy("CSV"), "xlsx": gettext_lazy("Workbook (XLSX)")}


@require_safe
@at_site(rules.SEE, place="pieces")
def pieces(request):
    """One page of pieces, newest first. `older` and `newer` in the address are keys of `receiving.paging`."""
    chosen = PieceFilter(request.GET, site=request.site)
    context = {"picked": typed(request, chosen)} | fields(chosen)
    if not chosen.is_valid():
        return invalid(request, PAGE, context, chosen.form)
    try:
        keys = {name: paging.Key.parse(request.GET[name]) for name in ("older", "newer") if request.GET.get(name)}
    except ValueError:
        messages.warning(request, _("That address names no page of this list. Here is the newest."))
        return redirect(here(request, context["picked"]))
    page = paging.page(chosen.rows, along=chosen.along if chosen.is_sparse else None, **keys)
    context |= {
        "rows": queries.piece_rows(page.ids),
        "looked_back_to": page.looked_back_to,
        "older": page.older and here(request, context["picked"] | {"older": page.older}),
        "newer": page.newer and here(request, context["picked"] | {"newer": page.newer}),
        "newest": here(request, context["picked"]) if page.newer else "",
        "exports": [(word, export_url(request, suffix, context["picked"])) for suffix, word in EXPORTS.items()],
        "workbook_rows": WORKBOOK_ROWS,
    } | counts(request, chosen, context["picked"])
    return render(request, PAGE, context)


def fields(chosen):
    """The filter's form in two parts. What is wrong there, or in use and seen nowhere else, is not folded away."""
    folded = [chosen.form[name] for name in chosen.filters if name not in SHOWN_FIRST]
    unseen = [field for field in folded if field.value() and field.name not in SHOWN_AS_COUNTS]
    return {
        "form": chosen.form,
        "shown_first": [chosen.form[name] for name in SHOWN_FIRST],
        "folded": folded,
        "more_used": sum(bool(field.value()) for field in folded),
        "more_open": bool(unseen or [field for field in folded if field.errors]),
    }


def typed(request, chosen):
    """What the address says of the filter, empty fields left out."""
    return {name: request.GET[name] for name in chosen.filters if request.GET.get(name)}


def here(request, query):
    return f"{request.path}?{urlencode(query)}" if query else request.path


def export_url(request, suffix, query):
    address = reverse("pieces_export", args=[request.site.code, suffix])
    return f"{address}?{urlencode(query)}" if query else address


# -- counts ------------------------------------------------------------------------------------------------------------


def counts(request, chosen, query):
    """Per state and per kind what choosing it would show, beside whatever else is chosen; from COUNTED on "1,000+"."""
    numbers, counted_back_to = pair_counts(chosen)
    kind, state = chosen.form.cleaned_data["kind"], chosen.form.cleaned_data["state"]

    def entries(name, choices, number):
        now = chosen.form.cleaned_data[name]
        rest = {key: value for key, value in query.items() if key != name}
        yield {"words": _("all"), "number": number(""), "url": here(request, rest), "current": not now}
        for value, words in choices:
            url = here(request, rest | {name: value})
            yield {"words": words, "number": number(value), "url": url, "current": now == value}

    def total(kind, state):
        found = sum(n for (k, s), n in numbers.items() if kind in ("", k) and state in ("", s))
        return f"{number_format(COUNTED, force_grouping=True)}+" if found >= COUNTED else found

    return {
        "states": list(entries("state", DiscrepancyState.choices, lambda value: total(kind, value))),
        "kinds": list(entries("kind", Kind.choices, lambda value: total(value, state))),
        "counted_back_to": counted_back_to,
    }


def pair_counts(chosen):
    """({(kind, state): pieces, at most COUNTED}, the moment the count ends at if it leaves out older pieces)."""
    if "trailer" in chosen.used:
        return queries.counts_by_kind_and_state(chosen.of_all_kinds), None
    pairs = list(product(Kind.values, DiscrepancyState.values))
    rows = chosen.of_all_kinds.order_by("-found_at", "-pk")
    if edge := chosen.edge(paging.STRIDES[-1]) if chosen.is_sparse else None:
        rows = rows.filter(found_at__gte=edge)
    lists = [rows.filter(kind=kind, state=state) for kind, state in pairs]
    return dict(zip(pairs, queries.capped_counts(lists, COUNTED), strict=True)), edge


# -- export ------------------------------------------------------------------------------------------------------------


@require_safe
@at_site(rules.SEE, place="pieces")
def pieces_export(request, suffix):
    """All pages of what the filter shows, as `suffix` csv or xlsx; the columns are COLUMNS, in that order."""
    if suffix not in EXPORTS:
        raise Http404
    chosen = PieceFilter(request.GET, site=request.site)
    back = f"{reverse('pieces', args=[request.site.code])}?{urlencode(typed(request, chosen))}"
    if not chosen.is_valid():
        return invalid(request, "", {}, chosen.form) if wants_json(request) else redirect(back)
    name = f"{request.site.code}-pieces-{clock.site_day(timezone.now(), request.site.time_zone)}.{suffix}"
    if suffix == "csv":
        return csv_file(request, chosen, name)
    found = chosen.rows.order_by("-found_at", "-pk")
    if queries.capped_counts([found], WORKBOOK_ROWS + 1)[0] > WORKBOOK_ROWS:
        sentence = _("More than %(most)s pieces match, too many for one workbook. Take the CSV, or narrow the filter.")
        sentence %= {"most": number_format(WORKBOOK_ROWS, force_grouping=True)}
        if wants_json(request):
            return problem(request, 422, "too_many_rows", sentence)
        messages.error(request, sentence)
        return redirect(back)
    return workbook(request, chosen, name)


def csv_file(request, chosen, name):
    lines = csv_parts(chosen, clock.zone(request.site.time_zone), translation.get_language())
    answer = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


def csv_parts(chosen, zone, language):
    """The file in parts of some thousand lines. It is sent after the request's own language has ended."""
    yield b"\xef\xbb\xbf"
    with translation.override(language):
        yield b"".join(xlsx.csv_lines([headings()], zone=zone))
        for ids in paging.chunks(chosen.rows):
            yield b"".join(xlsx.csv_lines(map(values, queries.piece_rows_for_export(ids)), zone=zone))


def workbook(request, chosen, name):
    rows = (values(row) for ids in paging.chunks(chosen.rows) for row in queries.piece_rows_for_export(ids))
    file = tempfile.TemporaryFile()  # noqa: SIM115  the answer closes it when it is sent
    sheet = xlsx.Sheet(_("Pieces"), headings(), rows)
    xlsx.write_workbook(file, [sheet], title=name, zone=clock.zone(request.site.time_zone), created=timezone.now())
    file.seek(0)
    return FileResponse(file, as_attachment=True, filename=name)


def headings():
    return [str(heading) for heading, _value in COLUMNS]


def values(row):
    return [value(row) for _heading, value in COLUMNS]


def yes(flag):
    return _("yes") if flag else ""


COLUMNS = [
    (gettext_lazy("Piece"), str),
    (gettext_lazy("State"), lambda row: row.get_state_display()),
    (gettext_lazy("What is wrong"), lambda row: row.get_kind_display()),
    (
        gettext_lazy("Damage"),
        lambda row: "; ".join(f"{history.code_words(code)} ({code['code']})" for code in row.codes),
    ),
    (gettext_lazy("Damaged too"), lambda row: yes(row.damaged_too)),
    (gettext_lazy("How far it goes"), lambda row: row.get_extent_display()),
    (gettext_lazy("Pieces"), lambda row: row.quantity),
    (gettext_lazy("Label"), lambda row: row.label),
    (gettext_lazy("On the list"), lambda row: yes(row.carton_id)),
    (gettext_lazy("Account"), lambda row: row.shipment.account.legal_name if row.shipment else ""),
    (gettext_lazy("Store"), lambda row: row.store.number if row.store else ""),
    (gettext_lazy("New store"), lambda row: row.new_store.number if row.new_store else ""),
    (gettext_lazy("Who says so"), lambda row: row.get_reroute_authority_display()),
    (gettext_lazy("Trailer"), lambda row: str(row.arrival)),
    (gettext_lazy("Number on the trailer"), lambda row: row.arrival.trailer_number),
    (gettext_lazy("Carrier"), lambda row: row.arrival.carrier.name if row.arrival.carrier else ""),
    (gettext_lazy("Bill"), lambda row: row.shipment.bill_number if row.shipment else ""),
    (gettext_lazy("PRO"), lambda row: row.shipment.pro_number if row.shipment else ""),
    (gettext_lazy("Where found"), lambda row: row.get_where_found_display()),
    (gettext_lazy("Attributed to"), lambda row: row.get_attribution_display()),
    (gettext_lazy("Why"), lambda row: row.attribution_reason),
    (gettext_lazy("What happens with it"), lambda row: row.get_disposition_display()),
    (gettext_lazy("Units good"), lambda row: row.units_good),
    (gettext_lazy("Units hurt"), lambda row: row.units_hurt),
    (gettext_lazy("Photos"), lambda row: row.photo_count),
    (gettext_lazy("Note"), lambda row: row.note),
    (gettext_lazy("After release"), lambda row: yes(row.after_release)),
    (gettext_lazy("Found"), lambda row: row.found_at),
    (gettext_lazy("Logged"), lambda row: row.logged_at),
    (gettext_lazy("Logged by"), lambda row: str(row.logged_by)),
    (gettext_lazy("Matched with"), lambda row: str(row.matched or getattr(row, "matched_by", ""))),
    (gettext_lazy("How it was settled"), lambda row: row.settled_note),
]
