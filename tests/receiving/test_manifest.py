"""What the cells of a load list mean: no database, plain files in, lines or sentences out."""

from decimal import Decimal
from pathlib import Path

import pytest

from receiving import identifiers
from receiving.documents import manifest
from receiving.documents.manifest import Both, Stores, Unfit
from receiving.documents.tables import Mark, Table, read_table

LISTS = Path(__file__).parents[2] / "fixtures" / "lists"
A, B, C = (identifiers.sscc.with_check_digit(f"19521234{n:09d}") for n in (901, 902, 903))


def read(text, *, stores=("101", "102"), mapping=None, **options):
    data = text if isinstance(text, bytes) else text.encode()
    table = read_table(data, filename="list.csv")
    return read_rows(table, stores=stores, mapping=mapping, **options)


def read_rows(table, *, stores=("101", "102"), mapping=None, add=False, retired=(), **options):
    return manifest.read_rows(
        table,
        mapping=mapping or manifest.recognise_headings(table.headings)[0],
        stores=Stores(known=frozenset(stores), retired=frozenset(retired), add=add),
        **options,
    )


def codes(found):
    return [(row.line, row.code) for row in found.bad]


# -- Headings


@pytest.mark.parametrize(
    ("heading", "field"),
    [
        ("Carton ID", "label"),
        ("CARTON_NO", "label"),
        ("cartonid", "label"),
        ("SSCC-18", "label"),
        ("License Plate", "label"),
        ("Case #", "label"),
        ("Código de caja", "label"),
        ("Nº de serie", "label"),
        ("Store", "store"),
        ("Ship-To Store Number", "store"),
        ("ShipTo", "store"),
        ("Ship to:", "store"),
        ("Dest.", "store"),
        ("TIENDA", "store"),
        ("P.O.", "purchase_order"),
        ("PO #", "purchase_order"),
        ("Purchase Order Number", "purchase_order"),
        ("Orden de compra", "purchase_order"),
        ("Descripción", "description"),
        ("Item", "description"),
        ("Qty", "pieces"),
        ("Cartons", "pieces"),
        ("Carton", "label"),
        ("Piezas", "pieces"),
        ("Weight (kg)", "weight"),
        ("Gross Wt", "weight"),
        ("Unit Cost", "unit_value"),
        ("Valor unitario", "unit_value"),
        ("Units per carton", "units"),
        ("Pack Size", "units"),
        ("HazMat", "hazmat"),
        ("UN Number", "hazmat"),
        ("Frágil", "fragile"),
        ("Flags", "flags"),
        ("Remarks", None),
        ("", None),
    ],
)
def test_headings_are_known_whatever_their_case_accents_and_signs(heading, field):
    found = manifest.meaning(heading)
    assert (found and found[0]) == field


def test_columns_are_recognised_in_any_order_and_the_more_telling_one_is_taken():
    mapping, remarks = manifest.recognise_headings(["Store", "Carton", "SSCC", "Qty"])
    assert mapping == {"store": 0, "label": 2, "pieces": 3}
    assert remarks == []


def test_two_columns_that_could_be_the_same_are_left_to_a_person():
    mapping, remarks = manifest.recognise_headings(["Carton", "Carton", "Store"])
    assert mapping == {"store": 2}
    assert remarks == ["Columns “Carton”, “Carton” could all be the carton id. Choose one."]


def test_the_fingerprint_forgets_case_and_signs_but_not_order():
    assert manifest.fingerprint(["Carton #", "STORE"]) == manifest.fingerprint(["carton", "Store:"])
    assert manifest.fingerprint(["a", "b"]) != manifest.fingerprint(["b", "a"])
    assert manifest.fingerprint(["a b", "c"]) != manifest.fingerprint(["a", "b c"])


