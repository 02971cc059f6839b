"""Numbers as people type them."""

import pkgutil
from decimal import Decimal
from importlib import import_module

import pytest
from django import forms
from django.core.exceptions import ValidationError

import claims.forms
import receiving.forms
from receiving.fields import NumberField, WholeField, shown


def number(text, places=2):
    return NumberField(max_digits=14, decimal_places=places).clean(text)


@pytest.mark.parametrize(
    ("text", "places", "value"),
    [
        ("12.5", 2, "12.5"),
        ("1000", 2, "1000"),
        (" 1,000.00 ", 2, "1000"),
        ("1,234,567", 2, "1234567"),
        ("1,234,567.89", 2, "1234567.89"),
        ("1000.000", 3, "1000"),
        ("1234.567", 3, "1234.567"),
        ("0.125", 3, "0.125"),
        ("1.00", 2, "1"),
        ("1.0000", 2, "1"),
        ("20.1250", 3, "20.125"),
        ("12.3456", 4, "12.3456"),
        ("-18.5", 1, "-18.5"),
    ],
)
def test_what_is_plain_is_read(text, places, value):
    assert number(text, places) == Decimal(value)


@pytest.mark.parametrize(
    ("text", "places", "large", "small"),
    [
        ("1.000", 2, "1000", "1"),
        ("1,000", 2, "1000", "1"),
        ("12.500", 4, "12500", "12.5"),
        ("20.125", 3, "20125", "20.1250"),
        ("999,900", 4, "999900", "999.9"),
    ],
)
def test_what_can_be_read_two_ways_is_asked_and_both_ways_out_are_taken(text, places, large, small):
    with pytest.raises(ValidationError) as why:
        number(text, places)
    assert why.value.messages == [
        f"“{text}” can be read as {large} or as {small}. "
        f"Write {large} if it is thousands, or {small} if it is decimals."
    ]
    assert number(large, places) == 1000 * number(small, places) == Decimal(large)


def test_three_decimals_that_the_column_has_not_are_not_offered():
    with pytest.raises(ValidationError, match="“1,234” is not clear. Write 1234 if it is thousands"):
        number("1,234")


@pytest.mark.parametrize("text", ["twelve", "12,5", "1.250,00", "NaN", "1.000.000", "1e3x", "12,34,567"])
def test_what_is_none_is_named(text):
    with pytest.raises(ValidationError, match=f"“{text}” is no number"):
        number(text)


def test_too_many_decimals_are_no_thousands():
    with pytest.raises(ValidationError, match="no more than 2 decimal places"):
        number("12.3456")


@pytest.mark.parametrize("text", ["1.000", "1,000"])
def test_a_count_of_a_thousand_is_not_taken_for_one(text):
    with pytest.raises(ValidationError, match=f"“{text}” can be read as 1000 or as 1. Write"):
        WholeField().clean(text)


def test_whole_numbers_are_read():
    assert WholeField().clean("1000") == 1000
    with pytest.raises(ValidationError, match="“1.250” is not clear. Write 1250"):
        WholeField().clean("1.250")
    with pytest.raises(ValidationError, match="whole number"):
        WholeField().clean("12.5")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("150.00", "150.00"),
        ("12.5000", "12.5"),
        ("10.000", "10"),
        ("1000.000", "1000"),
        ("20.125", "20.1250"),
        ("0.125", "0.125"),
    ],
)
def test_what_the_page_shows_is_read_as_the_same_again(value, text):
    assert shown(Decimal(value)) == text
    assert number(text, 4) == Decimal(value)


# What no person types: pages of lists, the places of feeds, and the buttons of the tally.
BY_MACHINE = {"page", "after", "count"}


def visible_numbers():
    """(form, field's name, field) of every field for numbers that a person types in."""
    for package in (receiving.forms, claims.forms):
        for found in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            for form in vars(import_module(found.name)).values():
                for name, field in getattr(form, "base_fields", {}).items():
                    if isinstance(field, forms.IntegerField) and not field.widget.is_hidden and name not in BY_MACHINE:
                        yield form.__name__, name, field


def test_every_form_reads_numbers_so():
    found = list(visible_numbers())
    assert {("ShipmentForm", "weight"), ("ShipmentForm", "pieces"), ("PiecesForm", "pieces")} <= {
        (form, name) for form, name, _field in found
    }
    assert [(form, name) for form, name, field in found if not isinstance(field, NumberField | WholeField)] == []
