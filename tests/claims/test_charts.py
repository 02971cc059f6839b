"""Charts: what is drawn, where, and what may never be drawn."""

import re
from datetime import date
from xml.etree import ElementTree

import pytest
from django.template.loader import render_to_string
from django.utils import translation

from claims import charts
from claims.periods import month_back
from claims.scorecard import figures
from claims.scorecard.compare import DEFAULTS, Entry, Verdict, compare
from claims.scorecard.months import watch
from claims.scorecard.sums import Trailer, add_up
from claims.templatetags.figures import shape
from tests.claims.scorecard_examples import SEVEN, entries

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def seven():
    return compare(entries(SEVEN))


@pytest.fixture(scope="module")
def rates(seven):
    return charts.caterpillar(
        seven, title="Damaged cartons per 1,000", link=lambda one: f"/c/{one.key}/", marked="Cedar"
    )


@pytest.fixture(scope="module")
def funnel(seven):
    return charts.funnel(seven, title="Damaged cartons", link=lambda one: f"/c/{one.key}/", marked="Cedar")


def series(count=16, last=date(2026, 10, 1), trailers=22):
    """Months of trailers with 4 of 900 damaged; in the last two of them four times as many."""
    months = [month_back(last, count - 1 - place) for place in range(count)]
    return [
        (month, add_up([Trailer.of(900, n % 3 * 4 * (4 if place > count - 3 else 1)) for n in range(trailers)]))
        for place, month in enumerate(months)
    ]


def drawn(name, chart):
    return render_to_string(f"claims/charts/{name}.svg.html", {"chart": chart})


def parsed(name, chart):
    return ElementTree.fromstring(drawn(name, chart).strip().replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1))


# --- rates ------------------------------------------------------------------------------------------------------------


def test_carriers_stand_in_the_order_of_the_comparison_and_those_under_the_floor_are_not_drawn(rates):
    assert [row.name for row in rates.rows] == ["Birch", "Gorse", "Cedar", "Dogwood", "Fir", "Elm"]
    assert "Alder" not in drawn("caterpillar", rates)


def test_a_rate_lies_on_its_axis_with_its_range_and_what_is_usual(seven, rates):
    birch = rates.rows[0]
    zero, five = rates.ticks[0], rates.ticks[1]
    per_unit = (five.at - zero.at) / 5
    assert (zero.words, five.words) == ("0", "5")
    assert birch.x == pytest.approx(zero.at + 16.898 * per_unit, abs=0.02)
    assert birch.low == pytest.approx(zero.at + 11.468 * per_unit, abs=0.02)
    assert birch.high == pytest.approx(zero.at + 23.455 * per_unit, abs=0.02)
    assert birch.usual == pytest.approx(rates.together.at, abs=0.02)
    assert rates.together.words == "all carriers: 6.3"


def test_a_point_says_rate_range_and_verdict_and_leads_to_the_carrier(rates):
    birch = rates.rows[0]
    assert birch.words == "Birch: 16.9 per 1,000, likely range 11.5 to 23.5. Worse."
    assert (birch.url, birch.mark, birch.marked) == ("/c/Birch/", "worse", False)
    assert [row.name for row in rates.rows if row.marked] == ["Cedar"]


def test_a_range_that_would_flatten_all_others_ends_in_an_arrow():
    wide = "Aster 900*5 0 0 0 90 0\n" + "".join(f"B{n} 900*90 {'1 0 2 1 0 1 ' * 15}\n" for n in range(6))
    chart = charts.caterpillar(compare(entries(wide)), title="t")
    beyond = {row.name: row.beyond for row in chart.rows}
    assert beyond["Aster"] and not beyond["B1"]
    assert max(row.high for row in chart.rows) <= chart.end
    assert drawn("caterpillar", chart).count("l7 6") == 1


def test_what_is_usual_goes_by_the_carriers_own_freight():
    def lane(name, hard, counts):
        trailers = [Trailer.of(900, count, "hard" if place < hard else "easy") for place, count in enumerate(counts)]
        return Entry.of(name, name, trailers, DEFAULTS)

    mixed = [lane("Alder", 8, [9, 12, 10, 8, 11, 7, 10, 9, 2, 1]), lane("Birch", 2, [11, 9, 2, 3, 1, 2, 4, 1, 2, 3])]
    chart = charts.caterpillar(compare(mixed), title="t")
    usual = {row.name: row.usual for row in chart.rows}
    assert usual["Alder"] > chart.together.at + 40 and usual["Birch"] < chart.together.at - 40


