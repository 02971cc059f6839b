"""Input for a trailer's way from the gate to the end of its count. No writes."""

from datetime import UTC, timedelta

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from receiving import dock
from receiving.enums import CarrierKind, IncidentKind, SealAction, SealCondition, TrailerDoor
from receiving.fields import NumberField, WholeField, as_typed
from receiving.identifiers import tidy_reference
from receiving.models import (
    Account,
    Arrival,
    Carrier,
    Door,
    IncidentNote,
    IncidentRuling,
    Refusal,
    SealRecord,
    Shipment,
)

CHAIN = 4
CHECKS = ("viewed", "verified", "tugged", "twisted")
PLAIN = {"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"}
NUMBER_REQUIRED = {
    "required": gettext_lazy("Type the number painted on the trailer or container."),
    "max_length": gettext_lazy(
        "The trailer number has %(show_value)d characters; at most %(limit_value)d fit. Type the number alone."
    ),
}
MOST_PIECES = 100_000
AHEAD = timedelta(days=366)


class MomentField(forms.DateTimeField):
    """Date and time on the site's clock. Of an hour that a night has twice the later past one is meant."""

    FORM = "%Y-%m-%dT%H:%M"

    def __init__(self, **options):
        words = {"invalid": gettext_lazy("Give a date and a time, for example 2026-03-02 14:30.")}
        widget = forms.DateTimeInput(format=self.FORM, attrs={"type": "datetime-local"})
        super().__init__(**{"required": False, "widget": widget, "error_messages": words} | options)

    def to_python(self, value):
        try:
            return super().to_python(value)
        except ValidationError as error:
            if error.code != "ambiguous_timezone":
                raise
            return self.twice_or_never(parse_datetime(value.strip()))

    @staticmethod
    def twice_or_never(naive):
        zone = timezone.get_current_timezone()
        later, earlier = (naive.replace(tzinfo=zone, fold=fold) for fold in (1, 0))
        if earlier.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive:
            raise ValidationError(
                _("%(time)s did not exist here: the clocks went forward that night. Give the time an hour later.")
                % {"time": naive.strftime("%Y-%m-%d %H:%M")},
                code="hour_skipped",
            )
        return later if later.astimezone(UTC) <= timezone.now() else earlier

    def same(self, stored, typed):
        """Whether what was typed is what the page showed: the page shows no seconds."""
        shown = self.widget.format_value(self.prepare_value(stored)) if stored else ""
        return (typed or "") == shown


class UsualAnswers:
    """A form in which USUAL answers what was not sent at all; what people see always has one of them ticked."""

    USUAL = {}

    def __init__(self, data=None, *args, **kwargs):
        if data:
            data = data.copy()
            for name, usual in self.USUAL.items():
                data.setdefault(name, usual)
        super().__init__(data, *args, **kwargs)


def how_it_comes():
    return forms.TypedChoiceField(
        label=gettext_lazy("How it comes"),
        choices=[
            ("live", gettext_lazy("Live: the driver waits")),
            ("dropped", gettext_lazy("Dropped: no driver waits")),
        ],
        coerce=lambda value: value == "dropped",
        initial="live",
        widget=forms.RadioSelect,
    )


class Folded:
    """A form whose rare fields are folded in GROUPS; `opened` tells which have something to show."""

    GROUPS = {}

    @property
    def opened(self):
        return {name: any(self.shows(field) for field in fields) for name, fields in self.GROUPS.items()}

    def shows(self, name):
        if name not in self.fields:
            return False
        bound = self[name]
        return bool(bound.errors) or bound.value() not in (None, "", self.fields[name].initial)


def happened_at():
    return MomentField(label=gettext_lazy("When it happened"), help_text=gettext_lazy("Empty means now."))


def worded(model, name, **options):
    """A text field with the model's own words and length."""
    field = model._meta.get_field(name)
    return forms.CharField(**{"label": capfirst(field.verbose_name), "max_length": field.max_length} | options)


def carriers():
    return Carrier.objects.filter(active=True).order_by("name")


