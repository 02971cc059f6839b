"""Numbers as the trade writes them. A leaf, no Django: pages translate the sentences.

`sscc`, `gtin`, `container` and `scac` each have `compact`, `validate`, `is_valid` and `format`; a number that is
wrong raises one of the `NotValid` family. What only looks odd gets a `Caution` at most.
"""

from receiving.identifiers import container, gtin, scac, sscc
from receiving.identifiers.characters import clean
from receiving.identifiers.errors import (
    Caution,
    ControlCharacters,
    Empty,
    NotValid,
    Several,
    TooLong,
    WrongCheckDigit,
    WrongForm,
    WrongLength,
)
from receiving.identifiers.references import (
    compact_reference,
    compact_seal,
    seals_agree,
    seals_differ_by_zeros,
    tidy_reference,
    trailer_warnings,
)
from receiving.identifiers.scan import MAX_LABEL, Scan, read_scan
from receiving.identifiers.spreadsheet import spreadsheet_damage

__all__ = [
    "MAX_LABEL",
    "Caution",
    "ControlCharacters",
    "Empty",
    "NotValid",
    "Scan",
    "Several",
    "TooLong",
    "WrongCheckDigit",
    "WrongForm",
    "WrongLength",
    "clean",
    "compact_reference",
    "compact_seal",
    "container",
    "gtin",
    "read_scan",
    "scac",
    "seals_agree",
    "seals_differ_by_zeros",
    "spreadsheet_damage",
    "sscc",
    "tidy_reference",
    "trailer_warnings",
]
