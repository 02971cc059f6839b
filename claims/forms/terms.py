"""Terms as people type them: the facts, a row for each period, and the question which terms would hold."""

from django import forms
from django.db.models import Q
from django.forms import formset_factory
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from claims.calendars import countries
from claims.deadlines import Period, WrongPeriod
from claims.enums import Applies, Binds, Counting, Mode
from claims.models import Terms, TermsPeriod
from claims.terms import FACTS, PERIOD
from claims.terms.keeping import LOOSE, tidied, unfit
from receiving.fields import WholeField, as_typed
from receiving.models import Account, Carrier

DAY = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
EMPTY_ROWS = 3
MOST_ROWS = 40
HERE, EVERYWHERE = "here", "everywhere"
HELP = {
    "carrier": _("Empty: any carrier."),
    "account": _("Empty: any account."),
    "origin": _("Written as on the bill. Empty: any origin."),
    "mode": _("Empty: any mode."),
    "valid_from": _("By the date of the bill of lading."),
    "valid_until": _("The last day. Empty: until further notice."),
    "source": _("The contract, bill or law, with its number, date and section."),
    "waiver": _("The paper and its clause. Without it the statute's shortest periods are warned of."),
    "calendar_country": _("Whose holidays business days leave out."),
    "calendar_subdivision": _("Its short code, such as TX. Empty: the whole country's holidays only."),
    "limit_rate": _("Empty where there is no limit."),
    "limit_currency": _("Three letters; XDR for special drawing rights."),
    "allowance_percent": _("Of the shipment's pieces; so much may be short without a claim."),
}
LABELS = {"limit_currency": _("Limit currency"), "allowance_percent": _("Shortage allowance, percent")}
CHOSEN_BLANK = {"carrier": _("any carrier"), "account": _("any account")}


class TermsForm(forms.Form):
    """The facts of terms with the model's own labels, lengths and choices.

    terms -- the terms to change, whose facts it shows; `used` terms show their last day and note only
    company -- the person may write the company's terms too
    """

    reach = forms.ChoiceField(
        label=_("Where they hold"),
        choices=[(HERE, _("this site only")), (EVERYWHERE, _("all sites of the company"))],
        widget=forms.RadioSelect,
    )
    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args, site, company=False, terms=None, used=False, **kwargs):
        if terms is not None:
            kwargs["initial"] = shown(terms)
        super().__init__(*args, **kwargs)
        self.site, self.terms = site, terms
        self.names = LOOSE if used else [name for name in FACTS if name != "site"]
        widgets = {"valid_from": DAY, "valid_until": DAY, "source": forms.Textarea}
        self.fields.update(
            forms.fields_for_model(Terms, fields=self.names, widgets=widgets, formfield_callback=as_typed)
        )
        if used or not company:
            del self.fields["reach"]
        for name in self.fields.keys() & HELP.keys():
            self.fields[name].help_text = HELP[name]
        for name in self.fields.keys() & LABELS.keys():
            self.fields[name].label = LABELS[name]
        if not used:
            self.offer()

    def offer(self):
        """What the menus hold: whatever is in use, and what these terms name already."""
        for name, model, order in (("carrier", Carrier, "name"), ("account", Account, "legal_name")):
            named = self.terms and getattr(self.terms, f"{name}_id")
            self.fields[name].queryset = model.objects.filter(Q(active=True) | Q(pk=named)).order_by(order)
            self.fields[name].empty_label = CHOSEN_BLANK[name]
        self.fields["mode"].choices = [("", _("any mode")), *Mode.choices]
        self.fields["limit_weight_unit"].choices = [
            ("", _("no weight")),
            *(choice for choice in self.fields["limit_weight_unit"].choices if choice[0]),
        ]
        self.fields["calendar_country"] = forms.ChoiceField(
            label=self.fields["calendar_country"].label,
            choices=[("", _("no holidays taken out")), *countries().items()],
            help_text=HELP["calendar_country"],
            required=False,
        )

    def clean(self):
        """What does not go together is said all at once, and not one after the other."""
        if not self.errors:
            for name, sentence in unfit(Terms(**tidied(self.facts()))):
                self.add_error(name if name in self.fields else None, sentence)
        return self.cleaned_data

    def facts(self):
        """Columns of `Terms` by name; those the form does not show as they were."""
        kept = {name: getattr(self.terms, name) for name in FACTS} if self.terms else {}
        typed = {name: self.cleaned_data[name] for name in self.names}
        return kept | typed | {"site": self.owner()}

    def owner(self):
        if "reach" in self.fields:
            return None if self.cleaned_data["reach"] == EVERYWHERE else self.site
        return self.terms.site if self.terms else self.site


