"""The check digit that all numeric GS1 keys share: GS1 General Specifications, section 7.9.

It catches every single wrong digit and every swap of neighbours except of those that differ by five. So a valid
number may still be the wrong one: always match against the list.
"""

from stdnum import ean

from receiving.identifiers.characters import bare, is_digits
from receiving.identifiers.errors import Empty, WrongCheckDigit, WrongForm, WrongLength


def check_digit(digits: str) -> str:
    """The check digit for the digits before it, of any length.

    >>> check_digit("37610425002123456")
    '9'
    """
    digits = bare(digits)
    if not digits:
        raise Empty(digits)
    if not is_digits(digits):
        raise WrongForm(digits, form="digits only")
    return ean.calc_check_digit(digits)


def with_check_digit(digits: str) -> str:
    """The whole key.

    >>> with_check_digit("19521234000000001")
    '195212340000000010'
    """
    return bare(digits) + check_digit(digits)


def validate(digits: str, *, lengths: tuple[int, ...]) -> str:
    """The digits, if there are as many as one of `lengths` says and the last one is right."""
    expected = " or ".join(map(str, lengths))
    if not digits:
        raise Empty(digits)
    if not is_digits(digits):
        raise WrongForm(digits, form=f"{expected} digits")
    if len(digits) not in lengths:
        raise WrongLength(digits, digits=len(digits), expected=expected)
    if digits[-1] != (right := check_digit(digits[:-1])):
        raise WrongCheckDigit(digits, expected=right)
    return digits
