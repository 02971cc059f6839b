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
FILLERS = frozenset(re.findall(r"\w+", "no nr nbr num number id code the of numero codigo de del la el"))
UNITS = {"lb": "lb", "lbs": "lb", "pounds": "lb", "libras": "lb", "kg": "kg", "kgs": "kg", "kilos": "kg"}
CURRENCY_SIGNS = {"USD": "$", "CAD": "$", "MXN": "$", "EUR": "€", "GBP": "£"}
LB_IN_KG = Decimal("0.45359237")

YES = frozenset(["yes", "y", "true", "t", "1", "x", "si", "s", "verdadero", "v", "✓", "✔"])
NO = frozenset(["no", "n", "false", "f", "0", "", "-", "falso", "none", "ninguno"])
FLAG_WORDS = {
    **dict.fromkeys(["hazmat", "haz", "hm", "dg", "hazardous", "dangerous", "peligroso", "matpel"], "hazmat"),
    **dict.fromkeys(["food", "alimento", "alimentos", "comestible"], "food"),
    **dict.fromkeys(["fragile", "fragil", "glass", "vidrio", "breakable"], "fragile"),
}
UN_NUMBER = re.compile(r"(UN|NA|ID)?\s?\d{4}", re.IGNORECASE)
TOTAL = re.compile(r"(grand |sub ?)?total(es)?( general)?:?", re.IGNORECASE)

MAX_STORE, MAX_ORDER, MAX_DESCRIPTION = 12, 40, 120
FEW = 5
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
class Stores:
    """The store numbers that a list may name. `add` lets it name new ones; they are gathered in `new` either way."""

    known: frozenset[str] = frozenset()
    retired: frozenset[str] = frozenset()
    add: bool = False
    new: set[str] = field(default_factory=set)
    completed: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.bare = defaultdict(set)
        for number in self.known:
            self.bare[number.lstrip("0")].add(number)

    def read(self, text: str) -> str:
        number = read_store(text)
        if number in self.known:
            return number
        if number in self.retired:
            raise Unfit("retired_store", _("Store %(store)s is not in use any more.") % {"store": number})
        alike = self.bare.get(number.lstrip("0"), ()) if number.isdecimal() else ()
        if len(alike) == 1:
            self.completed[number] = next(iter(alike))
            return self.completed[number]
        self.new.add(number)
        if self.add:
            return number
        raise Unfit(
            "unknown_store",
            _("There is no store %(store)s. Correct it, or tick “add these stores” below.") % {"store": number},
        )


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


# -- Which column is what ----------------------------------------------------------------------------------------------


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


# -- Cells -------------------------------------------------------------------------------------------------------------


def tidy(text: str) -> str:
    """Blanks and line ends drawn together. What cannot be seen is refused, not dropped."""
    if text.isprintable() and "  " not in text:
        return text.strip()
    tidied = " ".join(text.split())
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


def read_label(text: str) -> str:
    """The label as `identifiers.read_scan` gives it; what a spreadsheet has done to it is refused."""
    if is_plain_sscc(text):
        return text
    tidied = tidy(text)
    if not tidied:
        raise Unfit("label_missing", _("The carton id is missing. Every row needs one."))
    if damage := identifiers.spreadsheet_damage(tidied):
        raise unfit(damage)
    return scanned(tidied)


def scanned(text: str) -> str:
    try:
        return identifiers.read_scan(text).label
    except identifiers.NotValid as why:
        raise unfit(why) from why


def unfit(why: identifiers.NotValid | identifiers.Caution) -> Unfit:
    return Unfit(why.code, _(why.sentence).format(**why.params))


def is_plain_sscc(text: str) -> bool:
    """Eighteen digits with the right check digit. The same rule as `identifiers.sscc`, quick enough for every row."""
    if len(text) != 18 or not (text.isascii() and text.isdigit()):
        return False
    digits = text.encode()
    return (3 * sum(digits[0::2]) + sum(digits[1::2]) - 36 * ord("0")) % 10 == 0


