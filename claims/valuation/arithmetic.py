"""The order of operations of a claim, each step of it written down.

    1  the loss of each line: quantity at the net price, or the lesser of repair and loss of value
    2  less net salvage, before the limit or after it, as the terms say
    3  less the shortage allowance; held to the limit of liability; less the deductible
    4  plus the paid freight's share, inside the limit or on top of it, as the terms say
    5  rounded half-up, once, at the line; the total is the sum of the lines

What lines share (a limit, an allowance, a deductible, the freight) is whole cents, shared by largest remainder, so that
the parts add up to it. That the allowance comes off before the limit, with its part of weight and freight, and the
deductible last and not off freight on top, is common practice without a source.
"""

from decimal import Decimal, localcontext

from django.utils.translation import gettext as _

from claims.enums import FreightWhen, LineKind, SalvageWhen
from claims.money import EXACT, add_up, cents, split, whole_again
from claims.valuation.facts import KILOGRAMS, FreightBy, Of
from claims.valuation.limits import BY_LINES_WEIGHT, ceilings
from claims.valuation.progress import Missing, Progress, all_known, counted, known, weighed
from claims.valuation.words import figure, money, plainly
from claims.valuation.working import Pool, Share, Step, Valuation


def value(lines, terms, shipment, rate=None):
    """What the lines are worth under the terms, with the working: a `Valuation` in the shipment's currency.

    rate -- a `Rate`, asked for where the limit is in another currency
    A line that lacks a number has no amount and says what it needs; a total needs all of its lines.
    """
    with localcontext(EXACT):
        works = [Progress(line, shipment) for line in lines]
        told = list(_steps(sorted(works, key=_by_key), terms, shipment, rate))
        workings = tuple(work.finish() for work in works)
        amounts = [working.amount for working in workings]
        total = None if None in amounts else add_up(amounts, shipment.currency)
    notes = tuple(each for each in told if isinstance(each, Step))
    pools = tuple(each for each in told if isinstance(each, Pool) and len(each.shares) > 1)
    return Valuation(shipment.currency, workings, total, notes, pools)


def _by_key(work):
    """Who gets an odd cent must not depend on the order in which the lines are given."""
    return (isinstance(work.line.key, str), work.line.key)


def _steps(works, terms, shipment, rate):
    """Take the lines through the steps; gives a Step for what holds for lines together, a Pool for what they share."""
    for work in works:
        _loss(work)
    _salvage(works, terms, SalvageWhen.BEFORE)
    yield from _allowance(works, terms, shipment)
    _freight(works, terms, shipment, FreightWhen.INSIDE)
    yield from _limit(works, terms, shipment, rate)
    _salvage(works, terms, SalvageWhen.AFTER)
    yield from _deductible(works, terms, shipment)
    _freight(works, terms, shipment, FreightWhen.OUTSIDE)


# 1: the loss


def _loss(work):
    """The least of what is known of a hurt line; what is gone is worth its price."""
    line = work.line
    bounds = {"price": _net_price(line), "repair": line.repair_cost, "value_lost": line.value_lost}
    if line.kind == LineKind.LOSS:
        bounds = {"price": bounds["price"]}
        if line.repair_cost is not None or line.value_lost is not None:
            work.flags.append("repair_of_lost_goods")
    bounds = {code: amount for code, amount in bounds.items() if amount is not None}
    if not bounds:
        work.needs.append(_no_loss(line))
        return
    code = min(bounds, key=bounds.get)
    others = {other: amount for other, amount in bounds.items() if other != code}
    if list(bounds) == ["repair"]:
        work.flags.append("repair_alone")
    if code == "price":
        _book_price(work, _note_on(others, work.currency))
    else:
        work.book(
            code, f"{_called(code)} {money(bounds[code], work.currency)}", bounds[code], _note_on(others, work.currency)
        )


def _net_price(line):
    if line.quantity is None or line.unit_price is None:
        return None
    return line.quantity * line.unit_price * (100 - line.trade_discount) * (100 - line.cash_discount) / 10000


def _no_loss(line):
    if line.quantity is None:
        return _("%(line)s: give the quantity.") % {"line": line.name}
    if line.kind == LineKind.LOSS:
        return _("%(line)s: give the unit price from the invoice, the load list or a statement of value.") % {
            "line": line.name
        }
    return _("%(line)s: give the unit price, the cost of repair or the loss of value.") % {"line": line.name}


def _called(code):
    return {"price": _("price"), "repair": _("cost of repair"), "value_lost": _("loss of value")}[code]


