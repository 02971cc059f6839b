"""The terms that a claim goes by, and the dates that they set for telling and filing."""

from collections import defaultdict

from claims import deadlines, terms
from claims.dates import triggers
from claims.enums import Duty
from claims.packet.wording import amount, day
from claims.terms import words
from receiving import clock

FILING = (Duty.FILE, Duty.FINAL_STATEMENT)
TELLING = (Duty.NOTICE, *FILING)


def terms_of(claim, held):
    """The terms in words, None where nobody has chosen any."""
    if held is None:
        return None
    row = held.terms
    return {
        "title": row.title,
        "source": row.source,
        "reason": claim.terms_reason,
        "limit": words.limit(row),
        "deductible": amount(row.deductible, claim.currency) if row.deductible else "",
        "allowance": f"{row.allowance_percent.normalize():f} %" if row.allowance_percent else "",
        "salvage": row.get_salvage_when_display(),
        "freight": row.get_freight_when_display(),
        "waiver": row.waiver,
    }


def held(claim):
    return terms.of_claim(claim)


def dates(claim, held, lines):
    """The last days for notice and for filing, each with its rule and the lines it holds for; unknown ones first.

    None of them moves when the claim is filed, so that a packet stays true then.
    """
    if held is None:
        return []
    found = {}
    for alike in alike_lines(claim, lines):
        for due in dues(claim, held, alike[0]):
            key = (due.duty, due.due, due.needs)
            found.setdefault(key, (due, []))[1].extend(alike)
    return [entry(due, concerned, lines) for due, concerned in sorted(found.values(), key=lambda each: each[0].urgency)]


def alike_lines(claim, lines):
    """Lines whose clocks start on the same days, together."""
    groups = defaultdict(list)
    for line in lines:
        found = clock.site_day(line.discrepancy.found_at, claim.site.time_zone)
        groups[(line.kind, line.discrepancy.after_release, found)].append(line)
    return groups.values()


def dues(claim, held, line):
    concealed = (Duty.CONCEALED_NOTICE,) if line.discrepancy.after_release else ()
    return deadlines.due(
        [period for period in held.periods if period.duty in (*TELLING, *concealed)],
        triggers(claim.shipment, held.terms.delivered_means, discovered=line.discrepancy.found_at),
        kinds=[line.kind],
        calendar=held.calendar,
        zone=claim.site.time_zone,
    )


def entry(due, concerned, lines):
    positions = sorted({line.position for line in concerned})
    return {
        "what": due.duty.label,
        "by": day(due.due),
        "lines": "" if len(positions) == len(lines) else f"lines {', '.join(map(str, positions))}",
        "words": due.words,
        "source": due.period.source,
        "files": due.duty in FILING and due.is_known,
    }
