from django.contrib.auth import views as auth
from django.urls import path

from receiving import converters  # noqa: F401  registers "site"
from receiving.urls import count, doors, load_list, log, phone, photos, pieces, release, setup, shell, trailer
from receiving.views import home

urlpatterns = [
    path("", home.home, name="home"),
    path("language/", home.language, name="language"),
    path("login/", auth.LoginView.as_view(redirect_authenticated_user=True), name="login"),
    path("password/", auth.PasswordChangeView.as_view(), name="password_change"),
    path("password/done/", auth.PasswordChangeDoneView.as_view(), name="password_change_done"),
    *doors.urlpatterns,
    *trailer.urlpatterns,
    *load_list.urlpatterns,
    *count.urlpatterns,
    *log.urlpatterns,
    *pieces.urlpatterns,
    *photos.urlpatterns,
    *phone.urlpatterns,
    *release.urlpatterns,
    *setup.urlpatterns,
    *shell.urlpatterns,
]
