"""Input for what was agreed with a carrier, and the filter of where pieces are found. No writes."""

from datetime import date

from django import forms
from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import company
from claims.forms.drafting import written
from claims.models import ReviewNote, Scorecard
from claims.periods import ROLLING, Period, month_back
from receiving.enums import Kind
from receiving.models import Account, Carrier

CARDS = 24


class NoteForm(forms.Form):
    """What was agreed in a talk with a carrier."""

    COLUMNS = ("on", "text", "agreed_with", "who", "by_when")
    LABELS = {"on": gettext_lazy("Talked on"), "agreed_with": gettext_lazy("With whom, at the carrier")}
    HELP = {
        "text": gettext_lazy("What the carrier will do and what we will, so that both can tell if it was done."),
        "who": gettext_lazy("Of our people: who looks whether it was done."),
    }

    def __init__(self, *args, site, carrier, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields |= written(ReviewNote, self.COLUMNS)
        for name, field in self.fields.items():
            field.label = self.LABELS.get(name, capfirst(field.label))
            field.help_text = self.HELP.get(name, "")
        self.fields["on"].error_messages["required"] = _("Write the day of the talk.")
        self.fields["text"].error_messages["required"] = _("Write what was agreed.")
        self.fields["text"].widget = forms.Textarea(attrs={"rows": 4, "maxlength": self.fields["text"].max_length})
        self.fields["scorecard"] = CardChoice(site, carrier)

    def facts(self):
        """What `claims.review.agree` wants to know."""
        return {name: self.cleaned_data[name] for name in (*self.COLUMNS, "scorecard")}


class CardChoice(forms.ModelChoiceField):
    """One of the carrier's newest cards, or none."""

    def __init__(self, site, carrier):
        rows = Scorecard.objects.filter(site=company.column(site), carrier=carrier).defer("content").order_by("-number")
        newest = list(rows.values_list("pk", flat=True)[:CARDS])
        super().__init__(
            rows.filter(pk__in=newest),
            label=gettext_lazy("Which scorecard was talked about"),
            required=False,
            empty_label=gettext_lazy("none"),
            error_messages={"invalid_choice": gettext_lazy("That is no card of this carrier. Choose one of the list.")},
        )
        if not newest:
            self.widget = forms.HiddenInput()

    def label_from_instance(self, card):
        return f"{card}, {date_format(card.month, 'F Y')}"


class ClosingForm(forms.Form):
    """What came of something that was agreed."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields |= written(ReviewNote, ("on", "text"))
        on, text = self.fields["on"], self.fields["text"]
        on.label, text.label = gettext_lazy("Settled on"), gettext_lazy("What came of it")
        on.error_messages["required"] = _("Write the day on which it was settled.")
        text.error_messages["required"] = _("Write what came of it, even if it is nothing.")
        text.help_text = gettext_lazy("What was done, what was not, and whether that is enough.")
        text.widget = forms.Textarea(attrs={"rows": 4, "maxlength": text.max_length})


# --- where and what ---------------------------------------------------------------------------------------------------

PLACES_KINDS = (Kind.DAMAGED, Kind.SHORT, Kind.OVER, Kind.REROUTED)


class WhereFilter(forms.Form):
    """Which pieces are looked at: months in which they were found, kind, account, carrier.

    months -- from that of the site's first piece up to this one, oldest first; empty without a piece
    """

    last = forms.ChoiceField(label=gettext_lazy("Found up to"))
    first = forms.ChoiceField(label=gettext_lazy("From"))
    kind = forms.ChoiceField(label=gettext_lazy("What is wrong"))
    account = forms.ModelChoiceField(
        Account.objects.order_by("legal_name"), label=gettext_lazy("Account"), empty_label=gettext_lazy("any")
    )
    carrier = forms.ModelChoiceField(
        Carrier.objects.order_by("name"), label=gettext_lazy("Carrier"), empty_label=gettext_lazy("any")
    )

    ANY = "any"

    def __init__(self, data, *, months):
        self.months = list(months)
        self.asked = {name: data[name] for name in self.base_fields if data.get(name)}
        usual = {"last": f"{self.months[-1]:%Y-%m}" if self.months else "", "kind": Kind.DAMAGED.value}
        super().__init__(usual | self.asked)
        named = [(f"{month:%Y-%m}", date_format(month, "F Y")) for month in self.months[::-1]]
        self.fields["last"].choices = named
        self.fields["first"].choices = [("", _("twelve months")), *named]
        self.fields["kind"].choices = [
            *((kind.value, kind.label) for kind in PLACES_KINDS),
            (self.ANY, _("any of the four")),
        ]
        for name, field in self.fields.items():
            field.required = False
            # Of a filter nobody needs to be told that it may stay empty.
            field.widget.attrs["class"] = "asked"
            field.error_messages["invalid_choice"] = UNKNOWN[name]

    def clean(self):
        first, last = self.month("first"), self.month("last")
        if first and last and first > last:
            self.add_error("first", _("The first month is after the last. Choose an earlier one, or twelve months."))

    def month(self, name) -> date | None:
        value = self.cleaned_data.get(name)
        return date(int(value[:4]), int(value[5:]), 1) if value else None

    @property
    def period(self) -> Period:
        """The months, of a valid form with months; twelve where no first one was chosen."""
        last = self.month("last")
        return Period(self.month("first") or month_back(last, ROLLING - 1), last)

    @property
    def kinds(self) -> tuple[Kind, ...]:
        kind = self.cleaned_data["kind"]
        return PLACES_KINDS if kind == self.ANY else (Kind(kind),)


UNKNOWN = {
    "last": gettext_lazy("In that month no piece was found here. Choose one of the list."),
    "first": gettext_lazy("In that month no piece was found here. Choose one of the list."),
    "kind": gettext_lazy("A piece is damaged, short, over or rerouted. Choose one of the list."),
    "account": gettext_lazy("There is no such account. Choose one of the list."),
    "carrier": gettext_lazy("There is no such carrier. Choose one of the list."),
}
