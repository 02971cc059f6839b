"""What a hand scanner sends or a person types, read as one label.

Only what claims to be a GS1 number is judged; any other label is taken as it is, since calling a good number bad is
worse than the reverse. Application identifiers, their predefined lengths and the symbology identifiers of GS1
symbols: GS1 General Specifications (`]C1` and (00) as published, the rest from memory).

>>> read_scan("]C100106141412345678908").label
'106141412345678908'
>>> read_scan(" box  7/12 ")
Scan(kind='label', label='BOX 7/12', raw=' box  7/12 ', symbology='')
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from receiving.identifiers import gs1, gtin, sscc
from receiving.identifiers.characters import bare, capitals, clean, has_unseen, is_digits, single_spaced
from receiving.identifiers.errors import ControlCharacters, Empty, Several, TooLong

MAX_LABEL = 48
SEPARATOR = "\x1d"
GS1_SYMBOLOGIES = {"]C1", "]e0", "]d2", "]Q3", "]J1"}
PRINTED = re.compile(r"\(\s*(\d{2,4})\s*\)([^(]*)")
# Element strings that need no separator after them: characters including the application identifier, by its start.
PREDEFINED = (
    {"00": 20, "01": 16, "02": 16, "03": 16, "04": 18, "20": 4, "41": 16}
    | {str(ai): 8 for ai in range(11, 20)}
    | {str(ai): 10 for ai in range(31, 37)}
)
SHORTEST = 3


@dataclass(frozen=True)
class Scan:
    """One label. `label` is what to match on; `symbology` is what the scanner called the symbol, or empty."""

    kind: Literal["sscc", "gtin", "label"]
    label: str
    raw: str
    symbology: str = ""


def read_scan(raw: str) -> Scan:
    """One label from a scan or from typing.

    Raises one of the NotValid family: nothing there, unseen characters, too long, more than one carton number, or
    a GS1 number of the wrong length or with a wrong check digit.
    """
    symbology, text = split_symbology(clean(raw))
    if not text:
        raise Empty(raw)
    is_gs1 = symbology in GS1_SYMBOLOGIES or SEPARATOR in (raw or "")
    kind, label = read_elements(text, is_gs1=is_gs1) or read_plain(text, is_gs1=is_gs1)
    return Scan(kind, label, raw, symbology)


def split_symbology(text: str) -> tuple[str, str]:
    """The symbology identifier in front and the rest; a second one, set by a program on the way, goes too."""
    symbology = ""
    while found := re.match(r"\][A-Za-z][0-9A-Za-z]", text):
        symbology = symbology or found[0]
        text = clean(text[3:])
    return symbology, text


def read_elements(text: str, *, is_gs1: bool) -> tuple[str, str] | None:
    """The carton or trade item that application identifiers tell of, if they do."""
    if text.startswith("("):
        elements = [(ai, bare(value)) for ai, value in PRINTED.findall(text)]
    elif is_gs1:
        elements = list(element_strings(text))
    else:
        return None
    cartons = {value for ai, value in elements if ai == "00"}
    if len(cartons) > 1:
        raise Several(text)
    for carton in cartons:
        return "sscc", gs1.validate(carton, lengths=(sscc.LENGTH,))
    for ai, value in elements:
        if ai in ("01", "02") and is_digits(value) and len(value) == 14:
            return "gtin", gs1.validate(value, lengths=(14,))
    return None


def element_strings(text: str) -> Iterator[tuple[str, str]]:
    """(first two digits of the identifier, the rest) of each element string in a GS1 symbol."""
    for part in text.split(SEPARATOR):
        while part:
            length = PREDEFINED.get(part[:2], len(part))
            if part.startswith("00") and len(part) < length + SHORTEST:
                # What is left is no further element but digits too many.
                length = len(part)
            yield part[:2], part[2:length]
            part = part[length:]


def read_plain(text: str, *, is_gs1: bool) -> tuple[str, str]:
    """A label without application identifiers. In a GS1 symbol bare digits may be anything and are not judged."""
    if has_unseen(text.replace(SEPARATOR, "")):
        raise ControlCharacters(text)
    digits = text.replace(" ", "")
    if is_digits(digits) and len(sscc.compact(digits)) == sscc.LENGTH and (not is_gs1 or sscc.is_valid(digits)):
        return "sscc", sscc.validate(digits)
    if is_digits(digits) and gtin.is_valid(digits):
        return "gtin", digits
    label = single_spaced(capitals(text))
    if len(label) > MAX_LABEL:
        raise TooLong(label, length=len(label), most=MAX_LABEL)
    return "label", label
