"""Input for logging pieces and for what is said of them later. No writes."""

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from receiving import matching
from receiving.enums import (
    Attribution,
    Disposition,
    Extent,
    FindingKind,
    IncidentKind,
    Kind,
    PhotoPurpose,
    RerouteAuthority,
    WhereFound,
)
from receiving.fields import WholeField
from receiving.forms import dock
from receiving.models import DamageCode, Discrepancy, Finding, Store

LOGGED_KINDS = [(kind.value, kind.label) for kind in (Kind.DAMAGED, Kind.OVER, Kind.REROUTED)]
STOPS = [
    (kind.value, kind.label)
    for kind in (IncidentKind.LEAKING, IncidentKind.SMELL, IncidentKind.UNKNOWN_GOODS, IncidentKind.THEFT)
]
NOT_SAID = ("", _("not said yet"))
DAMAGE_FIELDS = ("codes", "extent", "units_good", "units_hurt", "hazmat", "food")


def worded(model, name, **options):
    """A text field with the model's own words and length; on the dock few of them must be filled in."""
    return dock.worded(model, name, **{"required": False} | options)


def needed(label, sentence, **options):
    """A text that cannot be left out; `sentence` says why."""
    return forms.CharField(label=label, error_messages={"required": sentence}, **options)


def choice(choices, label, **options):
    return forms.ChoiceField(label=label, choices=[NOT_SAID, *choices], required=False, **options)


class StoreNumberField(forms.CharField):
    """A store by its number, as it stands on labels; becomes a Store of the site in `clean` of the form."""

    def __init__(self, **options):
        super().__init__(
            required=False,
            max_length=12,
            widget=forms.TextInput(attrs={"inputmode": "numeric", "autocomplete": "off", "list": "stores"}),
            **options,
        )


class PieceForm(forms.Form):
    """What may be said of a piece at a trailer; `facts`, `codes` and the rest are what the domain takes.

    site -- whose codes and stores there are; arrival -- the trailer; piece -- the one being corrected, if any
    """

    label = worded(
        Discrepancy, "label", widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"})
    )
    shipment = forms.ModelChoiceField(label=_("Bill"), queryset=None, required=False)
    codes = forms.ModelMultipleChoiceField(
        label=_("What the damage is"), queryset=None, required=False, widget=forms.CheckboxSelectMultiple
    )
    damaged_too = forms.BooleanField(label=_("Damaged too"), required=False)
    extent = choice(Extent.choices, _("How far it goes"))
    quantity = WholeField(label=_("Pieces"), min_value=1, max_value=9999, required=False)
    store = StoreNumberField(label=_("Store printed first"))
    new_store = StoreNumberField(label=_("New store"))
    reroute_authority = forms.ChoiceField(
        label=_("Who says so"),
        choices=RerouteAuthority.choices,
        initial=RerouteAuthority.LABEL,
        required=False,
        widget=forms.RadioSelect,
    )
    units_good = WholeField(label=_("Units good"), min_value=0, max_value=99999, required=False)
    units_hurt = WholeField(label=_("Units hurt"), min_value=0, max_value=99999, required=False)
    hazmat = forms.BooleanField(label=_("Hazardous material"), required=False)
    food = forms.BooleanField(label=_("It is food"), required=False)
    no_photo_reason = worded(Discrepancy, "no_photo_reason")
    note = worded(Discrepancy, "note", widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, *args, arrival, piece=None, **kwargs):
        super().__init__(*args, **kwargs)
        self.arrival, self.site, self.piece = arrival, arrival.site, piece
        self.fields["codes"].queryset = DamageCode.objects.in_use().filter(site=self.site)
        self.fields["shipment"].queryset = arrival.shipments.order_by("position")
        self.fields["shipment"].empty_label = None

    def clean_label(self):
        return matching.tidy(self.cleaned_data["label"])

    def clean(self):
        cleaned = super().clean()
        self.carton = matching.find_carton(self.arrival, cleaned.get("label", ""))
        for name in ("store", "new_store"):
            if number := cleaned.get(name):
                cleaned[name] = self.store_numbered(name, number)
            else:
                cleaned[name] = None
        return cleaned

    def store_numbered(self, name, number):
        """The one store of the site with this number; of several accounts' the one of the carton or the bill."""
        wanted = number.strip().lstrip("0")
        stores = Store.objects.filter(site=self.site, active=True, number__endswith=wanted or "0")
        found = [store for store in stores.select_related("account") if store.number.lstrip("0") == wanted]
        if len(found) > 1:
            found = [store for store in found if store.account_id == self.account_id()] or found
        if len(found) > 1:
            found = [store for store in found if store.number == number.strip()] or found
        if len(found) == 1:
            return found[0]
        self.add_error(name, self.no_such_store(number, found))
        return None

    def account_id(self):
        shipment = self.carton.shipment if self.carton else self.cleaned_data.get("shipment")
        shipment = shipment or self.arrival.shipments.order_by("position").first()
        return shipment and shipment.account_id

    def no_such_store(self, number, found):
        if found:
            message = gettext(
                "Store “%(number)s” is on the lists of several accounts. Scan the label, or choose the bill."
            )
        else:
            message = gettext(
                "Store “%(number)s” is not on this site's list. Read it again, or ask the manager to add it."
            )
        return ValidationError(message % {"number": number}, code="unknown_store")

    @property
    def codes_given(self):
        return list(self.cleaned_data.get("codes") or ())

    def facts(self):
        """The values given, by the names of `discrepancies.AMENDABLE`."""
        names = ("label", "damaged_too", "extent", "store", "new_store", "units_good", "units_hurt", "hazmat")
        given = {name: self.cleaned_data[name] for name in (*names, "no_photo_reason", "note")}
        given["reroute_authority"] = self.cleaned_data["reroute_authority"] if given["new_store"] else ""
        given["quantity"] = self.cleaned_data["quantity"] or 1
        if self.cleaned_data.get("shipment"):
            given["shipment"] = self.cleaned_data["shipment"]
        return given


