"""Who may do what, at which site. Pages ask `may`, tests read `GRANTS` as the matrix it is."""

from receiving.enums import Role
from receiving.models import Membership, Site

SEE = "see"
WORK = "work"
DECIDE = "decide"
LATE = "late"
SET_UP = "set_up"
COMPANY = "company"
RELEASE_FOOD = "release_food"
SEE_CLAIMS = "see_claims"
CLAIM = "claim"
OVER_LIMIT = "over_limit"
TERMS = "terms"
SCORECARDS = "scorecards"

GRANTS = {
    Role.RECEIVER: {SEE, WORK, LATE},
    Role.LEAD: {SEE, WORK, DECIDE, LATE},
    Role.CLERK: {SEE, LATE, SEE_CLAIMS, CLAIM},
    Role.MANAGER: {SEE, DECIDE, LATE, SET_UP, SEE_CLAIMS, CLAIM, OVER_LIMIT, TERMS, SCORECARDS},
    Role.VIEWER: {SEE, SEE_CLAIMS},
}

# Every request asks; worded by the ORM it costs several times what the database takes. No site: the columns are null.
MEMBERSHIPS = """
SELECT site.*, membership.id AS membership_id, membership.role AS granted, membership.food_qualified AS qualified
FROM receiving_membership membership
LEFT JOIN receiving_site site ON site.id = membership.site_id
WHERE membership.person_id = %s
ORDER BY membership.id
"""


def memberships(person):
    """All memberships of a signed-in person, read once per request."""
    if not hasattr(person, "_memberships"):
        person._memberships = [membership_of(person, row) for row in Site.objects.raw(MEMBERSHIPS, [person.pk])]
    return person._memberships


def membership_of(person, row):
    names = ["id", "person_id", "site_id", "role", "food_qualified"]
    values = [row.membership_id, person.pk, row.pk, row.granted, bool(row.qualified)]
    membership = Membership.from_db(row._state.db, names, values)
    membership.site = row if row.pk else None
    return membership


def may(person, site):
    """The set of things `person` may do at `site`; empty means the site does not exist for them."""
    granted = set()
    for membership in memberships(person):
        if membership.site_id in (None, site.pk):
            granted |= GRANTS[membership.role]
            if membership.food_qualified:
                granted.add(RELEASE_FOOD)
            if membership.site_id is None and membership.role == Role.MANAGER:
                granted.add(COMPANY)
    return granted


def may_everywhere(person):
    """The set of things `person` may do over all sites together; empty means there is no such page for them."""
    mine = [membership for membership in memberships(person) if membership.site_id is None]
    return set().union(*(GRANTS[membership.role] for membership in mine))


def may_company(person):
    return any(m.site_id is None and m.role == Role.MANAGER for m in memberships(person))


def sees_company(person):
    """Whether the person sees the claims of all sites, and so what is made for the whole company."""
    return any(m.site_id is None and SEE_CLAIMS in GRANTS[m.role] for m in memberships(person))


def sites(person):
    """The sites a person is a member of, by code."""
    mine = memberships(person)
    if any(m.site_id is None for m in mine):
        return list(Site.objects.order_by("code"))
    return sorted({m.site for m in mine}, key=lambda site: site.code)


def site_by_code(person, code):
    """The site with this code if the person is a member, else None."""
    for membership in memberships(person):
        if membership.site_id and membership.site.code == code:
            return membership.site
    if any(m.site_id is None for m in memberships(person)):
        return Site.objects.filter(code=code).first()
    return None
