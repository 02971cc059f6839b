"""Deadlines in sentences, in the language of whoever reads: built when shown, never stored."""

from datetime import datetime

from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from claims.enums import Binds, Counting, Duty, Trigger

ONE_TO_NINE = [
    gettext_lazy("one"),
    gettext_lazy("two"),
    gettext_lazy("three"),
    gettext_lazy("four"),
    gettext_lazy("five"),
    gettext_lazy("six"),
    gettext_lazy("seven"),
    gettext_lazy("eight"),
    gettext_lazy("nine"),
]
WE_DO = {
    Duty.NOTE_AT_DELIVERY: gettext_lazy("Note visible harm on the receipt by %(date)s"),
    Duty.CONCEALED_NOTICE: gettext_lazy("Report concealed damage and ask for inspection by %(date)s"),
    Duty.NOTICE: gettext_lazy("Give written notice by %(date)s"),
    Duty.DELAY_NOTICE: gettext_lazy("Give notice of delay by %(date)s"),
    Duty.FILE: gettext_lazy("File by %(date)s"),
    Duty.FINAL_STATEMENT: gettext_lazy("Send the final statement with the paid freight bill by %(date)s"),
    Duty.ACKNOWLEDGE: gettext_lazy("Acknowledge by %(date)s"),
    Duty.DECIDE: gettext_lazy("Pay, decline or make a firm offer by %(date)s"),
    Duty.STATUS: gettext_lazy("Say why it is not decided by %(date)s"),
    Duty.SUE: gettext_lazy("Bring suit by %(date)s"),
    Duty.HAZMAT_PHONE: gettext_lazy("Phone in the incident by %(date)s"),
    Duty.HAZMAT_REPORT: gettext_lazy("Send the written incident report by %(date)s"),
    Duty.KEEP: gettext_lazy("Keep the file until %(date)s"),
}
CARRIER_DOES = {
    Duty.ACKNOWLEDGE: gettext_lazy("The carrier has to acknowledge by %(date)s"),
    Duty.DECIDE: gettext_lazy("The carrier has to pay, decline or make a firm offer by %(date)s"),
    Duty.STATUS: gettext_lazy("The carrier has to say why it is not decided by %(date)s"),
    Duty.KEEP: gettext_lazy("The carrier has to keep the file until %(date)s"),
}
HAPPENED = {
    Trigger.DELIVERED: gettext_lazy("delivery on %(date)s"),
    Trigger.BILL_DATE: gettext_lazy("the date of the bill of lading, %(date)s"),
    Trigger.SHIPPED: gettext_lazy("shipment on %(date)s"),
    Trigger.DUE_DELIVERY: gettext_lazy("delivery was due on %(date)s"),
    Trigger.AT_DISPOSAL: gettext_lazy("the goods were placed at our disposal on %(date)s"),
    Trigger.TAKEN_OVER: gettext_lazy("the carrier took the goods over on %(date)s"),
    Trigger.AGREED_LIMIT: gettext_lazy("the agreed time for delivery ended on %(date)s"),
    Trigger.CARRIER_RECEIVED: gettext_lazy("the carrier received the claim on %(date)s"),
    Trigger.DISALLOWED: gettext_lazy("the written disallowance of %(date)s"),
    Trigger.DISCOVERED: gettext_lazy("discovery on %(date)s"),
    Trigger.INCIDENT: gettext_lazy("the incident on %(date)s"),
    Trigger.SETTLED: gettext_lazy("settlement on %(date)s"),
    Trigger.TOTAL_LOSS: gettext_lazy("the goods counted as lost on %(date)s"),
}
NEEDED = {
    Trigger.DELIVERED: gettext_lazy("the day of delivery"),
    Trigger.BILL_DATE: gettext_lazy("the date of the bill of lading"),
    Trigger.SHIPPED: gettext_lazy("the day of shipment"),
    Trigger.DUE_DELIVERY: gettext_lazy("the day delivery was due"),
    Trigger.AT_DISPOSAL: gettext_lazy("the day the goods were placed at our disposal"),
    Trigger.TAKEN_OVER: gettext_lazy("the day the carrier took the goods over"),
    Trigger.AGREED_LIMIT: gettext_lazy("the agreed time for delivery"),
    Trigger.CARRIER_RECEIVED: gettext_lazy("the day the carrier received the claim"),
    Trigger.DISALLOWED: gettext_lazy("the date of the written disallowance"),
    Trigger.DISCOVERED: gettext_lazy("the day of discovery"),
    Trigger.INCIDENT: gettext_lazy("the day of the incident"),
    Trigger.SETTLED: gettext_lazy("the day of settlement"),
    Trigger.TOTAL_LOSS: gettext_lazy(
        "the agreed time for delivery, or the day the carrier took the goods over and that no time was agreed"
    ),
}


