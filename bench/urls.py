from django.http import HttpResponse
from django.urls import path
from django.views.decorators.http import require_POST

from config.urls import urlpatterns as product


@require_POST
def ok(request):
    return HttpResponse("ok")


urlpatterns = [*product, path("bench/ok/", ok)]
