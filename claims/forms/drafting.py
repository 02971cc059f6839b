"""Input for drafting claims: which pieces, what a line is worth, whose claim it is. No writes."""

from decimal import Decimal

from django import forms
from django.forms.models import fields_for_model
from django.utils.translation import gettext_lazy as _

from claims import drafting, losses
from claims.models import Claim, ClaimLine, NotClaimed, Terms
from receiving.fields import as_typed
from receiving.filters import DayField
from receiving.models import Carrier, Discrepancy

LONGEST_KEY = 18


class DayInput(forms.DateInput):
    input_type = "date"

    def __init__(self):
        super().__init__(format="%Y-%m-%d")


def as_written(column, **options):
    """The form field of a model's column, with our own words for numbers and days."""
    if column.get_internal_type() == "DateField":
        options["form_class"] = DayField
    return as_typed(column, **options)


def written(model, names):
    """Form fields for these columns of a model, in that order."""
    return fields_for_model(model, fields=list(names), formfield_callback=as_written)


class VersionForm(forms.Form):
    """A form about something that others may change meanwhile."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=1, required=False)

    def values(self):
        return {name: value for name, value in self.cleaned_data.items() if name not in ("version", "reason")}


class PiecesField(forms.ModelMultipleChoiceField):
    """Ticked pieces by their keys; a key that no database holds is refused before one is asked."""

    def clean(self, value):
        for key in value or []:
            if not (str(key).isdecimal() and len(str(key)) <= LONGEST_KEY):
                raise forms.ValidationError(self.error_messages["invalid_choice"], "invalid_choice", {"value": key})
        return super().clean(value)


class PickForm(forms.Form):
    """Pieces of one bill to be ticked. What became of one meanwhile is refused by the domain, which can say why."""

    pieces = PiecesField(
        label=_("Pieces"),
        queryset=Discrepancy.objects.none(),
        error_messages={
            "required": _("Tick at least one piece."),
            "invalid_choice": _("Piece number %(value)s is not of this bill. Reload the page."),
        },
    )

    def __init__(self, *args, bill, **kwargs):
        super().__init__(*args, **kwargs)
        rows = Discrepancy.objects.filter(shipment=bill, kind__in=losses.LOSSES)
        self.fields["pieces"].queryset = rows.select_related("site", "arrival").order_by("number")


class NotClaimedForm(PickForm):
    reason = as_written(
        NotClaimed._meta.get_field("reason"), error_messages={"required": _("Say why it is not claimed.")}
    )


class AfterAllForm(forms.Form):
    reason = as_written(
        NotClaimed._meta.get_field("reason"),
        label=_("Why it is claimed after all"),
        error_messages={"required": _("Say why it is claimed after all.")},
    )


class LineForm(VersionForm):
    """What one line is worth. `also` carries price, source and discounts over to lines of the same goods."""

    GOODS = ("description", "quantity", "unit", "cartons", "weight")
    PRICE = ("unit_price", "price_source", "price_reference", "trade_discount", "cash_discount")
    DAMAGE = ("repair_cost", "value_lost", "salvage")

    def __init__(self, *args, line, **kwargs):
        super().__init__(*args, **kwargs)
        hurt = self.DAMAGE if line.kind == "damage" else ()
        self.fields |= written(ClaimLine, (*self.GOODS, *self.PRICE, *hurt))
        for name in ("trade_discount", "cash_discount", "salvage"):
            if name in self.fields:
                self.fields[name].required = False
        self.fields["weight"].help_text = _("Gross, of these cartons together, in %(unit)s.") % {
            "unit": line.claim.site.weight_unit
        }
        if same := drafting.same_goods(line).count():
            self.fields["also"] = forms.BooleanField(
                label=_("Take price, source and discounts over to the other lines of the same goods (%(count)s)")
                % {"count": same},
                required=False,
            )

    def values(self):
        found = {name: value for name, value in super().values().items() if name != "also"}
        for name in ("trade_discount", "cash_discount", "salvage"):
            if name in found and found[name] is None:
                found[name] = Decimal(0)
        return found

    @property
    def groups(self):
        """The fields as the page sets them apart: (words, fields)."""
        named = [(_("What was lost"), self.GOODS), (_("Price"), self.PRICE), (_("Hurt goods"), self.DAMAGE)]
        return [(words, [self[name] for name in names if name in self.fields]) for words, names in named]


class DropForm(VersionForm):
    reason = as_written(
        ClaimLine._meta.get_field("dropped_reason"),
        label=_("Why it is taken off"),
        required=True,
        error_messages={"required": _("Say why it is taken off.")},
    )


class FactsForm(VersionForm):
    """Facts of a claim by their names."""

    NAMES = ()

    def __init__(self, *args, claim, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields |= written(Claim, self.NAMES)


class PartiesForm(FactsForm):
    NAMES = drafting.PARTIES

    def __init__(self, *args, claim, **kwargs):
        super().__init__(*args, claim=claim, **kwargs)
        known = Carrier.objects.filter(active=True) | Carrier.objects.filter(
            pk__in=[claim.carrier_id, claim.second_carrier_id]
        )
        for name in ("carrier", "second_carrier"):
            self.fields[name].queryset = known.order_by("name")
            self.fields[name].empty_label = _("nobody")
            self.fields[name].required = False
        self.fields["claimant_address"].widget = forms.Textarea(attrs={"rows": 3})


class FreightForm(FactsForm):
    NAMES = drafting.FREIGHT

    def __init__(self, *args, claim, **kwargs):
        super().__init__(*args, claim=claim, **kwargs)
        self.fields["shipment_weight"].help_text = _("The whole bill, in %(unit)s.") % {"unit": claim.site.weight_unit}
        for name in ("freight_charge", "declared_value"):
            self.fields[name].help_text = _("In %(currency)s.") % {"currency": claim.currency}


class RateForm(FactsForm):
    NAMES = drafting.RATE


class TermsForm(VersionForm):
    terms = forms.ModelChoiceField(
        label=_("Terms"),
        queryset=Terms.objects.none(),
        empty_label=_("not chosen yet"),
        error_messages={"required": _("Choose the terms.")},
    )
    reason = as_written(Claim._meta.get_field("terms_reason"), required=False)

    def __init__(self, *args, claim, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["terms"].queryset = drafting.terms_for(claim)
