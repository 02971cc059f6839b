"""A claim with everything a packet can show, and packets made of it, for tests."""

import uuid
from io import BytesIO

from django.core.files.base import ContentFile
from PIL import Image, ImageDraw

from claims import documents
from claims.enums import DocumentKind
from claims.packet import assemble
from receiving import photos
from receiving.documents import pdf
from receiving.enums import PhotoPurpose
from tests.builders import NOON

CARRIER = {
    "name": "Cedar Line Freight",
    "scac": "ZZCL",
    "claims_email": "claims@cedar.example",
    "address": "12 Rail Yard\nDry Creek, TX 79000",
}


def make_picture(words, size=(1600, 1200), colour="#b58a5a"):
    """A JPEG that says what it is."""
    picture = Image.new("RGB", size, colour)
    draw = ImageDraw.Draw(picture)
    for step in range(0, size[0], 90):
        draw.line((step, 0, size[0] - step, size[1]), fill="#6b4a2a", width=9)
    draw.text((80, 80), words, fill="black", font_size=90)
    buffer = BytesIO()
    picture.save(buffer, "JPEG", quality=85)
    return buffer.getvalue()


def make_photo(arrival, *, actor, words="photo", purpose=PhotoPurpose.PIECE, at=NOON, **fields):
    return photos.receive_photo(
        arrival=arrival,
        uuid=uuid.uuid4(),
        upload=ContentFile(make_picture(words)),
        filename=f"{words}.jpg",
        purpose=purpose,
        actor=actor,
        at=at,
        **fields,
    )


def make_pdf(*lines, css="", **options):
    """A PDF of one page for each line."""
    body = "".join(f"<p style='break-after: page'>{line}</p>" for line in lines[:-1]) + f"<p>{lines[-1]}</p>"
    html = f"<html lang='en'><head><title>x</title></head><body>{body}</body></html>"
    return pdf.render_pdf(html, title="A paper", created=NOON, css=[pdf.PRINT_CSS, css], variant=None, **options)


def make_document(claim, data, *, actor, kind=DocumentKind.INVOICE, name="invoice.pdf", at=NOON, note=""):
    paper = documents.examine(BytesIO(data), filename=name)
    return documents.receive(claim, paper=paper, kind=kind, note=note, uuid=uuid.uuid4(), actor=actor, at=at)


def make_packet(claim, *, actor, at=NOON, **given):
    return assemble.make(claim, uuid=uuid.uuid4(), actor=actor, at=at, **given)


def content_of(packet, kind="pdf"):
    from django.core.files.storage import default_storage

    with default_storage.open(getattr(packet, kind)) as file:
        return file.read()
