"""Any number a person has in hand, looked up in everything that bears one. Reads only.

Cartons and pieces by their label as scanned; trailers, seals, bills and PROs however their groups are set apart; our
own numbers as T-412, R-0412, P-1234, L-17 or the figures alone. One query per index, whatever it finds.
"""

import re
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from django.db import connection
from django.db.models import Exists, OuterRef, Prefetch, Q
from django.utils.translation import gettext as _

from receiving import identifiers, matching
from receiving.models import Arrival, Carton, Discrepancy, ExceptionSheet, Pallet, SealRecord, Shipment
from receiving.models.base import Compact

MOST = 20
# Filled at start by apps that bring records of their own.
KINDS = []
SHORTEST_BEGINNING = 4
LAST = "\U0010ffff"
OUR_NUMBER = re.compile(r"([TRPL]?)[-\s]?0*([0-9]{1,9})", re.IGNORECASE)


@dataclass(frozen=True)
class Kind:
    """Records of another app that people look for by a number. Each has `site` and `get_absolute_url`.

    need -- what somebody must be granted at a site to find its records
    bearing -- f(reading, sites, exact) gives the records at `sites` that bear the number, else those it begins
    said -- f(record) gives a line on it
    company -- its records are of no site but of the company: `need` is asked for all sites, and `sites` is [None]
    """

    name: str
    title: str
    icon: str
    need: str
    bearing: Callable
    said: Callable
    company: bool = False


@dataclass
class Found:
    """Lists of records that bear the number; `cut` names the lists that had more than MOST.

    exact -- they bear this very number; else they begin with it
    doubt -- what is wrong with the text as a label, or empty
    others -- {name of a Kind: records}
    """

    text: str
    doubt: str = ""
    exact: bool = True
    cartons: list = field(default_factory=list)
    pieces: list = field(default_factory=list)
    trailers: list = field(default_factory=list)
    bills: list = field(default_factory=list)
    seals: list = field(default_factory=list)
    sheets: list = field(default_factory=list)
    pallets: list = field(default_factory=list)
    others: dict = field(default_factory=dict)
    cut: list = field(default_factory=list)

    LISTS = ("cartons", "pieces", "trailers", "bills", "seals", "sheets", "pallets")

    def __bool__(self):
        return any(records for _name, records in self.lists())

    def lists(self):
        """(name, records) of every list, those of other apps at the end."""
        yield from ((name, getattr(self, name)) for name in self.LISTS)
        yield from self.others.items()


def find(text, *, sites, others=()):
    """What at `sites` bears the number, else what begins with it if there are four characters to go by.

    others -- (Kind, its sites) of what else is looked for
    """
    reading = Reading(text)
    found = Found(text, doubt=reading.doubt)
    if not reading.compact:
        return found
    fill(found, exact_queries(reading, sites))
    fill_others(found, reading, others)
    if not found and len(reading.compact) >= SHORTEST_BEGINNING:
        found.exact = False
        fill(found, beginning_queries(reading, sites))
        fill_others(found, reading, others)
    return found


def visits(text, *, sites):
    """The ids of trailers by our number (412, T-412) or the one painted on them, each looked up by its own index."""
    arrivals = Arrival.objects.filter(site__in=sites)
    found = set(arrivals.of_trailer(text).values_list("pk", flat=True))
    if (ours := Reading(text).our("T")) is not None:
        found.update(arrivals.filter(number=ours).values_list("pk", flat=True))
    return sorted(found)


class Reading:
    """One text as it is, as a label, as the beginning of one, as a number without its ornaments, as one of our own.

    doubt -- what is wrong with it as a label, or empty
    """

    def __init__(self, text):
        self.text = plain = "".join(character for character in identifiers.clean(text) if character.isprintable())
        self.compact = identifiers.compact_reference(plain)
        self.ours = OUR_NUMBER.fullmatch(plain)
        self.label, self.doubt, kind = matching.tidy(text), "", "label"
        try:
            kind = identifiers.read_scan(text).kind
        except identifiers.NotValid as error:
            self.doubt = _(error.sentence).format(**error.params)
        # Printed groups of figures drawn together, words as they are.
        digits = self.compact.removeprefix("(00)")
        self.beginning = digits if kind == "label" and digits.isdigit() else self.label

    def our(self, letter):
        """The figures, if the text may be our number of that kind; figures alone may be of any."""
        if self.ours and self.ours[1].upper() in ("", letter):
            return int(self.ours[2])
        return None


