"""What a claim is worth: the order of the steps, what is missing, and what a stranger can follow."""

import json
from dataclasses import replace
from decimal import Decimal, localcontext
from itertools import product

import pytest
from django.utils import translation

from claims.enums import FreightWhen, LimitBasis, LineKind, SalvageWhen
from claims.valuation import FreightBy, Of, Rate, Terms, Valuation, value
from tests.claims.valuation_examples import SDR, amounts, bill, booked, every_kind_of_line, free, limited, line


class TestLoss:
    def test_discounts_follow_each_other(self):
        found = value([line(quantity=10, unit_price=100, trade_discount=10, cash_discount=2)], Terms(), free())
        assert [step.amount for step in found.lines[0].steps] == [1000, -100, -18, 0]
        assert found.lines[0].steps[2].words == "less 2% cash discount 18.00"
        assert found.total == Decimal("882.00")

    @pytest.mark.parametrize(
        ("facts", "code", "amount"),
        [
            ({"repair_cost": 40, "value_lost": 60}, "repair", 40),
            ({"repair_cost": 60, "value_lost": 40}, "value_lost", 40),
            ({"repair_cost": 160, "value_lost": 140}, "price", 100),
            ({"repair_cost": 160, "value_lost": 140, "quantity": None}, "value_lost", 140),
        ],
    )
    def test_the_least_of_repair_loss_of_value_and_price_counts(self, facts, code, amount):
        found = value([line(**facts)], Terms(), free())
        assert found.lines[0].steps[0].code == code
        assert found.total == amount
        assert "not taken" in found.lines[0].steps[0].note

    def test_the_price_less_its_discounts_is_what_a_repair_is_held_against(self):
        found = value([line(cash_discount=10, repair_cost=95)], Terms(), free())
        assert found.total == 90

    def test_a_repair_without_a_value_beside_it_is_flagged(self):
        found = value([line(unit_price=None, repair_cost=40)], Terms(), free())
        assert found.total == 40
        assert found.lines[0].flags == ("repair_alone",)

    def test_what_is_gone_cannot_be_repaired(self):
        found = value([line(kind=LineKind.LOSS, repair_cost=4)], Terms(), free())
        assert found.total == 100
        assert found.lines[0].flags == ("repair_of_lost_goods",)

    def test_nothing_claimed_is_nought(self):
        assert value([], Terms(deductible=5), free()).total == Decimal("0.00")


class TestSalvage:
    def test_before_the_limit_it_is_taken_off_the_loss(self):
        assert value([line(salvage=30)], limited("8"), free()).total == Decimal("70.00")

    def test_after_the_limit_it_is_taken_off_what_the_limit_left(self):
        assert value([line(salvage=30)], limited("8", salvage_when=SalvageWhen.AFTER), free()).total == Decimal("50.00")

    @pytest.mark.parametrize(("when", "taken"), [(SalvageWhen.BEFORE, -100), (SalvageWhen.AFTER, -80)])
    def test_more_than_the_loss_leaves_nothing_and_says_so(self, when, taken):
        found = value([line(salvage=130)], limited("8", salvage_when=when), free())
        assert found.total == 0
        assert "salvage_exceeds_loss" in found.lines[0].flags
        assert [step.amount for step in booked(found, "salvage")] == [taken]

    def test_a_sale_that_cost_more_than_it_brought_adds_nothing(self):
        found = value([line(salvage=-20)], Terms(), free())
        assert found.total == 100
        assert found.lines[0].flags == ("salvage_below_zero",)


