"""What a claim is worth, step by step. Leaves: numbers in, a working out; no models.

`facts` are the numbers that go in, `arithmetic.value` does the sum, `working` is what comes out and is kept and
printed, `published` holds the limits of liability that statutes and conventions print.
"""

from claims.valuation.arithmetic import value
from claims.valuation.facts import FreightBy, Line, Of, Rate, Shipment, Terms
from claims.valuation.working import LineWorking, Pool, Share, Step, Valuation

__all__ = [
    "FreightBy",
    "Line",
    "LineWorking",
    "Of",
    "Pool",
    "Rate",
    "Share",
    "Shipment",
    "Step",
    "Terms",
    "Valuation",
    "value",
]
