"""What the offices did, in the order of its moments and in between what the docks did.

Each claim is a script: a generator that gives the moment of its next step and does the step when it is resumed. So the
log of a site tells of claims and trailers as they happened, one after the other.
"""

import heapq
import random
from datetime import datetime, time, timedelta
from itertools import count
from uuid import UUID

from claims import drafting, queries
from claims.demo import bills, scenario
from claims.demo.acts import Acts
from claims.demo.bills import Bills
from claims.demo.papers import Papers
from claims.demo.talks import Talks
from receiving import clock
from receiving.enums import Attribution, Extent, Kind

SEED = 952
MINUTE = timedelta(minutes=1)
FIRST_REVIEW, REVIEW_EVERY, REVIEWED_AFTER = 335, 30, 20


class Office:
    """The clerks of all sites. `go_on(until)` does every step up to a moment."""

    def __init__(self, company, *, now, small):
        self.company, self.now, self.small = company, now, small
        self.rng = random.Random(f"{SEED} office")
        self.papers = Papers()
        self.turn = count()
        self.waiting = []
        self.kept = ()

    def begin(self):
        """Needs the rows of the past. Deals the bills and puts every script at its first step."""
        pool = Bills(self.company, now=self.now)
        for row, loss in pool.deal(bills.rows(small=self.small)):
            self.wait(self.script(row, loss))
        for row in scenario.read()["left"]:
            for _each in range(1 if self.small else row["bills"]):
                pool.give(row)
        self.kept = pool.given
        for code in self.company.sites:
            self.wait(self.reviews(code))
        self.wait(self.talks())

    def go_on(self, until, before=lambda at: None):
        """Every step that is due until then; `before` is told the moment of each before it is done."""
        while self.waiting and self.waiting[0][0] <= until:
            at, _turn, script = heapq.heappop(self.waiting)
            before(at)
            self.wait(script, at)

    def wait(self, script, at=None):
        """Run a script to its next moment, where it waits again; it is told the moment that it has come to."""
        try:
            moment = script.send(at)
        except StopIteration:
            return
        heapq.heappush(self.waiting, (moment if at is None else max(moment, at), next(self.turn), script))

    # -- time and people -----------------------------------------------------------------------------------------------

    def uuid(self):
        return UUID(int=self.rng.getrandbits(128), version=4)

    def moment(self, site, days_ago, place=0):
        """Some time in the working hours of that day, a weekend's on the Friday before; never after now."""
        day = clock.site_day(self.now, site.time_zone) - timedelta(days=days_ago)
        day -= timedelta(days=max(0, day.weekday() - 4))
        opening = datetime.combine(day, time(9, 10), tzinfo=clock.zone(site.time_zone))
        return min(opening + place * 17 * MINUTE, self.now - (40 - min(place, 30)) * MINUTE)

    def ahead(self, site, days):
        """The site's day so many days after today; negative ones are past."""
        return clock.site_day(self.now, site.time_zone) + timedelta(days=days)

    def clerk(self, site):
        return self.company.crew[site.code]["clerk"][0]

    # -- scripts -------------------------------------------------------------------------------------------------------

    def script(self, row, loss):
        """One claim from its first step to where it is now."""
        site = self.company.sites[row["site"]]
        acts = Acts(self, row, site, loss)
        for place, (days_ago, name, *rest) in enumerate(row["acts"]):
            acts.at = yield self.moment(site, days_ago, place)
            getattr(acts, name)(*rest)

    def talks(self):
        """What the manager does about carriers at one site."""
        told = scenario.read()["talks"]
        site = self.company.sites[told["site"]]
        steps = Talks(self, site)
        for place, (days_ago, name, *rest) in enumerate(told["acts"]):
            steps.at = yield self.moment(site, days_ago, place)
            getattr(steps, name)(*rest)

    def reviews(self, code):
        """Once in thirty days the clerk goes through what nobody claimed and decides against it."""
        site = self.company.sites[code]
        for days_ago in range(FIRST_REVIEW, 0, -REVIEW_EVERY):
            at = yield self.moment(site, days_ago, 9)
            self.review(site, at)

    def review(self, site, at):
        old = queries.undecided(site).filter(arrival__released_at__lt=at - timedelta(days=REVIEWED_AFTER))
        found = {}
        for piece in old.exclude(shipment__in=self.kept).select_related("site", "arrival").order_by("pk"):
            found.setdefault(why_not(piece), []).append(piece)
        for reason, pieces in found.items():
            said = scenario.read()["not_claimed"][reason]
            drafting.decide_not(pieces, reason=said, uuid=self.uuid(), actor=self.clerk(site), at=at)


def why_not(piece):
    """Key of the reason for which a clerk lets a piece be."""
    if piece.attribution in (Attribution.OWN, Attribution.OUTBOUND):
        return "own"
    if piece.kind == Kind.SHORT:
        return "short"
    return "packaging" if piece.extent == Extent.PACKAGING else "small"
