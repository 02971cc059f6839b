from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from receiving.enums import (
    Attribution,
    DiscrepancyState,
    Disposition,
    Extent,
    FindingKind,
    Kind,
    RerouteAuthority,
    WhereFound,
)
from receiving.models.base import Evidence, Recorded


class DiscrepancyQuerySet(models.QuerySet):
    def live(self):
        """Still counts in the squaring: neither void nor resolved."""
        return self.filter(state=DiscrepancyState.OPEN)


class Discrepancy(Recorded):
    """One piece that is damaged, over, short or rerouted, as it stands now; each version before is kept.

    A carton that is rerouted and damaged has two. `quantity` is above one only where pieces have no labels to tell
    them apart (shorts of a tallied or blind count). `claimed_at` is set by the claims side and shuts the piece.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="discrepancies", db_index=False)
    number = models.PositiveIntegerField(editable=False)
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="discrepancies")
    shipment = models.ForeignKey(
        "receiving.Shipment", on_delete=models.PROTECT, null=True, related_name="discrepancies"
    )
    carton = models.ForeignKey("receiving.Carton", on_delete=models.PROTECT, null=True, related_name="discrepancies")
    store = models.ForeignKey("receiving.Store", on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(_("what is wrong"), max_length=10, choices=Kind.choices)
    state = models.CharField(max_length=8, choices=DiscrepancyState.choices, default=DiscrepancyState.OPEN)
    version = models.PositiveIntegerField(default=1, editable=False)
    quantity = models.PositiveIntegerField(_("pieces"), default=1)
    label = models.CharField(_("label as read"), max_length=100, blank=True)
    damaged_too = models.BooleanField(_("damaged too"), default=False)
    codes = models.JSONField(_("damage codes"), default=list)
    extent = models.CharField(_("extent"), max_length=10, choices=Extent.choices, blank=True)
    disposition = models.CharField(_("what happens with it"), max_length=15, choices=Disposition.choices, blank=True)
    new_store = models.ForeignKey("receiving.Store", on_delete=models.PROTECT, null=True, related_name="+")
    reroute_authority = models.CharField(_("who says so"), max_length=6, choices=RerouteAuthority.choices, blank=True)
    where_found = models.CharField(_("where found"), max_length=10, choices=WhereFound.choices, blank=True)
    attribution = models.CharField(_("attributed to"), max_length=11, choices=Attribution.choices, blank=True)
    attribution_reason = models.CharField(_("why"), max_length=300, blank=True)
    no_photo_reason = models.CharField(_("why there is no close photo"), max_length=200, blank=True)
    not_in_place_reason = models.CharField(_("why no photo before moving"), max_length=200, blank=True)
    units_good = models.PositiveIntegerField(_("units good"), null=True, blank=True)
    units_hurt = models.PositiveIntegerField(_("units hurt"), null=True, blank=True)
    hazmat = models.BooleanField(_("hazardous material"), default=False)
    food_hold = models.BooleanField(default=False)
    note = models.CharField(_("note"), max_length=500, blank=True)
    after_release = models.BooleanField(default=False)
    sent_late = models.BooleanField(default=False)
    found_at = models.DateTimeField()
    logged_at = models.DateTimeField()
    logged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    matched = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="matched_by")
    settled_note = models.CharField(max_length=300, blank=True)
    claimed_at = models.DateTimeField(null=True, editable=False)

    objects = DiscrepancyQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="one_discrepancy_per_site_and_number"),
            models.UniqueConstraint(
                fields=["carton", "kind"],
                condition=Q(state="open", carton__isnull=False, kind__in=["damaged", "short", "rerouted"]),
                name="one_open_discrepancy_per_carton_and_kind",
            ),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="discrepancy_of_some_pieces"),
            models.CheckConstraint(
                condition=~Q(kind="rerouted") | Q(new_store__isnull=False), name="rerouted_piece_has_its_new_store"
            ),
            models.CheckConstraint(
                condition=Q(food_hold=False) | ~Q(disposition__in=["forwarded", "salvage"]),
                name="held_food_is_not_forwarded_or_sold",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "-found_at", "-id"], name="discrepancy_newest"),
            models.Index(fields=["site", "kind", "-found_at", "-id"], name="discrepancy_of_kind"),
            models.Index(fields=["site", "state", "-found_at", "-id"], name="discrepancy_of_state"),
            models.Index(fields=["site", "kind", "state", "-found_at", "-id"], name="discrepancy_kind_newest"),
            models.Index(
                fields=["site", "label"], name="discrepancy_site_label", opclasses=["int8_ops", "varchar_pattern_ops"]
            ),
            models.Index(fields=["label", "kind", "state"], name="discrepancy_match"),
        ]

    def __str__(self):
        return f"P-{self.number}"

    def get_absolute_url(self):
        return reverse("piece", args=[self.site.code, self.number])

    @property
    def is_damaged(self):
        return self.kind == Kind.DAMAGED or self.damaged_too


class DiscrepancyVersion(Evidence):
    """A piece as it was said to be at one moment: the whole of it, who said so and why it was changed."""

    discrepancy = models.ForeignKey(Discrepancy, on_delete=models.PROTECT, related_name="versions")
    version = models.PositiveIntegerField()
    facts = models.JSONField()
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["discrepancy", "version"], name="one_row_per_discrepancy_version")
        ]


class Finding(Recorded, Evidence):
    """What was done or learnt about a piece later: opened, inspected, decided, released, reported by the store."""

    discrepancy = models.ForeignKey(Discrepancy, on_delete=models.PROTECT, related_name="findings")
    kind = models.CharField(max_length=18, choices=FindingKind.choices)
    by_name = models.CharField(_("by whom"), max_length=80, blank=True)
    units_good = models.PositiveIntegerField(_("units good"), null=True, blank=True)
    units_hurt = models.PositiveIntegerField(_("units hurt"), null=True, blank=True)
    packaging_outside = models.CharField(_("packaging outside"), max_length=300, blank=True)
    packaging_inside = models.CharField(_("packaging inside"), max_length=300, blank=True)
    disposition = models.CharField(max_length=15, choices=Disposition.choices, blank=True)
    text = models.CharField(_("what was found"), max_length=500, blank=True)
