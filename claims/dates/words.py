"""How long there is, in words."""

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

SOON = 7


def left(entry, now) -> str:
    """`no date`, `3 days late`, `late` where hours count, `today`, `tomorrow`, `in 12 days`.

    now -- an aware moment on the site's clock
    """
    if not entry.is_known:
        return _("no date")
    days = entry.days_left(now.date())
    if days < 0:
        return ngettext("%(days)s day late", "%(days)s days late", -days) % {"days": -days}
    if entry.is_overdue(now):
        return _("late")
    if days == 0:
        return _("today")
    return _("tomorrow") if days == 1 else _("in %(days)s days") % {"days": days}


def when(entry, now) -> str:
    """Which part of the list it stands in: `unknown`, `late`, `week` (today and seven days more) or `later`."""
    if not entry.is_known:
        return "unknown"
    if entry.is_overdue(now):
        return "late"
    return "week" if entry.days_left(now.date()) <= SOON else "later"
