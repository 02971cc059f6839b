from django.urls import path

from claims import converters  # noqa: F401  registers "sites"
from claims.views import compare, judging

urlpatterns = [
    path("<sites:site>/carriers/", compare.carriers, name="carriers"),
    path("<sites:site>/carriers/export/<str:suffix>/", compare.carriers_export, name="carriers_export"),
    path("<sites:site>/carriers/beside/", compare.beside, name="carriers_beside"),
    path("<sites:site>/carriers/rules/", judging.rules, name="judging_rules"),
    path("<sites:site>/carriers/<int:carrier>/behind/<slug:figure>/", compare.behind_figure, name="carriers_behind"),
]
