"""GS1 keys against what GS1 publishes, against python-stdnum, and for what a check digit can and cannot see.

Source of the rule: GS1 General Specifications, section 7.9 (weights 3, 1, 3, 1 ... from the right). Whether a value
was read in a published text or comes from memory stands beside it.
"""

import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from stdnum import ean

from receiving.identifiers import NotValid, WrongCheckDigit, WrongLength, gs1, gtin, read_scan, sscc

SSCCS = [
    # GS1 General Specifications, worked table of section 7.9.
    "376104250021234569",
    # EPC Tag Data Standard, example with prefix 0614141 and serial reference 1 234567890; printed on sample labels.
    "106141412345678908",
    # GS1 Digital Link test sets; the origin is from memory.
    "340123453111111115",
    # Made by the rule with the prefix for demonstrations, 952 (GS1 General Specifications, GS1 Prefix table).
    "195212340000000010",
    "195212340000000027",
    "095212340000009009",
    "395212341234567892",
    "195212340016000004",
    "195212340061000004",
]
GTINS = [
    "6291041500213",  # GS1's page on check digits; the origin is from memory.
    "9506000134352",  # GS1's demonstration product.
    "80614141123458",  # EPC Tag Data Standard; the origin is from memory.
    "614141000036",  # Widely printed; from memory.
    "09521234000013",  # Made by the rule with the demonstration prefix, as is the next.
    "9521234543213",
]
MISREAD = {
    "376104250021234560": "the check digit itself",
    "376104250021334569": "one digit changed",
    "376104250012234569": "neighbours 2 and 1 swapped",
    "376104520021234569": "neighbours 2 and 5 swapped",
}
bodies = st.text("0123456789", min_size=17, max_size=17)


@pytest.mark.parametrize("number", SSCCS)
def test_a_published_sscc_is_valid_and_its_check_digit_is_ours(number):
    assert sscc.validate(number) == number
    assert sscc.with_check_digit(number[:-1]) == number


@pytest.mark.parametrize("number", GTINS)
def test_a_published_gtin_is_valid_and_its_check_digit_is_ours(number):
    assert gtin.validate(number) == number
    assert gs1.with_check_digit(number[:-1]) == number


@pytest.mark.parametrize("number", MISREAD, ids=MISREAD.values())
def test_a_misread_sscc_is_refused_and_told_the_digit_that_belongs_there(number):
    with pytest.raises(WrongCheckDigit) as refusal:
        sscc.validate(number)
    assert refusal.value.params["expected"] == weighted(number[:-1])
    assert number in str(refusal.value)


def test_the_blind_spot_neighbours_that_differ_by_five_swap_unseen():
    """So nothing may rest on the check digit alone; the list decides. Values made by the rule."""
    one, other = "195212340016000004", "195212340061000004"
    assert one != other
    assert sscc.is_valid(one)
    assert sscc.is_valid(other)


@pytest.mark.parametrize(
    ("digits", "total", "check"),
    [
        ("37610425002123456", 101, "9"),
        ("10614141234567890", 132, "8"),
        ("34012345311111111", 65, "5"),
        ("629104150021", 57, "3"),
        ("950600013435", 78, "2"),
        ("8061414112345", 102, "8"),
        ("61414100003", 54, "6"),
    ],
)
def test_the_weighted_sums_of_the_worked_examples(digits, total, check):
    """The sums as the tables print them, so that the second calculation below is itself checked."""
    assert weighted_sum(digits) == total
    assert gs1.check_digit(digits) == weighted(digits) == check


@given(st.text("0123456789", min_size=1, max_size=30))
def test_the_check_digit_agrees_with_the_rule_calculated_by_hand(digits):
    assert gs1.check_digit(digits) == weighted(digits)


def test_thousands_of_gtins_are_judged_as_python_stdnum_judges_them():
    chance = random.Random(952)
    verdicts = set()
    for _ in range(8000):
        number = "".join(chance.choices("0123456789", k=chance.choice([7, 8, 9, 11, 12, 13, 14, 15])))
        assert gtin.is_valid(number) == ean.is_valid(number), number
        verdicts.add(gtin.is_valid(number))
    assert verdicts == {True, False}


@given(bodies, st.integers(0, 17), st.integers(1, 9))
def test_every_single_wrong_digit_is_caught(body, place, change):
    number = sscc.with_check_digit(body)
    wrong = number[:place] + str((int(number[place]) + change) % 10) + number[place + 1 :]
    assert not sscc.is_valid(wrong)


@given(bodies, st.integers(0, 16))
def test_a_swap_of_neighbours_is_caught_unless_they_are_the_same_or_differ_by_five(body, place):
    number = sscc.with_check_digit(body)
    one, other = number[place : place + 2]
    assume(one != other)
    swapped = number[:place] + other + one + number[place + 2 :]
    assert sscc.is_valid(swapped) == (abs(int(one) - int(other)) == 5)


# GS1-128 labels: Code 128 with FNC1, application identifier (00) of fixed length, symbology identifier ]C1.


@pytest.mark.parametrize(
    "raw", ["]C100106141412345678908", "(00)106141412345678908", "00106141412345678908", "106141412345678908"]
)
def test_the_sscc_of_a_label_however_the_scanner_sends_it(raw):
    scan = read_scan(raw)
    assert (scan.kind, scan.label) == ("sscc", "106141412345678908")


@pytest.mark.parametrize("front", ["]C100", "(00)", "\x1d00", "]d2\x1d00", "]Q300"])
@pytest.mark.parametrize("digits", ["10614141234567890", "1061414123456789085"])
def test_seventeen_or_nineteen_digits_after_the_identifier_are_refused(front, digits):
    with pytest.raises(WrongLength) as refusal:
        read_scan(front + digits)
    assert refusal.value.params["digits"] == len(digits)


@pytest.mark.parametrize("front", ["]C100", "(00)", "00", "", "]C0"])
@pytest.mark.parametrize("number", MISREAD)
def test_a_misread_label_is_refused_however_the_scanner_sends_it(front, number):
    with pytest.raises(WrongCheckDigit):
        read_scan(front + number)


@given(bodies)
def test_every_sscc_is_read_back_from_its_label(body):
    number = sscc.with_check_digit(body)
    assert {read_scan(front + number).label for front in ("", "00", "(00)", "]C100", "]d200")} == {number}


@given(st.text(max_size=30))
def test_no_text_breaks_the_checks(text):
    for kind in (sscc, gtin):
        try:
            assert kind.is_valid(kind.validate(text))
        except NotValid as refusal:
            assert str(refusal).endswith(".")
            assert not kind.is_valid(text)


def weighted_sum(digits):
    return sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(digits)))


def weighted(digits):
    return str(-weighted_sum(digits) % 10)