def _note_on(others, currency):
    told = ", ".join(f"{_called(code)} {money(amount, currency)}" for code, amount in others.items())
    return _("The least counts; not taken: %(others)s.") % {"others": told} if told else ""


def _book_price(work, note):
    line, currency = work.line, work.currency
    gross = line.quantity * line.unit_price
    product = f"{figure(line.quantity)} × {money(line.unit_price, currency)} = {money(gross, currency)}"
    work.book("price", product, gross, note)
    for code, percent, words in (
        ("trade_discount", line.trade_discount, _("less %(percent)s%% trade discount %(amount)s")),
        ("cash_discount", line.cash_discount, _("less %(percent)s%% cash discount %(amount)s")),
    ):
        off = work.standing * percent / 100
        if off:
            work.book(code, words % {"percent": figure(percent), "amount": money(off, currency)}, -off)


# 2: salvage


def _salvage(works, terms, when):
    if terms.salvage_when == when:
        for work in known(works):
            _take_salvage(work, work.line.salvage)


def _take_salvage(work, salvage):
    if salvage < 0:
        work.flags.append("salvage_below_zero")
        note = _("Selling cost more than it brought; nothing is taken off and nothing added.")
        work.book("salvage", _("net salvage %(amount)s") % {"amount": money(salvage, work.currency)}, Decimal(0), note)
        return
    if not salvage:
        return
    off, note = min(salvage, work.standing), ""
    if salvage > work.standing:
        work.flags.append("salvage_exceeds_loss")
        note = _("The salvage is more than is left of the loss; only %(amount)s comes off.") % {
            "amount": money(off, work.currency)
        }
    work.book("salvage", _("less net salvage %(amount)s") % {"amount": money(salvage, work.currency)}, -off, note)


# 3: what the carrier does not answer for


def _allowance(works, terms, shipment):
    short = [work for work in works if work.line.kind == LineKind.LOSS]
    if not terms.allowance_percent:
        return
    if terms.allowance_of == Of.PIECES:
        counted(short)
    if not all_known(short, _("the shortage allowance")):
        return
    try:
        allowed, lost, words = _allowed(short, terms, shipment)
    except Missing as missing:
        missing.tell(short)
        return
    left = max(Decimal(0), lost - allowed)
    kept = left and left / lost
    ceiling = cents(sum(work.standing for work in short) * left / (lost or 1), shipment.currency)
    for work in short:
        work.kept = kept
        work.flags.extend([] if kept else ["within_allowance"])
    yield from _hold(short, ceiling, "allowance", _("less the part within the shortage allowance, %(off)s"))
    told = {"allowance": words, "left": money(ceiling, shipment.currency)}
    yield Step("allowance", _("%(allowance)s; left %(left)s") % told, ceiling)


def _allowed(short, terms, shipment):
    """How much may be short, how much is, and both in words."""
    percent = terms.allowance_percent
    if terms.allowance_of == Of.VALUE:
        whole, lost = shipment.value, sum(work.standing for work in short)
        words = _("shortage allowance %(percent)s%% of the shipment's value %(whole)s = %(allowed)s; short %(lost)s")
        needed = _("Give the value of the whole shipment, for the shortage allowance.")
    else:
        lost = sum(work.packages for work in short)
        whole = shipment.pieces
        words = _("shortage allowance %(percent)s%% of %(whole)s pieces = %(allowed)s; short %(lost)s")
        needed = _("Give how many pieces the bill has, for the shortage allowance.")
    if whole is None:
        raise Missing(needed)
    allowed = whole * percent / 100
    told = {"whole": whole, "allowed": allowed, "lost": lost}
    if terms.allowance_of == Of.VALUE:
        told = {name: money(amount, shipment.currency) for name, amount in told.items()}
    else:
        told = {name: figure(count) for name, count in told.items()}
    return allowed, lost, words % {**told, "percent": figure(percent)}


def _limit(works, terms, shipment, rate):
    """Each ceiling holds the lines it covers, all of them or none."""
    for covered, ceiling, steps in ceilings(works, terms, shipment, rate):
        words = _("held to the limit of liability: %(left)s")
        held = _hold(covered, ceiling, "limit", words, by_weight=terms.limit_basis in BY_LINES_WEIGHT)
        for work in covered if held else []:
            work.flags.append("limited")
        yield from [*steps, *held]


def _deductible(works, terms, shipment):
    if not terms.deductible or not works or not all_known(works, _("the deductible")):
        return
    whole = add_up((cents(work.standing, shipment.currency) for work in works), shipment.currency)
    off = min(whole, cents(terms.deductible, shipment.currency))
    yield from _hold(works, whole - off, "deductible", _("less its part of the deductible, %(off)s"))
    told = {"deductible": money(terms.deductible, shipment.currency), "left": money(whole - off, shipment.currency)}
    yield Step("deductible", _("deductible %(deductible)s; left %(left)s") % told, whole - off)


