"""A card as a PDF of two pages: the verdict first, then what it rests on. Made from the frozen content alone.

What is long is cut by what the two pages have room for, the same way each time; the workbook leaves nothing out.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.template.loader import render_to_string
from django.utils import translation
from django.utils.translation import gettext as _

from claims.enums import ALL
from claims.scorecard.compare import Verdict
from receiving import evidence
from receiving.documents import pages, pdf
from receiving.refusals import Refused

CSS = (pdf.PRINT_CSS, Path(__file__).parent / "card.css")
PAGES = 2
ACCUSING = {Verdict.WORSE, Verdict.WATCH, Verdict.ONE_TRAILER}


@dataclass(frozen=True)
class Room:
    """How many of what the two pages hold; `size` is how large letters and pictures are, `rates` how high the chart of
    the rates may be and `months` how wide that of the months, in mm."""

    size: str
    rates: int
    months: int
    whose: int
    trailers: int
    numbers: int
    agreed: int
    changes: int
    sources: int
    letters: int


# From what fits nearly every card to what fits any.
ROOMS = (
    Room("roomy", 100, 138, 4, 5, 5, 3, 6, 10, 160),
    Room("close", 84, 106, 3, 3, 3, 2, 4, 5, 100),
    Room("tight", 66, 112, 4, 4, 1, 1, 2, 2, 300),
    Room("tight", 66, 112, 2, 2, 1, 1, 2, 2, 60),
)
WIDEST = 152


def card_pdf(content, pictures) -> bytes:
    """The PDF of a card's content.

    pictures -- {"photo:<uuid>": JPEG bytes of every picture that it shows}
    Raises documents.pdf.DocumentNotMade, and Refused where nothing makes two pages of it.
    """
    # Pictures and agreements together never fit the first: it is not tried, a round costs a second.
    for room in ROOMS[1:] if pictures and content["agreed"] else ROOMS:
        document = drawn(content, pictures, room)
        if pages.count(document) == PAGES:
            return document
    raise Refused(_("The card does not fit on two pages. Tell whoever looks after the server."), code="card_too_long")


def drawn(content, pictures, room):
    canonical = evidence.canonical(content)
    digest = evidence.sha256(canonical)
    with translation.override("en"):
        html = render_to_string("claims/scorecard/card_pdf.html", context(content, digest, room))
    return pdf.render_pdf(
        html,
        title=title(content),
        created=datetime.fromisoformat(content["made"]["at"]),
        identifier=bytes.fromhex(digest[:32]),
        css=(*CSS, chart_sizes(content, room)),
        paper=content["site"]["paper"],
        pictures=pictures,
    )


def chart_sizes(content, room):
    """CSS that gives the charts their room."""
    rates = content["drawings"]["rates"]
    width = min(WIDEST, round(room.rates * rates["width"] / rates["height"])) if rates else WIDEST
    return f".rates > svg {{ width: {width}mm; height: auto }} .months > svg {{ width: {room.months}mm; height: auto }}"


def name_of(content):
    """`S-0012`; `SA-0012` over all sites"""
    series = "SA" if content["site"]["code"] == ALL else "S"
    return f"{series}-{content['made']['number']:04d}"


def title(content):
    return f"Scorecard {name_of(content)}, {content['carrier']['name']}, {content['month']['words']}"


def context(content, digest, room):
    first, *others = content["verdicts"]
    restated = content["restated"] or {}
    changed, sources = restated.get("changes", []), restated.get("sources", [])
    return {
        "c": content,
        "made": content["made"],
        "digest": digest,
        "record": name_of(content),
        "title": title(content),
        "room": room,
        "verdict": first | {"judged": is_judged(first), "accuses": first["verdict"] in ACCUSING},
        "others": others,
        "rates": content["drawings"]["rates"],
        "months": content["drawings"]["months"],
        "trailers": [trailer(row, content["pieces"], room) for row in worst(content["trailers"])[: room.trailers]],
        "more_trailers": max(len(worst(content["trailers"])) - room.trailers, 0),
        "shown": any(row["marked"] for row in (content["drawings"]["rates"] or {"rows": []})["rows"]),
        "whose": content["beside"]["year"]["whose"][: room.whose],
        "agreed": content["agreed"][: room.agreed],
        "more_agreed": max(len(content["agreed"]) - room.agreed, 0),
        "changes": changed[: room.changes],
        "more_changes": max(len(changed) - room.changes, 0),
        "sources": [source(each, room) for each in sources[: room.sources]],
        "more_sources": max(len(sources) - room.sources, 0),
        "pictured": [each for each in content["damage"] if each["picture"]],
    }


def is_judged(verdict):
    return verdict["verdict"] not in (Verdict.TOO_LITTLE_DATA, Verdict.NO_COMPARISON)


def worst(trailers):
    return [row for row in trailers if row["damaged"] or row["short"] or row["over"]]


def trailer(row, pieces, room):
    """A trailer with the numbers of its pieces, as many as there is room for."""
    numbers = sorted({piece["number"] for piece in pieces if piece["trailer"] == row["number"]}, key=piece_order)
    return row | {"pieces": numbers[: room.numbers], "more": max(len(numbers) - room.numbers, 0)}


def source(row, room):
    """A trailer that made a difference, with as many of its pieces as there is room for."""
    return row | {"pieces": row["pieces"][: room.numbers], "more": max(len(row["pieces"]) - room.numbers, 0)}


def piece_order(number):
    return len(number), number