class TestLimit:
    @pytest.mark.parametrize(
        ("basis", "hurt", "gone"),
        [
            (LimitBasis.NONE, 100, 100),
            (LimitBasis.PIECES_WEIGHT, 20, 20),
            (LimitBasis.DAMAGED_WEIGHT, 20, 100),
            (LimitBasis.SHORT_WEIGHT, 100, 20),
            (LimitBasis.SHIPMENT_WEIGHT, 100, 100),
            (LimitBasis.PACKAGE, 2, 2),
        ],
    )
    def test_each_basis_covers_its_own_lines(self, basis, hurt, gone):
        found = value([line(), line(key=2, kind=LineKind.LOSS)], limited("2", basis), free())
        assert amounts(found) == [hurt, gone]

    def test_a_line_far_below_the_limit_lends_its_room_to_the_others(self):
        found = value([line(unit_price=1000), line(key=2, unit_price=1)], limited("20"), free())
        assert found.total == 400
        assert found.lines[1].amount <= 1

    def test_the_declared_value_holds_all_lines_together(self):
        declared = Terms(limit_basis=LimitBasis.DECLARED_VALUE, declared_value=100)
        found = value([line(key=key) for key in (1, 2, 3)], declared, free())
        assert amounts(found) == [Decimal("33.34"), Decimal("33.33"), Decimal("33.33")]

    def test_what_lines_share_can_be_reckoned_again_by_hand(self):
        """60 lb at 1.00 a pound for goods of 100, 100 and 50: the shares are 60 x 100 / 250 and 60 x 50 / 250."""
        lines = [line(), line(key=2, weight=30), line(key=3, weight=20, unit_price=50)]
        [pool] = value(lines, limited("1"), free()).pools
        assert (pool.code, pool.ceiling, pool.before) == ("limit", 60, 250)
        told = [(share.key, share.weight, share.unit, share.before, share.exact, share.given) for share in pool.shares]
        assert told == [(1, 10, "lb", 100, 24, 24), (2, 30, "lb", 100, 24, 24), (3, 20, "lb", 50, 12, 12)]

    def test_the_parts_of_a_shared_limit_say_who_got_the_odd_cent(self):
        declared = Terms(limit_basis=LimitBasis.DECLARED_VALUE, declared_value=100)
        [pool] = value([line(key=key) for key in (1, 2, 3)], declared, free()).pools
        assert {str(share.exact)[:8] for share in pool.shares} == {"33.33333"}
        assert [share.given for share in pool.shares] == [Decimal("33.34"), Decimal("33.33"), Decimal("33.33")]
        assert [share.weight for share in pool.shares] == [None] * 3

    def test_a_limit_that_takes_nothing_and_one_of_a_single_line_share_nothing(self):
        assert value([line(), line(key=2)], limited("10"), free()).pools == ()
        assert value([line()], limited("1"), free()).pools == ()

    def test_an_amended_line_moves_the_share_of_the_other(self):
        def of_second(price):
            [pool] = value([line(unit_price=price), line(key=2)], limited("1"), free()).pools
            return pool.shares[1].given

        assert (of_second(100), of_second(300)) == (10, 5)

    def test_a_loss_at_the_limit_is_whole_and_one_above_it_is_not(self):
        at, above = (value([line(unit_price=Decimal(loss))], limited("1"), free()) for loss in ("10.00", "10.01"))
        assert (at.total, at.lines[0].flags) == (10, ())
        assert (above.total, above.lines[0].flags) == (10, ("limited",))

    def test_no_line_gets_more_than_its_own_loss_of_a_limit_that_roundings_reach(self):
        """Ten half cents round to ten cents; nine of them fit, and none of it may go to the line that is whole."""
        small = [line(key=key, unit_price=Decimal("0.005")) for key in range(2, 12)]
        declared = Terms(limit_basis=LimitBasis.DECLARED_VALUE, declared_value=Decimal("1000.09"))
        found = value([line(unit_price=1000), *small], declared, free())
        assert found.total == Decimal("1000.09")
        assert found.line(1).amount == 1000

    def test_an_odd_cent_stays_with_its_line_in_whatever_order_they_come(self):
        declared = Terms(limit_basis=LimitBasis.DECLARED_VALUE, declared_value=100)
        found = value([line(key=key) for key in (10, 3, 2)], declared, free())
        assert [found.line(key).amount for key in (2, 3, 10)] == [
            Decimal("33.34"),
            Decimal("33.33"),
            Decimal("33.33"),
        ]

    def test_a_dear_package_does_not_use_the_room_of_a_cheap_one(self):
        found = value(
            [line(unit_price=2000), line(key=2, quantity=10, unit_price=10, packages=10)],
            limited("500", LimitBasis.PACKAGE),
            free(),
        )
        assert amounts(found) == [500, 100]

    def test_the_bill_s_count_of_packages_is_the_most(self):
        found = value(
            [line(key=key, unit_price=900) for key in (1, 2)], limited("500", LimitBasis.PACKAGE), free(pieces=1)
        )
        assert found.total == 500

    @pytest.mark.parametrize(
        ("limit_unit", "line_unit", "limit"),
        [("kg", "kg", "260.00"), ("lb", "lb", "260.00"), ("kg", "lb", "117.93"), ("lb", "kg", "573.20")],
    )
    def test_pounds_and_kilograms_are_brought_together(self, limit_unit, line_unit, limit):
        """10 units of weight at 26.00; 26 x 4.5359237 = 117.9340162, 260 / 0.45359237 = 573.2018..."""
        per = Terms(limit_basis=LimitBasis.PIECES_WEIGHT, limit_rate=26, limit_weight_unit=limit_unit)
        found = value([line(unit_price=9999, weight_unit=line_unit)], per, free(weight_unit="kg"))
        assert found.total == Decimal(limit)
        assert ("0.45359237" in found.group_steps[0].note) == (limit_unit != line_unit)

    def test_half_a_cent_after_a_conversion_is_not_lost_to_a_quotient_that_does_not_end(self):
        """0.45359237 per lb on 0.5 kg is 0.5, which no round number of pounds is; a hundredth of it is half a cent."""
        per = limited("0.45359237", limit_currency="XDR")
        hundredth = Rate(value=Decimal("0.01"), day=SDR.day, source="made up")
        assert value([line(weight=Decimal("0.5"), weight_unit="kg")], per, free(), hundredth).total == Decimal("0.01")

    def test_another_currency_converts_at_the_rate_somebody_entered(self):
        found = value([line()], limited("1", limit_currency="XDR"), free(), SDR)
        assert found.total == Decimal("13.10")
        assert found.group_steps[1].words == "10.00 XDR × 1.31 = 13.10 USD"
        assert found.group_steps[1].note == "rate of Mon 2 Mar 2026, the bank's list"

    def test_a_rate_counts_to_its_last_place(self):
        fine = replace(SDR, value=Decimal("1.314567"))
        assert value([line()], limited("1", limit_currency="XDR"), free(), fine).total == Decimal("13.15")

    def test_the_claim_s_own_currency_asks_for_no_rate(self):
        assert value([line()], limited("1", limit_currency="USD"), free()).total == 10

    def test_yen_are_written_whole(self):
        terms = Terms(allowance_percent=1, allowance_of=Of.VALUE, deductible=10)
        gone = [line(kind=LineKind.LOSS), line(key=2, repair_cost=90)]
        found = value(gone, terms, free(currency="JPY", value=4000))
        assert found.group_steps[0].words.endswith("value 4,000 = 40; short 100; left 60")
        assert found.line(2).steps[0].note == "The least counts; not taken: price 100."
        assert not [step.words for each in found.lines for step in each.steps if "." in step.words]

    def test_yen_are_held_and_rounded_whole(self):
        found = value([line(unit_price=Decimal("100.5"))], Terms(), free(currency="JPY"))
        assert str(found.total) == "101"


