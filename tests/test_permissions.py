"""Who may open what: every URL, every method it takes, every role, own site, other site, nobody.

The table below is the product's own (who may do what), written out again on purpose: it must not be computed from
the code it checks. A URL that the table does not name fails.
"""

import pytest
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from tests import world

EVERYBODY = {"receiver", "lead", "clerk", "manager", "viewer"}
FLOOR = {"receiver", "lead"}
LEADS = {"lead", "manager"}
FLOOR_AND_LEADS = {"receiver", "lead", "manager"}
LATE = {"receiver", "lead", "clerk", "manager"}
MANAGERS = {"manager"}
COMPANY = {"all-sites manager"}
NOT_HERE = None

# name: (what reverse() needs besides the site, who may GET, who may POST); NOT_HERE where the method is not taken
MATRIX = {
    "square": ("trailer", EVERYBODY, NOT_HERE),
    "looked": ("trailer", NOT_HERE, FLOOR_AND_LEADS),
    "declare_short": ("trailer shipment", NOT_HERE, LEADS),
    "difference": ("trailer shipment", NOT_HERE, FLOOR_AND_LEADS),
    "release": ("trailer", LEADS, LEADS),
    "release_clean": ("trailer", NOT_HERE, LEADS),
    "reopen": ("trailer", LEADS, LEADS),
    "sign_at_pickup": ("trailer", LEADS, LEADS),
    "sheet": ("sheet", EVERYBODY, NOT_HERE),
    "sheet_pdf": ("sheet", EVERYBODY, NOT_HERE),
    "sheet_send": ("sheet", NOT_HERE, LEADS),
    "sheet_printed": ("sheet", NOT_HERE, FLOOR_AND_LEADS),
    "photo_upload": ("released", NOT_HERE, LATE),
    "photo_original": ("photo", EVERYBODY, NOT_HERE),
    "photo_viewing": ("photo", EVERYBODY, NOT_HERE),
    "photo_thumbnail": ("photo", EVERYBODY, NOT_HERE),
}
# Pages that belong to no site: what they answer is tested in tests/pages/test_home.py.
NO_SITE = {"home", "language", "login", "logout", "password_change", "password_change_done"}

REFUSED = {403, 404, 405}


def every_name(patterns=None, prefix=""):
    for pattern in patterns or get_resolver().url_patterns:
        if isinstance(pattern, URLResolver):
            if pattern.app_name != "admin":
                yield from every_name(pattern.url_patterns)
        elif isinstance(pattern, URLPattern):
            yield pattern.name


def test_every_url_stands_in_the_matrix_and_every_row_is_a_url():
    assert set(every_name()) == set(MATRIX) | NO_SITE


@pytest.fixture
def here(db):
    return world.build()


CASES = [
    pytest.param(name, method, id=f"{method} {name}")
    for name, (_, get, post) in MATRIX.items()
    for method, who in (("get", get), ("post", post))
]


@pytest.mark.parametrize(("name", "method"), CASES)
def test_who_may(here, client, name, method):
    needs, get, post = MATRIX[name]
    allowed = get if method == "get" else post
    address = reverse(name, args=["NOR", *here.args(needs)])
    send = getattr(client, method)
    data = {} if method == "get" else {"uuid": "not a number"}

    answer = send(address, data)
    assert answer.status_code == 302, "nobody is signed in"
    assert answer["Location"].startswith(reverse("login"))

    for who, person in here.people.items():
        client.force_login(person)
        status = send(address, data).status_code
        if allowed is NOT_HERE:
            assert status in ({404, 405} if "other" in who else {405}), (who, status)
        elif who.startswith("other site's") or who == "member of nothing":
            assert status == 404, (who, status)
        elif who.removeprefix("all-sites ") in allowed or who in allowed:
            assert status not in REFUSED, (who, status)
        else:
            assert status == 403, (who, status)
