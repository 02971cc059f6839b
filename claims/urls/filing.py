from django.urls import path

from claims import converters  # noqa: F401  registers "claim"
from claims.views import filing

urlpatterns = [
    path("<site:site>/claim/<claim:claim>/file/", filing.claim_file, name="claim_file"),
    path("<site:site>/claim/<claim:claim>/withdraw/", filing.claim_withdraw, name="claim_withdraw"),
    path("<site:site>/claim/<claim:claim>/close/", filing.claim_close, name="claim_close"),
    path("<site:site>/claim/<claim:claim>/reopen/", filing.claim_reopen, name="claim_reopen"),
]
