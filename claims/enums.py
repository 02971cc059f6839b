"""Every choice that claims record, with the legal moves between stages. A leaf: no models, no ORM."""

from django.db.models import TextChoices
from django.utils.translation import gettext_lazy as _

# Stands in an address in the place of a site's code for all sites together.
ALL = "all"


class Purpose(TextChoices):
    """A claim of ours demands money; a hand-over gives somebody else the same evidence and demands nothing."""

    CLAIM = "claim", _("claim")
    HANDOVER = "handover", _("hand-over")


class Stage(TextChoices):
    DRAFT = "draft", _("draft")
    FILED = "filed", _("filed")
    CLOSED = "closed", _("closed")
    WITHDRAWN = "withdrawn", _("withdrawn")


STAGE_MOVES = {
    Stage.DRAFT: {Stage.FILED, Stage.WITHDRAWN},
    Stage.FILED: {Stage.CLOSED, Stage.WITHDRAWN},
    Stage.CLOSED: {Stage.FILED},
    Stage.WITHDRAWN: set(),
}


class Standing(TextChoices):
    """What a claim waits for, derived from its facts and never stored."""

    BEING_DRAFTED = "being_drafted", _("being drafted")
    TO_BE_ACKNOWLEDGED = "to_be_acknowledged", _("to be acknowledged")
    TO_BE_DECIDED = "to_be_decided", _("to be decided")
    OFFER_OPEN = "offer_open", _("offer open")
    PARTLY_DISALLOWED = "partly_disallowed", _("partly disallowed")
    DISALLOWED = "disallowed", _("disallowed")
    MONEY_AWAITED = "money_awaited", _("agreed, money awaited")
    OVERPAID = "overpaid", _("overpaid, refund due")
    ALL_IN = "all_in", _("all in")
    HANDED_OVER = "handed_over", _("handed over")
    CLOSED = "closed", _("closed")
    WITHDRAWN = "withdrawn", _("withdrawn")


class LineKind(TextChoices):
    """The two clocks and the two weights of a claim: what came hurt, what did not come."""

    DAMAGE = "damage", _("damage")
    LOSS = "loss", _("loss")


class PriceSource(TextChoices):
    INVOICE = "invoice", _("invoice")
    LIST = "list", _("load list")
    STATEMENT = "statement", _("certified statement of value")


class DocumentKind(TextChoices):
    BILL_OF_LADING = "bill_of_lading", _("bill of lading")
    FREIGHT_BILL = "freight_bill", _("freight bill")
    CARRIER_RECEIPT = "carrier_receipt", _("carrier's receipt with the notation")
    EXCEPTION_SHEET = "exception_sheet", _("exception sheet as signed on paper")
    INVOICE = "invoice", _("invoice")
    CERTIFIED_VALUE = "certified_value", _("certified statement of value")
    ORIGIN_PROOF = "origin_proof", _("proof of loading at origin")
    PACKAGING = "packaging", _("statement on packaging")
    INSPECTION = "inspection", _("inspection report")
    INSPECTION_WAIVER = "inspection_waiver", _("waiver of inspection")
    REPAIR_BILL = "repair_bill", _("repair bill")
    SALVAGE_RECORD = "salvage_record", _("salvage record")
    AUTHORITY = "authority", _("authority to claim")
    PROOF_OF_FILING = "proof_of_filing", _("proof of filing")
    CARRIER_LETTER = "carrier_letter", _("letter from the carrier")
    PROOF_OF_PAYMENT = "proof_of_payment", _("proof of payment")
    OTHER = "other", _("other")


class FilingWay(TextChoices):
    EMAIL = "email", _("e-mail")
    POST = "post", _("post")
    HAND = "hand", _("by hand")
    WEB_FORM = "web_form", _("the carrier's own web form")


