from django.urls import path

from claims.views import jobs

urlpatterns = [path("<site:site>/job/<uuid:uuid>/", jobs.job, name="job")]