def read_marked_label(text: str, mark: Mark) -> str:
    if mark is Mark.FORMULA:
        raise Unfit("formula", _("A formula made this carton id. Replace it by its value, as text, and save again."))
    if mark is not Mark.NUMBER:
        raise Unfit(
            "not_text", _("The cell is no text (%(kind)s). Format it as text and type the id anew.") % {"kind": mark}
        )
    if damage := identifiers.spreadsheet_damage(text, is_number_cell=True):
        raise unfit(damage)
    if not text.isdigit():
        raise Unfit("not_text", _("The cell is a number with a sign. Format it as text and type the id anew."))
    return read_label(text)


def number_cell_sentence() -> str:
    return _(
        "A spreadsheet keeps fifteen digits of a number and loses the rest. Format the column as text, export again."
    )


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
    point = plain_number(text, ".") if POINT.fullmatch(text) else None
    comma = plain_number(text, ",") if COMMA.fullmatch(text) else None
    if point is None and comma is None:
        raise not_a_number(text)
    if point is None or comma is None or point == comma:
        return comma if point is None else point
    return Both(point, comma)


def plain_number(text: str, decimal: str) -> Decimal:
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
        _("It can be read as %(point)s or as %(comma)s. Choose the decimal sign below, or write it without grouping.")
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


# -- Rows --------------------------------------------------------------------------------------------------------------


def read_rows(
    table: Table,
    *,
    mapping: Mapping[str, int],
    stores: Stores,
    decimal: str = "",
    weight_unit: str = "lb",
    currency: str = "USD",
) -> Manifest:
    """Every row of `table` as a line of the list, or in `bad` with its reasons.

    mapping -- {field: column}; must hold REQUIRED
    decimal -- "." or "," where a person has said which sign is the decimal one; "" lets the file tell, if it does
    weight_unit, currency -- the site's; a heading that names the other weight unit has its weights converted
    """
    return _Rows(table, mapping, stores, decimal, weight_unit, currency).manifest()


