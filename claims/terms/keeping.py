"""The only writer of `Terms` and its periods.

Two terms of one scope never hold on one day: whoever writes waits for the others at the head of a chain, their site's
or for the company's terms the first site's, and looks then. Terms that a claim goes by keep their words: they are
ended, or retired and replaced. Each change is an event in the chain of the site it was made from.
"""

import copy
import re

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, F, OuterRef, Q
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from claims.calendars import UnknownCalendar, check_place
from claims.deadlines import Period, WrongPeriod
from claims.enums import LimitBasis
from claims.models import Claim, Terms, TermsPeriod
from claims.terms import words
from claims.terms.choosing import bare
from claims.terms.reading import FACTS, PERIOD
from claims.terms.reading import periods as periods_of
from receiving import evidence, rules, setup
from receiving.models import Site
from receiving.refusals import ChangedMeanwhile, Refused

LOOSE = ("valid_until", "note")  # may change while claims go by the terms
WEIGHED = (
    LimitBasis.PIECES_WEIGHT,
    LimitBasis.DAMAGED_WEIGHT,
    LimitBasis.SHORT_WEIGHT,
    LimitBasis.SHIPMENT_WEIGHT,
)
CURRENCY = re.compile("[A-Z]{3}")


class Overlap(Refused):
    """Other terms of the same scope hold on some of the same days."""


class InUse(Refused):
    """Claims go by these terms, so their words stay."""


def need(terms) -> str:
    """What somebody must be granted to write these terms."""
    return rules.COMPANY if terms.site_id is None else rules.TERMS


def is_used(terms) -> bool:
    return Claim.objects.filter(terms=terms).exists()


# -- Steps -------------------------------------------------------------------------------------------------------------


@transaction.atomic
def create(*, facts, periods, site, actor, at, template="") -> Terms:
    """New terms. Raises Overlap, or Refused where a fact is no good.

    facts -- columns of `Terms` by name; its `site` is None for the whole company, or `site` itself
    periods -- a dict of columns of `TermsPeriod` each, or a `Period`, in their order
    site -- where it is done, whose log tells of it
    template -- key of the start it was copied from
    """
    terms, counted = made(facts, periods, template)
    write(terms, counted)
    tell("added", terms, site=site, actor=actor, at=at, after=told(terms, counted))
    return terms


@transaction.atomic
def revise(terms, *, facts, periods, seen, site, actor, at) -> Terms:
    """Other words for terms that no claim goes by; of terms in use only the last day and the note change.

    seen -- the version the author looked at

    Raises ChangedMeanwhile, InUse, Overlap, or Refused where a fact is no good.
    """
    current = Terms.objects.get(pk=terms.pk)
    before = told(current, periods_of(current))
    changed = copy.copy(current)
    for name, value in tidied(facts).items():
        setattr(changed, name, value)
    counted = counted_periods(periods)
    refuse_unfit(changed)
    before, after = evidence.changed(before, told(changed, counted))
    if current.version != seen or current.retired_at:
        raise changed_meanwhile(current, after)
    if not after:
        return current
    lock(changed)
    refuse_overlap(changed)
    if not rewritten(current, after):
        raise refusal_of(current, after)
    if "periods" in after:
        TermsPeriod.objects.filter(terms=current).delete()
        write_periods(current, counted)
    tell("changed", changed, site=site, actor=actor, at=at, before=before, after=after)
    changed.refresh_from_db()
    return changed


@transaction.atomic
def replace(terms, *, facts, periods, seen, site, actor, at) -> Terms:
    """New terms in place of these, which are retired: claims that go by the old ones keep them.

    Raises ChangedMeanwhile, Overlap, or Refused where a fact is no good.
    """
    new, counted = made(facts, periods, terms.template)
    put_away(terms, seen, at)
    write(new, counted)
    before = told(terms, periods_of(terms)) | {"record": evidence.name_of(terms)}
    tell("replaced", new, site=site, actor=actor, at=at, before=before, after=told(new, counted))
    return new


@transaction.atomic
def retire(terms, *, seen, site, actor, at) -> Terms:
    """Never chosen again, for bills of any date. Raises ChangedMeanwhile."""
    put_away(terms, seen, at)
    tell("retired", terms, site=site, actor=actor, at=at, before={"live": True}, after={"live": False})
    terms.refresh_from_db()
    return terms


# -- Writing -----------------------------------------------------------------------------------------------------------


def made(facts, periods, template):
    terms = Terms(**tidied(facts), template=template)
    refuse_unfit(terms)
    return terms, counted_periods(periods)


def write(terms, counted):
    lock(terms)
    refuse_overlap(terms)
    terms.save(force_insert=True)
    write_periods(terms, counted)


def write_periods(terms, counted):
    TermsPeriod.objects.bulk_create(
        TermsPeriod(terms=terms, position=position, **{name: getattr(period, name) for name in PERIOD})
        for position, period in enumerate(counted, 1)
    )


def rewritten(current, after):
    """The row's change, if nobody changed it since and no claim goes by what may not change under it."""
    row = Terms.objects.filter(pk=current.pk, version=current.version, retired_at=None)
    if after.keys() - set(LOOSE):
        row = row.filter(~Exists(Claim.objects.filter(terms=OuterRef("pk"))))
    columns = {Terms._meta.get_field(name).attname: value for name, value in after.items() if name != "periods"}
    return row.update(**columns, version=F("version") + 1)


def put_away(terms, seen, at):
    changed = Terms.objects.filter(pk=terms.pk, version=seen, retired_at=None)
    if not changed.update(retired_at=at, version=F("version") + 1):
        raise changed_meanwhile(Terms.objects.get(pk=terms.pk), {})


