from datetime import timedelta

from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from receiving.enums import (
    HAZARDS,
    OPEN_STATES,
    ArrivalState,
    CountClause,
    FreightTerms,
    IncidentKind,
    LookedPlace,
    MomentKind,
    OriginProof,
    Party,
    PhotoPurpose,
    PiecesUnit,
    SealAction,
    SealClass,
    SealCondition,
    TrailerDoor,
    YesNo,
)
from receiving.identifiers import compact_reference, seals_agree
from receiving.models.base import Compact, Evidence, Recorded


class ArrivalQuerySet(models.QuerySet):
    def open(self):
        return self.filter(state__in=OPEN_STATES)

    def of_trailer(self, number):
        """Visits of the trailer or container with this number, however its groups are set apart."""
        return self.alias(bare=Compact("trailer_number")).filter(bare=compact_reference(number))


class Arrival(Recorded):
    """One trailer, one visit. `receiving.dock` is the only door to its state; `Moment` rows say who did what when.

    `number` counts per site (T-412). `version` goes up with every change of facts, so that of two people at once
    one wins and the other is told.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="arrivals")
    number = models.PositiveIntegerField(editable=False)
    state = models.CharField(max_length=10, choices=ArrivalState.choices, default=ArrivalState.EXPECTED)
    version = models.PositiveIntegerField(default=1, editable=False)
    door = models.ForeignKey(
        "receiving.Door", on_delete=models.PROTECT, null=True, blank=True, verbose_name=_("door"), related_name="+"
    )
    carrier = models.ForeignKey(
        "receiving.Carrier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        verbose_name=_("delivering carrier"),
        related_name="arrivals",
    )
    trailer_number = models.CharField(_("trailer or container number"), max_length=20)
    driver = models.CharField(_("driver"), max_length=80, blank=True)
    dropped = models.BooleanField(_("dropped, no driver waiting"), default=False)
    appointment_at = models.DateTimeField(_("appointment"), null=True, blank=True)
    gate_at = models.DateTimeField(_("at the gate"), null=True, blank=True)
    dropped_at = models.DateTimeField(null=True, blank=True)
    opened_at = models.DateTimeField(null=True, blank=True)
    unloading_at = models.DateTimeField(null=True, blank=True)
    counted_at = models.DateTimeField(null=True, blank=True)
    released_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True, editable=False, help_text="refused or cancelled")
    late_reason = models.CharField(_("why late"), max_length=200, blank=True)
    unsealed_reason = models.CharField(_("came unsealed"), max_length=200, blank=True)
    wheels_held = models.BooleanField(_("wheels chocked or trailer restrained"), default=False)
    floor_looked_at = models.BooleanField(_("floor looked at"), default=False)
    load_safe = models.BooleanField(_("load standing safely"), default=False)
    cold = models.BooleanField(_("temperature-controlled"), default=False)
    temperature_unit = models.CharField(
        _("temperature unit"), max_length=1, choices=[("F", "°F"), ("C", "°C")], default="F"
    )
    set_point = models.DecimalField(_("set point"), max_digits=5, decimal_places=1, null=True, blank=True)
    reading = models.DecimalField(_("air reading"), max_digits=5, decimal_places=1, null=True, blank=True)
    product_temperature = models.DecimalField(
        _("product temperature"), max_digits=5, decimal_places=1, null=True, blank=True
    )

    objects = ArrivalQuerySet.as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "number"], name="one_arrival_per_site_and_number")]
        indexes = [
            models.Index(fields=["site", "state"], name="arrival_site_state"),
            models.Index(fields=["site", "released_at"], name="arrival_site_released"),
            models.Index(fields=["site", "closed_at"], name="arrival_site_closed"),
            models.Index("site", Compact("trailer_number"), name="arrival_site_compact_trailer"),
        ]

    def __str__(self):
        return f"T-{self.number}"

    def get_absolute_url(self):
        return reverse("trailer", args=[self.site.code, self.number])

    @property
    def is_open(self):
        return self.state in OPEN_STATES

    @property
    def signed_papers(self):
        """Photos of the sheet as it was signed on paper; those erased since are left out."""
        return self.photos.filter(purpose=PhotoPurpose.SIGNED_SHEET, tombstone=None).order_by("pk")

    @property
    def is_safe_to_unload(self):
        return self.wheels_held and self.floor_looked_at and self.load_safe


class Moment(Evidence):
    """Something that happened to a trailer, with who and when. The time line, in order, never changed."""

    arrival = models.ForeignKey(Arrival, on_delete=models.PROTECT, related_name="moments")
    kind = models.CharField(max_length=20, choices=MomentKind.choices)
    note = models.CharField(max_length=500, blank=True)
    recorded_at = models.DateTimeField(auto_now_add=True)

    def __str__(self):
        return self.get_kind_display()

    @property
    def written_later(self):
        return self.recorded_at - self.at > timedelta(minutes=5)


class Shipment(Recorded):
    """One bill on a trailer. The bill is what the driver signs against."""

    arrival = models.ForeignKey(Arrival, on_delete=models.PROTECT, related_name="shipments")
    version = models.PositiveIntegerField(default=1, editable=False)
    position = models.PositiveSmallIntegerField(default=1, editable=False)
    account = models.ForeignKey(
        "receiving.Account", on_delete=models.PROTECT, verbose_name=_("account"), related_name="shipments"
    )
    shipper = models.CharField(_("shipper"), max_length=120, blank=True)
    origin = models.CharField(_("origin"), max_length=120, blank=True)
    ship_date = models.DateField(_("ship date"), null=True, blank=True)
    bill_number = models.CharField(_("bill of lading number"), max_length=40)
    bill_date = models.DateField(_("bill of lading date"), null=True, blank=True)
    pro_number = models.CharField(_("PRO (freight bill) number"), max_length=40, blank=True)
    carrier_on_bill = models.ForeignKey(
        "receiving.Carrier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        verbose_name=_("carrier named on the bill"),
        related_name="+",
    )
    chain = models.ManyToManyField(
        "receiving.Carrier", through="ShipmentCarrier", related_name="+", verbose_name=_("others in the chain")
    )
    pieces = models.PositiveIntegerField(_("pieces on the bill"))
    pieces_unit = models.CharField(
        _("counted in"), max_length=8, choices=PiecesUnit.choices, default=PiecesUnit.CARTONS
    )
    pallets = models.PositiveIntegerField(_("pallets"), null=True, blank=True)
    weight = models.DecimalField(_("weight"), max_digits=10, decimal_places=2, null=True, blank=True)
    freight_charge = models.DecimalField(_("freight charge"), max_digits=12, decimal_places=2, null=True, blank=True)
    freight_terms = models.CharField(_("freight terms"), max_length=12, choices=FreightTerms.choices, blank=True)
    freight_paid = models.CharField(_("freight paid"), max_length=8, choices=YesNo.choices, default=YesNo.UNKNOWN)
    freight_in_price = models.CharField(
        _("freight inside the goods' price"), max_length=8, choices=YesNo.choices, default=YesNo.UNKNOWN
    )
    declared_value = models.DecimalField(_("declared value"), max_digits=12, decimal_places=2, null=True, blank=True)
    count_clause = models.CharField(
        _("how the bill counts"), max_length=12, choices=CountClause.choices, default=CountClause.NOT_STATED
    )
    loaded_by = models.CharField(_("who loaded"), max_length=8, choices=Party.choices, default=Party.UNKNOWN)
    sealed_by = models.CharField(_("who sealed"), max_length=8, choices=Party.choices, default=Party.UNKNOWN)
    origin_proof = models.CharField(
        _("proof of loading at origin"), max_length=10, choices=OriginProof.choices, default=OriginProof.NONE
    )
    difference_note = models.CharField(_("why bill and list differ"), max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["arrival", "bill_number"], name="one_shipment_per_trailer_and_bill"),
            models.CheckConstraint(condition=Q(pieces__gt=0), name="shipment_has_pieces"),
        ]
        indexes = [
            models.Index(fields=["bill_number"], name="shipment_bill"),
            models.Index(fields=["pro_number"], name="shipment_pro"),
            models.Index(Compact("bill_number"), name="shipment_compact_bill"),
            models.Index(Compact("pro_number"), name="shipment_compact_pro"),
        ]

    def __str__(self):
        return self.bill_number


class ShipmentCarrier(models.Model):
    """A carrier or broker that handled the shipment before the delivering one, in order."""

    shipment = models.ForeignKey(Shipment, on_delete=models.CASCADE, related_name="links")
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["shipment", "carrier"], name="one_link_per_shipment_and_carrier")
        ]

    def __str__(self):
        return str(self.carrier)


class SealRecord(Recorded, Evidence):
    """One seal found, removed or applied. A correction is a new row that `replaces` the old with a reason."""

    arrival = models.ForeignKey(Arrival, on_delete=models.PROTECT, related_name="seals")
    action = models.CharField(_("what happened"), max_length=8, choices=SealAction.choices, default=SealAction.FOUND)
    trailer_door = models.CharField(_("where"), max_length=6, choices=TrailerDoor.choices, default=TrailerDoor.REAR)
    number_on_paper = models.CharField(_("number on the paperwork"), max_length=30, blank=True)
    number_on_seal = models.CharField(_("number on the seal"), max_length=30, blank=True)
    seal_class = models.CharField(_("class marked"), max_length=1, choices=SealClass.choices, blank=True)
    condition = models.CharField(_("condition"), max_length=8, choices=SealCondition.choices)
    broken_by = models.CharField(_("who broke it"), max_length=80, blank=True)
    watched_by = models.CharField(_("who watched"), max_length=80, blank=True)
    kept_where = models.CharField(_("where it is kept"), max_length=80, blank=True)
    viewed = models.BooleanField(_("view"), null=True)
    verified = models.BooleanField(_("verify"), null=True)
    tugged = models.BooleanField(_("tug"), null=True)
    twisted = models.BooleanField(_("twist and turn"), null=True)
    note = models.CharField(_("note"), max_length=300, blank=True)
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    reason = models.CharField(_("why corrected"), max_length=200, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(condition="missing") | ~Q(number_on_seal=""), name="seal_number_unless_missing"
            ),
            models.CheckConstraint(condition=Q(replaces__isnull=True) | ~Q(reason=""), name="seal_correction_says_why"),
        ]
        indexes = [
            models.Index(fields=["number_on_seal"], name="seal_number"),
            models.Index(Compact("number_on_seal"), name="seal_compact_number"),
            models.Index(Compact("number_on_paper"), name="seal_compact_paper"),
        ]

    @property
    def numbers_differ(self):
        """Derived, never typed: both numbers are there and they are not the same seal."""
        return bool(self.number_on_paper and self.number_on_seal) and not seals_agree(
            self.number_on_paper, self.number_on_seal
        )

    @property
    def needs_incident(self):
        """What was put on here is ours; what was found or taken off must be whole and the right one."""
        return self.action != SealAction.APPLIED and (self.condition != SealCondition.INTACT or self.numbers_differ)


class IncidentNote(Recorded, Evidence):
    """A stop: what was seen, who was called. Written before work goes on."""

    arrival = models.ForeignKey(Arrival, on_delete=models.PROTECT, related_name="incidents")
    discrepancy = models.ForeignKey(
        "receiving.Discrepancy", on_delete=models.PROTECT, null=True, related_name="incidents"
    )
    kind = models.CharField(_("what it is"), max_length=12, choices=IncidentKind.choices)
    text = models.TextField(_("what was seen"), max_length=1000)
    called = models.CharField(_("who was called"), max_length=120, blank=True)

    @property
    def is_hazard(self):
        return self.kind in HAZARDS


class IncidentRuling(Recorded, Evidence):
    """Whether an incident has to be reported, as the site's trained people decided. The latest of an incident holds."""

    incident = models.ForeignKey(IncidentNote, on_delete=models.PROTECT, related_name="rulings")
    reportable = models.BooleanField(_("it has to be reported"))
    decided_by = models.CharField(_("who decided"), max_length=120)
    reason = models.CharField(_("reason"), max_length=300)


class Refusal(Recorded, Evidence):
    """Pieces not taken off the trailer, by bill. A correction is a row with a negative count and its reason."""

    shipment = models.ForeignKey(Shipment, on_delete=models.PROTECT, related_name="refusals")
    pieces = models.IntegerField(_("pieces"))
    whole = models.BooleanField(default=False)
    reason = models.CharField(_("reason"), max_length=300)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(pieces=0), name="refusal_of_some_pieces")]


class Looked(Recorded, Evidence):
    """Where a missing carton was looked for before it was declared short."""

    arrival = models.ForeignKey(Arrival, on_delete=models.PROTECT, related_name="looks")
    place = models.CharField(max_length=8, choices=LookedPlace.choices)
