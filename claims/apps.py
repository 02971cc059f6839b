from django.apps import AppConfig

from claims.evidence_tables import KEYS
from receiving import triggers


class ClaimsConfig(AppConfig):
    name = "claims"
    verbose_name = "Claims"

    def ready(self):
        triggers.KEYS.update(KEYS)
