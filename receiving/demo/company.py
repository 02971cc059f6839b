"""The sites, people and lists of the scenario, as a new company would set them up."""

from dataclasses import dataclass, field
from decimal import Decimal

from django.contrib.auth.hashers import make_password

from receiving import evidence, setup
from receiving.enums import Role
from receiving.models import Account, Carrier, DamageCode, Door, Membership, Person, Site, Store
from receiving.photos import Picture

SITE_FACTS = (
    "code",
    "name",
    "address",
    "time_zone",
    "currency",
    "weight_unit",
    "paper",
    "claimant_name",
    "claimant_signatory",
    "claimant_email",
    "claimant_phone",
    "responsible_person",
    "responsible_phone",
)


@dataclass
class Company:
    """Everything the past and the present refer to, by the names the scenario uses."""

    scenario: dict
    pictures: dict[str, Picture] = field(default_factory=dict)
    files: dict[str, dict] = field(default_factory=dict)
    sites: dict[str, Site] = field(default_factory=dict)
    people: dict[str, Person] = field(default_factory=dict)
    accounts: dict[str, Account] = field(default_factory=dict)
    carriers: dict[str, Carrier] = field(default_factory=dict)
    stores: dict[tuple, list[Store]] = field(default_factory=dict)
    doors: dict[str, list[Door]] = field(default_factory=dict)
    codes: dict[str, dict[str, DamageCode]] = field(default_factory=dict)
    crew: dict[str, dict[str, list[Person]]] = field(default_factory=dict)


def found(company, *, at):
    """Write the company down. Needs an open transaction."""
    for row in company.scenario["sites"]:
        facts = {name: row[name] for name in SITE_FACTS}
        facts |= {name: Decimal(row[name]) for name in ("minimum_claim", "write_off_limit")}
        company.sites[row["code"]] = Site.objects.create(**facts)
    hire(company, at=at)
    founder = company.people["admin"]
    for site in company.sites.values():
        told = evidence.facts(site, ("code", *setup.SITE_FACTS))
        evidence.append(site=site, verb="site.added", record=site, actor=founder, at=at, after=told)
    fill_lists(company, actor=company.people["manager"], at=at)


def hire(company, *, at):
    """People and their memberships. One password for all logins, hashed once: hashing is slow on purpose."""
    secret = make_password(company.scenario["password"])
    for row in company.scenario["people"]:
        superuser = row.get("superuser", False)
        person = Person.objects.create(
            username=row["username"],
            first_name=row["first_name"],
            last_name=row["last_name"],
            email=f"{row['username']}@dock.example",
            language=row.get("language", "en"),
            password=secret if row.get("login") else make_password(None),
            is_staff=superuser,
            is_superuser=superuser,
            date_joined=at,
        )
        company.people[person.username] = person
        Membership.objects.create(
            person=person,
            site=company.sites.get(row["site"]),
            role=Role(row["role"]),
            food_qualified=row.get("food_qualified", False),
        )
        if row["site"]:
            company.crew.setdefault(row["site"], {}).setdefault(row["role"], []).append(person)


def fill_lists(company, *, actor, at):
    """Company-wide lists from the first site, each site's own from there: as the set-up pages write them."""
    first = next(iter(company.sites.values()))
    for row in company.scenario["accounts"]:
        account = setup.add(setup.ACCOUNTS, site=first, facts=row, actor=actor, at=at)
        company.accounts[account.legal_name] = account
    for row in company.scenario["carriers"]:
        facts = {name: row[name] for name in setup.CARRIERS.facts}
        company.carriers[row["name"]] = setup.add(setup.CARRIERS, site=first, facts=facts, actor=actor, at=at)
    for row in company.scenario["sites"]:
        site = company.sites[row["code"]]
        company.doors[site.code] = [
            setup.add(setup.DOORS, site=site, facts={"label": label}, actor=actor, at=at) for label in row["doors"]
        ]
        company.codes[site.code] = {
            facts["code"]: setup.add(setup.CODES, site=site, facts=facts, actor=actor, at=at)
            for facts in company.scenario["codes"]
        }
    fill_stores(company, actor=actor, at=at)


def fill_stores(company, *, actor, at):
    """A site's stores come in as one list, as from a file."""
    for site in company.sites.values():
        stores = []
        for row in company.scenario["stores"]:
            if row["site"] == site.code:
                store = Store(
                    site=site, account=company.accounts[row["account"]], number=row["number"], name=row["name"]
                )
                company.stores.setdefault((site.code, row["account"]), []).append(store)
                stores.append(store)
        setup.take_in(setup.STORES, site=site, added=stores, changed=[], file="stores.csv", actor=actor, at=at)
