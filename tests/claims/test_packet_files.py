"""One packet with everything in it, its three files opened by other people's tools."""

import csv
import hashlib
import json
import re
import subprocess
import zipfile
from datetime import date, datetime
from io import BytesIO, StringIO

import pytest
from django.db import transaction
from openpyxl import load_workbook
from pypdf import PdfReader

from claims.packet import building, pdf, workbook
from receiving import evidence
from receiving.models import Photo
from tests.builders import make_person, make_site
from tests.claims.packets import (
    LIST,
    content_of,
    make_document,
    make_list,
    make_packet,
    make_pdf,
    make_picture,
    make_proved,
)

# The mark makes the test database; the packet is made once, outside the single tests.
pytestmark = pytest.mark.django_db
EVIL = '=HYPERLINK("http://evil.example")'


class Made:
    def __init__(self):
        site = make_site(name="Northgate Dock")
        clerk = make_person("clerk", site, first_name="Ines", last_name="Calder")
        self.claim = make_proved(site, actor=clerk, description="Table lamp <b>oak</b> & “shade”", shipper=EVIL)
        make_list(self.claim.shipment, actor=clerk)
        self.papers = {
            "invoice.pdf": make_pdf("Invoice 4711 page one", "Invoice 4711 page two"),
            "tally «odd».pdf": make_pdf("A wide tally", css="@page { size: letter landscape !important }"),
            "receipt.jpg": make_picture("receipt", (1000, 1500)),
        }
        for name, kind in [
            ("invoice.pdf", "invoice"),
            ("tally «odd».pdf", "origin_proof"),
            ("receipt.jpg", "freight_bill"),
        ]:
            make_document(self.claim, self.papers[name], actor=clerk, kind=kind, name=name, note=EVIL)
        self.heard = []
        self.packet = make_packet(self.claim, actor=clerk, progress=lambda *told: self.heard.append(told))
        self.files = {kind: content_of(self.packet, kind) for kind in ("pdf", "xlsx", "zip")}
        self.reader = PdfReader(BytesIO(self.files["pdf"]))
        self.texts = [" ".join(page.extract_text().split()) for page in self.reader.pages]

    def page_of(self, words):
        """The number of the first page behind the contents with these words."""
        return next(n for n, text in enumerate(self.texts, 1) if n != 2 and words in text)


@pytest.fixture(scope="module")
def made(django_db_setup, django_db_blocker):
    with django_db_blocker.unblock(), transaction.atomic():
        yield Made()
        transaction.set_rollback(True)


# --- the PDF ----------------------------------------------------------------------------------------------------------


def test_the_letter_identifies_the_shipment_asserts_liability_and_demands_an_amount(made):
    letter = made.texts[0]
    assert "Cedar Line Freight (ZZCL) Claims department 12 Rail Yard Dry Creek, TX 79000" in letter
    assert made.claim.shipment.bill_number in letter and made.claim.shipment.pro_number in letter
    assert "We hold Cedar Line Freight liable" in letter
    assert "We demand payment of USD 375.00" in letter
    assert "Robin Vale for Juniper Home Stores" in letter


def test_the_letter_names_where_to_answer_and_leaves_no_line_unsigned(made):
    letter = made.texts[0]
    assert "1 Juniper Way claims@juniper.example 555-0190" in letter
    where = "by e-mail at claims@juniper.example, by phone at 555-0190 and by post at the address above."
    assert f"Your answer reaches us {where}" in letter
    assert "put together by Ines Calder at Northgate Dock" in letter
    assert not any("signed by Robin Vale" in text for text in made.texts)


def test_every_page_says_which_it_is_of_how_many(made):
    count = len(made.reader.pages)
    assert made.packet.pages == count
    assert all(f"Page {n} of {count}" in text for n, text in enumerate(made.texts, 1))


def test_text_from_outside_is_printed_as_text(made):
    assert any("Table lamp <b>oak</b> & “shade”" in text for text in made.texts)
    assert EVIL in made.texts[0]


def test_the_table_of_contents_names_the_right_pages(made):
    # Looked up by a heading's words, which the contents, on page 2, have as well.
    for words, heading in {
        "Schedule": "Schedule Line Piece, loss",
        "The trailer: seals, times, people": "The trailer Record NOR T-1",
        "The pieces": "The pieces P-1, line 1: damaged",
        "Document 2: invoice": "Document 2: invoice, invoice.pdf, its page 1 of 2",
        "Every file with its SHA-256, and how to check it": "File in the archive What it is",
    }.items():
        listed = re.search(re.escape(words) + r"[ .]*?(\d+)(?= |$)", made.texts[1])
        assert listed and int(listed[1]) == made.page_of(heading), words


def test_usual_refusals_name_the_page_that_answers_or_say_that_there_is_no_record(made):
    number = made.page_of("Usual refusals, and where they are answered")
    text = " ".join(made.texts[number - 1 : number + 1])
    assert f"what was noted and signed, p. {made.page_of('Noted on the receipt')}" in text
    assert f"document 3, p. {made.page_of('A wide tally')}" in text
    assert "Packed badly No record in this packet." in text
    said = json.dumps(made.packet.content["said"])
    assert not [words for words in ("Nothing in this", "Not uploaded", "no exception sheet yet") if words in said]


