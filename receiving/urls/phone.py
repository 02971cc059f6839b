from django.urls import path

from receiving.views import handed_in, outbox, phone

HANDED_IN = "<site:site>/phone/handed-in/<uuid:number>/"

urlpatterns = [
    path("<site:site>/phone/", phone.state, name="phone"),
    path("<site:site>/phone/report/", phone.report, name="phone_report"),
    path("<site:site>/phone/handed-in/", handed_in.hand_in, name="phone_handed_in"),
    path("<site:site>/phone/handed-in/all/", handed_in.overview, name="handed_in"),
    path("<site:site>/phone/handed-in/all/take/", handed_in.take_several, name="handed_in_take_several"),
    path(HANDED_IN, handed_in.one, name="handed_in_one"),
    path(f"{HANDED_IN}take/", handed_in.take, name="handed_in_take"),
    path(f"{HANDED_IN}discard/", handed_in.discard, name="handed_in_discard"),
    path(f"{HANDED_IN}file/<int:position>/", handed_in.file, name="handed_in_file"),
    path("<site:site>/outbox/", outbox.outbox, name="outbox"),
    path("<site:site>/outbox/file/", handed_in.load_file, name="outbox_file"),
]
