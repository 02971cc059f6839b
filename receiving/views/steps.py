"""The one next step of a trailer: what its page and the doors put under the thumb."""

from dataclasses import dataclass
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from receiving import dock, late, rules
from receiving.enums import ArrivalState, SealAction, SignOutcome

VARIANTS = {
    ArrivalState.EXPECTED: "quiet",
    ArrivalState.AT_DOOR: "next",
    ArrivalState.UNLOADING: "next",
    ArrivalState.PAUSED: "wait",
    ArrivalState.COUNTED: "next",
    ArrivalState.RELEASED: "ok",
    ArrivalState.REFUSED: "stop",
    ArrivalState.CANCELLED: "quiet",
}


@dataclass(frozen=True)
class Step:
    """A button: where it leads, its words and icon, and the sentence that says why.

    post -- the tap itself acts; online -- it does so only where there is a network
    """

    url: str
    words: str
    icon: str
    why: str = ""
    need: str = rules.WORK
    post: bool = False
    online: bool = False


def to(arrival, name, *more, **query):
    url = reverse(name, args=[arrival.site.code, arrival.number, *more])
    return f"{url}?{urlencode(query)}" if query else url


def next_step(arrival):
    """The Step that comes next, or None when nothing does. Wants a trailer of `queries.with_work`."""
    return STEPS.get(arrival.state, nothing)(arrival)


def nothing(arrival):
    return None


def arrive(arrival):
    return Step(to(arrival, "arrive"), _("It is at a door"), "door", _("Say when it stands at a door."))


def unload(arrival):
    for code, sentence in dock.unloading_needs(arrival):
        return NEEDS[code](arrival, sentence)
    return Step(to(arrival, "unload"), _("Start unloading"), "check", _("Everything is ready."), post=True)


NEEDS = {
    "bill": lambda arrival, why: Step(to(arrival, "shipment_new"), _("Enter the bill"), "list", why),
    "seal": lambda arrival, why: Step(to(arrival, "seal_new"), _("Write down the seal"), "seal", why),
    "incident": lambda arrival, why: Step(
        to(arrival, "incident", kind="seal"), _("Write the incident note"), "stop", why
    ),
    "safety": lambda arrival, why: Step(to(arrival, "safety"), _("Three safety looks"), "check", why),
}


CONTRADICTION = gettext_lazy("Pieces are counted and also declared short or refused. Correct one of them.")


def count(arrival):
    square = arrival.squaring
    if square.contradiction:
        return Step(to(arrival, "square"), _("Square"), "list", CONTRADICTION, rules.SEE)
    if square.missing or not square.received:
        words = _("%(received)s of %(billed)s received.") % {"received": square.received, "billed": square.billed}
        return Step(to(arrival, "count"), _("Count"), "scan", words)
    if square.is_clean and not arrival.set_asides and not arrival.dropped:
        return Step(
            to(arrival, "square"), _("Square and release"), "check", _("All there, all in good order."), rules.SEE
        )
    return Step(to(arrival, "count_end"), _("End the count"), "check", _("Everything is accounted for."), post=True)


def go_on(arrival):
    for code, sentence in dock.resuming_needs(arrival):
        if code == "seal":
            return Step(
                to(arrival, "seal_new", action=SealAction.REMOVED.value), _("Take the seal off"), "seal", sentence
            )
        return NEEDS[code](arrival, sentence)
    return Step(to(arrival, "resume"), _("Unload again"), "again", _("The unloading is paused."), post=True)


def fill_in(arrival, why):
    words = ngettext("Fill in %(n)s set aside", "Fill in %(n)s set aside", arrival.set_asides)
    return Step(to(arrival, "log_trailer"), words % {"n": arrival.set_asides}, "setaside", why)


def let_go(arrival):
    if arrival.set_asides:
        return fill_in(arrival, _("A trailer with pieces set aside is not released."))
    square = arrival.squaring
    if square.missing:
        words = ngettext("%(n)s carton is missing so far.", "%(n)s cartons are missing so far.", square.missing)
        return Step(to(arrival, "square"), _("Square"), "list", words % {"n": square.missing}, rules.SEE)
    if square.contradiction:
        return Step(to(arrival, "square"), _("Square"), "list", CONTRADICTION, rules.SEE)
    return Step(to(arrival, "square"), _("Square and release"), "sign", _("Everything is accounted for."), rules.SEE)


def after(arrival):
    sheets = list(arrival.sheets.all())
    if not sheets:
        return None
    if why := late.why_not_standing(sheets[-1]):
        if arrival.set_asides:
            return fill_in(arrival, why)
        words = _("Make the sheet that replaces it")
        return Step(to(arrival, "sheet_replace"), words, "print", why, rules.DECIDE, post=True, online=True)
    if sheets[-1].outcome == SignOutcome.AT_PICKUP:
        why = _("The driver signs when the trailer is fetched.")
        return Step(to(arrival, "sign_at_pickup"), _("Sign at pick-up"), "sign", why, rules.DECIDE)
    url = reverse("sheet", args=[arrival.site.code, sheets[-1].number])
    return Step(url, _("Open the sheet"), "print", need=rules.SEE)


STEPS = {
    ArrivalState.EXPECTED: arrive,
    ArrivalState.AT_DOOR: unload,
    ArrivalState.UNLOADING: count,
    ArrivalState.PAUSED: go_on,
    ArrivalState.COUNTED: let_go,
    ArrivalState.RELEASED: after,
}
