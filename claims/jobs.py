"""The queue for work that takes longer than a page may: ask, take, make; one worker or many, on either database.

A worker takes a job by a conditional UPDATE with a lease. Progress and a heartbeat renew it; when the worker is gone
the lease runs out and the next worker begins again, three times at most. Clocks of several machines should agree to
within half a lease.
"""

import logging
import threading
import time
import uuid
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import timedelta

from django.db import Error as DatabaseFailed
from django.db import close_old_connections, connections, transaction
from django.db.models import F
from django.utils import timezone, translation
from django.utils.module_loading import autodiscover_modules
from django.utils.translation import gettext as _

from claims.enums import JobState
from claims.models.job import ATTEMPTS, LEASE, Job, Overtaken, Stopping
from receiving import clock, evidence
from receiving.refusals import ChangedMeanwhile, Refused

log = logging.getLogger(__name__)
POLL = 1.0
KEPT = timedelta(days=30)
CLEAN_EVERY = 3600.0


# --- kinds of work ---


@dataclass(frozen=True)
class Kind:
    """A kind of long work: its name in the queue, its words on the page, the function that does it."""

    name: str
    title: str
    make: object


KINDS = {}


def register(kind, title=""):
    """Decorator: this function does the work of that kind, called as `work(job, **arguments)` by a worker.

    It says how far it is by `job.progress`, raises `Refused` with a sentence where it cannot go on, and gives a dict as
    its result ("url": where the result is, "words": a sentence), or hands that to `job.finish` inside the transaction
    that stores what it made. It may be begun again after a crash. Functions stand in, or are imported by, an app's
    `tasks.py`; that is where they are looked for.

    title -- what is made, marked for translation, for those who ask without words of their own
    """

    def decorate(work):
        if kind in KINDS:
            raise ValueError(f"There is long work called {kind} already.")
        KINDS[kind] = Kind(kind, title or kind, work)
        return work

    return decorate


def find(kind):
    """The Kind of that name; LookupError if no app has it."""
    if kind not in KINDS:
        autodiscover_modules("tasks")
    if kind not in KINDS:
        raise LookupError(f"No long work is called {kind}.")
    return KINDS[kind]


# --- asking ---


def ask(kind, *, site, arguments, key, actor, at, title="", back=""):
    """Put work into the queue, in the caller's transaction: it begins once that is committed. Gives the Job; the same
    kind and key at the same site, asked for while it waits or is being made, gives the one that is there.

    site -- None for work about the whole company
    arguments -- dict of plain JSON values
    key -- names the work: "NOR-26-0001"
    title -- what is made, for its page; back -- address of the page where it can be asked for again
    """
    known = find(kind)
    job = Job(
        site=site,
        kind=kind,
        key=key,
        title=str(title or known.title)[:160],
        back=back,
        arguments=arguments,
        asked_by=actor,
        asked_at=at,
    )
    with transaction.atomic():
        for _attempt in range(3):
            if evidence.insert([job], unless_there=True):
                return Job.objects.get(uuid=job.uuid)
            # It may have ended between our look and our write: then ours goes in next time.
            if there := Job.objects.filter(kind=kind, site=site, key=key, finished_at=None).first():
                return there
    raise ChangedMeanwhile(_("This is being asked for by several people at once. Try again in a moment."))


# --- taking ---


def take(worker, at, *, lease=LEASE):
    """The job that has waited longest, now in this worker's hand until `at` + `lease`; None if there is nothing to do.

    worker -- a name for people; lease -- a timedelta
    """
    give_up(at)
    while job := Job.objects.takeable(at).select_related("site", "asked_by").order_by("asked_at", "pk").first():
        if claim(job, worker, at, lease=lease):
            return job
    return None


def claim(job, worker, at, *, lease=LEASE):
    """Take this very job; False if somebody else was first."""
    changes = {
        "state": JobState.RUNNING,
        "hold": uuid.uuid4(),
        "lease_until": at + lease,
        "worker": worker[:80],
        "started_at": at,
        "made": 0,
        "total": 0,
        "words": "",
    }
    with transaction.atomic():
        seen = Job.objects.takeable(at).filter(pk=job.pk, hold=job.hold)
        if not seen.update(attempts=F("attempts") + 1, **changes):
            return False
    # Not read again: what stands there now may already be another worker's.
    for name, value in changes.items():
        setattr(job, name, value)
    job.attempts += 1
    job.lease = lease
    return True


