"""The packet as one PDF, and that PDF in parts for e-mail.

Everything comes from the frozen content, the printed pictures and the uploaded papers. Pages of an uploaded PDF are
laid into numbered pages of ours, so that "page 31 of 57" and every page number in the text count them too.

A packet without such pages is made as PDF/A-3a. Pages of other PDFs may use what PDF/A forbids, and nothing here could
repair that without changing what a stranger wrote: such a packet is tagged, bookmarked and self-contained, but claims
no PDF/A, and says so on its last page. The papers themselves are in the archive as they came.
"""

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from django.template.loader import render_to_string
from django.utils import translation

from claims.packet.tables import schedule_csv
from receiving import evidence, sheet
from receiving.documents import pages, pdf

HERE = Path(__file__).parent
CSS = (pdf.PRINT_CSS, HERE / "packet.css")


@dataclass(frozen=True)
class Paged:
    """One page of an uploaded document: where its picture is, and whether it lies on its side."""

    address: str
    number: int
    wide: bool


def packet_pdf(content, pictures, papers, *, laid_out=None):
    """The PDF of a packet's content.

    pictures -- {"photo:<uuid>" or "document:<n>:1": path of the JPEG to print}
    papers -- {n: open file} of the uploaded PDFs, by their number in the packet
    laid_out -- told the number of each page that is laid out
    Raises documents.pdf.DocumentNotMade.
    """
    made, said = content["made"], content["said"]
    sizes = {number: pages.sizes(file, name_of(said, number)) for number, file in papers.items()}
    places = [place(number, page) for number, found in sizes.items() for page in range(len(found))]
    stand_ins = {each.address: pages.stand_in(*sizes[int(each.source)][each.number]) for each in places}
    with translation.override("en"):
        html = render_to_string("claims/packet/packet.html", context(content, sizes))
    canonical = evidence.canonical(content)
    document = pdf.render_pdf(
        html,
        title=title(content),
        created=datetime.fromisoformat(made["at"]),
        identifier=bytes.fromhex(evidence.sha256(canonical)[:32]),
        css=(*CSS, wide_pages(said["site"]["paper"])),
        paper=said["site"]["paper"],
        pictures={**pictures, **stand_ins},
        variant=None if places else "pdf/a-3a",
        attachments=[
            pdf.Attachment("claim.json", canonical.encode(), "Everything this packet prints"),
            pdf.Attachment("schedule.csv", schedule_csv(content), "The schedule of the claim"),
        ],
        laid_out=laid_out,
    )
    return (
        pages.lay_in(document, places, {str(number): file for number, file in papers.items()}) if places else document
    )


def place(number, page):
    return pages.Place(f"document:{number}:{page + 1}", str(number), page)


def name_of(said, number):
    return next(each["name"] for each in said["documents"] if each["n"] == number)


def title(content):
    kind = "Hand-over" if content["said"]["claim"]["handover"] else "Claim"
    return f"{kind} {content['said']['claim']['number']}, packet {content['made']['number']}"


def wide_pages(paper):
    return f"@page wide {{ size: {pdf.PAPERS[paper]} landscape }}"


# -- what the template is given ----------------------------------------------------------------------------------------


def anchor(key):
    """`piece:P-12` -> k-piece-P-12, as addresses inside the document want it."""
    return "k-" + re.sub(r"[^A-Za-z0-9]+", "-", key)


def context(content, sizes):
    said = content["said"]
    digest = evidence.sha256(evidence.canonical(content))
    documents = [document(each, sizes) for each in said["documents"]]
    anchors = there(said)
    delivery = said["delivery"]
    return {
        "c": said,
        "made": content["made"],
        "digest": digest,
        "title": title(content),
        "record": f"{said['claim']['number']}/{content['made']['number']}",
        "documents": documents,
        "damaged": [piece(each) for each in said["pieces"] if not each["lost"]],
        "lost": [piece(each) for each in said["pieces"] if each["lost"]],
        "statements": [each | {"anchor": anchor(each["key"])} for each in said["statements"]],
        "notices": [each | {"anchor": anchor(f"letter:{each['number']}")} for each in said["notices"]],
        "refusals": [answer(each, anchors) for each in said["refusals"]],
        "frame": sheet.frame(delivery["strokes"]) if delivery else "",
        "files": list(files(content)),
        "labelled": not sizes,
    }


