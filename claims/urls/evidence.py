from django.urls import path

from claims.views import evidence

urlpatterns = [
    path("<site:site>/claim/<claim:claim>/papers/add/", evidence.document_add, name="document_add"),
    path("<site:site>/claim/<claim:claim>/papers/<uuid:uuid>/", evidence.document, name="document"),
    path(
        "<site:site>/claim/<claim:claim>/papers/<uuid:uuid>/correct/",
        evidence.document_correct,
        name="document_correct",
    ),
    path("<site:site>/claim/<claim:claim>/missing/<slug:code>/", evidence.gap, name="claim_gap"),
    path("<site:site>/claim/<claim:claim>/asked/", evidence.asked, name="claim_asked"),
    path("<site:site>/claim/<claim:claim>/statement/", evidence.statement, name="claim_statement"),
]
