"""What can happen to a claim of the scenario, one function for each word in its `acts`; all through the domain's own
writers, at the moment `at` that the office sets before each.
"""

from datetime import timedelta
from decimal import Decimal

from claims import completeness, documents, drafting, facts, filing, letters, mail, readings, shorts, terms
from claims.demo import bills, papers, scenario
from claims.enums import DocumentKind, FactKind, FilingWay, LimitBasis, LineKind, PriceSource, Purpose, Stage
from claims.money import cents
from claims.packet import assemble
from claims.standing import NOUGHT
from receiving import clock, discrepancies
from receiving.enums import Disposition, Extent, Kind, WhereFound, YesNo
from receiving.models import Carton, Discrepancy


class Acts:
    """The steps of one claim. Amounts in the scenario are parts of what is claimed: 0.6 is sixty percent."""

    def __init__(self, office, row, site, loss):
        self.office, self.row, self.site, self.loss = office, row, site, loss
        self.claim, self.at = None, None
        self.facts = {}

    # -- parts every step has ------------------------------------------------------------------------------------------

    @property
    def clerk(self):
        return self.office.clerk(self.site)

    @property
    def manager(self):
        return self.office.company.people["manager"]

    @property
    def lead(self):
        return self.office.company.crew[self.site.code]["lead"][0]

    @property
    def who(self):
        return {"actor": self.clerk, "at": self.at}

    @property
    def new(self):
        return self.who | {"uuid": self.office.uuid()}

    @property
    def day(self):
        return clock.site_day(self.at, self.site.time_zone)

    def ahead(self, days):
        """The day so many days after today; negative ones are past."""
        return self.office.ahead(self.site, days)

    def fresh(self):
        self.claim = filing.fresh(self.claim)
        return self.claim

    def lines(self, **wanted):
        rows = self.claim.lines.filter(live=True, **wanted)
        return list(rows.select_related("discrepancy__shipment", "discrepancy__carton").order_by("position"))

    def part(self, share):
        """That part of the claim, in cents; `rest` is what is outstanding."""
        claim = self.fresh()
        money = readings.reading(claim, at=self.at).money
        if share == "rest":
            return money.outstanding
        if share == "agreed":
            return money.agreed or money.allowed
        if share == "kept":
            return money.to_pass_on
        return max(cents(claim.amount * Decimal(str(share)), claim.currency), Decimal("0.01"))

    def fact(self, kind, document=None, **said):
        said = {"on": self.day} | ({"document": document} if document else {}) | said
        row = facts.record(self.fresh(), kind=kind, facts=said, **self.new)
        self.facts[kind] = row
        return row

    # -- the draft -----------------------------------------------------------------------------------------------------

    def draft(self, purpose=Purpose.CLAIM):
        shipment, pieces = self.bill()
        pieces = sorted(pieces, key=lambda piece: (piece.kind != Kind.SHORT, piece.number))[: self.row.get("lines", 12)]
        pieces = [Discrepancy.objects.get(pk=piece.pk) for piece in pieces]
        self.claim = drafting.open_claim(shipment, pieces, purpose=purpose, **self.new)

    def bill(self):
        if self.loss is None:
            return bills.newest_with_sheet(self.site, at=self.at)
        return self.loss.shipment, self.loss.pieces

    def price(self, source=PriceSource.INVOICE):
        """Every line from the invoice: goods, quantity, price and weight, where the load list did not tell them."""
        self.reference = f"INV-{self.office.rng.randint(20_000, 29_999)}"
        with drafting.changing(self.claim, "claim.line_priced", version=None, **self.who) as draft:
            lines = list(draft.lines.filter(live=True).select_related("discrepancy").order_by("position"))
            for line in lines:
                self.price_line(line, source)
                drafting.check_price(line)
            type(lines[0]).objects.bulk_update(lines, drafting.PRICES)
        claim = self.fresh()
        if claim.terms and claim.terms.limit_basis != LimitBasis.NONE and claim.terms.limit_currency != claim.currency:
            self.rate()

    def price_line(self, line, source):
        if line.unit_price is None:
            goods = self.office.company.scenario["goods"][self.claim.account.legal_name]
            description, weight, value, units = goods[line.discrepancy.number % len(goods)]
            hurt = line.discrepancy.units_hurt or units
            line.description, line.unit_price, line.unit = description, Decimal(value), "units"
            line.quantity, line.weight = Decimal(hurt * line.cartons), Decimal(str(weight)) * line.cartons
        line.price_source, line.price_reference = source, self.reference
        if line.discrepancy.disposition == Disposition.FORWARDED or line.discrepancy.extent == Extent.PACKAGING:
            line.repair_cost = cents(line.quantity * line.unit_price * Decimal("0.2"), "USD")

    def repair(self):
        """The first damaged line is repacked instead of paid for whole."""
        line = self.lines(kind=LineKind.DAMAGE)[0]
        worth = line.quantity * line.unit_price
        values = {"repair_cost": cents(worth * Decimal("0.3"), "USD"), "value_lost": cents(worth / 2, "USD")}
        self.claim = drafting.price_line(line, values=values, **self.who)
        self.paper(papers.letter(self.claim, day=self.day, **said("repair"), kind=DocumentKind.REPAIR_BILL))

    def rate(self):
        """What one special drawing right was worth, for a limit that is counted in them."""
        told = scenario.read()["rate"]
        values = {"rate": Decimal(told["rate"]), "rate_date": self.day, "rate_source": told["source"]}
        self.claim = drafting.set_facts(self.claim, values=values, verb="claim.rate", **self.who)

    def drop(self, reason):
        self.claim = drafting.drop_line(self.lines()[-1], reason=reason, **self.who)

    def decide_not(self, reason):
        """No claim is drafted: it is decided against the whole bill."""
        pieces = list(self.loss.pieces)
        self.decided = drafting.decide_not(pieces, reason=reason, **self.new)

    def claim_after_all(self, reason):
        drafting.claim_after_all(self.decided[0], reason=reason, **self.new)

    def store_call(self):
        """A store has opened a carton of the newest trailer and found its goods broken; the clerk writes it down."""
        rows = Carton.objects.filter(site=self.site, received=1, arrival__released_at__lt=self.at, discrepancies=None)
        carton = rows.select_related("arrival__site", "store").order_by("-arrival__released_at", "pk").first()
        code = self.office.company.codes[self.site.code]["BK"]
        told = {
            "label": carton.label,
            "extent": Extent.LOST,
            "where_found": WhereFound.STORE,
            "attribution": "cannot_tell",
            "disposition": "held",
            "no_photo_reason": "the store sends them tomorrow",
            "note": "packaging whole outside, found on opening",
        }
        piece = discrepancies.record(carton.arrival, kind=Kind.DAMAGED, facts=told, codes=[code], **self.new)
        report = {"by_name": f"store {carton.store.number}", "text": "contents broken, carton looked sound"}
        discrepancies.store_report(piece, facts=report, **self.new)
        self.called = piece

    def draft_called(self):
        """A claim for what the store found."""
        piece = Discrepancy.objects.select_related("shipment__arrival__site").get(pk=self.called.pk)
        self.claim = drafting.open_claim(piece.shipment, [piece], **self.new)

    # -- its papers ----------------------------------------------------------------------------------------------------

    def paper(self, sheet):
        made = self.office.papers.of(sheet, at=self.at, paper=self.site.paper)
        return documents.receive(self.fresh(), paper=made, kind=sheet.kind, **self.new)

    def invoice(self):
        self.paper(papers.invoice(self.claim, self.reference, day=self.claim.shipment.ship_date))

    def all_papers(self):
        """Every paper that a careful clerk adds, and for what is still missing the reason."""
        claim = self.claim
        self.invoice()
        for make in (papers.bill_of_lading, papers.freight_bill, papers.origin_proof):
            self.paper(make(claim))
        if claim.who_claims == "us":
            self.paper(papers.authority(claim))
        if self.lines(kind=LineKind.DAMAGE):
            self.paper(papers.inspection(claim))
        if self.lines(kind=LineKind.LOSS):
            self.state_no_other_source()
        self.state_reasons("other")

    def state_reasons(self, usual):
        """Why there is none, for all that the claim lacks; `usual` names the reason of what has none of its own."""
        words = scenario.read()["gaps"]
        for need in completeness.gaps(self.fresh()):
            if not need.blocks or need.firm:
                continue
            documents.write_reason(self.claim, gap=need.code, reason=words.get(need.code, words[usual]), **self.new)

    def state_no_other_source(self):
        claim = self.fresh()
        note = f"asked {claim.account.legal_name} and the supplier: neither has claimed"
        claim = shorts.answer_asked(claim, answer=YesNo.NO, note=note, version=claim.version, **self.who)
        lines = shorts.short_lines(claim)
        text = shorts.statement_text(claim, lines, shorts.search(claim, lines=lines))
        shorts.sign(claim, signer=claim.signatory or str(self.clerk), role="claims", text=text, **self.new)

    def packet(self):
        assemble.make(self.fresh(), **self.new)

    # -- handing over --------------------------------------------------------------------------------------------------

    def file_by_mail(self):
        """As the page does it: the packet goes attached, and what went is kept."""
        claim, packet = self.fresh(), assemble.latest(self.claim)
        text = scenario.read()["mail"]
        self.sent = mail.send(
            claim,
            to=claim.carrier.claims_email,
            subject=f"Claim {claim}, PRO {claim.shipment.pro_number}, bill {claim.shipment.bill_number}",
            body=text.format(claim=claim, pages=packet.pages, sha256=packet.pdf_sha256, signatory=claim.signatory),
            attached=mail.packet_files(packet, 10_000_000),
            packet=packet,
            **self.new,
        )
        if claim.stage == Stage.DRAFT:
            self.claim = filing.file_claim(claim, way=FilingWay.EMAIL, on=self.day, **self.who)

    def bounce(self):
        """What was mailed comes back."""
        for message in self.sent:
            mail.record_bounce(message, text=scenario.read()["bounce"].format(to=message.to), **self.new)

    def file(self, way=FilingWay.POST):
        """Recorded as handed over with its packet."""
        self.claim = filing.file_claim(
            self.fresh(), way=way, on=self.day, no_proof=scenario.read()["no_proof"], **self.who
        )

    def file_on_paper(self, way=FilingWay.POST):
        """Filed before packets were made here: the event says so, and no packet is there that never was."""
        self.state_reasons("on_paper")
        claim = self.fresh()
        frozen = terms.frozen(claim.terms) if claim.terms else None
        self.claim = filing.advance(
            claim,
            to=Stage.FILED,
            verb="claim.filed",
            **self.who,
            also={
                "filed_at": self.at,
                "filed_on": self.day,
                "filing_way": way,
                "frozen_terms": frozen,
            },
            told=filing.handed_over(claim, frozen, None, None, scenario.read()["on_paper"]),
        )

    # -- what came back ------------------------------------------------------------------------------------------------

    def acknowledge(self, days_before=0):
        self.fact(
            FactKind.ACKNOWLEDGED,
            reference=f"{self.claim.carrier.scac[2:]}-{self.office.rng.randint(100_000, 999_999)}",
            received_on=max(self.day - timedelta(days=days_before), self.claim.filed_on),
        )

    def papers_asked(self, until):
        self.fact(FactKind.PAPERS_ASKED, until=self.ahead(until), **said("papers_asked"))

    def papers_sent(self):
        self.fact(FactKind.PAPERS_SENT, answers=self.facts[FactKind.PAPERS_ASKED], **said("papers_sent"))

    def status(self):
        self.fact(FactKind.STATUS, **said("status"))

    def note(self, words):
        self.fact(FactKind.NOTE, note=words)

    def offer(self, share, until):
        amount = self.part(share)
        text = said("offer")["text"].format(currency=self.claim.currency, amount=amount)
        letter = self.paper(papers.letter(self.claim, day=self.day, text=text))
        until = {"until": self.ahead(until)}
        self.fact(FactKind.OFFER, amount=amount, in_writing=True, speaker="carrier", document=letter, **until)

    def decline(self):
        self.fact(FactKind.OFFER_DECLINED, answers=self.facts[FactKind.OFFER], **said("declined"))

    def agree(self, share):
        answers = {"answers": self.facts[FactKind.OFFER]} if FactKind.OFFER in self.facts else {}
        self.fact(FactKind.AGREED, amount=self.part(share), in_writing=True, **answers)

    def decide(self, allowed, ground="", speaker="carrier"):
        """The carrier decides on every line.

        allowed -- `all`, `none`, or `some`: every other line, of a single line a third
        """
        lines = self.lines()
        told = [self.decision(line, place, allowed, ground, len(lines)) for place, line in enumerate(lines)]
        text = scenario.read()["said"]["decided"][allowed] + " " + scenario.read()["grounds"].get(ground, "")
        letter = self.paper(papers.letter(self.claim, day=self.day, text=text.strip()))
        self.facts[FactKind.DECISION] = facts.record(
            self.fresh(),
            kind=FactKind.DECISION,
            facts={"on": self.day, "in_writing": True, "speaker": speaker, "document": letter},
            decisions=told,
            **self.new,
        )

    def decision(self, line, place, allowed, ground, of):
        share = {"all": 1, "none": 0, "some": (place + 1) % 2 if of > 1 else Decimal(1) / 3}[allowed]
        amount = cents(line.amount * share, self.claim.currency)
        no = line.amount - amount
        words = scenario.read()["grounds"].get(ground, "") if no else ""
        return {"line": line.pk, "allowed": amount, "disallowed": no, "ground": ground if no else "", "note": words}

    def contest(self):
        self.fact(FactKind.CONTESTED, answers=self.facts[FactKind.DECISION], **said("contested"))

    def counsel(self):
        self.fact(FactKind.COUNSEL, **said("counsel"))

    # -- money ---------------------------------------------------------------------------------------------------------

    def receive(self, share, kind="on_account"):
        reference = f"check {self.office.rng.randint(100_000, 999_999)}"
        self.fact(FactKind.RECEIPT, amount=self.part(share), receipt_kind=kind, reference=reference)

    def offset(self, share):
        self.fact(FactKind.OFFSET, amount=self.part(share), reference=self.claim.shipment.pro_number)

    def bounced_payment(self, reason):
        facts.reverse(self.facts[FactKind.RECEIPT], reason=reason, **self.new)

    def refund(self):
        money = readings.reading(self.fresh(), at=self.at).money
        self.fact(FactKind.REFUND, amount=-money.outstanding or money.refund_due, **said("refund"))

    def pass_on(self):
        self.fact(FactKind.PASSED_ON, amount=self.part("kept"), by_name=self.claim.account.legal_name)

    def write_off(self, reason):
        """The rest; over the site's limit a manager does it."""
        amount = self.part("rest")
        if amount <= NOUGHT:
            return
        actor = self.clerk if amount <= self.site.write_off_limit else self.manager
        told = {"on": self.day, "amount": amount, "note": reason}
        facts.record(self.claim, kind=FactKind.WRITTEN_OFF, facts=told, **(self.new | {"actor": actor}))

    def sell(self, share):
        """A damaged line's goods are sold for that part of what it claims."""
        free = [line for line in self.lines(kind=LineKind.DAMAGE) if not line.discrepancy.food_hold]
        if not free:
            return
        line = free[0]
        gross = cents(line.amount * Decimal(str(share)), self.claim.currency)
        lot = {"line": line.pk, "gross": gross, "costs": NOUGHT} | said("lot")
        facts.record(self.fresh(), kind=FactKind.SALVAGE, facts={"on": self.day}, lots=[lot], **self.new)

    # -- changes -------------------------------------------------------------------------------------------------------

    def found(self):
        """A carton that is claimed turns up in the building."""
        line = self.lines(kind=LineKind.LOSS)[0]
        told = {"where": "behind the conveyor", "note": "label turned to the wall"}
        discrepancies.mark_found(line.discrepancy, actor=self.lead, at=self.at, **told)
        self.turned_up = line

    def amend_found(self):
        reason = f"{self.turned_up.discrepancy} was found and is taken off."
        facts.amend(self.fresh(), reason=reason, on=self.day, drop=[self.turned_up.pk], **self.new)

    def amend_less(self):
        line = self.lines()[0]
        values = {line.pk: {"trade_discount": Decimal("5")}}
        facts.amend(self.fresh(), reason=said("amended")["reason"], on=self.day, values=values, **self.new)

    def withdraw(self, reason):
        self.claim = filing.withdraw(self.fresh(), reason=reason, **self.who)

    def close(self, note=""):
        self.claim = filing.close(self.fresh(), note=note, **self.who)

    def reopen(self, reason):
        self.claim = filing.reopen(self.fresh(), reason=reason, **self.who)

    # -- letters -------------------------------------------------------------------------------------------------------

    def letter(self, kind):
        """Drafted, not sent yet; None where the claim does not call for it."""
        fitting = {fit.kind for fit in letters.fitting(self.fresh(), at=self.at)}
        return letters.draft(self.claim, kind=kind, **self.new) if kind in fitting else None

    def filled(self, letter):
        """The letter with what its draft leaves open filled in, as a clerk does before it goes; None stays None."""
        said = scenario.read()["filled"]
        blanks = [blank for blank in said if letter and blank in letter.body]
        if not blanks:
            return letter
        body = letter.body
        for blank in blanks:
            body = body.replace(blank, said[blank])
        words = {"to": letter.to, "subject": letter.subject, "body": body}
        return letters.edit(letter, **words, version=letter.version, **self.who)

    def mail_letter(self, kind):
        if letter := self.filled(self.letter(kind)):
            letters.send(letter, version=letter.version, **self.new)

    def post_letter(self, kind):
        if letter := self.filled(self.letter(kind)):
            letters.mark_sent(letter, way=FilingWay.POST, version=letter.version, **self.who)


def said(name):
    """Words of the scenario, as columns of a fact or parts of a paper."""
    return dict(scenario.read()["said"][name])
