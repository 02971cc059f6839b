"""The schedule of a packet as a table: one place for its headings, for the CSV in the PDF and for the workbook."""

from decimal import Decimal

from receiving.documents import xlsx

HEADINGS = (
    "line",
    "piece",
    "loss",
    "label",
    "goods",
    "purchase order",
    "cartons",
    "quantity",
    "unit",
    "unit price",
    "price from",
    "price number",
    "trade discount %",
    "cash discount %",
    "repair cost",
    "loss of value",
    "net salvage",
    "weight",
    "weight unit",
    "weight from",
    "amount",
    "currency",
)


def schedule_rows(said):
    """A row for each line: texts as they were typed, counts and amounts as numbers."""
    currency = said["claim"]["currency"]
    for line in said["schedule"]["lines"]:
        yield [
            line["position"],
            line["piece"],
            line["kind"],
            line["label"],
            line["description"],
            line["order"],
            line["cartons"],
            number(line["quantity"]),
            line["unit"],
            number(line["unit_price"]),
            line["price_source"],
            line["price_reference"],
            number(line["trade_discount"]),
            number(line["cash_discount"]),
            number(line["repair_cost"]),
            number(line["value_lost"]),
            number(line["salvage"]),
            *weight(line["weight"]),
            line["weight_source"],
            None if line["exact"] is None else Decimal(line["exact"]),
            currency,
        ]


def number(text):
    """What `wording` printed, as a number again; None for nothing."""
    return Decimal(text.replace(",", "")) if text else None


def weight(text):
    """(number, unit) of what `wording` printed; nothing twice for nothing."""
    found, _space, unit = text.rpartition(" ")
    return number(found), unit


def schedule_csv(content):
    return xlsx.csv_bytes([HEADINGS, *schedule_rows(content["said"])])
