from django.urls import path

from receiving.views import photos

urlpatterns = [
    path("<site:site>/trailer/<int:number>/photos/", photos.upload, name="photo_upload"),
    path("<site:site>/photo/<uuid:uuid>/original/", photos.original, name="photo_original"),
    path("<site:site>/photo/<uuid:uuid>/viewing/", photos.viewing, name="photo_viewing"),
    path("<site:site>/photo/<uuid:uuid>/thumbnail/", photos.thumbnail, name="photo_thumbnail"),
]
