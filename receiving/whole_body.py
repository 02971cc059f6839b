"""A request that was cut off on its way is refused before anything of it is used.

A web server hands over what came of a body, however long its head says it is. Half a form would be stored as a whole
one, and the same form sent again, whole this time, would be told that its number is taken.
"""

from django.http import HttpResponse, UnreadablePostError
from django.utils.deprecation import MiddlewareMixin


class CutOff(OSError):
    """The client's connection ended before the length that it had announced."""


class WholeBodies:
    """A WSGI application around another one, which finds in `wsgi.input` either the whole body or a CutOff."""

    def __init__(self, application):
        self.application = application

    def __call__(self, environ, start_response):
        length = environ.get("CONTENT_LENGTH") or ""
        if length.isascii() and length.isdigit():
            environ["wsgi.input"] = WholeInput(environ["wsgi.input"], int(length))
        return self.application(environ, start_response)


class WholeInput:
    """The input of one request. Every read gives as much as was asked for, as far as the body goes."""

    def __init__(self, stream, length):
        self.stream, self.left = stream, length

    def read(self, size=-1):
        wanted = self.left if size is None or size < 0 else min(size, self.left)
        parts = []
        while wanted:
            part = self.stream.read(wanted)
            if not part:
                raise CutOff(f"{self.left} bytes of the request's body are missing")
            parts.append(part)
            wanted -= len(part)
            self.left -= len(part)
        return b"".join(parts)

    def readline(self, size=-1):
        wanted = self.left if size is None or size < 0 else min(size, self.left)
        line = self.stream.readline(wanted) if wanted else b""
        self.left -= len(line)
        if len(line) < wanted and not line.endswith(b"\n"):
            raise CutOff(f"{self.left} bytes of the request's body are missing")
        return line


class WholeBodyMiddleware(MiddlewareMixin):
    """Reads a posted form here, where one that was cut off ends with 400: later its POST would only seem empty."""

    def process_request(self, request):
        try:
            _ = request.POST
        except UnreadablePostError:
            return HttpResponse("The request was cut off on its way.", content_type="text/plain", status=400)
        return None
