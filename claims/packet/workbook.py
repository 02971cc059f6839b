"""The packet as a workbook: schedule, pieces, photos with their hashes, dates, and the working of every amount.

Texts are texts, amounts and weights numbers, days and moments dates on the site's clock: there is no formula in it.
"""

from datetime import datetime
from decimal import Decimal

from claims.packet import tables
from claims.packet.pdf import photos
from claims.packet.wording import as_date
from receiving import clock
from receiving.documents.xlsx import Sheet, workbook_bytes

PIECES = (
    "line",
    "piece",
    "what is wrong",
    "label",
    "goods",
    "codes",
    "extent",
    "units good",
    "units hurt",
    "disposition",
    "where found",
    "attributed to",
    "why",
    "store",
    "found",
    "written down",
    "by",
    "note",
    "photos",
)
PHOTOS = (
    "photo",
    "shows",
    "caption",
    "taken, the device says",
    "received",
    "sent by",
    "format",
    "pixels",
    "bytes",
    "SHA-256",
    "file in the archive",
    "file name at upload",
    "erased",
)
DATES = ("what", "lines", "by", "rule", "source")
WORKING = ("line", "piece", "step", "amount", "note")


def workbook(content):
    """The .xlsx file of a packet's content, the same for the same content."""
    said, made = content["said"], content["made"]
    sheets = [
        Sheet("schedule", tables.HEADINGS, [*tables.schedule_rows(said), total_row(said)]),
        Sheet("pieces", PIECES, [piece_row(piece) for piece in said["pieces"]]),
        Sheet("photos", PHOTOS, [photo_row(photo) for photo in photos(said)]),
        Sheet("dates", DATES, [date_row(date) for date in said["dates"]]),
        Sheet("working", WORKING, [*working_rows(said)]),
    ]
    title = f"{said['claim']['number']}, packet {made['number']}"
    zone = clock.zone(said["site"]["time_zone"])
    return workbook_bytes(sheets, title=title, zone=zone, created=datetime.fromisoformat(made["at"]))


def total_row(said):
    lines = said["schedule"]["lines"]
    known = all(line["exact"] is not None for line in lines)
    total = sum(Decimal(line["exact"]) for line in lines) if known else None
    blank = [None] * (len(tables.HEADINGS) - 2)
    return ["total", *blank[1:], total, said["claim"]["currency"]]


def piece_row(piece):
    return [
        piece["line"],
        piece["number"],
        piece["kind"],
        piece["label"],
        piece["description"],
        ", ".join(piece["codes"]),
        piece["extent"],
        piece["units_good"],
        piece["units_hurt"],
        piece["disposition"],
        piece["where"],
        piece["attribution"],
        piece["attribution_reason"],
        piece["store"],
        datetime.fromisoformat(piece["found_at"]),
        datetime.fromisoformat(piece["logged_at"]),
        piece["by"],
        piece["note"],
        len(piece["photos"]),
    ]


def photo_row(photo):
    first, last = ("name", "shows", "caption", "taken"), ("by", "format", "pixels", "size", "sha256", "archive")
    received = datetime.fromisoformat(photo["received_at"])
    told = [*(photo[name] for name in first), received, *(photo[name] for name in last)]
    return [*told, photo["filename"], photo["erased"]]


def date_row(date):
    return [date["what"], date["lines"], as_date(date["by"]), date["words"], date["source"]]


def working_rows(said):
    for step in said["schedule"]["steps"]:
        yield ["claim", "", step["words"], tables.number(step["amount"]), step["note"]]
    for pool in said["schedule"]["pools"]:
        for share in pool["shares"]:
            formula = f"{pool['ceiling']} × {share['before']} / {pool['before']} = {share['exact']}"
            words = f"{pool['words']}, {pool['ceiling']}: {formula}"
            yield [share["position"], share["piece"], words, None, f"share {share['given']}"]
    for line in said["schedule"]["lines"]:
        for step in line["steps"]:
            amount = tables.number(step["amount"])
            yield [line["position"], line["piece"], step["words"], amount, step["note"]]
        total = None if line["exact"] is None else Decimal(line["exact"])
        yield [line["position"], line["piece"], "amount", total, "; ".join(line["needs"])]
