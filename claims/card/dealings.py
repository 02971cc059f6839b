"""What stands on a card beside the counts: how the carrier handles claims, money, and what was agreed with it."""

from calendar import monthrange

from claims import company, handling, periods
from claims.card import book as books
from claims.models import ReviewNote
from claims.packet.wording import amount, day
from claims.periods import Choice, Period
from claims.scorecard.verdicts import number
from receiving.enums import Kind


def claims(book, carrier, *, at) -> dict:
    """Claims filed against the carrier in the twelve months, as they stand at `at`, in words."""
    period = book.periods[books.YEAR]
    last = period.last.replace(day=monthrange(period.last.year, period.last.month)[1])
    found = handling.handling(book.sites, carrier, period.first, last, at=at)
    return {
        "filed": number(found.filed),
        "acknowledged": in_time(found.acknowledged),
        "decided": in_time(found.decided),
        "median": median(found.median),
        "money": [money_row(money, found.recovered.get(currency)) for currency, money in found.money.items()],
    }


def in_time(kept) -> dict:
    done = kept.in_time + kept.late
    return {
        "counts": f"{number(kept.in_time)} of {number(done)}" if done else "",
        "share": percent(kept.share),
        "running": number(kept.running) if kept.running else "",
    }


def percent(share):
    if share is None:
        return ""
    return f"{round(100 * share.share)}% ({round(100 * share.low)}% to {round(100 * share.high)}%)"


def median(found) -> dict:
    """Days until half are decided, those still open counted as open; `days` is empty where half are not yet."""
    ends = [None if end is None else number(end) for end in (found.low, found.high)]
    return {
        "days": "" if found.days is None else number(found.days),
        "low": ends[0] or "",
        "high": ends[1] or "",
        "closed": number(found.closed),
        "open": number(found.open),
    }


def money_row(money, recovery) -> dict:
    names = ("claimed", "allowed", "disallowed", "undecided", "kept", "open")
    told = {name: amount(getattr(money, name), money.currency) for name in names}
    rate = recovery and recovery.rate
    return told | {
        "currency": money.currency,
        "recovered": "" if rate is None else f"{round(100 * rate)}%",
        "decided": number(recovery.claims) if recovery else number(0),
        "one_claim": bool(recovery and recovery.one_claim_is_most),
    }


# --- what was agreed --------------------------------------------------------------------------------------------------


def agreed(book, carrier, *, today) -> list[dict]:
    """What was agreed with the carrier and nobody has closed, oldest first, each with the damage before and since."""
    rows = review_rows(book.site, carrier).filter(closes=None, closed_by=None, on__lte=today)
    return [
        {
            "site": row.site.code if row.site else "",
            "text": row.text,
            "on": day(row.on),
            "with": row.agreed_with,
            "by_when": day(row.by_when),
            "late": bool(row.by_when and row.by_when < today),
            "who": row.who,
            "before": damaged(book, row.site, carrier, Period.rolling(periods.month_back(row.on.replace(day=1), 1))),
            "since": since(book, row.site, carrier, row.on),
        }
        for row in rows.order_by("on", "pk")
    ]


def review_rows(site, carrier):
    """Of all sites also what was agreed at each of them."""
    rows = ReviewNote.objects.filter(carrier=carrier).select_related("site")
    return rows if company.column(site) is None else rows.filter(site=site)


def since(book, site, carrier, on):
    """Damage in the months after the one of the talk, up to the card's; None while there is none."""
    first = periods.month_back(on.replace(day=1), -1)
    return damaged(book, site, carrier, Period(first, book.month)) if first <= book.month else None


def damaged(book, site, carrier, period) -> dict:
    """At the site where it was agreed, or at all that the card is of."""
    sites = (site,) if site else book.sites
    comparison = periods.comparison(Choice(sites, period, Kind.DAMAGED), book.settings)
    return books.cell(next((each for each in comparison.standings if each.key == carrier.pk), None))
