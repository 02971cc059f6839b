from django.urls import path

from claims.views import money

urlpatterns = [
    path("<site:site>/claims/money/", money.money, name="money"),
    path("<site:site>/claims/money/of/<slug:figure>/", money.money_claims, name="money_claims"),
    path("<site:site>/claims/money/export/<str:suffix>/", money.money_export, name="money_export"),
]
