"""The rows of a load list: which column is what, and every cell read as what it claims to be, or refused by a sentence.

Pure: a `Table` goes in, a `Manifest` comes out; what it means for stores and trailers is `receiving.load_list`'s.
Works by columns, each distinct text read once: a list of 20,000 rows is read in a fraction of a second.
"""

import hashlib
import json
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from typing import NamedTuple

from django.utils.text import normalize_newlines
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from receiving import identifiers
from receiving.documents.tables import Mark, Table

FIELDS = {
    "label": gettext_lazy("carton id"),
    "store": gettext_lazy("store"),
    "purchase_order": gettext_lazy("purchase order"),
    "description": gettext_lazy("description"),
    "pieces": gettext_lazy("cartons with this label"),
    "weight": gettext_lazy("weight of one carton"),
    "unit_value": gettext_lazy("value of one unit"),
    "units": gettext_lazy("units in a carton"),
    "hazmat": gettext_lazy("hazardous material"),
    "food": gettext_lazy("food"),
    "fragile": gettext_lazy("fragile"),
    "flags": gettext_lazy("marks in words"),
}
REQUIRED = ("label", "store")

# How people head their columns, most telling first; ours, from the trade's words in English and Spanish.
HEADINGS = {
    "label": "sscc sscc18 serialshippingcontainer licenseplate licenceplate cartonserial cartonlabel cartonbarcode "
    "carton case box ctn label barcode serial lpn etiquetacaja caja bulto etiqueta barras matricula serie",
    "store": "storenumber store shiptostore deliverystore destinationstore shipto deliverto dest destination branch "
    "outlet shop loc location tienda destino sucursal entregara tda",
    "purchase_order": "purchaseorder po customerorder order ordencompra pedido orden oc",
    "description": "description desc itemdescription productdescription goods contents item product article commodity "
    "descripcion contenido producto articulo mercancia",
    "pieces": "pieces pcs pc cartons ctns cases boxes cartoncount cartonqty cartonquantity qty quantity count "
    "piezas cajas bultos cantidad cant",
    "weight": "cartonweight weight wt wgt grossweight grosswt pesocaja peso pesobruto kilos",
    "unit_value": "unitvalue valueperunit unitcost costperunit unitprice priceperunit value cost price valorunitario "
    "costounitario costeunitario preciounitario valor costo coste precio",
    "units": "unitspercarton unitspercase unitsperbox unitsperpack eachespercarton casepack packsize pack units eaches "
    "unidadesporcaja unidadescaja piezasporcaja unidades empaque",
    "hazmat": "hazmat hazardous hazardousmaterial hazardousmaterials dangerousgoods haz dg hm un peligroso "
    "materialpeligroso",
    "food": "food foodstuff edible grocery alimento alimentos comestible",
    "fragile": "fragile breakable fragil quebradizo",
    "flags": "flags flag marks handlingmarks handling marcas indicadores",
}
RANKS = {word: (name, rank) for name, words in HEADINGS.items() for rank, word in enumerate(words.split())}
FILLERS = frozenset("no nr nbr num number id code the of numero codigo de del la el".split())
UNITS = {"lb": "lb", "lbs": "lb", "pounds": "lb", "libras": "lb", "kg": "kg", "kgs": "kg", "kilos": "kg"}
CURRENCY_SIGNS = {"USD": "$", "CAD": "$", "MXN": "$", "EUR": "€", "GBP": "£"}
LB_IN_KG = Decimal("0.45359237")

YES = frozenset("yes y true t 1 x si s verdadero v ✓ ✔".split())
NO = frozenset(["no", "n", "false", "f", "0", "", "-", "falso", "none", "ninguno"])
FLAG_WORDS = {
    **dict.fromkeys("hazmat haz hm dg hazardous dangerous peligroso matpel".split(), "hazmat"),
    **dict.fromkeys("food alimento alimentos comestible".split(), "food"),
    **dict.fromkeys("fragile fragil glass vidrio breakable".split(), "fragile"),
}
UN_NUMBER = re.compile(r"(UN|NA|ID)?\s?\d{4}", re.IGNORECASE)
TOTAL = re.compile(r"(grand |sub ?)?total(es)?( general)?:?", re.IGNORECASE)

