from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from receiving.enums import PhotoPurpose
from receiving.models.base import Evidence, Recorded


class Photo(Recorded, Evidence):
    """A picture as it came. `original` is the evidence, under its own hash; the two copies are for looking.

    Always belongs to an arrival; to a piece or a seal where it shows one. `at` is when the server had it,
    `taken_claim` what the device's own data says (text, not trusted), `actor` who sent it.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+")
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="photos")
    discrepancy = models.ForeignKey("receiving.Discrepancy", on_delete=models.PROTECT, null=True, related_name="photos")
    seal = models.ForeignKey("receiving.SealRecord", on_delete=models.PROTECT, null=True, related_name="photos")
    purpose = models.CharField(_("shows"), max_length=15, choices=PhotoPurpose.choices)
    caption = models.CharField(_("caption"), max_length=200, blank=True)
    original = models.CharField(max_length=120)
    viewing = models.CharField(max_length=120)
    thumbnail = models.CharField(max_length=120)
    sha256 = models.CharField(max_length=64)
    viewing_sha256 = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    format = models.CharField(max_length=5)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    filename = models.CharField(max_length=200, blank=True)
    taken_claim = models.CharField(max_length=40, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(discrepancy__isnull=True) | Q(seal__isnull=True), name="photo_of_a_piece_or_a_seal"
            )
        ]
        indexes = [models.Index(fields=["sha256"], name="photo_sha256")]


class Tombstone(Evidence):
    """What is left of a file that law or retention had removed: its hash and the reason."""

    photo = models.OneToOneField(Photo, on_delete=models.PROTECT, related_name="tombstone")
    sha256 = models.CharField(max_length=64)
    reason = models.CharField(max_length=300)
