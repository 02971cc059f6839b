"""The site's lists and facts, and the company's: the only writer of Site, Store, Door, DamageCode, Carrier, Account.

Nothing is deleted; what is not wanted any more is taken out of use. A change carries the fingerprint of what its
author saw, so that of two people at once one wins and the other is told. Each change is an event in the chain of the
site it was made from; that holds for the company-wide lists too, which have no chain of their own.
"""

import copy
from contextlib import contextmanager
from dataclasses import dataclass

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import Exists, OuterRef
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from receiving import evidence, rules
from receiving.identifiers import NotValid, scac
from receiving.models import Account, Arrival, Carrier, DamageCode, Door, Site, Store
from receiving.refusals import ChangedMeanwhile, Refused

SITE_FACTS = (
    "name",
    "address",
    "time_zone",
    "currency",
    "weight_unit",
    "paper",
    "minimum_claim",
    "write_off_limit",
    "claimant_name",
    "claimant_signatory",
    "claimant_email",
    "claimant_phone",
    "responsible_person",
    "responsible_phone",
    "asks_four_checks",
)
UNITS = ("currency", "weight_unit")


@dataclass(frozen=True)
class Kind:
    """One list. `key` tells its records apart, whatever their case; `facts` are what people fill in."""

    name: str
    model: type[models.Model]
    title: str
    facts: tuple[str, ...]
    key: tuple[str, ...]
    need: str = rules.SET_UP

    @property
    def of_site(self):
        return self.need == rules.SET_UP

    @property
    def order(self):
        return ("order", "code", "pk") if self.model is DamageCode else (*self.key, "pk")

    @property
    def one(self):
        """What an event calls one record."""
        return self.model._meta.model_name


CODES = Kind(
    "codes",
    DamageCode,
    gettext_lazy("Damage codes"),
    ("code", "label", "label_es", "order", "min_photos", "default_disposition", "stop_card"),
    ("code",),
)
DOORS = Kind("doors", Door, gettext_lazy("Doors"), ("label",), ("label",))
STORES = Kind("stores", Store, gettext_lazy("Stores"), ("account", "number", "name"), ("account", "number"))
CARRIERS = Kind(
    "carriers",
    Carrier,
    gettext_lazy("Carriers and brokers"),
    ("name", "scac", "kind", "claims_email", "address", "phone"),
    ("name",),
    rules.COMPANY,
)
ACCOUNTS = Kind(
    "accounts",
    Account,
    gettext_lazy("Accounts"),
    (
        "legal_name",
        "address",
        "who_claims",
        "payee",
        "passed_on",
        "signatory",
        "email",
        "phone",
        "authority",
        "food",
        "fragile",
    ),
    ("legal_name",),
    rules.COMPANY,
)
KINDS = {kind.name: kind for kind in (CODES, DOORS, STORES, CARRIERS, ACCOUNTS)}
WORDS = ("code", "label", "label_es")


class Twin(Refused):
    """The list has that one already."""


class InUse(Refused):
    """Records name it, so it stays as it is."""


def records(kind, site):
    """Every record of the list that `site` may see, out of use too."""
    return kind.model._default_manager.filter(**({"site": site} if kind.of_site else {}))


def live(kind, queryset):
    return queryset.in_use() if kind is CODES else queryset.filter(active=True)


def is_live(record):
    return record.retired_at is None if isinstance(record, DamageCode) else record.active


def fingerprint(record, names):
    """What somebody saw, as sixteen characters: compared before a change is made."""
    told = evidence.facts(record, names) | ({} if isinstance(record, Site) else {"live": is_live(record)})
    return evidence.sha256(evidence.canonical(told))[:16]


def fixed(record):
    """The facts that may not change any more, because records name them."""
    if isinstance(record, Store):
        return ("account", "number")
    if isinstance(record, DamageCode) and record.used_at:
        return WORDS
    if isinstance(record, Door) and Arrival.objects.filter(door=record).exists():
        return ("label",)
    if isinstance(record, Site) and Arrival.objects.filter(site=record).exists():
        return UNITS
    return ()


# -- One record --------------------------------------------------------------------------------------------------------


def add(kind, *, site, facts, actor, at):
    """A new record of the list. Raises Twin, or Refused where a fact is no good."""
    record = build(kind, site, facts)
    with guarded(kind), transaction.atomic():
        refuse_twin(kind, site, record)
        record.save(force_insert=True)
        tell(kind, "added", record, site=site, actor=actor, at=at, after=evidence.facts(record, kind.facts))
    return record


def build(kind, site, facts, **more):
    owner = {"site": site} if kind.of_site else {}
    record = kind.model(**tidied(facts), **owner, **more)
    refuse_unfit(record, kind.facts)
    return record


def change(kind, record, *, facts, seen, site, actor, at):
    """Other facts for a record. `seen` is the fingerprint of what the author looked at."""
    return amend(records(kind, site), record, facts, seen, names=kind.facts, kind=kind, site=site, actor=actor, at=at)