def shown(terms):
    """What a form shows of terms, by field."""
    facts = {name: getattr(terms, Terms._meta.get_field(name).attname) for name in FACTS}
    return facts | {"version": terms.version, "reach": EVERYWHERE if terms.site_id is None else HERE}


class PeriodForm(forms.Form):
    """One period. A row left as it came is no period."""

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields = forms.fields_for_model(TermsPeriod, fields=PERIOD) | self.fields
        for name in ("length", "extra_days", "every"):
            self.fields[name] = WholeField(
                label=self.fields[name].label, min_value=0, max_value=9999, initial=0, required=False
            )
        self.fields["length"].initial = None
        self.fields["binds"].initial = Binds.US
        self.fields["applies"].initial = Applies.ANY
        self.fields["counting"].initial = Counting.MONTHS
        for name, choices in (("applies", Applies), ("binds", Binds), ("counting", Counting)):
            self.fields[name].choices = choices.choices
        for name in ("duty", "trigger", "effect"):
            self.fields[name].choices = [("", _("choose")), *self.fields[name].choices[1:]]
        self.fields["every"].help_text = _("For notices that repeat; 0: once.")
        self.fields["extra_days"].help_text = _("Only after “years, then days”.")

    def clean(self):
        """Whether it can be counted, asked of the period itself."""
        if not self.errors and not self.is_blank:
            try:
                self.period = Period(**self.columns())
            except WrongPeriod as why:
                self.add_error(why.field, f"{capfirst(str(why))}")
        return self.cleaned_data

    def columns(self):
        return {name: self.cleaned_data[name] or 0 if name in NUMBERS else self.cleaned_data[name] for name in PERIOD}

    @property
    def is_blank(self):
        """An empty row, nothing typed and nothing wrong."""
        return self.empty_permitted and not self.has_changed()


NUMBERS = ("length", "extra_days", "every")
PeriodRows = formset_factory(
    PeriodForm,
    extra=EMPTY_ROWS,
    can_delete=True,
    can_delete_extra=False,
    max_num=MOST_ROWS,
    absolute_max=MOST_ROWS + EMPTY_ROWS,
    validate_max=True,
)


def period_rows(data=None, *, periods=()):
    """The rows of a page: those of the terms, and three empty ones."""
    plain = [{name: value for name, value in period.as_dict().items() if name in PERIOD} for period in periods]
    return PeriodRows(data, initial=plain or None, prefix="periods")


def typed(rows):
    """The periods of rows that are good, without those ticked away."""
    return [row.columns() for row in rows if not row.is_blank and row not in rows.deleted_forms]


class WhichForm(forms.Form):
    """A bill that may not exist: which terms would hold for it?"""

    carrier = forms.ModelChoiceField(Carrier.objects.none(), label=_("Carrier"), required=False)
    account = forms.ModelChoiceField(Account.objects.none(), label=_("Account"), required=False)
    origin = forms.CharField(label=_("Origin"), max_length=120, required=False)
    mode = forms.ChoiceField(label=_("Mode"), choices=Mode.choices, initial=Mode.ROAD)
    day = forms.DateField(label=_("Bill's date"), widget=DAY)

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["carrier"].queryset = Carrier.objects.filter(active=True).order_by("name")
        self.fields["account"].queryset = Account.objects.filter(active=True).order_by("legal_name")
        self.fields["carrier"].empty_label = self.fields["account"].empty_label = _("not known")


class ExampleForm(forms.Form):
    """The day a page of terms counts its examples from."""

    on = forms.DateField(label=_("Example day"), widget=DAY, required=False)
