"""A scan answered on the phone without a network: from Enter to the store on the screen, the processor slowed 4 times.

The count page of a trailer of 900 listed cartons in real Chromium at phone size; each carton is scanned once, so that
at the end 900 scans wait in the phone's outbox. A figure in milliseconds and no ratio: the receiver's eye is the bound.
"""

import os
import shutil
import statistics

from bench import server

GOAL = 100
SLOWED = 4
APART = 250
SCAN = """
async ([label, grouped]) => {
  const field = document.querySelector("input.scan");
  const box = document.querySelector("[data-answer-box]");
  const there = () => box.querySelector(".answer .id")?.textContent === grouped && box.querySelector(".storenumber");
  const start = performance.now();
  field.value = label;
  field.form.requestSubmit();
  while (!there()) await new Promise((resolve) => setTimeout(resolve, 1));
  await new Promise((resolve) => requestAnimationFrame(() => setTimeout(resolve)));
  return performance.now() - start;
}
"""


def chromium():
    names = (os.environ.get("CHROMIUM"), "chromium", "chromium-browser", "google-chrome")
    found = next((path for name in names if name and (path := shutil.which(name))), None)
    if not found:
        raise SystemExit("Chromium is missing. As root: apt-get install --no-install-recommends chromium libatomic1")
    return found


def measure(port, person, arrival, labels):
    """Milliseconds of each scan, in the order of scanning."""
    from django.test import Client
    from django.urls import reverse
    from playwright.sync_api import sync_playwright

    from receiving.identifiers import sscc

    client = Client()
    client.force_login(person)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium(), chromium_sandbox=False)
        context = browser.new_context(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
        context.add_cookies([{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": origin(port)}])
        page = context.new_page()
        page.goto(origin(port) + reverse("count", args=[arrival.site.code, arrival.number]))
        page.wait_for_selector("[data-count][data-list-at]", state="attached")
        context.set_offline(True)
        slow = context.new_cdp_session(page)
        slow.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
        for label in labels:
            yield page.evaluate(SCAN, [label, sscc.format(label)])
            page.wait_for_timeout(APART)
        browser.close()


def origin(port):
    return f"http://127.0.0.1:{port}"


def main():
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"  # Playwright keeps an event loop in this thread
    with server.scratch_database() as connection:
        here = server.make_site("BEN")
        (person,) = server.make_people(here, 1)
        arrival, labels = server.make_trailer(here, person)
        with server.serving(connection) as port:
            return report(list(measure(port, person, arrival, labels)))


def report(found):
    *_, high = statistics.quantiles(found, n=20)
    last = statistics.median(found[-100:])
    verdict = "reached" if high <= GOAL else "NOT reached"
    usual, last = statistics.median(found), statistics.median(found[-100:])
    print(f"phone_scan: {len(found)} scans, processor slowed {SLOWED} times: {usual:.0f} ms, at the end {last:.0f} ms")
    print(f"phone_scan: 95th percentile {high:.0f} ms, goal ≤ {GOAL} ms, {verdict}", flush=True)
    return int(high > GOAL)


if __name__ == "__main__":
    raise SystemExit(main())
