from django.urls import path

from receiving.views import reporting, trailer

TRAILER = "<site:site>/trailer/<int:number>/"

urlpatterns = [
    path(TRAILER, trailer.trailer, name="trailer"),
    path(f"{TRAILER}arrive/", trailer.arrive, name="arrive"),
    path(f"{TRAILER}edit/", trailer.edit, name="trailer_edit"),
    path(f"{TRAILER}pictures/", trailer.pictures, name="trailer_photos"),
    path(f"{TRAILER}bill/new/", trailer.shipment_new, name="shipment_new"),
    path(f"{TRAILER}bill/<int:pk>/", trailer.shipment_edit, name="shipment_edit"),
    path(f"{TRAILER}bill/<int:pk>/refuse/", trailer.refuse_rest, name="refuse_rest"),
    path(f"{TRAILER}bill/<int:pk>/take-back/", trailer.take_back, name="take_back"),
    path(f"{TRAILER}seal/new/", trailer.seal_new, name="seal_new"),
    path(f"{TRAILER}seal/none/", trailer.unsealed, name="unsealed"),
    path(f"{TRAILER}seal/<int:pk>/", trailer.seal, name="seal"),
    path(f"{TRAILER}seal/<int:pk>/correct/", trailer.seal_correct, name="seal_correct"),
    path(f"{TRAILER}safety/", trailer.safety, name="safety"),
    path(f"{TRAILER}incident/", trailer.incident, name="incident"),
    path(f"{TRAILER}incident/<uuid:uuid>/", reporting.incident_reporting, name="incident_reporting"),
    path(f"{TRAILER}unload/", trailer.unload, name="unload"),
    path(f"{TRAILER}pause/", trailer.pause, name="pause"),
    path(f"{TRAILER}resume/", trailer.resume, name="resume"),
    path(f"{TRAILER}count/end/", trailer.count_end, name="count_end"),
    path(f"{TRAILER}count/again/", trailer.count_again, name="count_again"),
    path(f"{TRAILER}refuse/", trailer.refuse_whole, name="refuse_whole"),
]
