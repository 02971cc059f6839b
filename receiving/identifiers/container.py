"""Container number of ISO 6346, for a trailer that is a container: owner, category letter, serial, check digit.

>>> validate("csqu 305438-3")
'CSQU3054383'
>>> format("CSQU3054383")
'CSQU 305438 3'
"""

import re

from stdnum import iso6346

from receiving.identifiers.characters import ascii_capitals, bare
from receiving.identifiers.errors import Caution, Empty, WrongCheckDigit, WrongForm, gettext_noop, passes

FORM = re.compile(r"[A-Z]{3}[UJZ][0-9]{7}")
LETTER_VALUES = "0123456789A?BCDEFGHIJK?LMNOPQRSTU?VWXYZ"
REMAINDER_TEN = gettext_noop(
    "The sum of “{value}” leaves 10, written as check digit 0. Owners are advised not to use such serials: "
    "read the number once more."
)


def compact(text: str) -> str:
    return ascii_capitals(bare(text))


def validate(text: str) -> str:
    """The 11 characters, or one of the NotValid family."""
    number = compact(text)
    if not number:
        raise Empty(number)
    # python-stdnum also takes digits for the owner and a category R; the standard knows neither.
    if not FORM.fullmatch(number):
        raise WrongForm(number, form="three letters, then U, J or Z, then seven digits")
    if number[-1] != (right := iso6346.calc_check_digit(number[:-1])):
        raise WrongCheckDigit(number, expected=right)
    return number


def is_valid(text: str) -> bool:
    return passes(validate, text)


def format(text: str) -> str:
    number = validate(text)
    return f"{number[:4]} {number[4:10]} {number[10]}"


def warnings(text: str) -> list[Caution]:
    """What is worth a second look in a valid number."""
    number = validate(text)
    return [Caution("remainder_ten", REMAINDER_TEN, value=number)] if remainder(number) == 10 else []


def remainder(number: str) -> int:
    """The weighted sum of the first ten characters modulo 11, before 10 becomes 0.

    >>> remainder("CSQU305438"), remainder("CSQU305407")
    (3, 10)
    """
    return sum(LETTER_VALUES.index(character) << place for place, character in enumerate(number[:10])) % 11
