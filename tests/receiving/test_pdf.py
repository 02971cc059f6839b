"""PDFs: every letter right, the same bytes everywhere, and no document at all rather than one with a hole in it."""

import gc
import io
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image, ImageFile
from pypdf import PdfReader

from receiving.documents import pdf
from receiving.documents.pdf import PRINT_CSS, Attachment, DocumentNotMade, render_pdf, unprintable

CREATED = datetime(2026, 3, 2, 20, 32, tzinfo=UTC)
LETTERS = "Łódź ✓ ☐ → ≥ 0123456789 ñ á ü Сергій Ελένη"
MARKS = '<p class="record-number">R-0412</p><p class="record-hash">9f3a 01cc</p><p class="site-name">Northfield</p>'


def page(body, language="en"):
    return f'<!doctype html><html lang="{language}"><body>{MARKS}<h1>Sheet</h1>{body}</body></html>'


def made(body="<p>text</p>", language="en", **kwargs):
    return render_pdf(page(body, language), **{"title": "Sheet", "created": CREATED, **kwargs})


def read(data):
    return PdfReader(io.BytesIO(data))


def text_of(data):
    return "\n".join(each.extract_text() for each in read(data).pages)


def picture(kind="JPEG", size=(80, 60), colour="grey"):
    out = io.BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(out, kind)
    return out.getvalue()


@pytest.mark.parametrize(
    "markup", ["<p>{}</p>", "<p><b>{}</b></p>", '<p class="id">{}</p>', "<h2>{}</h2>", "<i>{}</i>"]
)
def test_every_letter_comes_out_right_in_every_face(markup):
    assert LETTERS in text_of(made(markup.format(LETTERS))).replace("\n", " ")


def test_faces_do_not_disturb_each_other():
    faces = (
        "<p>Łódź 8B0O</p>",
        "<p><b>Łódź 8B0O</b></p>",
        '<p class="id">Łódź 8B0O</p>',
        '<p class="id"><b>Łódź 8B0O</b></p>',
    )
    data = made("".join(faces))
    assert text_of(data).count("Łódź 8B0O") == 4
    fonts = read(data).pages[0]["/Resources"]["/Font"].values()
    names = {str(font.get_object()["/BaseFont"]).split("+")[1] for font in fonts}
    assert names == {
        "Atkinson-Hyperlegible",
        "Atkinson-Hyperlegible-Bold",
        "Atkinson-Hyperlegible-Mono",
        "Atkinson-Hyperlegible-Mono-Bold",
    }


@pytest.mark.parametrize(
    ("typed", "printed"), [("中", "[U+4E2D]"), ("a\u202eb", "a[U+202E]b"), ("📦", "[U+1F4E6]"), ("n\u0303", "ñ")]
)
def test_a_letter_no_font_has_is_spelled_out(typed, printed):
    assert printed in text_of(made(f"<p>x {typed} y</p>"))


def test_unprintable_letters_can_be_asked_for():
    assert unprintable("Łódź 中 📦 ok") == ["中", "📦"]


@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_paper_is_the_sites(paper, size):
    box = read(made(paper=paper)).pages[0].mediabox
    assert (round(box.width), round(box.height)) == size


def test_every_page_bears_number_hash_and_page_count():
    pages = read(made("<p>line</p>" * 150)).pages
    assert len(pages) > 2
    for number, each in enumerate(pages, 1):
        text = each.extract_text()
        assert "R-0412 · 9f3a 01cc" in " ".join(text.split())
        assert f"Page {number} of {len(pages)}" in text
        assert "Northfield" in text


def test_the_footer_speaks_spanish():
    assert "Página 1 de 1" in text_of(made(language="es"))


def test_the_file_says_what_it_is():
    reader = read(made(title="Exception sheet R-0412"))
    assert reader.metadata.title == "Exception sheet R-0412"
    assert reader.metadata.creation_date == CREATED
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    xmp = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert "pdfaid" in xmp and ">3<" in xmp.replace('part="3"', ">3<")
    assert "OutputIntents" in str(reader.trailer["/Root"].keys())


def test_an_attachment_comes_back_byte_for_byte():
    data = made(attachments=[Attachment("record.json", b'{"a": "\xc5\x81"}', "The record")])
    assert read(data).attachments["record.json"] == [b'{"a": "\xc5\x81"}']


