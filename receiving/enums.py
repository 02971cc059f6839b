"""Every choice the dock records, with the legal moves between states. A leaf: no models, no ORM."""

from django.db.models import TextChoices
from django.utils.translation import gettext_lazy as _


class Role(TextChoices):
    RECEIVER = "receiver", _("receiver")
    LEAD = "lead", _("lead")
    CLERK = "clerk", _("clerk")
    MANAGER = "manager", _("manager")
    VIEWER = "viewer", _("viewer")


class CarrierKind(TextChoices):
    CARRIER = "carrier", _("carrier")
    BROKER = "broker", _("broker")


class WhoClaims(TextChoices):
    ACCOUNT = "account", _("the account")
    US = "us", _("we, on its behalf")
    SUPPLIER = "supplier", _("its supplier")


class WeightUnit(TextChoices):
    LB = "lb", _("lb")
    KG = "kg", _("kg")


class Paper(TextChoices):
    LETTER = "letter", _("Letter")
    A4 = "a4", _("A4")


class ArrivalState(TextChoices):
    EXPECTED = "expected", _("expected")
    AT_DOOR = "at_door", _("at the door")
    UNLOADING = "unloading", _("unloading")
    PAUSED = "paused", _("paused")
    COUNTED = "counted", _("counted")
    RELEASED = "released", _("released")
    REFUSED = "refused", _("refused")
    CANCELLED = "cancelled", _("cancelled")


_S = ArrivalState
ARRIVAL_MOVES = {
    _S.EXPECTED: {_S.AT_DOOR, _S.REFUSED, _S.CANCELLED},
    _S.AT_DOOR: {_S.UNLOADING, _S.REFUSED, _S.CANCELLED},
    _S.UNLOADING: {_S.PAUSED, _S.COUNTED},
    _S.PAUSED: {_S.UNLOADING},
    _S.COUNTED: {_S.UNLOADING, _S.RELEASED},
    _S.RELEASED: {_S.COUNTED},
    _S.REFUSED: set(),
    _S.CANCELLED: set(),
}
OPEN_STATES = (_S.AT_DOOR, _S.UNLOADING, _S.PAUSED, _S.COUNTED)
COUNTING_STATES = (_S.UNLOADING, _S.PAUSED, _S.COUNTED)


class MomentKind(TextChoices):
    """What happened to a trailer, in the words of its time line."""

    EXPECTED = "expected", _("expected")
    AT_GATE = "at_gate", _("at the gate")
    DROPPED = "dropped", _("dropped")
    AT_DOOR = "at_door", _("at the door")
    OPENED = "opened", _("opened")
    UNLOADING_STARTED = "unloading_started", _("unloading started")
    PAUSED = "paused", _("paused")
    RESUMED = "resumed", _("unloading again")
    COUNTED = "counted", _("count ended")
    COUNT_REOPENED = "count_reopened", _("back to unloading")
    RELEASED = "released", _("released")
    REOPENED = "reopened", _("reopened")
    REFUSED = "refused", _("refused")
    CANCELLED = "cancelled", _("cancelled")
    FETCHED = "fetched", _("fetched")
    SHEET_REPLACED = "sheet_replaced", _("sheet replaced")


class PiecesUnit(TextChoices):
    CARTONS = "cartons", _("cartons")
    PALLETS = "pallets", _("pallets")


class FreightTerms(TextChoices):
    PREPAID = "prepaid", _("prepaid")
    COLLECT = "collect", _("collect")
    THIRD_PARTY = "third_party", _("third party")


class YesNo(TextChoices):
    YES = "yes", _("yes")
    NO = "no", _("no")
    UNKNOWN = "unknown", _("not known")


class CountClause(TextChoices):
    """How the bill counts: 49 USC 80113 makes the difference between the first two."""

    CARRIER = "carrier", _("carrier's count")
    SHIPPER = "shipper", _("shipper's load and count")
    NOT_STATED = "not_stated", _("not stated")


class Party(TextChoices):
    SHIPPER = "shipper", _("shipper")
    CARRIER = "carrier", _("carrier")
    US = "us", _("we")
    UNKNOWN = "unknown", _("not known")


