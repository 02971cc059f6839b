from django.db import models
from django.db.models.functions import Upper
from django.utils.translation import gettext_lazy as _

from receiving.enums import CarrierKind


class Carrier(models.Model):
    """A carrier or a broker; shared by all sites so that a comparison is one of like with like."""

    name = models.CharField(_("name"), max_length=120)
    scac = models.CharField(_("standard carrier alpha code"), max_length=4, blank=True)
    kind = models.CharField(_("kind"), max_length=8, choices=CarrierKind.choices, default=CarrierKind.CARRIER)
    claims_email = models.EmailField(_("claims e-mail"), blank=True)
    address = models.TextField(_("address"), blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    active = models.BooleanField(_("in use"), default=True)

    class Meta:
        constraints = [models.UniqueConstraint(Upper("name"), name="one_carrier_per_name")]

    def __str__(self):
        return self.name
