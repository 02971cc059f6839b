"""Kinds of long work for tests, and real worker processes that know them."""

import os
import subprocess
import sys
import time
import uuid
from pathlib import Path
from urllib.parse import quote

from django.db import connection, transaction
from django.utils import timezone

from claims import jobs
from receiving.models import Account
from receiving.refusals import Refused

ROOT = Path(__file__).resolve().parent.parent.parent
RUN = """
import sys, django
django.setup()
import tests.claims.long_work
from django.core.management import execute_from_command_line
execute_from_command_line(["manage.py", "work", *sys.argv[1:]])
"""


@jobs.register("diary", "Diary")
def write_diary(job, *, folder, pages, pause=0.0):
    """A line of the folder's diary per page: `<process> <attempt> <page>`."""
    diary = Path(folder) / "diary"
    for page in range(pages):
        with diary.open("a") as file:
            file.write(f"{os.getpid()} {job.attempts} {page}\n")
        time.sleep(pause)
        job.progress(page + 1, pages, "pages")
    return {"url": f"/NOR/diary/{pages}/", "words": f"{pages} pages are written.", "process": os.getpid()}


@jobs.register("refusing", "Refused work")
def refuse(job, *, sentence):
    raise Refused(sentence, code="missing")


@jobs.register("breaking", "Broken work")
def break_down(job, *, name):
    """Breaks after it has stored something."""
    with transaction.atomic():
        Account.objects.create(legal_name=name)
        raise ZeroDivisionError("the insides of the program")


@jobs.register("storing", "Stored work")
def store(job, *, name, before=None):
    """Stores an account and ends in the same transaction. before -- called first, for tests in this process"""
    STEPS.get(before, lambda job: None)(job)
    with transaction.atomic():
        account = Account.objects.create(legal_name=f"{name} {job.attempts}")
        job.finish({"account": account.pk})


@jobs.register("silent", "Silent work")
def sleep_on(job, *, seconds):
    time.sleep(seconds)


@jobs.register("step", "Whatever the test wants")
def step(job, *, name):
    return STEPS[name](job)


STEPS = {}


def ask(actor, *, site=None, kind="diary", key=None, at=None, title="", back="", **arguments):
    """A job in the queue, with a key of its own unless told."""
    return jobs.ask(
        kind,
        site=site,
        arguments=arguments,
        key=key or str(uuid.uuid4()),
        actor=actor,
        at=at or timezone.now(),
        title=title,
        back=back,
    )


def diary(folder):
    """(process, attempt, page) of every line."""
    lines = (folder / "diary").read_text().split("\n")[:-1] if (folder / "diary").exists() else []
    return [tuple(int(word) for word in line.split()) for line in lines]


def database_url():
    told = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{told['NAME']}"
    person = quote(told["USER"], safe="") + (f":{quote(told['PASSWORD'], safe='')}" if told["PASSWORD"] else "")
    port = f":{told['PORT']}" if told["PORT"] else ""
    return f"postgres://{person}@{quote(told['HOST'], safe='')}{port}/{told['NAME']}"


def start_worker(*options, beside_server=False):
    """A worker process on the tests' database.

    beside_server -- gives a process that stands for a server instead, with a worker beside it as the demo starts it
    """
    worker = [sys.executable, "-c", RUN, *options]
    server = ["sh", "-c", '"$@" --beside $$ & exec sleep 600', "sh"]
    return subprocess.Popen(
        [*server, *worker] if beside_server else worker,
        cwd=ROOT,
        env=os.environ | {"DATABASE_URL": database_url(), "DJANGO_SETTINGS_MODULE": "config.settings"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def wait_for(what, seconds=30):
    """The first true answer of `what()`; a test that waits in vain fails."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if answer := what():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"waited {seconds} s in vain")
