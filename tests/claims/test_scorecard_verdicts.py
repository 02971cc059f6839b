"""The verdicts as people read them."""

import re
from dataclasses import replace

import pytest
from django.utils import translation

from claims.scorecard import verdicts
from claims.scorecard.compare import DEFAULTS, Verdict, compare
from receiving.enums import Kind
from tests.claims.scorecard_examples import SEVEN, THREE, by_name, entries

OAK = THREE + "Oak 900*6 70 3 2 4 1 5"
SLOE = THREE + "Sloe 900*20 300 " + "8 " * 19
PINE = THREE + "Pine 900*6 9 4 8 2 10 7"


def said(listing, name, kind=Kind.DAMAGED, settings=DEFAULTS):
    comparison = compare(entries(listing, settings), settings)
    return str(verdicts.in_words(by_name(comparison)[name], comparison, kind))


SENTENCES = {
    "Birch": (
        "Worse. Birch: 365 damaged cartons; for its freight about 136 would be usual. A carrier that is like the "
        "others almost never ends up this far above it. Likely range 11.5 to 23.5 per 1,000. Look through its trailers "
        "first, then call."
    ),
    "Elm": (
        "Better. Elm: no damaged carton in 10 trailers. At the rate of the carriers not found worse, about 29 would be "
        "usual. Likely range 0 to 1.8 per 1,000."
    ),
    "Cedar": (
        "Cannot be told apart. Cedar: 49 damaged cartons; about 68 would be usual. Most of them, 40 of 49, came in one "
        "trailer. Equally careful carriers can differ by as much. Likely range 1.4 to 9.9 per 1,000."
    ),
    "Alder": "Too little data. Alder: 1 trailer, 9 damaged cartons. Verdicts start at 5 trailers.",
}


@pytest.mark.parametrize("name", SENTENCES)
def test_a_verdict_is_said_in_plain_words(name):
    assert said(SEVEN, name) == SENTENCES[name]


def test_what_is_watched_is_no_finding():
    assert said(PINE, "Pine") == (
        "Watch. Pine: 40 damaged cartons; about 19 would be usual. With this many carriers luck alone makes one look "
        "like this now and then. No finding yet. Likely range 3.8 to 12.5 per 1,000."
    )


def test_an_incident_is_called_one():
    assert said(OAK, "Oak").startswith(
        "One trailer explains it. Oak: 85 damaged cartons, 70 of them in one trailer. That is an incident to "
        "look into and says little about the carrier. Likely range "
    )


def test_a_period_without_damage_says_so():
    listing = "Rowan 900*6 0 0 0 0 0 0\nSloe 900*6 0 0 0 0 0 0"
    assert said(listing, "Rowan") == (
        "No comparison. Nobody is compared in this period: too little happened, or too few carriers or trailers came."
    )


@pytest.mark.parametrize("listing", [SEVEN, OAK, PINE])
def test_no_verdict_goes_without_its_interval_and_none_under_the_floor_has_a_rate(listing):
    comparison = compare(entries(listing))
    for standing in comparison.standings:
        words = str(verdicts.in_words(standing, comparison))
        assert ("Likely range" in words) == (standing.verdict != Verdict.TOO_LITTLE_DATA)
        assert ("per 1,000" in words) == (standing.sums.k >= 5)


@pytest.mark.parametrize("listing", [SEVEN, OAK, PINE])
def test_no_sentence_speaks_of_p_values_or_significance(listing):
    comparison = compare(entries(listing))
    words = [str(verdicts.in_words(standing, comparison)) for standing in comparison.standings]
    words += verdicts.page_notes(comparison) + [str(caution) for caution in verdicts.CAUTIONS]
    assert not re.search(r"signific|probabilit|p-value|\bp [<=]|!", " ".join(words), re.IGNORECASE)


@pytest.mark.parametrize(
    ("kind", "none", "one", "many"),
    [
        (Kind.DAMAGED, "no damaged carton", "1 damaged carton", "1,300 damaged cartons"),
        (Kind.SHORT, "no short carton", "1 short carton", "1,300 short cartons"),
        (Kind.OVER, "no carton over", "1 carton over", "1,300 cartons over"),
        (Kind.REROUTED, "no rerouted carton", "1 rerouted carton", "1,300 rerouted cartons"),
    ],
)
def test_every_kind_of_event_has_its_word(kind, none, one, many):
    assert [verdicts.events(kind, count) for count in (0, 1, 1300)] == [none, one, many]
    assert none in said(SEVEN, "Elm", kind)


def test_carriers_are_not_compared_by_what_was_only_set_aside():
    with pytest.raises(ValueError, match="not compared by set_aside"):
        verdicts.events(Kind.SET_ASIDE, 3)


@pytest.mark.parametrize(
    ("expected", "words"), [(0.0, "less than 1"), (0.49, "less than 1"), (0.5, "about 1"), (1234.5, "about 1,235")]
)
def test_the_usual_is_a_round_count(expected, words):
    assert verdicts.usual(expected) == words


