"""What the lists of claims are narrowed by, from the address. Reads only."""

import django_filters
from django import forms
from django.db.models import Q
from django.utils.translation import gettext_lazy

from claims.enums import Purpose
from claims.models import Claim
from receiving import search
from receiving.models import Account, Carrier, Discrepancy, Person

ANY = gettext_lazy("any")


def chosen(label, rows, method, *order):
    return django_filters.ModelChoiceFilter(label=label, queryset=rows.order_by(*order), empty_label=ANY, method=method)


class Narrowing(django_filters.FilterSet):
    """Carrier, account and a text that people have in hand. `rows` are those that match, `used` what was asked."""

    carrier = chosen(gettext_lazy("Carrier"), Carrier.objects.all(), "of_carrier", "name")
    account = chosen(gettext_lazy("Account"), Account.objects.all(), "of_account", "legal_name")
    text = django_filters.CharFilter(
        label=gettext_lazy("Number or label"),
        max_length=100,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
        method="bearing",
    )

    def __init__(self, data, *, rows):
        super().__init__(data, queryset=rows)
        for field in self.form.fields.values():
            field.widget.attrs["class"] = "asked"

    @property
    def used(self):
        """What the address says of the filter, empty fields left out."""
        return {name: self.data[name] for name in self.filters if self.data.get(name)}

    @property
    def rows(self):
        return self.qs


class LossFilter(Narrowing):
    """Unclaimed losses."""

    class Meta:
        model = Discrepancy
        fields = []

    def of_carrier(self, rows, name, carrier):
        return rows.filter(Q(arrival__carrier=carrier) | Q(shipment__carrier_on_bill=carrier))

    def of_account(self, rows, name, account):
        return rows.filter(shipment__account=account)

    def bearing(self, rows, name, text):
        reading = search.Reading(text)
        found = Q(shipment__pro_number__icontains=text.strip()) | Q(shipment__bill_number__icontains=text.strip())
        found |= Q(arrival__trailer_number__icontains=text.strip()) | search.begins("label", reading.beginning)
        if (number := reading.our("P")) is not None:
            found |= Q(number=number)
        if (number := reading.our("T")) is not None:
            found |= Q(arrival__number=number)
        return rows.filter(found)


class ClaimFilter(Narrowing):
    """Claims of one site."""

    purpose = django_filters.ChoiceFilter(label=gettext_lazy("What for"), choices=Purpose.choices, empty_label=ANY)
    opened_by = chosen(
        gettext_lazy("Drafted by"), Person.objects.all(), "of_person", "last_name", "first_name", "username"
    )

    class Meta:
        model = Claim
        fields = []

    def __init__(self, data, *, rows, site):
        super().__init__(data, rows=rows)
        people = Person.objects.filter(pk__in=Claim.objects.filter(site=site).values("opened_by"))
        self.form.fields["opened_by"].queryset = people.order_by("last_name", "first_name", "username")

    def of_carrier(self, rows, name, carrier):
        return rows.filter(Q(carrier=carrier) | Q(second_carrier=carrier))

    def of_account(self, rows, name, account):
        return rows.filter(account=account)

    def of_person(self, rows, name, person):
        return rows.filter(opened_by=person)

    def bearing(self, rows, name, text):
        return rows.filter(bears(text))


def bears(text):
    """The condition that a claim bears this number: its own, the carrier's, its bill's or its PRO's."""
    text = text.strip()
    found = Q(shipment__pro_number__icontains=text) | Q(shipment__bill_number__icontains=text)
    found |= Q(facts__kind="acknowledged", facts__reference__icontains=text)
    return Q(pk__in=Claim.objects.filter(found | own_number(text)).values("pk"))


def own_number(text):
    """`ALD-26-0007`, `26-0007` and `7` as a condition; nothing where the text is no number of ours."""
    parts = [part for part in text.upper().replace(" ", "-").split("-") if part]
    if parts and not parts[0].isdecimal():
        parts = parts[1:]
    figures = [int(part) for part in parts if part.isdecimal() and len(part) <= 6]
    if not figures or len(figures) != len(parts) or len(figures) > 2:
        return Q(pk=None)
    if len(figures) == 2:
        return Q(year=2000 + figures[0], number=figures[1])
    return Q(number=figures[0])