def test_nothing_to_show_is_no_chart():
    nobody = compare(entries("Alder 900*2 3 1\nBirch 900*3 2 1 0"))
    assert charts.caterpillar(nobody, title="t") is None and charts.funnel(nobody, title="t") is None
    quiet = compare(entries("Alder 900*9 " + "0 " * 9 + "\nBirch 900*9 " + "0 " * 9))
    assert charts.both(charts.caterpillar, quiet, id="rates", title="t") == []
    assert charts.funnel(compare([]), title="t") is None and charts.caterpillar(compare([]), title="t") is None


def test_every_verdict_has_a_mark_and_marks_of_verdicts_that_say_something_differ():
    assert set(charts.MARKS) == set(Verdict)
    loud = [mark for verdict, mark in charts.MARKS.items() if verdict not in charts.QUIET]
    assert len(set(loud)) == len(loud)


def test_a_long_name_is_cut_in_the_drawing_and_whole_in_its_title():
    name = "Thistle_and_Halfmoon_Long_Distance_Haulage_Cooperative"
    chart = charts.caterpillar(compare(entries(SEVEN.replace("Gorse", name))), title="t")
    [row] = [row for row in chart.rows if row.words.startswith(name)]
    assert row.name.endswith("…") and len(row.name) * charts.LETTER < 180


# --- the funnel -------------------------------------------------------------------------------------------------------


def test_the_funnel_draws_the_ratio_that_the_verdict_weighs_at_its_cartons(seven, funnel):
    at = {spot.words.partition(":")[0]: spot for spot in funnel.spots}
    assert "Alder" not in at
    zero, other = funnel.ticks_across[:2]
    per_carton = (other.at - zero.at) / float(other.words.replace(",", ""))
    assert at["Birch"].x == pytest.approx(zero.at + 21600 * per_carton, abs=0.05)
    low, high = funnel.ticks_up[0], funnel.ticks_up[-1]
    per_time = (high.at - low.at) / float(high.words)
    assert at["Birch"].y == pytest.approx(low.at + 2.6897 * per_time, abs=0.05)
    assert funnel.together.at == pytest.approx(low.at + per_time, abs=0.05)


def test_limits_are_those_of_the_count_at_the_sites_factor(seven, funnel):
    [low, high] = funnel.inner
    x, y = (float(value) for value in low.split()[-1].split(","))
    assert x == pytest.approx(funnel.ticks_across[-1].at, abs=0.02)
    top = float(funnel.ticks_across[-1].words.replace(",", ""))
    mean = 605 / 96300 * top
    [(_mean, least, _most)] = figures.funnel([mean], 11.698302, 0.025)
    zero, one = funnel.ticks_up[0], funnel.together
    assert y == pytest.approx(zero.at + (one.at - zero.at) * least, abs=0.05)
    outer_low, outer_high = funnel.outer
    assert float(outer_low.split()[-1].split(",")[1]) > y, "wider apart, and down is more"
    assert float(outer_high.split()[-1].split(",")[1]) < float(high.split()[-1].split(",")[1])


def test_names_stand_at_points_that_say_something_and_stay_on_the_drawing(funnel):
    named = {spot.label: spot for spot in funnel.spots if spot.label}
    assert set(named) == {"Birch", "Elm", "Cedar"}
    assert named["Birch"].anchor == "end" and named["Elm"].anchor == "start"


# --- months -----------------------------------------------------------------------------------------------------------


def test_a_month_above_its_limit_is_marked_and_limits_are_drawn_for_each():
    chart = charts.months(watch(series()), title="t", link=lambda month: f"/m/{month:%Y-%m}/")
    assert [spot.mark for spot in chart.spots][-2:] == ["worse", "worse"]
    assert {spot.mark for spot in chart.spots[:12]} <= {"dot", "one"}
    assert len(chart.bounds) >= 16 and chart.centre.words.startswith("first year: ")
    assert chart.spots[-1].url == "/m/2026-10/"
    assert chart.spots[-1].words.startswith("October 2026: ") and chart.spots[-1].words.endswith("Above the limit.")


