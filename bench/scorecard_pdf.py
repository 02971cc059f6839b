"""Scorecards: the two pages of a carrier among twenty against bare WeasyPrint, and the whole issuing of one.

- The PDF of a card with charts, trailers and three pictures, against WeasyPrint alone on the same HTML with ready
  pictures: at most 1.25 times.
- Issuing it (gathered, drawn, its workbook made, kept and told), against the same: at most 1.6 times.

Processor time is measured: two seconds of work say nothing on the clock of a machine that does other things too.
DATABASE_URL sets another database.
"""

import gc
import os
import random
import statistics
import tempfile
import time
import uuid
from datetime import UTC, date, datetime

import bench
from bench.packet import bare
from bench.photos import example

DRAWN, WHOLE = 1.25, 1.6
CARRIERS, TRAILERS, CARTONS, ROUNDS = 20, 24, 900, 9
MONTH, AT = date(2026, 3, 1), datetime(2026, 4, 6, 15, tzinfo=UTC)


def timed(call, *given):
    """Seconds of this process's processors."""
    gc.collect()
    start = time.process_time()
    call(*given)
    return time.process_time() - start


def history(site):
    """Carriers with the trailers of a year, as counts past the dock; gives the first of them."""
    from claims import months
    from claims.models import BillCount, VisitCount
    from claims.periods import month_back
    from receiving.models import Account, Arrival, Carrier, Shipment

    luck, account, number = random.Random(7), Account.objects.create(legal_name="Bench"), 0
    carriers = [Carrier.objects.create(name=f"Carrier {n:02d}") for n in range(CARRIERS)]
    for carrier in carriers:
        spans = [month_back(MONTH, n % 12) for n in range(TRAILERS)]
        for month in spans:
            number += 1
            arrival = Arrival.objects.create(
                site=site,
                number=number,
                state="released",
                carrier=carrier,
                trailer_number=f"TR{number}",
                released_at=datetime(month.year, month.month, 15, 18, tzinfo=UTC),
            )
            bill = Shipment.objects.create(arrival=arrival, account=account, bill_number=f"BL{number}", pieces=CARTONS)
            given = {"arrival": arrival, "site": site, "carrier": carrier, "month": month}
            VisitCount.objects.create(minutes_late=luck.randrange(-20, 40), seal_exception=False, **given)
            counts = dict.fromkeys(("short", "over", "rerouted"), 1) | {"damaged": luck.choice([0, 0, 0, 1, 3, 9, 25])}
            BillCount.objects.create(
                shipment=bill,
                account=account,
                origin="Denver",
                counted="list",
                listed=CARTONS,
                received=CARTONS,
                **counts,
                **given,
            )
        months.add_up_months(site, {(carrier.pk, month) for month in spans})
    return carriers[0]


def with_pictures(content, photo):
    """The content as if the carrier's commonest damage had been photographed; the pictures by their addresses."""
    from receiving.photos import print_copy

    printed = print_copy(photo, side=700, quality=72)
    names = [f"00000000-0000-4000-8000-00000000000{n}" for n in range(3)]
    words = "P-1 on T-1, Mon 2 Mar 2026, 14:32 CST"
    content["damage"] = [
        {"code": "crushed", "pieces": "12", "picture": {"uuid": name, "piece": "P-1", "words": words}} for name in names
    ]
    return content, {f"photo:{name}": printed for name in names}


def what_is_drawn(content, pictures):
    """The arguments with which the card's PDF is drawn, where it fits."""
    from claims.card import pdf

    asked, draw = [], pdf.pdf.render_pdf
    pdf.pdf.render_pdf = lambda html, **given: asked.append((html, given)) or draw(html, **given)
    try:
        pdf.card_pdf(content, pictures)
    finally:
        pdf.pdf.render_pdf = draw
    html, given = asked[-1]
    print(f"the card fits at attempt {len(asked)}")
    return html, {"attachments": [], "variant": "pdf/a-3a"} | given


def main():
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        from receiving.models import Person, Site

        site = Site.objects.create(code="BEN", name="Bench", time_zone="America/Chicago")
        return measured(site, Person.objects.create(username="bench"), history(site))


def measured(site, person, carrier):
    from claims import issuing
    from claims.card import pdf

    content = issuing.gathered(site, carrier, MONTH, before=None, actor=person, at=AT)
    content, pictures = with_pictures(content, example(None))
    html, given = what_is_drawn(content, pictures)
    bare(html, given)

    def draw():
        pdf.card_pdf(content, pictures)

    found = [(timed(draw), timed(bare, html, given)) for _ in range(ROUNDS)]
    ours, bound = (statistics.median(column) for column in zip(*found, strict=True))
    print(f"the PDF of a card: {ours:.2f} s against {bound:.2f} s of bare WeasyPrint")
    missed = bench.told("scorecard, PDF", ours / bound, [one / other for one, other in found], DRAWN)
    return max(missed, whole(site, person, html, given))


def whole(site, person, html, given):
    """The cards of further carriers of the month, each issued once."""
    from claims import issuing

    carriers = [state.carrier for state in issuing.states(site, MONTH)][:ROUNDS]
    found = []
    for carrier in carriers:
        told = {"uuid": uuid.uuid4(), "actor": person, "at": AT}
        found.append(
            (timed(lambda told=told, one=carrier: issuing.issue(site, one, MONTH, **told)), timed(bare, html, given))
        )
    ours, bound = (statistics.median(column) for column in zip(*found, strict=True))
    print(f"issuing a card: {ours:.2f} s against {bound:.2f} s of bare WeasyPrint")
    return bench.told("scorecard, issued", ours / bound, [one / other for one, other in found], WHOLE)


if __name__ == "__main__":
    raise SystemExit(main())
