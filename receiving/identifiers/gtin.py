"""Global trade item number: 8, 12, 13 or 14 digits that name a kind of goods, so many cartons may carry the same.

>>> validate("6291041500213")
'6291041500213'
>>> format("80614141123458")
'8 06 14141 12345 8'
"""

from receiving.identifiers import gs1
from receiving.identifiers.characters import bare
from receiving.identifiers.errors import passes

LENGTHS = (8, 12, 13, 14)
# As commonly printed under the bars; from memory.
GROUPS = {8: (4, 4), 12: (1, 5, 5, 1), 13: (1, 6, 6), 14: (1, 2, 5, 5, 1)}


def compact(text: str) -> str:
    return bare(text)


def validate(text: str) -> str:
    return gs1.validate(compact(text), lengths=LENGTHS)


def is_valid(text: str) -> bool:
    return passes(validate, text)


def format(text: str) -> str:
    rest, groups = validate(text), []
    for size in GROUPS[len(rest)]:
        groups.append(rest[:size])
        rest = rest[size:]
    return " ".join(groups)


def fourteen(text: str) -> str:
    """The 14 digits under which all lengths of one GTIN compare equal.

    >>> fourteen("9521234543213")
    '09521234543213'
    """
    return validate(text).zfill(14)