def lock(terms):
    """Until the transaction ends nobody else writes terms of this site, or of the company."""
    evidence.lock_head(terms.site or Site.objects.order_by("pk").first())


def tell(what, terms, **more):
    evidence.append(verb=f"terms.{what}", record=terms, **more)


def told(terms, counted):
    """What an event says of terms, as JSON has it."""
    spoken = evidence.facts(terms, FACTS) | {"periods": [plain(period) for period in counted]}
    return evidence.plain(settled(terms, spoken))


def settled(terms, spoken):
    # A decimal typed as 8.33 and the same one read back as 8.3300 are no change.
    for name in ("limit_rate", "deductible", "allowance_percent"):
        if spoken[name] is not None:
            spoken[name] = f"{spoken[name].normalize():f}"
    return spoken


def plain(period):
    return {name: value for name, value in period.as_dict().items() if name in PERIOD}


# -- What is refused ---------------------------------------------------------------------------------------------------


def tidied(facts):
    """Blanks drawn together in one-line texts; codes of currencies and countries in capitals."""
    clean = {name: setup.tidy(name, value) if name != "note" else value.strip() for name, value in facts.items()}
    for name in ("limit_currency", "calendar_country", "calendar_subdivision"):
        if clean.get(name):
            clean[name] = clean[name].upper()
    return clean


def counted_periods(periods):
    """The periods as they will be counted. Raises Refused at the first that cannot be."""
    counted = []
    for position, period in enumerate(periods, 1):
        try:
            counted.append(period if isinstance(period, Period) else Period(**period))
        except WrongPeriod as why:
            words = _("Period %(number)s: %(why)s") % {"number": position, "why": why}
            raise Refused(words, code="wrong_period", field=f"periods-{position - 1}-{why.field}") from why
    return counted


def refuse_unfit(terms):
    """The first fact that does not go, as a sentence at its field."""
    try:
        terms.clean_fields(exclude=["carrier", "account", "site"])
    except ValidationError as why:
        name, errors = next(iter(why.error_dict.items()))
        sentence = " ".join(ValidationError(errors).messages)
        label = capfirst(Terms._meta.get_field(name).verbose_name)
        raise Refused(f"{label}: {sentence}", code=errors[0].code or "invalid", field=name) from why
    for name, sentence in unfit(terms):
        raise Refused(sentence, code="unfit", field=name)


def unfit(terms):
    """(field, sentence) of facts that are good each for itself and not together."""
    if terms.valid_until and terms.valid_until < terms.valid_from:
        yield "valid_until", _("The last day lies before the first. Correct one of them, or leave the last day empty.")
    if terms.waives_statute and not terms.waiver:
        yield "waiver", _("Say in which paper and clause the waiver stands, or take the tick away.")
    yield from unfit_limit(terms)
    if terms.deductible < 0:
        yield "deductible", _("An amount cannot be below zero.")
    if not 0 <= terms.allowance_percent <= 100:
        yield "allowance_percent", _("Give a percentage from 0 to 100.")
    try:
        check_place(terms.calendar_country, terms.calendar_subdivision)
    except UnknownCalendar as why:
        yield f"calendar_{why.field}", str(why)


def unfit_limit(terms):
    if terms.limit_basis in (LimitBasis.NONE, LimitBasis.DECLARED_VALUE):
        return
    if terms.limit_rate is None or terms.limit_rate <= 0:
        yield "limit_rate", _("A limit needs its rate, above zero. Give it, or choose “no limit”.")
    if not CURRENCY.fullmatch(terms.limit_currency):
        yield "limit_currency", _("Give the limit's currency in three letters, or XDR for special drawing rights.")
    if terms.limit_basis in WEIGHED and not terms.limit_weight_unit:
        yield "limit_weight_unit", _("A limit by weight needs its unit. Choose lb or kg.")


def refuse_overlap(terms):
    if other := next(overlapping(terms), None):
        raise Overlap(
            _(
                "“%(title)s” hold for the same scope (%(scope)s), for %(dates)s. End those the day before, "
                "or choose other dates or another scope."
            )
            % {"title": other.title, "scope": words.scope(other), "dates": words.dates(other)},
            code="overlap",
            field="valid_from",
        )


def overlapping(terms):
    same = Terms.objects.filter(
        Q(valid_until=None) | Q(valid_until__gte=terms.valid_from),
        retired_at=None,
        carrier=terms.carrier_id,
        account=terms.account_id,
        site=terms.site_id,
        mode=terms.mode,
    )
    if terms.valid_until:
        same = same.filter(valid_from__lte=terms.valid_until)
    rows = same.exclude(pk=terms.pk).select_related("carrier", "account", "site").order_by("valid_from", "pk")
    return (each for each in rows if bare(each.origin) == bare(terms.origin))


def refusal_of(current, after):
    """Why the row did not change: somebody was first, or claims go by it."""
    now = Terms.objects.get(pk=current.pk)
    if now.version != current.version or now.retired_at:
        return changed_meanwhile(now, after)
    held = next(name for name in after if name not in LOOSE)
    return InUse(in_use_sentence(), code="in_use", field=held)


def in_use_sentence():
    return _(
        "Claims go by these terms, so their words stay; the last day and the note can change. Replace them: that "
        "retires these and adds new ones."
    )


def changed_meanwhile(current, after):
    if current.retired_at:
        return ChangedMeanwhile(_("Somebody else has retired these terms meanwhile. Start new ones instead."))
    return setup.changed_meanwhile(current, [name for name in after if name != "periods"])
