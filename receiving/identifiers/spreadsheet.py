"""What a spreadsheet does to a carton id on its way into a list.

>>> spreadsheet_damage("1.95212E+17", is_number_cell=False).code
'scientific'
"""

import re

from receiving.identifiers import sscc
from receiving.identifiers.characters import clean, is_digits
from receiving.identifiers.errors import Caution, gettext_noop, shown

KEPT_DIGITS = 15
SCIENTIFIC = gettext_noop(
    "“{value}” is a number in scientific notation; the digits of the carton id are lost. "
    "Format the column as text and export the list again."
)
NUMBER_CELL = gettext_noop(
    "“{value}” is in a number cell, and a spreadsheet changes numbers of more than 15 digits. "
    "Format the column as text and export the list again."
)
DECIMAL = gettext_noop(
    "“{value}” was turned into a decimal number. Format the column as text and export the list again."
)
APOSTROPHE = gettext_noop("“{value}” begins with an apostrophe that is not on the label. Take it away.")
LOST_ZEROS = gettext_noop(
    "“{value}” has {digits} digits and is the valid carton id {whole} with the zeros in front: a spreadsheet dropped "
    "them. Format the column as text and export the list again."
)


def spreadsheet_damage(text_or_number, *, is_number_cell: bool = False) -> Caution | None:
    """A sentence if a spreadsheet has changed this carton id, else None.

    is_number_cell -- the workbook holds a number here, not text; a CSV file cannot tell
    """
    text = as_text(text_or_number)
    for code, sentence, is_so in DAMAGES:
        if is_so(text, is_number_cell):
            return Caution(code, sentence, value=shown(text), **zeros(text))
    return None


def as_text(value) -> str:
    """A cell's text. A float that is whole is written without a fraction, as the cell shows it."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 10**KEPT_DIGITS:
        value = int(value)
    return clean("" if value is None else str(value))


def zeros(text: str) -> dict:
    return {"digits": len(text), "whole": text.zfill(sscc.LENGTH)}


def is_scientific(text: str, is_number_cell: bool) -> bool:
    # Without its sign this is a label: 12E34. Spreadsheets write the sign.
    return bool(re.fullmatch(r"[+-]?\d+(?:[.,]\d+)?[eE][+-]\d+", text))


def is_decimal(text: str, is_number_cell: bool) -> bool:
    return bool(re.fullmatch(r"\d{5,}[.,]0+", text))


def has_apostrophe(text: str, is_number_cell: bool) -> bool:
    return text.startswith(("'", "’"))


def is_beyond_precision(text: str, is_number_cell: bool) -> bool:
    return is_number_cell and is_digits(text) and len(text) > KEPT_DIGITS


def lacks_zeros(text: str, is_number_cell: bool) -> bool:
    """A company prefix that starts with 0 after extension 0 loses two. One label in ten of this length looks so."""
    return is_digits(text) and len(text) in (16, 17) and sscc.is_valid(text.zfill(sscc.LENGTH))


DAMAGES = (
    ("scientific", SCIENTIFIC, is_scientific),
    ("decimal", DECIMAL, is_decimal),
    ("apostrophe", APOSTROPHE, has_apostrophe),
    ("lost_zeros", LOST_ZEROS, lacks_zeros),
    ("number_cell", NUMBER_CELL, is_beyond_precision),
)
