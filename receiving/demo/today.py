"""The docks as they are now, brought there by the dock's own functions; and the newest releases with their sheets."""

import json
import math
import random
from datetime import timedelta
from uuid import UUID

from django.core.files.base import ContentFile
from django.urls import reverse

from receiving import counting, discrepancies, dock, handing, load_list, phones, photos, release, sheet
from receiving.demo import pictures, plan
from receiving.demo.history import rounded
from receiving.demo.lists import manifest_csv, rows_of
from receiving.demo.scenario import BILL_TO_TRY, PICTURES, Serials, picture_names
from receiving.enums import Attribution, CarrierReceipt, Extent, Kind, PhotoPurpose, SealAction, SignOutcome, WhereFound
from receiving.models import Arrival, Carton

MINUTE = timedelta(minutes=1)


class Today:
    """Works one site after the other at `now`. `small` has lists of 40 cartons instead of 900."""

    def __init__(self, company, *, now, small, seed=plan.SEED):
        self.company, self.now, self.small = company, now, small
        self.rng = random.Random(f"{seed} today")
        self.serials = Serials(block=2000)

    def uuid(self):
        return UUID(int=self.rng.getrandbits(128), version=4)

    def ago(self, minutes):
        return self.now - minutes * MINUTE

    def at(self, code):
        self.site = self.company.sites[code]
        crew = self.company.crew[code]
        self.lead, self.receiver = crew["lead"][0], crew["receiver"][0]
        return self

    # -- parts every trailer has -------------------------------------------------------------------------------------

    def expect(self, carrier, trailer_number, *, appointment, booked, **facts):
        facts |= {
            "carrier": self.company.carriers[carrier],
            "trailer_number": trailer_number,
            "appointment_at": rounded(appointment),
        }
        return dock.open_arrival(site=self.site, uuid=self.uuid(), facts=facts, actor=self.lead, at=booked)

    def bill(self, arrival, origin, pieces, *, at, chain=(), **also):
        told = self.company.scenario["origins"][origin]
        facts = {
            "account": self.company.accounts[told["account"]],
            "shipper": told["shipper"],
            "origin": told["origin"],
            "ship_date": (self.now - timedelta(days=2)).date(),
            "bill_date": (self.now - timedelta(days=2)).date(),
            "bill_number": f"{self.rng.randint(50_000_000, 59_999_999)}",
            "pro_number": f"{arrival.carrier.scac[2:]}{self.rng.randint(1_000_000, 9_999_999)}",
            "carrier_on_bill": arrival.carrier,
            "pieces": pieces,
            "freight_terms": "prepaid",
            "count_clause": told["clause"],
            "loaded_by": told["loaded_by"],
            "sealed_by": told["loaded_by"],
            "origin_proof": told["proof"],
        } | also
        chain = [self.company.carriers[name] for name in chain]
        return dock.add_shipment(arrival, uuid=self.uuid(), facts=facts, chain=chain, actor=self.lead, at=at)

    def stores(self, shipment):
        return self.company.stores[self.site.code, shipment.account.legal_name]

    def take_list(self, shipment, data, name, *, at):
        kept = load_list.receive_file(
            shipment, uuid=self.uuid(), upload=ContentFile(data), filename=name, actor=self.lead, at=at
        )
        load_list.confirm(kept, actor=self.lead, at=at + MINUTE)
        return list(Carton.objects.filter(shipment=shipment).order_by("line"))

    def listed(self, shipment, *, at):
        rows = rows_of(self.company, shipment, self.stores(shipment), shipment.pieces, self.serials, self.rng)
        return self.take_list(shipment, manifest_csv(rows), f"{shipment.bill_number}.csv", at=at)

    def door(self, arrival, label, driver, *, at, **also):
        door = next(door for door in self.company.doors[self.site.code] if door.label == label)
        return dock.bring_to_door(arrival, door=door, driver=driver, actor=self.receiver, at=at, **also)

    def seal(self, arrival, number, *, at, **also):
        facts = {
            "number_on_paper": number,
            "number_on_seal": number,
            "seal_class": "H",
            "condition": "intact",
            "broken_by": arrival.driver,
            "watched_by": str(self.receiver),
            "kept_where": "seal box, office",
            **dict.fromkeys(("viewed", "verified", "tugged", "twisted"), True),
        } | also
        return dock.record_seal(arrival, uuid=self.uuid(), facts=facts, actor=self.receiver, at=at)

    def start(self, arrival, *, at):
        ticks = dict.fromkeys(dock.TICKS, True)
        arrival = dock.tick(arrival, ticks=ticks, actor=self.receiver, at=at - MINUTE)
        return dock.start_unloading(arrival, actor=self.receiver, at=at)

    def photograph(self, arrival, beginning, purpose, *, at, discrepancy=None, seal=None, notation=""):
        name = pictures.showing(beginning, self.rng)
        picture = discrepancy and pictures.of_own(name, discrepancy)
        if seal:
            picture = pictures.of_seal(name, seal)
        if notation:
            picture = pictures.of_receipt(name, arrival, notation)
        return photos.record_photo(
            picture=picture or self.company.pictures[name],
            arrival=arrival,
            uuid=self.uuid(),
            purpose=purpose,
            filename=f"{at:IMG_%Y%m%d_%H%M%S}.jpg",
            actor=self.receiver,
            at=at,
            discrepancy=discrepancy,
            seal=seal,
        )

    def scan(self, arrival, cartons, *, start, end, batch=110):
        """Scans in batches as a phone sends them, evenly from `start` to `end`."""
        for first in range(0, len(cartons), batch):
            some = cartons[first : first + batch]
            at = start + (end - start) * ((first + len(some)) / len(cartons))
            reads = [counting.Read(carton.label, self.uuid()) for carton in some]
            counting.scan(arrival, reads=reads, actor=self.receiver, at=at)

    def tally(self, shipment, stores, taps, *, start):
        for position in range(taps):
            counting.tally(
                shipment,
                store=stores[position % len(stores)],
                count=10,
                uuid=self.uuid(),
                actor=self.receiver,
                at=start + position * MINUTE / 2,
            )

    # -- the docks -----------------------------------------------------------------------------------------------------

    def unloading_now(self):
        """The trailer a newcomer sees: unloading, nearly all scanned, two logged, one set aside, some missing."""
        pieces, missing = (40, 3) if self.small else (900, 7)
        arrival = self.expect(
            "Quarterbell Freight", "QB53177", appointment=self.ago(75), booked=self.ago(20 * 60), gate_at=None
        )
        shipment = self.bill(arrival, 0, pieces, at=self.ago(20 * 60 - 2), chain=["Halfmoon & Thistle Brokers"])
        cartons = self.listed(shipment, at=self.ago(20 * 60 - 5))
        arrival = self.door(arrival, "3", "Carmen Soto", at=self.ago(62), gate_at=self.ago(70))
        seal = self.seal(arrival, "0448127", at=self.ago(58))
        self.photograph(arrival, "seal", PhotoPurpose.SEAL_BEFORE, at=self.ago(57), seal=seal)
        arrival = self.start(arrival, at=self.ago(54))
        self.rng.shuffle(cartons)
        here = cartons[missing:]
        first, second = len(here) * 45 // 100, len(here) * 80 // 100
        self.scan(arrival, here[:first], start=self.ago(53), end=self.ago(32))
        self.crushed(arrival, here[first // 2], at=self.ago(31))
        self.scan(arrival, here[first:second], start=self.ago(30), end=self.ago(17))
        self.extra(arrival, at=self.ago(16))
        self.scan(arrival, here[second:], start=self.ago(15), end=self.ago(6))
        aside = discrepancies.set_aside(
            arrival, uuid=self.uuid(), label=here[-5].label, actor=self.receiver, at=self.ago(5)
        )
        self.photograph(arrival, "wet", PhotoPurpose.PIECE, at=self.ago(4), discrepancy=aside)
        return arrival

    def crushed(self, arrival, carton, *, at):
        facts = {
            "label": carton.label,
            "extent": Extent.PACKAGING,
            "where_found": WhereFound.IN_TRAILER,
            "attribution": Attribution.TRANSIT,
            "disposition": "held",
        }
        code = self.company.codes[self.site.code]["CR"]
        piece = discrepancies.record(
            arrival, uuid=self.uuid(), kind=Kind.DAMAGED, facts=facts, codes=[code], actor=self.receiver, at=at
        )
        self.photograph(arrival, "trailer", PhotoPurpose.BEFORE_MOVING, at=at + MINUTE / 4, discrepancy=piece)
        self.photograph(arrival, "crushed", PhotoPurpose.PIECE, at=at + MINUTE / 2, discrepancy=piece)
        return piece

    def extra(self, arrival, *, at):
        piece = discrepancies.record(
            arrival,
            uuid=self.uuid(),
            kind=Kind.OVER,
            facts={"label": self.serials.next(), "note": "label of another shipper order"},
            actor=self.receiver,
            at=at,
        )
        self.photograph(arrival, "label", PhotoPurpose.LABEL, at=at + MINUTE / 2, discrepancy=piece)
        return piece

    def dropped(self):
        """Stands at a door since the early morning, no driver waiting, not opened yet."""
        arrival = self.expect("Fernwhistle Lines", "FL20418", appointment=self.ago(190), booked=self.ago(26 * 60))
        self.bill(arrival, 1, 24 if self.small else 864, at=self.ago(26 * 60 - 3))
        return self.door(arrival, "6", "Otis Penhale", at=self.ago(185), dropped=True, gate_at=self.ago(196))

    def paused(self):
        """Half unloaded, stopped over the change of shift, sealed again."""
        arrival = self.expect("Windrowe Cartage", "WC31906", appointment=self.ago(300), booked=self.ago(30 * 60))
        shipment = self.bill(arrival, 3, 30 if self.small else 780, at=self.ago(30 * 60 - 4))
        arrival = self.door(arrival, "7", "Gil Norwood", at=self.ago(290))
        self.seal(arrival, "7712093", at=self.ago(286))
        arrival = self.start(arrival, at=self.ago(270))
        self.tally(shipment, self.stores(shipment), 2 if self.small else 42, start=self.ago(268))
        arrival = dock.pause(
            arrival, held_by="Sam Whitlock: stays at door 7 over the change of shift", actor=self.lead, at=self.ago(48)
        )
        self.seal(
            arrival,
            "0448133",
            at=self.ago(45),
            action=SealAction.APPLIED,
            number_on_paper="",
            broken_by="",
            watched_by=str(self.lead),
            kept_where="",
        )
        return arrival

    def expected(self):
        """Two for later today; the first has a load list to upload, `scenario.LIST_TO_TRY`."""
        soon = self.expect("Ospreyflat Trucking", "OF88240", appointment=self.ago(-105), booked=self.ago(18 * 60))
        self.bill(soon, 0, 900, at=self.ago(18 * 60 - 2), bill_number=BILL_TO_TRY)
        later = self.expect(
            "Pebblehorn Transport", "PH61355", appointment=self.ago(-210), booked=self.ago(17 * 60), cold=True
        )
        for origin, pieces in ((3, 540), (4, 352)):
            self.bill(later, origin, 20 if self.small else pieces, at=self.ago(17 * 60 - 3))

    def other_dock(self):
        """The second site: one unloading, one expected."""
        arrival = self.expect("Pebblehorn Transport", "PH61190", appointment=self.ago(80), booked=self.ago(22 * 60))
        shipment = self.bill(arrival, 2, 40 if self.small else 620, at=self.ago(22 * 60 - 2))
        cartons = self.listed(shipment, at=self.ago(22 * 60 - 6))
        arrival = self.door(arrival, "B", "Hana Petrov", at=self.ago(50))
        self.seal(arrival, "5530071", at=self.ago(47))
        arrival = self.start(arrival, at=self.ago(42))
        quarter = len(cartons) // 4
        self.scan(arrival, cartons[:quarter], start=self.ago(41), end=self.ago(21))
        self.crushed(arrival, cartons[3], at=self.ago(20))
        self.scan(arrival, cartons[quarter : 2 * quarter], start=self.ago(19), end=self.ago(2))
        next_one = self.expect(
            "Brindlehook Motor Lines", "BM47702", appointment=self.ago(-140), booked=self.ago(16 * 60)
        )
        self.bill(next_one, 4, 30 if self.small else 700, at=self.ago(16 * 60 - 2))

    # -- what phones without a network leave ---------------------------------------------------------------------------

    def unheard(self, arrival):
        """A phone went off the dock with two records for this trailer, and nobody has heard of it since."""
        tomas, then = self.company.people["tomas"], self.ago(52)
        told = phones.Report(
            phone=self.uuid(),
            name="Android",
            clock=then,
            waiting={arrival.number: 2},
            refused={},
            worked=[arrival.number],
            oldest=self.ago(61),
            discarded=[],
        )
        phones.report(self.site, tomas, told, at=then)

    def handed_in(self, arrival):
        """What another phone kept came as a saved file, and waits for a lead."""
        picture = picture_names("wet")[0]
        handing.hand_in(
            self.site,
            uuid=self.uuid(),
            author=self.company.people["greta"],
            url=reverse("set_aside", args=[self.site.code, arrival.number]),
            fields=[["note", "wet from below, second row from the nose"]],
            attached=[handing.Attached("photos", picture, "image/jpeg", (PICTURES / picture).read_bytes())],
            device=phones.Device(self.ago(40), self.uuid(), said=self.ago(66)),
            why="loaded from a saved file",
            kind="piece",
            title="A piece set aside · wet from below",
            actor=self.lead,
            at=self.ago(40),
        )

    def came_late(self, *, at):
        """A carton was logged in a dead spot before the last release and arrives when the trailer is gone."""
        arrival = Arrival.objects.filter(site=self.site, sheets__isnull=False).order_by("released_at").last()
        found_at = arrival.released_at - 14 * MINUTE
        told = {"label": self.serials.next(), "note": "between the last pallet and the door", "disposition": "held"}
        piece = discrepancies.record(
            arrival,
            uuid=self.uuid(),
            kind=Kind.OVER,
            facts=told,
            actor=self.company.people["greta"],
            at=at,
            found_at=found_at,
        )
        self.photograph(arrival, "label", PhotoPurpose.LABEL, at=at + MINUTE / 2, discrepancy=piece)

    # -- sheets --------------------------------------------------------------------------------------------------------

    def let_go(self, arrival, *, at):
        """Release a counted trailer of the past few days as its crew would have: signed on screen, with its sheet."""
        arrival = Arrival.objects.select_related("site", "carrier").get(pk=arrival.pk)
        self.at(arrival.site.code)
        facts = {
            "notation": sheet.draft_notation(arrival),
            "outcome": self.outcome(arrival),
            "signer": arrival.driver,
            "employer": str(arrival.carrier),
            "signature": "",
            "typed": False,
            "witness": "",
            "device": "dock tablet 2",
            "carrier_receipt": CarrierReceipt.NONE,
        }
        if facts["outcome"] == SignOutcome.SIGNED:
            facts |= {"signature": scribble(self.rng), "carrier_receipt": CarrierReceipt.PHOTOGRAPHED}
            noted = facts["notation"]
            self.photograph(arrival, "receipt", PhotoPurpose.CARRIER_RECEIPT, at=at - MINUTE, notation=noted)
        elif facts["outcome"] == SignOutcome.AT_PICKUP:
            facts["signer"] = ""
        elif facts["outcome"] == SignOutcome.REFUSED:
            facts["witness"] = str(self.receiver)
        return release.release(arrival, uuid=self.uuid(), facts=facts, actor=self.lead, at=at)

    def outcome(self, arrival):
        if arrival.dropped:
            return SignOutcome.AT_PICKUP
        if not arrival.discrepancies.exists():
            return SignOutcome.CLEAN
        return SignOutcome.REFUSED if self.rng.random() < 0.12 else SignOutcome.SIGNED


def scribble(rng):
    """A signature as the pad sends it: a few loops that run to the right."""
    strokes = []
    for start in (20, 120):
        points, loops = [], rng.uniform(2.5, 4)
        for step in range(60):
            turn = step / 60 * loops * 2 * math.pi
            x = start + step * 1.6 + 9 * math.sin(turn)
            y = 60 + (24 - step / 4) * math.cos(turn * 0.9) + rng.uniform(-1, 1)
            points.append({"x": round(x, 1), "y": round(y, 1)})
        strokes.append({"points": points})
    return json.dumps(strokes)
