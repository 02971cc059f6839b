from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from receiving.models.base import Evidence


class Event(Evidence):
    """One change, chained: `hash` covers this event and the hash of the one before it at the same site.

    Written by `receiving.evidence` only. `record` names what changed (`discrepancy:412`); `before` and `after` hold
    what was said then and now. A batch of scans is one event.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="+", db_index=False)
    seq = models.PositiveBigIntegerField()
    verb = models.CharField(max_length=40)
    record = models.CharField(max_length=60)
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, null=True, related_name="events")
    discrepancy = models.ForeignKey("receiving.Discrepancy", on_delete=models.PROTECT, null=True, related_name="events")
    actor_name = models.CharField(max_length=150)
    source = models.CharField(max_length=60, blank=True)
    before = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    after = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    previous = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "seq"], name="one_event_per_site_and_seq")]


class ChainHead(models.Model):
    """The last event of a site's chain; its row is the lock under which the next one is written."""

    site = models.OneToOneField("receiving.Site", on_delete=models.PROTECT, primary_key=True, related_name="+")
    seq = models.PositiveBigIntegerField(default=0)
    hash = models.CharField(max_length=64, default="0" * 64)

    def __str__(self):
        return f"{self.seq} {self.hash}"


class Submission(models.Model):
    """The answer already given to a client's UUID, so that a repeat gets the same one and stores nothing."""

    uuid = models.UUIDField(primary_key=True)
    person = models.ForeignKey("receiving.Person", on_delete=models.CASCADE, related_name="+", db_index=False)
    path = models.CharField(max_length=200)
    digest = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField()
    location = models.CharField(max_length=300, blank=True)
    content_type = models.CharField(max_length=60, blank=True)
    body = models.TextField(blank=True)
    at = models.DateTimeField(auto_now_add=True)

    def __str__(self):
        return str(self.uuid)
