"""Text as it comes from scanners, keyboards and papers, made comparable."""

import re
import unicodedata

UNSEEN = {"Cc", "Cf", "Cs"}
OUTSIDE = re.compile(r"\A[\s\x00-\x1f\x7f]+|[\s\x00-\x1f\x7f]+\Z")
SEPARATORS = re.compile(r"[\s.\-\u2010-\u2015\u2212]")


def clean(text: str | None) -> str:
    """Look-alikes such as full-width digits folded (NFKC); blanks and control characters around it gone."""
    return OUTSIDE.sub("", unicodedata.normalize("NFKC", text or ""))


def bare(text: str | None) -> str:
    """Clean, without the blanks, dots and dashes that people write between groups."""
    return SEPARATORS.sub("", clean(text))


def capitals(text: str) -> str:
    """Upper case, folded once more: a few letters come apart when raised."""
    return unicodedata.normalize("NFKC", text.upper())


def ascii_capitals(text: str) -> str:
    """Upper case of ASCII alone: `ß` would turn into two letters that nobody wrote."""
    return text.upper() if text.isascii() else text


def single_spaced(text: str) -> str:
    """Every run of blanks, and of the separators that split takes for blanks, as one blank."""
    return " ".join(text.split())


def has_unseen(text: str) -> bool:
    return not text.isprintable() and any(unicodedata.category(character) in UNSEEN for character in text)


def is_digits(text: str) -> bool:
    return text.isascii() and text.isdigit()
