import doctest
import pkgutil
import subprocess
import sys
from importlib import import_module
from string import Formatter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from receiving import identifiers
from receiving.identifiers import (
    Caution,
    ControlCharacters,
    Empty,
    NotValid,
    Several,
    TooLong,
    WrongCheckDigit,
    WrongForm,
    WrongLength,
    gs1,
    gtin,
    read_scan,
    spreadsheet_damage,
    sscc,
)

CARTON = "195212340000000010"
OTHER_CARTON = "195212340000000027"
GTIN14 = "09521234000013"
GS = "\x1d"
MODULES = [import_module(found.name) for found in pkgutil.iter_modules(identifiers.__path__, "receiving.identifiers.")]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_the_examples_in_the_documentation_are_true(module):
    assert doctest.testmod(module).failed == 0


def test_the_package_is_a_leaf_without_django():
    told = "import sys, receiving.identifiers, receiving.clock; print('django' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True).stdout == "False\n"


@pytest.mark.parametrize("name", ["sscc", "gtin", "container", "scac"])
def test_every_kind_of_number_has_the_same_verbs(name):
    kind = getattr(identifiers, name)
    assert all(callable(getattr(kind, verb)) for verb in ("compact", "validate", "is_valid", "format"))
    assert not kind.is_valid("")
    assert not kind.is_valid(None)
    with pytest.raises(Empty):
        kind.validate(None)


# Reading a label


@pytest.mark.parametrize(
    "raw",
    [
        CARTON,
        f"  {CARTON}\r\n",
        f"\x02{CARTON}\x03",
        f"00{CARTON}",
        f"(00){CARTON}",
        "(00) 1 9521234 000000001 0",
        "1 9521234 000000001 0",
        f"]C100{CARTON}",
        f"]C1{GS}00{CARTON}{GS}",
        f"{GS}00{CARTON}",
        f"]C000{CARTON}",
        f"]d200{CARTON}",
        f"]Q300{CARTON}",
        f"]C1]C100{CARTON}",
        f"]C1 00{CARTON}",
        f"]C100{CARTON}3712",
        f"]d202{GTIN14}3712{GS}00{CARTON}",
        f"]d210LOT7{GS}00{CARTON}",
        f"(02){GTIN14}(37)12(00){CARTON}",
        f"]d202{GTIN14}{GS}00{CARTON}",
        f"]d2200100{CARTON}",
        f"]d200{CARTON}00{CARTON}",
        f"( 00 ) {CARTON}",
        "１９５２１２３４００００００００１０",
    ],
)
def test_a_carton_id_in_any_wrapping_is_the_same_eighteen_digits(raw):
    scan = read_scan(raw)
    assert (scan.kind, scan.label, scan.raw) == ("sscc", CARTON, raw)


@pytest.mark.parametrize(
    ("raw", "symbology"), [(f"]C100{CARTON}", "]C1"), ("]A0BOX 7", "]A0"), (CARTON, ""), ("]", "")]
)
def test_what_the_scanner_called_the_symbol_is_kept(raw, symbology):
    assert read_scan(raw).symbology == symbology


@pytest.mark.parametrize(
    ("raw", "label"),
    [
        (f"]C101{GTIN14}", GTIN14),
        (f"(01){GTIN14}", GTIN14),
        (f"(02){GTIN14}(37)12", GTIN14),
        (f"]d201{GTIN14}10LOT7", GTIN14),
        (f"]I1{GTIN14}", GTIN14),
        ("]E09521234543213", "9521234543213"),
        ("9521234543213", "9521234543213"),
        ("614141000036", "614141000036"),
        ("6 14141 00003 6", "614141000036"),
    ],
)
def test_a_trade_item_number_is_recognised_and_kept_as_it_came(raw, label):
    scan = read_scan(raw)
    assert (scan.kind, scan.label) == ("gtin", label)


@pytest.mark.parametrize(
    ("raw", "label"),
    [
        ("box  7/12 ", "BOX 7/12"),
        ("]A0lpn-000123", "LPN-000123"),
        ("]", "]"),
        ("()", "()"),
        ("(01)123", "(01)123"),
        ("9521234543214", "9521234543214"),
        ("12-345678-9012-345678", "12-345678-9012-345678"),
        ("9-521234-543213", "9-521234-543213"),
        ("000000000000000001234", "000000000000000001234"),
        ("0012345", "0012345"),
        ("Ñandú 4", "ÑANDÚ 4"),
        (f"]C110LOT7{GS}21A9", "10LOT7 21A9"),
        ("]C1101234567890123456", "101234567890123456"),
        ("ＢＯＸ７", "BOX7"),
        ("x" * 48, "X" * 48),
    ],
)
def test_a_label_that_only_looks_odd_is_taken_as_it_is(raw, label):
    scan = read_scan(raw)
    assert (scan.kind, scan.label) == ("label", label)


