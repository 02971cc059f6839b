from receiving.models.arrival import (
    Arrival,
    IncidentNote,
    IncidentRuling,
    Looked,
    Moment,
    Refusal,
    SealRecord,
    Shipment,
    ShipmentCarrier,
)
from receiving.models.base import Evidence, Recorded
from receiving.models.carrier import Carrier
from receiving.models.carton import Carton, ColumnMapping, LoadList, Pallet, Scan, TallyTap
from receiving.models.discrepancy import Discrepancy, DiscrepancyVersion, Finding
from receiving.models.event import ChainHead, Event, Submission
from receiving.models.phone import HandedIn, HandedInEnded, LateRecord, Phone, PhoneTrailer
from receiving.models.photo import Photo, Tombstone
from receiving.models.sheet import ExceptionSheet, SheetDelivery
from receiving.models.site import Account, Counter, DamageCode, Door, Membership, Person, Site, Store

__all__ = [
    "Account",
    "Arrival",
    "Carrier",
    "Carton",
    "ChainHead",
    "ColumnMapping",
    "Counter",
    "DamageCode",
    "Discrepancy",
    "DiscrepancyVersion",
    "Door",
    "Event",
    "Evidence",
    "ExceptionSheet",
    "Finding",
    "HandedIn",
    "HandedInEnded",
    "IncidentNote",
    "IncidentRuling",
    "LateRecord",
    "LoadList",
    "Looked",
    "Membership",
    "Moment",
    "Pallet",
    "Person",
    "Phone",
    "PhoneTrailer",
    "Photo",
    "Recorded",
    "Refusal",
    "Scan",
    "SealRecord",
    "SheetDelivery",
    "Shipment",
    "ShipmentCarrier",
    "Site",
    "Store",
    "Submission",
    "TallyTap",
    "Tombstone",
]
