"""The terms that a claim goes by, and the dates that they set for telling and filing."""

from collections import defaultdict

from claims import deadlines, terms
from claims.dates import reserved, triggers
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
    for reservation, alike in alike_lines(claim, held, lines):
        for due in dues(claim, held, alike[0]):
            done = reservation if reserved.is_done(due, reservation) else None
            key = (due.duty, due.due, due.needs, done)
            found.setdefault(key, (due, done, []))[2].extend(alike)
    ordered = sorted(found.values(), key=lambda each: each[0].urgency)
    return [entry(due, done, concerned, lines) for due, done, concerned in ordered]


def alike_lines(claim, held, lines):
    """(what a signed sheet reserved of them or None, lines whose clocks start on the same days), group by group."""
    arrival, groups = claim.shipment.arrival_id, defaultdict(list)
    signed = reserved.signed([arrival] if reserved.asked_of(held) else [])
    for line in lines:
        found = clock.site_day(line.discrepancy.found_at, claim.site.time_zone)
        done = signed.get((arrival, str(line.discrepancy)))
        groups[(line.kind, line.discrepancy.after_release, found, done)].append(line)
    return [(done, alike) for (*_same, done), alike in groups.items()]


def dues(claim, held, line):
    concealed = (Duty.CONCEALED_NOTICE,) if line.discrepancy.after_release else ()
    return deadlines.due(
        [period for period in held.periods if period.duty in (*TELLING, *concealed)],
        triggers(claim.shipment, held.terms.delivered_means, discovered=line.discrepancy.found_at),
        kinds=[line.kind],
        calendar=held.calendar,
        zone=claim.site.time_zone,
    )


def entry(due, done, concerned, lines):
    positions = sorted({line.position for line in concerned})
    return {
        "what": due.duty.label,
        "by": "done" if done else day(due.due),
        "lines": "" if len(positions) == len(lines) else named(positions),
        "words": done.words if done else due.words,
        "source": due.period.source,
        "files": due.duty in FILING and due.is_known,
    }


def named(positions):
    """`line 4`, or `lines 1, 2`."""
    return f"line{'s' if len(positions) > 1 else ''} {', '.join(map(str, positions))}"