class LogForm(PieceForm):
    """One piece, logged or completed."""

    kind = forms.ChoiceField(
        label=_("What is wrong"),
        choices=LOGGED_KINDS,
        widget=forms.RadioSelect,
        error_messages={"required": _("Choose what is wrong: damaged, over or rerouted.")},
    )
    disposition = forms.ChoiceField(
        label=_("What happens with it"),
        choices=[("", _("as usual for this damage")), *Disposition.choices],
        required=False,
    )
    where_found = choice(WhereFound.choices, _("Where found"))
    in_place = forms.BooleanField(label=_("Photographed in the trailer, before moving it"), required=False)
    stop = forms.ChoiceField(
        label=_("Is it dangerous or stolen?"),
        choices=[("", _("no")), *STOPS],
        required=False,
        widget=forms.RadioSelect,
    )
    called = forms.CharField(label=_("Who was called"), max_length=120, required=False)
    knowingly = forms.BooleanField(label=_("I know, and it is to be so"), required=False)
    found_at = forms.DateTimeField(required=False, widget=forms.HiddenInput)
    version = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def facts(self):
        given = super().facts()
        for name in ("disposition", "where_found", "food"):
            given[name] = self.cleaned_data[name]
        if self.cleaned_data["in_place"]:
            given["where_found"] = given["where_found"] or WhereFound.IN_TRAILER
        return given

    def purpose(self):
        """What the photos sent along show."""
        return PhotoPurpose.BEFORE_MOVING if self.cleaned_data["in_place"] else PhotoPurpose.PIECE

    def told(self):
        """The keyword arguments `discrepancies.record` and `.complete` share."""
        names = ("kind", "stop", "called", "knowingly")
        return {name: self.cleaned_data[name] for name in names} | {"facts": self.facts(), "codes": self.codes_given}


class SetAsideForm(forms.Form):
    label = worded(Discrepancy, "label")
    note = worded(Discrepancy, "note")
    found_at = forms.DateTimeField(required=False)


class VersionForm(forms.Form):
    """An answer to what the person saw: the piece's version then."""

    version = forms.IntegerField(widget=forms.HiddenInput)


