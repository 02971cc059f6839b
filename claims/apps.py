from django.apps import AppConfig

from claims.evidence_tables import KEYS
from receiving import triggers


class ClaimsConfig(AppConfig):
    name = "claims"
    verbose_name = "Claims"

    def ready(self):
        # Models are there only now.
        from claims import verification as of_claims  # noqa: PLC0415
        from claims.search import KINDS  # noqa: PLC0415
        from receiving import search, verification  # noqa: PLC0415

        triggers.KEYS.update(KEYS)
        search.KINDS += [kind for kind in KINDS if kind not in search.KINDS]
        if of_claims.verify not in verification.MORE:
            verification.MORE.append(of_claims.verify)