SCRIPT = """
import hashlib, sys
from datetime import UTC, datetime
from receiving.documents.pdf import Attachment, render_pdf
from tests.receiving.test_pdf import LETTERS, made
data = made(f"<p>{LETTERS} 中 <b>{LETTERS}</b></p><img src='photo:1' alt='a'>", identifier=b"R-0412",
    pictures={"photo:1": open(sys.argv[1], "rb").read()}, attachments=[Attachment("a.json", b"{}")])
print(hashlib.sha256(data).hexdigest())
"""


def test_two_processes_make_the_same_bytes_whatever_the_machine_says(tmp_path):
    (tmp_path / "1.jpg").write_bytes(picture())
    (tmp_path / "none.conf").write_text("<fontconfig></fontconfig>")
    root = Path(pdf.__file__).parents[2]
    hashes = set()
    for extra in ({}, {"TZ": "Asia/Tokyo", "PYTHONHASHSEED": "7", "FONTCONFIG_FILE": str(tmp_path / "none.conf")}):
        environment = {**os.environ, **extra, "PYTHONPATH": str(root)}
        command = [sys.executable, "-c", SCRIPT, str(tmp_path / "1.jpg")]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True, cwd=root)
        hashes.add(done.stdout.strip())
    assert len(hashes) == 1 and len(hashes.pop()) == 64


def test_threads_make_the_same_bytes():
    with ThreadPoolExecutor(4) as pool:
        results = set(pool.map(lambda _: made(f"<p>{LETTERS}</p>"), range(8)))
    assert len(results) == 1


def test_rendering_leaves_the_process_as_it_was(monkeypatch):
    monkeypatch.setenv("FONTCONFIG_FILE", "/somewhere/fonts.conf")
    made()
    assert os.environ["FONTCONFIG_FILE"] == "/somewhere/fonts.conf"
    monkeypatch.delenv("FONTCONFIG_FILE")
    made()
    assert "FONTCONFIG_FILE" not in os.environ


@pytest.mark.parametrize("body", ["<p>text</p>", "<img src='photo:1' alt='a'>"], ids=["made", "not made"])
def test_garbage_is_collected_again_afterwards(body):
    with suppress(DocumentNotMade):
        made(body)
    assert gc.isenabled()


def test_a_cut_picture_is_still_an_error_for_the_rest_of_the_program():
    made()
    assert ImageFile.LOAD_TRUNCATED_IMAGES is False
    with pytest.raises(OSError, match="truncated"):
        Image.open(io.BytesIO(picture(size=(400, 400))[:20_000])).load()


# -- Pictures --------------------------------------------------------------------------------------------------------


def refusal(body="<img src='photo:1' alt='a'>", **kwargs):
    with pytest.raises(DocumentNotMade) as error:
        made(body, **kwargs)
    return error.value


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_pictures_come_from_bytes_and_from_files(kind, tmp_path):
    (tmp_path / "2").write_bytes(picture(kind))
    data = made(
        "<p><img src='photo:1' alt='a'><img src='photo:2' alt='b'></p>",
        pictures={"photo:1": picture(kind), "photo:2": tmp_path / "2"},
    )
    assert len(read(data).pages[0].images) == 2


def test_no_photo_is_lost_at_a_page_end():
    figures = "".join(
        f"<figure><img src='photo:{i}' alt='a'><figcaption>Photo {i}.</figcaption></figure>" for i in range(23)
    )
    data = made(f"<div class='photos'>{figures}</div>", pictures={f"photo:{i}": picture() for i in range(23)})
    assert sum(each.get_contents().get_data().count(b" Do\n") for each in read(data).pages) == 23
    assert [i for i in range(23) if f"Photo {i}." not in text_of(data)] == []


def test_a_picture_without_words_for_it_is_refused():
    assert "alt description" in str(refusal("<img src='photo:1'>", pictures={"photo:1": picture()}))


def test_a_picture_nobody_gave_is_named():
    error = refusal("<img src='photo:17' alt='a'>", pictures={"photo:1": picture()})
    assert (error.code, error.params) == ("picture_missing", {"name": "photo:17"})
    assert "photo:17 is missing" in str(error)


