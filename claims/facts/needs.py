"""What each kind of fact says of itself, and what of it cannot be."""

from dataclasses import dataclass
from datetime import timedelta

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims.enums import FactKind, Ground, ReceiptKind, Speaker
from claims.money import cents
from claims.valuation.words import money as in_words
from receiving import clock
from receiving.refusals import Refused


@dataclass(frozen=True)
class Needs:
    """Columns of `Fact` that a kind needs, and those it may say beside them. Every kind has its day.

    any_day -- it may have happened before the claim was filed; handover -- it also happens to a hand-over
    """

    needed: tuple[str, ...]
    also: tuple[str, ...] = ()
    any_day: bool = False
    handover: bool = False

    @property
    def columns(self):
        return (*self.needed, *self.also)


NEEDS = {
    FactKind.ACKNOWLEDGED: Needs(("reference", "received_on"), ("by_name", "note", "document"), handover=True),
    FactKind.PAPERS_ASKED: Needs(("note",), ("until", "by_name", "document"), handover=True),
    FactKind.PAPERS_SENT: Needs(("note",), ("answers", "document"), handover=True),
    FactKind.STATUS: Needs(("note",), ("by_name", "document"), handover=True),
    FactKind.OFFER: Needs(("amount",), ("until", "in_writing", "speaker", "by_name", "reference", "note", "document")),
    FactKind.OFFER_DECLINED: Needs(("answers",), ("note", "document")),
    FactKind.DECISION: Needs(
        ("in_writing", "speaker"), ("by_name", "papers_returned", "reference", "note", "document")
    ),
    FactKind.CONTESTED: Needs(("note",), ("answers", "document")),
    FactKind.AGREED: Needs(("amount",), ("answers", "by_name", "in_writing", "note", "document")),
    FactKind.RECEIPT: Needs(("amount", "receipt_kind"), ("reference", "by_name", "note", "document"), any_day=True),
    FactKind.OFFSET: Needs(("amount", "reference"), ("by_name", "note", "document"), any_day=True),
    FactKind.REFUND: Needs(("amount",), ("reference", "note", "document")),
    FactKind.PASSED_ON: Needs(("amount", "by_name"), ("reference", "note", "document")),
    FactKind.SALVAGE: Needs((), ("note", "document"), any_day=True),
    FactKind.AMENDED: Needs(("note",)),
    FactKind.WRITTEN_OFF: Needs(("amount", "note")),
    FactKind.COUNSEL: Needs(("by_name",), ("reference", "note", "document"), any_day=True),
    FactKind.SUED: Needs(("by_name", "reference"), ("note", "document")),
    FactKind.NOTE: Needs(("note",), ("document",), any_day=True, handover=True),
}

MISSING = {
    "amount": gettext_lazy("Write the amount."),
    "reference": gettext_lazy("Write the number it goes by."),
    "received_on": gettext_lazy("Write the day on which the carrier says it received the claim."),
    "receipt_kind": gettext_lazy("Say whether the money is on account or in full."),
    "speaker": gettext_lazy("Say who decided."),
    "by_name": gettext_lazy("Write the name."),
    "in_writing": gettext_lazy("Say whether it came in writing."),
    "note": gettext_lazy("Write what was said or why."),
    "answers": gettext_lazy("Choose what it answers."),
}

ANSWERED = {
    FactKind.PAPERS_SENT: FactKind.PAPERS_ASKED,
    FactKind.OFFER_DECLINED: FactKind.OFFER,
    FactKind.AGREED: FactKind.OFFER,
    FactKind.CONTESTED: FactKind.DECISION,
}


def check(claim, kind, facts, *, at):
    """Refuse a fact that lacks something, happened on a day it cannot have, or does not happen to such a claim."""
    needs = NEEDS[kind]
    if unknown := set(facts) - {"on", *needs.columns}:
        raise ValueError(f"A fact of kind {kind} does not say {', '.join(sorted(unknown))}")
    if claim.is_handover and not needs.handover:
        raise Refused(
            _("%(claim)s is a hand-over and asks for nothing: this does not happen to it.") % {"claim": claim},
            code="handover",
        )
    for name in needs.needed:
        if facts.get(name) in (None, "") or (isinstance(facts[name], str) and not facts[name].strip()):
            raise Refused(MISSING[name], code=f"{name}_missing", field=name)
    check_choices(facts)
    check_days(claim, needs, facts, at)
    check_amount(claim, kind, facts.get("amount"))
    check_belongs(claim, kind, facts)


CHOICES = {"speaker": Speaker, "receipt_kind": ReceiptKind}


def check_choices(facts):
    for name, choices in CHOICES.items():
        if facts.get(name) and facts[name] not in choices.values:
            raise Refused(_("“%(value)s” is none of the choices.") % {"value": facts[name]}, code="choice", field=name)


def check_cents(claim, amount, field):
    """Money that comes or goes is whole cents, or sums of it would not add up."""
    if amount != cents(amount, claim.currency):
        raise Refused(
            _("%(amount)s is finer than the smallest unit of %(currency)s. Round it.")
            % {"amount": amount, "currency": claim.currency},
            code="finer_than_cents",
            field=field,
        )


