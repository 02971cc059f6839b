from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import claim, lists, to_claim

urlpatterns = [
    path("<site:site>/claims/", lists.claims, name="claims"),
    path("<site:site>/claims/to-claim/", to_claim.to_claim, name="to_claim"),
    path("<site:site>/claims/to-claim/<int:bill>/draft/", to_claim.draft_claim, name="draft_claim"),
    path("<site:site>/claims/to-claim/<int:bill>/hand-over/", to_claim.hand_over, name="hand_over"),
    path("<site:site>/claims/to-claim/<int:bill>/not/", to_claim.decide_not, name="decide_not"),
    path("<site:site>/claims/not-claimed/", to_claim.not_claimed, name="not_claimed"),
    path("<site:site>/claims/not-claimed/<int:number>/", to_claim.claim_after_all, name="claim_after_all"),
    path("<site:site>/claims/open/", lists.open_claims, name="claims_open"),
    path("<site:site>/claims/closed/", lists.closed_claims, name="claims_closed"),
    path("<site:site>/claims/export/<str:which>/<str:suffix>/", lists.claims_export, name="claims_export"),
    path("<site:site>/claim/<claim:claim>/", claim.claim, name="claim"),
    path("<site:site>/piece/<int:number>/claim/", claim.piece_claim, name="piece_claim"),
]
