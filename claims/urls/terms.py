from django.urls import path

from claims.views import terms as views

TERMS = "<site:site>/setup/terms/"
urlpatterns = [
    path(TERMS, views.overview, name="terms"),
    path(f"{TERMS}which/", views.which, name="terms_which"),
    path(f"{TERMS}new/", views.new, name="terms_new"),
    path(f"{TERMS}<int:pk>/", views.shown, name="terms_shown"),
    path(f"{TERMS}<int:pk>/edit/", views.edit, name="terms_edit"),
    path(f"{TERMS}<int:pk>/replace/", views.replace, name="terms_replace"),
    path(f"{TERMS}<int:pk>/retire/", views.retire, name="terms_retire"),
]
