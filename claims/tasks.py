"""Long work of claims, as the queue finds it."""

from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims import jobs
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