def check_amount(claim, kind, amount):
    if amount is not None and amount <= 0:
        raise Refused(
            _("%(amount)s is no amount of %(currency)s. Write one above nought.")
            % {"amount": amount, "currency": claim.currency},
            code="amount_not_positive",
            field="amount",
        )
    if amount is not None:
        check_cents(claim, amount, "amount")
    if kind in (FactKind.OFFER, FactKind.AGREED) and amount > claim.amount:
        raise Refused(
            _("%(currency)s %(amount)s is more than the %(claimed)s that %(claim)s asks for. Check the amount.")
            % {
                "currency": claim.currency,
                "amount": in_words(amount, claim.currency),
                "claimed": in_words(claim.amount, claim.currency),
                "claim": claim,
            },
            code="amount_above_claim",
            field="amount",
        )


def check_days(claim, needs, facts, at):
    """No day is to come but the end of an offer; what answers a claim does not come before its filing."""
    today = clock.site_day(at, claim.site.time_zone)
    for name in ("on", "received_on"):
        if (day := facts.get(name)) and day > today:
            raise Refused(
                _("%(day)s is still to come. Write the day it happened.") % {"day": words(day)},
                code="day_to_come",
                field=name,
            )
    if not needs.any_day and facts["on"] < claim.filed_on:
        raise too_early(claim, facts["on"], "on")
    # The carrier's own calendar may be a day behind the site's.
    if (day := facts.get("received_on")) and day < claim.filed_on - timedelta(days=1):
        raise too_early(claim, day, "received_on")
    if (day := facts.get("received_on")) and day > facts["on"]:
        raise Refused(
            _("It was acknowledged on %(on)s, so it was not received later, on %(day)s. Check both days.")
            % {"on": words(facts["on"]), "day": words(day)},
            code="received_after",
            field="received_on",
        )
    if (end := facts.get("until")) and end < facts["on"]:
        raise Refused(
            _("%(end)s is before it began, on %(on)s. Check both days.")
            % {"end": words(end), "on": words(facts["on"])},
            code="ends_before",
            field="until",
        )


def too_early(claim, day, field):
    return Refused(
        _("%(day)s is before %(claim)s was filed, on %(filed)s. Check the day.")
        % {"day": words(day), "claim": claim, "filed": words(claim.filed_on)},
        code="day_too_early",
        field=field,
    )


def check_belongs(claim, kind, facts):
    """What a fact points at is this claim's own, and of the kind it answers."""
    document, answered = facts.get("document"), facts.get("answers")
    if document is not None and document.claim_id != claim.pk:
        raise Refused(_("That document belongs to another claim."), code="document_elsewhere", field="document")
    if answered is None:
        return
    if answered.claim_id != claim.pk or answered.kind != ANSWERED[kind] or answered.reverses_id:
        raise Refused(_("That is nothing this could answer. Choose again."), code="answers_elsewhere", field="answers")


def check_decisions(claim, lines, decisions):
    """Each decided line is divided wholly into what is allowed and what is not, and each no has its ground.

    lines -- {key: the live ClaimLine}; decisions -- dicts of line (its key), allowed, disallowed, ground, note
    """
    if not decisions:
        raise Refused(_("Say of one line at least what was decided."), code="decisions_missing")
    for said in decisions:
        line = lines.get(said["line"])
        if line is None:
            raise Refused(_("That line is not on %(claim)s any more.") % {"claim": claim}, code="line_gone")
        name = f"line-{line.pk}"
        if said["allowed"] < 0 or said["disallowed"] < 0:
            raise Refused(
                _("Line %(line)s: nothing is allowed or disallowed below nought.") % {"line": line},
                code="negative",
                field=f"{name}-allowed",
            )
        check_cents(claim, said["allowed"], f"{name}-allowed")
        if said["allowed"] + said["disallowed"] != line.amount:
            raise uneven(claim, line, said, f"{name}-allowed")
        check_ground(line, said, f"{name}-ground")


def uneven(claim, line, said, field):
    numbers = {"allowed": said["allowed"], "disallowed": said["disallowed"], "claimed": line.amount}
    told = {name: in_words(number, claim.currency) for name, number in numbers.items()}
    return Refused(
        _("Line %(line)s: %(allowed)s allowed and %(disallowed)s disallowed are not the %(claimed)s claimed.")
        % (told | {"line": line}),
        code="decision_uneven",
        field=field,
    )


def check_ground(line, said, field):
    ground = said.get("ground", "")
    if said["disallowed"] and not ground:
        raise Refused(
            _("Line %(line)s: say on what ground it was disallowed.") % {"line": line},
            code="ground_missing",
            field=field,
        )
    if ground == Ground.OTHER and not said.get("note", "").strip():
        raise Refused(
            _("Line %(line)s: write the other ground in their words.") % {"line": line},
            code="ground_unsaid",
            field=field.replace("ground", "note"),
        )
    if ground and ground not in Ground.values:
        raise Refused(_("“%(ground)s” is no ground of ours.") % {"ground": ground}, code="ground", field=field)


def words(day):
    return date_format(day, "D j M Y")
