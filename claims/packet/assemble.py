"""Making a packet: gathered, built outside any transaction, then numbered, kept and told in one short one. The only
writer of Packet.
"""

from django.db import transaction
from django.utils.translation import gettext as _

from claims.models import Claim, Packet
from claims.packet import building, contents
from claims.packet.building import Built, unheard
from receiving import evidence, files
from receiving.refusals import ChangedMeanwhile, Refused

TOLD = (
    "claim",
    "number",
    "supersedes",
    "content_sha256",
    "pages",
    *(f"{kind}{part}" for kind in ("pdf", "xlsx", "zip") for part in ("", "_sha256", "_size")),
    "log_seq",
    "log_head",
)


def make(claim, *, uuid, actor, at, progress=unheard, stored=lambda packet: None):
    """Make the next packet of a claim and give its row; the same `uuid` again gives the row there is.

    progress -- called as `progress(done, total, words)`
    stored -- called with the packet in the transaction that writes it, to write what belongs to it
    Raises Refused where the claim is not ready for it or a file is not the recorded one, ChangedMeanwhile where
    somebody changed the claim or made a packet of it meanwhile. Call it outside any transaction: it takes seconds.
    """
    if earlier := Packet.objects.filter(uuid=uuid).first():
        return earlier
    claim = contents.whole(claim)
    refuse_unready(claim)
    before = latest(claim)
    content = contents.contents(
        claim,
        number=before.number + 1 if before else 1,
        supersedes=before.number if before else None,
        actor=actor,
        at=at,
    )
    refuse_outdated(claim, content["said"])
    with files.workshop() as folder:
        built = building.build(content, folder, progress)
        facts = kept(built) | sealed(content)
    with transaction.atomic():
        evidence.lock_head(claim.site)
        refuse_overtaken(claim, before)
        packet = Packet(uuid=uuid, claim=claim, supersedes=before, actor=actor, at=at, **facts)
        packet.save(force_insert=True)
        tell(packet)
        stored(packet)
    return packet


def latest(claim):
    """The packet that stands, None before the first."""
    return Packet.objects.filter(claim=claim, superseded_by__isnull=True).order_by("-number").first()


def is_current(claim):
    """Whether the packet that stands tells of the claim and its record as they are now."""
    packet = latest(claim)
    return packet is not None and tells(packet, contents.said(claim))


def tells(packet, said):
    return evidence.canonical(packet.content["said"]) == evidence.canonical(said)


def remake(packet, folder):
    """The files of a packet built again in `folder` from its frozen content: the same bytes, or a Refused that says
    which picture is printed differently now. Compare the hashes; nothing is written."""
    return building.build(packet.content, folder)


# -- what it needs


def what_it_needs(claim):
    """Sentences for what has to be there before a packet can be made: without somebody who claims, somebody to claim
    from and an amount it would be no claim."""
    if not claim.lines.filter(live=True).exists():
        yield _("There is no piece on this claim: add one.")
    if claim.is_handover:
        return
    if not claim.claimant:
        yield _("Say who claims.")
    if claim.carrier is None:
        yield _("Say against whom the claim is.")
    if claim.amount is None:
        yield _("A line has no amount yet: price it.")


def refuse_unready(claim):
    if needs := list(what_it_needs(claim)):
        raise Refused(" ".join(needs), code="packet_not_ready")


def refuse_outdated(claim, said):
    """The schedule is worked out anew, and must come to what the claim demands."""
    now, demanded = said["schedule"]["total"], said["claim"]["amount"]
    if not claim.is_handover and now != demanded:
        raise Refused(
            _(
                "The terms have changed since the lines were priced: they come to %(now)s, the claim says "
                "%(demanded)s. Open a line and save it, and all are worked out again."
            )
            % {"now": now or "-", "demanded": demanded},
            code="packet_outdated",
        )


# -- kept


def kept(built: Built):
    """Store the files under their hashes, on the disk before the row that speaks of them; columns of the packet."""
    found = {"pages": built.pages}
    for kind in ("pdf", "xlsx", "zip"):
        path, sha256 = getattr(built, kind), built.hashes[kind]
        found[f"{kind}_size"] = path.stat().st_size
        found[f"{kind}_sha256"] = sha256
        found[kind] = files.keep_file(f"packets/{sha256[:2]}/{sha256}.{kind}", path)
    return found


def sealed(content):
    log = content["made"]["log"]
    return {
        "number": content["made"]["number"],
        "content": content,
        "content_sha256": evidence.sha256(evidence.canonical(content)),
        "log_seq": log["seq"],
        "log_head": log["hash"],
    }


def refuse_overtaken(claim, before):
    if latest(claim) != before:
        raise ChangedMeanwhile(
            _("Somebody else made a packet of %(claim)s meanwhile. Look at that one first.") % {"claim": claim}
        )
    if not Claim.objects.filter(pk=claim.pk, version=claim.version).exists():
        raise ChangedMeanwhile(
            _("Somebody changed %(claim)s while its packet was made. Make it again.") % {"claim": claim}
        )


def tell(packet):
    evidence.append(
        site=packet.claim.site,
        verb="packet.made",
        record=packet,
        arrival=packet.claim.shipment.arrival,
        actor=packet.actor,
        at=packet.at,
        after=evidence.facts(packet, TOLD),
    )