# -- Numbers


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("12", Decimal("12")),
        ("12.50", Decimal("12.50")),
        ("12,50", Decimal("12.50")),
        ("0.500", Decimal("0.500")),
        ("0,500", Decimal("0.500")),
        ("1234.567", Decimal("1234.567")),
        ("1,234.5", Decimal("1234.5")),
        ("1.234,5", Decimal("1234.5")),
        ("1.234.567", Decimal("1234567")),
        ("1 234,5", Decimal("1234.5")),
        ("1\u202f234", Decimal("1234")),
        ("1'234.5", Decimal("1234.5")),
        (".5", Decimal("0.5")),
        ("", None),
        ("1.234", Both(Decimal("1.234"), Decimal("1234"))),
        ("12,345", Both(Decimal("12345"), Decimal("12.345"))),
    ],
)
def test_numbers_are_read_with_either_decimal_sign_and_never_guessed(text, number):
    assert manifest.read_number(text) == number


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("-5", "negative"),
        ("(12.50)", "negative"),
        ("−3", "negative"),
        ("1.2E+3", "scientific"),
        ("twelve", "not_a_number"),
        ("1,23,4", "not_a_number"),
        ("1.2.3", "not_a_number"),
        ("١٢", "not_a_number"),
        ("12 50", "not_a_number"),
        ("NaN", "not_a_number"),
        ("1_000", "not_a_number"),
    ],
)
def test_what_is_no_number_is_refused_with_its_own_reason(text, code):
    with pytest.raises(Unfit) as why:
        manifest.read_number(text)
    assert why.value.code == code


def test_an_ambiguous_weight_is_refused_until_the_file_or_a_person_tells():
    lone = read(f"carton,store,weight\n{A},101,1.234\n")
    assert codes(lone) == [(2, "ambiguous")]
    assert "1.234 or as 1234" in lone.bad[0].reason
    told = read(f"carton,store,weight\n{A},101,1.234\n{B},101,2.5\n")
    assert [line.weight for line in told.lines] == [Decimal("1.234"), Decimal("2.5")]
    comma = read(f"carton;store;weight\n{A};101;1.234\n{B};101;2,5\n")
    assert [line.weight for line in comma.lines] == [Decimal("1234"), Decimal("2.5")]
    chosen = read(f"carton,store,weight\n{A},101,1.234\n", decimal=",")
    assert chosen.lines[0].weight == Decimal("1234")


def test_contradicting_numbers_tell_nothing():
    found = read(f"carton;store;weight;value\n{A};101;1.234;2,5\n{B};101;2.5;1\n")
    assert codes(found) == [(2, "ambiguous")]


def test_with_a_chosen_sign_the_other_one_is_refused():
    found = read(f"carton;store;weight\n{A};101;2,5\n{B};101;2.5\n", decimal=".")
    assert codes(found) == [(2, "not_a_number")]


def test_weights_headed_in_the_other_unit_are_converted_and_it_is_said():
    found = read(f"carton,store,weight (kg)\n{A},101,10.0\n", weight_unit="lb")
    assert found.lines[0].weight == Decimal("22.046")
    assert "The list's weights are in kg; they are kept in lb." in found.remarks
    back = read(f"carton,store,weight lbs\n{A},101,100.0 lb\n", weight_unit="kg")
    assert back.lines[0].weight == Decimal("45.359")


def test_a_weight_in_another_unit_than_its_column_is_refused():
    assert codes(read(f"carton,store,weight\n{A},101,10.5 kg\n{B},102,9.5 lbs\n")) == [(2, "other_unit")]


def test_money_may_carry_the_sites_own_sign_and_no_other():
    found = read(f"carton,store,value\n{A},101,$12.50\n{B},101,USD 3.25\n{C},101,€4.50\n")
    assert [line.unit_value for line in found.lines] == [Decimal("12.5"), Decimal("3.25")]
    assert codes(found) == [(4, "not_a_number")]


