from django.db import models
from django.db.models import Q, Value
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from claims.enums import ALL
from receiving.enums import Kind
from receiving.models import Evidence, Recorded


class BillCount(models.Model):
    """What one bill of a released trailer adds to its carrier's month; `claims.months` alone writes it.

    damaged, short, over, rerouted -- pieces that count against the carrier (rerouted: that were rerouted; no verdict)
    beside -- {kind: {whose doing: pieces}} that do not count: loaded that way, our own handling, cannot tell, ...
    """

    shipment = models.OneToOneField("receiving.Shipment", on_delete=models.CASCADE, primary_key=True, related_name="+")
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.CASCADE, related_name="+")
    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+", db_index=False)
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="+", db_index=False)
    month = models.DateField()
    account = models.ForeignKey("receiving.Account", on_delete=models.PROTECT, related_name="+", db_index=False)
    origin = models.CharField(max_length=120)
    counted = models.CharField(max_length=5)
    listed = models.PositiveIntegerField()
    received = models.PositiveIntegerField()
    damaged = models.PositiveIntegerField()
    short = models.PositiveIntegerField()
    over = models.PositiveIntegerField()
    rerouted = models.PositiveIntegerField()
    beside = models.JSONField(default=dict)

    class Meta:
        indexes = [models.Index(fields=["site", "carrier", "month"], name="billcount_site_carrier_month")]

    def __str__(self):
        return f"{self.shipment_id}: {self.month}"


class VisitCount(models.Model):
    """What a released trailer adds beside its cartons: whether it was in time, whether its seal was in order."""

    arrival = models.OneToOneField("receiving.Arrival", on_delete=models.CASCADE, primary_key=True, related_name="+")
    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+", db_index=False)
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="+", db_index=False)
    month = models.DateField()
    minutes_late = models.IntegerField(null=True)
    seal_exception = models.BooleanField()

    class Meta:
        indexes = [models.Index(fields=["site", "carrier", "month"], name="visit_site_carrier_month")]

    def __str__(self):
        return f"{self.arrival_id}: {self.month}"


class MonthSums(models.Model):
    """The sums of one carrier, month and kind at a site, for all freight or for one account, one origin or both.

    shown, tested -- `claims.scorecard.sums.Sums` as plain JSON, without and with the cap on one trailer
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+", db_index=False)
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="+")
    month = models.DateField()
    kind = models.CharField(max_length=10, choices=Kind.choices)
    account = models.ForeignKey("receiving.Account", on_delete=models.PROTECT, null=True, related_name="+")
    origin = models.CharField(max_length=120, null=True)  # noqa: DJ001  empty is an origin nobody wrote down
    cell = models.CharField(max_length=150)
    shown = models.JSONField()
    tested = models.JSONField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "kind", "cell", "month", "carrier"], name="one_row_of_sums_per_month_and_cell"
            )
        ]

    def __str__(self):
        return f"{self.month} {self.kind} {self.cell}"


class CountedUpTo(models.Model):
    """Up to which event of a site's log the counts and sums above are right."""

    site = models.OneToOneField("receiving.Site", on_delete=models.CASCADE, primary_key=True, related_name="+")
    seq = models.PositiveBigIntegerField(default=0)

    def __str__(self):
        return str(self.seq)


class Scorecard(Recorded, Evidence):
    """A carrier's month as it was issued: sums, settings, verdicts and files, frozen. A later one `restates` it.

    `site` is None for a card over all sites. Numbered per site (`S-0012`), over all sites by themselves (`SA-0012`):
    `series` is the site's key, or 0. A card over all sites rests on all logs: `log_seq` is None, and `log_head` is the
    hash over the heads of all of them.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, null=True, related_name="scorecards")
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="scorecards")
    month = models.DateField()
    series = models.PositiveBigIntegerField()
    number = models.PositiveIntegerField()
    restates = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="restated_by")
    verdict = models.CharField(max_length=24)
    content = models.JSONField()
    content_sha256 = models.CharField(max_length=64)
    pdf = models.CharField(max_length=120)
    pdf_sha256 = models.CharField(max_length=64)
    pdf_size = models.PositiveIntegerField()
    xlsx = models.CharField(max_length=120)
    xlsx_sha256 = models.CharField(max_length=64)
    xlsx_size = models.PositiveIntegerField()
    log_seq = models.PositiveBigIntegerField(null=True)
    log_head = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["series", "number"], name="one_scorecard_per_series_and_number"),
            models.CheckConstraint(
                condition=Q(series=Coalesce("site", Value(0))), name="scorecard_series_is_its_site_or_0"
            ),
        ]
        indexes = [models.Index(fields=["carrier", "month"], name="scorecard_carrier_month")]

    def __str__(self):
        return f"{'S' if self.site_id else 'SA'}-{self.number:04d}"

    def get_absolute_url(self):
        return reverse("scorecard", args=[self.site.code if self.site_id else ALL, self.number])


class CardMessage(Recorded, Evidence):
    """A scorecard that left by e-mail, exactly as it was handed over."""

    scorecard = models.ForeignKey(Scorecard, on_delete=models.PROTECT, related_name="messages")
    to = models.CharField(max_length=254)
    subject = models.CharField(max_length=250)
    message_id = models.CharField(max_length=200)
    file = models.CharField(max_length=120)
    sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()

    def __str__(self):
        return f"{self.scorecard}: {self.to}"


class ReviewNote(Recorded, Evidence):
    """What was agreed with a carrier, by when and by whom; a row that `closes` one says what came of it.

    `site` is None for what was agreed for all sites.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, null=True, related_name="+")
    carrier = models.ForeignKey("receiving.Carrier", on_delete=models.PROTECT, related_name="review_notes")
    scorecard = models.ForeignKey(Scorecard, on_delete=models.PROTECT, null=True, related_name="notes")
    on = models.DateField(_("talked on"))
    text = models.CharField(_("what was agreed"), max_length=1000)
    agreed_with = models.CharField(_("with whom"), max_length=120, blank=True)
    by_when = models.DateField(_("by when"), null=True, blank=True)
    who = models.CharField(_("who sees to it"), max_length=120, blank=True)
    closes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="closed_by")


class JudgingRule(Recorded, Evidence):
    """By which rules carriers are judged from a moment on, at a site or (no site) over all sites; the newest counts.

    false_share -- the false discovery rate in per cent; trailer_cap -- per cent of a trailer's cartons that count in
    the test, None where all do
    """

    FALSE_SHARES = (5, 10)
    TRAILER_CAPS = (10, None)

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, null=True, related_name="+")
    false_share = models.PositiveSmallIntegerField()
    trailer_cap = models.PositiveSmallIntegerField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(false_share__in=[5, 10]), name="judging_rule_false_share_was_simulated"),
            models.CheckConstraint(
                condition=Q(trailer_cap__isnull=True) | Q(trailer_cap=10), name="judging_rule_trailer_cap_was_simulated"
            ),
        ]

    def __str__(self):
        return f"{self.false_share}%, {self.trailer_cap or '-'}"
