"""Amounts of claims against decisions, conventions and statutes; the source beside each.

P1 to P8 are printed by somebody else. Examples called *worked by hand* are this project's own, made from the rules
named beside them. No rate of a special drawing right below is anybody's quotation except where its source is named.
"""

from datetime import date
from decimal import Decimal

import pytest

from claims.enums import LimitBasis, LineKind
from claims.money import cents, split
from claims.valuation import Line, Rate, Shipment, Terms, value
from claims.valuation import published as limits


def damage(**facts):
    return Line(**{"key": 1, "kind": LineKind.DAMAGE, **decimals(facts)})


def short(**facts):
    return Line(**{"key": 1, "kind": LineKind.LOSS, **decimals(facts)})


def terms(basis=LimitBasis.NONE, **facts):
    return Terms(limit_basis=basis, **decimals(facts))


def shipment(currency="USD", **facts):
    return Shipment(**{"currency": currency, "freight_paid": False, **decimals(facts)})


def decimals(facts):
    units = {"kg", "lb"}
    return {
        name: Decimal(fact) if isinstance(fact, str) and name not in WORDS and fact not in units else fact
        for name, fact in facts.items()
    }


WORDS = {"kind", "limit_currency", "currency", "freight_by", "salvage_when", "freight_when"}
PAID = {"freight_paid": True, "freight_in_price": False, "weight_unit": "lb"}
PER_POUND = {"limit_weight_unit": "lb"}


def total(line, terms, shipment, rate=None):
    return value([line], terms, shipment, rate).total


class TestPrinted:
    def test_p1_400_units_at_315_dollars_are_126_000(self):
        """334 F.3d 997 (11th Cir. 2003)."""
        assert total(short(quantity="400", unit_price="315.00"), terms(), shipment()) == Decimal("126000.00")

    @pytest.mark.parametrize(("rate", "limit"), [("2.50", "500.00"), ("250", "50000.00")])
    def test_p2_a_released_value_per_pound_times_the_item_s_weight(self, rate, limit):
        """GAO B-254831 (1 Jun 1994): 200 lb at 2.50; a bill said 250 by mistake. The item's price is made up."""
        dear = damage(quantity="1", unit_price="60000", weight="200")
        by_the_pound = terms(LimitBasis.PIECES_WEIGHT, limit_rate=rate, **PER_POUND)
        assert total(dear, by_the_pound, shipment(weight_unit="lb")) == Decimal(limit)

    def test_p2_the_charge_on_the_excess_value(self):
        """The same decision: 74.25 on an excess of 49,500.00; that it is 0.15 per 100 is our arithmetic."""
        assert cents(Decimal("49500") * Decimal("0.0015")) == Decimal("74.25")

    @pytest.mark.parametrize(("rate", "payable"), [("250", "60880.00"), ("2.50", "16400.00")])
    def test_p3_the_limit_is_no_measure_of_a_loss_that_was_smaller(self, rate, payable):
        """GAO B-203933 (17 Jun 1982), as B-254831 restates it: 6,560 lb, actual value 60,880."""
        goods = damage(quantity="1", unit_price="60880", weight="6560")
        by_the_pound = terms(LimitBasis.PIECES_WEIGHT, limit_rate=rate, **PER_POUND)
        assert total(goods, by_the_pound, shipment(weight_unit="lb")) == Decimal(payable)

    def test_p4_a_repair_below_the_released_value_is_paid_in_full(self):
        """GAO B-169285 (24 Feb 1971): not reduced in the ratio of released to actual value (its subject line says
        1,267.40, its text 1,265.40). The actual value is made up."""
        hurt = damage(repair_cost="1265.40", value_lost="20000")
        assert total(hurt, terms(LimitBasis.DECLARED_VALUE, declared_value="11460"), shipment()) == Decimal("1265.40")

    @pytest.mark.parametrize(
        ("basis", "payable"),
        [(LimitBasis.SHIPMENT_WEIGHT, "1912.40"), (LimitBasis.PIECES_WEIGHT, "775.00")],
    )
    def test_p5_and_p6_the_same_rate_gives_two_limits(self, basis, payable):
        """GAO B-238611 (20 Feb 1991) counts the whole shipment's weight, GAO B-159274 (22 Nov 1967) the weight of the
        part lost or damaged. Weights and loss: C3 below."""
        assert total(*c3("2.50", basis)) == Decimal(payable)

    @pytest.mark.parametrize(("per_kg", "dollars"), [("22", "28.82"), ("26", "34.06")])
    def test_p7_the_air_limit_per_kilogram_in_dollars(self, per_kg, dollars):
        """Published illustration of the new air limit, late November 2024: 1 SDR = USD 1.31."""
        air = terms(LimitBasis.PIECES_WEIGHT, limit_rate=per_kg, limit_currency="XDR")
        assert total(damage(quantity="1", unit_price="900", weight="1"), air, shipment(), ILLUSTRATED) == Decimal(
            dollars
        )

    def test_p8_one_skid_in_five_has_a_fifth_of_the_freight(self):
        """Trade-press explanation of freight on part losses: 500.00 on five skids of 400 lb each, one lost."""
        one = short(quantity="1", unit_price="0", weight="400")
        assert total(one, terms(), shipment(weight="2000", freight="500.00", **PAID)) == Decimal("100.00")

    def test_freight_is_not_claimed_on_top_of_a_price_that_has_it_inside(self):
        """Trade press, 2009: goods 1,067.92, freight 436.69; claiming both, 1,504.61, was called a double recovery."""
        goods = short(quantity="1", unit_price="1067.92", weight="400")
        carried = {"weight": "400", "freight": "436.69", "weight_unit": "lb", "freight_paid": True}
        assert total(goods, terms(), shipment(freight_in_price=True, **carried)) == Decimal("1067.92")
        assert total(goods, terms(), shipment(freight_in_price=False, **carried)) == Decimal("1504.61")
        unsaid = value([goods], terms(), shipment(**carried))
        assert unsaid.total == Decimal("1067.92")
        assert "Nobody has said" in unsaid.lines[0].steps[-1].note


