"""What terms say: their periods as they are counted, their calendar, and a copy to keep with a filed claim."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from claims import deadlines
from claims.calendars import Calendar
from claims.deadlines import Period
from claims.enums import Duty, Regime, Stage
from claims.models import Terms
from receiving import evidence

SCOPE = ("carrier", "account", "site", "origin", "mode")
FACTS = (
    "title",
    *SCOPE,
    "valid_from",
    "valid_until",
    "source",
    "regime",
    "waives_statute",
    "waiver",
    "delivered_means",
    "calendar_country",
    "calendar_subdivision",
    "limit_basis",
    "limit_rate",
    "limit_currency",
    "limit_weight_unit",
    "salvage_when",
    "freight_when",
    "deductible",
    "allowance_percent",
    "note",
)
PERIOD = (
    "duty",
    "applies",
    "trigger",
    "length",
    "counting",
    "extra_days",
    "every",
    "effect",
    "binds",
    "source",
)
# Conventions and COGSA ask for no claim within a time, only for a notice and a suit.
NO_FILING_PERIOD = (Regime.CMR, Regime.MONTREAL, Regime.COGSA)


@dataclass(frozen=True)
class Held:
    """The terms a claim goes by. For a filed claim `terms` is the copy kept with it, no row of the table."""

    terms: Terms
    periods: tuple[Period, ...]
    calendar: Calendar


def periods(terms: Terms) -> list[Period]:
    """The periods of saved terms, in their order; one query, none where they were fetched before."""
    return [period_of(row) for row in sorted(terms.periods.all(), key=lambda row: (row.position, row.pk))]


def period_of(row):
    return Period(**{name: getattr(row, name) for name in PERIOD})


def calendar(terms: Terms) -> Calendar:
    """Whose holidays its business days leave out. Raises UnknownCalendar."""
    return Calendar(terms.calendar_country, terms.calendar_subdivision)


def frozen(terms: Terms) -> dict:
    """Everything the terms say, as plain JSON, with the names of what they point at: what a filed claim keeps."""
    kept = evidence.facts(terms, FACTS) | {
        "id": terms.pk,
        "version": terms.version,
        "template": terms.template,
        "carrier_name": str(terms.carrier or ""),
        "account_name": str(terms.account or ""),
        "site_code": terms.site.code if terms.site else "",
        "calendar": calendar(terms).as_dict(),
        "periods": [period.as_dict() for period in periods(terms)],
    }
    return evidence.plain(kept)


def thawed(kept: dict) -> Held:
    """What `frozen` kept, to count and to price with; the same values, whatever became of the row since."""
    columns = {name: Terms._meta.get_field(name) for name in FACTS if name in kept}
    copy = Terms(**{column.attname: column.to_python(kept[name]) for name, column in columns.items()})
    copy.pk, copy.version, copy.template = kept["id"], kept["version"], kept["template"]
    counted = tuple(Period.from_dict(period) for period in kept["periods"])
    return Held(copy, counted, Calendar.from_dict(kept["calendar"]))


def of_claim(claim) -> Held | None:
    """A draft goes by its terms as they are now, a claim that was filed by the copy kept then. None without terms."""
    if claim.frozen_terms and claim.stage != Stage.DRAFT:
        return thawed(claim.frozen_terms)
    if claim.terms is None:
        return None
    return Held(claim.terms, tuple(periods(claim.terms)), calendar(claim.terms))


def warnings(terms: Terms, counted=None) -> list[str]:
    """Sentences: periods below what the law allows without a recorded waiver, and periods that are not there.

    counted -- the periods, where the caller has them already
    """
    counted = periods(terms) if counted is None else counted
    found = deadlines.warnings(counted, regime=terms.regime, waived=terms.waives_statute)
    return [*found, *missing(terms.regime, {period.duty for period in counted})]


def missing(regime, duties):
    if regime not in NO_FILING_PERIOD and not duties & {Duty.FILE, Duty.FINAL_STATEMENT}:
        yield _("These terms have no period for filing a claim, so no date for it is shown. Add one, or ask counsel.")
    if Duty.SUE not in duties:
        yield _("These terms have no period for bringing suit, so no date for it is shown. Add one, or ask counsel.")
