from django.urls import path

from receiving.views import release

urlpatterns = [
    path("<site:site>/trailer/<int:number>/square/", release.square, name="square"),
    path("<site:site>/trailer/<int:number>/square/looked/", release.looked, name="looked"),
    path("<site:site>/trailer/<int:number>/square/<int:shipment>/short/", release.declare_short, name="declare_short"),
    path("<site:site>/trailer/<int:number>/square/<int:shipment>/difference/", release.difference, name="difference"),
    path("<site:site>/trailer/<int:number>/release/", release.let_go, name="release"),
    path("<site:site>/trailer/<int:number>/release/clean/", release.let_go_clean, name="release_clean"),
    path("<site:site>/trailer/<int:number>/reopen/", release.reopen, name="reopen"),
    path("<site:site>/trailer/<int:number>/sheet/replace/", release.sheet_replace, name="sheet_replace"),
    path("<site:site>/trailer/<int:number>/fetched/", release.sign_at_pickup, name="sign_at_pickup"),
    path("<site:site>/sheet/<int:number>/", release.sheet_page, name="sheet"),
    path("<site:site>/sheet/<int:number>/pdf/", release.sheet_pdf, name="sheet_pdf"),
    path("<site:site>/sheet/<int:number>/send/", release.sheet_send, name="sheet_send"),
    path("<site:site>/sheet/<int:number>/printed/", release.sheet_printed, name="sheet_printed"),
]
