"""A verdict in words, never without its interval, and none under the floor of trailers: there only counts are told."""

from dataclasses import dataclass
from math import floor

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from claims.scorecard.compare import Comparison, Standing, Verdict
from receiving.enums import Kind

LABELS = {
    Verdict.WORSE: gettext_lazy("Worse"),
    Verdict.WATCH: gettext_lazy("Watch"),
    Verdict.ONE_TRAILER: gettext_lazy("One trailer explains it"),
    Verdict.CANNOT_BE_TOLD_APART: gettext_lazy("Cannot be told apart"),
    Verdict.BETTER: gettext_lazy("Better"),
    Verdict.TOO_LITTLE_DATA: gettext_lazy("Too little data"),
    Verdict.NO_COMPARISON: gettext_lazy("No comparison"),
}
# Under it a gap this big comes up almost never between carriers that are alike; above it, seldom. Our choice.
ALMOST_NEVER = 0.001
# From so many events on it is told that one trailer brought most of them. Our choice.
MOST_OF = 10
CAUTIONS = (
    gettext_lazy("A higher rate does not say whose doing it is. It is a reason to talk, not the result of the talk."),
    gettext_lazy(
        "Who loaded, the trailer and its gear, the lanes and freight a carrier is given, how long a trailer stood, and "
        "how strictly somebody counts or checks: all of it moves these rates."
    ),
    gettext_lazy("Short and rerouted cartons often begin with the shipper."),
)


@dataclass(frozen=True)
class Words:
    """label -- the verdict itself; sentences -- what it rests on, ready to be read after it"""

    verdict: Verdict
    label: str
    sentences: tuple[str, ...]

    def __str__(self):
        return " ".join((f"{self.label}.", *self.sentences))


def in_words(standing: Standing, comparison: Comparison, kind: str = Kind.DAMAGED, *, to_carrier=False) -> Words:
    """The verdict on one carrier.

    kind -- of event: damaged, over, short or rerouted; to_carrier -- the carrier itself reads it: what we do next is
    left out
    """
    sentences = SENTENCES[standing.verdict](standing, comparison, Kind(kind))
    if standing.verdict not in (Verdict.TOO_LITTLE_DATA, Verdict.NO_COMPARISON):
        sentences = [*sentences, likely_range(standing)]
    if standing.verdict == Verdict.WORSE and reaches_usual(standing):
        sentences.append(range_reaches_usual(standing, comparison))
    if standing.verdict == Verdict.WORSE and not to_carrier:
        sentences.append(_("Look through its trailers first, then call."))
    return Words(standing.verdict, str(LABELS[standing.verdict]), tuple(sentences))


def headline(comparison: Comparison, kind: str = Kind.DAMAGED) -> str:
    """What stands on top of a comparison: who is really worse, that nobody can be shown to be, with whom to watch, or
    that nobody can be compared."""
    if not comparison.compares:
        return no_comparison(None, comparison, kind)[0]
    worse = [standing for standing in comparison.standings if standing.verdict == Verdict.WORSE]
    if len(worse) == 1:
        said = _("Really worse: %(carrier)s, with %(counted)s where %(usual)s would be usual. %(range)s") % {
            **facts(worse[0], Kind(kind)),
            "range": likely_range(worse[0]),
        }
        return f"{said} {range_reaches_usual(worse[0], comparison)}" if reaches_usual(worse[0]) else said
    if worse:
        said = _("Really worse: %(each)s.") % {"each": each_with_range(worse, kind)}
        return " ".join([said, *ranges_reach_usual(worse)])
    if not any(standing.verdict != Verdict.TOO_LITTLE_DATA for standing in comparison.standings):
        return _("Nobody can be called worse or better: no carrier has brought enough trailers.")
    return nobody_is_worse(comparison, kind)


def reaches_usual(standing):
    return standing.interval[0] <= standing.expected


def ranges_reach_usual(standings):
    """Of several found worse, whose range goes down to what is usual, and where it is said why the verdict stands."""
    names = [standing.name for standing in standings if reaches_usual(standing)]
    if names:
        yield (
            _("Down to what is usual reaches the range of: %(carriers)s. Its own page says why the verdict stands.")
            % {"carriers": ", ".join(names)}
        )


