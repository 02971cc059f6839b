"""Half a form is no form: what was cut off on its way is refused before anything of it is stored."""

import io
import uuid
from urllib.parse import urlencode

import pytest
from django.core.signals import request_started
from django.db import close_old_connections
from django.test import Client
from django.urls import reverse

from config.wsgi import application
from receiving.enums import ArrivalState
from receiving.models import Discrepancy, Submission
from receiving.whole_body import CutOff, WholeInput
from tests.builders import make_arrival, make_person, make_site

pytestmark = pytest.mark.usefixtures("one_connection")
BODY = b"note=by the nose\r\n&more"


@pytest.fixture
def one_connection():
    """A request neither opens nor closes the connection in which the test's transaction is."""
    request_started.disconnect(close_old_connections)
    yield
    request_started.connect(close_old_connections)


def test_a_whole_body_reads_as_ever():
    assert WholeInput(io.BytesIO(BODY + b"the next request"), len(BODY)).read() == BODY
    stream = WholeInput(io.BytesIO(BODY), len(BODY))
    assert [stream.read(4), stream.readline(), stream.readline(), stream.read(), stream.readline()] == [
        b"note",
        b"=by the nose\r\n",
        b"&more",
        b"",
        b"",
    ]


def test_a_stream_that_gives_less_than_asked_is_read_on():
    class Slow(io.BytesIO):
        def read(self, size=-1):
            return super().read(min(size, 3))

    assert WholeInput(Slow(BODY), len(BODY)).read(20) == BODY[:20]


@pytest.mark.parametrize("read", [lambda stream: stream.read(), lambda stream: [stream.readline(), stream.readline()]])
def test_a_body_that_ends_too_soon_is_an_error(read):
    with pytest.raises(CutOff):
        read(WholeInput(io.BytesIO(BODY), len(BODY) + 1))


def post(body, content_type, *, url, person, length=None):
    """What the product's own WSGI application answers: the status."""
    client = Client()
    client.force_login(person)
    said = []
    environ = {
        "REQUEST_METHOD": "POST",
        "PATH_INFO": url,
        "SERVER_NAME": "testserver",
        "SERVER_PORT": "80",
        "CONTENT_TYPE": content_type,
        "CONTENT_LENGTH": str(len(body) if length is None else length),
        "HTTP_ACCEPT": "application/json",
        "HTTP_COOKIE": f"sessionid={client.cookies['sessionid'].value}; csrftoken={'t' * 32}",
        "HTTP_X_CSRFTOKEN": "t" * 32,
        "wsgi.input": io.BytesIO(body),
        "wsgi.errors": io.StringIO(),
        "wsgi.url_scheme": "http",
    }
    application(environ, lambda status, _headers: said.append(int(status.split()[0])))
    return said[0]


@pytest.mark.django_db
@pytest.mark.parametrize("as_form", [True, False])
def test_a_form_that_was_cut_off_stores_nothing_and_goes_whole_under_the_same_number(as_form):
    site = make_site()
    person = make_person("receiver", site)
    trailer = make_arrival(site, actor=person, state=ArrivalState.UNLOADING)
    url = reverse("set_aside", args=[site.code, trailer.number])
    fields = (("uuid", str(uuid.uuid4())), ("label", "BOX-7"), ("note", "by the nose, under the blue pallet"))
    if as_form:
        body, content_type = urlencode(fields).encode(), "application/x-www-form-urlencoded"
    else:
        body, content_type = multipart(fields)
    assert post(body[:-12], content_type, url=url, person=person, length=len(body)) == 400
    assert (Discrepancy.objects.count(), Submission.objects.count()) == (0, 0)
    assert post(body, content_type, url=url, person=person) == 201
    assert Discrepancy.objects.get().note == "by the nose, under the blue pallet"


def multipart(fields):
    parts = [f'--edge\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n' for name, value in fields]
    return ("".join(parts) + "--edge--\r\n").encode(), "multipart/form-data; boundary=edge"
