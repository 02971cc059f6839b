from django.urls import path

from receiving.views import shell

urlpatterns = [
    path("sw.js", shell.worker, name="worker"),
    path("manifest.webmanifest", shell.manifest, name="manifest"),
    path("reachable/", shell.reachable, name="reachable"),
    path("logout/", shell.SignOut.as_view(), name="logout"),
    path("offline/<slug:language>/", shell.offline, name="offline"),
    path("<site:site>/phone/pages/", shell.pages, name="phone_pages"),
]
