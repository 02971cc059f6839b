"""The periods of a claim's terms that still run, and what stops them."""

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from claims import deadlines
from claims.dates import reserved
from claims.dates.known import Known
from claims.dates.starts import triggers
from claims.dates.unclaimed import BEFORE_FILING
from claims.deadlines import Due, Period, cmr
from claims.enums import Duty, FactKind, Regime, Stage, Standing, Trigger
from receiving import clock

SETTLED = (Standing.ALL_IN, Standing.OVERPAID, Standing.CLOSED, Standing.WITHDRAWN, Standing.HANDED_OVER)
CARRIERS = (Duty.ACKNOWLEDGE, Duty.DECIDE, Duty.STATUS)
# Lines of one kind may have different starts of these.
OF_A_LINE = (Trigger.DISALLOWED, Trigger.DISCOVERED)


@dataclass
class Running:
    """One date with the lines it is about. `guessed`: counted from the day of filing, for want of the carrier's own."""

    due: Due
    lines: list = field(default_factory=list)
    guessed: bool = False


def running(known: Known, today) -> list[tuple[str, Running]]:
    """What still runs, each with a key that stays its own whatever its date."""
    found = {}
    for lines in alike(known):
        for due in line_dues(known, lines[0], today):
            guessed = due.duty == Duty.ACKNOWLEDGE and known.received is None
            same = (identity(due), due.due, due.needs)
            found.setdefault(same, Running(due, guessed=guessed)).lines.extend(lines)
    often = Counter(key for key, *_rest in found)
    return [(key if often[key] == 1 else f"{key}-{each.lines[0].uuid}", each) for (key, *_rest), each in found.items()]


def alike(known):
    """Lines by all that their dates depend on; one group of nothing where the claim has no lines."""
    groups, zone = defaultdict(list), known.claim.site.time_zone
    for line in known.lines:
        piece = line.discrepancy
        told = (line.kind, clock.site_day(piece.found_at, zone), piece.after_release, known.is_noticed(line))
        said = (known.is_line_decided(line), known.suit_starts.get(line.pk), known.papers_returned.get(line.pk))
        groups[(*told, *said, known.reservation(line))].append(line)
    return list(groups.values()) or [[None]]


def identity(due):
    period = due.period
    own = [due.started.day] if period.trigger in OF_A_LINE else []
    parts = [due.duty, period.applies, period.trigger, period.length, period.counting, due.number, *own]
    return "-".join(str(part) for part in parts)


def line_dues(known, line, today):
    """The Dues of one line, or of a claim without lines."""
    periods = [period for period in known.held.periods if runs(known, period, line)]
    plain = [period for period in periods if period.trigger != Trigger.DISALLOWED and period.duty not in CARRIERS]
    for due in counted(known, line, plain):
        if not (line and reserved.is_done(due, known.reservation(line))):
            yield suspended(known, due, line)
    yield from carriers(known, line, periods, today)
    yield from suits(known, line, periods)


def counted(known, line, periods, *, through=None, received=None):
    shipment, held = known.claim.shipment, known.held
    found = triggers(shipment, held.terms.delivered_means, discovered=line and line.discrepancy.found_at)
    found[Trigger.CARRIER_RECEIVED] = received or known.received
    return deadlines.due(
        periods,
        found,
        kinds=[line.kind] if line else [],
        calendar=held.calendar,
        nothing_delivered=known.nothing_came,
        absent=[] if known.is_filed else [Trigger.CARRIER_RECEIVED],
        through=through,
        zone=known.claim.site.time_zone,
        line=line and line.pk,
    )


def runs(known, period: Period, line):
    """Whether this period still asks something of anybody. Delay is not claimed here, and a file is kept, not worked
    on."""
    if period.duty in BEFORE_FILING:
        return runs_before_filing(known, period.duty, line)
    if known.claim.is_handover:
        return False
    if period.duty in CARRIERS:
        return known.is_filed
    if period.duty == Duty.SUE:
        return known.reading.standing not in SETTLED and not known.live(FactKind.SUED)
    return False


def runs_before_filing(known, duty, line):
    """Filing ends these, unless what was sent never arrived."""
    done = known.claim.stage != Stage.DRAFT and not known.is_undelivered
    if duty == Duty.CONCEALED_NOTICE:
        hidden = line is not None and line.discrepancy.after_release
        return hidden and not known.is_noticed(line) and not (done and known.claim.is_handover)
    if duty == Duty.NOTICE:
        return not done and not (line is not None and known.is_noticed(line))
    if duty == Duty.FINAL_STATEMENT:
        return not done or not (known.freight_bill or known.claim.is_handover)
    return not done


# -- the carrier's


def carriers(known, line, periods, today):
    """What the carrier owes for this line: to acknowledge, to decide, and while it has not, to say why."""
    named = {duty: [period for period in periods if period.duty == duty] for duty in CARRIERS}
    if not known.has_answer:
        received = None if known.received else known.claim.filed_on
        yield from counted(known, line, named[Duty.ACKNOWLEDGE], received=received)
    if not known.is_line_decided(line):
        decide = counted(known, line, named[Duty.DECIDE])
        yield from decide
        yield from owed_status(known, line, named[Duty.STATUS], decide, today)


def owed_status(known, line, periods, decide, today):
    """The next status notice, from the day on which a decision was owed (49 CFR 370.9(a))."""
    ends = [due.day for due in decide if due.is_known]
    if decide and not (ends and min(ends) < today):
        return
    told = [fact.on for fact in known.live(FactKind.STATUS)]
    for period in periods:
        dues = counted(known, line, [period], through=max([today, *told]))
        if found := next_status(dues, ends[:1], told):
            yield found


def next_status(dues, decide, told):
    """The first end of a period for which no notice came. A notice is for the end it is nearest to, and for those
    before; the day of decision is the first of them.

    decide -- the day on which a decision was owed, in a list, or none
    """
    if not all(due.is_known for due in dues):
        return dues[0]
    ends = [*decide, *(due.day for due in dues)]
    covered = max((nearest(ends, day) for day in told), default=len(decide) - 1)
    return next((due for place, due in enumerate(dues, len(decide)) if place > covered), None)


def nearest(ends, day):
    return min(range(len(ends)), key=lambda place: (abs((ends[place] - day).days), place))


# -- ours, in court


def suits(known, line, periods):
    """The last days to bring suit that run from written disallowances of this line."""
    day = line and known.suit_starts.get(line.pk)
    if not day:
        return []
    said = [deadlines.Disallowance(line=line.pk, on=day)]
    return deadlines.suit_dues(periods, said, kinds={line.pk: line.kind}, calendar=known.held.calendar)


def suspended(known, due, line):
    """Under the CMR a written claim makes the time to sue stand still (Art. 32(2))."""
    if due.duty != Duty.SUE or known.held.terms.regime != Regime.CMR or known.received is None or line is None:
        return due
    rejected, returned = known.suit_starts.get(line.pk), known.papers_returned.get(line.pk)
    written = cmr.WrittenClaim(known.received, rejected=rejected, papers_returned=returned)
    return cmr.suspended(due, [written], calendar=known.held.calendar)