class TestAllowanceAndDeductible:
    def test_so_many_pieces_of_the_shipment_may_be_short(self):
        """2% of 100 pieces are 2, of 5 short pieces at 100 each 3 are claimed, with their part of the freight."""
        short = line(kind=LineKind.LOSS, quantity=5, packages=5, weight=50)
        found = value([short], Terms(allowance_percent=2), bill())
        assert booked(found, "allowance")[0].amount == -200
        assert booked(found, "freight")[0].words == "freight 500.00 × 30 / 1,000 lb = 15.00"
        assert found.total == 315

    def test_the_allowance_leaves_damage_alone(self):
        found = value([line(), line(key=2, kind=LineKind.LOSS)], Terms(allowance_percent=1), free())
        assert amounts(found) == [100, 0]
        assert found.line(2).flags == ("within_allowance",)

    def test_an_allowance_of_value_is_counted_in_money(self):
        terms = Terms(allowance_percent=1, allowance_of=Of.VALUE)
        assert value([line(kind=LineKind.LOSS)], terms, free(value=4000)).total == 60

    def test_freight_is_not_claimed_for_what_falls_wholly_into_the_allowance(self):
        """Even where salvage has left nothing of its value."""
        terms = Terms(allowance_percent=1, allowance_of=Of.VALUE)
        for salvage in (0, 100):
            found = value([line(kind=LineKind.LOSS, salvage=salvage)], terms, bill(value=20000))
            assert found.total == 0
            assert "within_allowance" in found.lines[0].flags

    def test_a_third_of_three_pounds_is_one_pound_and_half_a_cent_is_not_lost(self):
        """2 of 3 short pieces fall in the allowance: 5.00 x 3 / 1,000 lb is a cent and a half, and so is the limit."""
        short = [line(key=key, kind=LineKind.LOSS, weight=3) for key in (1, 2, 3)]
        found = value(short, Terms(allowance_percent=2), bill(freight=5))
        assert found.total == Decimal("100.02")
        assert booked(found, "freight")[0].words.startswith("freight 5.00 × 1 / 1,000 lb")
        held = value(short, limited("0.005", allowance_percent=2), free())
        assert held.total == Decimal("0.02")
        assert held.group_steps[1].words == "limit 0.005 USD per lb × 3 lb = 0.015 USD"

    def test_units_in_a_carton_are_not_the_pieces_of_the_bill(self):
        short = line(kind=LineKind.LOSS, quantity=24, unit_price=10, packages=2)
        assert value([short], Terms(allowance_percent=1), free()).total == 120

    def test_the_limit_of_what_the_allowance_leaves_is_lower_too(self):
        short = line(kind=LineKind.LOSS, quantity=2, packages=2, weight=20)
        terms = limited("1", LimitBasis.SHORT_WEIGHT, allowance_percent=1)
        assert value([short], terms, free()).total == 10

    def test_the_deductible_comes_off_once_over_all_lines(self):
        found = value([line(), line(key=2, unit_price=300)], Terms(deductible=100), free())
        assert amounts(found) == [75, 225]

    def test_the_deductible_comes_off_what_the_limit_left_and_not_off_freight_on_top(self):
        assert value([line()], limited("5", deductible=20), bill()).total == 35
        assert value([line()], limited("5", deductible=200), bill()).total == 5

    def test_a_deductible_above_the_loss_leaves_nothing(self):
        assert value([line()], Terms(deductible=101), free()).total == 0


