"""Claims in the one search box by our number (ALD-26-0007 or 26-0007) and by the carrier's own, scorecards by theirs
(S-0012 or ALD-S-0012, SA-0012 where it is of all sites). Reads only."""

import re

from django.db.models import Q
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from claims.enums import FactKind
from claims.models import Claim, Fact, Scorecard
from claims.valuation import words
from receiving import rules, search
from receiving.models.base import Compact

CARD_NUMBER = re.compile(r"(?:([A-Z]{3,4})[-\s]?)?S[-\s]?0*([0-9]{1,9})", re.IGNORECASE)
COMPANY_CARD_NUMBER = re.compile(r"SA[-\s]?0*([0-9]{1,9})", re.IGNORECASE)
OUR_NUMBER = re.compile(r"(?:([A-Z]{3,4})[-\s]?)?([0-9]{2})[-\s]([0-9]{1,6})", re.IGNORECASE)


def bearing(reading, sites, exact):
    """Claims of these sites that bear the number, or whose carrier's number begins with it."""
    named = Fact.objects.filter(kind=FactKind.ACKNOWLEDGED).alias(bare=Compact("reference"))
    named = named.filter(bare=reading.compact) if exact else named.filter(bare__startswith=reading.compact)
    found = Q(pk__in=named.values("claim")) | (own(reading.text) if exact else Q(pk=None))
    rows = Claim.objects.filter(found, site__in=sites)
    return rows.select_related("site", "carrier", "account").order_by("-pk")


def own(text):
    """The condition that a claim has this number of ours."""
    if not (written := OUR_NUMBER.fullmatch(text.strip())):
        return Q(pk=None)
    site, year, number = written.groups()
    found = Q(year=2000 + int(year), number=int(number))
    return found & Q(site__code=site.upper()) if site else found


def said(claim):
    """Where the claim is, against whom, for whom and for how much."""
    worth = _("no amount yet")
    if claim.amount is not None:
        worth = f"{claim.currency} {words.money(claim.amount, claim.currency)}"
    return ", ".join(str(part) for part in (claim.get_stage_display(), claim.carrier, claim.account, worth) if part)


KIND = search.Kind("claims", gettext_lazy("Claims"), "money", rules.SEE_CLAIMS, bearing, said)


def cards_bearing(reading, sites, exact):
    """Scorecards of these sites with this number. Numbers alone are those of trailers and pieces."""
    rows = Scorecard.objects.none()
    if exact and (written := CARD_NUMBER.fullmatch(reading.text.strip())):
        site, number = written.groups()
        rows = Scorecard.objects.filter(site__in=sites, number=int(number))
        rows = rows.filter(site__code=site.upper()) if site else rows
    return listed(rows)


def company_cards_bearing(reading, _sites, exact):
    """The scorecard of all sites with this number."""
    rows = Scorecard.objects.none()
    if exact and (written := COMPANY_CARD_NUMBER.fullmatch(reading.text.strip())):
        rows = Scorecard.objects.filter(site=None, number=int(written[1]))
    return listed(rows)


def listed(rows):
    return rows.defer("content").select_related("site", "carrier", "restated_by").order_by("-pk")


def card_said(card):
    """Whose it is and of which month; no verdict, which needs its range beside it."""
    parts = [card.carrier, date_format(card.month, "F Y")]
    if later := getattr(card, "restated_by", None):
        parts.append(_("%(card)s took its place") % {"card": later})
    return ", ".join(map(str, parts))


CARDS = search.Kind("scorecards", gettext_lazy("Scorecards"), "chart", rules.SEE_CLAIMS, cards_bearing, card_said)
COMPANY_CARDS = search.Kind(
    "company_scorecards",
    gettext_lazy("Scorecards of all sites"),
    "chart",
    rules.SEE_CLAIMS,
    company_cards_bearing,
    card_said,
    company=True,
)
KINDS = (KIND, CARDS, COMPANY_CARDS)
