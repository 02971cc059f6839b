from django.db import models
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from receiving.enums import CarrierReceipt, DeliveryWay, SignOutcome
from receiving.models.base import Evidence, Recorded


class ExceptionSheet(Recorded, Evidence):
    """What the driver signed, frozen: every value it prints, the signature, the PDF's hash and the log's head.

    Numbered per site (R-0412). A later sheet of the same trailer `supersedes` it; it is never changed.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+")
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="sheets")
    number = models.PositiveIntegerField(editable=False)
    supersedes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="superseded_by")
    notation = models.TextField(_("notation"), max_length=4000)
    outcome = models.CharField(_("driver"), max_length=12, choices=SignOutcome.choices)
    signer = models.CharField(_("driver's name"), max_length=80, blank=True)
    employer = models.CharField(_("drives for"), max_length=120, blank=True)
    signature = models.TextField(blank=True)
    typed = models.BooleanField(default=False)
    witness = models.CharField(_("witness"), max_length=80, blank=True)
    device = models.CharField(max_length=300, blank=True)
    carrier_receipt = models.CharField(_("carrier's own receipt"), max_length=14, choices=CarrierReceipt.choices)
    content = models.JSONField()
    content_sha256 = models.CharField(max_length=64)
    pdf = models.CharField(max_length=120)
    pdf_sha256 = models.CharField(max_length=64)
    log_seq = models.PositiveBigIntegerField()
    log_head = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "number"], name="one_sheet_per_site_and_number")]

    def __str__(self):
        return f"R-{self.number:04d}"

    def get_absolute_url(self):
        return reverse("sheet", args=[self.site.code, self.number])


class SheetDelivery(Recorded, Evidence):
    """A sheet that left the building: by e-mail to whom, or on paper."""

    sheet = models.ForeignKey(ExceptionSheet, on_delete=models.PROTECT, related_name="deliveries")
    way = models.CharField(max_length=5, choices=DeliveryWay.choices)
    to = models.CharField(_("to"), max_length=254, blank=True)
    message_id = models.CharField(max_length=200, blank=True)
