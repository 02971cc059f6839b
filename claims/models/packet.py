from django.db import models
from django.urls import reverse

from receiving.models import Evidence, Recorded


class Packet(Recorded, Evidence):
    """What a claim is proved with, frozen: its content, the PDF, the workbook and the archive, each with its hash.

    Numbered per claim. A new packet `supersedes` the one before; the old stays as it was. `content` is everything the
    files print, so the same content makes the same bytes again.
    """

    claim = models.ForeignKey("claims.Claim", on_delete=models.PROTECT, related_name="packets")
    number = models.PositiveSmallIntegerField()
    supersedes = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="superseded_by")
    content = models.JSONField()
    content_sha256 = models.CharField(max_length=64)
    pages = models.PositiveIntegerField()
    pdf = models.CharField(max_length=120)
    pdf_sha256 = models.CharField(max_length=64)
    pdf_size = models.PositiveBigIntegerField()
    xlsx = models.CharField(max_length=120)
    xlsx_sha256 = models.CharField(max_length=64)
    xlsx_size = models.PositiveBigIntegerField()
    zip = models.CharField(max_length=120)
    zip_sha256 = models.CharField(max_length=64)
    zip_size = models.PositiveBigIntegerField()
    log_seq = models.PositiveBigIntegerField()
    log_head = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["claim", "number"], name="one_packet_per_claim_and_number")]

    def __str__(self):
        return f"{self.claim} packet {self.number}"

    def get_absolute_url(self):
        return reverse("packet", args=[self.claim.site.code, self.claim.slug, self.number])
