from django.urls import path

from receiving.views import pieces, search

urlpatterns = [
    path("<site:site>/pieces/", pieces.pieces, name="pieces"),
    path("<site:site>/pieces/export.<slug:suffix>", pieces.pieces_export, name="pieces_export"),
    path("<site:site>/search/", search.number, name="search"),
]