def change_site(site, *, facts, seen, actor, at):
    """The site's own facts. Currency and weight unit stay once trailers were recorded in them."""
    return amend(Site.objects, site, facts, seen, names=SITE_FACTS, kind=None, site=site, actor=actor, at=at)


def amend(queryset, record, facts, seen, *, names, kind, site, actor, at):
    current = queryset.get(pk=record.pk)
    was = evidence.facts(current, names)
    changed = copy.copy(current)
    for name, value in tidied(facts).items():
        setattr(changed, name, value)
    before, after = evidence.changed(was, evidence.facts(changed, names))
    if fingerprint(current, names) != seen:
        raise changed_meanwhile(current, after)
    if not after:
        return current
    refuse_fixed(current, after)
    refuse_unfit(changed, names)
    with guarded(kind), transaction.atomic():
        if kind:
            refuse_twin(kind, site, changed)
        if not as_seen(queryset, current, was, after).update(**after):
            raise changed_meanwhile(queryset.get(pk=record.pk), after)
        tell(kind, "changed", changed, site=site, actor=actor, at=at, before=before, after=after)
    return changed


def as_seen(queryset, current, was, after):
    """The row, if nobody changed it or began to use it since: the condition of the UPDATE itself."""
    row = queryset.filter(pk=current.pk, **was)
    if isinstance(current, DamageCode):
        return row.filter(retired_at=current.retired_at, used_at=current.used_at)
    if isinstance(current, Door) and "label" in after:
        return row.filter(~Exists(Arrival.objects.filter(door=OuterRef("pk"))))
    if isinstance(current, Site) and after.keys() & set(UNITS):
        return row.filter(~Exists(Arrival.objects.filter(site=OuterRef("pk"))))
    return row


def take_out(kind, record, *, site, actor, at):
    """Out of use: what was recorded with it stays, nothing new can name it."""
    refuse_busy_door(record)
    out = {"retired_at": at} if kind is CODES else {"active": False}
    with transaction.atomic():
        if not live(kind, records(kind, site).order_by()).filter(pk=record.pk).update(**out):
            raise ChangedMeanwhile(_("%(name)s is out of use already.") % {"name": record})
        tell(kind, "taken_out", record, site=site, actor=actor, at=at, before={"live": True}, after={"live": False})
    record.refresh_from_db()
    return record


def bring_back(kind, record, *, site, actor, at):
    """In use again. A damage code comes back as a new one of the same words that replaces the old."""
    if kind is CODES:
        return replace_code(record, facts={name: getattr(record, name) for name in CODES.facts}, actor=actor, at=at)
    with transaction.atomic():
        if not records(kind, site).filter(pk=record.pk, active=False).update(active=True):
            raise ChangedMeanwhile(_("%(name)s is in use already.") % {"name": record})
        tell(kind, "brought_back", record, site=site, actor=actor, at=at, before={"live": False}, after={"live": True})
    record.refresh_from_db()
    return record


def replace_code(code, *, facts, actor, at):
    """A new damage code in place of `code`, which is retired if it is still in use."""
    new = build(CODES, code.site, facts, replaces=code)
    with guarded(CODES), transaction.atomic():
        retired = DamageCode.objects.filter(pk=code.pk, retired_at__isnull=True).update(retired_at=at)
        refuse_twin(CODES, code.site, new)
        new.save(force_insert=True)
        tell(
            CODES,
            "replaced",
            new,
            site=code.site,
            actor=actor,
            at=at,
            before=evidence.facts(code, CODES.facts) | {"record": evidence.name_of(code), "retired_now": bool(retired)},
            after=evidence.facts(new, CODES.facts),
        )
    return new


# -- Many records ------------------------------------------------------------------------------------------------------


def take_in(kind, *, site, added, changed, file, actor, at):
    """An imported list: all of it or nothing, one event.

    added -- unsaved records; changed -- (record as it is, before, after) with only the facts that differ
    """
    with guarded(kind), transaction.atomic():
        for record, before, after in changed:
            if not as_seen(records(kind, site), record, before, after).update(**after):
                raise ChangedMeanwhile(
                    _("%(name)s was changed since you looked. Nothing was taken in; look at the list again.")
                    % {"name": record}
                )
        kind.model._default_manager.bulk_create(added)
        names = (*kind.facts, *(() if kind is CODES else ("active",)))
        evidence.append(
            site=site,
            verb=f"{kind.one}.imported",
            record=kind.name,
            actor=actor,
            at=at,
            before={evidence.name_of(record): before for record, before, _after in changed},
            after={
                "file": file,
                "added": [evidence.facts(record, names) for record in added],
                "changed": {evidence.name_of(record): after for record, _before, after in changed},
            },
        )


# -- What is refused ---------------------------------------------------------------------------------------------------


def tidied(facts):
    """Blanks drawn together in one-line texts; codes and alpha codes in capitals. Raises Refused at an alpha code."""
    clean = {name: tidy(name, value) for name, value in facts.items()}
    if clean.get("code"):
        clean["code"] = clean["code"].upper()
    if clean.get("scac"):
        try:
            clean["scac"] = scac.validate(clean["scac"])
        except NotValid as why:
            raise Refused(_(why.sentence).format(**why.params), code=why.code, field="scac") from why
    return clean


