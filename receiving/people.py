"""People and what they may do where: the only writer of Person's own choices, first passwords and Membership.

Nobody changes their own membership here, so nobody raises themselves. An all-sites membership is an all-sites
manager's business alone, and so is the password of anybody who reaches beyond the sites the actor sets up.
"""

import secrets

import axes.utils
from django.conf import settings
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from receiving import evidence, rules
from receiving.enums import Role
from receiving.models import Membership, Person
from receiving.refusals import ChangedMeanwhile, Refused

# No 0 O, 1 l I, 8 B: a first password is read from a screen and typed on a phone.
LETTERS = "abcdefghjkmnpqrstuvwxyz2345679"
FACTS = ("role", "food_qualified")


class NotYours(Refused):
    """The actor may set up the site, but this reaches beyond it."""

    status = 403


def set_language(person, language):
    """One of settings.LANGUAGES; anything else changes nothing."""
    if language in dict(settings.LANGUAGES):
        Person.objects.filter(pk=person.pk).update(language=language)


def first_password():
    """Four groups of four, some 78 bits."""
    return "-".join("".join(secrets.choice(LETTERS) for _letter in range(4)) for _group in range(4))


def members(site):
    """Memberships at the site and those of all sites, with their people."""
    return Membership.objects.filter(Q(site=site) | Q(site__isnull=True)).select_related("person", "site")


def find(username):
    """The person with this user name, whatever its case; None if there is none."""
    exact = Person.objects.filter(username=username).first()
    return exact or Person.objects.filter(username__iexact=username).order_by("pk").first()


def add_person(*, site, facts, role, food_qualified, everywhere=False, actor, at):
    """A new person with a first membership. Returns (membership, first password): it is stored nowhere in the clear.

    facts -- username, first_name, last_name, language
    """
    facts = {name: value.strip() for name, value in facts.items()}
    refuse_bad_username(facts["username"])
    password = first_password()
    person = Person(**facts)
    person.set_password(password)
    try:
        with transaction.atomic():
            person.save(force_insert=True)
            tell("person.added", person, site=site, actor=actor, at=at, after=facts)
            membership = add_member(
                person,
                site=site,
                role=role,
                food_qualified=food_qualified,
                everywhere=everywhere,
                actor=actor,
                at=at,
            )
    except IntegrityError as error:
        raise username_taken(facts["username"]) from error
    return membership, password


def refuse_bad_username(username):
    try:
        UnicodeUsernameValidator()(username)
    except ValidationError as why:
        raise Refused(
            _("“%(name)s” cannot be a user name. Use letters, digits and @ . + - _ only.") % {"name": username},
            code="username",
            field="username",
        ) from why
    if find(username):
        raise username_taken(username)


def username_taken(username):
    return Refused(
        _("There is a person with the user name %(name)s already. Add them as an existing person, or choose another.")
        % {"name": username},
        code="username_taken",
        field="username",
    )


def add_existing(username, *, site, role, food_qualified, everywhere=False, actor, at):
    """Somebody who signs in at another site gets a membership here too."""
    person = find(username.strip())
    if person is None or not person.is_active:
        raise Refused(
            _("Nobody has the user name %(name)s. Check its spelling, or add a new person.") % {"name": username},
            code="no_such_person",
            field="username",
        )
    return add_member(
        person, site=site, role=role, food_qualified=food_qualified, everywhere=everywhere, actor=actor, at=at
    )


def add_member(person, *, site, role, food_qualified, everywhere, actor, at):
    refuse_self(person, actor)
    refuse_reach(None if everywhere else site, actor)
    membership = Membership(
        person=person, site=None if everywhere else site, role=Role(role), food_qualified=food_qualified
    )
    try:
        with transaction.atomic():
            membership.save(force_insert=True)
            tell("membership.added", membership, site=site, actor=actor, at=at, after=said(membership))
    except IntegrityError as error:
        raise Refused(
            _("%(name)s is a member already. Change the role in the list of people instead.") % {"name": person},
            code="already_member",
            field="username",
        ) from error
    return membership