def test_pages_of_uploaded_documents_stand_in_their_numbered_place(made):
    first = made.page_of("Invoice 4711 page one")
    assert "Document 2: invoice, invoice.pdf, its page 1 of 2" in made.texts[first - 1]
    assert "Invoice 4711 page two" in made.texts[first]
    wide = made.reader.pages[made.page_of("A wide tally") - 1].mediabox
    assert wide.width > wide.height


def test_it_is_bookmarked_section_by_section(made):
    def titles(outline):
        for each in outline:
            yield from titles(each) if isinstance(each, list) else [each.title]

    found = list(titles(made.reader.outline))
    assert {"Schedule", "The trailer", "The count", "The pieces"} <= set(found)
    assert [title for title in found if title.startswith("Document ")][0].startswith("Document 1: freight bill")
    assert found[-2].startswith("Every file")


def test_claim_and_schedule_are_embedded(made):
    embedded = {name: files[0] for name, files in made.reader.attachments.items()}
    assert embedded["claim.json"] == evidence.canonical(made.packet.content).encode()
    assert hashlib.sha256(embedded["claim.json"]).hexdigest() == made.packet.content_sha256
    rows = list(csv.DictReader(StringIO(embedded["schedule.csv"].decode("utf-8-sig"))))
    assert [row["amount"] for row in rows] == ["125.00"] * 3
    assert json.loads(embedded["claim.json"])["said"]["claim"]["number"] == "NOR-26-0001"


def test_its_pictures_are_the_recorded_print_copies_to_the_byte(made):
    pictures = {
        hashlib.sha256(found.get_object()._data).hexdigest()
        for found in made.reader.pages[0]["/Resources"]["/XObject"].values()
        if found.get_object()["/Subtype"] == "/Image"
    }
    prints = made.packet.content["made"]["prints"]
    assert pictures == set(prints.values())
    assert {f"photo:{photo.uuid}" for photo in Photo.objects.all()} < set(prints)


def test_it_is_tagged_and_makes_no_claim_to_be_pdf_a_with_strangers_pages_in_it(made):
    root = made.reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and "/StructTreeRoot" in root and root["/Lang"] == "en"
    assert "/Metadata" not in root or b"pdfaid" not in root["/Metadata"].get_data()
    assert "It does not claim to be PDF/A" in made.texts[-1]


def test_a_picture_of_a_page_is_named_for_readers_who_do_not_see_it(made):
    def alternatives(node):
        node = node.get_object()
        if isinstance(node, dict):
            yield from [node["/Alt"]] if "/Alt" in node else []
            children = node.get("/K", [])
            for child in children if isinstance(children, list) else [children]:
                yield from alternatives(child)

    found = list(alternatives(made.reader.trailer["/Root"]["/StructTreeRoot"]))
    assert "Document 2, invoice, page 2 of 2" in found
    assert "photo 1 of P-1: the piece, Corner pushed in" in found


def test_the_last_page_lists_every_file_and_the_head_of_the_log(made):
    last = made.texts[-1]
    for photo in Photo.objects.all():
        assert photo.sha256 in last
    for data in made.papers.values():
        assert hashlib.sha256(data).hexdigest() in last
    assert made.packet.content_sha256 in last and made.packet.log_head in last
    assert "sha256sum -c SHA256SUMS" in last


def test_the_list_of_files_is_the_archive_to_the_byte(made):
    """Each file with its name, its size and its hash; only the PDF cannot name itself."""
    with zipfile.ZipFile(BytesIO(made.files["zip"])) as archive:
        held = {entry.filename: archive.read(entry) for entry in archive.infolist()}
    own = {"SHA256SUMS", f"{made.claim}-packet-1.pdf"}
    listed = {each["name"]: each for each in pdf.files(made.packet.content)}
    assert set(held) - own == set(listed)
    last = "".join(made.texts[made.page_of("File in the archive What it is") - 1 :]).replace(" ", "")
    for name, each in listed.items():
        assert (each["size"], each["sha256"]) == (len(held[name]), hashlib.sha256(held[name]).hexdigest())
        assert f"{each['size']:,}{each['sha256']}" in last, name
    assert {"list", "sheet", "photos", "documents"} <= {name.partition("/")[0] for name in listed}


# --- the workbook -----------------------------------------------------------------------------------------------------


def test_the_workbook_holds_schedule_pieces_photos_dates_and_working(made):
    book = load_workbook(BytesIO(made.files["xlsx"]))
    assert book.sheetnames == ["schedule", "pieces", "photos", "dates", "working"]
    rows = list(book["schedule"].iter_rows(values_only=True))
    assert rows[0][0] == "line" and rows[1][1] == "P-1"
    amount = rows[0].index("amount")
    assert [row[amount] for row in rows[1:]] == [125, 125, 125, 375]
    label = rows[0].index("label")
    assert all(isinstance(row[label], str) and len(row[label]) == 18 for row in rows[1:4])
    hashes = [row[9] for row in book["photos"].iter_rows(min_row=2, values_only=True)]
    assert sorted(hashes) == sorted(Photo.objects.values_list("sha256", flat=True))


