from django.urls import path

from claims.views import due

urlpatterns = [path("<site:site>/due/", due.due, name="due")]