class OriginProof(TextChoices):
    NONE = "none", _("none")
    TALLY = "tally", _("tally at loading")
    SCAN = "scan", _("scan at packing")
    STATEMENT = "statement", _("loader's statement")


class SealAction(TextChoices):
    FOUND = "found", _("found on arrival")
    REMOVED = "removed", _("removed")
    APPLIED = "applied", _("applied")


class SealCondition(TextChoices):
    """Intact, broken, missing: 41 CFR 101-40.701; altered is our addition."""

    INTACT = "intact", _("intact")
    BROKEN = "broken", _("broken")
    MISSING = "missing", _("missing")
    ALTERED = "altered", _("altered")


class SealClass(TextChoices):
    """The class letter marked on the seal (ISO 17712)."""

    INDICATIVE = "I", _("I, indicative")
    SECURITY = "S", _("S, security")
    HIGH = "H", _("H, high security")


class TrailerDoor(TextChoices):
    REAR = "rear", _("rear doors")
    SIDE = "side", _("side door")
    OTHER = "other", _("other place")


class StopCard(TextChoices):
    NONE = "none", _("none")
    HAZARD = "hazard", _("hazard")
    FOOD = "food", _("food")


class IncidentKind(TextChoices):
    SEAL = "seal", _("seal")
    LEAKING = "leaking", _("leaking")
    SMELL = "smell", _("smelling")
    UNKNOWN_GOODS = "unknown", _("unknown goods")
    LEANING = "leaning", _("leaning load")
    THEFT = "theft", _("suspected theft")
    FOOD = "food", _("food")
    TEMPERATURE = "temperature", _("temperature")
    INJURY = "injury", _("somebody is hurt")
    OTHER = "other", _("other")


# What may have to be reported as an incident with hazardous materials.
HAZARDS = (IncidentKind.LEAKING, IncidentKind.SMELL, IncidentKind.UNKNOWN_GOODS)


class ScanHow(TextChoices):
    SCANNER = "scanner", _("scanner")
    TYPED = "typed", _("typed")
    FILE = "file", _("scan file")
    LOG = "log", _("logged piece")


class ScanResult(TextChoices):
    COUNTED = "counted", _("counted")
    PLACED = "placed", _("put on the pallet")
    WRONG_PALLET = "wrong_pallet", _("wrong pallet")
    ALREADY = "already", _("already counted")
    OTHER_TRAILER = "other_trailer", _("belongs to another open trailer: credited there")
    OTHER_RELEASED = "other_released", _("belongs to a trailer that has left")
    OTHER_WAITING = "other_waiting", _("belongs to a trailer that is not being unloaded")
    FOUND = "found", _("was declared short: found")
    NOT_LISTED = "not_listed", _("not on any list")
    BLIND = "blind", _("counted, no list")
    BAD_LABEL = "bad_label", _("check digit wrong")


COUNTING_RESULTS = (
    ScanResult.COUNTED,
    ScanResult.WRONG_PALLET,
    ScanResult.OTHER_TRAILER,
    ScanResult.FOUND,
    ScanResult.BLIND,
)


class PalletState(TextChoices):
    OPEN = "open", _("open")
    CLOSED = "closed", _("closed and wrapped")


class ListState(TextChoices):
    PREVIEW = "preview", _("waiting to be confirmed")
    CONFIRMED = "confirmed", _("in use")
    REPLACED = "replaced", _("replaced")
    DISCARDED = "discarded", _("discarded")


class Kind(TextChoices):
    """What is wrong with a piece. `set_aside` waits for one of the four."""

    SET_ASIDE = "set_aside", _("set aside")
    DAMAGED = "damaged", _("damaged")
    OVER = "over", _("over")
    SHORT = "short", _("short")
    REROUTED = "rerouted", _("rerouted")


class DiscrepancyState(TextChoices):
    OPEN = "open", _("open")
    FOUND = "found", _("found")
    MATCHED = "matched", _("matched")
    VOID = "void", _("void")


class Extent(TextChoices):
    PACKAGING = "packaging", _("packaging only")
    TOUCHED = "touched", _("contents touched")
    LOST = "lost", _("contents lost")
    NOT_OPENED = "not_opened", _("not opened")


