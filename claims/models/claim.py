from django.conf import settings
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from claims.enums import (
    DocumentKind,
    FilingWay,
    LetterKind,
    LineKind,
    PriceSource,
    Purpose,
    Stage,
)
from receiving.enums import WhoClaims, YesNo
from receiving.models import Evidence, Recorded


class ClaimQuerySet(models.QuerySet):
    def open(self):
        """Drafts and filed ones."""
        return self.filter(stage__in=[Stage.DRAFT, Stage.FILED])

    def demands(self):
        """Claims of money; a hand-over demands nothing."""
        return self.filter(purpose=Purpose.CLAIM)


class Claim(Recorded):
    """One claim for one freight bill: who claims from whom, by which terms, for how much.

    Numbered per site and year (`ALD-26-0007`); a withdrawn draft keeps its number. `claims.filing` is the only door to
    `stage`; what happens between filing and closing are `Fact` rows, and the standing is derived from them. A draft is
    changed by `claims.drafting` only. `version` goes up with every change, so that of two people one is told.
    `amount` is the sum of its live lines' amounts, None while a line cannot be worked out.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="claims")
    year = models.PositiveSmallIntegerField(editable=False)
    number = models.PositiveIntegerField(editable=False)
    purpose = models.CharField(max_length=8, choices=Purpose.choices, default=Purpose.CLAIM)
    stage = models.CharField(max_length=9, choices=Stage.choices, default=Stage.DRAFT)
    stage_since = models.DateTimeField()
    version = models.PositiveIntegerField(default=1, editable=False)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    shipment = models.ForeignKey("receiving.Shipment", on_delete=models.PROTECT, related_name="claims")
    account = models.ForeignKey("receiving.Account", on_delete=models.PROTECT, related_name="claims")
    who_claims = models.CharField(_("who claims"), max_length=10, choices=WhoClaims.choices)
    claimant = models.CharField(_("claimant"), max_length=120, blank=True)
    claimant_address = models.TextField(_("claimant's address"), blank=True)
    claimant_email = models.EmailField(_("e-mail for answers"), blank=True)
    claimant_phone = models.CharField(_("phone for answers"), max_length=40, blank=True)
    signatory = models.CharField(_("signed by"), max_length=120, blank=True)
    payee = models.CharField(_("to be paid to"), max_length=120, blank=True)
    carrier = models.ForeignKey(
        "receiving.Carrier", on_delete=models.PROTECT, null=True, verbose_name=_("claim against"), related_name="claims"
    )
    second_carrier = models.ForeignKey(
        "receiving.Carrier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        verbose_name=_("and against"),
        related_name="+",
    )
    currency = models.CharField(_("currency"), max_length=3)
    amount = models.DecimalField(max_digits=14, decimal_places=3, null=True, editable=False)
    terms = models.ForeignKey("claims.Terms", on_delete=models.PROTECT, null=True, blank=True, related_name="claims")
    terms_reason = models.CharField(_("why these terms"), max_length=300, blank=True)
    frozen_terms = models.JSONField(null=True, editable=False)
    shipment_weight = models.DecimalField(
        _("weight of the shipment"), max_digits=10, decimal_places=2, null=True, blank=True
    )
    freight_charge = models.DecimalField(_("freight charge"), max_digits=12, decimal_places=2, null=True, blank=True)
    freight_paid = models.CharField(_("freight paid"), max_length=8, choices=YesNo.choices, default=YesNo.UNKNOWN)
    freight_in_price = models.CharField(
        _("freight inside the goods' price"), max_length=8, choices=YesNo.choices, default=YesNo.UNKNOWN
    )
    declared_value = models.DecimalField(_("declared value"), max_digits=12, decimal_places=2, null=True, blank=True)
    rate = models.DecimalField(
        _("exchange rate: one unit of the limit's currency in ours"),
        max_digits=14,
        decimal_places=6,
        null=True,
        blank=True,
    )
    rate_date = models.DateField(_("rate of"), null=True, blank=True)
    rate_source = models.CharField(_("rate from"), max_length=200, blank=True)
    working = models.JSONField(default=dict, editable=False)
    asked_owner = models.CharField(
        _("owner, supplier or insurer has claimed or was paid"),
        max_length=8,
        choices=YesNo.choices,
        default=YesNo.UNKNOWN,
    )
    asked_note = models.CharField(_("who was asked, and what they said"), max_length=300, blank=True)
    filed_at = models.DateTimeField(null=True, editable=False)
    filed_on = models.DateField(_("filed on"), null=True, editable=False)
    filing_way = models.CharField(_("filed by"), max_length=8, choices=FilingWay.choices, blank=True)
    closed_note = models.CharField(max_length=300, blank=True, editable=False)

    objects = ClaimQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "year", "number"], name="one_claim_per_site_year_and_number"),
            models.CheckConstraint(
                condition=Q(stage__in=["draft", "withdrawn"]) | Q(filed_at__isnull=False, filed_on__isnull=False),
                name="filed_claim_says_when",
            ),
            models.CheckConstraint(
                condition=Q(rate__isnull=True) | (Q(rate__gt=0, rate_date__isnull=False) & ~Q(rate_source="")),
                name="claim_rate_has_date_and_source",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "stage", "-id"], name="claim_site_stage"),
            models.Index(fields=["carrier", "stage"], name="claim_carrier_stage"),
        ]

    def __str__(self):
        return f"{self.site.code}-{self.slug}"

    @property
    def slug(self):
        return f"{self.year % 100:02d}-{self.number:04d}"

    def get_absolute_url(self):
        return reverse("claim", args=[self.site.code, self.slug])

    @property
    def is_draft(self):
        return self.stage == Stage.DRAFT

    @property
    def is_handover(self):
        return self.purpose == Purpose.HANDOVER


class ClaimLine(Recorded):
    """One piece on a claim, with its own count and prices. A piece is live on one claim at most.

    Prices are per unit of `quantity`; discounts in percent. Either `unit_price` or the pair of `repair_cost` and
    `value_lost` carries the loss. `amount` and `working` come from `claims.valuation` whenever the claim is priced.
    """

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="lines")
    discrepancy = models.ForeignKey("receiving.Discrepancy", on_delete=models.PROTECT, related_name="claim_lines")
    position = models.PositiveSmallIntegerField()
    live = models.BooleanField(default=True)
    dropped_reason = models.CharField(max_length=300, blank=True)
    kind = models.CharField(_("loss"), max_length=6, choices=LineKind.choices)
    description = models.CharField(_("goods"), max_length=200, blank=True)
    quantity = models.DecimalField(_("quantity"), max_digits=12, decimal_places=3)
    unit = models.CharField(_("unit"), max_length=20, blank=True)
    cartons = models.PositiveIntegerField(_("cartons"), default=1)
    unit_price = models.DecimalField(_("unit price"), max_digits=14, decimal_places=4, null=True, blank=True)
    price_source = models.CharField(_("price from"), max_length=9, choices=PriceSource.choices, blank=True)
    price_reference = models.CharField(_("invoice or statement number"), max_length=80, blank=True)
    trade_discount = models.DecimalField(_("trade discount, percent"), max_digits=7, decimal_places=4, default=0)
    cash_discount = models.DecimalField(_("cash discount, percent"), max_digits=7, decimal_places=4, default=0)
    repair_cost = models.DecimalField(_("cost of repair"), max_digits=14, decimal_places=2, null=True, blank=True)
    value_lost = models.DecimalField(_("loss of value"), max_digits=14, decimal_places=2, null=True, blank=True)
    salvage = models.DecimalField(_("net salvage"), max_digits=14, decimal_places=2, default=0)
    weight = models.DecimalField(_("weight"), max_digits=12, decimal_places=3, null=True, blank=True)
    amount = models.DecimalField(max_digits=14, decimal_places=3, null=True, editable=False)
    working = models.JSONField(default=dict, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["discrepancy"], condition=Q(live=True), name="one_live_claim_line_per_discrepancy"
            ),
            models.UniqueConstraint(fields=["claim", "position"], name="one_claim_line_per_position"),
            models.CheckConstraint(condition=Q(quantity__gt=0), name="claim_line_of_some_quantity"),
            models.CheckConstraint(
                condition=Q(amount__isnull=True) | Q(amount__gte=0), name="claim_line_amount_not_negative"
            ),
            models.CheckConstraint(
                condition=Q(unit_price__isnull=True) | Q(unit_price__gte=0), name="claim_line_price_not_negative"
            ),
            models.CheckConstraint(condition=Q(salvage__gte=0), name="claim_line_salvage_not_negative"),
            models.CheckConstraint(condition=Q(live=True) | ~Q(dropped_reason=""), name="dropped_claim_line_says_why"),
        ]

    def __str__(self):
        return f"{self.position}"


class NotClaimedQuerySet(models.QuerySet):
    def standing(self):
        """Decisions that nobody has taken back."""
        return self.filter(lifts=None, lifted_by=None)


class NotClaimed(Recorded, Evidence):
    """Somebody decided not to claim a piece, with the reason; a row that `lifts` one takes the decision back."""

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+")
    discrepancy = models.ForeignKey("receiving.Discrepancy", on_delete=models.PROTECT, related_name="not_claimed")
    reason = models.CharField(_("why it is not claimed"), max_length=300)
    lifts = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="lifted_by")

    objects = NotClaimedQuerySet.as_manager()


class DocumentQuerySet(models.QuerySet):
    def current(self):
        """Those that belong to their claims now: nothing replaces them, and nobody has taken them off."""
        return self.filter(replaced_by__isnull=True, taken_off=False)


class Document(Recorded, Evidence):
    """A PDF or picture that belongs to a claim, as it came, under its own hash. A correction `replaces` the first; one
    that is `taken_off` replaces it by nothing, and `note` says why.
    """

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="documents")
    kind = models.CharField(_("what it is"), max_length=18, choices=DocumentKind.choices)
    file = models.CharField(max_length=120)
    name = models.CharField(max_length=200)
    content_type = models.CharField(max_length=40)
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    pages = models.PositiveIntegerField()
    note = models.CharField(_("note"), max_length=300, blank=True)
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    taken_off = models.BooleanField(default=False)

    objects = DocumentQuerySet.as_manager()


class GapReason(Recorded, Evidence):
    """Why something that a claim lacks will not be had; the newest row of a gap is the one that counts.

    `gap` is a code of `claims.completeness`.
    """

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="gap_reasons")
    gap = models.CharField(max_length=40)
    reason = models.CharField(_("why there is none"), max_length=300)


class Statement(Recorded, Evidence):
    """A named person states that short pieces were not received from any other source, after the tool has searched.

    `searched` is what was looked through and how much of it there was; `text` the exact words that were signed.
    """

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="statements")
    lines = models.JSONField()
    signer = models.CharField(_("name"), max_length=120)
    role = models.CharField(_("position"), max_length=120, blank=True)
    text = models.TextField()
    searched = models.JSONField()


class Letter(Recorded):
    """A letter or notice drafted from the record, edited by hand, frozen when it is sent (`sent_at`)."""

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="letters")
    number = models.PositiveSmallIntegerField()
    kind = models.CharField(_("letter"), max_length=20, choices=LetterKind.choices)
    to = models.CharField(_("to"), max_length=254, blank=True)
    subject = models.CharField(_("subject"), max_length=200)
    body = models.TextField(_("text"), max_length=20000)
    about = models.JSONField(default=dict, editable=False)
    version = models.PositiveIntegerField(default=1, editable=False)
    drafted_at = models.DateTimeField()
    drafted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    sent_at = models.DateTimeField(null=True, editable=False)
    sent_way = models.CharField(max_length=8, choices=FilingWay.choices, blank=True, editable=False)
    pdf = models.CharField(max_length=120, blank=True, editable=False)
    pdf_sha256 = models.CharField(max_length=64, blank=True, editable=False)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["claim", "number"], name="one_letter_per_claim_and_number")]

    def __str__(self):
        return f"{self.claim}/{self.number}"


class Message(Recorded, Evidence):
    """One e-mail that left, exactly as it was handed over: part `part` of `parts`."""

    claim = models.ForeignKey(Claim, on_delete=models.PROTECT, related_name="messages")
    letter = models.ForeignKey(Letter, on_delete=models.PROTECT, null=True, related_name="messages")
    packet = models.ForeignKey("claims.Packet", on_delete=models.PROTECT, null=True, related_name="messages")
    to = models.CharField(max_length=254)
    subject = models.CharField(max_length=250)
    message_id = models.CharField(max_length=200)
    part = models.PositiveSmallIntegerField(default=1)
    parts = models.PositiveSmallIntegerField(default=1)
    file = models.CharField(max_length=120)
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()


class Bounce(Recorded, Evidence):
    """A message came back undelivered, or its delivery is doubted: what the answer said."""

    message = models.ForeignKey(Message, on_delete=models.PROTECT, related_name="bounces")
    text = models.TextField(_("what came back"), max_length=20000)
    file = models.CharField(max_length=120, blank=True)
    sha256 = models.CharField(max_length=64, blank=True)