@pytest.mark.parametrize(
    ("column", "value", "code"),
    [
        ("qty", "0", "out_of_range"),
        ("qty", "10000", "out_of_range"),
        ("qty", "1.5", "not_whole"),
        ("qty", "-1", "negative"),
        ("weight", "10000000", "too_large"),
        ("value", "100000000", "too_large"),
        ("pack", "1000001", "out_of_range"),
        ("hazmat", "maybe", "not_yes_or_no"),
        ("flags", "soggy", "unknown_flag"),
        ("po", "x" * 41, "too_long"),
        ("description", "x" * 121, "too_long"),
        ("description", "a\u202eb", "unseen"),
        ("description", "a\x07b", "unseen"),
        ("po", "a\u200bb", "unseen"),
    ],
)
def test_a_cell_that_cannot_be_is_named_with_line_column_value_and_reason(column, value, code):
    found = read(f'carton,store,{column}\nBOX-1,101,"{value}"\nBOX-2,101,\n')
    assert codes(found) == [(2, code)]
    row = found.bad[0]
    assert row.column == column
    assert row.reason.endswith((".", "!"))
    assert [line.label for line in found.lines] == ["BOX-2"]


def test_all_that_is_wrong_in_a_line_is_told_at_once():
    found = read("carton,store,weight,food\n,777,heavy,perhaps\n")
    assert {row.code for row in found.bad} == {"label_missing", "unknown_store", "not_a_number", "not_yes_or_no"}
    assert found.bad_lines == 1


def test_yes_and_no_in_two_languages_and_hazard_numbers():
    text = f"carton;store;hazmat;food;fragile\n{A};101;UN1263;sí;\n{B};101;no;Y;X\n{C};101;;0;false\n"
    found = read(text)
    assert [(line.hazmat, line.food, line.fragile) for line in found.lines] == [
        (True, True, False),
        (False, True, True),
        (False, False, False),
    ]


def test_marks_in_words():
    found = read(f'carton,store,flags\n{A},101,"hazmat; frágil"\n{B},101,FOOD\n{C},101,-\n')
    assert [(line.hazmat, line.food, line.fragile) for line in found.lines] == [
        (True, False, True),
        (False, True, False),
        (False, False, False),
    ]


# -- Labels


def test_the_quick_check_is_the_same_rule_as_the_slow_one():
    for n in range(2_000):
        text = f"{n * 7919:018d}"
        assert manifest.is_plain_sscc(text) == identifiers.sscc.is_valid(text)
    assert not manifest.is_plain_sscc("١" * 18)
    assert not manifest.is_plain_sscc(A[:-1])


@pytest.mark.parametrize(
    ("text", "label"),
    [(A, A), (f"00{A}", A), (f"(00){A}", A), (f"{A[:1]} {A[1:8]} {A[8:17]} {A[17]}", A), ("box  7/12", "BOX 7/12")],
)
def test_labels_are_read_as_a_scan_would_be(text, label):
    assert manifest.read_label(text) == label


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "label_missing"),
        ("1.95212E+17", "scientific"),
        ("9.52123E+16", "scientific"),
        ("195212340000000.00", "decimal"),
        ("'195212340000000010", "apostrophe"),
        ("95212340000003014", "lost_zeros"),
        (A[:-1] + str((int(A[-1]) + 1) % 10), "wrong_check_digit"),
        ("(00)19521234000000001", "wrong_length"),
        ("x" * 49, "too_long"),
        ("box\u200b7", "unseen"),
    ],
)
def test_labels_that_a_spreadsheet_or_a_hand_has_hurt_are_refused(text, code):
    with pytest.raises(Unfit) as why:
        manifest.read_label(text)
    assert why.value.code == code


def workbook_table(labels, marks):
    return Table(
        kind="xlsx",
        heading_line=1,
        headings=("carton", "store"),
        rows=[[label, "101"] for label in labels],
        lines=range(2, 2 + len(labels)),
        marks=marks,
    )


@pytest.mark.parametrize(
    ("text", "mark", "code"),
    [
        (A, Mark.FORMULA, "formula"),
        ("1234567890123456", Mark.NUMBER, "number_cell"),
        (A, Mark.NUMBER, "number_cell"),
        ("12.5", Mark.NUMBER, "not_text"),
        ("2026-03-02", Mark.DATE, "not_text"),
        ("TRUE", Mark.BOOLEAN, "not_text"),
        ("#N/A", Mark.ERROR, "not_text"),
    ],
)
def test_a_carton_id_that_is_not_text_in_its_workbook_is_refused(text, mark, code):
    assert codes(read_rows(workbook_table([text], {(0, 0): mark}))) == [(2, code)]


