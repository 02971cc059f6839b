"""Container numbers against ISO 6346: its example, its letter values and weights, and python-stdnum."""

import random
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import iso6346

from receiving.identifiers import Empty, NotValid, WrongCheckDigit, WrongForm, container

EXAMPLE = "CSQU3054383"  # The number most often printed to explain the standard.
# A = 10 and on, leaving out the multiples of 11: B = 12, L = 23, V = 34.
VALUES = dict(zip(string.digits + string.ascii_uppercase, [n for n in range(39) if n == 0 or n % 11], strict=True))


def test_the_letter_values_are_those_of_the_standard():
    assert [VALUES[letter] for letter in "ABKLUVZ"] == [10, 12, 21, 23, 32, 34, 38]


def test_the_worked_example_term_by_term():
    terms = [VALUES[character] * 2**place for place, character in enumerate(EXAMPLE[:10])]
    assert terms == [13, 60, 112, 256, 48, 0, 320, 512, 768, 4096]
    assert sum(terms) == 6185
    assert sum(terms) % 11 == container.remainder(EXAMPLE) == 3
    assert container.validate(EXAMPLE) == EXAMPLE


def test_remainder_ten_is_check_digit_nought_valid_and_worth_a_warning():
    """That such serials are discouraged is from memory."""
    assert container.validate("CSQU3054070") == "CSQU3054070"
    assert container.remainder("CSQU3054070") == 10
    assert [caution.code for caution in container.warnings("CSQU3054070")] == ["remainder_ten"]
    assert container.warnings(EXAMPLE) == []


@pytest.mark.parametrize("wrong", ["CSQU3054384", "CSQU3054382", "CSQU3045383", "SCQU3054383"])
def test_a_wrong_or_swapped_character_is_refused(wrong):
    with pytest.raises(WrongCheckDigit) as refusal:
        container.validate(wrong)
    assert refusal.value.params["expected"] == check_digit(wrong)


@pytest.mark.parametrize(
    "odd", ["CSQA3054383", "CSQ3054383", "CSQU305438", "12AU3054383", "CSQR3054383", "ÇSQU3054383"]
)
def test_what_has_not_the_standards_form_is_refused(odd):
    with pytest.raises(WrongForm):
        container.validate(odd)


def test_nothing_is_refused_as_nothing():
    with pytest.raises(Empty):
        container.validate("  ")


@pytest.mark.parametrize("written", ["csqu3054383", " CSQU 305438 3 ", "CSQU305438-3", "CSQU-305438-3"])
def test_the_ways_people_write_it_are_one_number(written):
    assert container.validate(written) == EXAMPLE
    assert container.format(written) == "CSQU 305438 3"


def test_thousands_of_containers_are_judged_as_python_stdnum_and_the_rule_judge_them():
    chance = random.Random(6346)
    verdicts = set()
    for _ in range(8000):
        front = "".join(chance.choices(string.ascii_uppercase, k=3)) + chance.choice("UJZ")
        number = front + "".join(chance.choices(string.digits, k=7))
        verdict = container.is_valid(number)
        assert verdict == iso6346.is_valid(number) == (check_digit(number) == number[-1]), number
        verdicts.add(verdict)
    assert verdicts == {True, False}


@given(st.text(max_size=15))
def test_no_text_breaks_the_check(text):
    try:
        assert container.is_valid(container.validate(text))
    except NotValid:
        assert not container.is_valid(text)


def check_digit(number):
    return str(sum(VALUES[character] * 2**place for place, character in enumerate(number[:10])) % 11 % 10)
