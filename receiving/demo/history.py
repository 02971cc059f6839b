"""Twelve months of trailers as they would have been recorded, written in bulk and told in each site's chain."""

import hashlib
import random
from datetime import timedelta
from decimal import Decimal
from uuid import UUID

from django.core.files.base import ContentFile

from receiving import clock, discrepancies, dispositions, dock, evidence
from receiving.demo import pictures, plan
from receiving.demo.lists import HEADINGS, manifest_csv, rows_of
from receiving.demo.scenario import Serials
from receiving.documents import manifest
from receiving.enums import (
    ArrivalState,
    Attribution,
    DiscrepancyState,
    Disposition,
    Extent,
    FindingKind,
    IncidentKind,
    Kind,
    ListState,
    LookedPlace,
    MomentKind,
    PhotoPurpose,
    RerouteAuthority,
    ScanHow,
    ScanResult,
    SealAction,
    SealClass,
    SealCondition,
    WhereFound,
)
from receiving.models import (
    Arrival,
    Carton,
    Discrepancy,
    Finding,
    IncidentNote,
    LoadList,
    Looked,
    Moment,
    Refusal,
    Scan,
    SealRecord,
    Shipment,
    ShipmentCarrier,
    TallyTap,
)

MINUTE = timedelta(minutes=1)
ON_PAPER = "Signed on the paper sheet; it is kept in the office."


class Past:
    """Writes visits of the plan. Numbers count up per site, as the counters would have given them."""

    def __init__(self, company, ledger, *, now, seed=plan.SEED):
        self.company, self.ledger, self.now = company, ledger, now
        self.rng = random.Random(f"{seed} past")
        self.serials = Serials(block=1000)
        self.numbers = {code: {"arrival": 0, "discrepancy": 0} for code in company.sites}

    def uuid(self):
        return UUID(int=self.rng.getrandbits(128), version=4)

    def number(self, site, name):
        self.numbers[site.code][name] += 1
        return self.numbers[site.code][name]

    def write(self, visit, *, until=ArrivalState.RELEASED):
        """One visit with all its rows and events; `until` COUNTED leaves the release to the dock's own function."""
        return PastVisit(self, visit, until).write()


