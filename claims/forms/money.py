from django import forms
from django.utils.translation import gettext_lazy as _

from receiving.filters import DayField
from receiving.models import Account, Carrier


class MoneyFilter(forms.Form):
    """What the money of a site is narrowed by: carrier, account, and the days of filing."""

    carrier = forms.ModelChoiceField(Carrier.objects.order_by("name"), label=_("Carrier"), empty_label=_("any"))
    account = forms.ModelChoiceField(Account.objects.order_by("legal_name"), label=_("Account"), empty_label=_("any"))
    first_day = DayField(label=_("Filed from"))
    last_day = DayField(label=_("Filed until"))

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            field.required = False
            # Of a filter nobody needs to be told that it may stay empty.
            field.widget.attrs["class"] = "asked"

    def clean(self):
        first, last = self.cleaned_data.get("first_day"), self.cleaned_data.get("last_day")
        if first and last and last < first:
            self.add_error("last_day", _("The last day is before the first. Turn them round or leave one empty."))

    def narrow(self, claims):
        """These claims, as far as the filter lets them through."""
        asked = self.cleaned_data
        columns = {
            "carrier": "carrier",
            "account": "account",
            "first_day": "filed_on__gte",
            "last_day": "filed_on__lte",
        }
        return claims.filter(**{column: asked[name] for name, column in columns.items() if asked[name]})

    @property
    def used(self):
        """What the address says of the filter, empty fields left out."""
        return {name: self.data[name] for name in self.fields if self.data.get(name)}