@pytest.mark.parametrize(
    ("raw", "refusal", "says"),
    [
        ("", Empty, "Scan the label again or type it"),
        (None, Empty, "Nothing was read"),
        (f" \t\r\n{GS}", Empty, "Nothing was read"),
        ("]C1", Empty, "Nothing was read"),
        ("(00)", Empty, "Nothing was read"),
        ("195212340000000011", WrongCheckDigit, "should be 0"),
        ("(00)195212340000000011", WrongCheckDigit, "Scan again or type it from the label"),
        (f"(01){GTIN14[:-1]}4", WrongCheckDigit, "should be 3"),
        (f"]C100{CARTON[:-1]}", WrongLength, "has 17 digits, not 18"),
        (f"]C100{CARTON}5", WrongLength, "has 19 digits, not 18"),
        (f"]C100{CARTON}55", WrongLength, "has 20 digits, not 18"),
        (f"]C100{CARTON}5{GS}10LOT7", WrongLength, "has 19 digits, not 18"),
        ("(00)19521234000000001O", WrongForm, "not written as 18 digits"),
        (f"(00){CARTON}(00){OTHER_CARTON}", Several, "Scan one label at a time"),
        (f"]d200{CARTON}00{OTHER_CARTON}", Several, "more than one carton number"),
        ("BOX\x077", ControlCharacters, "“BOX·7”"),
        ("BOX\t7", ControlCharacters, "“BOX·7”"),
        ("BOX\u200b7", ControlCharacters, "cannot be seen"),
        ("BOX\u202e7", ControlCharacters, "cannot be seen"),
        ("BOX\ud8007", ControlCharacters, "cannot be seen"),
        ("x" * 49, TooLong, "has 49 characters; a label has at most 48"),
        ("ß" * 25, TooLong, "has 50 characters"),
    ],
)
def test_what_cannot_be_a_label_is_refused_with_the_way_out(raw, refusal, says):
    with pytest.raises(NotValid) as refused:
        read_scan(raw)
    assert type(refused.value) is refusal
    assert says in str(refused.value)


@given(st.text(st.characters() | st.sampled_from("0123456789()]CdQ \x1d"), max_size=60))
def test_any_text_is_one_tidy_label_or_one_refusal(raw):
    try:
        scan = read_scan(raw)
    except NotValid as refusal:
        assert str(refusal)
        return
    assert 0 < len(scan.label) <= identifiers.MAX_LABEL
    assert scan.label == " ".join(scan.label.split())
    assert not identifiers.characters.has_unseen(scan.label)
    assert scan.kind != "sscc" or sscc.is_valid(scan.label)


@given(st.text("0123456789ABCXYZ -/.", min_size=1, max_size=40))
def test_a_label_read_again_is_the_same_label(raw):
    try:
        first = read_scan(raw)
    except NotValid:
        return
    again = read_scan(first.label)
    assert (again.kind, again.label) == (first.kind, first.label)


# Sentences


def kinds_of_refusal():
    return NotValid.__subclasses__()


def test_every_refusal_has_a_code_of_its_own_and_can_be_translated():
    assert len({kind.code for kind in kinds_of_refusal()}) == len(kinds_of_refusal()) == 7
    for kind in kinds_of_refusal():
        names = {name for _, name, _, _ in Formatter().parse(kind.sentence) if name}
        error = kind("12", **dict.fromkeys(names - {"value"}, "?"))
        assert str(error) == error.sentence.format(**error.params)
        assert str(error).endswith(".")


def test_a_long_or_unseen_value_is_quoted_short_and_seen():
    with pytest.raises(WrongForm) as refused:
        sscc.validate("A\x00" + "B" * 500)
    assert "“A·BBB" in str(refused.value)
    assert len(str(refused.value)) < 150


# Reading aloud


def test_an_sscc_is_grouped_by_the_length_of_its_company_prefix():
    assert sscc.format(CARTON) == "1 9521234 000000001 0"
    assert sscc.format(f"(00){CARTON}", prefix_length=9) == "1 952123400 0000001 0"
    assert sscc.validate(sscc.format(CARTON, prefix_length=12)) == CARTON


@pytest.mark.parametrize("prefix_length", [0, 3, 13, 17])
def test_no_company_prefix_has_such_a_length(prefix_length):
    with pytest.raises(ValueError, match=f"not {prefix_length}"):
        sscc.format(CARTON, prefix_length=prefix_length)


@pytest.mark.parametrize(
    ("number", "grouped"),
    [
        (gs1.with_check_digit("9521234"), "9521 2340"),
        ("614141000036", "6 14141 00003 6"),
        ("9521234543213", "9 521234 543213"),
        (GTIN14, "0 95 21234 00001 3"),
    ],
)
def test_a_gtin_is_grouped_by_its_length(number, grouped):
    assert gtin.format(number) == grouped
    assert gtin.validate(grouped) == number


def test_lengths_of_one_gtin_compare_under_fourteen_digits():
    assert gtin.fourteen("614141000036") == gtin.fourteen("0614141000036") == "00614141000036"


