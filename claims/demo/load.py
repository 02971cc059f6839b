"""Loads the whole demo, docks and claims, all of it or nothing."""

from contextlib import contextmanager

from django.conf import settings
from django.urls import reverse

from claims.demo import agreements
from claims.demo.office import Office
from claims.enums import Stage
from claims.models import Claim
from receiving import clock
from receiving.demo import load as docks
from receiving.models import Site

NOWHERE = "django.core.mail.backends.dummy.EmailBackend"


def load(*, now, small=False, progress=lambda sentence: None):
    """Write docks and claims as of `now`. Raises Refused where there are real records."""
    with nothing_leaves():
        docks.load(now=now, small=small, progress=progress, others=Others(now, small, progress))


class Others:
    """What the docks' demo knows of anybody else: they begin when the past is there, and go on up to a moment."""

    def __init__(self, now, small, progress):
        self.now, self.small, self.progress = now, small, progress

    def begin(self, company, *, at):
        """Terms are agreed when the company is set up; the clerks begin."""
        self.company = company
        first = next(iter(company.sites.values()))
        today = clock.site_day(self.now, first.time_zone)
        agreements.agree(company, actor=company.people["manager"], at=at, today=today)

    def past_is_there(self):
        self.progress("The claims of those months")
        self.office = Office(self.company, now=self.now, small=self.small)
        self.office.begin()

    def go_on(self, until, before=lambda at: None):
        self.office.go_on(until, before)


@contextmanager
def nothing_leaves():
    """E-mail of the demo is kept as sent and goes to nobody."""
    kept = settings.EMAIL_BACKEND
    settings.EMAIL_BACKEND = NOWHERE
    try:
        yield
    finally:
        settings.EMAIL_BACKEND = kept


def addresses():
    """(path, what is there) of the pages a clerk opens first."""
    site = Site.objects.order_by("pk").first()
    yield reverse("to_claim", args=[site.code]), "losses nobody has claimed yet"
    claim = Claim.objects.filter(site=site, stage=Stage.FILED, packets__isnull=False).order_by("-filed_at").first()
    if claim:
        yield claim.get_absolute_url(), "a claim with its packet"
    yield reverse("due", args=[site.code]), "what is due, the nearest first"
    yield reverse("money", args=[site.code]), "the money of all claims"
