from django.urls import path

from claims import converters  # noqa: F401  registers "sites"
from claims.views import jobs

urlpatterns = [path("<sites:site>/job/<uuid:uuid>/", jobs.job, name="job")]