def sentence(due) -> str:
    """`File by Sun 28 Feb 2027: nine months after delivery on Sun 31 May 2026 (bill of lading terms)`."""
    if due.due is None:
        return with_source(f"{capfirst(due.duty.label)}; {due.needs}", due.period)
    return with_source(f"{head(due)}: {reckoning(due)}", due.period)


def head(due):
    does = CARRIER_DOES if due.binds == Binds.CARRIER else WE_DO
    template = does.get(due.duty) or _("The carrier has to %(duty)s by %(date)s")
    words = template % {"date": shown(due.due), "duty": due.duty.label}
    if not due.period.every:
        return words
    return _("%(head)s (notice %(number)s)") % {"head": words, "number": due.number}


def reckoning(due):
    event = HAPPENED[due.started.trigger] % {"date": shown(due.started.on if by_hours(due) else due.started.day)}
    if due.period.counting == Counting.AT_ONCE:
        return _("at once, no later than %(event)s") % {"event": event}
    length = due.period.length + (due.number - 1) * due.period.every
    words = _("%(span)s after %(event)s") % {"span": span(due.period, length), "event": event}
    if not due.stood_still:
        return words
    return _("%(reckoning)s, and %(days)s more while a written claim made time stand still") % {
        "reckoning": words,
        "days": unit(Counting.DAYS, due.stood_still),
    }


def by_hours(due):
    return due.period.counting == Counting.HOURS


def span(period, length=None) -> str:
    """`nine months`, `two years and one day`, `30 days`."""
    length = period.length if length is None else length
    if period.counting == Counting.AT_ONCE:
        return period.counting.label
    words = unit(period.counting, length)
    if not period.extra_days:
        return words
    return _("%(years)s and %(days)s") % {"years": words, "days": unit(Counting.DAYS, period.extra_days)}


def unit(counting, number):
    match counting:
        case Counting.HOURS:
            return numbered(ngettext("%(number)s hour", "%(number)s hours", number), number)
        case Counting.DAYS:
            return numbered(ngettext("%(number)s day", "%(number)s days", number), number)
        case Counting.BUSINESS_DAYS:
            return numbered(ngettext("%(number)s business day", "%(number)s business days", number), number)
        case Counting.DAYS_LESS_SUNDAYS:
            words = ngettext(
                "%(number)s day less Sundays and holidays", "%(number)s days less Sundays and holidays", number
            )
            return numbered(words, number)
        case Counting.MONTHS:
            return numbered(ngettext("%(number)s month", "%(number)s months", number), number)
    return numbered(ngettext("%(number)s year", "%(number)s years", number), number)


def numbered(words, number):
    return words % {"number": ONE_TO_NINE[number - 1] if 1 <= number <= 9 else number}


def missing(trigger) -> str:
    """`no date: needs the date of the bill of lading`."""
    return no_date(_("needs %(what)s") % {"what": NEEDED[trigger]})


def no_date(why) -> str:
    return _("no date: %(why)s") % {"why": why}


def with_source(words, period):
    return f"{words} ({period.source})" if period.source else words


def shown(when) -> str:
    """`Sun 28 Feb 2027`, or with a moment's own clock `Mon 2 Mar 2026, 16:40 CST`."""
    if isinstance(when, datetime):
        return f"{date_format(when, 'D j M Y, H:i')} {when.tzname()}"
    return date_format(when, "D j M Y")
