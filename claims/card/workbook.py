"""A card as a workbook: every figure with its ranges, trailers, pieces, months, sums and settings; nothing is left out.

Texts are texts and numbers plain numbers: there is no formula in it. Other carriers stand in it without their names.
"""

from datetime import date, datetime

from claims.card import pdf
from claims.card.book import SCOPES
from claims.packet.wording import as_date
from receiving import clock
from receiving.documents.xlsx import Sheet, workbook_bytes

COUNTS = ("damaged", "short", "over", "rerouted")


def workbook(content) -> bytes:
    """The .xlsx file of a card's content, the same for the same content."""
    sheets = [
        Sheet("verdicts", ("event", "verdict", "low per 1,000", "high per 1,000", "in words"), verdicts(content)),
        Sheet("figures", ("figure", "value"), [(each["words"], each["value"]) for each in content["figures"]]),
        Sheet("months", ("month", "trailers", "listed", "received", *COUNTS), month_rows(content)),
        Sheet("trailers", TRAILERS, [trailer_row(row) for row in content["trailers"]]),
        Sheet("pieces", PIECES, [piece_row(row) for row in content["pieces"]]),
        Sheet("compared", COMPARED, compared(content)),
        Sheet("sums", SUMS, sums(content)),
        Sheet("agreed", ("on", "what", "with", "by", "who"), [agreed(each) for each in content["agreed"]]),
        Sheet("settings", ("setting", "value"), settings(content)),
    ]
    if content["restated"]:
        sheets.insert(0, Sheet("changed", ("figure", "was", "is now"), changed(content)))
        sheets.insert(1, Sheet("changed by", ("number", "trailer", "is", "what", "pieces"), changed_by(content)))
    return workbook_bytes(
        sheets,
        title=pdf.title(content),
        zone=clock.zone(content["site"]["time_zone"]),
        created=datetime.fromisoformat(content["made"]["at"]),
    )


def in_order(kinds):
    """Kinds in the order of their columns: a database may give the keys of what is frozen in an order of its own."""
    return [kind for kind in COUNTS if kind in kinds]


def verdicts(content):
    for each in content["verdicts"]:
        low, high = each["interval"] or (None, None)
        yield each["events"], each["label"], low, high, " ".join(each["sentences"])


def month_rows(content):
    for row in content["months"]:
        counts = [row[name] for name in COUNTS]
        yield [date.fromisoformat(row["month"]), row["trailers"], row["listed"], row["received"], *counts]


TRAILERS = (
    "number",
    "trailer",
    "released",
    "in the month",
    "listed",
    "received",
    *COUNTS,
    "minutes after the appointment",
    "seal exception",
)


def trailer_row(row):
    return [
        row["number"],
        row["trailer"],
        date.fromisoformat(row["released"]),
        row["in_month"],
        *(row[name] for name in ("listed", "received", *COUNTS)),
        row["minutes_late"],
        row["seal_exception"],
    ]


PIECES = (
    "piece",
    "counts as",
    "trailer",
    "in the month",
    "pieces",
    "label",
    "damage",
    "extent",
    "where found",
    "found",
)


def piece_row(row):
    return [
        row["number"],
        row["kind"],
        row["trailer"],
        row["in_month"],
        row["quantity"],
        row["label"],
        ", ".join(row["codes"]),
        row["extent"],
        row["where"],
        datetime.fromisoformat(row["found"]),
    ]


COMPARED = (
    "event",
    "carrier",
    "trailers",
    "trailers with any",
    "cartons",
    "events",
    "most in one trailer",
    "usual",
    "batching factor",
    "low per 1,000",
    "high per 1,000",
)


def compared(content):
    """Every carrier that the verdicts were made among, in the order of the list; ranges above the floor only."""
    for kind in in_order(content["comparisons"]):
        for each in content["comparisons"][kind]["carriers"]:
            sums = each["sums"]
            cartons = sum(sums["cartons"].values())
            name = content["carrier"]["name"] if each["key"] == content["carrier"]["key"] else "another carrier"
            yield [
                kind,
                name,
                sums["k"],
                sums["m"],
                cartons,
                sum(sums["events"].values()),
                sums["xmax"],
                each["expected"],
                each["phi"],
                *ends(each, sums["k"], cartons, content["settings"]["min_trailers"]),
            ]


def ends(each, trailers, cartons, least):
    if trailers < least or each["interval"] is None or not cartons:
        return None, None
    return tuple(1000 * end / cartons for end in each["interval"])


SUMS = ("months", "event", "freight", "cartons", "events", "sum of x n")


def sums(content):
    """This carrier's sums by class of freight, and over all of it k, m, most in one trailer, sum of squares."""
    for scope in SCOPES:
        kinds = content["sums"][scope]
        for kind in in_order(kinds):
            found = kinds[kind]
            for name, cartons in sorted(found["cartons"].items()):
                words = content["strata"].get(name, name)
                yield [scope, kind, words, cartons, found["events"].get(name, 0), found["crossed"].get(name, 0)]
            for name, words in WHOLE.items():
                yield [scope, kind, words, None, found[name], None]


WHOLE = {
    "k": "trailers",
    "m": "trailers with any",
    "xmax": "most in one trailer",
    "sxx": "sum of squares of events by trailer",
}


def agreed(each):
    return [as_date(each["on"]), each["text"], each["with"], as_date(each["by_when"]), each["who"]]


def settings(content):
    made = content["made"]
    yield "card", pdf.name_of(content)
    yield "issued", datetime.fromisoformat(made["at"])
    yield "by", made["by"]
    yield "site", content["site"]["name"]
    yield "month", content["month"]["words"]
    yield "verdicts on", content["month"]["year_words"]
    yield "method", content["method"]
    yield from sorted(content["settings"].items())
    for head in made["log"].get("heads", []):
        yield f"log entry, {head['site']}", head["seq"]
        yield f"log hash, {head['site']}", head["hash"]
    if made["log"]["seq"] is not None:
        yield "log entry", made["log"]["seq"]
    yield "log hash", made["log"]["hash"]


def changed(content):
    yield f"takes the place of {content['restated']['number']}", content["restated"]["day"], content["made"]["day"]
    for each in content["restated"]["changes"]:
        yield each["words"], each["was"], each["now"]


def changed_by(content):
    """The trailers that made the difference, all of them; none are known of a card that was issued without them."""
    for each in content["restated"].get("sources", []):
        yield each["number"], each["trailer"], each["state"], each["words"], "; ".join(each["pieces"])
