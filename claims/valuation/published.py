"""Limits of liability as statutes and conventions print them: starting points for terms, never law by themselves.

Contracts, tariffs and amendments change them; a person chooses the terms and answers for the choice.
"""

from datetime import date
from decimal import Decimal

# Montreal Convention 1999, article 22(3), special drawing rights per kilogram of cargo; the later three as revised
# under article 24. That the first day of the convention was 4 November 2003 is from memory.
AIR_CARGO = (
    (date(2003, 11, 4), Decimal(17)),
    (date(2009, 12, 30), Decimal(19)),
    (date(2019, 12, 28), Decimal(22)),
    (date(2024, 12, 28), Decimal(26)),
)
# CMR 1956 article 23(3) as amended by the protocol of 1978: special drawing rights per kilogram of gross weight short.
ROAD_INTERNATIONAL = Decimal("8.33")
# US Carriage of Goods by Sea Act, section 4(5) (46 USC 30701 note): US dollars per package.
SEA_PER_PACKAGE = Decimal(500)
# Canadian uniform bill of lading conditions (for example O. Reg. 643/05, number from memory): Canadian dollars per
# kilogram of the whole shipment, and the same per pound.
CANADA_PER_KG = Decimal("4.41")
CANADA_PER_LB = Decimal("2.00")


def air_cargo(carried_on):
    """Special drawing rights per kilogram for carriage on that date, or None before there was a limit."""
    limits = [limit for since, limit in AIR_CARGO if since <= carried_on]
    return limits[-1] if limits else None
