"""What the list of pieces can be narrowed by: a filter set shown, checked and kept as the form it is. Reads only."""

import json
from functools import cached_property

import django_filters
from django import forms
from django.core.exceptions import ValidationError
from django.db import connection
from django.db.models import Exists, OuterRef, Q, TextField, Value
from django.db.models.functions import Cast, StrIndex
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from receiving import clock, search
from receiving.enums import Attribution, DiscrepancyState, Disposition, Kind, WhereFound
from receiving.models import Account, Arrival, Carrier, DamageCode, Discrepancy, Shipment, Store

ANY = gettext_lazy("any")
NOT_SAID = "none"
YEARS = range(1990, 2101)


class DayField(forms.DateField):
    """A day as the browser's calendar sends it; what is none is named in the refusal."""

    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")

    def to_python(self, value):
        try:
            day = super().to_python(value)
        except ValidationError:
            day = None
            if value not in self.empty_values:
                raise self.unreadable(value) from None
        if day and day.year not in YEARS:
            raise self.unreadable(value)
        return day

    def unreadable(self, value):
        return ValidationError(
            _("“%(value)s” is no day on the calendar. Write it as year-month-day, for example 2026-03-02."),
            code="invalid",
            params={"value": value},
        )


class PieceFilterForm(forms.Form):
    """Turns what people know, a trailer's or a store's number, into records of the site."""

    site = None

    def clean_trailer(self):
        """The ids of the trailer's visits, or None."""
        asked = self.cleaned_data["trailer"]
        if not asked:
            return None
        visits = search.visits(asked, sites=[self.site])
        if not visits:
            raise ValidationError(
                _("No trailer “%(asked)s” has been here. Use its number on the doors or the one painted on it."),
                code="unknown",
                params={"asked": asked},
            )
        return visits

    def clean_store(self):
        """The ids of the stores with that number, one per account at most, or None."""
        asked = self.cleaned_data["store"]
        if not asked:
            return None
        stores = list(Store.objects.filter(site=self.site, number=asked.upper()).values_list("pk", flat=True))
        if not stores:
            raise ValidationError(
                _("%(site)s has no store “%(asked)s”. Write its number as it stands on the label, zeros included."),
                code="unknown",
                params={"asked": asked, "site": self.site.code},
            )
        return stores

    def clean(self):
        first, last = self.cleaned_data.get("first_day"), self.cleaned_data.get("last_day")
        if first and last and last < first:
            self.add_error("last_day", _("The last day is before the first. Turn them round or leave one empty."))


def typed(label, length, method, **attrs):
    widget = forms.TextInput(attrs={"autocomplete": "off"} | attrs)
    return django_filters.CharFilter(label=label, max_length=length, widget=widget, method=method)


def fact(enum, label):
    """One of the enum's values, or that nobody has said it yet."""
    choices = [*enum.choices, (NOT_SAID, gettext_lazy("not said yet"))]
    return django_filters.ChoiceFilter(label=label, choices=choices, null_value=None, empty_label=ANY, method="said")


class DayFilter(django_filters.Filter):
    field_class = DayField


