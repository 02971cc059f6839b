"""Numbers as the trade writes them: cartons (SSCC, GTIN), containers, seals, carriers' codes. A leaf: no Django.

Each kind has `compact`, `validate`, `is_valid` and, where people read it aloud, `format`. A number that is wrong
raises one of the `NotValid` family, whose text is a sentence with the way out. A label that only looks odd is never
refused: calling a good number bad is worse than the reverse.

Sources: GS1 General Specifications (check digit, section 7.9; application identifiers), ISO 6346 (containers),
both by way of python-stdnum where it has them.
"""

import re
import unicodedata
from dataclasses import dataclass
from types import SimpleNamespace

from stdnum import ean, iso6346
from stdnum.exceptions import ValidationError

MAX_LABEL = 48
EXPORT_AGAIN = "Format the column as text and export again."


class NotValid(ValueError):
    """`code` is for scripts, `params` for translation, `str()` the sentence."""

    code = "not_valid"
    sentence = "“{value}” is not a valid number. Read it again from the label."

    def __init__(self, value, **params):
        self.params = {"value": value} | params
        super().__init__(self.sentence.format(**self.params))


class Empty(NotValid):
    code = "empty"
    sentence = "Nothing was read. Scan the label again or type it."


class ControlCharacters(NotValid):
    code = "control_characters"
    sentence = "“{value}” holds characters that cannot be printed. Type the number from the label."


class TooLong(NotValid):
    code = "too_long"
    sentence = "“{value}…” is too long for a label; at most {most} characters are kept. Scan one label at a time."


class WrongLength(NotValid):
    code = "wrong_length"
    sentence = "“{value}” has {digits} digits where {expected} belong. Scan it again or type it from the label."


class WrongForm(NotValid):
    code = "wrong_form"
    sentence = "“{value}” is not written as {form}. Read it again from the label."


class WrongCheckDigit(NotValid):
    code = "wrong_check_digit"
    sentence = "The check digit of “{value}” should be {expected}. Scan again or type it from the label."


def clean(text):
    """Folded to plain letters and digits where Unicode has look-alikes, outer blanks and line ends gone."""
    return unicodedata.normalize("NFKC", text or "").strip().strip("\x00\x02\x03\r\n\t ")


def shown(text):
    return "".join(c if c.isprintable() else "·" for c in text)[:30]


def _digits(text, *, lengths, what):
    text = compact_digits(text)
    if not text:
        raise Empty(text)
    if not (text.isascii() and text.isdigit()):
        raise WrongForm(shown(text), form=what)
    if len(text) not in lengths:
        raise WrongLength(text, digits=len(text), expected=" or ".join(map(str, lengths)))
    expected = ean.calc_check_digit(text[:-1])
    if text[-1] != expected:
        raise WrongCheckDigit(text, expected=expected)
    return text


def compact_digits(text):
    return re.sub(r"[\s().-]", "", clean(text))


def _is_valid(validate):
    def is_valid(text):
        try:
            validate(text)
        except NotValid:
            return False
        return True

    return is_valid


def validate_sscc(text):
    """The 18 digits of a serial shipping container code; its application identifier (00) may stand before it."""
    digits = compact_digits(text)
    if len(digits) == 20 and digits.startswith("00"):
        digits = digits[2:]
    return _digits(digits, lengths=(18,), what="18 digits")


def format_sscc(text, *, prefix_length=7):
    """`1 9521234 000000001 0`: extension digit, company prefix, serial reference, check digit."""
    digits = validate_sscc(text)
    return f"{digits[0]} {digits[1 : 1 + prefix_length]} {digits[1 + prefix_length : 17]} {digits[17]}"


def with_check_digit(digits):
    """A GS1 key of any length completed by its check digit."""
    return digits + ean.calc_check_digit(digits)


def validate_gtin(text):
    return _digits(text, lengths=(8, 12, 13, 14), what="8, 12, 13 or 14 digits")


def validate_container(text):
    """A container number of ISO 6346: owner, category letter, six digits, check digit."""
    number = compact_container(text)
    try:
        return iso6346.validate(number)
    except ValidationError as error:
        if re.fullmatch(r"[A-Z]{3}[UJZ]\d{7}", number):
            raise WrongCheckDigit(number, expected=iso6346.calc_check_digit(number[:-1])) from error
        raise WrongForm(shown(number), form="three letters, U, J or Z, and seven digits") from error


def compact_container(text):
    return re.sub(r"[\s.-]", "", clean(text)).upper()


def format_container(text):
    number = validate_container(text)
    return f"{number[:4]} {number[4:10]} {number[10]}"


def container_warnings(text):
    """What is worth a second look though the number is valid."""
    number = validate_container(text)
    if _container_sum(number[:10]) % 11 == 10:
        return ["This serial gives check digit 10, written 0; owners are advised not to use such serials."]
    return []


def _container_sum(number):
    values = "0123456789A?BCDEFGHIJK?LMNOPQRSTU?VWXYZ"
    return sum(values.index(character) * 2**position for position, character in enumerate(number))


def validate_scac(text):
    """A standard carrier alpha code: two to four letters."""
    code = clean(text).upper()
    if not code:
        raise Empty(code)
    if not re.fullmatch(r"[A-Z]{2,4}", code):
        raise WrongForm(shown(code), form="two to four letters")
    return code


