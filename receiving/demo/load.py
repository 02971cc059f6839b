"""Loads the demo, all of it or nothing."""

from datetime import timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from receiving.demo import company, history, pictures, plan, scenario
from receiving.demo.ledger import Ledger
from receiving.demo.today import Today
from receiving.enums import ArrivalState
from receiving.models import Counter, Person, Site
from receiving.refusals import Refused

SHEETS = 10
SMALL_SHEETS = 4
CHUNK = 60


def is_loaded():
    """Whether the demo's sites are there. They come all at once, so one is as good as all."""
    first = scenario.read()["sites"][0]
    return Site.objects.filter(code=first["code"], name=first["name"]).exists()


def refuse_real():
    """The demo never mixes with records somebody works with."""
    names = {row["code"]: row["name"] for row in scenario.read()["sites"]}
    real = [str(site) for site in Site.objects.order_by("code") if names.get(site.code) != site.name]
    if real:
        raise Refused(
            _("This database holds sites that are not the demo's: %(sites)s. Use another DATA_DIR or DATABASE_URL.")
            % {"sites": ", ".join(real)},
            code="real_sites",
        )
    logins = [row["username"] for row in scenario.read()["people"]]
    taken = Person.objects.filter(username__in=logins).values_list("username", flat=True)
    if taken and not is_loaded():
        raise Refused(
            _("This database holds people with the demo's names: %(names)s. Use another DATA_DIR or DATABASE_URL.")
            % {"names": ", ".join(sorted(taken))},
            code="real_people",
        )


class Nobody:
    """Whoever works beside the docks: nobody does here. What they do is told in the sites' logs where it belongs."""

    def begin(self, company, *, at):
        """The company stands."""

    def past_is_there(self):
        """The rows of all but the newest trailers are stored."""

    def go_on(self, until, before=lambda at: None):
        """Do all that is done up to that moment; call `before` with the moment of each step before it."""


def load(*, now, small=False, progress=lambda sentence: None, others=None):
    """Write the whole demo as of `now`. Raises Refused where there are real records.

    others -- who works beside the docks, as `Nobody` does
    """
    others = others or Nobody()
    refuse_real()
    progress("Looking at the pictures")
    made = company.Company(scenario.read())
    pictures.take_in(made)
    with transaction.atomic():
        company.found(made, at=now - timedelta(days=380))
        others.begin(made, at=now - timedelta(days=380))
        write_past(made, now=now, small=small, progress=progress, others=others)
        progress("Today's trailers")
        today = work_today(made, now=now, small=small)
        others.go_on(now)
        today.came_late(at=now - timedelta(minutes=1))


def write_past(made, *, now, small, progress, others):
    visits = plan.visits(made.scenario, now=now, small=small)
    sheets = SMALL_SHEETS if small else SHEETS
    newest = [visit for visit in visits if visit.ending == "released"][-sheets:]
    older = [visit for visit in visits if visit not in newest]
    ledger = Ledger()
    past = history.Past(made, ledger, now=now)
    for start in range(0, len(older), CHUNK):
        for visit in older[start : start + CHUNK]:
            past.write(visit)
        ledger.write()
        progress(f"{min(start + CHUNK, len(older))} of {len(visits)} trailers of twelve months")
    progress("The log of those months")
    others.past_is_there()
    meanwhile(made, past, others, newest[0].at, before=ledger.close)
    ledger.close()
    progress("The newest trailers, with their sheets")
    today = Today(made, now=now, small=small)
    for visit in newest:
        meanwhile(made, past, others, visit.at)
        arrival = past.write(visit, until=ArrivalState.COUNTED)
        ledger.write()
        ledger.close()
        today.let_go(arrival, at=arrival.counted_at + timedelta(minutes=9))
    set_counters(made, past)


def meanwhile(made, past, others, until, **more):
    """The others go on; what they number is numbered on from here, and from there the past goes on."""
    set_counters(made, past)
    others.go_on(until, **more)
    for code, numbers in past.numbers.items():
        numbers.update(Counter.objects.filter(site=made.sites[code], name__in=numbers).values_list("name", "value"))


def set_counters(made, past):
    """The next numbers go on where the past has ended."""
    for code, numbers in past.numbers.items():
        for name, value in numbers.items():
            Counter.objects.update_or_create(site=made.sites[code], name=name, defaults={"value": value})


def work_today(made, *, now, small):
    here, there = list(made.sites)
    today = Today(made, now=now, small=small).at(here)
    paused = today.paused()
    today.dropped()
    today.unloading_now()
    today.expected()
    today.at(there).other_dock()
    today.at(here).unheard(paused)
    today.handed_in(paused)
    return today
