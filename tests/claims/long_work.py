"""Kinds of long work for tests, and a worker process that knows them: `python -m tests.claims.long_work work ...`.

Nothing here is imported by the product. A real worker must see the tests' database, named by the settings it inherits.
"""

import os
import sys
import time
import uuid
from pathlib import Path

from claims import jobs
from claims.models import Job
from receiving.refusals import Refused

if "diary" not in jobs.KINDS:

    @jobs.register("diary", "Diary")
    def write_diary(job, *, folder, pages, pause=0.0):
        """A line of the folder's diary per page; begun again it starts a line of its own kind."""
        diary = Path(folder) / "diary"
        for page in range(pages):
            with diary.open("a") as file:
                file.write(f"{os.getpid()} {job.attempts} {page}\n")
            job.progress(page + 1, pages, "pages")
            time.sleep(pause)
        return {"url": f"/NOR/diary/{pages}/", "words": f"{pages} pages are written.", "pid": os.getpid()}

    @jobs.register("refusing", "Refused work")
    def refuse(job, *, sentence):
        raise Refused(sentence, code="missing")

    @jobs.register("breaking", "Broken work")
    def break_down(job):
        raise ZeroDivisionError("the insides of the program")

    @jobs.register("storing", "Stored work")
    def store(job, *, name):
        """Stores an account and ends in the same transaction."""
        from django.db import transaction

        from receiving.models import Account

        with transaction.atomic():
            account = Account.objects.create(legal_name=name)
            job.finish({"account": account.pk})

    @jobs.register("silent", "Silent work")
    def sleep_on(job, *, seconds):
        time.sleep(seconds)


def ask(actor, *, site=None, kind="diary", key=None, at=None, **arguments):
    """A job in the queue; every call a key of its own unless told."""
    from django.utils import timezone

    return jobs.ask(
        kind, site=site, arguments=arguments, key=key or str(uuid.uuid4()), actor=actor, at=at or timezone.now()
    )


def states():
    return sorted(Job.objects.values_list("state", flat=True))