@pytest.mark.parametrize(
    ("rate", "words"), [(0, "0"), (0.04, "0.0"), (1.76, "1.8"), (11.468, "11.5"), (1234.56, "1,234.6")]
)
def test_rates_have_one_rounded_decimal(rate, words):
    assert verdicts.per_thousand(rate) == words


def test_what_the_cap_left_out_is_said_beside_the_count():
    listing = THREE + "Sloe 900*20 " + "300 " + "3 " * 19
    comparison = compare(entries(listing))
    words = str(verdicts.in_words(by_name(comparison)["Sloe"], comparison))
    assert (
        "Sloe: 357 damaged cartons (147 of them count for the verdict); about 72 of those would be usual. Most of "
        "them, 300 of 357, came in one trailer." in words
    )
    assert any("at most 10% of its cartons" in note for note in verdicts.page_notes(comparison))


def test_where_only_another_carrier_s_trailer_was_capped_the_usual_says_what_it_is_of():
    comparison = compare(entries(SLOE))
    larch = by_name(comparison)["Larch"]
    words = str(verdicts.in_words(larch, comparison))
    assert (verdicts.usual(larch.tested.e), verdicts.usual(larch.expected)) == ("about 172", "about 232")
    assert "Larch: 120 damaged cartons; about 172 of those that count for the verdict would be usual." in words


def test_for_a_better_carrier_the_usual_says_what_it_is_of_too():
    comparison = compare(entries(SLOE + "\nElm 900*20 100 " + "0 " * 19))
    elm = replace(by_name(comparison)["Elm"], verdict=Verdict.BETTER)
    assert (
        "Elm: 100 damaged cartons (90 of them count for the verdict) in 20 trailers. At the rate of the carriers not "
        "found worse, about 64 of those that count for the verdict would be usual."
    ) in str(verdicts.in_words(elm, comparison))


def test_a_range_that_reaches_the_usual_says_why_the_verdict_stands_all_the_same():
    comparison = compare(entries(SLOE))
    words = str(verdicts.in_words(by_name(comparison)["Sloe"], comparison))
    assert words.startswith("Worse. ")
    assert (
        "Likely range 4.8 to 66.4 per 1,000. That range still reaches the usual 6.4 per 1,000: the verdict weighs one "
        "trailer with at most 10% of its cartons, the range leaves nothing out."
    ) in words


def test_where_no_trailer_was_capped_a_range_that_reaches_the_usual_has_another_reason():
    comparison = compare(entries(SEVEN))
    birch = by_name(comparison)["Birch"]
    assert "reaches the usual" not in str(verdicts.in_words(birch, comparison))
    words = str(verdicts.in_words(replace(birch, expected=300.0), comparison))
    assert "still reaches the usual 13.9 per 1,000: the range is of this carrier alone" in words
    assert "at most" not in words


@pytest.mark.parametrize(("p", "how_often"), [(0.0009, "almost never"), (0.001, "seldom"), (0.04, "seldom")])
def test_almost_never_is_kept_for_what_is_rarer_than_one_in_a_thousand(p, how_often):
    comparison = compare(entries(SEVEN))
    words = str(verdicts.in_words(replace(by_name(comparison)["Birch"], p=p), comparison))
    assert f"A carrier that is like the others {how_often} ends up this far above it." in words


def test_the_carrier_is_not_told_what_we_do_next():
    comparison = compare(entries(SEVEN))
    told = str(verdicts.in_words(by_name(comparison)["Birch"], comparison, to_carrier=True))
    assert told + " Look through its trailers first, then call." == said(SEVEN, "Birch")


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ("9 1 0 0 0 0", "Most of them, 9 of 10, came in one trailer."),
        ("9 0 0 0 0 0", ""),
        ("5 5 0 0 0 0", ""),
        ("6 5 0 0 0 0", "Most of them, 6 of 11, came in one trailer."),
    ],
)
def test_one_trailer_with_most_of_ten_or_more_is_told_though_nothing_sets_the_carrier_apart(events, told):
    words = said(f"{THREE}Yew 900*6 {events}", "Yew")
    assert words.startswith("Cannot be told apart.") and ("in one trailer" in words) == bool(told) and told in words


def test_without_a_capped_trailer_no_page_speaks_of_the_cap():
    assert len(verdicts.page_notes(compare(entries(SEVEN)))) == 4


def test_the_floor_that_is_set_is_the_floor_that_is_told():
    settings = replace(DEFAULTS, min_trailers=7)
    assert said(SEVEN, "Gorse", settings=settings).endswith(
        "6 trailers, 44 damaged cartons. Verdicts start at 7 trailers."
    )


def test_numbers_are_written_as_the_language_writes_them():
    with translation.override("es"):
        assert "11,5" in said(SEVEN, "Birch")


def test_a_name_from_outside_stays_text():
    comparison = compare(entries(THREE + "50%(x)s{0} 900*2 1 1"))
    standing = by_name(comparison)["50%(x)s{0}"]
    assert "50%(x)s{0}: 2 trailers, 2 damaged cartons." in str(verdicts.in_words(standing, comparison))
