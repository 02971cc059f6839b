"""Sixteen people scan at once, each cartons of their own, through the real server.

Goal: no error, and nobody waits longer than 25 times what is usual. Afterwards every scan must be in the database once
and the chain of events whole.
"""

import statistics
import threading

import bench
from bench import server

GOAL = 25.0
WRITERS = 16
EACH = 50


class Writer(threading.Thread):
    """Scans its labels one after the other, as fast as they are answered."""

    def __init__(self, browser, labels, together):
        super().__init__()
        self.browser, self.labels, self.together = browser, labels, together
        self.took, self.failed = [], []

    def run(self):
        self.browser.close()  # it was idle meanwhile, which the server allows for two seconds
        self.together.wait()
        for label in self.labels:
            try:
                self.took.append(self.browser.scan(label)[0])
            except server.FAILURES as why:
                self.failed.append(f"{label}: {why!r}")
                self.browser.close()
        self.browser.close()


def main():
    with server.scratch_database() as connection:
        site = server.make_site("BEN")
        people = server.make_people(site, WRITERS)
        arrival, labels = server.make_trailer(site, people[0])
        with server.serving(connection) as port:
            browsers = [server.Browser(port, person, arrival) for person in people]
            writers = all_at_once(browsers, labels)
        wrong = [why for writer in writers for why in writer.failed] + list(missing(arrival))
        return report(connection.vendor, sorted(took for writer in writers for took in writer.took), wrong)


def all_at_once(browsers, labels):
    together = threading.Barrier(len(browsers))
    shares = [labels[number * EACH : (number + 1) * EACH] for number in range(len(browsers))]
    writers = [Writer(browser, share, together) for browser, share in zip(browsers, shares, strict=True)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    return writers


def missing(arrival):
    """Sentences on what the database does not hold as it should."""
    from receiving.models import Carton, Scan
    from receiving.verification import verify_chain

    for what, rows in (("scans", Scan), ("cartons counted", Carton)):
        of = {"received": 1} if rows is Carton else {}
        if (found := rows.objects.filter(arrival=arrival, **of).count()) != WRITERS * EACH:
            yield f"{found} {what} instead of {WRITERS * EACH}"
    yield from map(str, verify_chain(arrival.site))


def report(vendor, took, wrong):
    for why in wrong[:10]:
        print(f"writers: {why}")
    usual, late = statistics.median(took), statistics.quantiles(took, n=100)[-1]
    print(
        f"writers: {vendor}, {WRITERS} at once, {len(took)} scans, {len(wrong)} errors: median {usual * 1000:.1f} ms, "
        f"p99 {late * 1000:.1f} ms, longest {took[-1] * 1000:.1f} ms"
    )
    missed = bench.told("writers, longest to median", took[-1] / usual, [one / usual for one in took], GOAL)
    return int(missed or bool(wrong))


if __name__ == "__main__":
    raise SystemExit(main())
