from django.urls import path

from claims.views import compare

urlpatterns = [
    path("<site:site>/carriers/", compare.carriers, name="carriers"),
    path("<site:site>/carriers/export/<str:suffix>/", compare.carriers_export, name="carriers_export"),
    path("<site:site>/carriers/<int:carrier>/behind/<slug:figure>/", compare.behind_figure, name="carriers_behind"),
]
