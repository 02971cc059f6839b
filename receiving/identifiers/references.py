"""Numbers without a rule of their own: bills, PROs, trailers, seals. Kept as written, compared without ornaments.

>>> tidy_reference("  pro  123-456 ")
'PRO 123-456'
>>> compact_reference("pro 123-456"), compact_seal("ab 0012-34")
('PRO123456', 'AB001234')
"""

import re

from receiving.identifiers import container
from receiving.identifiers.characters import bare, capitals, clean, single_spaced
from receiving.identifiers.errors import Caution, WrongCheckDigit, gettext_noop

ZEROS_IN_FRONT = re.compile(r"(?<!\d)0+(?=\d)")
NOT_THAT_CONTAINER = gettext_noop(
    "“{value}” looks like a container number, but its check digit should be {expected}. Read it again from the door."
)


def tidy_reference(text: str) -> str:
    """As it is kept: look-alikes folded, capitals, single blanks."""
    return single_spaced(capitals(clean(text)))


def compact_reference(text: str) -> str:
    """For looking a number up however its groups are set apart: no blanks, dots or dashes."""
    return capitals(bare(text))


def compact_seal(text: str) -> str:
    """What two readings of one seal have in common. Zeros in front are part of the number."""
    return capitals(bare(text))


def seals_agree(paper: str, seal: str) -> bool:
    """The same seal number, whatever its case, blanks and dashes."""
    return compact_seal(paper) == compact_seal(seal)


def seals_differ_by_zeros(paper: str, seal: str) -> bool:
    """Not the same seal number, but only for zeros in front: to be read once more before it is called a mismatch.

    >>> seals_differ_by_zeros("AB0012345", "AB12345"), seals_differ_by_zeros("120", "12")
    (True, False)
    """
    one, other = compact_seal(paper), compact_seal(seal)
    return one != other and ZEROS_IN_FRONT.sub("", one) == ZEROS_IN_FRONT.sub("", other)


def trailer_warnings(text: str) -> list[Caution]:
    """A trailer may bear any number; only one that has a container's form and fails its check is worth a word."""
    try:
        container.validate(text)
    except WrongCheckDigit as error:
        return [Caution("container_check_digit", NOT_THAT_CONTAINER, **error.params)]
    except ValueError:
        return []
    return container.warnings(text)
