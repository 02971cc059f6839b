"""Numbers and addresses as people type them. A thousand never becomes one for want of knowing whose point it is."""

import re
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import EmailField
from django.utils.translation import gettext_lazy as _

# As the pages write it: thousands set apart by commas, and a point before decimals.
GROUPED = re.compile(r"[1-9][0-9]{0,2}(,[0-9]{3}){2,}(\.[0-9]+)?|[1-9][0-9]{0,2},[0-9]{3}\.[0-9]+")
# One sign with exactly three digits behind it sets thousands apart in one country and decimals in the next.
TWO_WAYS = re.compile(r"(-?[1-9][0-9]{0,2})[.,]([0-9]{3})")
NEITHER = {
    "two_ways": _(
        "“%(value)s” can be read as %(large)s or as %(small)s. Write %(large)s if it is thousands, or %(small)s if it "
        "is decimals."
    ),
    "no_decimals": _("“%(value)s” is not clear. Write %(large)s if it is thousands; it cannot have three decimals."),
}
NO_ADDRESS = {"invalid": _("“%(value)s” is no e-mail address. Write it like claims@company.example.")}


class NumberField(forms.DecimalField):
    """A number with a point before its decimals, thousands set apart or not; what is none is named in the refusal.

    What can be read two ways is asked: `1.000` and `1,000` are one to some and a thousand to others. `0.125` and
    `1000.000` are plain, and so is `20.1250`, which stands for a true third decimal.
    """

    default_error_messages = NEITHER | {
        "invalid": _("“%(value)s” is no number. Write it like 1234.50, without other signs.")
    }

    def __init__(self, **options):
        super().__init__(**{"widget": forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})} | options)

    def to_python(self, value):
        text = value.strip() if isinstance(value, str) else ""
        if found := TWO_WAYS.fullmatch(text):
            raise self.asked(text, *found.groups())
        if GROUPED.fullmatch(text):
            text = text.replace(",", "")
        try:
            return self.fitted(super().to_python(text if isinstance(value, str) else value))
        except ValidationError as error:
            raise ValidationError(error.message, code="invalid", params={"value": value}) from None

    def asked(self, text, whole, decimals):
        small = shown(Decimal(f"{whole}.{decimals}"))
        fits = self.decimal_places is None or len(decimals.rstrip("0")) <= self.decimal_places
        code = "two_ways" if fits else "no_decimals"
        told = {"value": text, "large": whole + decimals, "small": small}
        return ValidationError(self.error_messages[code], code=code, params=told)

    def fitted(self, number):
        """Without noughts behind the decimals that the column has."""
        if number is None or self.decimal_places is None or not number.is_finite():
            return number
        shorter = number.normalize()
        is_padded = places(number) > self.decimal_places >= places(shorter)
        return shorter if is_padded else number

    def prepare_value(self, value):
        return shown(value) if isinstance(value, Decimal) and value.is_finite() else value


class WholeField(forms.IntegerField):
    """A whole number. `1.000` is asked, where Django's own field takes it for one."""

    default_error_messages = NEITHER

    def to_python(self, value):
        if isinstance(value, str) and (found := TWO_WAYS.fullmatch(value.strip())):
            whole, decimals = found.groups()
            fits = not decimals.strip("0")
            told = {"value": value.strip(), "large": whole + decimals, "small": whole}
            code = "two_ways" if fits else "no_decimals"
            raise ValidationError(self.error_messages[code], code=code, params=told)
        return super().to_python(value)


def places(number):
    return -number.as_tuple().exponent


def shown(number):
    """A number to be typed over: without idle noughts, and never with three decimals that could be thousands."""
    if places(number) <= 2:
        return f"{number:f}"
    plain = f"{number.normalize():f}"
    return f"{plain}0" if TWO_WAYS.fullmatch(plain) else plain


def as_typed(column, **options):
    """The form field of a model's column, numbers as above and addresses named: to be a `formfield_callback`."""
    kind = column.get_internal_type()
    if isinstance(column, EmailField):
        options["error_messages"] = NO_ADDRESS | options.get("error_messages", {})
    if not column.choices and kind in FORMS:
        options["form_class"] = FORMS[kind]
    return column.formfield(**options)


FORMS = {"DecimalField": NumberField} | dict.fromkeys(
    ("IntegerField", "PositiveIntegerField", "PositiveSmallIntegerField"), WholeField
)