def begins(name, beginning):
    """The condition that the text in column `name` begins so, in the form that this database answers by index."""
    if connection.vendor == "postgresql":
        return Q(**{f"{name}__startswith": beginning})
    return Q(**{f"{name}__gte": beginning, f"{name}__lt": beginning + LAST})


# -- which queries -----------------------------------------------------------------------------------------------------


def exact_queries(reading, sites):
    yield "cartons", cartons(sites).filter(label=reading.label).order_by("-pk")
    yield "pieces", pieces(sites).filter(label=reading.label).order_by("-pk")
    yield "trailers", bearing(trailers(sites), "trailer_number", reading.compact).order_by("-pk")
    for name, rows, column in set_apart(sites):
        yield name, bearing(rows, column, reading.compact).order_by("-pk")
    for letter, name, rows in (
        ("P", "pieces", pieces(sites)),
        ("T", "trailers", trailers(sites)),
        ("R", "sheets", sheets(sites)),
        ("L", "pallets", pallets(sites)),
    ):
        if (number := reading.our(letter)) is not None:
            yield name, rows.filter(number=number)


def beginning_queries(reading, sites):
    yield "cartons", cartons(sites).filter(begins("label", reading.beginning)).order_by("label", "-pk")
    yield "pieces", pieces(sites).filter(begins("label", reading.beginning)).order_by("label", "-pk")
    yield "trailers", beginning(trailers(sites), "trailer_number", reading.compact)
    for name, rows, column in set_apart(sites):
        yield name, beginning(rows, column, reading.compact)


def bearing(rows, column, compact):
    return rows.alias(bare=Compact(column)).filter(bare=compact)


def beginning(rows, column, compact):
    # In an order of its own: by age, the database might read the whole table backwards.
    return rows.alias(bare=Compact(column)).filter(bare__gte=compact, bare__lt=compact + LAST).order_by("bare", "-pk")


def set_apart(sites):
    """Numbers on papers and seals: they have no site of their own, so each is found first and then asked for it."""
    of_site = Exists(Arrival.objects.filter(pk=OuterRef("arrival"), site__in=sites))
    bills = Shipment.objects.filter(of_site).select_related("arrival__site", "account")
    seals = SealRecord.objects.filter(of_site).select_related("arrival__site")
    yield "bills", bills, "bill_number"
    yield "bills", bills, "pro_number"
    yield "seals", seals, "number_on_seal"
    yield "seals", seals, "number_on_paper"


def cartons(sites):
    logged = Discrepancy.objects.select_related("site").order_by("pk")
    return (
        Carton.objects.filter(site__in=sites)
        .select_related("site", "arrival", "shipment", "store", "new_store", "received_by", "pallet")
        .prefetch_related(Prefetch("discrepancies", logged, to_attr="logged"))
    )


def pieces(sites):
    return Discrepancy.objects.filter(site__in=sites).select_related("site", "arrival", "store", "new_store")


def trailers(sites):
    return Arrival.objects.filter(site__in=sites).select_related("site", "carrier", "door")


def sheets(sites):
    return ExceptionSheet.objects.filter(site__in=sites).select_related("site", "arrival")


def pallets(sites):
    return Pallet.objects.filter(site__in=sites).select_related("site", "store")


# -- what they found ---------------------------------------------------------------------------------------------------


def fill(found, named):
    """Each record once, though its number be on the paper and on the seal; a carton's pieces with the carton only."""
    records = defaultdict(dict)
    for name, rows in named:
        records[name] |= {row.pk: row for row in rows[: MOST + 1]}
    for name, rows in records.items():
        setattr(found, name, list(rows.values())[:MOST])
        if len(rows) > MOST:
            found.cut.append(name)
    shown_there = {piece.pk for carton in found.cartons for piece in carton.logged}
    found.pieces = [piece for piece in found.pieces if piece.pk not in shown_there]


def fill_others(found, reading, others):
    for kind, sites in others:
        rows = list(kind.bearing(reading, sites, found.exact)[: MOST + 1]) if sites else []
        found.others[kind.name] = rows[:MOST]
        if len(rows) > MOST:
            found.cut.append(kind.name)
