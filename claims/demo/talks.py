"""Scorecards of one site and the talks about them: what the manager issued and agreed, and what changed a card."""

from datetime import date

from claims import issuing, months, review
from claims.demo import scenario
from receiving import clock, discrepancies
from receiving.enums import ArrivalState, Attribution, Disposition, Extent, Kind, WhereFound
from receiving.models import Arrival


class Talks:
    """The steps of the manager with carriers; the office sets `at` before each."""

    def __init__(self, office, site):
        self.office, self.site, self.at = office, site, None
        self.cards, self.notes = {}, {}

    @property
    def new(self):
        return {"actor": self.office.company.people["manager"], "at": self.at, "uuid": self.office.uuid()}

    @property
    def day(self):
        return clock.site_day(self.at, self.site.time_zone)

    def issue(self, name):
        """The card of the carrier's last whole month, or of the last before it in which it came."""
        carrier = self.office.company.carriers[name]
        self.cards[name] = issuing.issue(self.site, carrier, self.last_month(carrier), **self.new)

    def last_month(self, carrier) -> date:
        month = self.day.replace(day=1)
        return max(found for each in self.left(carrier) if (found := months.month_of(self.site, each)) < month)

    def left(self, carrier):
        """The carrier's trailers that had left by now, the newest first."""
        rows = Arrival.objects.filter(site=self.site, carrier=carrier, state=ArrivalState.RELEASED)
        return rows.filter(released_at__lt=self.at).order_by("-released_at")

    def talk(self, name, words):
        """Something is agreed with the carrier, over its card if it has one."""
        said = scenario.read()["talks"]["said"][words]
        self.notes[name] = review.agree(
            self.site,
            self.office.company.carriers[name],
            on=self.day,
            text=said["text"],
            agreed_with=said["agreed_with"],
            by_when=self.office.ahead(self.site, said["by_when"]),
            who=said["who"],
            scorecard=self.cards.get(name),
            **self.new,
        )

    def close(self, name, words):
        text = scenario.read()["talks"]["said"][words]["text"]
        review.close(self.notes[name], on=self.day, text=text, **self.new)

    def store_call(self, name):
        """A store finds a carton of the card's month broken; on a listed trailer it says which one."""
        card = self.cards[name]
        arrival = next(each for each in self.left(card.carrier) if months.month_of(self.site, each) == card.month)
        shipment = arrival.shipments.select_related("account").order_by("position").first()
        carton = shipment.cartons.filter(received=1, discrepancies=None).order_by("pk").first()
        store = carton.store if carton else self.office.company.stores[self.site.code, shipment.account.legal_name][0]
        told = scenario.read()["talks"]["late_finding"]
        facts = {
            "shipment": shipment,
            "store": store,
            "label": carton.label if carton else "",
            "extent": Extent.LOST,
            "where_found": WhereFound.STORE,
            "attribution": Attribution.TRANSIT,
            "disposition": Disposition.HELD,
            **told["piece"],
        }
        code = self.office.company.codes[self.site.code]["BK"]
        who = self.new | {"actor": self.office.clerk(self.site)}
        piece = discrepancies.record(arrival, kind=Kind.DAMAGED, facts=facts, codes=[code], **who)
        report = {"by_name": f"store {store.number}", "text": told["text"]}
        discrepancies.store_report(piece, facts=report, **(who | {"uuid": self.office.uuid()}))

    def restate(self, name):
        self.cards[name] = issuing.restate(self.cards[name], **self.new)
