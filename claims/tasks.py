"""Long work of claims, as the queue finds it."""

from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_date
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from claims import company, issuing, jobs
from claims.models import Claim
from claims.packet import assemble


@jobs.register("packet", gettext_lazy("Packet"))
def make_packet(job, *, claim):
    """Make the packet of a claim. Begun again after a crash it makes it anew; made already, it is not made twice."""
    claim = Claim.objects.get(pk=claim, site=job.site)
    packet = assemble.make(
        claim,
        uuid=job.uuid,
        actor=job.asked_by,
        at=timezone.now(),
        progress=job.progress,
        stored=lambda packet: job.finish(result(packet)),
    )
    return result(packet)


def result(packet):
    words = _("Packet %(number)s of %(claim)s is made: %(pages)s pages. Look it through, then file it.")
    told = {"number": packet.number, "claim": packet.claim, "pages": packet.pages}
    return {"url": packet.get_absolute_url(), "words": words % told}


@jobs.register("scorecards", gettext_lazy("Scorecards"))
def make_scorecards(job, *, month, carriers):
    """Issue the cards of these carriers for a month, or restate those that differ. Each is kept as soon as it is made,
    so that work begun again goes on with the next."""
    site = company.of(job.site)
    cards = issuing.issue_all(
        site,
        parse_date(month),
        carriers,
        uuid=job.uuid,
        actor=job.asked_by,
        at=timezone.now(),
        progress=job.progress,
    )
    return issued(site, cards, month)


def issued(site, cards, month):
    if len(cards) == 1:
        words = _("%(card)s of %(carrier)s is issued. Read it, then send it.")
        told = {"card": cards[0], "carrier": cards[0].carrier}
        return {"url": cards[0].get_absolute_url(), "words": words % told}
    words = ngettext("%(n)s card is issued.", "%(n)s cards are issued.", len(cards)) % {"n": len(cards)}
    if not cards:
        words = _("No card was issued: each of them stands as it is.")
    return {"url": f"{reverse('scorecards', args=[site.code])}?month={month[:7]}", "words": words}
