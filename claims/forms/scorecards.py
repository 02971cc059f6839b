from datetime import date

from django import forms
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import company
from claims.models import Scorecard
from claims.scorecard.verdicts import LABELS
from receiving.models import Carrier


def month_of(text) -> date:
    """`2026-03` -> its first day."""
    return date(int(text[:4]), int(text[5:7]), 1)


def named(months):
    """(value, words) of months, newest first."""
    return [(f"{month:%Y-%m}", date_format(month, "F Y")) for month in sorted(months, reverse=True)]


class CardFilter(forms.Form):
    """What the list of issued cards is narrowed by."""

    month = forms.ChoiceField(label=gettext_lazy("Month"))
    carrier = forms.ModelChoiceField(
        Carrier.objects.none(), label=gettext_lazy("Carrier"), empty_label=gettext_lazy("any")
    )
    verdict = forms.ChoiceField(label=gettext_lazy("Verdict on damage"))
    which = forms.ChoiceField(label=gettext_lazy("Which"))

    def __init__(self, data, *, site):
        super().__init__(data)
        rows = Scorecard.objects.filter(site=company.column(site)).order_by()
        self.rows = rows
        months = rows.values_list("month", flat=True).distinct()
        self.fields["month"].choices = [("", _("any")), *named(months)]
        self.fields["carrier"].queryset = Carrier.objects.filter(pk__in=rows.values("carrier")).order_by("name")
        self.fields["verdict"].choices = [("", _("any")), *((str(key), words) for key, words in LABELS.items())]
        self.fields["which"].choices = [
            ("", _("those that stand")),
            ("all", _("all, restated ones too")),
            ("restated", _("restated ones only")),
        ]
        for name, field in self.fields.items():
            field.required = False
            # Of a filter nobody needs to be told that it may stay empty.
            field.widget.attrs["class"] = "asked"
            field.error_messages["invalid_choice"] = UNKNOWN[name]

    def chosen(self):
        """The cards that the filter lets through, newest first."""
        asked, rows = self.cleaned_data, self.rows
        if asked["month"]:
            rows = rows.filter(month=month_of(asked["month"]))
        if asked["carrier"]:
            rows = rows.filter(carrier=asked["carrier"])
        if asked["verdict"]:
            rows = rows.filter(verdict=asked["verdict"])
        if asked["which"] != "all":
            rows = rows.filter(restated_by__isnull=asked["which"] != "restated")
        return rows.order_by("-number")

    @property
    def used(self):
        """What the address says of the filter, empty fields left out."""
        return {name: self.data[name] for name in self.fields if self.data.get(name)}


UNKNOWN = {
    "month": gettext_lazy("No card of that month was issued here. Choose one of the list."),
    "carrier": gettext_lazy("No card of that carrier was issued here. Choose one of the list."),
    "verdict": gettext_lazy("There is no such verdict. Choose one of the list."),
    "which": gettext_lazy("There is no such choice. Choose one of the list."),
}


class MonthForm(forms.Form):
    """The month whose cards are looked at; months -- those that are over and had trailers."""

    month = forms.ChoiceField(
        label=gettext_lazy("Month"),
        required=False,
        error_messages={
            "invalid_choice": gettext_lazy(
                "Cards are issued for months that are over and had trailers here. Choose one of the list."
            )
        },
    )

    def __init__(self, data, *, months):
        super().__init__(data)
        self.fields["month"].choices = named(months)
        self.fields["month"].widget.attrs["class"] = "asked"


class IssueForm(forms.Form):
    """The carriers of a month whose cards are to be issued; states -- what `issuing.states` tells of it."""

    carriers = forms.TypedMultipleChoiceField(
        label=gettext_lazy("Carriers"),
        coerce=int,
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": gettext_lazy("Tick a carrier, or there is nothing to issue."),
            "invalid_choice": gettext_lazy(
                "One of the ticked cards stands as it is, or its carrier brought nothing in that month. Look at the "
                "list again."
            ),
        },
    )

    def __init__(self, data=None, *, states):
        super().__init__(data)
        self.fields["carriers"].choices = [(state.carrier.pk, str(state.carrier)) for state in states if state.is_due]


class SendCardForm(forms.Form):
    to = forms.CharField(
        label=gettext_lazy("to"), max_length=254, help_text=gettext_lazy("Several addresses are set apart by commas.")
    )
    subject = forms.CharField(label=gettext_lazy("subject"), max_length=200)
    body = forms.CharField(label=gettext_lazy("text"), max_length=20_000, widget=forms.Textarea(attrs={"rows": 12}))
    uuid = forms.UUIDField(widget=forms.HiddenInput)