@pytest.mark.parametrize(("digits", "refusal"), [("", Empty), ("12a", WrongForm), ("٣٤", WrongForm)])
def test_a_check_digit_is_only_for_digits(digits, refusal):
    with pytest.raises(refusal):
        gs1.with_check_digit(digits)


# Seals, bills, trailers


@pytest.mark.parametrize(
    ("paper", "seal"), [("AB 0012-345", "ab0012345"), ("0123456", " 0123456 "), ("12\u201334", "12-34"), ("１２", "12")]
)
def test_one_seal_written_in_two_ways_agrees(paper, seal):
    assert identifiers.seals_agree(paper, seal)
    assert identifiers.compact_seal(paper) == identifiers.compact_seal(seal)
    assert not identifiers.seals_differ_by_zeros(paper, seal)


@pytest.mark.parametrize(("paper", "seal"), [("0123456", "123456"), ("AB00123", "AB123"), ("007", "0007")])
def test_seals_that_differ_by_zeros_in_front_do_not_agree_and_are_told_apart(paper, seal):
    assert not identifiers.seals_agree(paper, seal)
    assert identifiers.seals_differ_by_zeros(paper, seal)


@pytest.mark.parametrize(
    ("paper", "seal"), [("0123456", "0123465"), ("120", "12"), ("1020", "120"), ("", "0"), ("O1", "01")]
)
def test_other_differences_are_another_seal(paper, seal):
    assert not identifiers.seals_agree(paper, seal)
    assert not identifiers.seals_differ_by_zeros(paper, seal)


def test_a_reference_is_kept_tidy_and_looked_up_bare():
    assert identifiers.tidy_reference("  pro\u00a0123-456.7 \n") == "PRO 123-456.7"
    assert identifiers.compact_reference("  pro\u00a0123-456.7 \n") == "PRO1234567"
    assert identifiers.compact_reference("0012") == "0012"
    assert identifiers.tidy_reference(None) == ""


@pytest.mark.parametrize(
    ("trailer", "codes"),
    [
        ("53-1187", []),
        ("", []),
        ("CSQU3054383", []),
        ("CSQU 305438 4", ["container_check_digit"]),
        ("CSQU3054070", ["remainder_ten"]),
        ("ABCD1234567", []),
    ],
)
def test_a_trailer_may_bear_any_number_but_a_misread_container_is_worth_a_word(trailer, codes):
    assert [caution.code for caution in identifiers.trailer_warnings(trailer)] == codes


# Spreadsheets


@pytest.mark.parametrize(
    ("cell", "is_number_cell", "code"),
    [
        ("1.95212E+17", False, "scientific"),
        ("1,95212e+17", False, "scientific"),
        (" 1.95E+17 ", True, "scientific"),
        (1.9521234e17, True, "scientific"),
        ("195212340000000010.0", False, "decimal"),
        ("123456,00", False, "decimal"),
        (f"'{CARTON}", False, "apostrophe"),
        (f"’{CARTON}", False, "apostrophe"),
        ("95212340000009009", False, "lost_zeros"),
        (95212340000009009, True, "lost_zeros"),
        (gs1.with_check_digit("00" + "952123400000900")[2:], False, "lost_zeros"),
        (195212340000000010, True, "number_cell"),
        (CARTON, True, "number_cell"),
        ("1234567890123456", True, "number_cell"),
    ],
)
def test_what_a_spreadsheet_did_to_a_carton_id_is_said(cell, is_number_cell, code):
    damage = spreadsheet_damage(cell, is_number_cell=is_number_cell)
    assert isinstance(damage, Caution)
    assert damage.code == code
    assert damage == damage.sentence.format(**damage.params)


@pytest.mark.parametrize(
    ("cell", "is_number_cell"),
    [
        (CARTON, False),
        (f"00{CARTON}", False),
        ("095212340000009009", False),
        ("95212340000009008", False),
        ("12E34", False),
        ("1E5", False),
        ("7.0", False),
        ("BOX'7", False),
        ("LPN-1.0", False),
        (12345678, True),
        (12345678.0, True),
        ("123456789012345", True),
        ("", False),
        (None, True),
    ],
)
def test_what_a_spreadsheet_left_alone_is_not_called_damaged(cell, is_number_cell):
    assert spreadsheet_damage(cell, is_number_cell=is_number_cell) is None


def test_lost_zeros_are_named_with_the_whole_number():
    damage = spreadsheet_damage("95212340000009009")
    assert "“95212340000009009” has 17 digits" in damage
    assert "095212340000009009" in damage


@given(st.text("0123456789", min_size=15, max_size=15))
def test_every_carton_id_that_lost_one_or_two_zeros_is_found(serial):
    """Extension digit and the prefix's first digit 0, as with many company prefixes."""
    number = sscc.with_check_digit("0" + "0" + serial)
    if number[2] != "0":
        assert spreadsheet_damage(number.lstrip("0")).code == "lost_zeros"
    assert spreadsheet_damage(number) is None
