from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from claims.enums import FactKind, Ground, ReceiptKind, Speaker
from receiving.models import Evidence, Recorded


class Fact(Recorded, Evidence):
    """Something that happened to a filed claim. Written once; `reverses` takes an earlier one back with the reason.

    `on` is the day it happened at the site, `at` when it was written down. What a kind needs of the other columns is
    in `claims.facts.needs`; the standing and the money of a claim are derived from its facts by `claims.standing`.
    """

    claim = models.ForeignKey("claims.Claim", on_delete=models.PROTECT, related_name="facts")
    kind = models.CharField(max_length=14, choices=FactKind.choices)
    on = models.DateField(_("date"))
    amount = models.DecimalField(_("amount"), max_digits=14, decimal_places=3, null=True, blank=True)
    until = models.DateField(_("open until"), null=True, blank=True)
    reference = models.CharField(_("number"), max_length=80, blank=True)
    received_on = models.DateField(_("received by the carrier on"), null=True, blank=True)
    receipt_kind = models.CharField(_("received"), max_length=10, choices=ReceiptKind.choices, blank=True)
    speaker = models.CharField(_("by whom"), max_length=11, choices=Speaker.choices, blank=True)
    by_name = models.CharField(_("name"), max_length=120, blank=True)
    in_writing = models.BooleanField(_("in writing"), null=True, blank=True)
    papers_returned = models.BooleanField(_("papers returned"), null=True, blank=True)
    note = models.CharField(_("note"), max_length=1000, blank=True)
    document = models.ForeignKey("claims.Document", on_delete=models.PROTECT, null=True, related_name="facts")
    answers = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="answered_by")
    approved_by = models.ForeignKey(
        "receiving.Person", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="reversed_by")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__isnull=True) | Q(amount__gte=0), name="fact_amount_not_negative"
            ),
            models.CheckConstraint(condition=Q(reverses__isnull=True) | ~Q(note=""), name="fact_reversal_says_why"),
        ]
        indexes = [models.Index(fields=["claim", "kind"], name="fact_claim_kind")]


class LineDecision(Evidence):
    """What one decision said of one line: allowed, disallowed, and why."""

    fact = models.ForeignKey(Fact, on_delete=models.PROTECT, related_name="decisions")
    line = models.ForeignKey("claims.ClaimLine", on_delete=models.PROTECT, related_name="decisions")
    allowed = models.DecimalField(_("allowed"), max_digits=14, decimal_places=3)
    disallowed = models.DecimalField(_("disallowed"), max_digits=14, decimal_places=3)
    ground = models.CharField(_("ground"), max_length=16, choices=Ground.choices, blank=True)
    note = models.CharField(_("their words"), max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["fact", "line"], name="one_decision_per_fact_and_line"),
            models.CheckConstraint(
                condition=Q(allowed__gte=0, disallowed__gte=0), name="line_decision_amounts_not_negative"
            ),
        ]


class SalvageLot(Recorded, Evidence):
    """Damaged goods sold or otherwise disposed of (49 CFR 370.11): the lot, how, to whom, what it brought."""

    fact = models.ForeignKey(Fact, on_delete=models.PROTECT, related_name="lots")
    line = models.ForeignKey("claims.ClaimLine", on_delete=models.PROTECT, related_name="lots")
    lot = models.CharField(_("lot number"), max_length=40)
    method = models.CharField(_("how it was disposed of"), max_length=120)
    buyer = models.CharField(_("buyer"), max_length=120, blank=True)
    related_buyer = models.BooleanField(_("buyer is related to the seller"), default=False)
    gross = models.DecimalField(_("gross"), max_digits=14, decimal_places=2)
    costs = models.DecimalField(_("costs"), max_digits=14, decimal_places=2, default=0)
    remitted_on = models.DateField(_("money sent on"), null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(gross__gte=0, costs__gte=0), name="salvage_lot_amounts_not_negative")
        ]


class Amendment(Recorded, Evidence):
    """A filed claim was changed: its lines before and after, and why. The packet made next supersedes."""

    claim = models.ForeignKey("claims.Claim", on_delete=models.PROTECT, related_name="amendments")
    fact = models.ForeignKey(Fact, on_delete=models.PROTECT, related_name="amendments")
    reason = models.CharField(_("why it is amended"), max_length=300)
    before = models.JSONField()
    after = models.JSONField()