class TestFreight:
    def test_outside_it_comes_on_top_of_the_limit(self):
        assert value([line()], limited("5"), bill()).total == 55

    def test_inside_it_is_held_with_the_goods(self):
        found = value([line()], limited("5", freight_when=FreightWhen.INSIDE), bill())
        assert found.total == 50
        assert [step.code for step in found.lines[0].steps] == ["price", "freight", "limit"]

    def test_by_pieces_where_it_was_charged_by_pieces(self):
        found = value([line(quantity=24, packages=2)], Terms(), bill(freight_by=FreightBy.PIECES))
        assert booked(found, "freight")[0].words == "freight 500.00 × 2 / 100 pieces = 10.00"

    def test_a_line_in_kilograms_has_its_share_of_a_bill_in_pounds(self):
        found = value([line(weight=Decimal("45.359237"), weight_unit="kg")], Terms(), bill())
        assert booked(found, "freight")[0].words == "freight 500.00 × 100 / 1,000 lb = 50.00"

    @pytest.mark.parametrize(
        ("facts", "why"),
        [
            ({"freight_paid": None}, "whether the freight was paid"),
            ({"freight_paid": False}, "was not paid"),
            ({"freight_in_price": None}, "whether the price includes"),
            ({"freight_in_price": True}, "includes the freight"),
            ({"freight": 0}, "nought"),
        ],
    )
    def test_freight_that_is_not_claimed_says_why(self, facts, why):
        found = value([line()], Terms(), bill(**facts))
        assert found.total == 100
        (step,) = booked(found, "freight")
        assert step.amount == 0
        assert why in step.note

    def test_a_moved_cent_says_so(self):
        found = value([line(key=key, weight=1) for key in (1, 2, 3)], Terms(), bill(weight=3, freight=100))
        assert found.total == 400
        assert [step.note for step in booked(found, "freight", key=1)] == [
            "33.34 here, so that the lines together have 100.00."
        ]
        assert booked(found, "freight", key=2)[0].note == ""