def _hold(works, ceiling, code, words, *, by_weight=False):
    """Brings the lines down to a ceiling in whole cents, none above what it was.

    by_weight -- whether the lines' weights made the ceiling. Gives a Pool in a list, nothing in it if nothing came off.
    """
    currency = works[0].currency
    own = [cents(work.standing, currency) for work in works]
    if add_up(own, currency) <= ceiling:
        return []
    before = [work.standing for work in works]
    given = split(ceiling, before, currency, at_most=own)
    whole, shares = sum(before), []
    for work, share in zip(works, given, strict=True):
        off = work.standing - share
        weight = whole_again(work.line.weight * work.kept) if by_weight else None
        exact = whole_again(work.standing * ceiling / whole)
        shares.append(Share(work.line.key, work.standing, exact, share, weight, work.weight_unit if by_weight else ""))
        work.book(code, words % {"off": money(off, currency), "left": money(share, currency)}, -off)
    return [Pool(code, ceiling, tuple(shares))]


# 4: freight


def _freight(works, terms, shipment, when):
    if terms.freight_when != when:
        return
    why_not = _why_no_freight(shipment)
    if why_not:
        for work in known(works):
            work.book("freight", _("no freight added"), Decimal(0), why_not)
        return
    try:
        whole = _measure_of_whole(works, shipment)
    except Missing as missing:
        missing.tell(works)
        return
    _share_freight(_measured(works, shipment), whole, shipment)


def _why_no_freight(shipment):
    if shipment.freight_paid is None:
        return _("Nobody has said whether the freight was paid. It is claimed only if it was.")
    if not shipment.freight_paid:
        return _("The freight was not paid.")
    if shipment.freight_in_price is None:
        return _("Nobody has said whether the price includes the freight. It is not claimed twice.")
    if shipment.freight_in_price:
        return _("The price includes the freight.")
    return _("The freight charge is nought.") if shipment.freight == 0 else ""


def _measure_of_whole(works, shipment):
    """The shipment's weight in kilograms or its pieces, which are more than nought and no less than the lines'."""
    if shipment.freight is None:
        raise Missing(_("Give the freight that was paid."))
    if shipment.freight_by == FreightBy.PIECES:
        whole, of_lines = shipment.pieces, sum(work.line.packages or 0 for work in works)
        needed = _("Give how many pieces the bill has, to share the freight.")
        too_much = _("The lines have more pieces than the bill. Correct one of them, to share the freight.")
    else:
        whole, of_lines = shipment.weight, sum(work.gross_kilograms or 0 for work in works)
        whole = whole and whole * KILOGRAMS[shipment.weight_unit]
        needed = _("Give the weight of the shipment, to share the freight.")
        too_much = _("The lines weigh more than the shipment. Correct one of the weights, to share the freight.")
    if not whole:
        raise Missing(needed)
    if of_lines > whole:
        raise Missing(too_much)
    return whole


def _measured(works, shipment):
    return counted(works) if shipment.freight_by == FreightBy.PIECES else weighed(works)


def _share_freight(works, whole, shipment):
    by_pieces = shipment.freight_by == FreightBy.PIECES
    measures = [work.packages if by_pieces else work.kilograms for work in works]
    pot = cents(whole_again(shipment.freight * sum(measures) / whole), shipment.currency)
    unit = 1 if by_pieces else KILOGRAMS[shipment.weight_unit]
    shares = split(pot, measures, shipment.currency) if works else []
    for work, measure, share in zip(works, measures, shares, strict=True):
        plain = whole_again(shipment.freight * measure / whole)
        told = {
            "freight": money(shipment.freight, shipment.currency),
            "part": figure(whole_again(measure / unit)),
            "whole": figure(whole_again(whole / unit)),
            "unit": _("pieces") if by_pieces else shipment.weight_unit,
            "share": plainly(plain, shipment.currency),
        }
        words = _("freight %(freight)s × %(part)s / %(whole)s %(unit)s = %(share)s") % told
        work.book("freight", words, share, _moved_cent(plain, share, pot, shipment.currency))


def _moved_cent(plain, share, pot, currency):
    if share == cents(plain, currency):
        return ""
    told = {"share": money(share, currency), "pot": money(pot, currency)}
    return _("%(share)s here, so that the lines together have %(pot)s.") % told
