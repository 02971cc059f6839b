"""A claim with everything a packet can show, and packets made of it, for tests."""

import uuid
from datetime import timedelta
from io import BytesIO

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from PIL import Image, ImageDraw

from claims import documents
from claims.enums import DocumentKind
from claims.models import Packet
from claims.packet import assemble
from receiving import evidence, files, photos, release
from receiving.documents import pdf
from receiving.enums import ListState, PhotoPurpose
from receiving.models import Account, Arrival, Carrier, LoadList
from tests.builders import NOON, make_account, make_carrier
from tests.claims.builders import losses, make_claim, make_load

CARRIER = {
    "name": "Cedar Line Freight",
    "scac": "ZZCL",
    "claims_email": "claims@cedar.example",
    "address": "12 Rail Yard\nDry Creek, TX 79000",
}
ACCOUNT = {
    "name": "Juniper Home Stores",
    "signatory": "Robin Vale",
    "address": "1 Juniper Way",
    "email": "claims@juniper.example",
    "phone": "555-0190",
}
SIGNED = {
    "notation": "1 carton short; 2 cartons crushed; seal 0123456 intact, numbers agree.",
    "outcome": "signed",
    "signer": "Sam Rivers",
    "employer": "Cedar Line Freight",
    "signature": '[{"points": [{"x": 1, "y": 2}, {"x": 50, "y": 30}, {"x": 90, "y": 5}]}]',
    "typed": False,
    "witness": "",
    "carrier_receipt": "photographed",
    "device": "",
}


def make_proved(site, *, actor, **given):
    """A draft of the losses of `make_evidence`."""
    return make_claim(site, actor=actor, shipment=make_evidence(site, actor=actor, **given))


def make_evidence(site, *, actor, damaged=2, short=1, photos_each=1, signed=True, **load):
    """A bill whose damaged pieces have photos, whose trailer has one of each kind, and whose driver has signed."""
    given = {"description": "Table lamp, oak", "shipper": "Brook Lamps", "origin": "Fallow Springs"} | load
    if "carrier" not in given:
        given["carrier"] = Carrier.objects.filter(name=CARRIER["name"]).first() or make_carrier(**CARRIER)
    if "account" not in given:
        given["account"] = Account.objects.filter(legal_name=ACCOUNT["name"]).first() or make_account(**ACCOUNT)
    shipment = make_load(site, actor=actor, damaged=damaged, short=short, released=False, **given)
    arrival = shipment.arrival
    for piece in losses(shipment)[:damaged]:
        for number in range(photos_each):
            make_photo(arrival, actor=actor, words=f"{piece} {number}", discrepancy=piece, caption="Corner pushed in")
    for purpose in (PhotoPurpose.SEAL_BEFORE, PhotoPurpose.TRAILER, PhotoPurpose.CARRIER_RECEIPT):
        make_photo(arrival, actor=actor, words=purpose, purpose=purpose)
    if signed:
        at = NOON + timedelta(hours=1)
        release.release(arrival, uuid=uuid.uuid4(), facts=SIGNED, actor=actor, at=at)
    else:
        Arrival.objects.filter(pk=arrival.pk).update(state="released", released_at=NOON)
    shipment.arrival.refresh_from_db()
    return shipment


LIST = b"carton,store\n1 9521234 1,0101\n"


def make_list(shipment, *, actor, data=LIST, name="manifest «march».csv", at=NOON):
    """A load list as it came, in use for the bill."""
    path = default_storage.save(f"lists/{uuid.uuid4()}", ContentFile(data))
    given = {"rows": 1, "uploaded_at": at, "uploaded_by": actor, "confirmed_at": at, "confirmed_by": actor}
    given |= {"name": name, "sha256": evidence.digest(data), "size": len(data), "file": path}
    return LoadList.objects.create(shipment=shipment, state=ListState.CONFIRMED, **given)


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


def make_packet_row(claim, *, actor, at=NOON, number=1, **files_of):
    """A packet as a row with three small files that are none of its kind, where no more is needed."""
    columns = {}
    for kind in ("pdf", "xlsx", "zip"):
        data = files_of.get(kind, f"{kind} of {claim}".encode())
        digest = evidence.digest(data)
        columns |= {kind: files.keep(f"packets/{digest[:2]}/{digest}.{kind}", data)}
        columns |= {f"{kind}_sha256": digest, f"{kind}_size": len(data)}
    content = {"said": {"claim": {"number": str(claim)}}, "made": {"number": number}}
    return Packet.objects.create(
        claim=claim,
        number=number,
        content=content,
        content_sha256=evidence.sha256(evidence.canonical(content)),
        pages=1,
        log_seq=0,
        log_head=evidence.GENESIS,
        actor=actor,
        at=at,
        **columns,
    )


def content_of(packet, kind="pdf"):
    """The bytes of one of its files."""
    with default_storage.open(getattr(packet, kind)) as file:
        return file.read()
