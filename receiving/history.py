"""A piece's versions told as differences, in the words of the page. Reads only."""

from dataclasses import dataclass
from datetime import datetime

from django.utils.translation import get_language
from django.utils.translation import gettext as _

from receiving.models import Arrival, Carton, Discrepancy, DiscrepancyVersion, Shipment, Store

NAMED = {
    "arrival": Arrival,
    "shipment": Shipment,
    "carton": Carton,
    "store": Store,
    "new_store": Store,
    "matched": Discrepancy,
}
UNTOLD = {"settled_note"}


@dataclass(frozen=True)
class Difference:
    """One fact that a version changed, as words; empty where there was or is nothing."""

    name: str
    before: str
    after: str


@dataclass(frozen=True)
class Step:
    """One version: who, when, why, and what differs from the version before; the first has no differences."""

    version: int
    actor: str
    at: datetime
    reason: str
    differences: list


def steps(piece):
    """All versions of a piece, oldest first. Four queries at most, however many versions there are."""
    versions = list(DiscrepancyVersion.objects.filter(discrepancy=piece).select_related("actor").order_by("version"))
    names = named(versions)
    found, before = [], None
    for version in versions:
        differences = [] if before is None else list(compare(before, version.facts, names))
        found.append(Step(version.version, str(version.actor), version.at, version.reason, differences))
        before = version.facts
    return found


def named(versions):
    """{(fact, id): words} for the records that any version names."""
    wanted = {name: {version.facts.get(name) for version in versions} - {None} for name in NAMED}
    found = {}
    for name, ids in wanted.items():
        if len(ids) > 1 or (ids and len(versions) > 1):
            for pk, row in NAMED[name].objects.in_bulk(ids).items():
                found[name, pk] = str(row)
    return found


def compare(before, after, names):
    for name in after:
        if name in UNTOLD or before.get(name) == after[name]:
            continue
        yield Difference(verbose(name), words(name, before.get(name), names), words(name, after[name], names))


def verbose(name):
    special = {
        "state": _("state"),
        "kind": _("what is wrong"),
        "arrival": _("trailer"),
        "shipment": _("bill"),
        "carton": _("carton of the list"),
        "store": _("store printed first"),
        "new_store": _("new store"),
        "food_hold": _("food held"),
        "matched": _("matched with"),
    }
    return special.get(name) or str(Discrepancy._meta.get_field(name).verbose_name)


def words(name, value, names):
    if value in (None, "", []):
        return ""
    if name in NAMED:
        return names.get((name, value), "")
    if name == "codes":
        return ", ".join(f"{code['code']} {code_words(code)}" for code in value)
    if isinstance(value, bool):
        return _("yes") if value else _("no")
    choices = dict(Discrepancy._meta.get_field(name).flatchoices)
    return str(choices.get(value, value))


def code_words(code):
    """A code's label as it was copied, in the language of the page where there was one."""
    spanish = (get_language() or "").startswith("es")
    return (spanish and code.get("label_es")) or code["label"]
