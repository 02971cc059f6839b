"""The server as script/demo starts it, on a scratch database, and the browsers that scan through it."""

import os
import re
import socket
import subprocess
import sys
import tempfile
import time
import uuid
from contextlib import contextmanager
from datetime import UTC, datetime
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from urllib.parse import urlencode, urlsplit

AT = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
CARTONS = 900
SERVER = "--worker-class gthread --workers 2 --threads 4 --timeout 120 --graceful-timeout 10 --no-control-socket"
PATIENCE = 60


@contextmanager
def scratch_database():
    """Migrated and empty, the static files collected beside it; gone afterwards."""
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "bench.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        os.environ |= {"ALLOWED_HOSTS": "127.0.0.1,testserver"}
        for name in ("DEBUG", "HTTPS_REDIRECT"):
            os.environ.pop(name, None)
        import django

        django.setup()
        from django.core.management import call_command
        from django.db import connection
        from django.test.utils import setup_databases, teardown_databases

        if connection.vendor == "sqlite":
            connection.settings_dict["TEST"]["NAME"] = f"{scratch}/bench.sqlite3"
        call_command("collectstatic", interactive=False, verbosity=0)
        made = setup_databases(verbosity=0, interactive=False)
        try:
            yield connection
        finally:
            teardown_databases(made, verbosity=0)


@contextmanager
def serving(connection):
    """The port of a server on this database."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "config.wsgi", "--bind", f"127.0.0.1:{port}", *SERVER.split()]
    log = Path(os.environ["DATA_DIR"], "server.log")
    with log.open("wb") as out:
        env = os.environ | {"DATABASE_URL": database_url(connection)}
        server = subprocess.Popen([*command, "--log-level", "warning"], env=env, stdout=out, stderr=out)
    try:
        wait_for(server, port, log)
        yield port
    finally:
        server.terminate()
        server.wait(PATIENCE)
        sys.stderr.write(log.read_text()[-4000:])


def database_url(connection):
    name = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        return f"sqlite:///{name}"
    return urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()


def wait_for(server, port, log):
    deadline = time.monotonic() + PATIENCE
    while server.poll() is None and time.monotonic() < deadline:
        http = HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        try:
            http.request("GET", "/login/")
            if http.getresponse().status == 200:
                return
        except OSError:
            time.sleep(0.1)
        finally:
            http.close()
    raise SystemExit(f"The server did not start:\n{log.read_text()[-4000:]}")


# -- who scans what ----------------------------------------------------------------------------------------------------


def make_people(site, count):
    from receiving.models import Membership, Person

    people = [Person.objects.create(username=f"bench-{site.code}-{number}") for number in range(count)]
    for person in people:
        Membership.objects.create(person=person, site=site, role="lead")
    return people


def make_site(code):
    from receiving.models import Site

    return Site.objects.create(code=code, name=f"Bench {code}", time_zone="America/Chicago")


def make_trailer(site, lead):
    """A trailer being unloaded, its 900 cartons listed for ninety stores: (arrival, labels)."""
    from receiving import dock
    from receiving.models import Account, Carton, Door, Store

    account = Account.objects.create(legal_name=f"Bench {site.code}")
    arrival = dock.open_arrival(site=site, uuid=uuid.uuid4(), facts={"trailer_number": "BENCH1"}, actor=lead, at=AT)
    facts = {"account": account, "bill_number": "BENCH1", "pieces": CARTONS}
    shipment = dock.add_shipment(arrival, uuid=uuid.uuid4(), facts=facts, actor=lead, at=AT)
    door = Door.objects.create(site=site, label="1")
    arrival = dock.bring_to_door(arrival, door=door, driver="Sam Rivers", actor=lead, at=AT)
    seal = {"number_on_paper": "0123456", "number_on_seal": "0123456", "condition": "intact"}
    dock.record_seal(arrival, uuid=uuid.uuid4(), facts=seal, actor=lead, at=AT)
    arrival = dock.tick(arrival, ticks=dict.fromkeys(dock.TICKS, True), actor=lead, at=AT)
    arrival = dock.start_unloading(arrival, actor=lead, at=AT)
    stores = Store.objects.bulk_create(Store(site=site, account=account, number=f"{n:04d}") for n in range(90))
    of = {"site": site, "arrival": arrival, "shipment": shipment}
    labels = [label_of(line) for line in range(CARTONS)]
    Carton.objects.bulk_create(
        Carton(**of, line=line, label=label, store=stores[line % 90]) for line, label in enumerate(labels)
    )
    return arrival, labels


def label_of(number):
    from receiving.identifiers import sscc

    return sscc.with_check_digit(f"19521234{number:09d}")


class Browser:
    """A signed-in person on one connection that stays open, at the count page of one trailer."""

    def __init__(self, port, person, arrival):
        from django.test import Client
        from django.urls import reverse

        client = Client()
        client.force_login(person)
        self.cookies = f"sessionid={client.cookies['sessionid'].value}"
        self.http = HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
        page = reverse("count", args=[arrival.site.code, arrival.number])
        self.scan_url = reverse("count_scan", args=[arrival.site.code, arrival.number])
        answer, body = self.send("GET", page)
        assert answer.status == 200, (page, answer.status)
        assert f'action="{self.scan_url}"' in body, "the count page posts its scans elsewhere"
        self.token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', body)[1]
        self.cookies += "; " + answer.headers["Set-Cookie"].split(";")[0]

    def send(self, method, path, body=None, headers=None):
        """(answer, its text)"""
        self.http.request(method, path, body, {"Cookie": self.cookies, **(headers or {})})
        answer = self.http.getresponse()
        return answer, answer.read().decode()

    def post(self, path, values):
        """As the page's script posts: (seconds, status, text)."""
        body = urlencode([*values, ("csrfmiddlewaretoken", self.token)])
        headers = {"Content-Type": "application/x-www-form-urlencoded;charset=UTF-8", "X-Part": "1"}
        start = time.perf_counter()
        answer, text = self.send("POST", path, body, headers)
        return time.perf_counter() - start, answer.status, text

    def scan(self, label):
        """One carton: (seconds, the scan's number). Raises AssertionError when it is not counted."""
        number = uuid.uuid4()
        took, status, text = self.post(self.scan_url, scan_values(label, number))
        assert status == 200, (label, status, text[:500])
        assert 'data-answer="right"' in text, (label, status, text[:500])
        return took, number

    def ok(self, label):
        took, status, text = self.post("/bench/ok/", scan_values(label, uuid.uuid4()))
        assert (status, text) == (200, "ok"), (status, text[:500])
        return took

    def close(self):
        self.http.close()


def scan_values(label, number):
    at = datetime.now(UTC).isoformat(timespec="milliseconds")
    return [("label", label), ("how", "scanner"), ("device_at", at), ("uuid", str(number))]


FAILURES = (OSError, HTTPException, AssertionError)
