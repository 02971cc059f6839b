"""Who claims and is paid, and from whom, by what a bill and its account say. Reads only."""

from dataclasses import dataclass

from receiving.enums import CarrierKind, WhoClaims
from receiving.models import Carrier


@dataclass(frozen=True)
class Respondent:
    """Whom a claim is against: `carrier`, and `second` beside it; either may be None."""

    carrier: Carrier | None
    second: Carrier | None = None

    @property
    def is_broker_alone(self):
        """Told to a broker only, a claim does not stop the carrier's clock."""
        named = [party for party in (self.carrier, self.second) if party]
        return bool(named) and all(party.kind == CarrierKind.BROKER for party in named)

    def __str__(self):
        return " / ".join(str(party) for party in (self.carrier, self.second) if party)


def respondent(shipment):
    """The carrier named on the bill, else the one that delivered; a broker only where nobody else is known."""
    parties = [party for party in (shipment.carrier_on_bill, shipment.arrival.carrier) if party]
    carriers = [party for party in parties if party.kind != CarrierKind.BROKER]
    return Respondent((carriers or parties or [None])[0])


def respondent_of(claim):
    """Whom this claim is against."""
    return Respondent(claim.carrier, claim.second_carrier)


def claimant(shipment):
    """Who claims and who is paid, by what the account says, as values for a new claim."""
    account, site = shipment.account, shipment.arrival.site
    if account.who_claims == WhoClaims.US:
        name, address, signatory = site.claimant_name, site.address, site.claimant_signatory
        email, phone = site.claimant_email, site.claimant_phone
    elif account.who_claims == WhoClaims.SUPPLIER:
        name, address, signatory = shipment.shipper, "", ""
        email, phone = "", ""
    else:
        name, address, signatory = account.legal_name, account.address, account.signatory
        email, phone = account.email, account.phone
    return {
        "who_claims": account.who_claims,
        "claimant": name,
        "claimant_address": address,
        "claimant_email": email,
        "claimant_phone": phone,
        "signatory": signatory,
        "payee": account.payee or (account.legal_name if account.who_claims == WhoClaims.US else name),
    }