class TestWhatIsMissing:
    @pytest.mark.parametrize(
        ("facts", "need"),
        [
            ({"quantity": None}, "give the quantity"),
            ({"unit_price": None}, "give the unit price, the cost of repair or the loss of value"),
            ({"unit_price": None, "kind": LineKind.LOSS}, "give the unit price from the invoice"),
            ({"weight": None}, "give the weight"),
            ({"weight": 0}, "give the weight"),
        ],
    )
    def test_of_a_line_leaves_it_undetermined(self, facts, need):
        found = value([line(description="Six lamps", **facts)], Terms(), bill())
        assert found.total is None
        assert found.lines[0].undetermined
        assert need in " ".join(found.needs)
        assert found.needs[0].startswith("Six lamps")

    @pytest.mark.parametrize(
        ("terms", "shipment", "need"),
        [
            (limited("1", limit_currency="XDR"), free(), "Give the rate of XDR in USD"),
            (replace(limited("1"), limit_rate=None), free(), "Give the rate of the limit"),
            (replace(limited("1"), limit_weight_unit=""), free(), "weight unit of the limit"),
            (limited("1", LimitBasis.SHIPMENT_WEIGHT), free(weight=None), "Give the weight of the shipment"),
            (limited("1", LimitBasis.SHIPMENT_WEIGHT), free(weight=0), "Give the weight of the shipment"),
            (Terms(limit_basis=LimitBasis.DECLARED_VALUE), free(), "Give the value that was declared"),
            (Terms(), bill(weight=None), "Give the weight of the shipment, to share the freight"),
            (Terms(), bill(freight=None), "Give the freight that was paid"),
            (Terms(), bill(weight=9), "weigh more than the shipment"),
            (Terms(), bill(freight_by=FreightBy.PIECES, pieces=None), "how many pieces the bill has, to share"),
            (Terms(), bill(freight_by=FreightBy.PIECES, pieces=Decimal("0.5")), "more pieces than the bill"),
        ],
    )
    def test_of_terms_and_shipment_leaves_the_lines_undetermined(self, terms, shipment, need):
        found = value([line()], terms, shipment)
        assert found.total is None
        assert amounts(found) == [None]
        assert need in " ".join(found.needs)

    @pytest.mark.parametrize(
        ("terms", "need"),
        [
            (Terms(allowance_percent=1), "how many pieces the bill has, for the shortage allowance"),
            (Terms(allowance_percent=1, allowance_of=Of.VALUE), "the value of the whole shipment"),
        ],
    )
    def test_of_an_allowance_leaves_shortages_undetermined_and_damage_not(self, terms, need):
        found = value([line(), line(key=2, kind=LineKind.LOSS)], terms, free(pieces=None))
        assert amounts(found) == [100, None]
        assert need in found.needs[0]

    def test_of_one_shortage_s_pieces_leaves_all_that_share_the_allowance_undetermined(self):
        gone = [line(key=key, kind=LineKind.LOSS, packages=packages) for key, packages in ((1, None), (2, 9))]
        found = value(gone, Terms(allowance_percent=1), free())
        assert amounts(found) == [None, None]
        assert "1: give how many pieces" in found.line(1).needs[0]
        assert "2 shares the shortage allowance with 1" in found.line(2).needs[0]

    @pytest.mark.parametrize("basis", [LimitBasis.PACKAGE, LimitBasis.PIECES_WEIGHT])
    def test_a_limit_does_not_take_an_unknown_weight_or_count_for_nought(self, basis):
        found = value([line(weight=None, packages=None), line(key=2)], limited("1", basis), free())
        assert found.line(1).amount is None
        assert found.total is None

    @pytest.mark.parametrize("terms", [limited("1"), limited("1", LimitBasis.SHIPMENT_WEIGHT), Terms(deductible=5)])
    def test_who_shares_with_an_unknown_line_waits_for_it(self, terms):
        found = value([line(unit_price=None, description="Lamps"), line(key=2, description="Chairs")], terms, free())
        assert amounts(found) == [None, None]
        assert "Chairs shares" in found.line(2).needs[0]
        assert "Lamps" in found.line(2).needs[0]

    def test_for_all_lines_is_asked_once(self):
        found = value([line(), line(key=2)], limited("1", limit_currency="XDR"), free())
        assert found.needs == ("Give the rate of XDR in USD, with its day and its source.",)

    def test_who_shares_nothing_does_not_wait(self):
        assert amounts(value([line(unit_price=None), line(key=2)], Terms(), free())) == [None, 100]

    def test_a_limit_of_damage_alone_does_not_trouble_a_shortage(self):
        terms = limited("1", LimitBasis.DAMAGED_WEIGHT, limit_currency="XDR")
        assert amounts(value([line(), line(key=2, kind=LineKind.LOSS)], terms, free())) == [None, 100]


class TestFacts:
    @pytest.mark.parametrize(
        "name",
        ["quantity", "unit_price", "trade_discount", "repair_cost", "value_lost", "salvage", "weight", "packages"],
    )
    def test_a_float_goes_no_further(self, name):
        with pytest.raises(TypeError, match="decimal"):
            line(**{name: 1.5})

    @pytest.mark.parametrize(
        ("make", "facts", "message"),
        [
            (line, {"quantity": -1}, "quantity is not below nought: -1"),
            (line, {"trade_discount": 101}, "trade_discount is from 0 to 100: 101"),
            (line, {"weight_unit": "stone"}, "weight_unit is one of kg, lb: stone"),
            (line, {"unit_price": Decimal("NaN")}, "no amount of money"),
            (bill, {"weight": -1}, "weight is not below nought"),
            (bill, {"freight_by": "volume"}, "volume"),
            (Terms, {"limit_basis": "moon"}, "moon"),
            (Terms, {"deductible": -1}, "deductible is not below nought"),
        ],
    )
    def test_what_cannot_be_is_refused_by_name(self, make, facts, message):
        with pytest.raises(ValueError, match=message):
            make(**facts)

    def test_a_rate_is_above_nought(self):
        with pytest.raises(ValueError, match="above nought"):
            Rate(value=Decimal(0), day=SDR.day, source="made up")

    def test_the_words_of_the_choices_will_do(self):
        assert Terms(limit_basis="package").limit_basis is LimitBasis.PACKAGE


