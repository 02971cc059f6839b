"""Serial shipping container code: the 18 digits after application identifier (00) that name one carton or pallet.

Extension digit, company prefix and serial reference (17 digits together), check digit: GS1 General Specifications.

>>> validate("(00) 1 0614141 234567890 8")
'106141412345678908'
>>> format("395212341234567892")
'3 9521234 123456789 2'
>>> validate("376104250021234560")
Traceback (most recent call last):
    ...
receiving.identifiers.errors.WrongCheckDigit: “376104250021234560” was misread somewhere: its last digit should be 9. \
Scan again or type it from the label.
"""

from receiving.identifiers import gs1
from receiving.identifiers.characters import bare
from receiving.identifiers.errors import passes

LENGTH = 18
DEMO_PREFIX_LENGTH = 7
with_check_digit = gs1.with_check_digit


def compact(text: str) -> str:
    """Digits only as far as possible, the application identifier gone."""
    digits = bare(text)
    if digits.startswith("(00)"):
        return digits[4:]
    return digits[2:] if len(digits) == LENGTH + 2 and digits.startswith("00") else digits


def validate(text: str) -> str:
    """The 18 digits, or one of the NotValid family."""
    return gs1.validate(compact(text), lengths=(LENGTH,))


def is_valid(text: str) -> bool:
    return passes(validate, text)


def format(text: str, *, prefix_length: int = DEMO_PREFIX_LENGTH) -> str:
    """In groups for reading: extension, company prefix, serial reference, check digit.

    prefix_length -- digits of the company prefix, 4 to 12; nothing in the number itself tells
    """
    if not 4 <= prefix_length <= 12:
        raise ValueError(f"A company prefix has 4 to 12 digits, not {prefix_length}.")
    digits = validate(text)
    end = 1 + prefix_length
    return f"{digits[0]} {digits[1:end]} {digits[end:-1]} {digits[-1]}"
