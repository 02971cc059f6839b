from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from claims.enums import (
    Applies,
    Binds,
    Counting,
    DeliveredMeans,
    Duty,
    Effect,
    FreightWhen,
    LimitBasis,
    Mode,
    Regime,
    SalvageWhen,
    Trigger,
)
from receiving.enums import WeightUnit


class Terms(models.Model):
    """What was agreed, or what the law says, for carriage: its periods, its limit of liability, what it covers.

    A scope is whatever of carrier, account, site, origin and mode is named; the narrowest that fits a bill wins, by the
    bill's date. Two terms of one scope never hold on one day. `claims.terms` writes and chooses.
    """

    title = models.CharField(_("title"), max_length=120)
    carrier = models.ForeignKey(
        "receiving.Carrier",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        verbose_name=_("carrier"),
        related_name="terms",
    )
    account = models.ForeignKey(
        "receiving.Account",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        verbose_name=_("account"),
        related_name="terms",
    )
    site = models.ForeignKey(
        "receiving.Site", on_delete=models.PROTECT, null=True, blank=True, verbose_name=_("site"), related_name="terms"
    )
    origin = models.CharField(_("origin"), max_length=120, blank=True)
    mode = models.CharField(_("mode"), max_length=4, choices=Mode.choices, blank=True)
    valid_from = models.DateField(_("for bills from"))
    valid_until = models.DateField(_("for bills until"), null=True, blank=True)
    template = models.CharField(_("started from"), max_length=20, blank=True, editable=False)
    source = models.CharField(_("source"), max_length=300)
    regime = models.CharField(
        _("law the carriage falls under"), max_length=11, choices=Regime.choices, default=Regime.US_ROAD
    )
    waives_statute = models.BooleanField(_("contract expressly waives the statute's carriage terms"), default=False)
    waiver = models.CharField(_("where the waiver stands"), max_length=200, blank=True)
    delivered_means = models.CharField(
        _("delivered means"), max_length=8, choices=DeliveredMeans.choices, default=DeliveredMeans.EARLIEST
    )
    calendar_country = models.CharField(_("holiday calendar, country"), max_length=2, default="US", blank=True)
    calendar_subdivision = models.CharField(_("holiday calendar, state or province"), max_length=6, blank=True)
    limit_basis = models.CharField(
        _("limit counted on"), max_length=15, choices=LimitBasis.choices, default=LimitBasis.NONE
    )
    limit_rate = models.DecimalField(_("limit rate"), max_digits=14, decimal_places=4, null=True, blank=True)
    limit_currency = models.CharField(
        _("limit currency (XDR for special drawing rights)"), max_length=3, default="USD", blank=True
    )
    limit_weight_unit = models.CharField(
        _("limit per"), max_length=2, choices=WeightUnit.choices, default=WeightUnit.LB, blank=True
    )
    salvage_when = models.CharField(
        _("salvage taken off"), max_length=6, choices=SalvageWhen.choices, default=SalvageWhen.BEFORE
    )
    freight_when = models.CharField(
        _("freight share comes"), max_length=7, choices=FreightWhen.choices, default=FreightWhen.OUTSIDE
    )
    deductible = models.DecimalField(_("deductible per claim"), max_digits=12, decimal_places=2, default=0)
    allowance_percent = models.DecimalField(
        _("shortage allowance, percent of the shipment's pieces"), max_digits=6, decimal_places=3, default=0
    )
    note = models.TextField(_("note"), max_length=2000, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)
    retired_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(valid_until__isnull=True) | Q(valid_until__gte=F("valid_from")),
                name="terms_do_not_end_before_they_begin",
            ),
            models.CheckConstraint(
                condition=Q(limit_basis__in=["none", "declared_value"]) | Q(limit_rate__gt=0),
                name="terms_with_a_limit_have_its_rate",
            ),
            models.CheckConstraint(condition=Q(deductible__gte=0), name="terms_deductible_not_negative"),
            models.CheckConstraint(
                condition=Q(allowance_percent__gte=0, allowance_percent__lte=100),
                name="terms_allowance_is_a_percentage",
            ),
            models.CheckConstraint(condition=Q(waives_statute=False) | ~Q(waiver=""), name="terms_waiver_says_where"),
        ]

    def __str__(self):
        return self.title


class TermsPeriod(models.Model):
    """One period of some terms, as `claims.deadlines.Period` counts it."""

    terms = models.ForeignKey(Terms, on_delete=models.CASCADE, related_name="periods")
    position = models.PositiveSmallIntegerField(default=1)
    duty = models.CharField(_("what is to be done"), max_length=20, choices=Duty.choices)
    applies = models.CharField(_("for"), max_length=12, choices=Applies.choices, default=Applies.ANY)
    trigger = models.CharField(_("counted from"), max_length=20, choices=Trigger.choices)
    length = models.PositiveSmallIntegerField(_("length"), default=0)
    counting = models.CharField(_("counted in"), max_length=20, choices=Counting.choices)
    extra_days = models.PositiveSmallIntegerField(_("and days"), default=0)
    every = models.PositiveSmallIntegerField(_("then again every"), default=0)
    effect = models.CharField(_("if missed"), max_length=16, choices=Effect.choices)
    binds = models.CharField(_("binds"), max_length=8, choices=Binds.choices)
    source = models.CharField(_("source"), max_length=300)

    def __str__(self):
        return f"{self.get_duty_display()}: {self.length} {self.get_counting_display()}"