class FactKind(TextChoices):
    """What happens to a filed claim; recordable in any order."""

    ACKNOWLEDGED = "acknowledged", _("acknowledged by the carrier")
    PAPERS_ASKED = "papers_asked", _("papers asked for")
    PAPERS_SENT = "papers_sent", _("papers sent")
    STATUS = "status", _("status notice from the carrier")
    OFFER = "offer", _("offer")
    OFFER_DECLINED = "offer_declined", _("offer declined by us")
    DECISION = "decision", _("decision by line")
    CONTESTED = "contested", _("contested by us")
    AGREED = "agreed", _("agreed")
    RECEIPT = "receipt", _("money received")
    OFFSET = "offset", _("set off against what we owe")
    REFUND = "refund", _("money returned to the carrier")
    PASSED_ON = "passed_on", _("money passed on")
    SALVAGE = "salvage", _("salvage sold")
    AMENDED = "amended", _("amended")
    WRITTEN_OFF = "written_off", _("written off")
    COUNSEL = "counsel", _("handed to counsel")
    SUED = "sued", _("suit brought")
    NOTE = "note", _("note")


MONEY_FACTS = (FactKind.RECEIPT, FactKind.OFFSET, FactKind.REFUND, FactKind.PASSED_ON, FactKind.WRITTEN_OFF)


class ReceiptKind(TextChoices):
    ON_ACCOUNT = "on_account", _("on account")
    IN_FULL = "in_full", _("in full")


class Speaker(TextChoices):
    """Who decided, and with what authority: an insurer's letter is no disallowance unless it says it acts for the
    carrier (49 USC 14706(e)(2), from memory)."""

    CARRIER = "carrier", _("the carrier")
    FOR_CARRIER = "for_carrier", _("somebody who says they act for the carrier")
    INSURER = "insurer", _("the carrier's insurer, not saying it acts for the carrier")
    BROKER = "broker", _("a broker")
    OTHER = "other", _("somebody else")


SPEAKS_FOR_CARRIER = (Speaker.CARRIER, Speaker.FOR_CARRIER)


class Ground(TextChoices):
    """The usual refusals, in our own words."""

    LATE_CLAIM = "late_claim", _("filed late")
    NO_NOTATION = "no_notation", _("no notation at delivery")
    LATE_REPORT = "late_report", _("concealed and reported late")
    NO_INSPECTION = "no_inspection", _("no chance to inspect")
    SEAL_CLEAR = "seal_clear", _("the seal was clear")
    PACKAGING = "packaging", _("packed badly")
    SHIPPER_COUNT = "shipper_count", _("shipper's load and count")
    VALUE_NOT_SHOWN = "value_not_shown", _("value not shown")
    NOT_MITIGATED = "not_mitigated", _("loss not kept small")
    SHIPPER_ACT = "shipper_act", _("act of the shipper")
    ALREADY_CLAIMED = "already_claimed", _("already claimed")
    OTHER = "other", _("another ground")


class LetterKind(TextChoices):
    CONCEALED = "concealed", _("notice of concealed damage with inspection request")
    LATE_ACKNOWLEDGEMENT = "late_acknowledgement", _("reminder: acknowledgement is late")
    LATE_DECISION = "late_decision", _("reminder: decision is late")
    PAPERS = "papers", _("answer to a request for papers")
    CONTEST = "contest", _("contest of a refusal")
    ACCEPTANCE = "acceptance", _("acceptance of an offer")
    SALVAGE = "salvage", _("offer of the salvage")
    AMENDMENT = "amendment", _("amendment of the claim")
    WITHDRAWAL = "withdrawal", _("withdrawal of the claim")
    REFUND = "refund", _("return of money")


class Mode(TextChoices):
    ROAD = "road", _("road")
    AIR = "air", _("air")
    SEA = "sea", _("sea")
    RAIL = "rail", _("rail")


class Trigger(TextChoices):
    """The date a clock starts from; most errors come from a right length on a wrong trigger."""

    DELIVERED = "delivered", _("delivered")
    BILL_DATE = "bill_date", _("date of the bill of lading")
    SHIPPED = "shipped", _("shipped")
    DUE_DELIVERY = "due_delivery", _("should have been delivered")
    AT_DISPOSAL = "at_disposal", _("placed at our disposal")
    TAKEN_OVER = "taken_over", _("taken over by the carrier")
    AGREED_LIMIT = "agreed_limit", _("end of the agreed time for delivery")
    CARRIER_RECEIVED = "carrier_received", _("claim received by the carrier")
    DISALLOWED = "disallowed", _("written disallowance")
    DISCOVERED = "discovered", _("discovered")
    INCIDENT = "incident", _("incident")
    SETTLED = "settled", _("settled")
    TOTAL_LOSS = "total_loss", _("counted as total loss")


