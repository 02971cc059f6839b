from zoneinfo import available_timezones

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q
from django.utils.translation import get_language
from django.utils.translation import gettext_lazy as _

from receiving.enums import Disposition, Paper, Role, StopCard, WeightUnit, WhoClaims


def validate_time_zone(name):
    if name not in available_timezones():
        raise ValidationError(
            _("“%(name)s” is not a time zone. Use a name such as America/Chicago."), params={"name": name}
        )


class Person(AbstractUser):
    """Somebody who signs in. What they may do where is in their memberships."""

    language = models.CharField(_("language"), max_length=5, choices=settings.LANGUAGES, default="en")

    def __str__(self):
        return self.get_full_name() or self.username


class Site(models.Model):
    """One cross-dock: its zone, money, weights and paper, and what a claim of ours starts from."""

    code = models.CharField(
        _("code"),
        max_length=4,
        unique=True,
        validators=[RegexValidator(r"^[A-Z]{3,4}$", _("Use three or four capital letters, for example NOR."))],
    )
    name = models.CharField(_("name"), max_length=80)
    address = models.TextField(_("address"), blank=True)
    time_zone = models.CharField(_("time zone"), max_length=40, validators=[validate_time_zone])
    currency = models.CharField(
        _("currency"), max_length=3, default="USD", validators=[RegexValidator(r"^[A-Z]{3}$", _("Three letters."))]
    )
    weight_unit = models.CharField(_("weight unit"), max_length=2, choices=WeightUnit.choices, default=WeightUnit.LB)
    paper = models.CharField(_("paper"), max_length=6, choices=Paper.choices, default=Paper.LETTER)
    minimum_claim = models.DecimalField(_("smallest claim worth making"), max_digits=12, decimal_places=2, default=0)
    write_off_limit = models.DecimalField(_("write-off limit per claim"), max_digits=12, decimal_places=2, default=0)
    claimant_name = models.CharField(_("legal name when we claim"), max_length=120, blank=True)
    claimant_signatory = models.CharField(_("who signs when we claim"), max_length=120, blank=True)
    claimant_email = models.EmailField(_("e-mail for answers when we claim"), blank=True)
    claimant_phone = models.CharField(_("phone for answers when we claim"), max_length=40, blank=True)
    responsible_person = models.CharField(_("whom to call at a stop card"), max_length=120, blank=True)
    responsible_phone = models.CharField(_("phone to call at a stop card"), max_length=40, blank=True)
    asks_four_checks = models.BooleanField(_("ask for view, verify, tug and twist at every seal"), default=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(minimum_claim__gte=0), name="site_minimum_claim_not_negative"),
            models.CheckConstraint(condition=Q(write_off_limit__gte=0), name="site_write_off_limit_not_negative"),
        ]

    def __str__(self):
        return f"{self.code} {self.name}"


class Membership(models.Model):
    """What a person may do at a site; no site means all sites."""

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="memberships")
    site = models.ForeignKey(
        Site, on_delete=models.CASCADE, null=True, blank=True, verbose_name=_("site"), related_name="memberships"
    )
    role = models.CharField(_("role"), max_length=10, choices=Role.choices)
    food_qualified = models.BooleanField(_("qualified to release held food"), default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "site"], name="one_membership_per_person_and_site"),
            models.UniqueConstraint(
                fields=["person"], condition=Q(site__isnull=True), name="one_all_sites_membership_per_person"
            ),
        ]

    def __str__(self):
        return f"{self.person}: {self.get_role_display()}, {self.site or _('all sites')}"


class Account(models.Model):
    """Whose goods: who claims for them and who is paid."""

    legal_name = models.CharField(_("legal name"), max_length=120, unique=True)
    address = models.TextField(_("address"), blank=True)
    who_claims = models.CharField(_("who claims"), max_length=10, choices=WhoClaims.choices, default=WhoClaims.ACCOUNT)
    payee = models.CharField(_("payee"), max_length=120, blank=True)
    passed_on = models.CharField(_("how money is passed on"), max_length=200, blank=True)
    signatory = models.CharField(_("signatory"), max_length=120, blank=True)
    email = models.EmailField(_("e-mail for answers to its claims"), blank=True)
    phone = models.CharField(_("phone for answers to its claims"), max_length=40, blank=True)
    authority = models.CharField(_("authority document"), max_length=200, blank=True)
    food = models.BooleanField(_("food"), default=False)
    fragile = models.BooleanField(_("fragile"), default=False)
    active = models.BooleanField(_("in use"), default=True)

    def __str__(self):
        return self.legal_name


class Store(models.Model):
    """Where cartons of one account go from one site."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="stores")
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="stores", verbose_name=_("account"))
    number = models.CharField(_("number"), max_length=12)
    name = models.CharField(_("name"), max_length=80, blank=True)
    active = models.BooleanField(_("in use"), default=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "account", "number"], name="one_store_per_site_account_and_number")
        ]

    def __str__(self):
        return f"{self.number} {self.name}".strip()


class Door(models.Model):
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="doors")
    label = models.CharField(_("label"), max_length=12)
    active = models.BooleanField(_("in use"), default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "label"], name="one_door_per_site_and_label")]

    def __str__(self):
        return self.label


class DamageCodeQuerySet(models.QuerySet):
    def in_use(self):
        return self.filter(retired_at__isnull=True).order_by("order", "code")


class DamageCode(models.Model):
    """A site's own word for a kind of damage. Once used it is never re-worded: it is retired and replaced."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="damage_codes")
    code = models.CharField(_("code"), max_length=8)
    label = models.CharField(_("label"), max_length=60)
    label_es = models.CharField(_("label in Spanish"), max_length=60, blank=True)
    order = models.PositiveSmallIntegerField(_("order"), default=100)
    min_photos = models.PositiveSmallIntegerField(_("smallest number of photos"), default=1)
    default_disposition = models.CharField(
        _("usual disposition"), max_length=15, choices=Disposition.choices, blank=True
    )
    stop_card = models.CharField(_("stop card"), max_length=8, choices=StopCard.choices, default=StopCard.NONE)
    used_at = models.DateTimeField(null=True, editable=False)
    retired_at = models.DateTimeField(null=True, editable=False)
    replaces = models.ForeignKey("self", on_delete=models.PROTECT, null=True, editable=False, related_name="+")

    objects = DamageCodeQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["site", "code"], condition=Q(retired_at__isnull=True), name="one_live_damage_code_per_site"
            ),
            models.CheckConstraint(condition=Q(min_photos__lte=9), name="damage_code_asks_at_most_nine_photos"),
        ]

    def __str__(self):
        return f"{self.code} {self.words}"

    @property
    def words(self):
        return self.label_es if self.label_es and (get_language() or "").startswith("es") else self.label


class Counter(models.Model):
    """The last number given out for one kind of record at a site, in one year where numbers restart."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=20)
    year = models.PositiveSmallIntegerField(default=0)
    value = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["site", "name", "year"], name="one_counter_per_site_and_name")]

    def __str__(self):
        return f"{self.name} {self.value}"

    @classmethod
    def next(cls, site, name, year=0):
        """The next number, never given twice: the row's own update is the lock."""
        key = {"site": site, "name": name, "year": year}
        if not cls.objects.filter(**key).update(value=F("value") + 1):
            cls.objects.get_or_create(**key)
            cls.objects.filter(**key).update(value=F("value") + 1)
        return cls.objects.values_list("value", flat=True).get(**key)
