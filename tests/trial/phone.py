"""A receiver's phone: a real browser with a profile of its own, whose process can be killed, used through its pages."""

import contextlib
import os
import re
import signal
import time
from pathlib import Path

from playwright.sync_api import Error

from tests.trial.faults import wait_until

CHROMIUM = ("--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update")
SIZE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}
PATIENCE = 60
# The device's own clock, as far ahead of this machine's as `deviceAhead` says.
CLOCK = """
(() => {
  const Real = Date;
  globalThis.Date = class extends Real {
    constructor(...given) { if (given.length) super(...given); else super(Date.now()); }
    static now() { return Real.now() + (globalThis.deviceAhead ?? 0); }
  };
})();
"""
# What stands on the phone, read from its database past the page's own scripts.
RECORDS = """
async () => {
  if (!(await indexedDB.databases()).some(({name}) => name === 'dock')) return [];
  const answer = (asked) => new Promise((resolve, reject) => {
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  const db = await answer(indexedDB.open('dock'));
  try {
    const records = await answer(db.transaction('records').objectStore('records').getAll());
    return records.map(({uuid, kind, url, state, fields, files, after, why, made_at, seq}) =>
      ({uuid, kind, url, state, fields, after, why, made_at, seq, hashes: files.map(({sha256}) => sha256)}));
  } finally { db.close(); }
}
"""
BADGE = "() => document.querySelector('[data-outbox-badge]:not([hidden]) [data-badge-words]')?.textContent ?? null"
KEPT = "() => document.querySelector('[data-kept-at]')?.hidden === false"
ANSWERED = """
(label) => document.querySelector('[data-answer-box] .id')?.textContent.replace(/\\s/g, '') === label
"""
LEFT = "() => !globalThis.before || Boolean(document.querySelector('main .errorsummary'))"
SAID = re.compile("logged|set aside|written down|kept on this phone|not saved", re.IGNORECASE)
UNSENT = ("waiting", "sending", "refused")


