"""The person's language, where the request came from, and what a phone may keep of the answer."""

from django.contrib.messages.storage.base import BaseStorage
from django.utils import timezone, translation
from django.utils.cache import patch_cache_control

from receiving import evidence, shell


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


class ShellMiddleware:
    """Tells a phone's service worker whose page an answer is, of which release, and whether it may be kept.

    `X-Person`: the person's key, or nothing if nobody is signed in. `X-Dock`: the same, on pages that may be kept.
    `X-Dock-Once`: the page shows a message that is shown once. A request with `X-Keep` fetches a page to be kept: it
    neither shows such messages nor leaves any.
    """

    def __init__(self, get_response):
        self.get_response = get_response

    def __call__(self, request):
        if "X-Keep" in request.headers:
            request._messages = NoMessages(request)
        answer = self.get_response(request)
        name = request.resolver_match and request.resolver_match.url_name
        person = request.user.pk if request.user.is_authenticated else ""
        if answer.headers.get("Content-Type", "").startswith("text/html"):
            answer["X-Person"] = person
            answer["X-Release"] = shell.release()
        if person and request.method == "GET" and answer.status_code == 200 and name in shell.KEPT:
            answer["X-Dock"] = person
            messages = request._messages
            if messages.used and len(messages):
                answer["X-Dock-Once"] = "1"
        return answer


class NoMessages(BaseStorage):
    def _get(self, *args, **kwargs):
        return [], True

    def _store(self, messages, response, *args, **kwargs):
        return []
