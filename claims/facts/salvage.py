"""Damaged goods sold after filing (49 CFR 370.11): what they brought comes off the lines, and may make a refund due."""

from decimal import Decimal

from django.utils.translation import gettext as _

from claims import drafting
from claims.enums import LineKind
from claims.facts.needs import check_cents
from claims.facts.telling import tell_change, write
from claims.models import ClaimLine, SalvageLot
from receiving import dispositions
from receiving.refusals import Refused


def net(lot):
    """What a lot brought less what selling it cost, never below nought."""
    return max(lot["gross"] - (lot.get("costs") or 0), Decimal(0))


def check(claim, lines, lots):
    """Lots are of damaged goods on this claim, each with its own number, and of no food that is held."""
    if not lots:
        raise Refused(_("Write down one lot at least."), code="lots_missing")
    sold = set(live_lots(claim).values_list("line", "lot"))
    for lot in lots:
        line = lines.get(lot["line"])
        if line is None:
            raise Refused(
                _("That line is not on %(claim)s any more.") % {"claim": claim}, code="line_gone", field="line"
            )
        check_line(line)
        check_lot(claim, lot)
        if (line.pk, lot["lot"].strip()) in sold:
            raise Refused(
                _("Lot %(lot)s of line %(line)s is sold already. Write another lot number.")
                % {"lot": lot["lot"], "line": line},
                code="lot_sold",
                field="lot",
            )
        sold.add((line.pk, lot["lot"].strip()))


def check_line(line):
    if line.kind != LineKind.DAMAGE:
        raise Refused(
            _("Line %(line)s is of pieces that did not come: there is nothing to sell.") % {"line": line},
            code="nothing_to_sell",
            field="line",
        )
    if line.discrepancy.food_hold:
        raise dispositions.held_food(line.discrepancy, "line")


def check_lot(claim, lot):
    for name, words in (("lot", _("Write the lot's number.")), ("method", _("Say how it was disposed of."))):
        if not lot.get(name, "").strip():
            raise Refused(words, code=f"{name}_missing", field=name)
    for name in ("gross", "costs"):
        if (lot.get(name) or 0) < 0:
            raise Refused(_("%(amount)s is below nought.") % {"amount": lot[name]}, code="negative", field=name)
        check_cents(claim, lot.get(name) or Decimal(0), name)


def live_lots(claim):
    return SalvageLot.objects.filter(fact__claim=claim, fact__reversed_by=None)


def sell(claim, fact, lots, *, actor, at):
    """Write the lots and take what they brought off their lines, in the caller's transaction."""
    rows = [row(fact, lot) for lot in lots]
    write(claim, rows, actor=actor, at=at)
    move(claim, [(lot["line"], net(lot)) for lot in lots], actor=actor, at=at)


def row(fact, lot):
    texts = {name: lot.get(name, "").strip() for name in ("lot", "method", "buyer")}
    return SalvageLot(
        fact=fact,
        line_id=lot["line"],
        related_buyer=bool(lot.get("related_buyer")),
        gross=lot["gross"],
        costs=lot.get("costs") or Decimal(0),
        remitted_on=lot.get("remitted_on"),
        **texts,
    )


def take_back(claim, fact, *, actor, at):
    """The lots of a fact that was reversed were not sold: their lines are worth more again."""
    lots = [(lot.line_id, -net({"gross": lot.gross, "costs": lot.costs})) for lot in fact.lots.all()]
    move(claim, lots, actor=actor, at=at)


def move(claim, amounts, *, actor, at):
    """Add to the salvage of lines and work the claim out anew. amounts -- (line's key, amount)"""
    before = drafting.told(claim)
    for line, amount in amounts:
        # Read and written back in Python: the database of the small installation adds decimals up as floats.
        salvage = ClaimLine.objects.values_list("salvage", flat=True).get(pk=line)
        ClaimLine.objects.filter(pk=line).update(salvage=salvage + amount)
    drafting.work_out(claim)
    claim.refresh_from_db()
    tell_change(claim, "claim.salvage", before, actor=actor, at=at)