class Disposition(TextChoices):
    FORWARDED = "forwarded", _("repaired and forwarded")
    HELD = "held", _("held for inspection")
    REFUSED_BACK = "refused_back", _("refused back to the driver")
    SALVAGE = "salvage", _("set aside for salvage")
    RETURNED = "returned", _("returned")
    DESTROYED = "destroyed", _("destroyed")


class WhereFound(TextChoices):
    IN_TRAILER = "in_trailer", _("in the trailer, before moving")
    CONVEYOR = "conveyor", _("on the conveyor")
    PALLET = "pallet", _("on the pallet")
    STAGING = "staging", _("in staging")
    ON_THE_WAY = "on_the_way", _("on the way to the store")
    STORE = "store", _("by the store")


class Attribution(TextChoices):
    TRANSIT = "transit", _("in transit")
    ORIGIN = "origin", _("loaded that way at origin")
    OWN = "own", _("our own handling")
    OUTBOUND = "outbound", _("the outbound leg")
    CANNOT_TELL = "cannot_tell", _("cannot tell")


class RerouteAuthority(TextChoices):
    LABEL = "label", _("label")
    NOTE = "note", _("account's note")
    PHONE = "phone", _("phone")


class FindingKind(TextChoices):
    """What was done or learnt about a piece after it was logged."""

    OPENED = "opened", _("opened")
    INSPECTION_ASKED = "inspection_asked", _("inspection asked for")
    INSPECTION_WAIVED = "inspection_waived", _("inspection waived")
    INSPECTION_DONE = "inspection_done", _("inspection done")
    SALVAGE_OFFERED = "salvage_offered", _("salvage offered")
    DISPOSITION = "disposition", _("disposition")
    FOOD_RELEASED = "food_released", _("food released by a qualified person")
    STORE_REPORT = "store_report", _("what the store found")
    NOTE = "note", _("note")


class PhotoPurpose(TextChoices):
    PIECE = "piece", _("the piece")
    BEFORE_MOVING = "before_moving", _("in the trailer, before moving")
    LABEL = "label", _("the label")
    CONTENTS = "contents", _("the contents")
    SEAL_BEFORE = "seal_before", _("the seal before it was broken")
    SEAL_AFTER = "seal_after", _("the seal after")
    TRAILER = "trailer", _("the trailer")
    CARRIER_RECEIPT = "carrier_receipt", _("the carrier's own receipt")
    SIGNED_SHEET = "signed_sheet", _("the sheet as signed on paper")


class SignOutcome(TextChoices):
    SIGNED = "signed", _("signed")
    CLEAN = "clean", _("clean, nothing to sign for")
    REFUSED = "refused", _("driver refused to sign")
    NOT_PRESENT = "not_present", _("driver not present")
    AT_PICKUP = "at_pickup", _("to be signed when the trailer is fetched")
    NOT_SEEN = "not_seen", _("not seen by the driver: made after the trailer had left")


class LateKind(TextChoices):
    """What arrived after the release although it was made before."""

    SCAN = "scan", _("scan")
    TALLY = "tally", _("tally")
    UNDO = "undo", _("taken back")
    PIECE = "piece", _("piece")
    SEAL = "seal", _("seal")
    PHOTO = "photo", _("photo")
    INCIDENT = "incident", _("incident note")


class LateOutcome(TextChoices):
    FOUND = "found", _("found after all: it was declared short")
    MISSING = "missing", _("short after all: its count was taken back")
    ADDED = "added", _("added to the record")
    ALREADY = "already", _("known already")
    KEPT = "kept", _("kept, but not counted")


class HandedInEnd(TextChoices):
    TAKEN = "taken", _("taken")
    DISCARDED = "discarded", _("discarded")


class CarrierReceipt(TextChoices):
    PHOTOGRAPHED = "photographed", _("photographed with the notation and both signatures")
    NO_EXCEPTIONS = "no_exceptions", _("the driver's device took no exceptions")
    NONE = "none", _("the carrier left no receipt of its own")


class DeliveryWay(TextChoices):
    EMAIL = "email", _("e-mail")
    PRINT = "print", _("print")


class LookedPlace(TextChoices):
    NOSE = "nose", _("nose of the trailer")
    UNDER = "under", _("under and behind")
    PALLETS = "pallets", _("neighbouring pallets")
    DOORS = "doors", _("neighbouring doors")
    LOADS = "loads", _("loads still open")