def column(sheet, heading):
    rows = list(sheet.iter_rows())
    place = [cell.value for cell in rows[0]].index(heading)
    return [row[place] for row in rows[1:]]


def test_the_workbook_holds_days_and_moments_as_dates_and_weights_as_numbers(made):
    book = load_workbook(BytesIO(made.files["xlsx"]))
    weights = column(book["schedule"], "weight")[:3]
    assert [cell.value for cell in weights] == [20, 20, 20]
    assert [cell.value for cell in column(book["schedule"], "weight unit")[:3]] == ["lb"] * 3
    moments = [*column(book["pieces"], "found"), *column(book["pieces"], "written down")]
    moments += column(book["photos"], "received")
    assert {cell.value for cell in moments} == {datetime.fromisoformat("2026-03-02T12:00")}
    assert {cell.number_format for cell in moments} == {'yyyy-mm-dd hh:mm "CST"'}


@pytest.mark.parametrize(("text", "value"), [("Mon 2 Mar 2026", date(2026, 3, 2)), ("done", "done"), ("", "")])
def test_a_last_day_is_a_date_and_other_words_stay(text, value):
    given = {"what": "file", "lines": "", "by": text, "words": "", "source": ""}
    assert workbook.date_row(given)[2] == value


def test_the_workbook_holds_no_formula(made):
    book = load_workbook(BytesIO(made.files["xlsx"]))
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert len(cells) > 50 and not [cell for cell in cells if cell.data_type == "f"]


def test_the_steps_of_the_working_add_up_to_the_amount(made):
    rows = list(load_workbook(BytesIO(made.files["xlsx"]))["working"].iter_rows(min_row=2, values_only=True))
    of_first = [row for row in rows if row[0] == 1]
    assert sum(row[3] for row in of_first if row[2] != "amount") == of_first[-1][3] == 125


# --- the archive ------------------------------------------------------------------------------------------------------


def test_the_archive_is_checked_by_sha256sum_itself(made, tmp_path):
    with zipfile.ZipFile(BytesIO(made.files["zip"])) as archive:
        archive.extractall(tmp_path)
    checked = subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=tmp_path, capture_output=True, text=True)
    assert checked.returncode == 0, checked.stderr
    names = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()} - {"SHA256SUMS"}
    assert {f"{name}: OK" for name in names} == set(checked.stdout.splitlines())
    assert "documents/02-invoice-invoice.pdf" in names and "documents/03-origin-proof-tally-odd.pdf" in names


def test_the_archive_holds_the_originals_as_they_came(made):
    with zipfile.ZipFile(BytesIO(made.files["zip"])) as archive:
        found = {hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()}
        kept = {entry.compress_type for entry in archive.infolist()}
        moments = {entry.date_time for entry in archive.infolist()}
        listed = [entry.filename for entry in archive.infolist() if archive.read(entry) == LIST]
    assert listed == [f"list/{made.claim.shipment.bill_number}-manifest-march-.csv"]
    originals = set(Photo.objects.values_list("sha256", flat=True))
    papers = {hashlib.sha256(data).hexdigest() for data in made.papers.values()}
    assert originals | papers | {made.packet.pdf_sha256, made.packet.xlsx_sha256} < found
    assert kept == {zipfile.ZIP_STORED} and moments == {(2000, 1, 1, 0, 0, 0)}


def test_a_changed_file_is_named_by_sha256sum(made, tmp_path):
    with zipfile.ZipFile(BytesIO(made.files["zip"])) as archive:
        archive.extractall(tmp_path)
    photo = tmp_path / "photos" / "P-1-1.jpg"
    photo.write_bytes(photo.read_bytes() + b"\0")
    checked = subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=tmp_path, capture_output=True, text=True)
    assert checked.returncode == 1 and "photos/P-1-1.jpg: FAILED" in checked.stdout


# --- how it was made --------------------------------------------------------------------------------------------------


def test_progress_tells_photos_then_pages(made):
    assert made.heard[:5] == [(n, 5, "photos") for n in range(1, 6)]
    pages = [done for done, total, words in made.heard if words == "pages"]
    assert max(pages) == made.packet.pages


def test_the_row_is_what_the_files_are(made):
    for kind, data in made.files.items():
        assert getattr(made.packet, f"{kind}_sha256") == hashlib.sha256(data).hexdigest()
        assert getattr(made.packet, f"{kind}_size") == len(data)


def test_it_is_made_again_from_its_frozen_content_byte_for_byte(made, tmp_path):
    built = building.build(made.packet.content, tmp_path)
    assert built.hashes == {kind: getattr(made.packet, f"{kind}_sha256") for kind in made.files}
