from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from receiving.enums import HandedInEnd, LateKind, LateOutcome
from receiving.models.base import Evidence, Recorded


class Phone(models.Model):
    """A device that one person works with at one site, known by the UUID that it gave itself.

    `number` is short for people (D-3) and the same for everybody at this site who uses the device. `skew` is by how
    many seconds its clock was ahead of ours when it last said its time, where that was more than it may be.
    """

    uuid = models.UUIDField(editable=False)
    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="phones")
    person = models.ForeignKey("receiving.Person", on_delete=models.PROTECT, related_name="phones")
    number = models.PositiveIntegerField(editable=False)
    name = models.CharField(max_length=60, blank=True)
    first_seen = models.DateTimeField()
    last_seen = models.DateTimeField()
    skew = models.IntegerField(default=0)
    oldest = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "uuid", "person"], name="one_phone_per_site_device_and_person")
        ]

    def __str__(self):
        return f"D-{self.number}"


class PhoneTrailer(models.Model):
    """What a phone did at a trailer, as far as it was heard of: whether all of it has arrived.

    `worked_at` is when it last opened the trailer or wrote to it, `reported_at` when it last said how many records of
    this trailer it still keeps: `waiting` to be sent, `refused` by the server.
    """

    phone = models.ForeignKey(Phone, on_delete=models.CASCADE, related_name="trailers")
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.CASCADE, related_name="phones")
    worked_at = models.DateTimeField()
    reported_at = models.DateTimeField(null=True)
    waiting = models.PositiveIntegerField(default=0)
    refused = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["phone", "arrival"], name="one_row_per_phone_and_trailer")]

    def __str__(self):
        return f"{self.phone} {self.arrival}"


class LateRecord(Recorded, Evidence):
    """Something made at a trailer before its release that arrived after it, and what became of it.

    `sheet` is the sheet that stood then; it no longer stands where `changes_sheet`. `actor` made the record, `made_at`
    is when, by the device's clock as it was corrected; `at` is when the server had it. `record` names what was stored.
    """

    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, related_name="late_records")
    sheet = models.ForeignKey(
        "receiving.ExceptionSheet", on_delete=models.PROTECT, null=True, related_name="late_records"
    )
    discrepancy = models.ForeignKey("receiving.Discrepancy", on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=10, choices=LateKind.choices)
    outcome = models.CharField(max_length=10, choices=LateOutcome.choices)
    changes_sheet = models.BooleanField()
    record = models.CharField(max_length=60)
    label = models.CharField(max_length=100, blank=True)
    pieces = models.IntegerField(default=1)
    made_at = models.DateTimeField()


class HandedIn(Recorded, Evidence):
    """A record of a phone that its author could not send: the right was gone, or it came in a file.

    Kept as it stood on the phone until somebody takes it or discards it (`HandedInEnded`). `actor` handed it in,
    `author` made it by its own word, `kind` and `title` are the phone's words. `fields` is a list of [name, value],
    `files` a list of {field, name, type, size, sha256, path}.
    """

    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, related_name="handed_in")
    arrival = models.ForeignKey("receiving.Arrival", on_delete=models.PROTECT, null=True, related_name="handed_in")
    author = models.ForeignKey("receiving.Person", on_delete=models.PROTECT, related_name="+")
    phone = models.UUIDField(null=True)
    kind = models.CharField(max_length=12, blank=True)
    title = models.CharField(max_length=200, blank=True)
    url = models.CharField(max_length=200)
    fields = models.JSONField(default=list)
    files = models.JSONField(default=list)
    sha256 = models.CharField(max_length=64)
    why = models.CharField(max_length=300, blank=True)
    made_at = models.DateTimeField()
    said_at = models.CharField(max_length=40, blank=True)

    def get_absolute_url(self):
        return reverse("handed_in_one", args=[self.site.code, self.uuid])


class HandedInEnded(Evidence):
    """What became of a record that was handed in: taken as a record, or discarded with a reason."""

    handed_in = models.OneToOneField(HandedIn, on_delete=models.PROTECT, related_name="ended")
    end = models.CharField(_("what became of it"), max_length=9, choices=HandedInEnd.choices)
    reason = models.CharField(_("why"), max_length=300, blank=True)
    answer = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(end="taken") | ~Q(reason=""), name="discarded_record_says_why")
        ]
