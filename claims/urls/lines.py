from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import lines

urlpatterns = [
    path("<site:site>/claim/<claim:claim>/add/", lines.claim_add, name="claim_add"),
    path("<site:site>/claim/<claim:claim>/line/<int:position>/", lines.claim_line, name="claim_line"),
    path("<site:site>/claim/<claim:claim>/line/<int:position>/drop/", lines.claim_line_drop, name="claim_line_drop"),
    path("<site:site>/claim/<claim:claim>/parties/", lines.claim_parties, name="claim_parties"),
    path("<site:site>/claim/<claim:claim>/freight/", lines.claim_freight, name="claim_freight"),
    path("<site:site>/claim/<claim:claim>/terms/", lines.claim_terms, name="claim_terms"),
    path("<site:site>/claim/<claim:claim>/rate/", lines.claim_rate, name="claim_rate"),
]
