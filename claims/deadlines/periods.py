"""One period as terms or law state it: what is to be done, from when, how long, counted how."""

from dataclasses import asdict, dataclass, fields

from django.utils.translation import gettext as _

from claims.calendars import Calendar
from claims.enums import Applies, Binds, Counting, Duty, Effect, Trigger

LONGEST = {
    Counting.AT_ONCE: 0,
    Counting.HOURS: 9_000,
    Counting.MONTHS: 600,
    Counting.YEARS: 50,
    Counting.YEARS_THEN_DAYS: 50,
}
LONGEST_IN_DAYS = 3_660
CHOICES = {
    "duty": Duty,
    "trigger": Trigger,
    "counting": Counting,
    "effect": Effect,
    "binds": Binds,
    "applies": Applies,
}


class WrongPeriod(ValueError):
    """A period nobody can count; `field` names what is wrong, the text is a sentence with the way out."""

    def __init__(self, message, *, field):
        super().__init__(message)
        self.field = field


@dataclass(frozen=True, kw_only=True)
class Period:
    """Plain values that survive JSON; choices may be given as their stored text.

    length -- whole units of `counting`; 0 for "at once"
    extra_days -- days added after the years, for "years, then days"
    every -- the period ends again each so many units further on; 0: once
    source -- the rule it comes from, printed beside the date
    calendar -- whose holidays; None: that of the terms, given when dates are made
    """

    duty: Duty
    trigger: Trigger
    length: int
    counting: Counting
    effect: Effect
    binds: Binds
    applies: Applies = Applies.ANY
    extra_days: int = 0
    every: int = 0
    source: str = ""
    calendar: Calendar | None = None

    def __post_init__(self):
        for name, choices in CHOICES.items():
            object.__setattr__(self, name, chosen(name, choices, getattr(self, name)))
        check_length(self)
        check_extra_days(self)
        check_number("every", self.every, LONGEST_IN_DAYS)
        if self.every and self.counting == Counting.AT_ONCE:
            raise WrongPeriod(
                _("What is to be done at once is not repeated. Choose days, or leave it 0."), field="every"
            )

    def as_dict(self) -> dict:
        """Plain values for JSON; `from_dict` reads them back."""
        plain = asdict(self) | {name: getattr(self, name).value for name in CHOICES}
        return plain | {"calendar": self.calendar and self.calendar.as_dict()}

    @classmethod
    def from_dict(cls, kept: dict) -> "Period":
        """Raises WrongPeriod; keys that are no field of a period are left aside."""
        known = {field.name: kept[field.name] for field in fields(cls) if field.name in kept}
        if missing := {"duty", "trigger", "length", "counting", "effect", "binds"} - set(known):
            raise WrongPeriod(_("A period needs its %(field)s.") % {"field": min(missing)}, field=min(missing))
        if known.get("calendar"):
            known["calendar"] = Calendar.from_dict(known["calendar"])
        return cls(**known)


def chosen(name, choices, value):
    try:
        return choices(value)
    except ValueError as error:
        words = _("“%(value)s” is no choice for %(field)s. Choose one of: %(choices)s.")
        told = {"value": value, "field": name, "choices": ", ".join(choices.values)}
        raise WrongPeriod(words % told, field=name) from error


def check_number(name, value, most, least=0):
    if type(value) is not int or not least <= value <= most:
        words = _("%(field)s is “%(value)s”. Give a whole number from %(least)s to %(most)s.")
        raise WrongPeriod(words % {"field": name, "value": value, "least": least, "most": most}, field=name)


def check_length(period):
    most = LONGEST.get(period.counting, LONGEST_IN_DAYS)
    check_number("length", period.length, most, least=min(1, most))


def check_extra_days(period):
    check_number("extra_days", period.extra_days, 366)
    if period.extra_days and period.counting != Counting.YEARS_THEN_DAYS:
        raise WrongPeriod(
            _("Further days are added to years only. Choose “years, then days”, or leave them 0."), field="extra_days"
        )