ILLUSTRATED = Rate(value=Decimal("1.31"), day=date(2024, 11, 25), source="published illustration")


class TestConventionsAndStatutes:
    @pytest.mark.parametrize(("kilograms", "sdr"), [("790", "6580.70"), ("42.6", "354.858")])
    def test_cmr_8_33_sdr_per_kilogram_short(self, kilograms, sdr):
        """CMR article 23(3) as amended in 1978. Three decimals are kept; the weights are made up."""
        road = terms(LimitBasis.SHORT_WEIGHT, limit_rate=str(limits.ROAD_INTERNATIONAL), limit_currency="XDR")
        one_to_one = Rate(value=Decimal(1), day=date(2026, 3, 2), source="made up")
        found = value([short(quantity="1", unit_price="9999", weight=kilograms)], road, shipment("EUR"), one_to_one)
        assert found.group_steps[0].amount == Decimal(sdr)
        assert found.total == cents(Decimal(sdr))

    @pytest.mark.parametrize(
        ("carried", "limit"),
        [
            ("2003-11-04", 17),
            ("2009-12-29", 17),
            ("2009-12-30", 19),
            ("2019-12-27", 19),
            ("2019-12-28", 22),
            ("2024-12-27", 22),
            ("2024-12-28", 26),
        ],
    )
    def test_the_air_limit_by_date(self, carried, limit):
        """Montreal Convention article 22(3): 17, and 19, 22 and 26 as revised under article 24."""
        assert limits.air_cargo(date.fromisoformat(carried)) == limit

    def test_no_air_limit_before_the_convention(self):
        """In force on 4 November 2003 (from memory)."""
        assert limits.air_cargo(date(2003, 11, 3)) is None

    @pytest.mark.parametrize(("goods", "payable"), [("5000.00", "3882.84"), ("3500.00", "3500.00")])
    def test_c6_114_kilograms_by_air_are_2_964_sdr(self, goods, payable):
        """Montreal Convention article 22(3), 26 SDR since 28 December 2024; 12 cartons of 9.5 kg, worked by hand."""
        limit = str(limits.air_cargo(date(2026, 3, 2)))
        air = terms(LimitBasis.PIECES_WEIGHT, limit_rate=limit, limit_currency="XDR")
        cartons = damage(quantity="1", unit_price=goods, weight=str(12 * Decimal("9.5")))
        found = value([cartons], air, shipment(), ILLUSTRATED)
        assert found.group_steps[0].amount == 2964
        assert found.group_steps[1].amount == Decimal("3882.84")
        assert found.total == Decimal(payable)

    @pytest.mark.parametrize(("packages", "payable"), [("14", "7000.00"), ("1", "500.00")])
    def test_c7_500_dollars_a_package_as_the_bill_counts_packages(self, packages, payable):
        """COGSA section 4(5) (46 USC 30701 note), quoted in 666 F.2d 746 (2d Cir. 1981), which asks whether the package
        is the container or the cartons in it. 14 cartons of 612.50, worked by hand."""
        sea = terms(LimitBasis.PACKAGE, limit_rate=str(limits.SEA_PER_PACKAGE))
        cartons = damage(quantity="14", unit_price="612.50", packages=packages)
        assert total(cartons, sea, shipment()) == Decimal(payable)
        assert total(damage(quantity="14", unit_price="612.50", packages="14"), sea, shipment(pieces="1")) == 500

    def test_never_more_than_the_actual_loss_at_sea(self):
        """COGSA section 4(5): the limit is no price; what was lost is the most that is owed."""
        sea = terms(LimitBasis.PACKAGE, limit_rate="500")
        assert total(damage(quantity="14", unit_price="61.25", packages="14"), sea, shipment()) == Decimal("857.50")

    @pytest.mark.parametrize(
        ("basis", "limit", "payable"),
        [
            (LimitBasis.SHIPMENT_WEIGHT, "10584.00", "3900.00"),
            (LimitBasis.DAMAGED_WEIGHT, "264.60", "264.60"),
        ],
    )
    def test_c8_the_canadian_limit_on_the_shipment_s_weight_or_on_the_damaged_weight(self, basis, limit, payable):
        """Uniform bill of lading conditions (O. Reg. 643/05, number from memory): CAD 4.41 per kg of the total weight;
        some carriers' forms count the damaged piece. 2,400 kg, 60 kg damaged, worked by hand."""
        canada = terms(basis, limit_rate=str(limits.CANADA_PER_KG))
        hurt = damage(quantity="1", unit_price="3900.00", weight="60")
        found = value([hurt], canada, shipment("CAD", weight="2400"))
        assert found.group_steps[0].amount == Decimal(limit)
        assert found.total == Decimal(payable)

    def test_two_dollars_a_pound_are_the_canadian_4_41_a_kilogram(self):
        """The conditions print both; the pound is 0.45359237 kg by definition (1959 agreement, from memory)."""
        by_the_pound = terms(LimitBasis.PIECES_WEIGHT, limit_rate=str(limits.CANADA_PER_LB), limit_weight_unit="lb")
        kilogram = damage(quantity="1", unit_price="3900.00", weight="1")
        assert total(kilogram, by_the_pound, shipment("CAD")) == limits.CANADA_PER_KG