class PieceFilter(django_filters.FilterSet):
    """Pieces of one site. `rows` are those that match; `along` and `is_sparse` are for `paging.page`.

    Days are the site's calendar days, whole, from the first moment of the first up to the end of the last.
    """

    # Only these are served by an index in the order of the list.
    INDEXED = ("kind", "state", "first_day", "last_day", "trailer")

    # The first, since it starts anew.
    trailer = typed(gettext_lazy("Trailer"), 20, "of_trailer")
    text = typed(gettext_lazy("Label, number, note"), 100, "mentioning", type="search")
    kind = django_filters.ChoiceFilter(label=gettext_lazy("What is wrong"), choices=Kind.choices, empty_label=ANY)
    state = django_filters.ChoiceFilter(label=gettext_lazy("State"), choices=DiscrepancyState.choices, empty_label=ANY)
    code = django_filters.ChoiceFilter(label=gettext_lazy("Damage"), choices=[], empty_label=ANY, method="with_code")
    carrier = django_filters.ModelChoiceFilter(
        label=gettext_lazy("Carrier"), queryset=Carrier.objects.order_by("name"), empty_label=ANY, method="of_carrier"
    )
    account = django_filters.ModelChoiceFilter(
        label=gettext_lazy("Account"),
        queryset=Account.objects.order_by("legal_name"),
        empty_label=ANY,
        method="of_account",
    )
    store = typed(gettext_lazy("Store"), 12, "for_store")
    where_found = fact(WhereFound, gettext_lazy("Where found"))
    attribution = fact(Attribution, gettext_lazy("Attributed to"))
    disposition = fact(Disposition, gettext_lazy("What happens with it"))
    first_day = DayFilter(label=gettext_lazy("Found from"), method="from_day")
    last_day = DayFilter(label=gettext_lazy("Found until"), method="until_day")
    after_release = django_filters.ChoiceFilter(
        label=gettext_lazy("Logged"),
        choices=[("yes", gettext_lazy("after release")), ("no", gettext_lazy("before release"))],
        empty_label=ANY,
        method="logged_after_release",
    )

    class Meta:
        model = Discrepancy
        fields = []
        form = PieceFilterForm

    def __init__(self, data, *, site):
        self.site = site
        super().__init__(data, queryset=Discrepancy.objects.filter(site=site))
        self.filters["code"].extra["choices"] = code_choices(site)
        self.form.site = site
        for field in self.form.fields.values():
            # Of a filter nobody needs to be told that it may stay empty.
            field.widget.attrs["class"] = "asked"

    # -- the querysets

    @cached_property
    def used(self):
        """Names of the filters that say something."""
        return [name for name, value in self.form.cleaned_data.items() if value not in (None, "", [])]

    @property
    def is_sparse(self):
        """Whether rows are tried one by one against filters that no index serves."""
        return any(name not in self.INDEXED for name in self.used)

    @property
    def rows(self):
        return self.narrowed(self.used)

    @property
    def along(self):
        return self.narrowed(name for name in self.used if name in self.INDEXED)

    @property
    def of_all_kinds(self):
        """The rows as if neither kind nor state had been chosen."""
        return self.narrowed(set(self.used) - {"kind", "state"})

    def edge(self, most):
        """The moment of the `most`-th newest piece among those the indexed filters leave, kind and state aside."""
        names = (name for name in self.used if name in self.INDEXED and name not in ("kind", "state"))
        ahead = self.narrowed(names).order_by("-found_at", "-pk").values_list("found_at", flat=True)
        return next(iter(ahead[most - 1 : most]), None)

    def narrowed(self, names):
        rows = self.queryset
        for name in sorted(names, key=list(self.filters).index):
            rows = self.filters[name].filter(rows, self.form.cleaned_data[name])
        return rows

    # -- one method per filter that is more than a column

    def of_trailer(self, rows, name, visits):
        # Not `rows`, which are the site's: beside the visits that would draw the database to the longer way.
        return Discrepancy.objects.filter(arrival__in=visits)

    def said(self, rows, name, value):
        return rows.filter(**{name: "" if value == NOT_SAID else value})

    def mentioning(self, rows, name, text):
        reading = search.Reading(text)
        found = Q(note__icontains=text) | search.begins("label", reading.beginning)
        if (number := reading.our("P")) is not None:
            found |= Q(number=number)
        return rows.filter(found)

    def with_code(self, rows, name, code):
        if connection.features.supports_json_field_contains:
            return rows.filter(codes__contains=[{"code": code}])
        # A quotation mark inside a word would be escaped: this stands only where a code does.
        written = json.dumps({"code": code})[1:-1]
        return rows.alias(at=StrIndex(Cast("codes", TextField()), Value(written))).filter(at__gt=0)

    # Not a join: that would let the database start from all trailers of a carrier.

    def of_carrier(self, rows, name, carrier):
        return rows.filter(Exists(Arrival.objects.filter(pk=OuterRef("arrival"), carrier=carrier)))

    def of_account(self, rows, name, account):
        return rows.filter(Exists(Shipment.objects.filter(pk=OuterRef("shipment"), account=account)))

    def for_store(self, rows, name, stores):
        return rows.filter(Q(store__in=stores) | Q(new_store__in=stores))

    def from_day(self, rows, name, day):
        return rows.filter(found_at__gte=clock.day_bounds(day, self.site.time_zone)[0])

    def until_day(self, rows, name, day):
        return rows.filter(found_at__lt=clock.day_bounds(day, self.site.time_zone)[1])

    def logged_after_release(self, rows, name, answer):
        return rows.filter(after_release=answer == "yes")


def code_choices(site):
    """Each code of the site once, in its newest words; a code in use before a retired one of the same letters."""
    found = {}
    for code in DamageCode.objects.filter(site=site).order_by("retired_at", "pk"):
        if code.code not in found or code.retired_at is None:
            found[code.code] = f"{code.words} ({code.code})"
    return sorted(found.items(), key=lambda choice: choice[1])
