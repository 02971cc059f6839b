from django.urls import path

from receiving.views import doors

urlpatterns = [
    path("<site:site>/doors/", doors.doors, name="doors"),
    path("<site:site>/trailer/new/", doors.trailer_new, name="trailer_new"),
    path("<site:site>/trailer/<int:number>/cancel/", doors.trailer_cancel, name="trailer_cancel"),
]
