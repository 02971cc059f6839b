from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import facts

urlpatterns = [
    path("<site:site>/claim/<claim:claim>/fact/<slug:kind>/", facts.fact_new, name="fact_new"),
    path("<site:site>/claim/<claim:claim>/fact/<int:pk>/take-back/", facts.fact_take_back, name="fact_take_back"),
    path("<site:site>/claim/<claim:claim>/amend/", facts.claim_amend, name="claim_amend"),
]