def nobody_is_worse(comparison, kind):
    """Not shown to be worse is not shown to be equal; luck is named only where no verdict stands against it."""
    told = {standing.verdict for standing in comparison.standings}
    if not told & {Verdict.WATCH, Verdict.ONE_TRAILER, Verdict.BETTER}:
        return _(
            "Nobody can be shown to be worse: luck alone could bring differences like these. That does not show that "
            "the carriers are equal."
        )
    said = _("Nobody can be shown to be worse. That does not show that the carriers are equal.")
    watched = [standing for standing in comparison.standings if standing.verdict == Verdict.WATCH]
    if not watched:
        return said
    return _("%(nobody)s To watch: %(each)s.") % {"nobody": said, "each": each_with_range(watched, kind)}


def each_with_range(standings, kind):
    each = [
        _("%(carrier)s, with %(counted)s where %(usual)s would be usual (likely range %(low)s to %(high)s per 1,000)")
        % {**facts(standing, Kind(kind)), **ends_of(standing)}
        for standing in standings
    ]
    return "; ".join(each)


def page_notes(comparison: Comparison) -> list[str]:
    """What every page with verdicts says beside them."""
    notes = [
        _("“Usual” is what the same cartons would bring at the rate of all carriers together."),
        _("“Cannot be told apart” is not “equal”: from 20 trailers even double the damage is seldom noticed."),
    ]
    notes.append(
        _(
            "How much damage comes in batches is read from the trailers of all carriers: one very bad trailer of any "
            "of them widens every range, and can turn “worse” into “watch” for another."
        )
    )
    notes += judged_by(comparison.settings.q, comparison.settings.trailer_cap)
    if comparison.capped:
        notes.append(
            _(
                "For the verdicts one trailer counts with at most %(cap)s%% of its cartons, so that one bad day "
                "decides nothing. Rates and ranges leave nothing out."
            )
            % {"cap": comparison.settings.trailer_cap}
        )
    return notes


def judged_by(q, trailer_cap) -> list[str]:
    """The two rules that a site sets for itself, in words. q -- the false discovery rate; trailer_cap -- in per cent"""
    told = [
        _("Of the carriers called worse or better, at most about %(n)s in 100 are expected to be so by luck.")
        % {"n": number(round(100 * q))}
    ]
    if trailer_cap is None:
        told.append(_("A trailer counts for the verdicts with all of its cartons, however many of them are hurt."))
    return told


def worse(standing, comparison, kind):
    return [
        _("%(carrier)s: %(counted)s; for its freight %(usual)s would be usual.") % facts(standing, kind),
        _("A carrier that is like the others almost never ends up this far above it.")
        if standing.p < ALMOST_NEVER
        else _("A carrier that is like the others seldom ends up this far above it."),
    ]


def range_reaches_usual(standing, comparison):
    """Why the verdict stands although the range, which counts every carton, goes down to what is usual."""
    values = {"usual": per_thousand(1000 * standing.expected / standing.sums.sn)}
    if comparison.capped:
        return _(
            "That range still reaches the usual %(usual)s per 1,000: the verdict weighs one trailer with at most "
            "%(cap)s%% of its cartons, the range leaves nothing out."
        ) % (values | {"cap": comparison.settings.trailer_cap})
    return (
        _(
            "That range still reaches the usual %(usual)s per 1,000: the range is of this carrier alone, the verdict "
            "weighs its share of what all carriers had."
        )
        % values
    )


def better(standing, comparison, kind):
    values = facts(standing, kind, against=standing.alone)
    return [
        _("%(carrier)s: %(counted)s in %(trailers)s.") % values,
        _("At the rate of the carriers not found worse, %(usual)s would be usual.") % values,
    ]


def watch(standing, comparison, kind):
    return [
        _("%(carrier)s: %(counted)s; %(usual)s would be usual.") % facts(standing, kind),
        _("With this many carriers luck alone makes one look like this now and then. No finding yet."),
    ]


def one_trailer(standing, comparison, kind):
    values = {
        "carrier": standing.name,
        "most": number(standing.sums.xmax),
        "counted": events(kind, standing.sums.sx),
    }
    return [
        _("%(carrier)s: %(counted)s, %(most)s of them in one trailer.") % values,
        _("That is an incident to look into and says little about the carrier."),
    ]


