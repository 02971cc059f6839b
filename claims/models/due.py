from django.conf import settings
from django.db import models
from django.db.models import Q

from receiving.models import Recorded


class FeedKey(Recorded):
    """The secret address of one person's calendar of a site's dates. Only the hash of the secret is kept.

    One that counts per person and site; `revoked_at` ends it. `claims.feeds` writes it.
    """

    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="feed_keys")
    site = models.ForeignKey("receiving.Site", on_delete=models.CASCADE, related_name="+")
    token_hash = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["person", "site"], condition=Q(revoked_at__isnull=True), name="one_feed_per_person_and_site"
            )
        ]


class Digest(models.Model):
    """The morning e-mail of one day that went, or is going, to one person about one site."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    site = models.ForeignKey("receiving.Site", on_delete=models.CASCADE, related_name="+")
    day = models.DateField()
    made_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "site", "day"], name="one_digest_per_person_site_and_day")
        ]

    def __str__(self):
        return f"{self.person_id}: {self.day}"