MAX_LABEL, MAX_STORE, MAX_ORDER, MAX_DESCRIPTION = 48, 12, 40, 120
MAX_PIECES, MAX_UNITS = 9_999, 1_000_000
# Control characters, invisible ones, and those that turn the reading direction.
UNSEEN = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u200b-\\u200f\\u2028-\\u202e\\u2060-\\u2069\\ufeff\\ud800-\\udfff]")

POINT = re.compile(r"(?:[0-9]+|[1-9][0-9]{0,2}(?:[,'\s][0-9]{3})+)(?:\.[0-9]+)?|\.[0-9]+")
COMMA = re.compile(r"(?:[0-9]+|[1-9][0-9]{0,2}(?:[.'\s][0-9]{3})+)(?:,[0-9]+)?|,[0-9]+")
SCIENTIFIC = re.compile(r"[-+]?[0-9]+(?:[.,][0-9]+)?e[-+]?[0-9]+", re.IGNORECASE)
NEGATIVE = re.compile(r"[-−‐–]\s*[0-9.,]+|\(\s*[0-9.,]+\s*\)|[0-9.,]+\s*[-−]")


class Unfit(Exception):
    """A cell that cannot be what its column says: `code` for scripts, the text for people."""

    def __init__(self, code: str, reason: str) -> None:
        super().__init__(reason)
        self.code = code
        self.reason = reason


class BadRow(NamedTuple):
    """One thing wrong in one line. `column` is its heading as the file has it, `value` what stands there."""

    line: int
    column: str
    value: str
    reason: str
    code: str


class Line(NamedTuple):
    """One label of the list: `expected` cartons carry it. Weight in the site's unit; money in its currency."""

    line: int
    label: str
    store: str
    purchase_order: str
    description: str
    weight: Decimal | None
    unit_value: Decimal | None
    units: int | None
    hazmat: bool
    food: bool
    fragile: bool
    expected: int


@dataclass
class Manifest:
    """What a file says. `lines` are the good rows, repeated labels merged; `rows` counts the rows that were read."""

    rows: int = 0
    lines: list[Line] = field(default_factory=list)
    bad: list[BadRow] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    repeated: int = 0

    @property
    def cartons(self) -> int:
        return sum(line.expected for line in self.lines)

    @property
    def bad_lines(self) -> int:
        return len({row.line for row in self.bad})


# -- Which column is what ------------------------------------------------------------------------------------------------