class _Rows:
    def __init__(self, table, mapping, stores, decimal, weight_unit, currency):
        self.table = table
        self.mapping = mapping
        self.stores = stores
        self.decimal = decimal
        self.weight_unit = weight_unit
        self.currency = currency
        self.remarks = list(table.remarks)
        self.bad: dict[int, list[BadRow]] = defaultdict(list)
        self.marks = defaultdict(dict)
        for (row, column), mark in table.marks.items():
            self.marks[column][row] = mark

    def manifest(self) -> Manifest:
        passed_over = self.rows_passed_over()
        self.check_ragged()
        self.style = self.decimal or self.told_style()
        lines = self.lines()
        if passed_over or self.bad:
            for row in passed_over:
                self.bad.pop(row, None)
            lines = [line for i, line in enumerate(lines) if i not in passed_over and i not in self.bad]
        lines, repeated = self.merged(lines)
        self.remarks.extend(
            _("Store %(short)s was read as %(full)s.") % {"short": short, "full": full}
            for short, full in sorted(self.stores.completed.items())
        )
        bad = sorted(found for rows in self.bad.values() for found in rows)
        return Manifest(
            rows=len(self.table.rows) - len(passed_over),
            lines=lines,
            bad=bad,
            remarks=self.remarks,
            repeated=repeated,
        )

    def lines(self) -> list[Line]:
        count = len(self.table.rows)
        flags = self.column("flags", read_flags) or [frozenset()] * count
        hazmat, food, fragile = (self.flag(name, flags) for name in ("hazmat", "food", "fragile"))
        labels = self.labels()
        pieces = self.column("pieces", self.number(whole, most=MAX_PIECES, least=1)) or [None] * count
        self.check_pieces(labels, pieces)
        return list(
            map(
                Line,
                self.table.lines,
                labels,
                self.column("store", self.stores.read),
                self.column("purchase_order", text_reader(MAX_ORDER)) or [""] * count,
                self.column("description", text_reader(MAX_DESCRIPTION)) or [""] * count,
                self.column("weight", self.weight_reader()) or [None] * count,
                self.column("unit_value", self.value_reader()) or [None] * count,
                self.column("units", self.number(whole, most=MAX_UNITS)) or [None] * count,
                hazmat,
                food,
                fragile,
                [1 if number is None else number for number in pieces],
            )
        )

    # One column

    def cells(self, name: str) -> list[str]:
        column = self.mapping[name]
        return [row[column] for row in self.table.rows]

    def column(self, name: str, read: Callable[[str], object]) -> list | None:
        """The values of a column, each distinct text read once; None where the list has no such column."""
        if name not in self.mapping:
            return None
        cells = self.cells(name)
        known = {text: attempt(read, text) for text in set(cells)}
        values = [known[text] for text in cells]
        marks = self.marks.get(self.mapping[name])
        if marks:
            for row, mark in marks.items():
                values[row] = attempt(self.read_marked, read, cells[row], mark)
        if marks or any(isinstance(value, Unfit) for value in known.values()):
            self.note_unfit(name, cells, values)
        return values

    def read_marked(self, read, text: str, mark: Mark):
        """A workbook's cell that is not text: what the program may have made of it is refused."""
        if mark is Mark.ERROR:
            raise Unfit("error_cell", _("The spreadsheet shows an error here. Correct the cell and save again."))
        if mark is Mark.DATE:
            raise Unfit("date_cell", _("A spreadsheet turned this into a date. Format the column as text and type it."))
        if mark is Mark.FORMULA and not text:
            raise Unfit("formula", _("A formula without its result. Replace it by its value and save again."))
        if mark is Mark.NUMBER and isinstance(read, _Number):
            return read.settled(text, ".")
        if mark is Mark.NUMBER and sum(c.isdigit() for c in text) > 15:
            raise Unfit("number_cell", number_cell_sentence())
        return read(text)

    def note_unfit(self, name: str, cells: Sequence[str], values: Sequence) -> None:
        for row, value in enumerate(values):
            if isinstance(value, Unfit):
                self.note(row, name, cells[row], value)

    def note(self, row: int, name: str, value: str, why: Unfit) -> None:
        heading = self.table.headings[self.mapping[name]] if name in self.mapping else str(FIELDS.get(name, ""))
        self.bad[row].append(BadRow(self.table.lines[row], heading, shown(value), why.reason, why.code))

    # What is no row of the list

    def rows_passed_over(self) -> set[int]:
        """Heading rows that a printout repeats, and rows of totals."""
        labels = self.cells("label")
        heading = self.table.headings[self.mapping["label"]]
        starts = {
            text for text in set(labels) if not text.strip() or text.strip() == heading or TOTAL.match(text.strip())
        }
        found, totals = set(), []
        for row, text in enumerate(labels) if starts else ():
            if text not in starts:
                continue
            cells = [cell.strip() for cell in self.table.rows[row]]
            if cells == list(self.table.headings):
                found.add(row)
            elif any(map(TOTAL.fullmatch, cells)) and not cells[self.mapping["store"]].strip("0123456789"):
                totals.append(row)
        if found:
            self.remarks.append(
                ngettext(
                    "%(count)s line repeats the headings and was passed over.",
                    "%(count)s lines repeat the headings and were passed over.",
                    len(found),
                )
                % {"count": len(found)}
            )
        for row in totals:
            self.remarks.append(_("Line %(line)s is a total and was passed over.") % {"line": self.table.lines[row]})
        return found | set(totals)

    def check_ragged(self) -> None:
        width = len(self.table.headings)
        short = [row for row, count in self.table.ragged.items() if count < width]
        for row, count in self.table.ragged.items():
            if count > width:
                why = _("It has %(count)s cells, the heading %(width)s. Put quotation marks round texts with a comma.")
                reason = Unfit("ragged", why % {"count": count, "width": width})
                self.bad[row].append(
                    BadRow(self.table.lines[row], "", shown(self.table.rows[row][-1]), reason.reason, "ragged")
                )
        if short and self.table.kind == "csv":
            self.remarks.append(
                ngettext(
                    "%(count)s line is shorter than the heading; what is missing was read as empty.",
                    "%(count)s lines are shorter than the heading; what is missing was read as empty.",
                    len(short),
                )
                % {"count": len(short)}
            )

    # Labels

    def labels(self) -> list[str]:
        cells = self.cells("label")
        known = {text: attempt(read_label, text) for text in set(cells)}
        values = [known[text] for text in cells]
        for row, mark in self.marks.get(self.mapping["label"], {}).items():
            values[row] = attempt(read_marked_label, cells[row], mark)
        self.spare_other_numbers(cells, values)
        self.note_unfit("label", cells, values)
        self.check_rounded(cells, values)
        self.check_zeros(values)
        return values

    def spare_other_numbers(self, cells, values) -> None:
        """One number in ten of 16 or 17 digits looks like a code without its zeros. Where few of many do, none is."""
        suspects = [row for row, value in enumerate(values) if isinstance(value, Unfit) and value.code == "lost_zeros"]
        if not suspects:
            return
        alike = sum(isinstance(value, str) and len(value) in (16, 17) and value.isdigit() for value in values)
        if alike < FEW or len(suspects) > alike / 2:
            return
        for row in suspects:
            values[row] = attempt(scanned, cells[row])
        self.remarks.append(
            _("Carton ids of 16 or 17 digits were taken as they are, not as codes that lost zeros in front.")
        )

    def check_zeros(self, values) -> None:
        """Zeros in front leave no trace once they are lost; say where that may have happened."""
        marks = self.marks.get(self.mapping["label"], {})
        if marks:
            self.remarks.append(
                ngettext(
                    "%(count)s carton id is a number cell. Spreadsheets drop zeros in front: compare with a label.",
                    "%(count)s carton ids are number cells. Spreadsheets drop zeros in front: compare with a label.",
                    len(marks),
                )
                % {"count": len(marks)}
            )
            return
        digits = {label for label in values if isinstance(label, str) and len(label) != 18 and label.isdigit()}
        lengths = {len(label) for label in digits}
        if len(lengths) > 1 and not any(label.startswith("0") for label in digits):
            self.remarks.append(
                _("Carton ids have %(least)s to %(most)s digits and none begins with 0: compare one with its label.")
                % {"least": min(lengths), "most": max(lengths)}
            )

    def check_rounded(self, cells, values) -> None:
        """Sixteen digits and more that all end in noughts: a spreadsheet keeps fifteen and fills up."""
        long = [i for i, text in enumerate(values) if isinstance(text, str) and len(text) > 15 and text.isdigit()]
        if len(long) < 2 or not all(set(values[i][15:]) == {"0"} for i in long):
            return
        for row in long:
            self.note(row, "label", cells[row], Unfit("rounded", number_cell_sentence()))

    def check_pieces(self, labels, pieces) -> None:
        for row, number in enumerate(pieces):
            if isinstance(number, int) and number > 1 and identifiers.sscc.is_valid(str(labels[row])):
                reason = _(
                    "A serial shipping container code is one carton, not %(count)s. If the column counts what is "
                    "inside, choose “units in a carton” for it."
                )
                self.note(row, "pieces", str(number), Unfit("sscc_pieces", reason % {"count": number}))

    # Numbers

    def told_style(self) -> str:
        """The decimal sign that the file's own numbers show: the one that some number needs and none contradicts."""
        votes = Counter()
        for name in ("pieces", "weight", "unit_value", "units"):
            if name in self.mapping:
                marks = self.marks.get(self.mapping[name], {})
                texts = (
                    {text for row, text in enumerate(self.cells(name)) if row not in marks}
                    if marks
                    else set(self.cells(name))
                )
                votes.update(style_of(bare_amount(text.strip())) for text in texts)
        votes.pop("", None)
        return next(iter(votes)) if len(votes) == 1 else ""

    def number(self, check, *, strip=str.strip, factor=None, **limits) -> "_Number":
        return _Number(check=check, limits=limits, style=self.style, only=self.decimal, strip=strip, factor=factor)

    def weight_reader(self) -> "_Number":
        unit = self.heading_unit()
        factor = None
        if unit != self.weight_unit:
            factor = LB_IN_KG if unit == "lb" else 1 / LB_IN_KG
            self.remarks.append(
                _("The list's weights are in %(theirs)s; they are kept in %(ours)s.")
                % {"theirs": unit, "ours": self.weight_unit}
            )
        return self.number(amount, strip=unit_stripper(unit), factor=factor, step="0.001", below=10_000_000)

    def heading_unit(self) -> str:
        if "weight" not in self.mapping:
            return self.weight_unit
        named = {UNITS[word] for word in words(self.table.headings[self.mapping["weight"]]) if word in UNITS}
        return named.pop() if len(named) == 1 else self.weight_unit

    def value_reader(self) -> "_Number":
        sign = CURRENCY_SIGNS.get(self.currency, self.currency)

        def strip(text):
            return text.strip().removeprefix(self.currency).removesuffix(self.currency).strip(f"{sign} \u00a0")

        return self.number(amount, strip=strip, step="0.0001", below=100_000_000)

    # Flags, repeats

    def flag(self, name: str, flags: Sequence[frozenset]) -> list[bool]:
        own = self.column(name, read_yes)
        if own is None:
            return [not isinstance(found, Unfit) and name in found for found in flags]
        return [
            value is True or (not isinstance(found, Unfit) and name in found)
            for value, found in zip(own, flags, strict=True)
        ]

    def merged(self, lines: list[Line]) -> tuple[list[Line], int]:
        """Repeated labels as one line with a count; what cannot be one line goes to `bad`."""
        if len({line.label for line in lines}) == len(lines):
            return lines, 0
        rows = {number: row for row, number in enumerate(self.table.lines)}
        first, repeated, differing = {}, set(), []
        for line in lines:
            earlier = first.setdefault(line.label, line)
            if earlier is line:
                continue
            if why := why_no_repeat(earlier, line):
                self.note(rows[line.line], "label", line.label, why)
                continue
            if line[3:-1] != earlier[3:-1]:
                differing.append(line)
            repeated.add(line.label)
            first[line.label] = earlier._replace(expected=earlier.expected + line.expected)
        if repeated:
            self.remarks.append(repeated_sentence(repeated))
        if differing:
            self.remarks.append(
                _("Label %(label)s says different things in lines %(first)s and %(line)s; the first was taken.")
                % {"label": differing[0].label, "first": first[differing[0].label].line, "line": differing[0].line}
            )
        return list(first.values()), len(repeated)


