"""The only door to a claim's stage: file, withdraw, close, reopen.

A stage changes by `UPDATE ... WHERE stage = old AND version = seen`: of two people at once one is told. Filing freezes
the terms and names the packet that was handed over. A claim that is withdrawn frees its pieces and keeps its number.
"""

from dataclasses import dataclass
from uuid import uuid4

from django.db import transaction
from django.db.models import F
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from claims import completeness, documents, drafting, readings, terms
from claims.enums import STAGE_MOVES, FilingWay, Purpose, Stage, Standing
from claims.models import Claim
from claims.packet import assemble
from claims.valuation.words import money as in_words
from receiving import clock, evidence
from receiving.refusals import ChangedMeanwhile, Refused


class WrongStage(Refused):
    """The claim is not where this step starts from."""

    status = 409


class NotFileable(Refused):
    """Something the claim needs before it can be filed; the message lists it."""

    status = 409


class NotClosable(Refused):
    """Money is still open on one side or the other."""

    status = 409


# -- the door


def fresh(claim):
    rows = Claim.objects.select_related("site", "account", "carrier", "second_carrier", "terms", "shipment__arrival")
    return rows.get(pk=claim.pk)


def advance(claim, *, to, verb, actor, at, seen=None, also=None, told=None):
    """Move the claim to `to`, write the event, give the claim as it is now. Raises WrongStage or ChangedMeanwhile.

    seen -- the version somebody looked at; else the one in hand
    also -- columns that change with the stage; told -- what else the event says
    """
    if to not in STAGE_MOVES[Stage(claim.stage)]:
        raise wrong_stage(claim)
    with transaction.atomic():
        version = claim.version if seen is None else seen
        rows = Claim.objects.filter(pk=claim.pk, stage=claim.stage, version=version)
        if not rows.update(stage=to, stage_since=at, version=F("version") + 1, **(also or {})):
            raise overtaken(claim)
        now = fresh(claim)
        names = ["stage", *(name for name in also or {} if name != "frozen_terms")]
        evidence.append(
            site=claim.site,
            verb=verb,
            record=claim,
            actor=actor,
            at=at,
            arrival=claim.shipment.arrival,
            before=evidence.facts(claim, names),
            after=evidence.facts(now, names) | (told or {}),
        )
    return now


def hold(claim, *, seen=None):
    """Take a filed claim in hand until the transaction ends: its version goes up, whoever else comes waits.

    seen -- the version somebody looked at, if they did. Raises WrongStage or ChangedMeanwhile; gives the claim.
    """
    rows = Claim.objects.filter(pk=claim.pk, stage=Stage.FILED)
    if seen is not None:
        rows = rows.filter(version=seen)
    if not rows.update(version=F("version") + 1):
        now = fresh(claim)
        raise overtaken(now) if now.stage == Stage.FILED else wrong_stage(now)
    return fresh(claim)


def wrong_stage(claim):
    said = {"claim": claim, "day": day_words(claim.stage_since, claim)}
    words = {
        Stage.DRAFT: _("%(claim)s is a draft still. File it first."),
        Stage.FILED: _("%(claim)s is filed since %(day)s. Reload the page; what comes next is on it."),
        Stage.CLOSED: _("%(claim)s is closed since %(day)s. Reopen it first, with the reason."),
        Stage.WITHDRAWN: _("%(claim)s was withdrawn on %(day)s and stays so. Draft a new claim for its pieces."),
    }
    return WrongStage(words[claim.stage] % said, code=f"claim_{claim.stage}")


def overtaken(claim):
    return ChangedMeanwhile(
        _("Somebody else changed %(claim)s meanwhile. Nothing was written; look at it again, then decide.")
        % {"claim": claim}
    )


def day_words(moment, claim):
    return date_format(clock.local(moment, claim.site.time_zone), "D j M Y")


# -- filing


