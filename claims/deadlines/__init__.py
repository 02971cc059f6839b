"""Periods of terms and law, the dates they come to, and the words for them.

Dates in, dates out: no clock is read and no model known. Day 0 is the date of the trigger. A date is never moved over
a weekend, ours or the carrier's: none of the rules we count by says so. Nothing here is legal advice; a page that
shows a date near its end defers to counsel.
"""

from claims.deadlines.counting import Uncountable, count, target_for
from claims.deadlines.duties import Due, Earliest, Started, applicable, due, earliest
from claims.deadlines.floors import warnings
from claims.deadlines.periods import Period, WrongPeriod
from claims.deadlines.suits import Disallowance, SuitClock, suit_clock, suit_dues

__all__ = [
    "Disallowance",
    "Due",
    "Earliest",
    "Period",
    "Started",
    "SuitClock",
    "Uncountable",
    "WrongPeriod",
    "applicable",
    "count",
    "due",
    "earliest",
    "suit_clock",
    "suit_dues",
    "target_for",
    "warnings",
]
