"""Which days are holidays, and which are business days. A leaf; the only module that names `holidays`.

No rule we count by publishes a calendar with its "business days", so every page that shows such a date also shows
`Calendar.label` and `Calendar.caution`.
"""

import re
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from types import MappingProxyType

import holidays
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from holidays.registry import COUNTRIES

SATURDAY = 5
# Narrower than the library's own bounds: outside these it leaves out the festivals that go by the moon.
ALL_KNOWN = {"IN": range(2001, 2036)}
WORD_BREAK = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")


class UnknownCalendar(ValueError):
    """No holidays are known for the place; `field` is `country` or `subdivision`, the text a sentence."""

    def __init__(self, message, *, field):
        super().__init__(message)
        self.field = field


@dataclass(frozen=True)
class Calendar:
    """The public holidays of a place, and closed days somebody added.

    country -- ISO 3166-1 code of two letters; empty: no public holidays at all
    subdivision -- its state or province, the second half of the ISO 3166-2 code
    closed -- further dates that count as holidays: any iterable of dates, kept sorted
    """

    country: str = "US"
    subdivision: str = ""
    closed: tuple[date, ...] = field(default=())

    def __post_init__(self):
        object.__setattr__(self, "closed", tuple(sorted(set(self.closed))))
        check_place(self.country, self.subdivision)

    def is_holiday(self, day: date) -> bool:
        return self.name(day) != ""

    def name(self, day: date) -> str:
        """What the holiday is called, `closed` on a day that was added; empty on any other day."""
        public = holidays_of(self.country, self.subdivision, day.year).get(day, "")
        return public or (_("closed") if day in self.closed else "")

    def is_business_day(self, day: date) -> bool:
        """Monday to Friday and no holiday."""
        return day.weekday() < SATURDAY and not self.is_holiday(day)

    def knows(self, day: date) -> bool:
        """Are the holidays of its year known? Of some countries they are not, a few years back or ahead."""
        return not self.country or day.year in years_known(self.country)

    @property
    def place(self) -> str:
        """`Germany`, or `Bayern, Germany`."""
        country = countries().get(self.country, self.country)
        if not self.subdivision:
            return country
        return f"{subdivisions(self.country).get(self.subdivision, self.subdivision)}, {country}"

    @property
    def label(self) -> str:
        """Which days are business days here: `Monday to Friday less US federal holidays`."""
        return self._with_closed(self._business_days())

    @property
    def caution(self) -> str:
        return _("No calendar of business days is published with the rule. Ask the carrier which days it counts.")

    @property
    def less_sundays(self) -> str:
        """Which days are counted where Sundays and holidays are not; Saturdays are."""
        if not self.country:
            return self._with_closed(_("Every day but Sundays, no holidays taken out"))
        words = _("Every day but Sundays and the public holidays of %(place)s") % {"place": self.place}
        return self._with_closed(words)

    def _business_days(self):
        if not self.country:
            return _("Monday to Friday, no holidays taken out")
        if (self.country, self.subdivision) == ("US", ""):
            return _("Monday to Friday less US federal holidays")
        return _("Monday to Friday less the public holidays of %(place)s") % {"place": self.place}

    def _with_closed(self, words):
        if not self.closed:
            return words
        more = ngettext("and %(count)s more closed day", "and %(count)s more closed days", len(self.closed))
        return f"{words}, {more % {'count': len(self.closed)}}"

    def as_dict(self) -> dict:
        """Plain values for JSON."""
        return {
            "country": self.country,
            "subdivision": self.subdivision,
            "closed": [day.isoformat() for day in self.closed],
        }

    @classmethod
    def from_dict(cls, kept: dict) -> "Calendar":
        return cls(
            country=kept["country"],
            subdivision=kept.get("subdivision", ""),
            closed=[date.fromisoformat(day) for day in kept.get("closed", [])],
        )


@cache
def countries() -> MappingProxyType:
    """ISO code -> English name of every country whose holidays are known, by name."""
    return MappingProxyType({codes[1]: spaced(codes[0]) for codes in sorted(COUNTRIES.values())})


@cache
def subdivisions(country: str) -> MappingProxyType:
    """Code -> name of the states or provinces whose own holidays are known."""
    known = holidays.country_holidays(country)
    names = {code: name for name, code in reversed(known.subdivisions_aliases.items())}
    return MappingProxyType({code: names.get(code, code) for code in known.subdivisions})


def check_place(country: str, subdivision: str = "") -> None:
    """Raises UnknownCalendar, which says what was given and what to do."""
    if country and country not in countries():
        raise UnknownCalendar(
            _("No holidays are known for the country “%(country)s”. Give its ISO code of two letters, such as US.")
            % {"country": country},
            field="country",
        )
    if subdivision and (not country or subdivision not in subdivisions(country)):
        raise UnknownCalendar(
            _("“%(code)s” is no state or province of “%(country)s” with holidays of its own. Leave it empty.")
            % {"code": subdivision, "country": country},
            field="subdivision",
        )


@cache
def years_known(country: str) -> range:
    """The years whose holidays are known; outside them every day looks like a working day."""
    known = holidays.country_holidays(country)
    return ALL_KNOWN.get(country, range(known.start_year, known.end_year + 1))


@cache
def holidays_of(country: str, subdivision: str, year: int) -> MappingProxyType:
    """Date -> name of the days that are kept as holidays in `year`, whatever other years were asked for before.

    A holiday kept early can lie in the year before: New Year's Day 2028 on 31 Dec 2027. Empty in years not known.
    """
    if not country or year not in years_known(country):
        return MappingProxyType({})
    told = {"subdiv": subdivision or None, "years": year, "language": language_of(country)}
    return MappingProxyType(dict(holidays.country_holidays(country, **told)))


def language_of(country):
    """English where the names are known in it, else the country's own. Left open, the machine's locale would choose."""
    known = holidays.country_holidays(country)
    return "en_US" if "en_US" in known.supported_languages else known.default_language


def spaced(name: str) -> str:
    """`UnitedStates` as `United States`."""
    words = WORD_BREAK.sub(" ", name).split(" ")
    return " ".join(word.lower() if word in {"And", "Of", "The"} else word for word in words)