def test_a_picture_file_that_is_gone_is_named(tmp_path):
    error = refusal(pictures={"photo:1": tmp_path / "gone.jpg"})
    assert (error.code, error.params["name"]) == ("picture_missing", "photo:1")


@pytest.mark.parametrize(
    "broken",
    [
        b"",
        b"no picture",
        b"%PDF-1.7",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        picture(size=(400, 400))[:20_000],
        picture("PNG", size=(400, 400))[:20_000],
        picture("GIF"),
    ],
)
def test_a_broken_or_cut_picture_is_named(broken, tmp_path):
    assert (refusal(pictures={"photo:1": broken}).code) == "picture_broken"
    (tmp_path / "1.jpg").write_bytes(broken)
    assert "photo:1" in str(refusal(pictures={"photo:1": tmp_path / "1.jpg"}))


def test_a_picture_broken_inside_stops_the_document():
    whole = picture("PNG", size=(100, 100))
    broken = whole[:16] + bytes(40) + whole[56:]
    assert refusal(pictures={"photo:1": broken}).code == "not_drawn"


@pytest.mark.parametrize(
    "body",
    [
        "<img src='http://127.0.0.1:9/a.png'>",
        "<img src='file:///etc/hostname'>",
        "<img src='data:image/png;base64,iVBORw0KGgo='>",
        "<link rel='stylesheet' href='http://127.0.0.1:9/a.css'>",
        "<div style='background: url(file:///etc/passwd)'>x</div>",
        "<style>@import url(file:///etc/passwd);</style>",
        "<style>@font-face { font-family: X; src: url(file:///etc/passwd) } p { font-family: X }</style><p>x</p>",
        "<a rel='attachment' href='file:///etc/passwd'>x</a>",
        "<link rel='attachment' href='file:///etc/passwd'>",
        "<object data='file:///etc/passwd'></object>",
        "<embed src='file:///etc/passwd'>",
        "<svg><image href='file:///etc/passwd' width='9' height='9'/></svg>",
        "<svg><use href='file:///etc/passwd#a'/></svg>",
    ],
)
def test_nothing_else_is_ever_fetched(body):
    try:
        data = made(f"{body}<p>whole</p>")
    except DocumentNotMade as error:
        assert error.code in {"picture_missing", "not_drawn"}
    else:
        assert b"root:" not in data and not read(data).attachments and "root:" not in text_of(data)


# -- Fonts and the sheet ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", pdf.FONT_FILES)
def test_a_missing_or_damaged_font_is_named_before_it_can_kill_the_process(name, tmp_path, monkeypatch):
    for each in pdf.FONT_FILES:
        (tmp_path / each).write_bytes((pdf.FONTS / each).read_bytes())
    monkeypatch.setattr(pdf, "FONTS", tmp_path)
    (tmp_path / name).write_bytes(b"<html>")
    assert (refusal("").code, refusal("").params["name"]) == ("font_missing", name)
    (tmp_path / name).unlink()
    assert name in str(refusal(""))
    assert name in pdf.missing_for_pdf()


def test_pdfs_can_be_made_here():
    assert pdf.missing_for_pdf() == ""


def test_each_font_has_its_licence_beside_it():
    fonts = {path.name for path in pdf.FONTS.glob("*.ttf")}
    assert fonts == set(pdf.FONT_FILES)
    assert {path.name.split("-")[0] for path in pdf.FONTS.glob("*.ttf")} == {
        path.stem.split("-")[1] for path in pdf.FONTS.glob("LICENSE-*.txt")
    }


def test_the_sheet_is_understood_whole(caplog):
    made("<table><tr><td class='number'>1</td></tr></table>")
    assert [record.getMessage() for record in caplog.records if record.name == "weasyprint"] == []
    assert "flex" not in PRINT_CSS.read_text().split("*/", 1)[1]


@pytest.mark.parametrize("wrong", [{"paper": "a5"}, {"variant": "pdf/x"}, {"created": CREATED.replace(tzinfo=None)}])
def test_a_callers_mistake_is_a_value_error(wrong):
    with pytest.raises(ValueError, match="Not a known"):
        made(**wrong)