class AmendForm(PieceForm):
    """A correction. Only what the piece's kind needs is asked."""

    reason = needed(_("Why it is corrected"), _("Say why it is corrected."), max_length=300)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args, piece, **kwargs):
        super().__init__(*args, arrival=piece.arrival, piece=piece, **kwargs)
        for name in self.unasked(piece):
            del self.fields[name]
        if "shipment" in self.fields and len(self.fields["shipment"].queryset) < 2:
            del self.fields["shipment"]
        if "codes" in self.fields:
            now = [code["code"] for code in piece.codes]
            self.fields["codes"].initial = [code.pk for code in self.fields["codes"].queryset if code.code in now]
        for name in self.fields:
            if name in ("store", "new_store"):
                self.initial[name] = str(getattr(getattr(piece, name), "number", ""))
            elif name not in ("codes", "reason", "food"):
                self.initial[name] = getattr(piece, name)

    @staticmethod
    def unasked(piece):
        names = {"damaged_too"} if piece.kind != Kind.OVER else set()
        if not piece.is_damaged and piece.kind != Kind.OVER:
            names |= {*DAMAGE_FIELDS, "no_photo_reason"}
        if piece.kind != Kind.REROUTED:
            names |= {"store", "new_store", "reroute_authority"}
        if piece.kind == Kind.SHORT:
            names |= {"label", "quantity", "shipment"}
        if piece.carton_id:
            names |= {"shipment", "store"}
        if piece.carton_id and piece.carton.expected == 1:
            names |= {"quantity"}
        return names | {"food"}

    def facts(self):
        names = set(self.fields) - {"reason", "version", "codes", "food"}
        given = {name: self.cleaned_data[name] for name in names}
        if "quantity" in given:
            given["quantity"] = given["quantity"] or 1
        return given

    @property
    def new_codes(self):
        """The codes now ticked, or None where codes are not asked or a retired one would be lost by saying nothing."""
        if "codes" not in self.fields or "codes" not in self.changed_data:
            return None
        return self.codes_given


class VoidForm(forms.Form):
    reason = needed(_("Why it is voided"), _("Say why the piece is voided."), max_length=300)


class AttributeForm(VersionForm):
    where_found = choice(WhereFound.choices, _("Where found"), widget=forms.RadioSelect)
    attribution = choice(Attribution.choices, _("Attributed to"), widget=forms.RadioSelect)
    attribution_reason = worded(Discrepancy, "attribution_reason")
    not_in_place_reason = worded(Discrepancy, "not_in_place_reason")

    def told(self):
        given = {name: self.cleaned_data[name] for name in ("where_found", "attribution", "not_in_place_reason")}
        return given | {"reason": self.cleaned_data["attribution_reason"], "version": self.cleaned_data["version"]}


class FindingForm(forms.Form):
    kind = forms.ChoiceField(
        label=_("What was done"),
        widget=forms.RadioSelect,
        choices=[
            (kind.value, kind.label)
            for kind in (
                FindingKind.OPENED,
                FindingKind.INSPECTION_ASKED,
                FindingKind.INSPECTION_WAIVED,
                FindingKind.INSPECTION_DONE,
                FindingKind.SALVAGE_OFFERED,
                FindingKind.NOTE,
            )
        ],
    )
    by_name = worded(Finding, "by_name")
    units_good = WholeField(label=_("Units good"), min_value=0, max_value=99999, required=False)
    units_hurt = WholeField(label=_("Units hurt"), min_value=0, max_value=99999, required=False)
    packaging_outside = worded(Finding, "packaging_outside")
    packaging_inside = worded(Finding, "packaging_inside")
    text = worded(Finding, "text", widget=forms.Textarea(attrs={"rows": 3}))

    def facts(self):
        return {name: value for name, value in self.cleaned_data.items() if name != "kind"}


class StoreReportForm(forms.Form):
    by_name = needed(_("By whom at the store"), _("Write by whom."), max_length=80)
    units_good = WholeField(label=_("Units good"), min_value=0, max_value=99999, required=False)
    units_hurt = WholeField(label=_("Units hurt"), min_value=0, max_value=99999, required=False)
    text = needed(
        _("What the store found"),
        _("Write what was found."),
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    def facts(self):
        return dict(self.cleaned_data)


class DisposeForm(VersionForm):
    disposition = forms.ChoiceField(
        label=_("What happens with it"), choices=Disposition.choices, widget=forms.RadioSelect
    )
    by_name = forms.CharField(label=_("Decided by"), max_length=80, required=False)
    text = forms.CharField(label=_("Remark"), max_length=300, required=False)
    knowingly = forms.BooleanField(label=_("I know, and it is to be so"), required=False)


class FoodForm(VersionForm):
    text = needed(
        _("On what ground it is safe"),
        _("Say on what ground it is safe."),
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
    )


class FoundForm(forms.Form):
    where = forms.CharField(label=_("Where it was found"), max_length=100, required=False)
    note = forms.CharField(label=_("Remark"), max_length=180, required=False)


class MatchForm(forms.Form):
    """Which open short of this site the over is."""

    short = forms.ModelChoiceField(
        label=_("Which short it is"), queryset=None, to_field_name="number", widget=forms.RadioSelect, empty_label=None
    )

    def __init__(self, *args, over, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["short"].queryset = (
            matching.open_shorts(over.label).filter(site=over.site_id).select_related("arrival", "site")
        )
