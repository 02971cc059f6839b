"""Standard carrier alpha code: two to four letters, assigned by the motor freight carriers' own association.

>>> validate(" abcd ")
'ABCD'
"""

import re

from receiving.identifiers.characters import ascii_capitals, clean
from receiving.identifiers.errors import Caution, Empty, WrongForm, gettext_noop, passes

SHORT = gettext_noop(
    "“{value}” is short: motor freight carriers have four letters, railroads and bus lines two or three."
)
EQUIPMENT = gettext_noop(
    "“{value}” ends in {letter}: such codes name containers (U), private rail cars (X) or chassis and trailers (Z), "
    "not a carrier."
)


def compact(text: str) -> str:
    return ascii_capitals(clean(text))


def validate(text: str) -> str:
    code = compact(text)
    if not code:
        raise Empty(code)
    if not re.fullmatch(r"[A-Z]{2,4}", code):
        raise WrongForm(code, form="two to four letters")
    return code


def is_valid(text: str) -> bool:
    return passes(validate, text)


def format(text: str) -> str:
    return validate(text)


def warnings(text: str) -> list[Caution]:
    code = validate(text)
    found = []
    if len(code) < 4:
        found.append(Caution("short_code", SHORT, value=code))
    if code[-1] in "UXZ":
        found.append(Caution("equipment_code", EQUIPMENT, value=code, letter=code[-1]))
    return found
