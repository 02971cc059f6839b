"""What the list of dates is narrowed by."""

from django import forms
from django.utils.translation import gettext_lazy as _

from claims.enums import Binds
from claims.models import Claim
from receiving.models import Carrier, Person

WHOSE = [("", _("any")), (Binds.US.value, _("ours")), (Binds.CARRIER.value, _("the carrier's"))]
WITHIN = [("", _("any")), ("7", _("7 days")), ("30", _("30 days")), ("90", _("90 days")), ("365", _("a year"))]


class DueForm(forms.Form):
    """Whose duty, which carrier, by whom, how far ahead. What is late or has no date is in every horizon."""

    binds = forms.ChoiceField(label=_("Whose date"), choices=WHOSE, required=False)
    carrier = forms.ModelChoiceField(
        label=_("Carrier"), queryset=Carrier.objects.order_by("name"), required=False, empty_label=_("any")
    )
    who = forms.ModelChoiceField(
        label=_("By whom"), queryset=Person.objects.none(), required=False, empty_label=_("anybody")
    )
    within = forms.TypedChoiceField(label=_("Due within"), choices=WITHIN, required=False, coerce=int, empty_value=None)

    def __init__(self, data, *, site):
        super().__init__(data)
        people = Person.objects.filter(pk__in=Claim.objects.filter(site=site).values("opened_by"))
        self.fields["who"].queryset = people.order_by("last_name", "first_name", "username")
        for field in self.fields.values():
            field.widget.attrs["class"] = "asked"

    @property
    def used(self):
        """What the address says of the filter, empty fields left out."""
        return {name: self.data[name] for name in self.fields if self.data.get(name)}

    def lets(self, entry, today):
        """Whether the filter shows this `dates.Entry`. Only of a valid form."""
        asked = self.cleaned_data
        if asked["binds"] and entry.binds != asked["binds"]:
            return False
        if asked["carrier"] and entry.carrier != asked["carrier"]:
            return False
        if asked["who"] and entry.who != asked["who"]:
            return False
        return not (asked["within"] and entry.is_known and entry.days_left(today) > asked["within"])
