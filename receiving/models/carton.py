from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from receiving.enums import ListState, PalletState, ScanHow, ScanResult
from receiving.models.base import Evidence, Recorded


class LoadList(Recorded):
    """An uploaded manifest file: kept with its hash; its rows become cartons when somebody confirms it."""

    shipment = models.ForeignKey("receiving.Shipment", on_delete=models.PROTECT, related_name="load_lists")
    state = models.CharField(max_length=10, choices=ListState.choices, default=ListState.PREVIEW)
    file = models.FileField(upload_to="lists/%Y/%m", max_length=200)
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    mapping = models.JSONField(default=dict)
    rows = models.PositiveIntegerField(default=0)
    uploaded_at = models.DateTimeField()
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_at = models.DateTimeField(null=True)
    confirmed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["shipment"], condition=Q(state="confirmed"), name="one_load_list_in_use_per_shipment"
            )
        ]


class ColumnMapping(models.Model):
    """How an account names its columns, remembered once a person has said it."""

    account = models.ForeignKey("receiving.Account", on_delete=models.CASCADE, related_name="column_mappings")
    headings = models.CharField(max_length=64)
    mapping = models.JSONField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["account", "headings"], name="one_mapping_per_account_and_headings")
        ]

    def __str__(self):
        return f"{self.account}: {self.headings}"


class Pallet(Recorded):
    """Cartons of one store, perhaps from several trailers; each carton credits its own trailer."""

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="pallets")
    number = models.PositiveIntegerField(editable=False)
    store = models.ForeignKey("receiving.Store", on_delete=models.PROTECT, verbose_name=_("store"), related_name="+")
    delivery_day = models.DateField(_("delivery day"), null=True, blank=True)
    staging = models.CharField(_("staging area"), max_length=20, blank=True)
    state = models.CharField(max_length=6, choices=PalletState.choices, default=PalletState.OPEN)
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "number"], name="one_pallet_per_site_and_number")]

    def __str__(self):
        return f"L-{self.number}"


class Carton(models.Model):
    """One line of the load list: a label that should come, once or `expected` times.

    What has been received is a running projection of `Scan`; `receiving.counting` alone moves it. `store` is where
    the list sends it, `new_store` where it goes now.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+", db_index=False)
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="cartons")
    shipment = models.ForeignKey("receiving.Shipment", on_delete=models.PROTECT, related_name="cartons", db_index=False)
    line = models.PositiveIntegerField()
    label = models.CharField(max_length=48)
    store = models.ForeignKey("receiving.Store", on_delete=models.PROTECT, related_name="+", db_index=False)
    new_store = models.ForeignKey(
        "receiving.Store", on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    purchase_order = models.CharField(max_length=40, blank=True)
    description = models.CharField(max_length=120, blank=True)
    weight = models.DecimalField(max_digits=10, decimal_places=3, null=True)
    unit_value = models.DecimalField(max_digits=12, decimal_places=4, null=True)
    units = models.PositiveIntegerField(null=True)
    hazmat = models.BooleanField(default=False)
    food = models.BooleanField(default=False)
    fragile = models.BooleanField(default=False)
    expected = models.PositiveIntegerField(default=1)
    received = models.PositiveIntegerField(default=0)
    received_at = models.DateTimeField(null=True)
    received_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    received_how = models.CharField(max_length=8, choices=ScanHow.choices, blank=True)
    pallet = models.ForeignKey(Pallet, on_delete=models.PROTECT, null=True, related_name="cartons")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["shipment", "label"], name="one_carton_per_shipment_and_label"),
            models.CheckConstraint(condition=Q(expected__gt=0), name="carton_is_expected_at_least_once"),
            models.CheckConstraint(condition=Q(received__lte=models.F("expected")), name="carton_not_received_twice"),
        ]
        indexes = [
            models.Index(
                fields=["site", "label"], name="carton_site_label", opclasses=["int8_ops", "varchar_pattern_ops"]
            )
        ]

    def __str__(self):
        return self.label

    @property
    def goes_to(self):
        return self.new_store or self.store


class Scan(Recorded, Evidence):
    """One label read at a trailer and what it was answered. `undoes` takes an earlier one back.

    `arrival` is the trailer it credits, `seen_at` the one it was scanned at; they differ when a carton belongs to
    another open trailer. `at` is when the server had it, `device_at` when the phone says it was.
    """

    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="scans")
    seen_at = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="+", db_index=False)
    shipment = models.ForeignKey(
        "receiving.Shipment", on_delete=models.PROTECT, null=True, related_name="scans", db_index=False
    )
    carton = models.ForeignKey(Carton, on_delete=models.PROTECT, null=True, related_name="scans")
    pallet = models.ForeignKey(Pallet, on_delete=models.PROTECT, null=True, related_name="+", db_index=False)
    label = models.CharField(max_length=100)
    how = models.CharField(max_length=8, choices=ScanHow.choices, default=ScanHow.SCANNER)
    result = models.CharField(max_length=16, choices=ScanResult.choices)
    device_at = models.DateTimeField(null=True)
    undoes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="undone_by")

    class Meta:
        indexes = [
            models.Index(fields=["arrival", "label"], name="scan_arrival_label"),
            models.Index(fields=["seen_at", "actor"], name="scan_seen_at_actor"),
        ]


class TallyTap(Recorded, Evidence):
    """Cartons counted by store instead of by label: one tap of +1, +5 or +10, or its taking back."""

    shipment = models.ForeignKey("receiving.Shipment", on_delete=models.PROTECT, related_name="tally_taps")
    store = models.ForeignKey("receiving.Store", on_delete=models.PROTECT, null=True, related_name="+")
    count = models.IntegerField()
    undoes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="undone_by")

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(count=0), name="tally_tap_counts_something")]