def file_claim(claim, *, way, on, actor, at, reasons=None, proof=None, no_proof="", seen=None):
    """Write down that the claim was handed over, by `way` on the site's day `on`. Gives the claim.

    reasons -- {code of a gap: why there is none}, for gaps that have no reason yet
    proof -- a Document of this claim that proves the filing; no_proof -- why there is none. What was e-mailed from
        here proves itself
    Refused while `readiness` says that something stands in the way.
    """
    claim = fresh(claim)
    if claim.stage != Stage.DRAFT:
        raise wrong_stage(claim)
    check_day(claim, on, at)
    packet = assemble.latest(claim)
    check_proof(claim, packet, way, proof, no_proof)
    reasons = {gap: reason for gap, reason in (reasons or {}).items() if reason.strip()}
    refuse_unready(readiness(claim), reasons)
    frozen = terms.frozen(claim.terms) if claim.terms else None
    with transaction.atomic():
        # The claim before the log, as everywhere: the other way round two could wait for each other.
        if not Claim.objects.filter(pk=claim.pk, version=claim.version).update(version=claim.version):
            raise overtaken(claim)
        for gap, reason in reasons.items():
            documents.state_reason(claim, gap=gap, reason=reason, uuid=uuid4(), actor=actor, at=at)
        return advance(
            claim,
            to=Stage.FILED,
            verb="claim.filed",
            actor=actor,
            at=at,
            seen=seen,
            also={
                "filed_at": at,
                "filed_on": on,
                "filing_way": way,
                "frozen_terms": frozen,
            },
            told=handed_over(claim, frozen, packet, proof, no_proof),
        )


def file_again(claim, *, way, on, actor, at, proof=None, no_proof="", seen=None):
    """Write down that a claim which went by e-mail and came back was handed over another way, on the site's day `on`:
    that is the day it was filed. Gives the claim.
    """
    claim = fresh(claim)
    if claim.stage != Stage.FILED or claim.filing_way != FilingWay.EMAIL or way == FilingWay.EMAIL:
        raise wrong_stage(claim)
    check_day(claim, on, at)
    packet = assemble.latest(claim)
    check_proof(claim, packet, way, proof, no_proof)
    before = evidence.facts(claim, ["filed_on", "filing_way"])
    with transaction.atomic():
        version = claim.version if seen is None else seen
        rows = Claim.objects.filter(pk=claim.pk, stage=Stage.FILED, version=version)
        if not rows.update(filed_on=on, filing_way=way, version=F("version") + 1):
            raise overtaken(claim)
        now = fresh(claim)
        after = evidence.facts(now, ["filed_on", "filing_way"])
        after |= handed_over(now, now.frozen_terms, packet, proof, no_proof)
        told = {"verb": "claim.filed_again", "record": claim, "before": before, "after": after}
        evidence.append(site=claim.site, actor=actor, at=at, arrival=claim.shipment.arrival, **told)
    return now


def refuse_unready(found, reasons):
    if found.stops:
        raise NotFileable(" ".join(found.stops), code="not_fileable")
    if lacking := [gap for gap in found.unexplained if gap.code not in reasons]:
        names = ", ".join(str(gap.words) for gap in lacking)
        raise NotFileable(
            _("Add what is missing, or say for each why there is none: %(gaps)s.") % {"gaps": names},
            code="gap_without_reason",
        )


def check_day(claim, on, at):
    """The day of a filing is neither to come nor before the claim was begun."""
    zone = claim.site.time_zone
    if on > clock.site_day(at, zone):
        raise Refused(
            _("The day of filing is still to come. Write the day it was sent."), code="day_to_come", field="on"
        )
    if on < clock.site_day(claim.opened_at, zone):
        raise Refused(
            _("%(claim)s was only begun on %(day)s. Write the day it was sent, that day or later.")
            % {"claim": claim, "day": day_words(claim.opened_at, claim)},
            code="day_too_early",
            field="on",
        )


@dataclass(frozen=True)
class Readiness:
    """What stands between a draft and its filing.

    stops -- sentences that no reason excuses
    unexplained, explained -- what the claim lacks (`completeness.Need`) without a reason yet, and with one
    """

    stops: tuple[str, ...]
    unexplained: tuple
    explained: tuple

    @property
    def is_ready(self):
        return not self.stops and not self.unexplained


def readiness(claim) -> Readiness:
    """Whether the draft can be filed. A hand-over demands nothing, so it needs neither terms nor an amount."""
    gaps = list(completeness.gaps(claim))
    stops = [f"{gap.words}: {gap.lacks}" for gap in gaps if gap.firm]
    if claim.purpose == Purpose.CLAIM:
        stops += demand_needs(claim)
    reasoned = [gap for gap in gaps if not gap.firm]
    return Readiness(
        stops=(*stops, *packet_needs(claim)),
        unexplained=tuple(gap for gap in reasoned if not gap.reason),
        explained=tuple(gap for gap in reasoned if gap.reason),
    )


def demand_needs(claim):
    """What a demand lacks beside the elements of a claim: terms to count its dates by, and something to pay."""
    if claim.terms is None:
        yield _("Choose the terms it is made under: its dates come from them.")
    if claim.amount is not None and not claim.amount:
        yield _("It comes to nothing, and a claim asks for an amount: price its lines.")