class Phone:
    """kind -- Playwright's browser type; chromium -- its program; folder -- the profile; port -- where the dock is;
    cookie -- the value of the person's session
    """

    def __init__(self, kind, chromium, folder, port, cookie):
        self.kind, self.chromium, self.folder = kind, chromium, Path(folder)
        self.address = f"http://127.0.0.1:{port}"
        self.cookie = cookie
        self.ahead = 0
        self.offline = False
        self.context = self.page = None
        self.complaints = []

    def start(self):
        self.context = self.kind.launch_persistent_context(
            str(self.folder),
            executable_path=self.chromium,
            chromium_sandbox=False,
            args=[*CHROMIUM],
            base_url=self.address,
            locale="en-US",
            **SIZE,
        )
        self.context.set_default_timeout(PATIENCE * 1000)
        # A browser writes cookies down every half minute; a phone that dies sooner signs in again.
        self.context.add_cookies([{"name": "sessionid", "value": self.cookie, "url": self.address}])
        self.context.add_init_script(CLOCK)
        self.context.on("weberror", lambda problem: self.complaints.append(str(problem.error)))
        self.set_clock(self.ahead)
        self.page = self.context.pages[0]
        self.context.set_offline(self.offline)

    def stop(self):
        if self.context:
            with contextlib.suppress(Error):
                self.context.close()
            self.context = None

    def kill(self):
        """The whole browser at once. Nothing it was doing is finished."""
        for pid in self.processes():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        wait_until(lambda: not self.processes(), what="the browser's end")
        self.stop()

    def processes(self):
        """The ids of this browser's own processes: those that were started with its profile."""
        mine = f"--user-data-dir={self.folder}"
        return [pid for pid, words in command_lines() if mine in words]

    # The device.

    def set_clock(self, ahead):
        """ahead -- milliseconds"""
        self.ahead = ahead
        self.context.add_init_script(f"globalThis.deviceAhead = {ahead}")
        if self.page and not self.page.is_closed():
            with contextlib.suppress(Error):
                self.page.evaluate("ahead => { globalThis.deviceAhead = ahead }", ahead)

    def set_offline(self, offline):
        self.offline = offline
        self.context.set_offline(offline)

    def open(self, path):
        self.page.goto(path, wait_until="load")

    def badge(self):
        """The number that the head says is unsent; None where it says nothing yet."""
        words = self.ask(BADGE)
        if words is None or words == "":
            return None
        numbers = [int(found.replace(",", "")) for found in re.findall(r"[\d,]+", words)]
        return sum(numbers) if numbers else 0 if "safe" in words else None

    def ask(self, script, *given):
        """What a script in the page answers; asked again where the page was just being left."""
        for _turn in range(50):
            try:
                return self.page.evaluate(script, *given)
            except Error as why:
                if "context was destroyed" not in str(why) and "navigat" not in str(why):
                    raise
                self.page.wait_for_timeout(100)
        raise TimeoutError("the page was never still")

    def records(self):
        return self.ask(RECORDS)

    def look(self, patience=20):
        """(the number shown, the records on the phone) when they agree; the last pair if they never do.

        Where things are being sent, the number is right if the records, which take a while to be read, were as many at
        some moment between a look at the head before and one after.
        """
        end = time.monotonic() + patience
        while True:
            before, records, after = self.badge(), self.records(), self.badge()
            unsent = len([row for row in records if row["state"] in UNSENT])
            if None not in (before, after) and min(before, after) <= unsent <= max(before, after):
                return unsent, records
            if time.monotonic() > end:
                return after, records
            self.page.wait_for_timeout(100)

    def wait_kept(self):
        wait_until(lambda: self.ask(KEPT), what="the pages to be kept")

    # What a receiver does.

    def scan(self, label):
        """As a scanner does it, until the page has answered."""
        self.page.locator("input.scan").focus()
        self.page.keyboard.insert_text(label)
        self.page.keyboard.press("Enter")
        wait_until(lambda: self.ask(ANSWERED, label), what=f"an answer to {label}")

    def submit(self, button):
        """Presses a button of a form; the page that follows, or this one, says what became of it."""
        self.page.evaluate("globalThis.before = true")
        self.page.get_by_role("button", name=button).tap()
        wait_until(lambda: self.ask(LEFT), what=f"what becomes of “{button}”")
        said = self.page.locator("main .notice, main .errorsummary").filter(has_text=SAID)
        said.first.wait_for()
        text = said.first.inner_text()
        if "not saved" in text.lower():
            raise AssertionError(f"{button}: {text}")
        return text

    def log_piece(self, path, label, photos):
        self.open(path)
        self.page.locator("#id_label").fill(label)
        self.page.locator("#id_kind label", has_text="Damaged").tap()
        self.page.locator("#id_codes label").first.tap()
        self.photograph(photos)
        return self.submit("Log this piece")

    def set_aside(self, path, label, photos):
        self.open(path)
        self.page.locator("#id_label").fill(label)
        self.photograph(photos)
        return self.submit("Set aside, fill in later")

    def write_seal(self, path, number, photos):
        self.open(path)
        self.page.locator("#id_number_on_seal").fill(number)
        self.page.get_by_text("intact", exact=True).tap()
        self.photograph(photos)
        return self.submit("Write the seal down")

    def photograph(self, photos):
        """One after the other, as the camera hands them over."""
        for count, photo in enumerate(photos, 1):
            self.page.locator("#id_photos").set_input_files(photo)
            self.page.locator("[data-previews] > li").nth(count - 1).wait_for()

    def photograph_trailer(self, path, photos, hashes):
        """Photos of the trailer, in one burst; until each is on the phone or stored."""
        self.open(path)
        self.page.locator("[data-photo-input]").set_input_files(photos)
        rows = self.page.locator("[data-photo-list] > li")
        rows.nth(len(photos) - 1).wait_for()

        def all_kept():
            here = {known for row in self.records() for known in row["hashes"]}
            done = self.page.locator('[data-photo-list] > li[data-photo-is="stored"]').count()
            return len(here & set(hashes)) + done >= len(photos)

        wait_until(all_kept, what="the photos to be kept")


def command_lines():
    """(process id, its command line) of all processes of this machine that can be read."""
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        with contextlib.suppress(OSError):
            yield int(folder.name), (folder / "cmdline").read_bytes().decode(errors="replace").split("\0")
