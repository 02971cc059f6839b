from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import packets

urlpatterns = [
    path("<site:site>/claim/<claim:claim>/packet/", packets.make, name="packet_make"),
    path("<site:site>/claim/<claim:claim>/packet/<int:number>/", packets.packet, name="packet"),
    path("<site:site>/claim/<claim:claim>/packet/<int:number>/pdf/", packets.pdf, name="packet_pdf"),
    path("<site:site>/claim/<claim:claim>/packet/<int:number>/xlsx/", packets.xlsx, name="packet_xlsx"),
    path("<site:site>/claim/<claim:claim>/packet/<int:number>/zip/", packets.archive, name="packet_zip"),
]
