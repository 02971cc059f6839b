from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import claim, lists

urlpatterns = [
    path("<site:site>/claims/", lists.claims, name="claims"),
    path("<site:site>/claim/<claim:claim>/", claim.claim, name="claim"),
]