class PastVisit:
    def __init__(self, past, visit, until):
        self.past, self.visit, self.until = past, visit, until
        self.company, self.ledger, self.rng, self.uuid = past.company, past.ledger, past.rng, past.uuid
        self.site = self.company.sites[visit.site]
        crew = self.company.crew[visit.site]
        self.receiver, self.lead = self.rng.choice(crew["receiver"]), self.rng.choice(crew["lead"])
        self.unload_at = visit.at + self.rng.randint(9, 25) * MINUTE
        self.counted_at = self.unload_at + self.rng.randint(52, 95) * MINUTE
        self.released_at = self.counted_at + self.rng.randint(6, 20) * MINUTE
        self.held = False

    # -- the visit ---------------------------------------------------------------------------------------------------

    def write(self):
        self.arrival = self.expect()
        if self.visit.ending == "cancelled":
            self.end(ArrivalState.CANCELLED, MomentKind.CANCELLED, "The carrier called: trailer goes to another dock.")
            return self.arrival
        bills = [self.bill(bill, position) for position, bill in enumerate(self.visit.bills, 1)]
        self.stand_at_door()
        self.seal()
        if self.visit.ending == "refused":
            self.refuse_whole(bills)
            return self.arrival
        self.unload()
        for shipment, bill in bills:
            self.work(shipment, bill)
        self.look_and_declare(bills)
        self.moment(MomentKind.COUNTED, self.counted_at, self.lead, state=ArrivalState.COUNTED)
        self.arrival.state, self.arrival.counted_at = ArrivalState.COUNTED, self.counted_at
        if self.until == ArrivalState.RELEASED:
            self.release(bills)
        return self.arrival

    def expect(self):
        visit, at = self.visit, self.visit.at
        appointment = at - (self.rng.randint(35, 140) if visit.late else self.rng.randint(-20, 12)) * MINUTE
        booked = at - timedelta(hours=self.rng.randint(18, 40))
        arrival = Arrival(
            site=self.site,
            uuid=self.uuid(),
            number=self.past.number(self.site, "arrival"),
            carrier=self.company.carriers[visit.carrier],
            trailer_number=f"{self.company.carriers[visit.carrier].scac[2:]}{self.rng.randint(10000, 99999)}",
            appointment_at=rounded(appointment),
        )
        if visit.cold:
            arrival.cold, arrival.set_point = True, Decimal("36.0")
        self.ledger.add(arrival)
        self.ledger.add(Moment(arrival=arrival, kind=MomentKind.EXPECTED, actor=self.lead, at=booked))
        # What was expected, before the door and the driver were known.
        told = evidence.facts(arrival, dock.ARRIVAL_FACTS)
        self.tell("arrival.expected", arrival, actor=self.lead, at=booked, after=told)
        self.booked = booked
        return arrival

    def end(self, state, kind, note):
        at = self.visit.at if state == ArrivalState.REFUSED else self.visit.at - timedelta(hours=3)
        self.moment(kind, at, self.lead, state=state, note=note)
        self.arrival.state = state

    def tell(self, verb, record, *, actor, at, **told):
        self.ledger.tell(self.site, verb, record, actor=actor, at=at, arrival=self.arrival_or(record), **told)

    def arrival_or(self, record):
        return record if isinstance(record, Arrival) else self.arrival

    def moment(self, kind, at, actor, *, state=None, note="", **also):
        self.ledger.add(Moment(arrival=self.arrival, kind=kind, actor=actor, at=at, note=note))
        before = {"state": self.arrival.state} if state else None
        after = ({"state": state} if state else {}) | {"note": note} | also
        self.arrival.version += bool(state)
        self.tell(f"arrival.{kind}", self.arrival, actor=actor, at=at, before=before, after=after)

    def stand_at_door(self):
        arrival, at = self.arrival, self.visit.at
        gate_at = at - self.rng.randint(4, 25) * MINUTE
        arrival.door = self.rng.choice(self.company.doors[self.site.code])
        arrival.driver = self.rng.choice(self.company.scenario["drivers"])
        arrival.gate_at, arrival.dropped = gate_at, self.visit.dropped
        arrival.dropped_at = at if self.visit.dropped else None
        if self.visit.late:
            arrival.late_reason = self.rng.choice(["traffic", "loaded late at origin", "tyre", "no reason given"])
        told = {"door": arrival.door_id, "driver": arrival.driver, "gate_at": gate_at, "dropped": arrival.dropped}
        self.ledger.add(Moment(arrival=arrival, kind=MomentKind.AT_GATE, actor=self.receiver, at=gate_at))
        self.moment(MomentKind.AT_DOOR, at, self.receiver, state=ArrivalState.AT_DOOR, **told)
        if self.visit.dropped:
            self.ledger.add(Moment(arrival=arrival, kind=MomentKind.DROPPED, actor=self.receiver, at=at))
        arrival.state = ArrivalState.AT_DOOR

    # -- its bills ---------------------------------------------------------------------------------------------------

    def bill(self, bill, position):
        visit, origin = self.visit, bill.origin
        shipped = clock.site_day(visit.at, self.site.time_zone) - timedelta(days=self.rng.randint(1, 4))
        weight = Decimal(bill.pieces) * Decimal(self.rng.randint(140, 220)) / 10
        shipment = Shipment(
            uuid=self.uuid(),
            arrival=self.arrival,
            position=position,
            account=self.company.accounts[origin["account"]],
            shipper=origin["shipper"],
            origin=origin["origin"],
            ship_date=shipped,
            bill_date=shipped,
            bill_number=f"{self.rng.randint(40_000_000, 49_999_999)}",
            pro_number=f"{self.arrival.carrier.scac[2:]}{self.rng.randint(1_000_000, 9_999_999)}",
            carrier_on_bill=self.arrival.carrier,
            pieces=bill.pieces,
            weight=weight,
            freight_charge=(weight * Decimal("0.085")).quantize(Decimal("0.01")),
            freight_terms=self.rng.choice(["prepaid", "prepaid", "collect"]),
            freight_paid="yes",
            freight_in_price=self.rng.choice(["yes", "no", "no"]),
            count_clause=origin["clause"],
            loaded_by=origin["loaded_by"],
            sealed_by=origin["loaded_by"],
            origin_proof=origin["proof"],
        )
        self.ledger.add(shipment)
        chain = [self.company.carriers[visit.broker]] if visit.broker else []
        for place, carrier in enumerate(chain, 1):
            self.ledger.add(ShipmentCarrier(shipment=shipment, carrier=carrier, position=place))
        told = evidence.facts(shipment, dock.SHIPMENT_FACTS) | {"chain": [carrier.pk for carrier in chain]}
        self.tell("shipment.added", shipment, actor=self.lead, at=self.booked + 2 * MINUTE, after=told)
        return shipment, bill

    def refuse_whole(self, bills):
        reason = (
            "Reefer at 58 °F on arrival, product warm." if self.visit.cold else "Load has fallen against the doors."
        )
        self.end(ArrivalState.REFUSED, MomentKind.REFUSED, reason)
        for shipment, bill in bills:
            self.ledger.add(
                Refusal(
                    shipment=shipment,
                    uuid=self.uuid(),
                    pieces=bill.pieces,
                    whole=True,
                    reason=reason,
                    actor=self.lead,
                    at=self.visit.at,
                )
            )

    # -- its seal ----------------------------------------------------------------------------------------------------

    def seal(self):
        at = self.visit.at + 3 * MINUTE
        if self.visit.seal == "none":
            self.arrival.unsealed_reason = "Driver states that none was put on: short move from the drop lot."
            told = {"unsealed_reason": self.arrival.unsealed_reason}
            self.tell("arrival.unsealed", self.arrival, actor=self.receiver, at=at, after=told)
            return
        number = f"{self.rng.randint(0, 9_999_999):07d}"
        seal = SealRecord(uuid=self.uuid(), arrival=self.arrival, actor=self.receiver, at=at, **self.seal_facts(number))
        self.ledger.add(seal)
        self.tell(
            "seal.recorded",
            seal,
            actor=self.receiver,
            at=at,
            after=evidence.facts(seal, dock.SEAL_FACTS) | {"reason": ""},
        )
        self.photograph_seal(seal, at + MINUTE)
        if self.visit.seal != "agrees":
            self.held = True
            self.incident(IncidentKind.SEAL, seal_incident(seal), at=at + 2 * MINUTE)

    def seal_facts(self, number):
        facts = {
            "action": SealAction.FOUND,
            "number_on_paper": number,
            "number_on_seal": number,
            "seal_class": SealClass.HIGH,
            "condition": SealCondition.INTACT,
            "broken_by": self.arrival.driver,
            "watched_by": str(self.receiver),
            "kept_where": "seal box, office",
            **dict.fromkeys(("viewed", "verified", "tugged", "twisted"), True),
        }
        if self.visit.seal == "differs":
            return facts | {"number_on_seal": swapped(number)}
        if self.visit.seal == "broken":
            return facts | {"condition": SealCondition.BROKEN, "broken_by": "", "tugged": False}
        if self.visit.seal == "missing":
            return facts | {"condition": SealCondition.MISSING, "number_on_seal": "", "broken_by": "", "kept_where": ""}
        return facts

    def photograph_seal(self, seal, at):
        if self.visit.seal == "missing" or (self.visit.seal == "agrees" and self.rng.random() < 0.75):
            return
        name, uuid = pictures.showing("seal_cut" if self.visit.seal == "broken" else "seal", self.rng), self.uuid()
        if self.visit.seal == "agrees" and self.past.now - at > pictures.RECENT:
            return
        pictures.past(
            self.ledger,
            self.company,
            self.arrival,
            name,
            "seal_before",
            picture=pictures.of_seal(name, seal),
            uuid=uuid,
            actor=self.receiver,
            at=at,
            seal=seal,
        )

    def incident(self, kind, text, *, at, piece=None):
        called = f"{self.site.responsible_person}, {self.site.responsible_phone}"
        note = IncidentNote(
            uuid=self.uuid(),
            arrival=self.arrival,
            discrepancy=piece,
            kind=kind,
            text=text,
            called=called,
            actor=self.lead,
            at=at,
        )
        self.ledger.add(note)
        told = {"kind": kind, "text": text, "called": called}
        self.tell("incident.noted", note, actor=self.lead, at=at, discrepancy=piece, after=told)

    # -- its cartons -------------------------------------------------------------------------------------------------

    def unload(self):
        arrival, at = self.arrival, self.unload_at
        ticks = dict.fromkeys(dock.TICKS, True)
        for name in dock.TICKS:
            setattr(arrival, name, True)
        before = dict.fromkeys(dock.TICKS, False)
        self.tell("arrival.safety", arrival, actor=self.receiver, at=at - MINUTE, before=before, after=ticks)
        if arrival.cold:
            arrival.reading = Decimal("36.0") + Decimal(self.rng.randint(-10, 14)) / 10
            told = {"reading": arrival.reading}
            self.tell(
                "arrival.edited", arrival, actor=self.receiver, at=at - MINUTE, before={"reading": None}, after=told
            )
        self.moment(MomentKind.UNLOADING_STARTED, at, self.receiver, state=ArrivalState.UNLOADING)
        arrival.state, arrival.unloading_at, arrival.opened_at = ArrivalState.UNLOADING, at, at
        if self.visit.accident == "shifted" or self.visit.accident == "leak":
            name = pictures.showing("roof" if self.visit.accident == "leak" else "trailer", self.rng)
            pictures.past(
                self.ledger, self.company, arrival, name, "trailer", uuid=self.uuid(), actor=self.receiver, at=at
            )

    def work(self, shipment, bill):
        stores = self.company.stores[self.site.code, shipment.account.legal_name]
        here = bill.pieces - bill.short - bill.refused
        cartons = []
        if self.visit.listed:
            cartons = self.listed(shipment, bill, stores)
            self.scan(shipment, cartons[:here])
        else:
            self.tally(shipment, stores, here)
        if bill.refused:
            self.refuse_rest(shipment, bill.refused)
        self.pieces(shipment, bill, stores, cartons)

    def listed(self, shipment, bill, stores):
        """The bill's load list, kept as a file, and its cartons in an order in which the last ones are not found."""
        rows = rows_of(self.company, shipment, stores, bill.pieces, self.past.serials, self.rng)
        data = manifest_csv(rows)
        at = self.booked + 6 * MINUTE
        kept = LoadList(
            uuid=self.uuid(),
            shipment=shipment,
            state=ListState.CONFIRMED,
            name=f"{shipment.bill_number}.csv",
            sha256=hashlib.sha256(data).hexdigest(),
            size=len(data),
            mapping=self.mapping(),
            rows=len(rows),
            uploaded_at=at,
            uploaded_by=self.lead,
            confirmed_at=at + MINUTE,
            confirmed_by=self.lead,
        )
        kept.file.save(f"{kept.uuid}.csv", ContentFile(data), save=False)
        self.ledger.add(kept)
        told = {name: getattr(kept, name) for name in ("name", "sha256", "size", "rows")}
        self.tell("load_list.uploaded", kept, actor=self.lead, at=at, after=told)
        told = {"rows": len(rows), "cartons": len(rows), "stores_added": [], "counted_before": 0}
        told |= {"counted_not_listed": [], "sha256": kept.sha256, "mapping": kept.mapping, "replaces": None}
        self.tell("load_list.confirmed", kept, actor=self.lead, at=at + MINUTE, after=told)
        cartons = [Carton(site=self.site, arrival=self.arrival, shipment=shipment, **row) for row in rows]
        for carton in cartons:
            self.ledger.add(carton)
        self.rng.shuffle(cartons)
        return cartons

    def mapping(self):
        return {"columns": manifest.recognise_headings(HEADINGS)[0], "decimal": ""}

    def scan(self, shipment, cartons):
        """Each carton once, in batches as a phone sends them, evenly over the unloading."""
        span = (self.counted_at - self.unload_at) / (len(cartons) + 1)
        for start in range(0, len(cartons), 150):
            batch = cartons[start : start + 150]
            at = self.unload_at + span * (start + len(batch))
            for carton in batch:
                carton.received, carton.received_at = 1, at
                carton.received_by, carton.received_how = self.receiver, ScanHow.SCANNER
            rows = [self.ledger.add(self.scan_row(shipment, carton, at)) for carton in batch]
            said = [[carton.label, ScanResult.COUNTED, self.arrival.number] for carton in batch]
            told = {"how": ScanHow.SCANNER, "pallet": None, "scans": said}
            self.tell("scans", f"scan:{rows[0].uuid}", actor=self.receiver, at=at, after=told)

    def scan_row(self, shipment, carton, at):
        return Scan(
            uuid=self.uuid(),
            arrival=self.arrival,
            seen_at=self.arrival,
            shipment=shipment,
            carton=carton,
            label=carton.label,
            result=ScanResult.COUNTED,
            actor=self.receiver,
            at=at,
        )

    def tally(self, shipment, stores, count):
        """By store, in taps of a hundred at most."""
        at = self.unload_at
        for store, share in zip(stores, shares(count, len(stores), self.rng), strict=True):
            while share:
                tap = min(100, share)
                share -= tap
                at += MINUTE
                self.tap(shipment, store, tap, min(at, self.counted_at), self.receiver)

    def tap(self, shipment, store, count, at, actor, **also):
        row = TallyTap(uuid=self.uuid(), shipment=shipment, store=store, count=count, actor=actor, at=at)
        self.ledger.add(row)
        told = {"store": store.number, "count": count, "bill": shipment.bill_number} | also
        self.tell("tally", row, actor=actor, at=at, after=told)

    def refuse_rest(self, shipment, pieces):
        reason = "Pallets fallen over in the nose, not safe to take off."
        self.ledger.add(
            Refusal(
                shipment=shipment, uuid=self.uuid(), pieces=pieces, reason=reason, actor=self.lead, at=self.counted_at
            )
        )
        told = {"pieces": pieces, "reason": reason}
        self.tell("shipment.refused", shipment, actor=self.lead, at=self.counted_at, after=told)

    # -- what is wrong with them -------------------------------------------------------------------------------------

    def pieces(self, shipment, bill, stores, cartons):
        here = cartons[: bill.pieces - bill.short - bill.refused]
        hurt = iter(here)
        for position in range(bill.damaged):
            self.damaged(shipment, next(hurt, None), stores, clustered=position >= 2 and bool(self.visit.accident))
        for _ in range(bill.rerouted):
            self.rerouted(shipment, next(hurt, None), stores)
        for _ in range(bill.over):
            self.over(shipment, stores)
        if shipment.position == 1 and self.until == ArrivalState.RELEASED:
            for _ in range(self.visit.late_findings):
                self.late(shipment, next(hurt, None), stores)

    def piece(self, shipment, *, kind, at, actor, carton=None, **facts):
        """A piece with its first version and event; the facts of its carton go with it."""
        if carton:
            facts |= {"carton": carton, "store": carton.store, "label": carton.label}
        piece = Discrepancy(
            uuid=self.uuid(),
            site=self.site,
            number=self.past.number(self.site, "discrepancy"),
            arrival=self.arrival,
            shipment=shipment,
            kind=kind,
            found_at=at,
            logged_at=at,
            logged_by=actor,
            **facts,
        )
        return self.ledger.add(piece)

    def keep(self, piece, *, actor, at, was=None):
        self.ledger.version(piece, 1, actor=actor, at=at, was=was)

        def told():
            also = {"number": piece.number, "found_at": piece.found_at, "after_release": piece.after_release}
            return discrepancies.told_facts(piece) | (was or {}) | also

        self.tell(f"piece.{piece.kind}", piece, discrepancy=piece, actor=actor, at=at, after=told)

    def damaged(self, shipment, carton, stores, *, clustered):
        goods = carton.description if carton else ""
        code = self.company.codes[self.site.code][pictures.fitting(self.code_of(shipment, clustered), goods)]
        where, whose, why = self.where(clustered)
        held = shipment.account.food and (code.stop_card == "food" or self.held)
        at = self.moment_between()
        piece = self.piece(
            shipment,
            kind=Kind.DAMAGED,
            at=at,
            actor=self.receiver,
            carton=carton,
            **({} if carton else {"store": self.rng.choice(stores), "label": self.past.serials.next()}),
            codes=[discrepancies.copy_of(code)],
            extent=self.rng.choices(list(Extent), [5, 3, 1, 4])[0],
            where_found=where,
            attribution=whose,
            attribution_reason=why,
            food_hold=held,
            disposition=Disposition.HELD,
            not_in_place_reason="" if self.rng.random() < 0.7 else "came down with the stack",
        )
        self.photograph(piece, at)
        self.follow(piece, at)
        if code.stop_card != "none":
            kind = IncidentKind.FOOD if code.stop_card == "food" else IncidentKind.LEAKING
            self.incident(kind, f"{piece}: {code.label}.", at=at + MINUTE, piece=piece)

    def code_of(self, shipment, clustered):
        if clustered:
            wet = "FS" if shipment.account.food else "WE"
            return {"leak": wet, "shifted": "CR", "poor loading": "PL"}[self.visit.accident]
        last = "FS" if shipment.account.food else "BK"
        return self.rng.choices(["CR", "TO", "WE", "OP", "LK", last], [50, 22, 8, 6, 2, 12])[0]

    def where(self, clustered):
        """(where found, whose doing, why) as crews put it; away from the suggestion only with a reason."""
        if clustered and self.visit.accident == "poor loading":
            return WhereFound.IN_TRAILER, Attribution.ORIGIN, "heavy freight loaded on top of light, no load bars"
        if clustered:
            return WhereFound.IN_TRAILER, Attribution.TRANSIT, ""
        where = self.rng.choices(
            [WhereFound.IN_TRAILER, WhereFound.CONVEYOR, WhereFound.PALLET, WhereFound.STAGING], [70, 12, 12, 6]
        )[0]
        return where, dispositions.SUGGESTED[where], ""

    def moment_between(self):
        return self.unload_at + (self.counted_at - self.unload_at) * self.rng.uniform(0.05, 0.95)

    def photograph(self, piece, at):
        goods = piece.carton.description if piece.carton else ""
        readable = pictures.is_readable(piece, self.past.now)
        for position, (name, purpose) in enumerate(pictures.of_piece(piece, self.rng, goods)):
            when, uuid = at + timedelta(seconds=20 * (position + 1)), self.uuid()
            of_label = purpose == PhotoPurpose.LABEL
            if of_label and not readable and piece.kind != Kind.OVER:
                continue
            pictures.past(
                self.ledger,
                self.company,
                self.arrival,
                name,
                purpose,
                picture=pictures.of_own(name, piece) if readable or of_label else None,
                uuid=uuid,
                actor=piece.logged_by,
                at=when,
                discrepancy=piece,
            )

    def follow(self, piece, at):
        """What happened to it afterwards: some stay held, the others are opened, waived and go their way."""
        then = self.released_at + timedelta(hours=self.rng.randint(2, 70))
        ways = [Disposition.FORWARDED, Disposition.SALVAGE, Disposition.DESTROYED, Disposition.REFUSED_BACK]
        if self.until == ArrivalState.COUNTED or then > self.past.now or self.rng.random() < 0.35:
            self.keep(piece, actor=self.receiver, at=at)
            return
        way = Disposition.DESTROYED if piece.food_hold else self.rng.choices(ways, [6, 2, 1, 1])[0]
        if piece.codes[0]["stop_card"] == "hazard":
            way = Disposition.DESTROYED
        was = {"disposition": Disposition.HELD}
        self.keep(piece, actor=self.receiver, at=at, was=was)
        if way == Disposition.FORWARDED:
            self.finding(piece, FindingKind.INSPECTION_WAIVED, then - 30 * MINUTE, self.waived())
        units = self.opened(piece, then - 20 * MINUTE) if self.rng.random() < 0.3 else {}
        piece.disposition, piece.version = way, 2 + bool(units)
        self.ledger.version(piece, piece.version, actor=self.lead, at=then)
        after = {"disposition": way}
        self.tell("piece.disposed", piece, discrepancy=piece, actor=self.lead, at=then, before=was, after=after)
        self.finding(piece, FindingKind.DISPOSITION, then, {"by_name": str(self.lead), "disposition": way})

    def waived(self):
        return {"by_name": f"{self.arrival.carrier} claims desk", "text": "by telephone, no inspector is sent"}

    def opened(self, piece, at):
        hurt = self.rng.randint(0, 6)
        units = {"units_good": 12 - hurt, "units_hurt": hurt}
        facts = {
            "by_name": str(self.lead),
            "packaging_outside": "one side pressed in",
            "packaging_inside": "dividers torn",
        }
        self.finding(piece, FindingKind.OPENED, at, facts | units)
        piece.units_good, piece.units_hurt = units["units_good"], units["units_hurt"]
        self.ledger.version(piece, 2, actor=self.lead, at=at, reason="opened", was={"disposition": Disposition.HELD})
        none = dict.fromkeys(units)
        self.tell("piece.units", piece, discrepancy=piece, actor=self.lead, at=at, before=none, after=units)
        return units

    def finding(self, piece, kind, at, facts, actor=None):
        actor = actor or self.lead
        finding = Finding(discrepancy=piece, uuid=self.uuid(), kind=kind, actor=actor, at=at, **facts)
        self.ledger.add(finding)
        told = {"kind": kind} | facts
        self.tell(f"piece.finding_{kind}", finding, discrepancy=piece, actor=actor, at=at, after=told)

    def rerouted(self, shipment, carton, stores):
        printed = carton.store if carton else self.rng.choice(stores)
        new = self.rng.choice([store for store in stores if store.pk != printed.pk])
        at = self.moment_between()
        piece = self.piece(
            shipment,
            kind=Kind.REROUTED,
            at=at,
            actor=self.receiver,
            carton=carton,
            **({} if carton else {"store": printed, "label": self.past.serials.next()}),
            new_store=new,
            reroute_authority=self.rng.choice(list(RerouteAuthority)),
        )
        if carton:
            carton.new_store = new
        self.keep(piece, actor=self.receiver, at=at)

    def over(self, shipment, stores):
        at = self.moment_between()
        piece = self.piece(
            shipment,
            kind=Kind.OVER,
            at=at,
            actor=self.receiver,
            label=self.past.serials.next(),
            store=self.rng.choice(stores),
        )
        self.photograph(piece, at)
        self.keep(piece, actor=self.receiver, at=at)

    def late(self, shipment, carton, stores):
        """A store opens a carton days later and calls: the clerk logs it on the trailer that has left."""
        at = self.released_at + timedelta(days=self.rng.randint(1, 11), hours=3)
        if at > self.past.now:
            return
        clerk = self.rng.choice(self.company.crew[self.site.code].get("clerk", [self.lead]))
        code = self.company.codes[self.site.code]["BK"]
        piece = self.piece(
            shipment,
            kind=Kind.DAMAGED,
            at=at,
            actor=clerk,
            carton=carton,
            **({} if carton else {"store": self.rng.choice(stores), "label": self.past.serials.next()}),
            codes=[discrepancies.copy_of(code)],
            extent=Extent.LOST,
            where_found=WhereFound.STORE,
            attribution=Attribution.CANNOT_TELL,
            disposition=Disposition.HELD,
            after_release=True,
            no_photo_reason="the store has sent none",
            note="packaging whole outside, found on opening",
        )
        self.keep(piece, actor=clerk, at=at)
        facts = {
            "by_name": f"store {piece.store.number}",
            "text": "contents broken, carton looked sound",
            "units_hurt": 4,
        }
        self.finding(piece, FindingKind.STORE_REPORT, at + MINUTE, facts, actor=clerk)

    # -- squaring and letting go -------------------------------------------------------------------------------------

    def look_and_declare(self, bills):
        short = [(shipment, bill) for shipment, bill in bills if bill.short]
        if not short:
            return
        places = [LookedPlace.NOSE, LookedPlace.UNDER, LookedPlace.PALLETS, LookedPlace.DOORS]
        at = self.counted_at + 2 * MINUTE
        for place in places:
            self.ledger.add(Looked(arrival=self.arrival, uuid=self.uuid(), place=place, actor=self.lead, at=at))
        self.tell("arrival.looked", self.arrival, actor=self.lead, at=at, after={"places": places})
        for shipment, bill in short:
            self.declare(shipment, bill, at + MINUTE)

    def declare(self, shipment, bill, at):
        stores = self.company.stores[self.site.code, shipment.account.legal_name]
        pieces = []
        for carton, store, quantity in self.missing(shipment, bill, stores):
            facts = {} if carton else {"store": store, "quantity": quantity}
            piece = self.piece(shipment, kind=Kind.SHORT, at=at, actor=self.lead, carton=carton, **facts)
            self.settle_short(shipment, piece, at)
            pieces.append(piece)
        told = [{"number": piece.number, "label": piece.label, "quantity": piece.quantity} for piece in pieces]
        self.tell("shipment.short", shipment, actor=self.lead, at=at, after={"pieces": told, "store": None})

    def missing(self, shipment, bill, stores):
        """(carton, store, quantity): the cartons of the list that never came, or so many of each store."""
        if self.visit.listed:
            lost = [c for c in self.ledger.rows[Carton] if c.shipment is shipment and not c.received]
            return [(carton, None, 1) for carton in lost[: bill.short]]
        counts = [count for count in shares(bill.short, min(len(stores), bill.short), self.rng) if count]
        return [(None, store, count) for store, count in zip(self.rng.sample(stores, len(counts)), counts, strict=True)]

    def settle_short(self, shipment, piece, at):
        """One in eight of the old ones turned up within days and was counted after all."""
        then = self.released_at + timedelta(hours=self.rng.randint(3, 60))
        if self.visit.listed or self.rng.random() > 0.125 or then > self.past.now:
            self.ledger.version(piece, 1, actor=self.lead, at=at)
            return
        self.ledger.version(piece, 1, actor=self.lead, at=at, was={"state": DiscrepancyState.OPEN, "settled_note": ""})
        piece.state, piece.version = DiscrepancyState.FOUND, 2
        piece.settled_note = self.rng.choice(
            ["on a pallet of another store", "behind the conveyor", "at the next door"]
        )
        before = {"state": DiscrepancyState.OPEN, "settled_note": ""}
        after = {"state": DiscrepancyState.FOUND, "settled_note": piece.settled_note, "reason": piece.settled_note}
        self.ledger.version(piece, 2, actor=self.lead, at=then, reason=piece.settled_note)
        self.tell("piece.found", piece, discrepancy=piece, actor=self.lead, at=then, before=before, after=after)
        self.tap(shipment, piece.store, piece.quantity, then, self.lead, found=str(piece))

    def release(self, bills):
        self.moment(
            MomentKind.RELEASED,
            self.released_at,
            self.lead,
            state=ArrivalState.RELEASED,
            note=ON_PAPER,
            released_at=self.released_at,
        )
        self.arrival.state, self.arrival.released_at = ArrivalState.RELEASED, self.released_at
        if self.arrival.dropped:
            fetched = self.released_at + timedelta(hours=self.rng.randint(3, 30))
            if fetched < self.past.now:
                self.moment(MomentKind.FETCHED, fetched, self.receiver)


def rounded(moment):
    """To the quarter of an hour, as appointments are made."""
    return moment - timedelta(minutes=moment.minute % 15, seconds=moment.second, microseconds=moment.microsecond)


def swapped(number):
    """The same number with its last two digits the other way round, or another last digit where they are equal."""
    if number[-1] != number[-2]:
        return number[:-2] + number[-1] + number[-2]
    return number[:-1] + str((int(number[-1]) + 1) % 10)


def seal_incident(seal):
    if seal.condition == SealCondition.MISSING:
        return f"No seal on the doors; paperwork says {seal.number_on_paper}. Driver asked, carrier called."
    if seal.condition == SealCondition.BROKEN:
        return f"Seal {seal.number_on_seal} hanging open on the hasp when the trailer came to the door."
    return f"Seal reads {seal.number_on_seal}, paperwork says {seal.number_on_paper}. Carrier called before opening."


def shares(total, parts, rng):
    """`total` cut into `parts` whole numbers of about the same size."""
    weights = [rng.uniform(0.7, 1.3) for _ in range(parts)]
    cuts = [int(total * weight / sum(weights)) for weight in weights]
    for position in range(total - sum(cuts)):
        cuts[position % parts] += 1
    return cuts