def cannot_be_told_apart(standing, comparison, kind):
    return [
        _("%(carrier)s: %(counted)s; %(usual)s would be usual.") % facts(standing, kind),
        *most_in_one_trailer(standing.sums),
        _("Equally careful carriers can differ by as much."),
    ]


def most_in_one_trailer(sums):
    """Said of what is shown, not of what the test weighs; no verdict."""
    if sums.sx < MOST_OF or 2 * sums.xmax <= sums.sx:
        return []
    values = {"most": number(sums.xmax), "all": number(sums.sx)}
    return [_("Most of them, %(most)s of %(all)s, came in one trailer.") % values]


def too_little_data(standing, comparison, kind):
    least = comparison.settings.min_trailers
    values = facts(standing, kind) | {"counted": events(kind, standing.sums.sx)}
    if standing.sums.k >= least:
        return [
            _("%(carrier)s: %(counted)s in %(trailers)s.") % values,
            _("No carrier has anything of the kind in this sort of freight, so there is nothing to compare with."),
        ]
    return [
        _("%(carrier)s: %(trailers)s, %(counted)s.") % values,
        ngettext("Verdicts start at %(n)s trailer.", "Verdicts start at %(n)s trailers.", least) % {"n": number(least)},
    ]


def no_comparison(standing, comparison, kind):
    return [_("Nobody is compared in this period: too little happened, or too few carriers or trailers came.")]


SENTENCES = {
    Verdict.WORSE: worse,
    Verdict.WATCH: watch,
    Verdict.ONE_TRAILER: one_trailer,
    Verdict.CANNOT_BE_TOLD_APART: cannot_be_told_apart,
    Verdict.BETTER: better,
    Verdict.TOO_LITTLE_DATA: too_little_data,
    Verdict.NO_COMPARISON: no_comparison,
}


def facts(standing, kind, against=None):
    """The counts of a sentence; where the cap left something out, what was counted, what of it counts for the verdict,
    and of which of the two the usual is told."""
    weighed = against or standing.tested
    counted, would_be = events(kind, standing.sums.sx), usual(weighed.e)
    if weighed.x != standing.sums.sx:
        counted = _("%(counted)s (%(weighed)s of them count for the verdict)") % {
            "counted": counted,
            "weighed": number(weighed.x),
        }
    if usual(standing.tested.e) != usual(standing.expected):
        is_named = weighed.x != standing.sums.sx and not against
        of_which = _("%(usual)s of those") if is_named else _("%(usual)s of those that count for the verdict")
        would_be = of_which % {"usual": would_be}
    return {
        "carrier": standing.name,
        "counted": counted,
        "usual": would_be,
        "trailers": trailers(standing.sums.k),
    }


def likely_range(standing):
    return _("Likely range %(low)s to %(high)s per 1,000.") % ends_of(standing)


def ends_of(standing):
    low, high = standing.rate_interval
    return {"low": per_thousand(low), "high": per_thousand(high)}


def events(kind, count):
    """365 damaged cartons; no damaged carton."""
    if kind == Kind.OVER:
        none, some = _("no carton over"), ngettext("%(n)s carton over", "%(n)s cartons over", count)
    elif kind == Kind.SHORT:
        none, some = _("no short carton"), ngettext("%(n)s short carton", "%(n)s short cartons", count)
    elif kind == Kind.REROUTED:
        none, some = _("no rerouted carton"), ngettext("%(n)s rerouted carton", "%(n)s rerouted cartons", count)
    elif kind == Kind.DAMAGED:
        none, some = _("no damaged carton"), ngettext("%(n)s damaged carton", "%(n)s damaged cartons", count)
    else:
        raise ValueError(f"Carriers are not compared by {kind}.")
    return some % {"n": number(count)} if count else none


def trailers(count):
    return ngettext("%(n)s trailer", "%(n)s trailers", count) % {"n": number(count)}


def usual(expected):
    whole = floor(expected + 0.5)
    return _("about %(n)s") % {"n": number(whole)} if whole else _("less than 1")


def number(value):
    return number_format(value, force_grouping=True)


def per_thousand(rate):
    """One decimal; an exact zero is said as 0."""
    return number_format(round(rate, 1), decimal_pos=1, force_grouping=True) if rate else number(0)
