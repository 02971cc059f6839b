"""By which rules carriers are judged at a site, or over all sites. The only writer of JudgingRule.

Two rules are a site's own; every other setting is one for all (`scorecard.compare.Settings`). A card keeps the rules it
was issued under, and is restated under them.
"""

from dataclasses import replace

from django.db import transaction
from django.utils.translation import gettext as _

from claims import company
from claims.models import JudgingRule
from claims.scorecard.compare import DEFAULTS, Settings
from receiving import evidence
from receiving.refusals import ChangedMeanwhile, Refused

TOLD = ("false_share", "trailer_cap")


def rules(site):
    """All that were set for the site or for all sites, the newest first."""
    return JudgingRule.objects.filter(site=company.column(site)).select_related("actor").order_by("-pk")


def settings(site) -> Settings:
    """The settings in force; one query."""
    rule = rules(site).first()
    return DEFAULTS if rule is None else of(rule)


def of(rule) -> Settings:
    return replace(DEFAULTS, q=rule.false_share / 100, trailer_cap=rule.trailer_cap)


def frozen(card) -> Settings:
    """The settings that a card was issued under."""
    return Settings(**card.content["settings"])


def change(site, *, false_share: int, trailer_cap: int | None, seen: int, uuid, actor, at) -> JudgingRule:
    """Judge by these from now on. Cards that are issued already keep theirs.

    false_share -- 5 or 10, per cent; trailer_cap -- 10, per cent, or None; seen -- key of the rule that was in force
    when its author looked, 0 for none. Raises Refused, ChangedMeanwhile.
    """
    if earlier := JudgingRule.objects.filter(uuid=uuid).first():
        return earlier
    refuse_unknown("false_share", false_share, JudgingRule.FALSE_SHARES)
    refuse_unknown("trailer_cap", trailer_cap, JudgingRule.TRAILER_CAPS)
    with transaction.atomic():
        company.lock_heads(site)
        before = rules(site).first()
        if (before.pk if before else 0) != seen:
            raise ChangedMeanwhile(
                _("%(person)s has changed these rules meanwhile. Look at them as they are now, then change them.")
                % {"person": before.actor}
            )
        was = settings(site)
        given = {"site": company.column(site), "false_share": false_share, "trailer_cap": trailer_cap}
        row = JudgingRule(uuid=uuid, actor=actor, at=at, **given)
        if of(row) == was:
            raise Refused(_("That is what holds already, so there is nothing to change."), code="rules_unchanged")
        row.save(force_insert=True)
        company.tell(
            site,
            verb="judging.changed",
            record=row,
            actor=actor,
            at=at,
            before={"false_share": round(100 * was.q), "trailer_cap": was.trailer_cap},
            after=evidence.facts(row, TOLD),
        )
    return row


def refuse_unknown(name, value, known):
    if value not in known:
        raise Refused(
            _("%(value)s is not one of the values whose effect is known. Choose one of the list.") % {"value": value},
            code="rule_unknown",
            field=name,
        )
