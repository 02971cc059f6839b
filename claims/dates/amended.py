"""Whether what the carrier holds is the claim as it was last amended."""

from collections import defaultdict
from datetime import datetime

from claims import standing
from claims.enums import FactKind, FilingWay, LetterKind
from claims.models import Bounce, Fact, Letter, Message, Packet

UNMADE, UNSENT = "unmade", "unsent"


def behind(facts) -> dict[int, str]:
    """{claim: `unmade` or `unsent`} of the claims whose last amendment stands in no packet, or in one that has not
    gone. No query where nothing was amended, else five whatever the number.

    facts -- {claim: what `readings.happened` gives}
    A packet has gone when every part of it went by e-mail and did not come back, or when a letter of amendment that
    is younger went on paper, for the packet goes with it.
    """
    amended = {claim: last for claim, found in facts.items() if (last := last_amendment(found))}
    if not amended:
        return {}
    since = dict(Fact.objects.filter(pk__in=amended.values()).values_list("claim", "at"))
    made = made_since(since)
    gone = arrived({packet for packets in made.values() for packet in packets})
    on_paper = letters_on_paper(since)
    found = {}
    for claim in amended:
        packets = made.get(claim)
        if not packets:
            found[claim] = UNMADE
        elif not gone & packets.keys() and not any(went >= min(packets.values()) for went in on_paper[claim]):
            found[claim] = UNSENT
    return found


def last_amendment(facts):
    return max((fact.key for fact in standing.live(facts) if fact.kind == FactKind.AMENDED), default=None)


def made_since(since) -> dict[int, dict[int, datetime]]:
    """{claim: {packet: when it was made}} of the packets that are no older than these moments."""
    found = defaultdict(dict)
    for claim, packet, at in Packet.objects.filter(claim__in=since).values_list("claim", "pk", "at"):
        if at >= since[claim]:
            found[claim][packet] = at
    return found


def arrived(packets) -> set[int]:
    """Those of these packets that went by e-mail in all their parts, each at least once without coming back."""
    back = set(Bounce.objects.filter(message__packet__in=packets).values_list("message", flat=True))
    went, wanted = defaultdict(set), {}
    rows = Message.objects.filter(packet__in=packets)
    for message, packet, part, parts in rows.values_list("pk", "packet", "part", "parts"):
        wanted[packet] = parts
        went[packet].update(set() if message in back else {part})
    return {packet for packet, parts in wanted.items() if len(went[packet]) >= parts}


def letters_on_paper(claims) -> dict[int, list[datetime]]:
    """{claim: when letters of amendment went otherwise than by e-mail}"""
    found = defaultdict(list)
    rows = Letter.objects.filter(claim__in=claims, kind=LetterKind.AMENDMENT, sent_at__isnull=False)
    for claim, at in rows.exclude(sent_way=FilingWay.EMAIL).values_list("claim", "sent_at"):
        found[claim].append(at)
    return found