def piece(each):
    return each | {"anchor": anchor(f"piece:{each['number']}")}


def document(each, sizes):
    count = each["pages"]
    if each["is_pdf"]:
        found = sizes[each["n"]]
        shown = [Paged(f"document:{each['n']}:{n}", n, width > height) for n, (width, height) in enumerate(found, 1)]
        count = len(found)
    else:
        shown = [Paged(f"document:{each['n']}:1", 1, False)]
    return each | {"anchor": anchor(each["key"]), "shown": shown, "count": count}


SECTIONS = {
    "letter": "the letter",
    "schedule": "schedule",
    "working": "working",
    "trailer": "trailer",
    "seals": "seals",
    "count": "count",
    "sheet": "what was noted and signed",
    "dates": "dates",
    "terms": "terms",
}


def there(said):
    """{key: words} of everything in the packet that an answer may point at."""
    found = dict(SECTIONS)
    found |= {f"piece:{each['number']}": each["number"] for each in said["pieces"]}
    found |= {f"photos:{each['number']}": each["number"] for each in said["pieces"]}
    found |= {f"inspection:{each['number']}": each["number"] for each in said["pieces"]}
    found |= {each["key"]: f"document {each['n']}" for each in said["documents"]}
    found |= {each["key"]: "statement" for each in said["statements"]}
    found |= {f"letter:{each['number']}": f"notice {each['number']}" for each in said["notices"]}
    return found


MOST_LINKS = 8
PIECE_PARTS = re.compile(r"(photos|inspection):")


def answer(entry, anchors):
    """An answer with its addresses; a page named twice is named once, one that is not in the packet not at all."""
    links = {anchor(PIECE_PARTS.sub("piece:", key)): anchors[key] for key in entry["keys"] if key in anchors}
    shown = [{"href": f"#{where}", "words": words} for where, words in links.items()]
    return entry | {"links": shown[:MOST_LINKS], "more": len(shown[MOST_LINKS:])}


def photos(said):
    """Every photo of a content in the order of the packet."""
    delivery = said["delivery"] or {"receipt_photos": []}
    yield from said["trailer"]["seal_photos"]
    yield from said["trailer"]["photos"]
    yield from said["trailer"]["sheet_photos"]
    yield from delivery["receipt_photos"]
    for piece in said["pieces"]:
        yield from piece["photos"]


def files(content):
    """{name, what, size, sha256} of every file of the archive that is not the PDF itself; erased ones are told of."""
    said, made = content["said"], content["made"]
    for photo in photos(said):
        what = f"{photo['name']}, erased: {photo['erased']}" if photo["erased"] else photo["name"]
        yield filed(photo, what, photo["size"])
    for each in said["documents"]:
        yield filed(each, f"document {each['n']}, {each['words']}", each["size"])
    if sheet := said["delivery"]:
        yield filed(sheet, f"exception sheet {sheet['sheet']}", made["sizes"][sheet["archive"]])
    for each in said["notices"]:
        if each["pdf"]:
            yield filed(each, f"notice {each['number']}", made["sizes"][each["archive"]])
    if listed := said["count"]["list"]:
        yield filed(listed, f"load list of {listed['rows']} rows, as it came", listed["size"])
    yield {"what": "schedule, pieces, photos, dates and working as a workbook", **made["workbook"]}


def filed(each, what, size):
    return {"name": each["archive"], "what": what, "size": size, "sha256": each["sha256"]}