def c3(rate, basis):
    return (
        damage(quantity="1", unit_price="1912.40", weight="310"),
        terms(basis, limit_rate=rate, **PER_POUND),
        shipment(weight="18420", weight_unit="lb"),
    )


class TestWorkedByHand:
    """From the rules: actual loss (49 USC 14706(a)(1)), limits by agreement (14706(c)(1)), paid freight's share."""

    def test_c1_damage_with_discount_salvage_and_freight(self):
        cartons = damage(quantity="14", unit_price="48.50", trade_discount="2", salvage="95.00", weight="276")
        found = value([cartons], terms(), shipment(weight="18420", freight="1842.00", **PAID))
        assert [step.amount for step in found.lines[0].steps] == [
            Decimal(amount) for amount in ("679.00", "-13.58", "-95.00", "27.60")
        ]
        assert found.total == Decimal("598.02")

    def test_c2_shortage_with_freight(self):
        cartons = short(quantity="5", unit_price="62.75", weight="41")
        assert total(cartons, terms(), shipment(weight="17963", freight="1275.43", **PAID)) == Decimal("316.66")

    @pytest.mark.parametrize(
        ("rate", "basis", "payable"),
        [
            ("2.50", LimitBasis.DAMAGED_WEIGHT, "775.00"),
            ("0.50", LimitBasis.DAMAGED_WEIGHT, "155.00"),
            ("2.50", LimitBasis.SHIPMENT_WEIGHT, "1912.40"),
        ],
    )
    def test_c3_released_value(self, rate, basis, payable):
        assert total(*c3(rate, basis)) == Decimal(payable)

    def test_c3_the_whole_shipment_s_limit_is_46_050(self):
        line, agreed, bill = c3("2.50", LimitBasis.SHIPMENT_WEIGHT)
        assert value([line], agreed, bill).group_steps[0].amount == Decimal("46050.00")

    def test_c4_repair_costs_less_than_the_loss_of_value(self):
        repair = 6 * Decimal("22.00") + Decimal("38.50")
        hurt = damage(quantity="6", repair_cost=str(repair), value_lost="330.00")
        assert total(hurt, terms(), shipment()) == Decimal("170.50")

    def test_c5_cmr_rounds_once_after_converting(self):
        """CMR article 23(3); 1 SDR = EUR 1.20 is made up. Three decimals of SDR are kept until then."""
        road = terms(LimitBasis.SHORT_WEIGHT, limit_rate="8.33", limit_currency="XDR")
        rate = Rate(value=Decimal("1.20"), day=date(2026, 3, 2), source="made up")
        found = value([short(quantity="3", unit_price="900", weight="42.6")], road, shipment("EUR"), rate)
        assert found.group_steps[1].amount == Decimal("425.8296")
        assert found.total == Decimal("425.83")

    def test_c9_salvage_above_the_loss_leaves_nothing_and_is_flagged(self):
        found = value([damage(quantity="1", unit_price="80.00", salvage="95.00")], terms(), shipment())
        assert found.total == Decimal("0.00")
        assert found.lines[0].flags == ("salvage_exceeds_loss",)

    def test_c10_a_hundred_over_three_loses_no_cent(self):
        thirds = [Decimal("33.34"), Decimal("33.33"), Decimal("33.33")]
        assert split(Decimal("100.00"), [1, 1, 1]) == thirds
        cartons = [short(key=key, quantity="1", unit_price="0", weight="10") for key in range(3)]
        found = value(cartons, terms(), shipment(weight="30", freight="100.00", **PAID))
        assert [line.amount for line in found.lines] == thirds
        assert found.total == Decimal("100.00")

    @pytest.mark.parametrize(("exact", "rounded"), [("2.675", "2.68"), ("0.125", "0.13"), ("1.005", "1.01")])
    def test_c11_rounding_traps(self, exact, rounded):
        """Half-up in decimal, where binary floats give 2.67, 0.12 and 1.00."""
        assert cents(Decimal(exact)) == Decimal(rounded)
        assert round(float(exact), 2) != float(rounded)
        assert total(short(quantity="1", unit_price=exact), terms(), shipment()) == Decimal(rounded)


@pytest.mark.parametrize(
    ("of", "times", "product"),
    [
        ("400", "315", "126000.00"),
        ("200", "2.50", "500.00"),
        ("6560", "2.50", "16400.00"),
        ("2400", "4.41", "10584.00"),
        ("60", "4.41", "264.60"),
        ("2964", "1.31", "3882.84"),
        ("790", "8.33", "6580.70"),
        ("354.858", "1.20", "425.83"),
        ("49500", "0.0015", "74.25"),
    ],
)
def test_products_of_the_examples_to_the_cent(of, times, product):
    """Recomputed with Python's decimal from the sources above."""
    assert total(short(quantity=of, unit_price=times), terms(), shipment()) == Decimal(product)
