"""A packet in parts for e-mail, and pages of other PDFs laid into ours."""

import hashlib
from io import BytesIO

import pikepdf
import pytest
from pypdf import PdfReader

from claims.packet.parts import grouped, parts
from receiving.documents import pages
from receiving.documents.pdf import DocumentNotMade, render_pdf
from receiving.refusals import Refused
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim
from tests.claims.packets import make_packet, make_packet_row, make_pdf, make_picture

MB = 1_000_000


def pictured(count, side=1600):
    """A PDF of one picture a page, each its own."""
    pictures = {f"photo:{n}": make_picture(f"picture {n}", (side, side * 3 // 4)) for n in range(count)}
    body = "".join(
        f"<p style='break-before: page'>Page of picture {n}</p><img src='photo:{n}' alt='{n}' style='width: 100%'>"
        for n in range(count)
    )
    html = f"<html lang='en'><head><title>x</title></head><body>{body}</body></html>"
    return render_pdf(html, title="Pictures", created=NOON, pictures=pictures)


def text_of(data):
    return [" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(data)).pages]


@pytest.fixture
def claim(db):
    site = make_site()
    return make_claim(site, actor=make_person("clerk", site))


def packet_of(claim, data, archive=b"x" * 4 * MB):
    packet = make_packet_row(claim, actor=claim.opened_by, pdf=data, zip=archive)
    packet.pages = len(PdfReader(BytesIO(data)).pages)
    packet.content = {
        "said": {
            "site": {"paper": "letter", "name": "Dock"},
            "claim": {"number": str(claim), "handover": False, "claimant": "Juniper"},
        },
        "made": {"number": 1, "at": NOON.isoformat(), "moment": "Mon 2 Mar 2026, 12:00 CST"},
    }
    return packet


# --- parts ------------------------------------------------------------------------------------------------------------


def test_a_packet_that_fits_goes_whole_with_its_archive(claim):
    packet = packet_of(claim, make_pdf("one", "two"), archive=b"small")
    first, second = parts(packet, MB)
    assert (first.number, first.of, first.name, first.first, first.last) == (1, 2, "NOR-26-0001-packet-1.pdf", 1, 2)
    assert hashlib.sha256(first.data).hexdigest() == packet.pdf_sha256
    assert (second.words, second.name, second.data) == ("part 2 of 2", "NOR-26-0001-packet-1.zip", b"small")


def test_an_archive_that_is_too_large_stays_behind(claim):
    assert [part.name for part in parts(packet_of(claim, make_pdf("one")), MB)] == ["NOR-26-0001-packet-1.pdf"]


def test_a_large_packet_is_cut_at_page_ends_behind_title_pages(claim):
    data = pictured(6)
    packet = packet_of(claim, data)
    limit = len(data) // 2
    found = parts(packet, limit)
    assert len(found) >= 3 and all(len(part.data) <= limit for part in found)
    assert [(part.number, part.of) for part in found] == [(n, len(found)) for n in range(1, len(found) + 1)]
    assert [page for part in found for page in range(part.first, part.last + 1)] == [*range(1, packet.pages + 1)]
    whole = text_of(data)
    for part in found:
        title, *rest = text_of(part.data)
        assert f"Part {part.number} of {part.of}" in title and packet.pdf_sha256 in title.replace(" ", "")
        assert rest == whole[part.first - 1 : part.last]


def test_the_pictures_of_a_part_are_those_of_its_pages_unchanged(claim):
    def pictures(data):
        found = {}
        for number, page in enumerate(PdfReader(BytesIO(data)).pages):
            content = page.get_contents().get_data()
            for name, each in page["/Resources"].get("/XObject", {}).items():
                if name.encode() in content:
                    found.setdefault(number, set()).add(hashlib.sha256(each.get_object()._data).hexdigest())
        return found

    data = pictured(6)
    whole = pictures(data)
    for part in parts(packet_of(claim, data), len(data) // 2):
        assert list(pictures(part.data).values()) == [
            whole[number - 1] for number in range(part.first, part.last + 1) if number - 1 in whole
        ]


def test_parts_are_the_same_bytes_each_time(claim):
    packet = packet_of(claim, pictured(4))
    once, again = (parts(packet, 400_000) for _ in range(2))
    assert len(once) > 1 and once == again


def test_a_page_that_is_larger_than_a_part_is_named(claim):
    packet = packet_of(claim, pictured(2, side=3600))
    with pytest.raises(Refused, match=r"Page [12] alone is larger"):
        parts(packet, 300_000)


def test_a_limit_that_no_title_page_fits_is_refused(claim):
    with pytest.raises(Refused, match="cannot be smaller than 250 kB"):
        parts(packet_of(claim, make_pdf("one")), 100)


def test_a_packet_that_was_altered_is_not_sent(claim):
    packet = packet_of(claim, make_pdf("one"))
    packet.pdf_sha256 = "0" * 64
    with pytest.raises(Refused, match="not the one that was frozen"):
        parts(packet, MB)


@pytest.mark.django_db
def test_a_real_packet_is_cut(claim):
    packet = make_packet(claim, actor=claim.opened_by)
    (whole,) = [part for part in parts(packet, 20 * MB) if part.name.endswith("pdf")]
    assert whole.last == packet.pages


@pytest.mark.parametrize(
    ("weights", "room", "expected"),
    [
        ([1, 1, 1], 3, [(1, 3)]),
        ([2, 2, 2], 3, [(1, 1), (2, 2), (3, 3)]),
        ([1, 2, 3, 1], 3, [(1, 2), (3, 3), (4, 4)]),
        ([9], 3, [(1, 1)]),
        ([9, 1, 1], 3, [(1, 1), (2, 3)]),
    ],
)
def test_pages_are_taken_together_while_there_is_room(weights, room, expected):
    assert grouped(weights, room) == expected


# --- pages of others --------------------------------------------------------------------------------------------------


def framed(sources):
    """A document of ours with a place for every page of these PDFs, and the places."""
    sizes = {name: pages.sizes(data, name) for name, data in sources.items()}
    places = [pages.Place(f"paper:{name}:{n}", name, n) for name, found in sizes.items() for n in range(len(found))]
    body = "".join(
        f"<p style='break-before: page'>Ours {place.address}</p>"
        f"<img src='{place.address}' alt='{place.address}' style='width: 150mm; height: 200mm; object-fit: contain'>"
        for place in places
    )
    html = f"<html lang='en'><head><title>x</title></head><body><p>First</p>{body}</body></html>"
    stand_ins = {place.address: pages.stand_in(*sizes[place.source][place.number]) for place in places}
    document = render_pdf(html, title="Frame", created=NOON, pictures=stand_ins, variant=None)
    return pages.lay_in(document, places, sources)


def test_each_page_lands_in_its_own_place():
    found = text_of(framed({"a": make_pdf("Alpha one", "Alpha two"), "b": make_pdf("Beta")}))
    expected = ["Ours paper:a:0 Alpha one", "Ours paper:a:1 Alpha two", "Ours paper:b:0 Beta"]
    assert [words for words, text in zip(expected, found[1:], strict=True) if words in text] == expected


def test_the_same_pages_give_the_same_bytes():
    source = make_pdf("Alpha")
    assert framed({"a": source}) == framed({"a": source})


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_a_page_keeps_its_turn_and_its_proportions(turn):
    with pikepdf.open(BytesIO(make_pdf("Alpha"))) as pdf:
        pdf.pages[0].Rotate = turn
        turned = BytesIO()
        pdf.save(turned)
    (size,) = pages.sizes(turned.getvalue(), "a")
    assert size == ((612, 792) if turn in (0, 180) else (792, 612))
    assert "Alpha" in text_of(framed({"a": turned.getvalue()}))[1]


def begun_elsewhere():
    """A page whose lower left corner is not at nought."""
    with pikepdf.open(BytesIO(make_pdf("Alpha"))) as pdf:
        pdf.pages[0].MediaBox = [-100, -50, 200, 350]
        del pdf.pages[0].TrimBox, pdf.pages[0].BleedBox
        moved = BytesIO()
        pdf.save(moved)
    return moved.getvalue()


def test_a_page_that_begins_elsewhere_than_at_nought_fills_its_place():
    assert pages.sizes(begun_elsewhere(), "a") == [(300, 400)]
    with pikepdf.open(BytesIO(framed({"a": begun_elsewhere()}))) as pdf:
        drawings = pdf.pages[0].Resources.XObject.values()
        (laid,) = [each for each in drawings if each.Subtype == pikepdf.Name.Form and "/P" in each.Resources.XObject]
        a, b, c, d, e, f = map(float, laid.read_bytes().split()[1:7])
        left, bottom, right, top = map(float, laid.Resources.XObject.P.BBox)
    corners = [(a * x + c * y + e, b * x + d * y + f) for x, y in ((left, bottom), (right, top))]
    assert corners == [pytest.approx((0, 0), abs=1e-6), pytest.approx((1, 1), abs=1e-6)]


def filled_form():
    """A form with one field filled in and no picture of it kept, as many programs leave it."""
    with pikepdf.open(BytesIO(make_pdf("Delivered to"))) as pdf:
        field = pdf.make_indirect(
            pikepdf.Dictionary(
                Type=pikepdf.Name.Annot,
                Subtype=pikepdf.Name.Widget,
                FT=pikepdf.Name.Tx,
                T="consignee",
                V="Juniper Home",
                DA="/Helv 12 Tf 0 g",
                Rect=[100, 600, 300, 620],
                F=4,
            )
        )
        pdf.pages[0].Annots = pdf.make_indirect(pikepdf.Array([field]))
        font = pikepdf.Dictionary(Type=pikepdf.Name.Font, Subtype=pikepdf.Name.Type1, BaseFont=pikepdf.Name.Helvetica)
        pdf.Root.AcroForm = pikepdf.Dictionary(
            Fields=[field], NeedAppearances=True, DR=pikepdf.Dictionary(Font=pikepdf.Dictionary(Helv=font))
        )
        out = BytesIO()
        pdf.save(out)
    return out.getvalue()


def test_what_was_typed_into_a_form_is_printed():
    assert "Juniper Home" in text_of(framed({"a": filled_form()}))[1]


def test_what_is_no_pdf_is_named():
    with pytest.raises(DocumentNotMade, match=r"invoice.pdf is no PDF"):
        pages.sizes(b"%PDF-1.7 and nothing else", "invoice.pdf")


def test_a_page_without_its_place_is_not_left_out_silently():
    document = make_pdf("nothing here")
    with pytest.raises(DocumentNotMade):
        pages.lay_in(document, [pages.Place("a:0", "a", 0)], {"a": make_pdf("Alpha")})