def packet_needs(claim):
    if assemble.latest(claim) is None:
        yield _("Make the packet: it is what is handed over.")
    elif not assemble.is_current(claim):
        yield _(
            "The record has changed since the last packet. Make it again, so that what is sent is what stands here."
        )


def check_proof(claim, packet, way, proof, no_proof):
    """A filing is proved by a document, by what was e-mailed from here, or somebody says why it is not."""
    if proof is not None and proof.claim_id != claim.pk:
        raise Refused(_("That document belongs to another claim."), code="proof_elsewhere", field="proof")
    mailed = way == FilingWay.EMAIL and packet is not None and claim.messages.filter(packet=packet).exists()
    if proof is None and not mailed and not no_proof.strip():
        raise Refused(
            _("Choose the proof of filing, such as a receipt or a registered letter's slip, or say why there is none."),
            code="proof_missing",
            field="no_proof",
        )


def handed_over(claim, frozen, packet, proof, no_proof):
    """What the event of a filing says beside the columns: what was handed over, under which terms, and the proof."""
    return {
        "amount": claim.amount,
        "terms": claim.terms.title if claim.terms else "",
        "terms_sha256": evidence.sha256(evidence.canonical(frozen)),
        "packet": packet and packet.number,
        "packet_sha256": packet and packet.pdf_sha256,
        "proof": proof and proof.sha256,
        "no_proof": "" if proof else no_proof.strip(),
    }


# -- withdrawing


def withdraw(claim, *, reason, actor, at, seen=None):
    """Take the claim back with the reason: its pieces are free to be claimed anew, its number stays its own.

    Refused while money that came in on it has not been returned.
    """
    if not reason.strip():
        raise Refused(_("Say why the claim is withdrawn."), code="reason_missing", field="reason")
    claim = fresh(claim)
    if readings.reading(claim, at=at).money.kept:
        raise Refused(
            _("Money came in on %(claim)s. Return it and record that first, or close the claim instead.")
            % {"claim": claim},
            code="money_came_in",
        )
    note = reason.strip()
    with transaction.atomic():
        now = advance(
            claim,
            to=Stage.WITHDRAWN,
            verb="claim.withdrawn",
            actor=actor,
            at=at,
            seen=seen,
            also={"closed_note": note},
            told={"freed": [str(line.discrepancy) for line in live_lines(claim)]},
        )
        drafting.free_pieces(claim, reason=note)
    return now


def live_lines(claim):
    return claim.lines.filter(live=True).select_related("discrepancy").order_by("position")


# -- closing


def close(claim, *, note="", actor, at, seen=None):
    """Close a filed claim on which nothing is open: what was claimed came in, was conceded by agreement, or was written
    off. A hand-over closes whenever somebody says so."""
    claim = fresh(claim)
    if claim.stage == Stage.FILED:
        refuse_open_money(claim, at)
    elif Stage.CLOSED not in STAGE_MOVES[Stage(claim.stage)]:
        raise wrong_stage(claim)
    return advance(
        claim,
        to=Stage.CLOSED,
        verb="claim.closed",
        actor=actor,
        at=at,
        seen=seen,
        also={"closed_note": note.strip()},
    )


def refuse_open_money(claim, at):
    found = readings.reading(claim, at=at)
    money = found.money
    said = {"claim": claim, "currency": money.currency}
    if found.standing == Standing.OVERPAID:
        raise NotClosable(
            _("%(currency)s %(amount)s too much came in on %(claim)s. Return it and record the refund, then close.")
            % (said | {"amount": in_words(money.refund_due, money.currency)}),
            code="refund_due",
        )
    if not found.is_settled:
        raise NotClosable(
            _(
                "%(currency)s %(amount)s is outstanding on %(claim)s. Record what came in or was agreed, or write the "
                "rest off with the reason, then close."
            )
            % (said | {"amount": in_words(money.outstanding, money.currency)}),
            code="money_open",
        )


def reopen(claim, *, reason, actor, at, seen=None):
    """Back from closed to filed, with the reason: a bounced payment, a carton found."""
    if not reason.strip():
        raise Refused(_("Say why the claim is reopened."), code="reason_missing", field="reason")
    claim = fresh(claim)
    if claim.stage != Stage.CLOSED:
        raise wrong_stage(claim)
    return advance(
        claim,
        to=Stage.FILED,
        verb="claim.reopened",
        actor=actor,
        at=at,
        seen=seen,
        also={"closed_note": ""},
        told={"reason": reason.strip()},
    )
