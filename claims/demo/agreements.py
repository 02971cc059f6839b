"""Terms with each invented carrier, copied from the starts that the set-up pages offer and then changed as agreed."""

from dataclasses import asdict
from datetime import timedelta

from claims import terms
from claims.demo import scenario


def agree(company, *, actor, at, today):
    """Write the terms of the scenario, valid from before the oldest bill unless they say otherwise."""
    site = next(iter(company.sites.values()))
    for row in scenario.read()["terms"]:
        start = terms.start(row["start"])
        facts = start.facts | {"title": row["title"]} | row.get("facts", {})
        facts["carrier"] = company.carriers[row["carrier"]]
        facts["account"] = company.accounts.get(row.get("account"))
        facts["valid_from"] = today - timedelta(days=row.get("from_days_ago", 400))
        periods = [changed(period, row.get("periods", {})) for period in start.periods]
        terms.create(facts=facts, periods=periods, site=site, actor=actor, at=at, template=start.key)


def changed(period, said):
    """The period with what was agreed of its duty in its place."""
    kept = {name: value for name, value in asdict(period).items() if name in terms.PERIOD}
    return kept | said.get(period.duty.value, {})