class Duty(TextChoices):
    """What is to be done by a date."""

    NOTE_AT_DELIVERY = "note_at_delivery", _("note visible harm on the receipt")
    CONCEALED_NOTICE = "concealed_notice", _("report concealed damage and ask for inspection")
    NOTICE = "notice", _("give written notice")
    DELAY_NOTICE = "delay_notice", _("give notice of delay")
    FILE = "file", _("file the claim")
    FINAL_STATEMENT = "final_statement", _("send the final statement with the paid freight bill")
    ACKNOWLEDGE = "acknowledge", _("acknowledge the claim")
    DECIDE = "decide", _("pay, decline or make a firm offer")
    STATUS = "status", _("say why it is not decided")
    SUE = "sue", _("bring suit")
    HAZMAT_PHONE = "hazmat_phone", _("report the incident by phone")
    HAZMAT_REPORT = "hazmat_report", _("send the written incident report")
    KEEP = "keep", _("keep the file")


class Counting(TextChoices):
    AT_ONCE = "at_once", _("at once")
    DAYS = "days", _("calendar days")
    BUSINESS_DAYS = "business_days", _("business days")
    DAYS_LESS_SUNDAYS = "days_less_sundays", _("days less Sundays and holidays")
    MONTHS = "months", _("months")
    YEARS = "years", _("years")
    YEARS_THEN_DAYS = "years_then_days", _("years, then days")
    HOURS = "hours", _("hours")


class Effect(TextChoices):
    BAR = "bar", _("the right is lost")
    BURDEN = "burden", _("the proof falls to us, the right stays")
    PRESUMPTION = "presumption", _("the goods are presumed received as described")
    NO_COMPENSATION = "no_compensation", _("no compensation for delay")
    BREACH = "breach", _("the carrier is in breach, the claim stays open")
    OFFENCE = "offence", _("an offence")
    INTERNAL = "internal", _("our own rule")


class Binds(TextChoices):
    US = "us", _("us")
    CARRIER = "carrier", _("the carrier")


class Applies(TextChoices):
    """Which losses a period is about."""

    ANY = "any", _("any loss")
    DAMAGE = "damage", _("damage")
    LOSS = "loss", _("loss of pieces")
    NON_DELIVERY = "non_delivery", _("nothing delivered at all")


class Regime(TextChoices):
    """The law a carriage falls under; its shortest periods are checked against the terms."""

    US_ROAD = "us_road", _("United States, road")
    CMR = "cmr", _("CMR, road between countries")
    MONTREAL = "montreal", _("Montreal Convention, air between countries")
    COGSA = "cogsa", _("US Carriage of Goods by Sea Act")
    CANADA_ROAD = "canada_road", _("Canada, road")
    OTHER = "other", _("another law")


class LimitBasis(TextChoices):
    """What a limit of liability is counted on: the same rate gives different limits, so this is a term."""

    NONE = "none", _("no limit")
    PIECES_WEIGHT = "pieces_weight", _("weight of the pieces lost or damaged")
    DAMAGED_WEIGHT = "damaged_weight", _("weight of the damaged pieces; covers damage only")
    SHORT_WEIGHT = "short_weight", _("weight of the short pieces; covers loss only")
    SHIPMENT_WEIGHT = "shipment_weight", _("weight of the whole shipment")
    PACKAGE = "package", _("each package")
    DECLARED_VALUE = "declared_value", _("declared value")


class SalvageWhen(TextChoices):
    BEFORE = "before", _("before the limit")
    AFTER = "after", _("after the limit")


class FreightWhen(TextChoices):
    OUTSIDE = "outside", _("on top of the limit")
    INSIDE = "inside", _("inside the limit")


class DeliveredMeans(TextChoices):
    """Which moment of the trailer counts as delivery; the terms may say otherwise than the earliest."""

    EARLIEST = "earliest", _("the earliest of dropped, opened and released")
    DROPPED = "dropped", _("dropped")
    OPENED = "opened", _("opened")
    RELEASED = "released", _("released")


class JobState(TextChoices):
    WAITING = "waiting", _("waiting")
    RUNNING = "running", _("being made")
    DONE = "done", _("done")
    FAILED = "failed", _("failed")
