from django.urls import path

from claims import converters  # noqa: F401  registers "sites"
from claims.views import carrier, where

urlpatterns = [
    path("<site:site>/carriers/where/", where.where, name="carriers_where"),
    path("<site:site>/carriers/where/export/<str:suffix>/", where.where_export, name="carriers_where_export"),
    path("<sites:site>/carriers/<int:carrier>/", carrier.carrier, name="carrier"),
    path("<sites:site>/carriers/<int:carrier>/agreed/", carrier.agreed_new, name="carrier_agreed"),
    path("<sites:site>/carriers/<int:carrier>/agreed/<int:note>/", carrier.agreed_close, name="carrier_agreed_close"),
]