def change_member(membership, *, role, food_qualified, seen, site, actor, at):
    """Another role, or the qualification to release held food.

    seen -- (role, food_qualified) as the author saw them
    """
    refuse_self(membership.person, actor)
    refuse_reach(membership.site, actor)
    was = dict(zip(FACTS, seen, strict=True))
    before, after = evidence.changed(was, {"role": Role(role).value, "food_qualified": food_qualified})
    with transaction.atomic():
        row = Membership.objects.filter(pk=membership.pk, **was)
        if not row.update(role=role, food_qualified=food_qualified):
            raise gone_or_changed(membership)
        if after:
            tell("membership.changed", membership, site=site, actor=actor, at=at, before=before, after=after)
        refuse_no_manager(membership.site)
    membership.refresh_from_db()
    return membership


def take_away(membership, *, site, actor, at):
    """The person may not see the site any more. What they did stays under their name."""
    refuse_self(membership.person, actor)
    refuse_reach(membership.site, actor)
    with transaction.atomic():
        row = Membership.objects.filter(pk=membership.pk, role=membership.role)
        if not row.delete()[0]:
            raise gone_or_changed(membership)
        tell(
            "membership.taken_away",
            f"membership:{membership.pk}",
            site=site,
            actor=actor,
            at=at,
            before=said(membership),
        )
        refuse_no_manager(membership.site)


def reset_password(person, *, site, actor, at):
    """A new first password; every device of the person is signed out. Returns it."""
    if person == actor:
        raise Refused(_("Change your own password under “Change password”."), code="own_password")
    if not may_reset(person, actor):
        raise NotYours(
            _("%(name)s also works where you do not set up people. An all-sites manager or the superuser resets it.")
            % {"name": person},
            code="beyond_site",
        )
    password = first_password()
    person.set_password(password)
    with transaction.atomic():
        Person.objects.filter(pk=person.pk).update(password=person.password)
        tell("person.password_reset", person, site=site, actor=actor, at=at)
        axes.utils.reset(username=person.username)
    return password


def may_reset(person, actor):
    """Only whoever sets up every site the person is a member of could not gain anything by their password."""
    if person == actor or person.is_staff or person.is_superuser:
        return False
    theirs = Membership.objects.filter(person=person).select_related("site")
    return all(may_touch(membership.site, actor) for membership in theirs)


def may_touch(site, actor):
    """Whether `actor` gives and takes memberships at `site`; None is all sites."""
    if site is None:
        return rules.may_company(actor)
    return rules.SET_UP in rules.may(actor, site)


def refuse_reach(site, actor):
    if not may_touch(site, actor):
        raise NotYours(
            _("Memberships at all sites are given and taken by an all-sites manager only."), code="all_sites"
        )


def refuse_self(person, actor):
    if person == actor:
        raise NotYours(_("Nobody changes their own membership. Ask another manager."), code="own_membership")


def refuse_no_manager(site):
    """Counted after the event was written: its chain's lock lets two who remove each other not both succeed."""
    managers = Membership.objects.filter(role=Role.MANAGER, person__is_active=True)
    reach = Q(site__isnull=True) if site is None else Q(site=site) | Q(site__isnull=True)
    if not managers.filter(reach).exists():
        raise Refused(_("This is the last manager here. Make somebody else a manager first."), code="last_manager")


def gone_or_changed(membership):
    now = Membership.objects.filter(pk=membership.pk).first()
    if now is None:
        return ChangedMeanwhile(_("Somebody else has just taken this membership away."))
    return ChangedMeanwhile(
        _("Somebody else has just changed this membership; it is now: %(role)s. Nothing of yours was stored.")
        % {"role": now.get_role_display()}
    )


def said(membership):
    return {"person": membership.person.username, "site": membership.site.code if membership.site else None} | {
        name: getattr(membership, name) for name in FACTS
    }


def tell(verb, record, *, site, actor, at, before=None, after=None):
    evidence.append(site=site, verb=verb, record=record, actor=actor, at=at, before=before, after=after)