def tidy(name, value):
    if not isinstance(value, str):
        return value
    if name == "address":
        return "\n".join(" ".join(line.split()) for line in value.strip().splitlines())
    return " ".join(value.split())


def refuse_unfit(record, names):
    """The first fact the model itself does not allow, as a sentence at its field."""
    others = [field.name for field in record._meta.fields if field.name not in names]
    try:
        record.clean_fields(exclude=others)
    except ValidationError as why:
        field, errors = next(iter(why.error_dict.items()))
        sentence = " ".join(ValidationError(errors).messages)
        name = capfirst(record._meta.get_field(field).verbose_name)
        raise Refused(f"{name}: {sentence}", code=errors[0].code or "invalid", field=field) from why
    if isinstance(record, DamageCode) and record.min_photos > 9:
        raise Refused(_("A damage code can ask for 9 photos at most."), code="too_many_photos", field="min_photos")
    for limit in ("minimum_claim", "write_off_limit"):
        if limit in names and getattr(record, limit) < 0:
            raise Refused(_("An amount cannot be below zero."), code="negative", field=limit)


def key_of(kind, record):
    """What tells a record apart in its list, so that “birch” and “Birch” are one."""
    return tuple(str(value).casefold() for value in evidence.facts(record, kind.key).values())


def by_key(kind, site):
    """{key: record} of the list; of damage codes only those in use."""
    found = records(kind, site)
    found = live(kind, found) if kind is CODES else found
    found = found.select_related("account") if kind is STORES else found
    return {key_of(kind, record): record for record in found}


def refuse_twin(kind, site, record):
    other = by_key(kind, site).get(key_of(kind, record))
    if other is None or other.pk == record.pk:
        return
    raise Twin(twin_sentence(other), code="twin", field=kind.key[-1])


def twin_sentence(other):
    if is_live(other):
        return _("“%(name)s” is in the list already. Change that one, or use another name.") % {"name": other}
    return _("“%(name)s” is in the list, out of use. Bring it back instead.") % {"name": other}


@contextmanager
def guarded(kind):
    """Turns the database's own refusal of a twin, written between our look and our write, into a sentence."""
    try:
        yield
    except IntegrityError as error:
        if kind is None:
            raise
        raise Twin(
            _("Somebody else has just added the same. Look at the list again."), code="twin", field=kind.key[-1]
        ) from error


def refuse_fixed(record, after):
    held = [name for name in fixed(record) if name in after]
    if held:
        raise InUse(fixed_sentence(record), code="in_use", field=held[0])


def fixed_sentence(record):
    if isinstance(record, DamageCode):
        return _(
            "Pieces were logged with %(code)s, so its code and words stay. Replace it: that retires it and adds a new "
            "one."
        ) % {"code": record.code}
    if isinstance(record, Door):
        return _(
            "Trailers were at door %(door)s, so its label stays. Take it out of use and add a door with the new label."
        ) % {"door": record.label}
    if isinstance(record, Store):
        return _(
            "Lists and pieces name store %(number)s, so number and account stay. Take it out of use and add the right "
            "one."
        ) % {"number": record.number}
    return _("Trailers were recorded in this currency and weight unit, so both stay: old figures would change meaning.")


def refuse_busy_door(record):
    busy = isinstance(record, Door) and Arrival.objects.open().filter(door=record).first()
    if busy:
        raise InUse(
            _("Trailer %(trailer)s is at door %(door)s. Take the door out of use when it has left.")
            % {"trailer": busy.trailer_number, "door": record.label},
            code="door_busy",
        )


def changed_meanwhile(current, after):
    """Told with what stands there now, for every fact the author wanted to change."""
    now = "; ".join(
        f"{current._meta.get_field(name).verbose_name}: {shown(current, name) or '–'}" for name in sorted(after)
    )
    return ChangedMeanwhile(
        _("Somebody else changed this meanwhile. It says now: %(now)s. Save again to put yours in its place.")
        % {"now": now or current}
    )


def shown(record, name):
    """A fact in words: the label of a choice, the name of a record, yes or no."""
    field = record._meta.get_field(name)
    if field.choices:
        return getattr(record, f"get_{name}_display")()
    value = getattr(record, name)
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    return str(value)


def cautions(kind, site, record):
    """Sentences about what only looks odd: an alpha code that is short, or that another carrier has too."""
    if kind is not CARRIERS or not record.scac:
        return []
    found = [_(caution.sentence).format(**caution.params) for caution in scac.warnings(record.scac)]
    same = Carrier.objects.filter(scac=record.scac).exclude(pk=record.pk).order_by("name").first()
    if same:
        found.append(_("%(other)s has the alpha code %(scac)s too.") % {"other": same, "scac": record.scac})
    return found


def tell(kind, verb, record, *, site, actor, at, before=None, after=None):
    name = kind.one if kind else "site"
    evidence.append(site=site, verb=f"{name}.{verb}", record=record, actor=actor, at=at, before=before, after=after)