def test_short_number_cells_are_taken_and_a_look_at_a_label_is_asked_for():
    found = read_rows(workbook_table(["12345", "12346"], {(0, 0): Mark.NUMBER, (1, 0): Mark.NUMBER}))
    assert [line.label for line in found.lines] == ["12345", "12346"]
    assert any("2 carton ids are number cells" in remark for remark in found.remarks)


def test_other_cells_of_a_workbook_that_are_not_what_they_seem():
    table = workbook_table(["A", "B", "C"], {(0, 1): Mark.ERROR, (1, 1): Mark.DATE, (2, 1): Mark.NUMBER})
    assert codes(read_rows(table)) == [(2, "error_cell"), (3, "date_cell")]


def test_numbers_of_a_workbook_are_not_ambiguous():
    table = Table(
        kind="xlsx",
        heading_line=1,
        headings=("carton", "store", "weight"),
        rows=[["A", "101", "1.234"], ["B", "101", "1.234"]],
        lines=[2, 3],
        marks={(0, 2): Mark.NUMBER},
    )
    found = read_rows(table)
    assert codes(found) == [(3, "ambiguous")]
    assert found.lines[0].weight == Decimal("1.234")


def test_codes_that_all_end_in_three_noughts_were_rounded():
    rounded = [label for n in range(20_000) if (label := f"1952123400{n:05d}000") and manifest.is_plain_sscc(label)][:3]
    assert len(rounded) == 3
    found = read("carton,store\n" + "".join(f"{label},101\n" for label in rounded))
    assert {row.code for row in found.bad} == {"rounded"}
    assert found.bad_lines == 3


def test_serials_of_seventeen_digits_are_not_all_taken_for_codes_without_zeros():
    serials = [f"{10**16 + n * 7}" for n in range(60)]
    assert any(identifiers.spreadsheet_damage(serial) for serial in serials)
    found = read("carton,store\n" + "".join(f"{serial},101\n" for serial in serials))
    assert found.bad == []
    assert [line.label for line in found.lines] == serials
    assert any("16 or 17 digits" in remark for remark in found.remarks)


def test_a_lone_code_without_its_zeros_is_refused_beside_a_few_other_numbers():
    others = [n for n in map(str, range(10**16, 10**16 + 20)) if not identifiers.spreadsheet_damage(n)][:3]
    found = read("carton,store\n" + "".join(f"{n},101\n" for n in ["95212340000003014", *others]))
    assert codes(found) == [(2, "lost_zeros")]


def test_serials_of_different_lengths_without_any_zero_in_front_are_pointed_at():
    found = read("carton,store\n7001,101\n70012,101\n")
    assert "Carton ids have 4 to 5 digits and none begins with 0: compare one with its label." in found.remarks
    assert read("carton,store\n07001,101\n70012,101\n").remarks == []


# -- Repeats, stores, lines that are none


def test_a_label_that_repeats_becomes_one_line_with_a_count():
    found = read_rows(
        read_table((LISTS / "repeated-labels.csv").read_bytes(), filename="x"), stores=("0101", "0102", "0103")
    )
    assert [(line.label, line.expected) for line in found.lines] == [
        ("FERN-TENT-2", 7),
        ("FERN-TENT-4", 2),
        ("FERN-MAT", 10),
    ]
    assert found.cartons == 19
    assert found.remarks == ["1 label stands in more than one line and is expected that often: “FERN-TENT-2”."]


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (f"{A},101,1\n{A},101,1\n", "repeated_sscc"),
        ("TENT,101,1\nTENT,102,1\n", "two_stores"),
        ("TENT,101,9000\nTENT,101,9000\n", "out_of_range"),
    ],
)
def test_a_label_that_cannot_repeat_is_refused_in_its_second_line(rows, code):
    found = read(f"carton,store,qty\n{rows}")
    assert codes(found) == [(3, code)]