class TrailerFields(UsualAnswers, forms.Form):
    """What an expected trailer and a corrected one have in common. `arrival` is the one being corrected."""

    USUAL = {"dropped": "live"}

    trailer_number = worded(
        Arrival, "trailer_number", widget=forms.TextInput(attrs=PLAIN | {"class": "id"}), error_messages=NUMBER_REQUIRED
    )
    carrier = forms.ModelChoiceField(
        label=gettext_lazy("Delivering carrier"),
        queryset=Carrier.objects.none(),
        required=False,
        empty_label=gettext_lazy("not known yet"),
    )
    appointment_at = MomentField(label=gettext_lazy("Appointment"))
    dropped = how_it_comes()

    def __init__(self, *args, arrival=None, **kwargs):
        super().__init__(*args, **kwargs)
        self.arrival = arrival
        # A browser cuts what is pasted at maxlength without a word.
        self.fields["trailer_number"].widget.attrs.pop("maxlength", None)
        known = carriers().filter(kind=CarrierKind.CARRIER)
        if arrival and arrival.carrier_id:
            known = known | Carrier.objects.filter(pk=arrival.carrier_id)
        self.fields["carrier"].queryset = known

    def clean_trailer_number(self):
        return tidy_reference(self.cleaned_data["trailer_number"])

    def clean_appointment_at(self):
        return believable(self.cleaned_data["appointment_at"])

    def facts(self):
        return {name: self.kept(name) for name in self.cleaned_data if name in dock.ARRIVAL_FACTS}

    def kept(self, name):
        """What was given; for a moment that was left as the page showed it, the moment that is stored."""
        field, stored = self.fields[name], getattr(self.arrival, name, None)
        if isinstance(field, MomentField) and field.same(stored, self.data.get(self.add_prefix(name))):
            return stored
        return self.cleaned_data[name]


class ExpectForm(TrailerFields):
    """A trailer that will come, or that stands at the gate now."""


def temperature(label):
    """Below nought too, which not every phone's keys for decimals can write."""
    return NumberField(label=label, max_digits=5, decimal_places=1, required=False, widget=forms.NumberInput)


class EditTrailerForm(TrailerFields):
    """Everything said of a trailer, with the version that was on the page."""

    door = forms.ModelChoiceField(
        label=gettext_lazy("Door"), queryset=Door.objects.none(), required=False, empty_label="–"
    )
    driver = worded(Arrival, "driver", required=False)
    gate_at = MomentField(label=gettext_lazy("At the gate"))
    late_reason = worded(Arrival, "late_reason", required=False)
    cold = forms.BooleanField(label=gettext_lazy("Temperature-controlled"), required=False)
    temperature_unit = forms.ChoiceField(
        label=gettext_lazy("Temperature unit"), choices=[("F", "°F"), ("C", "°C")], widget=forms.RadioSelect
    )
    set_point = temperature(gettext_lazy("Set point"))
    reading = temperature(gettext_lazy("Air reading"))
    product_temperature = temperature(gettext_lazy("Product temperature"))
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args, arrival, **kwargs):
        super().__init__(*args, arrival=arrival, **kwargs)
        doors = Door.objects.filter(site=arrival.site, active=True)
        self.fields["door"].queryset = (doors | Door.objects.filter(pk=arrival.door_id)).order_by("label")

    def clean_gate_at(self):
        return not_yet(self.cleaned_data["gate_at"])

    def clean(self):
        cleaned = super().clean()
        if not cleaned.get("cold") and any(cleaned.get(name) is not None for name in TEMPERATURES):
            self.add_error("cold", _("Temperatures are given: tick that the trailer is temperature-controlled."))
        return cleaned


TEMPERATURES = ("set_point", "reading", "product_temperature")


def not_yet(moment):
    if moment and moment > timezone.now():
        raise ValidationError(
            _("%(time)s is in the future. Give the time it came.") % {"time": dock.words(moment)}, code="in_the_future"
        )
    return believable(moment)


def believable(moment):
    """The moment, unless its year is plainly a slip of the finger."""
    if moment and (moment.year < 2000 or moment > timezone.now() + AHEAD):
        raise ValidationError(
            _("The year %(year)s cannot be meant. Correct the date.") % {"year": moment.year}, code="absurd_year"
        )
    return moment


