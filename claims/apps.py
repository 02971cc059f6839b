from django.apps import AppConfig

from claims.evidence_tables import KEYS
from receiving import triggers


class ClaimsConfig(AppConfig):
    name = "claims"
    verbose_name = "Claims"

    def ready(self):
        # Models are there only now.
        from claims import verification as of_claims  # noqa: PLC0415
        from claims.search import KIND  # noqa: PLC0415
        from receiving import search, verification  # noqa: PLC0415

        triggers.KEYS.update(KEYS)
        if KIND not in search.KINDS:
            search.KINDS.append(KIND)
        if of_claims.verify not in verification.MORE:
            verification.MORE.append(of_claims.verify)
