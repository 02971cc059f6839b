import time
import uuid
from datetime import timedelta

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models, transaction
from django.db.models import F, Q, Value
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import number_format
from django.utils.translation import gettext as _

from claims.enums import ALL, JobState

AT_WORK = (JobState.WAITING, JobState.RUNNING)
ATTEMPTS = 3
LEASE = timedelta(minutes=1)
BETWEEN_WORDS = 0.25
STUCK_AFTER = 30 * 60


class Overtaken(BaseException):
    """The job was given up for dead and another worker has it, or it is finished: whoever held it writes no more.

    Like `Stopping` not an `Exception`, so that work which survives any error of its own does not survive this.
    """


class Stopping(BaseException):
    """The worker was told to stop; the job goes back into the queue."""


class JobQuerySet(models.QuerySet):
    def seen_at(self, site, *, company):
        """The site's own and, for those who see the whole company, the company's."""
        return self.filter(Q(site=site) | Q(site=None) if company else Q(site=site))

    def left_behind(self, at):
        """Their worker has not been heard of for so long that it counts as gone."""
        return self.filter(state=JobState.RUNNING, lease_until__lt=at)

    def takeable(self, at):
        """Waiting, or left behind and not yet begun too often."""
        left = Q(state=JobState.RUNNING, lease_until__lt=at, attempts__lt=ATTEMPTS)
        return self.filter(Q(state=JobState.WAITING) | left)

    def in_hand(self, at):
        """A living worker is making them."""
        return self.filter(state=JobState.RUNNING, lease_until__gte=at)

    def ahead_of(self, job):
        """Those that wait and were asked for before."""
        earlier = Q(asked_at__lt=job.asked_at) | Q(asked_at=job.asked_at, pk__lt=job.pk)
        return self.filter(earlier, state=JobState.WAITING)


class Job(models.Model):
    """Long work that somebody asked for and does not wait for: its place in the queue, its progress, what came of it.

    Written by `claims.jobs` and, for the worker that has it in hand, by the methods here. `hold` is new each time a
    worker takes the job, and every write of a worker asks for its own: one that was given up for dead and wakes up
    again changes nothing. `key` names the work, so that the same asked twice is one job. No site means company-wide.
    """

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    site = models.ForeignKey("receiving.Site", on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=40)
    key = models.CharField(max_length=120)
    title = models.CharField(max_length=160)
    back = models.CharField(max_length=300, blank=True)
    arguments = models.JSONField(default=dict)
    state = models.CharField(max_length=7, choices=JobState.choices, default=JobState.WAITING)
    made = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    words = models.CharField(max_length=60, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    worker = models.CharField(max_length=80, blank=True)
    hold = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)
    error = models.TextField(blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    objects = JobQuerySet.as_manager()

    # What only the worker that has it in hand knows.
    lease = LEASE
    is_stopping = staticmethod(lambda: False)
    moved = said = float("-inf")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                "kind",
                Coalesce("site", Value(0)),
                "key",
                condition=Q(state__in=AT_WORK),
                name="one_job_for_the_same_work",
            ),
            models.CheckConstraint(
                condition=Q(state=JobState.RUNNING, hold__isnull=False, lease_until__isnull=False)
                | (~Q(state=JobState.RUNNING) & Q(hold__isnull=True, lease_until__isnull=True)),
                name="job_held_while_it_runs",
            ),
            models.CheckConstraint(
                condition=Q(state__in=AT_WORK, finished_at__isnull=True)
                | (~Q(state__in=AT_WORK) & Q(finished_at__isnull=False)),
                name="job_finished_has_its_moment",
            ),
        ]
        indexes = [models.Index(fields=["asked_at", "id"], condition=Q(state__in=AT_WORK), name="jobs_to_do")]

    def __str__(self):
        return self.title

    def get_absolute_url(self, site=None):
        """Its page; for company-wide work the page at `site`, or over all sites."""
        here = self.site or site
        return reverse("job", args=[here.code if here else ALL, self.uuid])

    def progress(self, done, total=0, words=""):
        """Say how far it is and keep the lease. May be called often: what comes too soon after the last is not written.

        done, total -- whole numbers; total 0 while nobody knows
        words -- what is counted, translated, in the plural: "pages"
        Raises Overtaken or Stopping, which the work lets pass. Nobody sees it before the transaction around it ends.
        """
        if self.is_stopping():
            raise Stopping
        self.moved = time.monotonic()
        is_news = (total, words) != (self.total, self.words) or done >= total > 0
        self.made, self.total, self.words = done, total, words
        if is_news or self.moved - self.said >= BETWEEN_WORDS:
            self.said = self.moved
            self.write(made=done, total=total, words=words[:60], lease_until=timezone.now() + self.lease)

    def finish(self, result=None):
        """Done, with its result. Work that stores something calls this in the same transaction, and nothing is stored
        twice: until that transaction ends nobody else can take the job, and Overtaken rolls it back.

        result -- JSON-able dict; "url" is where to find it, "words" a sentence about it
        """
        self.end(JobState.DONE, result=result or {})

    def fail(self, sentence):
        """Not done, and why. Raises Overtaken."""
        self.end(JobState.FAILED, error=str(sentence))

    def give_back(self):
        """Into the queue again, as if it had not been begun. Raises Overtaken."""
        self.write(
            state=JobState.WAITING, hold=None, lease_until=None, worker="", attempts=F("attempts") - 1, started_at=None
        )

    def renew(self):
        """Keep the lease without news."""
        self.write(lease_until=timezone.now() + self.lease)

    def end(self, state, **outcome):
        self.write(state=state, hold=None, lease_until=None, finished_at=timezone.now(), **outcome)

    def write(self, **changes):
        """Change the row if it is still in this worker's hand, else raise Overtaken."""
        with transaction.atomic():
            changed = Job.objects.filter(pk=self.pk, state=JobState.RUNNING, hold=self.hold).update(**changes)
        if not changed:
            raise Overtaken(f"{self.kind} {self.uuid} is in other hands.")

    def is_held(self):
        """Whether the row is still in this worker's hand and not finished."""
        return Job.objects.filter(pk=self.pk, state=JobState.RUNNING, hold=self.hold).exists()

    @property
    def is_stuck(self):
        """The work has not said anything for half an hour."""
        return time.monotonic() - self.moved > STUCK_AFTER

    @property
    def is_finished(self):
        return self.state not in AT_WORK

    @property
    def result_url(self):
        """Where the result is, if it is done and has a place. Only ever an address of our own."""
        return own_address((self.result or {}).get("url", ""))

    @property
    def back_url(self):
        """Where to ask for it again."""
        return own_address(self.back)

    @property
    def result_words(self):
        """What the result says of itself, for the page."""
        return str((self.result or {}).get("words", ""))

    @property
    def progress_line(self):
        """`12 of 40 pages`; `12 pages` while nobody knows of how many; nothing before the first."""
        numbers = {"made": number_format(self.made, force_grouping=True), "words": self.words}
        if self.total:
            numbers["total"] = number_format(self.total, force_grouping=True)
            return (_("%(made)s of %(total)s %(words)s") % numbers).strip()
        return f"{numbers['made']} {self.words}".strip() if self.made else ""


def own_address(text):
    """The text if it is a path on this server, else nothing."""
    path = str(text)
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) else ""
