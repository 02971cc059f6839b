"""Packets: the whole making of one against bare WeasyPrint, 80 photos against 40, and memory that stays flat.

- 40 photos of twelve megapixels and 120 lines, made, checked, archived and kept, against WeasyPrint alone on the same
  HTML with ready pictures: at most 1.25 times.
- The same with 80 photos against 40: at most 2.1 times.
- 200 small packets in one process: what it holds after the last against what it held after the twentieth.
- An archive of 1,000 photos: the most it held against an archive of 100, each in a process of its own.

BENCH_PACKETS sets another number of packets, DATABASE_URL another database.
"""

import gc
import itertools
import os
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path

import bench
from bench.photos import example

WHOLE, DOUBLE, FLAT = 1.25, 2.1, 1.15
LINES, PHOTOS, ROUNDS = 120, 40, 5
PACKETS, SETTLED = 200, 20
AT = datetime(2026, 3, 2, 18, tzinfo=UTC)
numbers = itertools.count(1)


# -- the record --------------------------------------------------------------------------------------------------------


def claim_of(site, person, photos, lines):
    """A draft of so many lines, two thirds of them damaged, with so many photos spread over the damaged."""
    from claims import drafting
    from receiving.models import Account, Arrival, Carrier, Shipment

    number = next(numbers)
    carrier = Carrier.objects.create(name=f"Carrier {number}", address="12 Rail Yard")
    account = Account.objects.create(legal_name=f"Account {number}", signatory="Robin Vale")
    arrival = Arrival.objects.create(
        site=site, number=number, state="released", trailer_number=f"TR{number}", carrier=carrier, released_at=AT
    )
    bill = Shipment.objects.create(arrival=arrival, account=account, bill_number=f"BL{number}", pieces=900)
    pieces = pieces_of(site, person, arrival, bill, account, lines)
    hurt = [piece for piece in pieces if piece.kind == "damaged"]
    for n in range(photos):
        take_in(arrival, hurt[n % len(hurt)], person)
    return drafting.open_claim(bill, pieces, uuid=uuid.uuid4(), actor=person, at=AT)


def pieces_of(site, person, arrival, bill, account, count):
    from receiving.models import Carton, Discrepancy, Store

    store = Store.objects.create(site=site, account=account, number=str(next(numbers)))
    cartons = Carton.objects.bulk_create(
        Carton(
            site=site,
            arrival=arrival,
            shipment=bill,
            line=n,
            label=f"CARTON-{arrival.number}-{n:05d}",
            store=store,
            description="Table lamp, oak, with shade",
            weight=20,
            unit_value="12.5000",
            units=10,
        )
        for n in range(count)
    )
    given = {"site": site, "arrival": arrival, "shipment": bill, "found_at": AT, "logged_at": AT, "logged_by": person}
    kinds = itertools.cycle(["damaged", "damaged", "short"])
    return [
        Discrepancy.objects.create(number=next(numbers), carton=carton, store=store, kind=kind, **given)
        for carton, kind in zip(cartons, kinds, strict=False)
    ]


def take_in(arrival, piece, person):
    """The same picture each time, made another file by what stands behind its end."""
    from receiving import photos

    photos.receive_photo(
        arrival=arrival,
        uuid=uuid.uuid4(),
        upload=PICTURE + uuid.uuid4().bytes,
        filename="bench.jpg",
        purpose="piece",
        caption="Corner pushed in",
        actor=person,
        at=AT,
        discrepancy=piece,
    )


# -- one packet --------------------------------------------------------------------------------------------------------


def make(claim, person):
    from claims.packet import assemble

    return assemble.make(claim, uuid=uuid.uuid4(), actor=person, at=AT)


def what_is_drawn(claim, person):
    """The arguments with which a packet of `claim` is drawn."""
    from claims.packet import pdf

    asked, draw = [], pdf.pdf.render_pdf
    pdf.pdf.render_pdf = lambda html, **given: asked.append((html, given)) or draw(html, **given)
    given = {}
    try:
        kept_pictures(lambda: make(claim, person), asked, given)
    finally:
        pdf.pdf.render_pdf = draw
    return asked[0][0], asked[0][1] | given


def kept_pictures(work, asked, given):
    """The pictures lie in a folder that is gone after `work`: they are read before."""
    from claims.packet import building

    drawn = building.drawn

    def remember(content, printed, papers, progress):
        given["pictures"] = {address: path.read_bytes() for address, path in printed.items()}
        return drawn(content, printed, papers, progress)

    building.drawn = remember
    try:
        work()
    finally:
        building.drawn = drawn


