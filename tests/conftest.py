"""The tests' own world: a scratch data folder per process, the database named by DATABASE_URL, a real browser.

Django's settings read the environment once, so it is prepared here, before anything imports them.
"""

import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path

SCRATCH = Path(tempfile.mkdtemp(prefix="dock-tests-"))
(SCRATCH / "static").mkdir()
for name in ("DEBUG", "EMAIL_HOST", "HTTPS_REDIRECT", "HSTS_SUBDOMAINS", "BEHIND_TLS_PROXY", "CSRF_TRUSTED_ORIGINS"):
    os.environ.pop(name, None)
os.environ.update(
    DJANGO_SETTINGS_MODULE="config.settings",
    DATA_DIR=str(SCRATCH),
    SECRET_KEY="for the tests only, and therefore no secret at all",
    ALLOWED_HOSTS="testserver,localhost,127.0.0.1",
    INSECURE_HTTP="1",
    # Playwright keeps an event loop in the main thread; Django would refuse the database there.
    DJANGO_ALLOW_ASYNC_UNSAFE="true",
)

import django  # noqa: E402
import pytest  # noqa: E402
from django.conf import settings  # noqa: E402
from django.db import OperationalError, connections  # noqa: E402
from django.utils import translation  # noqa: E402
from playwright.sync_api import expect, sync_playwright  # noqa: E402

assert not settings.configured, "Django's settings were read before tests/conftest.py could prepare them"
django.setup()
# Left behind, pytest's worker processes would inherit it and read the settings before they get here.
del os.environ["DJANGO_SETTINGS_MODULE"]

# A busy machine is slow, not wrong.
expect.set_options(timeout=15_000)

CHROMIUM_ARGS = [
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
DESK = {"viewport": {"width": 1280, "height": 800}}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    for item in items:
        fixtures = set(getattr(item, "fixturenames", ()))
        if "browser" in fixtures:
            item.add_marker("browser")
        if item.get_closest_marker("django_db") or fixtures & {"db", "transactional_db"}:
            item.add_marker("database")


def pytest_unconfigure():
    shutil.rmtree(SCRATCH, ignore_errors=True)


@pytest.fixture(scope="session", autouse=True)
def settings_for_tests():
    """Static files straight from their folders, passwords quick to check, tables that can be emptied."""
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    flush_past_the_guards(type(connections["default"].ops))


@pytest.fixture(autouse=True)
def own_language():
    """A request leaves its language behind in its thread; the next test speaks the project's."""
    translation.deactivate()


@pytest.fixture(scope="session")
def django_db_modify_db_settings(request):
    """SQLite in a file, as in use: in memory there is no WAL, no lock and no second connection."""
    database = connections["default"]
    if database.vendor == "sqlite":
        database.settings_dict["TEST"]["NAME"] = str(SCRATCH / "tests.sqlite3")
    else:
        request.getfixturevalue("django_db_modify_db_settings_parallel_suffix")


def flush_past_the_guards(operations):
    """Tests that commit are emptied afterwards, which the evidence tables' triggers forbid.

    On the class: beside a running browser Django opens a second connection. What a browser still asks in quiet may
    hold a table then; PostgreSQL ends one of the two.
    """
    execute_sql_flush = operations.execute_sql_flush

    def flush(self, statements, turns=5):
        try:
            with guards_down(self.connection):
                execute_sql_flush(self, statements)
        except OperationalError as error:
            if turns == 1 or getattr(error.__cause__, "sqlstate", "") != "40P01":
                raise
            flush(self, statements, turns - 1)

    operations.execute_sql_flush = flush


@contextmanager
def guards_down(database):
    with database.cursor() as cursor:
        if database.vendor == "postgresql":
            cursor.execute("SET session_replication_role = replica")
            try:
                yield
            finally:
                cursor.execute("SET session_replication_role = origin")
            return
        cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        triggers = cursor.fetchall()
        for name, _ in triggers:
            cursor.execute(f"DROP TRIGGER {database.ops.quote_name(name)}")
        yield
        for _, sql in triggers:
            cursor.execute(sql)


def chromium_path():
    names = (os.environ.get("CHROMIUM"), "chromium", "chromium-browser", "google-chrome")
    found = next((path for name in names if name and (path := shutil.which(name))), None)
    if not found:
        pytest.fail("Chromium is missing. As root: apt-get install --no-install-recommends chromium libatomic1")
    return found


@pytest.fixture(scope="session")
def browser():
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=chromium_path(), chromium_sandbox=False, args=CHROMIUM_ARGS
        )
        yield chromium
        chromium.close()
        # The second connection; PostgreSQL drops no database that somebody still uses.
        connections.close_all()


@pytest.fixture
def open_page(browser, live_server):
    """open_page(**options) -> a page in a context of its own, relative to the live server.

    Without a service worker, unless asked with service_workers="allow": most tests want the server's own answers.
    Scripts that fail and anything the content policy blocked fail the test at its end.
    """
    complaints, contexts = [], []

    def note(message):
        if message.type == "error" and "Content Security Policy" in message.text:
            complaints.append(message.text)

    def new_page(**options):
        given = {"base_url": live_server.url, "locale": "en-US", "service_workers": "block"} | options
        context = browser.new_context(**given)
        contexts.append(context)
        context.set_default_timeout(20_000)
        context.on("console", note)
        context.on("weberror", lambda problem: complaints.append(str(problem.error)))
        return context.new_page()

    yield new_page
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def phone(open_page):
    """A page as a phone shows it: 390 x 844, touch."""
    return open_page(**PHONE)


@pytest.fixture
def desk(open_page):
    """A page as a desk shows it: 1280 x 800, pointer."""
    return open_page(**DESK)