def test_under_a_year_there_are_points_without_limits():
    chart = charts.months(watch(series(8)), title="t")
    assert chart.centre is None and chart.bounds == [] and {spot.mark for spot in chart.spots} == {"ring"}
    assert charts.months(watch([]), title="t") is None


def test_months_are_named_as_far_as_there_is_room():
    assert [tick.words for tick in charts.months(watch(series()), title="t").ticks_across][:3] == [
        "Jul 25",
        "Sep",
        "Nov",
    ]
    for count in (1, 5, 12, 30, 60):
        for width in (charts.WIDE, charts.NARROW):
            ticks = charts.months(watch(series(count)), title="t", width=width).ticks_across
            assert ticks and all(b.at - a.at >= 30 for a, b in zip(ticks, ticks[1:], strict=False))


# --- bars -------------------------------------------------------------------------------------------------------------


def test_bars_start_at_nothing_and_are_as_long_as_their_counts():
    chart = charts.bars([("on the conveyor", 40, "/x/"), ("in staging", 10, ""), ("by the store", 0, "")], title="t")
    longest = chart.bars[0].length
    assert longest > 250 and [bar.length for bar in chart.bars] == [longest, longest / 4, 0]
    assert chart.bars[0].words == "on the conveyor: 40"
    assert charts.bars([("by the store", 0, "")], title="t") is None


# --- the drawings -----------------------------------------------------------------------------------------------------


def charts_of(seven, width, link):
    by = {"title": "A title & more", "width": width}
    yield "caterpillar", charts.caterpillar(seven, link=link, marked="Cedar", id="one", **by)
    yield "funnel", charts.funnel(seven, link=link, marked="Cedar", id="two", **by)
    yield "months", charts.months(watch(series()), id="three", **by)
    yield "bars", charts.bars([("on the conveyor", 4, ""), ("<b>", 1, "")], id="four", **by)


@pytest.mark.parametrize("width", [charts.WIDE, charts.NARROW])
@pytest.mark.parametrize("language", ["en", "es"])
def test_drawings_are_whole_named_plain_and_hold_everything(seven, width, language):
    hostile = compare(entries(SEVEN.replace("Birch", "<script>&")))
    with translation.override(language):
        for name, chart in charts_of(hostile, width, lambda one: "/c/?a=1&b=2"):
            text = drawn(name, chart)
            root = parsed(name, chart)
            assert root.get("role") == "group" and root.get("aria-labelledby") == f"{chart.id}-title"
            assert [node.text for node in root.iter(f"{SVG}title")][0] == "A title & more"
            assert "style" not in text and "class=" not in text and "<script>" not in text
            assert not re.search(r'(?:x|y|x1|x2|y1|y2|cx|cy|points)="[^"]*(?:None|nan|\d,\d+,)', text)
            for number in re.findall(r'\b(?:x1|x2)="([^"]+)"', text):
                assert 0 <= float(number) <= chart.width, name


def test_points_without_an_address_are_no_links(seven):
    assert "<a " not in drawn("caterpillar", charts.caterpillar(seven, title="t"))
    assert "<a " not in drawn("funnel", charts.funnel(seven, title="t"))


def test_both_widths_carry_ids_of_their_own(seven):
    wide, narrow = charts.both(charts.caterpillar, seven, id="rates", title="t")
    assert (wide.id, wide.width, narrow.id, narrow.width) == ("rates-wide", charts.WIDE, "rates-narrow", charts.NARROW)
    assert DEFAULTS.min_trailers == 5


def contrast(one, other):
    def light(colour):
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05

    high, low = sorted((light(one), light(other)), reverse=True)
    return high / low


@pytest.mark.parametrize("paper", ["#ffffff", "#fbfaf7", "#181c1e", "#0f1213"])
def test_fixed_colours_stand_out_on_light_and_on_dark_paper(seven, paper):
    text = "".join(drawn(name, chart) for name, chart in charts_of(seven, charts.WIDE, None))
    text += "".join(shape(mark) for mark in charts.MARKS.values())
    colours = set(re.findall(r"#[0-9a-f]{6}\b", text))
    assert len(colours) >= 3
    for colour in colours:
        assert contrast(colour, paper) >= 3, colour