def bare(html, given):
    """WeasyPrint and nothing else."""
    import weasyprint
    from weasyprint.text.fonts import FontConfiguration
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class Ready(URLFetcher):
        def fetch(self, url, headers=None):
            return URLFetcherResponse(url, given["pictures"][url], {"Content-Type": "image/jpeg"})

    fonts = FontConfiguration()
    styles = [
        weasyprint.CSS(string=css.read_text() if isinstance(css, Path) else css, font_config=fonts)
        for css in ("@page { size: letter }", *given["css"])
    ]
    attachments = [weasyprint.Attachment(string=each.data.decode("utf-8-sig")) for each in given["attachments"]]
    return weasyprint.HTML(string=html, url_fetcher=Ready()).write_pdf(
        stylesheets=styles, font_config=fonts, pdf_variant=given["variant"], pdf_tags=True, attachments=attachments
    )


def timed(call, *given):
    gc.collect()
    start = time.perf_counter()
    call(*given)
    return time.perf_counter() - start


def single(site, person):
    forty = claim_of(site, person, PHOTOS, LINES)
    html, given = what_is_drawn(forty, person)
    bare(html, given)
    found = [(timed(make, forty, person), timed(bare, html, given)) for _ in range(ROUNDS)]
    ours, bound = (statistics.median(column) for column in zip(*found, strict=True))
    print(f"packet of {PHOTOS} photos and {LINES} lines: {ours:.2f} s against {bound:.2f} s of bare WeasyPrint")
    missed = bench.told("packet, whole", ours / bound, [one / other for one, other in found], WHOLE)
    eighty = claim_of(site, person, 2 * PHOTOS, LINES)
    found = [(timed(make, eighty, person), timed(make, forty, person)) for _ in range(ROUNDS)]
    double, ours = (statistics.median(column) for column in zip(*found, strict=True))
    print(f"packet of {2 * PHOTOS} photos: {double:.2f} s against {ours:.2f} s of {PHOTOS}")
    return max(missed, bench.told("packet, photos", double / ours, [one / other for one, other in found], DOUBLE))


# -- memory ------------------------------------------------------------------------------------------------------------


def held():
    """Megabytes that this process has in memory now."""
    line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def many(site, person):
    count = int(os.environ.get("BENCH_PACKETS", PACKETS))
    claim = claim_of(site, person, 2, 3)
    memory = []
    for _ in range(count):
        make(claim, person)
        memory.append(held())
    print(f"{count} packets: {memory[SETTLED - 1]:.0f} MB after {SETTLED}, {memory[-1]:.0f} MB after the last")
    return bench.told("packets, memory", memory[-1] / memory[SETTLED - 1], memory[-2:], FLAT) if count > SETTLED else 0


ARCHIVE = """
import hashlib, sys
from pathlib import Path
from claims.packet.archive import Archive
photo = Path(sys.argv[1])
sha256 = hashlib.sha256(photo.read_bytes()).hexdigest()
with Archive(Path(sys.argv[2])) as archive:
    for number in range(int(sys.argv[3])):
        with photo.open("rb") as file:
            archive.copy(f"photos/P-{number}.jpg", file, sha256, photo.stat().st_size)
    archive.finish()
peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(int(peak.split()[1]) / 1024)
"""


def archived(folder, count):
    """The most megabytes that the making of an archive of so many photos held."""
    photo, path = Path(folder) / "photo.jpg", Path(folder) / "archive.zip"
    photo.write_bytes(PICTURE[:1_000_000])
    given = [sys.executable, "-c", ARCHIVE, str(photo), str(path), str(count)]
    peak = float(subprocess.run(given, check=True, capture_output=True, text=True).stdout)
    print(f"archive of {count:,} photos: {path.stat().st_size / 1e6:,.0f} MB, {peak:.0f} MB of memory at most")
    path.unlink()
    return peak


def main():
    global PICTURE
    PICTURE = example(None)
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        from receiving.models import Membership, Person, Site

        site = Site.objects.create(code="BEN", name="Bench", time_zone="America/Chicago")
        person = Person.objects.create(username="bench")
        Membership.objects.create(person=person, site=site, role="clerk")
        missed = single(site, person)
        missed = max(missed, many(site, person))
        few, thousand = archived(scratch, 100), archived(scratch, 1000)
        return max(missed, bench.told("archive, memory", thousand / few, [thousand / few] * 2, FLAT))


if __name__ == "__main__":
    raise SystemExit(main())