def why_no_repeat(earlier: Line, line: Line) -> Unfit | None:
    if identifiers.sscc.is_valid(line.label):
        reason = _("It is in line %(line)s too. A serial shipping container code is given to one carton only.")
        return Unfit("repeated_sscc", reason % {"line": earlier.line})
    if earlier.store != line.store:
        reason = _("Line %(line)s sends the same label to store %(store)s. One label goes to one store.")
        return Unfit("two_stores", reason % {"line": earlier.line, "store": earlier.store})
    if earlier.expected + line.expected > MAX_PIECES:
        return Unfit(
            "out_of_range", _("There are more than %(most)s cartons with this label.") % {"most": f"{MAX_PIECES:,}"}
        )
    return None


def repeated_sentence(labels: set[str]) -> str:
    few = quoted(sorted(labels)[:5])
    return ngettext(
        "%(count)s label stands in more than one line and is expected that often: %(few)s.",
        "%(count)s labels stand in more than one line and are expected that often: %(few)s.",
        len(labels),
    ) % {"count": len(labels), "few": few if len(labels) <= 5 else f"{few} …"}


@dataclass(frozen=True)
class _Number:
    """Reads one column's numbers: `check` is `whole` or `amount`, `only` the decimal sign a person has chosen."""

    check: Callable
    limits: dict
    style: str
    only: str
    strip: Callable[[str], str]
    factor: Decimal | None

    def __call__(self, text: str):
        return self.settled(text, self.style)

    def settled(self, text: str, style: str):
        bare = self.strip(text)
        if self.only and (told := style_of(bare)) and told != self.only and style == self.only:
            raise Unfit(
                "not_a_number", _("This is not a number with “%(sign)s” as its decimal sign.") % {"sign": self.only}
            )
        number = settle(read_number(bare), bare, style)
        if number is not None and self.factor:
            number *= self.factor
        return self.check(number, **self.limits)


def unit_stripper(unit: str) -> Callable[[str], str]:
    def strip(text: str) -> str:
        bare = text.strip()
        ending = re.search(r"[a-z]+$", bare, re.IGNORECASE)
        if ending and UNITS.get(ending[0].lower()) not in (None, unit):
            raise Unfit("other_unit", _("The weight is not in %(unit)s like the column. Convert it.") % {"unit": unit})
        return bare[: ending.start()].strip() if ending and ending[0].lower() in UNITS else bare

    return strip


def bare_amount(text: str) -> str:
    return text.strip("$€£ \u00a0")


def attempt(read: Callable, *arguments):
    try:
        return read(*arguments)
    except Unfit as why:
        return why


def shown(text: str) -> str:
    """A cell as a page may show it: short, and nothing unseen in it."""
    plain = UNSEEN.sub("\N{REPLACEMENT CHARACTER}", text)
    return plain if len(plain) <= 60 else f"{plain[:57]}…"
