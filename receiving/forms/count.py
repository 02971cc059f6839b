"""Input for counting: one scan or a batch of them, taps of a tally, a file of scans, a new pallet. No writes."""

from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from receiving import counting
from receiving.enums import ScanHow
from receiving.models import Pallet, Shipment, Store

MAX_BATCH = 500
YEARS = range(2000, 2101)


class ScanForm(forms.Form):
    """One scan (`label`), or a batch: `labels` is a JSON list of {uuid, label, device_at}."""

    label = forms.CharField(label=gettext_lazy("Scan or type the label"), max_length=200, strip=False, required=False)
    labels = forms.JSONField(required=False)
    how = forms.ChoiceField(
        choices=[(how.value, how.label) for how in (ScanHow.SCANNER, ScanHow.TYPED)], required=False
    )
    device_at = forms.DateTimeField(required=False)
    pallet = forms.ModelChoiceField(
        label=gettext_lazy("Put cartons on pallet"),
        queryset=Pallet.objects.none(),
        to_field_name="number",
        required=False,
        error_messages={"invalid_choice": gettext_lazy("That pallet is not at this site. Choose another one.")},
    )
    shipment = forms.ModelChoiceField(
        label=gettext_lazy("Cartons on no list count for bill"),
        queryset=Shipment.objects.none(),
        required=False,
        error_messages={"invalid_choice": gettext_lazy("That bill is not on this trailer. Choose another one.")},
    )

    def __init__(self, *args, arrival, **kwargs):
        super().__init__(*args, **kwargs)
        # A scan mostly names neither; what is not asked for is not prepared.
        if self.data.get("pallet"):
            self.fields["pallet"].queryset = Pallet.objects.filter(site=arrival.site_id).select_related("store")
        if self.data.get("shipment"):
            self.fields["shipment"].queryset = arrival.shipments.order_by("position")

    def clean_device_at(self):
        at = self.cleaned_data["device_at"]
        if at and at.year not in YEARS:
            raise ValidationError(_("“%(at)s” is no believable time of a scan."), code="invalid", params={"at": at})
        return at

    def clean_labels(self):
        rows = self.cleaned_data["labels"]
        if rows is None:
            return []
        if not isinstance(rows, list) or not 0 < len(rows) <= MAX_BATCH:
            raise ValidationError(
                _("A batch is a list of 1 to %(most)s scans, each with uuid and label."),
                code="bad_batch",
                params={"most": MAX_BATCH},
            )
        return [self.read_of(row, place) for place, row in enumerate(rows, 1)]

    def read_of(self, row, place):
        try:
            label = row["label"]
            if not isinstance(label, str) or len(label) > 200 or "\0" in label:
                raise ValueError
            return counting.Read(label, UUID(row["uuid"]), self.moment(row.get("device_at")))
        except (ValueError, TypeError, KeyError, AttributeError):
            raise ValidationError(
                _(
                    "Scan %(place)s of the batch needs a uuid, a label of at most 200 characters, and a device_at with "
                    "its zone or none."
                ),
                code="bad_batch",
                params={"place": place},
            ) from None

    @staticmethod
    def moment(text):
        found = parse_datetime(text) if text else None
        if text and (found is None or found.tzinfo is None or found.year not in YEARS):
            raise ValueError(text)
        return found

    def clean(self):
        cleaned = super().clean()
        if not self.errors and not cleaned.get("labels") and not cleaned.get("label", "").strip():
            self.add_error(
                "label", ValidationError(_("Nothing was read. Scan the label again or type it."), code="label_missing")
            )
        return cleaned

    def reads(self, uuid):
        """What was scanned, in order; a single scan goes by the number of its form."""
        return self.cleaned_data["labels"] or [
            counting.Read(self.cleaned_data["label"], uuid, self.cleaned_data["device_at"])
        ]


class TallyForm(forms.Form):
    store = forms.ModelChoiceField(
        label=gettext_lazy("Store"),
        queryset=Store.objects.none(),
        required=False,
        error_messages={
            "invalid_choice": gettext_lazy("That store is not one of the bill's account. Reload the page.")
        },
    )
    count = forms.IntegerField(label=gettext_lazy("Cartons"), min_value=-100, max_value=100)

    def __init__(self, *args, bill, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = Store.objects.filter(site=bill.arrival.site_id, account=bill.account_id)


class ScanFileForm(forms.Form):
    file = forms.FileField(
        label=gettext_lazy("File of carton ids, CSV or .xlsx"),
        max_length=200,
        allow_empty_file=True,
        help_text=gettext_lazy(
            "A column headed “carton id” and, if there is one, a column headed “time”. Or carton ids alone."
        ),
        error_messages={"required": gettext_lazy("Choose the file of scans first.")},
    )


class PalletForm(forms.Form):
    store = forms.ModelChoiceField(
        label=gettext_lazy("Store"), queryset=Store.objects.none(), empty_label=gettext_lazy("choose")
    )
    delivery_day = forms.DateField(
        label=gettext_lazy("Delivery day"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    staging = forms.CharField(label=gettext_lazy("Staging area"), max_length=20, required=False)
    trailer = forms.IntegerField(required=False, min_value=1, max_value=2**31 - 1, widget=forms.HiddenInput)

    def __init__(self, *args, site, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = Store.objects.filter(site=site, active=True).order_by("number")
