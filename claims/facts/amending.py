"""Changing a filed claim: its lines before and after, with the reason. The packet made next supersedes the last."""

from django.db import transaction
from django.utils.translation import gettext as _

from claims import drafting, filing, readings
from claims.enums import FactKind
from claims.facts import needs
from claims.facts.telling import tell_change, write
from claims.models import Amendment, ClaimLine, Fact
from receiving import evidence
from receiving.refusals import ChangedMeanwhile, Refused


def amend(claim, *, reason, on, uuid, actor, at, values=None, drop=(), pieces=(), seen=None):
    """Change the lines of a filed claim; gives the `Amendment`.

    values -- {line's key: {column of drafting.PRICES: value}}; more of a piece that is on the claim is such a change
    drop -- keys of lines to take off: their pieces are open again; pieces -- Discrepancies of the same bill to add
    Refused where nothing changes, a line cannot be worked out, nothing would be left, or an agreement stands that a
    higher amount would go behind.
    """
    if not reason.strip():
        raise Refused(_("Say why the claim is amended."), code="reason_missing", field="reason")
    with transaction.atomic():
        # The claim before the log, as everywhere: the other way round two could wait for each other.
        claim = filing.hold(claim, seen=seen)
        evidence.lock_head(claim.site)
        needs.check(claim, FactKind.AMENDED, {"on": on, "note": reason}, at=at)
        money, told, before = readings.reading(claim, at=at).money, drafting.told(claim), snapshot(claim)
        change_lines(claim, values or {}, drop, pieces, reason.strip(), at=at)
        drafting.work_out(claim)
        claim.refresh_from_db()
        after = snapshot(claim)
        refuse_amendment(claim, money, before, after)
        [fact] = write(
            claim,
            [Fact(claim=claim, uuid=uuid, kind=FactKind.AMENDED, on=on, amount=claim.amount, note=reason.strip())],
            actor=actor,
            at=at,
        )
        row = Amendment(claim=claim, fact=fact, reason=reason.strip()[:300], before=before, after=after)
        [row] = write(claim, [row], actor=actor, at=at)
        tell_change(claim, "claim.amended", told, actor=actor, at=at)
    return row


def snapshot(claim):
    """The live lines and the amount, as an amendment keeps them."""
    lines = claim.lines.filter(live=True).select_related("discrepancy").order_by("position")
    kept = [
        {"position": line.position, "piece": str(line.discrepancy)} | evidence.facts(line, drafting.LINE_FACTS)
        for line in lines
    ]
    return evidence.plain({"amount": claim.amount, "lines": kept})


def change_lines(claim, values, drop, pieces, reason, *, at):
    for key, said in values.items():
        change_line(claim, key, {name: value for name, value in said.items() if name in drafting.PRICES})
    if drop:
        drafting.drop(claim.lines.filter(pk__in=drop), reason=reason)
    if pieces:
        drafting.put_lines(claim, pieces, at=at)


def change_line(claim, key, said):
    line = claim.lines.filter(pk=key, live=True).first()
    if line is None:
        raise ChangedMeanwhile(_("Somebody else has taken that line off already."))
    for name, value in said.items():
        setattr(line, name, value)
    drafting.check_price(line)
    ClaimLine.objects.filter(pk=key).update(**said)


def refuse_amendment(claim, money, before, after):
    """Roll back what would leave the claim without a line or an amount, or as it was, or behind an agreement's back."""
    if before == after:
        raise Refused(_("Nothing is different. Change a line, or leave the claim as it is."), code="nothing_changed")
    if not after["lines"]:
        raise Refused(_("That would leave no line. Withdraw the claim instead."), code="last_line")
    if claim.amount is None:
        raise Refused(" ".join(claim_needs(claim)), code="undetermined")
    if money.agreed and claim.amount > money.claimed:
        raise Refused(
            _("An agreement stands on %(claim)s. Take it back before more is asked for.") % {"claim": claim},
            code="agreed",
        )


def claim_needs(claim):
    """What the working of a line still asks for, in its own words."""
    lines = claim.lines.filter(live=True, amount=None).order_by("position")
    return [need for line in lines for need in line.working.get("needs", [])]