def give_up(at):
    """Fail what was begun `ATTEMPTS` times and left behind each time."""
    for job in Job.objects.left_behind(at).filter(attempts__gte=ATTEMPTS).select_related("asked_by"):
        with translation.override(job.asked_by.language), transaction.atomic():
            Job.objects.left_behind(at).filter(pk=job.pk, hold=job.hold).update(
                state=JobState.FAILED, error=given_up(job), hold=None, lease_until=None, finished_at=at
            )


def given_up(job):
    return _(
        "This was begun %(n)s times and the worker stopped each time before the end. Ask for it again; if it stops "
        "again, tell whoever looks after the server."
    ) % {"n": job.attempts}


# --- making ---


def make(job):
    """Do the work of a job in hand, once, and write down what came of it."""
    try:
        outcome(job)
    except Overtaken:
        log.warning("%s %s went to another worker; what was made here is dropped.", job.kind, job.uuid)


def outcome(job):
    try:
        with circumstances(job):
            result = find(job.kind).make(job, **job.arguments)
            if job.is_held():
                job.finish(result)
    except Refused as why:
        job.fail(why)
    except Stopping:
        job.give_back()
    except Exception:
        log.exception("%s %s failed.", job.kind, job.uuid)
        with translation.override(job.asked_by.language):
            job.fail(
                _(
                    "Something went wrong in the server while this was made. Ask for it again; if it fails again, "
                    "tell whoever looks after the server."
                )
            )


@contextmanager
def circumstances(job):
    """The language of who asked, the clock of the site; inside a transaction a step of its own to go back to."""
    with ExitStack() as around:
        around.enter_context(translation.override(job.asked_by.language))
        if job.site:
            around.enter_context(timezone.override(clock.zone(job.site.time_zone)))
        if transaction.get_connection().in_atomic_block:
            around.enter_context(transaction.atomic())
        yield


def run_now(job):
    """Make a waiting job here and now, in this process and without a heartbeat: for small work, and for tests. Gives
    the job as it then is; one that somebody else has is left to them.
    """
    if claim(job, "at once", timezone.now()):
        make(job)
    return Job.objects.get(pk=job.pk)


# --- workers ---


def work(worker, *, stop, once=False, lease=LEASE):
    """Take and make jobs until `stop` (a threading.Event) is set; with `once`, until nothing waits.

    Told to stop in the middle of a job, it puts it back at the next `job.progress`, or ends it if there is none. A
    database that is away is waited for, except with `once`. Once an hour it cleans up.
    """
    token = evidence.source.set(f"worker {worker}"[:60])
    cleaned = float("-inf")
    try:
        while not stop.is_set():
            try:
                if time.monotonic() - cleaned >= CLEAN_EVERY:
                    clean(timezone.now())
                    cleaned = time.monotonic()
                found = step(worker, stop, lease)
            except DatabaseFailed:
                if once:
                    raise
                log.exception("The database did not answer; trying again.")
                found = False
            if not found and (once or stop.wait(POLL)):
                return
    finally:
        evidence.source.reset(token)


def clean(at, *, kept=KEPT):
    """Take away the rows of what was finished longer than `kept` ago; gives how many. Files and records that were made
    stand for themselves and stay."""
    with transaction.atomic():
        gone, _by_model = Job.objects.filter(finished_at__lt=at - kept).delete()
    return gone


def step(worker, stop, lease):
    """One look at the queue; whether there was something to do."""
    if not transaction.get_connection().in_atomic_block:
        close_old_connections()
    job = take(worker, timezone.now(), lease=lease)
    if job:
        job.is_stopping = stop.is_set
        with heartbeat(job):
            make(job)
    return bool(job)


@contextmanager
def heartbeat(job):
    """Keep the lease of a job in hand while the block runs, by a thread with a connection of its own."""
    job.moved = time.monotonic()
    over = threading.Event()
    thread = threading.Thread(target=beat, args=(job, over), name=f"heartbeat {job.uuid}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def beat(job, over):
    """Renew until `over` is set, the job is in other hands, or its work has been silent for so long that it hangs."""
    try:
        while not over.wait(job.lease.total_seconds() / 6) and not job.is_stuck:
            close_old_connections()
            try:
                job.renew()
            except DatabaseFailed:
                log.warning("The lease of %s %s could not be renewed.", job.kind, job.uuid, exc_info=True)
    except Overtaken:
        return
    finally:
        connections.close_all()