def words(heading: str) -> list[str]:
    """`Ship-To Store #` -> ship to store; accents, case and signs do not matter."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", heading)
    plain = unicodedata.normalize("NFKD", spaced).casefold()
    return re.findall(r"[a-z0-9]+", "".join(c for c in plain if not unicodedata.combining(c)))


def meaning(heading: str) -> tuple[str, int] | None:
    """(field, rank) of a heading, the telling ones with a low rank; None for one we do not know."""
    said = words(heading)
    told = [word for word in said if word not in FILLERS and word not in UNITS] or said
    compact = "".join(told)
    found = RANKS.get(compact) or RANKS.get("".join(said))
    for ending in ("id", "no", "number", "num", "nbr", "code"):
        found = found or RANKS.get(compact.removesuffix(ending))
    return found


def recognise_headings(headings: Sequence[str]) -> tuple[dict[str, int], list[str]]:
    """{field: column} as far as the headings tell, and sentences about what they leave open."""
    claims = defaultdict(list)
    for column, heading in enumerate(headings):
        if found := meaning(heading):
            claims[found[0]].append((found[1], column))
    mapping, remarks = {}, []
    for name, found in claims.items():
        found.sort()
        if len(found) > 1 and found[0][0] == found[1][0]:
            remarks.append(
                _("Columns %(columns)s could all be the %(field)s. Choose one.")
                % {"columns": quoted(headings[column] for _rank, column in found), "field": FIELDS[name]}
            )
            continue
        mapping[name] = found[0][1]
    return mapping, remarks


def fingerprint(headings: Sequence[str]) -> str:
    """SHA-256 that is the same for the same headings in the same order, whatever their case and signs."""
    return hashlib.sha256(json.dumps([words(heading) for heading in headings]).encode()).hexdigest()


def quoted(texts) -> str:
    return ", ".join(f"“{text}”" for text in texts)


# -- Cells -----------------------------------------------------------------------------------------------------------------


def tidy(text: str) -> str:
    """Blanks and line ends drawn together. What cannot be seen is refused, not dropped."""
    tidied = " ".join(normalize_newlines(text).split()) if text else ""
    if UNSEEN.search(tidied):
        raise Unfit(
            "unseen", _("There is a character in it that cannot be seen. Type the cell anew and upload the file again.")
        )
    return tidied


def text_reader(limit: int) -> Callable[[str], str]:
    def read(text: str) -> str:
        tidied = tidy(text)
        if len(tidied) > limit:
            raise Unfit(
                "too_long",
                _("It is %(length)s characters long; the most is %(limit)s. Shorten it, or leave the column out.")
                % {"length": len(tidied), "limit": limit},
            )
        return tidied

    return read


def read_store(text: str) -> str:
    if not (store := text_reader(MAX_STORE)(text)):
        raise Unfit("store_missing", _("The store is missing. Every carton needs one."))
    return store


def read_yes(text: str) -> bool:
    word = "".join(words(text)) or text.strip()
    if word in YES or UN_NUMBER.fullmatch(text.strip()):
        return True
    if word in NO:
        return False
    raise Unfit("not_yes_or_no", _("This is neither yes nor no. Write yes, no, or nothing."))


def read_flags(text: str) -> frozenset[str]:
    found = set()
    for part in re.split(r"[,;/|+\s]+", text.strip()):
        word = "".join(words(part))
        if word in NO:
            continue
        if word not in FLAG_WORDS:
            raise Unfit(
                "unknown_flag", _("“%(word)s” is no mark we know. Write hazmat, food or fragile.") % {"word": part}
            )
        found.add(FLAG_WORDS[word])
    return frozenset(found)


class Both(NamedTuple):
    """A number that a decimal point and a decimal comma read differently."""

    point: Decimal
    comma: Decimal


def read_number(text: str) -> Decimal | Both | None:
    """The number, None for an empty cell, or `Both` where it depends on which sign is the decimal one."""
    if not (text := text.strip()):
        return None
    point = plain_number(text, POINT, ".") if POINT.fullmatch(text) else None
    comma = plain_number(text, COMMA, ",") if COMMA.fullmatch(text) else None
    if point is None and comma is None:
        raise not_a_number(text)
    if point is None or comma is None or point == comma:
        return comma if point is None else point
    return Both(point, comma)


def plain_number(text: str, pattern: re.Pattern, decimal: str) -> Decimal:
    digits = "".join(c for c in text if c in "0123456789" or c == decimal)
    return Decimal(digits.replace(",", "."))


def not_a_number(text: str) -> Unfit:
    if SCIENTIFIC.fullmatch(text):
        return Unfit(
            "scientific", _("A spreadsheet shortened this number. Format the column as a number and save again.")
        )
    if NEGATIVE.fullmatch(text):
        return Unfit("negative", _("It is negative. Write a number of nought or more, or leave it empty."))
    return Unfit("not_a_number", _("This is not a number. Write digits only, for example 12.50."))


def style_of(text: str) -> str:
    """Which sign is the decimal one in a number that leaves no choice; "" where it tells nothing."""
    point, comma = POINT.fullmatch(text), COMMA.fullmatch(text)
    if bool(point) == bool(comma):
        return ""
    return "." if point else ","


def settle(number, text: str, style: str) -> Decimal | None:
    if not isinstance(number, Both):
        return number
    if style == ".":
        return number.point
    if style == ",":
        return number.comma
    raise Unfit(
        "ambiguous",
        _("It can be read as %(point)s or as %(comma)s. Say above which sign is the decimal one, or write it without.")
        % {"point": f"{number.point:f}", "comma": f"{number.comma:f}"},
    )


def amount(number: Decimal | None, *, step: str, below: int) -> Decimal | None:
    if number is None:
        return None
    if number >= below:
        raise Unfit("too_large", _("It is too large; it must be below %(limit)s.") % {"limit": f"{below:,}"})
    return number.quantize(Decimal(step), rounding=ROUND_HALF_UP)


def whole(number: Decimal | None, *, most: int, least: int = 0) -> int | None:
    if number is None:
        return None
    if number != number.to_integral_value():
        raise Unfit("not_whole", _("It is not a whole number."))
    if not least <= number <= most:
        raise Unfit(
            "out_of_range", _("It must be between %(least)s and %(most)s.") % {"least": least, "most": f"{most:,}"}
        )
    return int(number)