def test_a_container_code_for_several_pieces_is_refused_with_the_way_out():
    found = read(f"carton,store,qty\n{A},101,12\n")
    assert codes(found) == [(2, "sscc_pieces")]
    assert "units in a carton" in found.bad[0].reason


def test_repeats_that_say_different_things_are_told():
    found = read("carton,store,description\nTENT,101,red\nTENT,101,blue\n")
    assert found.lines[0].description == "red"
    assert "Label TENT says different things in lines 2 and 3; the first was taken." in found.remarks


def test_store_numbers_that_lost_their_zeros_are_completed_when_only_one_store_fits():
    found = read(f"carton,store\n{A},101\n", stores=("0101",))
    assert found.lines[0].store == "0101"
    assert "Store 101 was read as 0101." in found.remarks
    assert codes(read(f"carton,store\n{A},101\n", stores=("0101", "00101"))) == [(2, "unknown_store")]


def test_a_retired_store_is_refused_even_when_stores_may_be_added():
    table = read_table(f"carton,store\n{A},9\n".encode(), filename="x")
    assert codes(read_rows(table, retired=("9",), add=True)) == [(2, "retired_store")]


def test_new_stores_are_gathered_whether_they_may_be_added_or_not():
    table = read_table(f"carton,store\n{A},9\n{B},8\n".encode(), filename="x")
    stores = Stores(known=frozenset(), add=True)
    found = manifest.read_rows(table, mapping={"label": 0, "store": 1}, stores=stores)
    assert (found.bad, stores.new) == ([], {"8", "9"})


def test_repeated_headings_and_totals_are_passed_over_and_told():
    found = read(f"carton,store,qty\n{A},101,1\ncarton,store,qty\n{B},102,1\nTOTAL,,2\n")
    assert [line.line for line in found.lines] == [2, 4]
    assert (found.rows, found.bad) == (2, [])
    assert found.remarks == [
        "1 line repeats the headings and was passed over.",
        "Line 5 is a total and was passed over.",
    ]


def test_a_line_with_more_cells_than_the_heading_is_refused_one_with_fewer_is_told():
    found = read(f"carton,store,description\n{A},101,lamp, oil\n{B},101\n")
    assert codes(found) == [(2, "ragged")]
    assert found.remarks == ["1 line is shorter than the heading; what is missing was read as empty."]


# -- The example lists


def test_the_spanish_list_with_semicolons_and_decimal_commas():
    table = read_table((LISTS / "spanish-semicolons.csv").read_bytes(), filename="x.csv")
    found = read_rows(table, stores=("0101", "0102", "0103"), weight_unit="kg")
    assert found.bad == []
    first = found.lines[0]
    assert (first.store, first.purchase_order, first.description) == ("0101", "OC-40", "Botas de lluvia")
    assert (first.weight, first.unit_value) == (Decimal("3.75"), Decimal("1204.5"))
    assert [line.fragile for line in found.lines] == [False] * 5 + [True]


def test_the_workbook_with_a_title_above_its_heading():
    table = read_table((LISTS / "workbook.xlsx").read_bytes(), filename="x.xlsx")
    found = read_rows(table, stores=("0101", "0102", "0103"))
    assert found.bad == []
    assert [line.line for line in found.lines] == [4, 5, 6, 7, 8, 9]
    assert (found.lines[1].weight, found.lines[1].units) == (Decimal("9.5"), 12)
    assert any("Notes" in remark for remark in found.remarks)


def test_the_list_that_a_spreadsheet_damaged():
    table = read_table((LISTS / "damaged-by-a-spreadsheet.csv").read_bytes(), filename="x.csv")
    found = read_rows(table, stores=("0101", "0102", "0103"))
    assert codes(found) == [
        (3, "scientific"),
        (4, "lost_zeros"),
        (5, "wrong_check_digit"),
        (6, "store_missing"),
        (6, "negative"),
    ]
    assert len(found.lines) == 1
