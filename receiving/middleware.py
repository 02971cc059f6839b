"""The person's language and where the request came from, for the length of one request."""

from django.utils import timezone, translation
from django.utils.cache import patch_cache_control

from receiving import evidence


class PersonMiddleware:
    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        token = evidence.source.set(request.META.get("REMOTE_ADDR", "")[:60])
        if request.user.is_authenticated:
            translation.activate(request.user.language)
            request.LANGUAGE_CODE = request.user.language
        try:
            answer = self.get_response(request)
            if request.user.is_authenticated and not answer.has_header("Cache-Control"):
                # A shared phone: after signing out nothing of the last person is shown again.
                patch_cache_control(answer, private=True, no_cache=True)
            return answer
        finally:
            evidence.source.reset(token)
            timezone.deactivate()
