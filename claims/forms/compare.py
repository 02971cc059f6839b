from datetime import date
from functools import partial

from django import forms
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import company, periods
from claims.models import BillCount
from receiving.enums import Kind
from receiving.models import Account

# An origin stands behind a sign, since nothing written is an origin too.
SIGN = "="


class CompareFilter(forms.Form):
    """What carriers are compared by: months, kind of event, account, origin.

    site -- a Site or AllSites; months are those with trailers there, oldest first
    """

    last = forms.ChoiceField(label=gettext_lazy("Months up to"))
    first = forms.ChoiceField(label=gettext_lazy("From"))
    kind = forms.ChoiceField(label=gettext_lazy("What is compared"))
    account = forms.ModelChoiceField(
        Account.objects.none(), label=gettext_lazy("Account"), empty_label=gettext_lazy("any")
    )
    origin = forms.ChoiceField(label=gettext_lazy("Origin"))

    def __init__(self, data, *, site, at):
        self.site, self.chosen_sites = site, company.sites_of(site)
        self.over = partial(company.months_over, site, at=at)
        self.months = periods.months_there(self.chosen_sites)
        usual = {"last": f"{self.latest:%Y-%m}" if self.months else "", "kind": Kind.DAMAGED.value}
        self.asked = {name: data[name] for name in self.base_fields if data.get(name)}
        super().__init__(usual | self.asked)
        self.fill()
        for field in self.fields.values():
            field.required = False
            # Of a filter nobody needs to be told that it may stay empty.
            field.widget.attrs["class"] = "asked"

    def fill(self):
        fields, newest_first = self.fields, self.months[::-1]
        named = [(f"{month:%Y-%m}", self.month_words(month)) for month in newest_first]
        fields["last"].choices = named
        fields["first"].choices = [("", _("twelve months")), *named]
        fields["kind"].choices = [(kind.value, kind.label) for kind in periods.JUDGED]
        there = BillCount.objects.filter(site__in=self.chosen_sites)
        fields["account"].queryset = Account.objects.filter(pk__in=there.values("account")).order_by("legal_name")
        origins = there.values_list("origin", flat=True).distinct().order_by("origin")
        fields["origin"].choices = [("", _("any")), *((SIGN + name, name or _("not stated")) for name in origins)]
        for name, sentence in UNKNOWN.items():
            fields[name].error_messages["invalid_choice"] = sentence

    def month_words(self, month):
        words = date_format(month, "F Y")
        return _("%(month)s, still running") % {"month": words} if not self.over(month) else words

    @property
    def latest(self) -> date:
        """The newest month that is over, or the newest of all."""
        over = [month for month in self.months if self.over(month)]
        return (over or self.months)[-1]

    def clean(self):
        first, last = self.month("first"), self.month("last")
        if first and last and first > last:
            self.add_error("first", _("The first month is after the last. Choose an earlier one, or twelve months."))

    def month(self, name) -> date | None:
        value = self.cleaned_data.get(name)
        return date(int(value[:4]), int(value[5:]), 1) if value else None

    def choice(self) -> periods.Choice:
        """What is looked at, of a valid form; needs a month with trailers."""
        last, first = self.month("last"), self.month("first")
        origin, account = self.cleaned_data["origin"], self.cleaned_data["account"]
        return periods.Choice(
            sites=self.chosen_sites,
            period=periods.Period(first, last) if first else periods.Period.rolling(last),
            kind=Kind(self.cleaned_data["kind"]),
            account=account and account.pk,
            origin=origin[len(SIGN) :] if origin else None,
        )


UNKNOWN = {
    "last": gettext_lazy("In that month no trailer was released here. Choose one of the list."),
    "first": gettext_lazy("In that month no trailer was released here. Choose one of the list."),
    "kind": gettext_lazy("Carriers are compared by damaged, short or over. Choose one of the list."),
    "account": gettext_lazy("No trailer here had freight of that account. Choose one of the list."),
    "origin": gettext_lazy("No trailer here had freight from there. Choose one of the list."),
}