class TestWorking:
    def test_each_step_can_be_followed_by_a_stranger(self):
        cartons = line(quantity=14, unit_price=Decimal("48.50"), trade_discount=2, salvage=95, weight=276)
        found = value([cartons], Terms(), bill(weight=18420, freight=1842))
        assert [step.words for step in found.lines[0].steps] == [
            "14 × 48.50 = 679.00",
            "less 2% trade discount 13.58",
            "less net salvage 95.00",
            "freight 1,842.00 × 276 / 18,420 lb = 27.60",
        ]

    def test_a_quotient_that_does_not_end_is_cut_and_says_so(self):
        found = value([line(weight=41)], Terms(), bill(weight=17963, freight=Decimal("1275.43")))
        assert booked(found, "freight")[0].words == "freight 1,275.43 × 41 / 17,963 lb = 2.9111… ≈ 2.91"

    def test_what_rounding_took_is_a_step_of_its_own(self):
        found = value([line(unit_price=Decimal("62.75"), trade_discount=2)], Terms(), free())
        assert [str(step.amount) for step in found.lines[0].steps] == ["62.75", "-1.255", "0.00", "0.005"]
        assert found.total == Decimal("61.50")

    def test_a_narrow_decimal_context_of_somebody_else_does_no_harm(self):
        given = every_kind_of_line(), limited("3", limit_currency="XDR", deductible=7), bill(), SDR
        with localcontext() as narrow:
            narrow.prec = 3
            found = value(*given)
        assert found == value(*given)

    def test_rounding_comes_once_and_at_the_end(self):
        """1.3342 x 0.85 x 0.985 is 1.117058950 less 0.002 salvage; rounded at each step it would be 1.11."""
        hurt = line(unit_price=Decimal("1.3342"), trade_discount=15, cash_discount=Decimal("1.5"))
        found = value([hurt], Terms(), free())
        assert found.total == Decimal("1.12")
        assert sum(step.code == "rounding" for step in found.lines[0].steps) == 1

    def test_it_is_kept_as_json_and_comes_back_the_same(self):
        found = value(every_kind_of_line(), limited("3", limit_currency="XDR", deductible=7), bill(), SDR)
        kept = json.loads(json.dumps(found.as_dict()))
        assert Valuation.from_dict(kept) == found
        assert kept["total"] == format(found.total, "f")
        assert all(isinstance(step["amount"], str) for line in kept["lines"] for step in line["steps"])

    def test_an_undetermined_one_comes_back_the_same_too(self):
        found = value([line(weight=None)], limited("3"), bill())
        assert Valuation.from_dict(json.loads(json.dumps(found.as_dict()))) == found

    def test_numbers_are_written_in_the_reader_s_language(self):
        with translation.override("es"):
            found = value([line(quantity=3, unit_price=Decimal("1234.50"))], Terms(), free())
        assert found.lines[0].steps[0].words == "3 × 1\xa0234,50 = 3\xa0703,50"

    def test_a_long_exact_amount_keeps_all_its_decimals(self):
        hurt = line(quantity=Decimal("1.001"), unit_price=Decimal("1.0001"), trade_discount=Decimal("0.0001"))
        (gross, less, *_) = value([hurt], Terms(), free()).lines[0].steps
        assert (str(gross.amount), str(less.amount)) == ("1.0011001", "-0.0000010011001")


@pytest.mark.parametrize(
    ("basis", "salvage_when", "freight_when"), list(product(LimitBasis, SalvageWhen, FreightWhen)), ids=str
)
def test_every_choice_of_terms_is_worked_out(basis, salvage_when, freight_when):
    chosen = limited("3", basis, salvage_when=salvage_when, freight_when=freight_when, declared_value=150)
    found = value(every_kind_of_line(), chosen, bill())
    assert found.total == sum(amounts(found))
    assert (basis == LimitBasis.NONE) == (not found.group_steps)