class ArriveForm(UsualAnswers, forms.Form):
    """The trailer comes to a door. Asks why it is late when it came to the gate after its appointment."""

    USUAL = {"dropped": "live"}

    door = forms.ModelChoiceField(
        label=gettext_lazy("Door"),
        queryset=Door.objects.none(),
        error_messages={
            "required": gettext_lazy("Choose the door it stands at."),
            "invalid_choice": gettext_lazy("That door is not in use at this site. Choose one of the doors shown."),
        },
    )
    dropped = how_it_comes()
    driver = worded(Arrival, "driver", required=False, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    gate_at = MomentField(label=gettext_lazy("At the gate"), help_text=gettext_lazy("Empty means now."))
    late_reason = worded(
        Arrival,
        "late_reason",
        required=False,
        help_text=gettext_lazy("In the driver's words; “not known” is an answer too."),
    )

    def __init__(self, *args, arrival, **kwargs):
        super().__init__(*args, **kwargs)
        self.arrival = arrival
        self.fields["door"].queryset = Door.objects.filter(site=arrival.site, active=True)

    def clean_gate_at(self):
        return not_yet(self.cleaned_data["gate_at"])

    def clean(self):
        cleaned = super().clean()
        due, came = self.arrival.appointment_at, cleaned.get("gate_at") or self.arrival.gate_at or timezone.now()
        if due and came > due and "gate_at" in cleaned and not cleaned.get("late_reason"):
            self.add_error(
                "late_reason",
                ValidationError(
                    _("It came %(came)s, after its appointment %(due)s. Say why, or write “not known”.")
                    % {"came": dock.words(came), "due": dock.words(due)},
                    code="late_reason_missing",
                ),
            )
        return cleaned


class ShipmentForm(UsualAnswers, Folded, forms.ModelForm):
    """One bill. Checks its words and numbers on a blank record; the domain is given `facts` and `chain`."""

    USUAL = {field.name: str(field.default) for field in Shipment._meta.fields if field.choices and field.has_default()}

    GROUPS = {
        "shipper": ("shipper", "origin", "bill_date", "ship_date"),
        "carriers": ("pro_number", "carrier_on_bill", *(f"chain_{place}" for place in range(1, CHAIN + 1))),
        "loading": ("loaded_by", "sealed_by", "origin_proof"),
        "freight": (
            "pallets",
            "weight",
            "freight_charge",
            "declared_value",
            "freight_terms",
            "freight_paid",
            "freight_in_price",
        ),
    }

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    class Meta:
        model = Shipment
        formfield_callback = as_typed
        fields = [name for name in dock.SHIPMENT_FACTS if name != "difference_note"]
        widgets = {
            "bill_number": forms.TextInput(attrs=PLAIN | {"class": "id"}),
            "pro_number": forms.TextInput(attrs=PLAIN | {"class": "id"}),
            "ship_date": forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
            "bill_date": forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
            "pieces": forms.NumberInput(attrs={"inputmode": "numeric"}),
        } | dict.fromkeys(("pieces_unit", "count_clause", "loaded_by", "sealed_by", "origin_proof"), forms.RadioSelect)
        error_messages = {
            "account": {"required": gettext_lazy("Choose whose goods they are.")},
            "bill_number": {"required": gettext_lazy("Type the number of the bill of lading.")},
            "pieces": {
                "required": gettext_lazy("Type how many pieces the bill says."),
                "invalid": gettext_lazy("Type how many pieces the bill says, as a whole number."),
            },
        }

    def __init__(self, *args, site, shipment=None, **kwargs):
        if shipment:
            kwargs["initial"] = self.shown(shipment) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        self.shipment = shipment
        accounts = Account.objects.filter(active=True)
        if shipment:
            accounts = accounts | Account.objects.filter(pk=shipment.account_id)
        self.fields["account"].queryset = accounts.order_by("legal_name")
        self.fields["account"].empty_label = _("choose")
        self.word(site)
        self.carrier_fields(shipment)

    @classmethod
    def shown(cls, shipment):
        links = shipment.links.order_by("position").values_list("carrier", flat=True)
        facts = {name: getattr(shipment, Shipment._meta.get_field(name).attname) for name in cls.Meta.fields}
        return facts | {"version": shipment.version} | {f"chain_{n}": pk for n, pk in enumerate(links, 1)}

    def word(self, site):
        """Units and money as this site has them; what has a usual answer may stay unanswered."""
        for name in ("freight_charge", "declared_value"):
            self.fields[name].label += f" ({site.currency})"
        self.fields["weight"].label += f" ({site.get_weight_unit_display()})"
        for name in ("weight", "pallets", "freight_charge", "declared_value"):
            self.fields[name].min_value = 0
            self.fields[name].validators.append(forms.fields.validators.MinValueValidator(0))

    def carrier_fields(self, shipment):
        known = carriers()
        if shipment:
            known = (known | Carrier.objects.filter(pk=shipment.carrier_on_bill_id)).distinct()
        self.fields["carrier_on_bill"].queryset = known
        self.fields["carrier_on_bill"].empty_label = _("not named")
        # One list for five menus: each would ask the database for itself.
        menu = [("", _("nobody")), *((one.pk, str(one)) for one in carriers())]
        for place in range(1, CHAIN + 1):
            self.fields[f"chain_{place}"] = forms.TypedChoiceField(
                label=_("Carrier or broker %(place)s") % {"place": place},
                choices=menu,
                coerce=int,
                empty_value=None,
                required=False,
            )

    def clean_bill_number(self):
        return tidy_reference(self.cleaned_data["bill_number"])

    def clean_pro_number(self):
        return tidy_reference(self.cleaned_data["pro_number"])

    def clean_pieces(self):
        if self.cleaned_data["pieces"] < 1:
            raise ValidationError(_("A bill has at least one piece."), code="no_pieces")
        if self.cleaned_data["pieces"] > MOST_PIECES:
            raise ValidationError(
                _("%(pieces)s pieces are more than a trailer holds. Type the number on the bill.")
                % {"pieces": self.cleaned_data["pieces"]},
                code="too_many_pieces",
            )
        return self.cleaned_data["pieces"]

    def clean(self):
        cleaned = super().clean()
        given = [cleaned.get(f"chain_{place}") for place in range(1, CHAIN + 1)]
        self.chain_ids = [pk for pk in given if pk]
        for place, pk in enumerate(given):
            if pk and pk in given[:place]:
                self.add_error(f"chain_{place + 1}", _("This carrier is named twice. Each stands once, in order."))
        return cleaned

    def facts(self):
        return {name: self.cleaned_data[name] for name in self.Meta.fields}

    def chain(self):
        named = Carrier.objects.in_bulk(self.chain_ids)
        return [named[pk] for pk in self.chain_ids]


class SealForm(UsualAnswers, Folded, forms.ModelForm):
    """One seal found, removed or applied; `replaces` is the record that is being corrected."""

    USUAL = {"action": SealAction.FOUND.value, "trailer_door": TrailerDoor.REAR.value}

    GROUPS = {"more": ("broken_by", "watched_by", "kept_where", "seal_class", "note", "happened_at")}

    happened_at = happened_at()
    reason = worded(SealRecord, "reason", required=False)

    class Meta:
        model = SealRecord
        fields = dock.SEAL_FACTS
        widgets = (
            dict.fromkeys(("action", "trailer_door", "condition", "seal_class"), forms.RadioSelect)
            | {name: forms.TextInput(attrs=PLAIN | {"class": "id"}) for name in ("number_on_paper", "number_on_seal")}
            | dict.fromkeys(CHECKS, forms.CheckboxInput)
        )
        error_messages = {"condition": {"required": gettext_lazy("Say how the seal looks.")}}

    def __init__(self, *args, site, replaces=None, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["condition"].choices = SealCondition.choices
        self.fields["seal_class"].choices = [("", _("not marked")), *self.fields["seal_class"].choices[1:]]
        number = self.fields["number_on_seal"]
        number.required = self.data.get("condition") != SealCondition.MISSING
        number.error_messages["required"] = _("Type the number on the seal, or say that the seal is missing.")
        for name in CHECKS:
            if site.asks_four_checks:
                self.fields[name] = forms.BooleanField(
                    label=capfirst(SealRecord._meta.get_field(name).verbose_name), required=False
                )
            else:
                del self.fields[name]
        if replaces is None:
            del self.fields["reason"]
        else:
            self.fields["reason"].required = True
            self.fields["reason"].error_messages["required"] = _("Say why the seal record is corrected.")
            del self.fields["happened_at"]

    def _get_validation_exclusions(self):
        # The record's own rules are the domain's, which says them in sentences.
        return super()._get_validation_exclusions() | {"number_on_seal", "replaces", "reason"}

    def clean_number_on_paper(self):
        return tidy_reference(self.cleaned_data["number_on_paper"])

    def clean_number_on_seal(self):
        return tidy_reference(self.cleaned_data["number_on_seal"])

    def facts(self):
        return {name: self.cleaned_data[name] for name in dock.SEAL_FACTS if name in self.fields}


class UnsealedForm(forms.Form):
    reason = forms.CharField(
        label=gettext_lazy("How is that known?"),
        max_length=Arrival._meta.get_field("unsealed_reason").max_length,
        help_text=gettext_lazy("For example: the bill names no seal and the driver says it was never sealed."),
        error_messages={"required": gettext_lazy("Say how it is known that the trailer came unsealed.")},
    )


class SafetyForm(forms.Form):
    """The three looks. Leaving one out is an answer: the work then waits."""

    wheels_held = forms.BooleanField(required=False)
    floor_looked_at = forms.BooleanField(required=False)
    load_safe = forms.BooleanField(required=False)


class IncidentForm(forms.Form):
    kind = forms.ChoiceField(label=gettext_lazy("What it is"), choices=IncidentKind.choices, widget=forms.HiddenInput)
    text = worded(
        IncidentNote,
        "text",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy("What you see, where, since when. No guesses."),
        error_messages={"required": gettext_lazy("Write down what was seen.")},
    )
    called = worded(
        IncidentNote, "called", required=False, help_text=gettext_lazy("Name, and when. Leave empty if nobody yet.")
    )


class WhenForm(forms.Form):
    happened_at = happened_at()


class NoteWhenForm(WhenForm):
    note = forms.CharField(label=gettext_lazy("Note"), max_length=300, required=False)
    field_order = ["note", "happened_at"]


class NoteForm(forms.Form):
    note = forms.CharField(label=gettext_lazy("Why"), max_length=300, required=False)


class PauseForm(WhenForm):
    held_by = forms.CharField(
        label=gettext_lazy("Who holds the trailer meanwhile"),
        max_length=120,
        help_text=gettext_lazy("For example: night guard; or: seal N77, yard locked."),
        error_messages={"required": gettext_lazy("Say who holds the trailer meanwhile.")},
    )
    field_order = ["held_by", "happened_at"]


class WhyForm(forms.Form):
    """A reason that cannot be left out; `asked` is the question, `sentence` what is said when there is none."""

    reason = forms.CharField(max_length=300)

    def __init__(self, *args, asked, sentence, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["reason"].label = asked
        self.fields["reason"].error_messages["required"] = sentence


class RulingForm(forms.Form):
    """Whether an incident has to be reported, who decided it, and why."""

    reportable = forms.TypedChoiceField(
        label=gettext_lazy("What was decided"),
        choices=[
            ("no", gettext_lazy("It does not have to be reported")),
            ("yes", gettext_lazy("It has to be reported")),
        ],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
        error_messages={"required": gettext_lazy("Choose what was decided.")},
    )
    decided_by = worded(
        IncidentRuling,
        "decided_by",
        help_text=gettext_lazy("The trained person whom the site's plan names."),
        error_messages={"required": gettext_lazy("Write who decided it.")},
    )
    reason = worded(IncidentRuling, "reason", error_messages={"required": gettext_lazy("Write the reason.")})


class PiecesForm(forms.Form):
    """So many pieces of a bill, and why."""

    pieces = WholeField(
        label=gettext_lazy("Pieces"),
        min_value=1,
        max_value=999_999,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        error_messages={"required": gettext_lazy("Say how many pieces.")},
    )
    reason = worded(Refusal, "reason", error_messages={"required": gettext_lazy("Say why.")})