def scac_warnings(text):
    code = validate_scac(text)
    found = []
    if len(code) < 4:
        found.append("Motor freight carriers have four letters; shorter codes belong to railroads and bus lines.")
    if len(code) == 4 and code[-1] in "UXZ":
        found.append("Codes that end in U, X or Z name containers, rail cars or chassis, not a carrier.")
    return found


sscc = SimpleNamespace(
    compact=compact_digits,
    validate=validate_sscc,
    is_valid=_is_valid(validate_sscc),
    format=format_sscc,
    with_check_digit=with_check_digit,
)
gtin = SimpleNamespace(compact=compact_digits, validate=validate_gtin, is_valid=_is_valid(validate_gtin))
container = SimpleNamespace(
    compact=compact_container,
    validate=validate_container,
    is_valid=_is_valid(validate_container),
    format=format_container,
    warnings=container_warnings,
)
scac = SimpleNamespace(validate=validate_scac, is_valid=_is_valid(validate_scac), warnings=scac_warnings)


def compact_reference(text):
    """A bill, PRO, trailer or seal number as it is kept: look-alikes folded, inner blanks single, capitals."""
    return re.sub(r"\s+", " ", clean(text)).upper()


def compact_seal(text):
    """What two readings of one seal have in common: no case, blanks or hyphens; leading zeros count."""
    return re.sub(r"[\s-]", "", clean(text)).upper()


def seals_agree(paper, seal):
    return compact_seal(paper) == compact_seal(seal)


def seals_differ_by_zeros(paper, seal):
    """Not the same number, but only by zeros in front: worth a second look before it is called a mismatch."""
    one, two = compact_seal(paper), compact_seal(seal)
    return one != two and one.lstrip("0") == two.lstrip("0")


@dataclass(frozen=True)
class Reading:
    """What a scanner or a person gave: `label` is the text to match on, `kind` sscc, gtin or label."""

    kind: str
    label: str
    raw: str
    symbology: str = ""


def read_scan(raw):
    """The label in what a scanner sent, without symbology prefix, separators and application identifiers.

    Raises NotValid: nothing there, not printable, too long, or an SSCC whose length or check digit is wrong.
    """
    text = re.sub(r"^[\x1d\s]+|[\x1d\s]+$", "", clean(raw))
    symbology = ""
    if found := re.match(r"\][A-Za-z][0-9A-Za-z]", text):
        symbology, text = found[0], text[3:].lstrip("\x1d")
    if not text:
        raise Empty(raw)
    gs1 = symbology in {"]C1", "]e0", "]d2", "]Q3"}
    if re.match(r"\(00\)", text) or (gs1 and text.startswith("00")):
        rest = re.split(r"[\x1d(]", text.removeprefix("(00)") if text[0] == "(" else text[2:])[0]
        digits = re.sub(r"[\s-]", "", rest)
        return Reading("sscc", _digits(digits, lengths=(18,), what="18 digits"), raw, symbology)
    if found := re.match(r"\((?:01|02)\)(\d{14})", text) or (gs1 and re.match(r"0[12](\d{14})", text)):
        return Reading("gtin", _digits(found[1], lengths=(14,), what="14 digits"), raw, symbology)
    if any(not character.isprintable() for character in text):
        raise ControlCharacters(shown(text))
    digits = re.sub(r"[\s-]", "", text)
    if digits.isascii() and digits.isdigit():
        if len(digits) == 20 and digits.startswith("00"):
            digits = digits[2:]
        if len(digits) == 18:
            return Reading("sscc", _digits(digits, lengths=(18,), what="18 digits"), raw, symbology)
        if len(digits) in (8, 12, 13, 14) and gtin.is_valid(digits):
            return Reading("gtin", digits, raw, symbology)
    label = re.sub(r"\s+", " ", text).upper()
    if len(label) > MAX_LABEL:
        raise TooLong(shown(label), most=MAX_LABEL)
    return Reading("label", label, raw, symbology)


def spreadsheet_damage(text, *, is_number_cell=False):
    """A sentence if a spreadsheet has changed this carton id on its way here, else None."""
    value = clean(text)
    digits = value.replace(" ", "")
    if re.fullmatch(r"[+-]?\d+([.,]\d+)?[eE][+-]?\d+", digits):
        return f"“{value}” is a number in scientific notation; the digits are lost. {EXPORT_AGAIN}"
    if re.fullmatch(r"\d{9,}[.,]0+", digits):
        return f"“{value}” was turned into a decimal number. {EXPORT_AGAIN}"
    if value.startswith(("'", "’")):
        return f"“{value}” begins with an apostrophe that does not belong to the label. Remove it or export again."
    if is_number_cell and digits.isdigit() and len(digits) > 15:
        return f"“{value}” is a number cell, and a spreadsheet changes numbers beyond 15 digits. {EXPORT_AGAIN}"
    if digits.isascii() and digits.isdigit() and 15 <= len(digits) <= 17 and sscc.is_valid(digits.zfill(18)):
        return f"“{value}” has lost the zeros in front ({digits.zfill(18)}). {EXPORT_AGAIN}"
    return None
