from django.urls import path

from receiving.views import load_list as views

BILL = "<site:site>/trailer/<int:number>/bill/<int:shipment_pk>/list/"

urlpatterns = [
    path(BILL, views.overview, name="load_list"),
    path(f"{BILL}upload/", views.upload, name="load_list_upload"),
    path(f"{BILL}difference/", views.difference, name="load_list_difference"),
    path(f"{BILL}<int:list_pk>/", views.preview, name="load_list_preview"),
    path(f"{BILL}<int:list_pk>/columns/", views.columns, name="load_list_columns"),
    path(f"{BILL}<int:list_pk>/confirm/", views.confirm, name="load_list_confirm"),
    path(f"{BILL}<int:list_pk>/discard/", views.discard, name="load_list_discard"),
    path(f"{BILL}<int:list_pk>/file/", views.file, name="load_list_file"),
]
