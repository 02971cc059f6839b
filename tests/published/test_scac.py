"""Standard carrier alpha codes as the association that assigns them describes them.

Two to four letters; for-hire motor carriers get four, two and three are for railroads and passenger carriers; codes
that end in U, X and Z name containers, private rail cars, chassis and trailers. All codes here are invented.
"""

import pytest

from receiving.identifiers import Empty, NotValid, WrongForm, scac


@pytest.mark.parametrize(
    ("code", "cautions"),
    [
        ("ABCD", []),
        ("AB", ["short_code"]),
        ("ABC", ["short_code"]),
        ("ABCU", ["equipment_code"]),
        ("ABCX", ["equipment_code"]),
        ("ABCZ", ["equipment_code"]),
        ("ABX", ["short_code", "equipment_code"]),
    ],
)
def test_a_code_of_letters_is_valid_with_a_word_where_it_is_unusual(code, cautions):
    assert scac.validate(code) == code
    assert [caution.code for caution in scac.warnings(code)] == cautions


@pytest.mark.parametrize("code", ["A1CD", "ABCDE", "A", "AB CD", "AB-C", "ÄBCD", "ßß", "1234"])
def test_anything_else_is_refused_in_a_sentence_that_names_it(code):
    with pytest.raises(WrongForm) as refusal:
        scac.validate(code)
    assert f"“{code}”" in str(refusal.value)
    assert "two to four letters" in str(refusal.value)
    assert not scac.is_valid(code)


def test_small_letters_and_blanks_around_it_are_no_fault():
    assert scac.validate(" abcd\n") == scac.format("ＡＢＣＤ") == "ABCD"


def test_no_code_is_refused_as_nothing():
    with pytest.raises(Empty):
        scac.validate("")


def test_a_caution_reads_as_a_sentence_about_the_code():
    (caution,) = scac.warnings("abcu")
    assert "“ABCU” ends in U" in caution
    assert caution == caution.sentence.format(**caution.params)


def test_warnings_are_only_for_valid_codes():
    with pytest.raises(NotValid):
        scac.warnings("ABCDE")
