import os
import signal
import socket
import threading
from contextlib import contextmanager
from datetime import timedelta

from django.core.management.base import BaseCommand, CommandError
from django.db import connections

from claims import jobs

GRACE = 5


class Command(BaseCommand):
    help = "Make what was asked for and takes long (packets, scorecards), until told to stop by SIGTERM or Ctrl-C."

    def add_arguments(self, parser):
        parser.add_argument("--once", action="store_true", help="end when nothing waits any more")
        parser.add_argument("--name", default="", help="how the log calls this worker; host and process id by default")
        parser.add_argument(
            "--lease",
            type=float,
            default=jobs.LEASE.total_seconds(),
            metavar="SECONDS",
            help="how long a worker that is not heard of keeps its job; 60 by default, at least 1",
        )
        parser.add_argument(
            "--beside", type=int, metavar="PID", help="stop when this process, which started the worker, is gone"
        )

    def handle(self, *, once, name, lease, beside, **options):
        if not 1 <= lease <= 86400:
            raise CommandError(f"--lease {lease:g}: give 1 to 86400 seconds.")
        stop = threading.Event()
        try:
            with signals(stop), watch(beside, stop):
                jobs.work(name or default_name(), stop=stop, once=once, lease=timedelta(seconds=lease))
        finally:
            for connection in connections.all(initialized_only=True):
                if not connection.in_atomic_block:
                    connection.close()


def default_name():
    return f"{socket.gethostname()}:{os.getpid()}"


@contextmanager
def signals(stop):
    """SIGTERM and Ctrl-C set `stop`. Python allows that in the first thread only; in another they do as before."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    for number in before:
        signal.signal(number, lambda *_: stop.set())
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def watch(parent, stop):
    """Set `stop` when `parent` is not our parent any more; a job that does not listen is left where it is."""
    if parent is None:
        yield
        return
    over = threading.Event()
    thread = threading.Thread(target=look_up, args=(parent, stop, over), name="beside", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def look_up(parent, stop, over):
    while os.getppid() == parent:
        if over.wait(1):
            return
    stop.set()
    if not over.wait(GRACE):
        os._exit(1)  # whoever takes the job up again finds its lease run out
