"""One site, or all of them together: what carriers are compared over and cards are issued for.

Whoever takes a `site` to compare, issue or agree takes a Site or AllSites. What is made for all sites is told in the
log of each, so that every site's chain holds it.
"""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from claims.enums import ALL
from receiving import clock, evidence
from receiving.models import Site


@dataclass(frozen=True)
class AllSites:
    """All sites, by code, in the place of one. Each counts its months by its own calendar; moments are told in UTC."""

    sites: tuple[Site, ...]

    pk = None
    code = ALL
    time_zone = "UTC"

    def __str__(self):
        return self.name

    @property
    def name(self) -> str:
        return _("All sites")

    @property
    def paper(self) -> str:
        return self.sites[0].paper


def everywhere() -> AllSites:
    return AllSites(tuple(Site.objects.order_by("code")))


def sites_of(site) -> tuple[Site, ...]:
    return site.sites if isinstance(site, AllSites) else (site,)


def column(site) -> Site | None:
    """What a column `site` holds of it, and what it is looked up by."""
    return None if isinstance(site, AllSites) else site


def of(site: Site | None):
    """What a row with this in its column `site` is about."""
    return site or everywhere()


def months_over(site, month, at) -> bool:
    """Whether the month is over, at every site of it."""
    return all(month < clock.site_day(at, each.time_zone).replace(day=1) for each in sites_of(site))


def notes(site) -> list[str]:
    """What is to be said beside figures of several sites."""
    if not isinstance(site, AllSites):
        return []
    return [
        _(
            "All sites together: a trailer belongs to the month of its release by its own site's calendar, and freight "
            "is held against freight of the same site only. Money in different currencies is never added."
        )
    ]


# --- the logs ---------------------------------------------------------------------------------------------------------


def lock_heads(site) -> dict:
    """{seq, hash} of the site's log, and nobody else writes to it until the transaction ends. Of all sites {seq: None,
    hash: SHA-256 over the heads, heads: [{site, seq, hash}]}."""
    if not isinstance(site, AllSites):
        seq, digest = evidence.lock_head(site)
        return {"seq": seq, "hash": digest}
    # In one order, or two who want all of them might wait for each other.
    found = {each.pk: evidence.lock_head(each) for each in sorted(site.sites, key=lambda each: each.pk)}
    heads = [{"site": each.code, "seq": found[each.pk][0], "hash": found[each.pk][1]} for each in site.sites]
    return {"seq": None, "hash": evidence.sha256(evidence.canonical(heads)), "heads": heads}


def tell(site, **event):
    """The event in the log of the site, or of every one. Needs the transaction of the change and `lock_heads`."""
    for each in sites_of(site):
        evidence.append(site=each, **event)
