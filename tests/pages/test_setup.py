"""Set up, page by page: the same battery for every address."""

import io
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import load_workbook

from receiving import setup
from receiving.enums import ArrivalState
from receiving.models import Account, Carrier, DamageCode, Door, Event, Membership, Person, Site, Store, Submission
from tests.builders import (
    NOON,
    PASSWORD,
    make_account,
    make_arrival,
    make_carrier,
    make_code,
    make_door,
    make_person,
    make_site,
    make_store,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def files(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("manager", site, "alice")


@pytest.fixture
def boss():
    return make_person("manager", None, "boss")


@pytest.fixture
def manager(client, alice):
    client.force_login(alice)
    return client


@pytest.fixture
def birch():
    return make_account("Birch Home")


def form(**given):
    return {"uuid": str(uuid.uuid4())} | given


def page_of(response):
    return response.content.decode()


NEW = {
    "codes": {"code": "wet", "label": "wet", "order": "10", "min_photos": "1", "stop_card": "none"},
    "doors": {"label": "A1"},
    "stores": {"number": "0417", "name": "Elm"},
    "carriers": {"name": "Fallow Lines", "scac": "falw", "kind": "carrier"},
    "accounts": {"legal_name": "Larch Foods", "who_claims": "us", "food": "on"},
}
BAD = {
    "codes": ({"min_photos": "12"}, "9 photos at most"),
    "doors": ({"label": "far too long a label"}, "at most 12 characters"),
    "stores": ({"number": ""}, "This field is required"),
    "carriers": ({"scac": "FALWX"}, "at most 4 characters"),
    "accounts": ({"legal_name": ""}, "This field is required"),
}
LISTS = list(setup.KINDS)


def given(kind, birch, **more):
    return form(**(NEW[kind] | ({"account": birch.pk} if kind == "stores" else {}) | more))


def make(kind, site, birch):
    """One record of the list."""
    return {
        "codes": lambda: make_code(site, "CR"),
        "doors": lambda: make_door(site, "Z9"),
        "stores": lambda: make_store(site, birch, "0999", name="Oak"),
        "carriers": lambda: make_carrier("Teal Freight"),
        "accounts": lambda: make_account("Willow Toys"),
    }[kind]()


def at(name, site, *more):
    return reverse(name, args=[site.code, *more])


# -- Who may -----------------------------------------------------------------------------------------------------------

SITE_PAGES = [
    ("setup", ()),
    ("setup_site", ()),
    ("setup_people", ()),
    ("setup_person_new", ()),
    ("setup_person_existing", ()),
    ("setup_list", ("stores",)),
    ("setup_new", ("doors",)),
    ("setup_export", ("codes", "csv")),
    ("setup_upload", ("stores",)),
]
COMPANY_PAGES = [
    (name, (kind, *more))
    for kind in ("carriers", "accounts")
    for name, *more in (
        ("setup_list",),
        ("setup_new",),
        ("setup_upload",),
        ("setup_export", "csv"),
    )
]


@pytest.mark.parametrize(("name", "more"), SITE_PAGES + COMPANY_PAGES)
def test_who_may_open(client, site, alice, boss, name, more):
    make_site("SOU")
    address = at(name, site, *more)
    assert client.get(address).headers["Location"].startswith(reverse("login"))
    for role in ("receiver", "lead", "clerk", "viewer"):
        client.force_login(make_person(role, site))
        assert client.get(address).status_code == 403
    client.force_login(make_person("manager", Site.objects.get(code="SOU")))
    assert client.get(address).status_code == 404
    client.force_login(alice)
    assert client.get(address).status_code == (403 if (name, more) in COMPANY_PAGES else 200)
    client.force_login(boss)
    assert client.get(address).status_code == 200


POSTS = [
    ("setup_out", "codes"),
    ("setup_back", "codes"),
    ("setup_edit", "doors"),
    ("setup_out", "stores"),
    ("setup_out", "carriers"),
    ("setup_edit", "accounts"),
]


@pytest.mark.parametrize(("name", "kind"), POSTS)
def test_a_record_is_changed_only_by_who_may(client, site, alice, birch, name, kind):
    record = make(kind, site, birch)
    other = make_site("SOU")
    company = kind in ("carriers", "accounts")
    client.force_login(make_person("lead", site))
    assert client.post(at(name, site, kind, record.pk), form()).status_code == 403
    client.force_login(alice)
    if company:
        assert client.post(at(name, site, kind, record.pk), form()).status_code == 403
    client.force_login(make_person("manager", other))
    assert client.post(at(name, site, kind, record.pk), form()).status_code == 404
    if not company:
        assert client.post(at(name, other, kind, record.pk), form()).status_code == 404
    assert not Event.objects.exists()


@pytest.mark.parametrize("name", ["setup_out", "setup_back"])
def test_actions_are_posts(manager, site, birch, name):
    assert manager.get(at(name, site, "stores", make("stores", site, birch).pk)).status_code == 405


def test_the_menu_shows_the_company_s_lists_to_who_may(client, site, alice, boss):
    client.force_login(alice)
    assert "Carriers and brokers" not in page_of(client.get(at("setup", site)))
    client.force_login(boss)
    assert "Carriers and brokers" in page_of(client.get(at("setup", site)))


# -- One record --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", LISTS)
def test_one_is_added_and_shown(client, boss, site, birch, kind):
    client.force_login(boss)
    answer = client.post(at("setup_new", site, kind), given(kind, birch))
    assert (answer.status_code, answer.headers["Location"]) == (302, at("setup_list", site, kind))
    record = setup.KINDS[kind].model.objects.latest("pk")
    page = page_of(client.get(at("setup_list", site, kind)))
    assert f"{record} is in the list now" in page
    assert at("setup_edit", site, kind, record.pk) in page


@pytest.mark.parametrize("kind", LISTS)
def test_a_wrong_one_keeps_what_was_typed_and_stores_nothing(client, boss, site, birch, kind):
    client.force_login(boss)
    before = setup.KINDS[kind].model.objects.count()
    wrong, sentence = BAD[kind]
    answer = client.post(at("setup_new", site, kind), given(kind, birch, **wrong, phone="555 0100 kept"))
    page = page_of(answer)
    assert answer.status_code == 422
    assert sentence in page
    for value in (NEW[kind] | wrong).values():
        assert value in ("on", "us", "none", "carrier") or f'value="{value}"' in page or not value
    assert setup.KINDS[kind].model.objects.count() == before
    assert not Event.objects.exists()
    assert not Submission.objects.exists()


def test_a_twin_is_told_at_its_field(manager, site, birch):
    make_door(site, "A1")
    page = page_of(manager.post(at("setup_new", site, "doors"), form(label="a1")))
    assert "“A1” is in the list already" in page
    assert 'value="a1"' in page


@pytest.mark.parametrize("kind", LISTS)
def test_the_same_delivery_twice_stores_one(client, boss, site, birch, kind):
    client.force_login(boss)
    before = setup.KINDS[kind].model.objects.count()
    body = given(kind, birch)
    first, second = (client.post(at("setup_new", site, kind), body) for _ in range(2))
    assert (first.status_code, second.status_code) == (302, 302)
    assert setup.KINDS[kind].model.objects.count() == before + 1
    assert Event.objects.count() == 1
    other = client.post(at("setup_new", site, kind), body | {"name": "else", "label": "else"})
    assert other.status_code == 409


def test_a_script_gets_its_answer_as_json(manager, site):
    address = at("setup_new", site, "doors")
    answer = manager.post(address, form(label="A1"), headers={"Accept": "application/json"})
    assert (answer.status_code, answer.json()) == (201, {"pk": Door.objects.get().pk, "name": "A1"})
    answer = manager.post(address, form(label="A1"), headers={"Accept": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["code"] == "twin"
    assert answer.json()["errors"][0]["field"] == "label"


def test_a_change_is_saved(manager, site, birch):
    store = make_store(site, birch, "0417", name="Elm")
    seen = setup.fingerprint(store, setup.STORES.facts)
    answer = manager.post(at("setup_edit", site, "stores", store.pk), form(name="Oak", seen=seen))
    assert answer.status_code == 302
    assert Store.objects.get().name == "Oak"


def test_the_second_of_two_is_told_and_may_save_again(manager, site, birch):
    store = make_store(site, birch, "0417", name="Elm")
    seen = setup.fingerprint(store, setup.STORES.facts)
    Store.objects.update(name="Oak")
    address = at("setup_edit", site, "stores", store.pk)
    answer = manager.post(address, form(name="Ash", seen=seen))
    page = page_of(answer)
    assert answer.status_code == 409
    assert "It says now: name: Oak" in page
    assert 'value="Ash"' in page
    now = setup.fingerprint(Store.objects.get(), setup.STORES.facts)
    assert f'value="{now}"' in page
    assert manager.post(address, form(name="Ash", seen=now)).status_code == 302
    assert Store.objects.get().name == "Ash"


def test_a_used_code_shows_its_words_and_takes_no_others(manager, site):
    code = make_code(site, "CR", used_at=NOON)
    address = at("setup_edit", site, "codes", code.pk)
    page = page_of(manager.get(address))
    assert 'name="label"' not in page
    assert "its code and words stay" in page
    seen = setup.fingerprint(code, setup.CODES.facts)
    body = form(label="dented", order="5", min_photos="2", stop_card="food", seen=seen)
    assert manager.post(address, body).status_code == 302
    code.refresh_from_db()
    assert (code.label, code.order, code.stop_card) == ("crushed", 5, "food")


def test_a_code_is_replaced(manager, site):
    code = make_code(site, "CR", used_at=NOON)
    address = at("setup_replace", site, code.pk)
    assert 'value="crushed"' in page_of(manager.get(address))
    body = form(code="CR", label="crushed flat", order="5", min_photos="2", stop_card="none")
    assert manager.post(address, body).status_code == 302
    new = DamageCode.objects.in_use().get()
    assert (new.label, new.replaces) == ("crushed flat", code)
    assert "Bring back as a new code" in page_of(manager.get(at("setup_edit", site, "codes", code.pk)))


def test_a_code_of_another_site_is_not_replaced(manager, site):
    code = make_code(make_site("SOU"), "CR")
    assert manager.get(at("setup_replace", site, code.pk)).status_code == 404


def test_out_of_use_and_back(manager, site, birch):
    store = make_store(site, birch, "0417")
    assert manager.post(at("setup_out", site, "stores", store.pk), form()).status_code == 302
    assert "This list is empty" in page_of(manager.get(at("setup_list", site, "stores")))
    assert "out of use" in page_of(manager.get(at("setup_list", site, "stores") + "?all=on"))
    answer = manager.post(at("setup_out", site, "stores", store.pk), form())
    assert answer.status_code == 409
    assert "out of use already" in page_of(answer)
    assert manager.post(at("setup_back", site, "stores", store.pk), form()).status_code == 302
    assert Store.objects.get().active


def test_a_door_with_a_trailer_says_which(manager, site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR)
    answer = manager.post(at("setup_out", site, "doors", arrival.door.pk), form())
    assert answer.status_code == 422
    assert arrival.trailer_number in page_of(answer)


# -- Lists -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", LISTS)
def test_a_list_asks_the_database_the_same_for_many(client, boss, site, birch, kind):
    client.force_login(boss)
    counts = []
    for numbers in (range(1), range(1, 60)):
        for n in numbers:
            {
                "codes": lambda n: make_code(site, f"C{n}"),
                "doors": lambda n: make_door(site, f"D{n}"),
                "stores": lambda n: make_store(site, make_account(f"Account {n}"), f"{n:04d}"),
                "carriers": lambda n: make_carrier(f"Carrier {n}"),
                "accounts": lambda n: make_account(f"Account {n}"),
            }[kind](n)
        with CaptureQueriesContext(connection) as queries:
            client.get(at("setup_list", site, kind))
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_a_long_list_is_searched_and_paged(manager, site, birch):
    Store.objects.bulk_create(Store(site=site, account=birch, number=f"{n:04d}", name=f"Town {n}") for n in range(250))
    address = at("setup_list", site, "stores")
    first, last = page_of(manager.get(address)), page_of(manager.get(f"{address}?page=3"))
    assert "Page 1 of 3" in first and "0000" in first and "0249" not in first
    assert "0249" in last and "Next page" not in last
    found = page_of(manager.get(f"{address}?q=town 77"))
    assert "0077" in found and "0078" not in found
    assert "Nothing here matches" in page_of(manager.get(f"{address}?q=zzz"))
    assert manager.get(f"{address}?page=nonsense").status_code == 200


def test_text_from_people_is_text_on_the_page(manager, site, birch):
    make_store(site, birch, "1", name="<b>x</b>")
    page = page_of(manager.get(at("setup_list", site, "stores")))
    assert "&lt;b&gt;x&lt;/b&gt;" in page
    assert "<b>x</b>" not in page


@pytest.mark.parametrize("kind", LISTS)
def test_an_export_holds_what_the_list_shows(client, boss, site, birch, kind):
    client.force_login(boss)
    make(kind, site, birch), make_store(make_site("SOU"), birch, "8888")
    csv = client.get(at("setup_export", site, kind, "csv"))
    shown = setup.KINDS[kind].model.objects.filter(**({"site": site} if setup.KINDS[kind].of_site else {})).count()
    lines = csv.content.decode("utf-8-sig").splitlines()
    assert len(lines) == 1 + shown
    assert csv.headers["Content-Disposition"] == f'attachment; filename="NOR-{kind}.csv"'
    book = load_workbook(io.BytesIO(client.get(at("setup_export", site, kind, "xlsx")).content))
    assert [cell.value for cell in book.active[1]] == [name.strip('"') for name in lines[0].split(",")]
    assert book.active.max_row == 1 + shown
    assert client.get(at("setup_export", site, kind, "pdf")).status_code == 404


def test_an_export_goes_by_the_filter(manager, site, birch):
    make_store(site, birch, "1", name="Elm"), make_store(site, birch, "2", name="Oak")
    text = manager.get(at("setup_export", site, "stores", "csv") + "?q=oak").content.decode()
    assert "Oak" in text and "Elm" not in text


# -- From a file -------------------------------------------------------------------------------------------------------


def upload(client, site, kind, data, name="list.csv", **more):
    data = data if isinstance(data, bytes) else data.encode()
    return client.post(at("setup_upload", site, kind), form(file=SimpleUploadedFile(name, data), **more))


def digest_in(page):
    return page.split('name="digest" value="')[1].split('"')[0]


STORES = "number,account,name\n0417,Birch Home,Elm\n0418,Birch Home,Oak\n"


def test_a_file_is_looked_at_and_taken_in(manager, site, birch):
    to = upload(manager, site, "stores", STORES).headers["Location"]
    page = page_of(manager.get(to))
    assert "Take it in: 2 added, 0 changed" in page
    assert not Store.objects.exists()
    body = form(digest=digest_in(page))
    with_commit(manager.post, f"{to}confirm/", body)
    assert set(Store.objects.values_list("number", flat=True)) == {"0417", "0418"}
    assert manager.post(f"{to}confirm/", body).status_code == 302
    assert Event.objects.count() == 1
    assert manager.get(to).status_code == 404
    assert manager.post(f"{to}confirm/", form(digest="x")).status_code == 404


def with_commit(post, *args):
    """A post whose on-commit work is done, as outside of tests."""
    before = len(connection.run_on_commit)
    answer = post(*args)
    assert answer.status_code == 302
    for _savepoints, work, _robust in connection.run_on_commit[before:]:
        work()
    return answer


def test_the_preview_shows_bad_rows_and_no_button(manager, site, birch):
    to = upload(manager, site, "stores", STORES + "0419,Nobody Inc,Ash\n").headers["Location"]
    page = page_of(manager.get(to))
    assert "There is no account of this name" in page and "Nobody Inc" in page
    assert "Take it in" not in page
    answer = manager.post(f"{to}confirm/", form(digest="x"))
    assert answer.status_code == 409
    assert not Store.objects.exists()


def test_the_preview_shows_what_differs(manager, site, birch):
    make_store(site, birch, "0417", name="Beech")
    page = page_of(manager.get(upload(manager, site, "stores", STORES).headers["Location"]))
    assert "Take it in: 1 added, 1 changed" in page
    assert "Beech" in page and "Elm" in page


def test_a_list_changed_since_the_look_is_shown_anew(manager, site, birch):
    to = upload(manager, site, "stores", STORES).headers["Location"]
    digest = digest_in(page_of(manager.get(to)))
    make_store(site, birch, "0417", name="Beech")
    answer = manager.post(f"{to}confirm/", form(digest=digest))
    page = page_of(answer)
    assert answer.status_code == 409
    assert "The list was changed since you looked" in page
    assert Store.objects.count() == 1
    assert digest_in(page) != digest
    assert manager.post(f"{to}confirm/", form(digest=digest_in(page))).status_code == 302
    assert Store.objects.get(number="0417").name == "Elm"


@pytest.mark.parametrize(
    ("data", "sentence"),
    [(b"", "is empty"), (b"%PDF-1.7 x", "a PDF"), (b"MZ\x00\x01" + b"x" * 80, "a program")],
    ids=["empty", "pdf", "program"],
)
def test_a_file_that_is_no_list_is_a_sentence(manager, site, data, sentence):
    answer = upload(manager, site, "stores", data)
    assert answer.status_code == 422
    assert sentence in page_of(answer)
    assert not Submission.objects.exists()


def test_no_file_is_a_sentence(manager, site):
    answer = manager.post(at("setup_upload", site, "stores"), form())
    assert answer.status_code == 422
    assert "Choose the file first" in page_of(answer)


def test_the_same_upload_twice_is_kept_once(manager, site, birch):
    number = str(uuid.uuid4())
    first, second = (upload(manager, site, "stores", STORES, uuid=number) for _ in range(2))
    assert first.headers["Location"] == second.headers["Location"]
    assert manager.get(second.headers["Location"]).status_code == 200


def test_a_file_is_its_owner_s_alone(client, site, alice, birch):
    client.force_login(alice)
    to = upload(client, site, "stores", STORES).headers["Location"]
    client.force_login(make_person("manager", site))
    assert client.get(to).status_code == 404
    assert client.post(f"{to}confirm/", form(digest="x")).status_code == 404
    assert client.post(f"{to}discard/", form()).status_code == 404
    client.force_login(alice)
    assert client.get(to).status_code == 200


def test_a_file_is_discarded(manager, site, birch):
    to = upload(manager, site, "stores", STORES).headers["Location"]
    with_commit(manager.post, f"{to}discard/", form())
    assert manager.get(to).status_code == 404
    assert not Store.objects.exists()


def test_carriers_come_from_a_file_for_the_company_only(client, site, alice, boss):
    text = "name,scac,kind\nFallow Lines,falw,carrier\nTeal Freight,TEAX,broker\n"
    client.force_login(alice)
    assert upload(client, site, "carriers", text).status_code == 403
    client.force_login(boss)
    to = upload(client, site, "carriers", text).headers["Location"]
    page = page_of(client.get(to))
    assert "ends in X" in page
    client.post(f"{to}confirm/", form(digest=digest_in(page)))
    assert set(Carrier.objects.values_list("name", "scac", "kind")) == {
        ("Fallow Lines", "FALW", "carrier"),
        ("Teal Freight", "TEAX", "broker"),
    }


# -- The site's facts --------------------------------------------------------------------------------------------------


def site_body(site, **more):
    site.refresh_from_db()
    facts = {name: getattr(site, name) for name in setup.SITE_FACTS} | {"asks_four_checks": "on"}
    return form(**(facts | {"seen": setup.fingerprint(site, setup.SITE_FACTS)} | more))


def test_the_site_s_facts_are_saved(manager, site):
    answer = manager.post(at("setup_site", site), site_body(site, paper="a4", responsible_phone="555 0100"))
    assert answer.status_code == 302
    site.refresh_from_db()
    assert (site.paper, site.responsible_phone, site.asks_four_checks) == ("a4", "555 0100", True)


def test_a_limit_that_can_be_read_two_ways_is_asked(manager, site):
    answer = manager.post(at("setup_site", site), site_body(site, write_off_limit="1.000", name="New"))
    assert answer.status_code == 422
    assert "“1.000” can be read as 1000 or as 1." in answer.content.decode()


def test_a_wrong_fact_of_the_site_keeps_what_was_typed(manager, site):
    answer = manager.post(at("setup_site", site), site_body(site, currency="usd", write_off_limit="-5", name="New"))
    page = page_of(answer)
    assert answer.status_code == 422
    assert "Three letters" in page
    assert 'value="New"' in page and 'value="usd"' in page
    answer = manager.post(at("setup_site", site), site_body(site, write_off_limit="-5", name="New"))
    assert "cannot be below zero" in page_of(answer)
    assert Site.objects.get().name == "Dock NOR"


def test_the_second_change_of_the_site_is_told(manager, site):
    body = site_body(site, name="Ash")
    Site.objects.update(name="Oak")
    answer = manager.post(at("setup_site", site), body)
    assert answer.status_code == 409
    assert "name: Oak" in page_of(answer)
    assert Site.objects.get().name == "Oak"


def test_units_are_not_offered_once_trailers_were_recorded(manager, site, alice):
    make_arrival(site, actor=alice)
    assert 'name="currency"' not in page_of(manager.get(at("setup_site", site)))
    assert manager.post(at("setup_site", site), site_body(site, currency="CAD", paper="a4")).status_code == 302
    assert (Site.objects.get().currency, Site.objects.get().paper) == ("USD", "a4")


# -- People ------------------------------------------------------------------------------------------------------------

RITA = {"first_name": "Rita", "username": "rita", "language": "es", "role": "receiver"}


def test_a_new_person_signs_in_with_what_is_shown_once(manager, client, site):
    body = form(**RITA)
    assert manager.post(at("setup_person_new", site), body).status_code == 302
    answer = manager.get(at("setup_people", site))
    page = page_of(answer)
    first = page.split('<strong class="id">')[1].split("</strong>")[0]
    assert "no-store" in answer.headers["Cache-Control"]
    assert first not in page_of(manager.get(at("setup_people", site)))
    assert not any(first in kept.body + kept.location for kept in Submission.objects.all())
    assert manager.post(at("setup_person_new", site), body).status_code == 302
    assert Person.objects.filter(username="rita").count() == 1
    client.logout()
    client.post(reverse("login"), {"username": "rita", "password": first})
    assert client.session["_auth_user_id"] == str(Person.objects.get(username="rita").pk)


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"username": "ALICE"}, "There is a person with the user name"),
        ({"username": "two words"}, "cannot be a user name"),
        ({"first_name": ""}, "This field is required"),
        ({"role": "king"}, "Select a valid choice"),
    ],
    ids=str,
)
def test_a_wrong_person_is_told_and_nobody_added(manager, site, more, sentence):
    answer = manager.post(at("setup_person_new", site), form(**(RITA | {"last_name": "Kept"} | more)))
    assert answer.status_code == 422
    assert sentence in page_of(answer)
    assert 'value="Kept"' in page_of(answer)
    assert Person.objects.count() == 1
    assert not Event.objects.exists()


def test_a_site_manager_cannot_give_all_sites(manager, site):
    assert 'name="everywhere"' not in page_of(manager.get(at("setup_person_new", site)))
    manager.post(at("setup_person_new", site), form(**RITA, everywhere="on"))
    assert Membership.objects.get(person__username="rita").site == site


def test_an_all_sites_manager_may(client, boss, site):
    client.force_login(boss)
    client.post(at("setup_person_new", site), form(**RITA, everywhere="on"))
    assert Membership.objects.get(person__username="rita").site is None


def test_somebody_who_signs_in_already_is_added(manager, site):
    vic = make_person("viewer", make_site("SOU"), "vic")
    address = at("setup_person_existing", site)
    assert manager.post(address, form(username="vic", role="lead")).status_code == 302
    assert vic.memberships.filter(site=site, role="lead").exists()
    answer = manager.post(address, form(username="vic", role="lead"))
    assert answer.status_code == 422
    assert "is a member already" in page_of(answer)
    assert "Nobody has the user name ghost" in page_of(manager.post(address, form(username="ghost", role="lead")))


def test_a_role_is_changed_and_the_second_told(manager, site):
    membership = make_person("receiver", site).memberships.get()
    address = at("setup_member", site, membership.pk)
    assert 'name="seen_role" value="receiver"' in page_of(manager.get(address))
    body = {"role": "lead", "food_qualified": "on", "seen_role": "receiver", "seen_food": "False"}
    assert manager.post(address, form(**body)).status_code == 302
    membership.refresh_from_db()
    assert (membership.role, membership.food_qualified) == ("lead", True)
    answer = manager.post(address, form(**(body | {"role": "viewer"})))
    assert answer.status_code == 409
    assert "it is now: lead" in page_of(answer)
    assert 'name="seen_role" value="lead"' in page_of(answer)
    membership.refresh_from_db()
    assert membership.role == "lead"


def test_a_membership_is_taken_away_once(manager, site):
    membership = make_person("receiver", site).memberships.get()
    body = form()
    address = at("setup_member_remove", site, membership.pk)
    assert manager.post(address, body).status_code == 302
    assert manager.post(address, body).status_code == 302
    assert not Membership.objects.filter(pk=membership.pk).exists()
    assert Event.objects.count() == 1


def test_a_new_first_password_signs_out_everywhere(manager, site, client):
    rita = make_person("receiver", site, "rita")
    theirs = type(client)()
    theirs.force_login(rita)
    assert theirs.get(reverse("password_change")).status_code == 200
    manager.post(at("setup_password", site, rita.memberships.get().pk), form())
    assert theirs.get(reverse("password_change")).status_code == 302
    assert "First password of rita" in page_of(manager.get(at("setup_people", site)))
    rita.refresh_from_db()
    assert not rita.check_password(PASSWORD)


MEMBER_PAGES = ["setup_member", "setup_member_remove", "setup_password"]


@pytest.mark.parametrize("name", MEMBER_PAGES)
def test_whose_membership_a_manager_may_not_touch(client, site, alice, boss, name):
    client.force_login(alice)
    away = make_person("viewer", make_site("SOU")).memberships.get()
    for membership, status in ((alice.memberships.get(), 403), (boss.memberships.get(), 403), (away, 404)):
        assert client.post(at(name, site, membership.pk), form(role="viewer")).status_code == status
    client.force_login(make_person("lead", site))
    assert client.post(at(name, site, alice.memberships.get().pk), form(role="viewer")).status_code == 403
    assert not Event.objects.exists()
    assert Membership.objects.count() == 4


def test_a_password_that_reaches_further_is_not_reset(manager, site):
    vic = make_person("viewer", site, "vic")
    Membership.objects.create(person=vic, site=make_site("SOU"), role="manager")
    membership = vic.memberships.get(site=site)
    assert "Make a new first password" not in page_of(manager.get(at("setup_member", site, membership.pk)))
    assert manager.post(at("setup_password", site, membership.pk), form()).status_code == 403
    vic.refresh_from_db()
    assert vic.check_password(PASSWORD)


def test_the_list_of_people_asks_the_database_the_same_for_many(manager, site):
    counts = []
    for many in (1, 30):
        for _ in range(many):
            make_person("receiver", site)
        with CaptureQueriesContext(connection) as queries:
            manager.get(at("setup_people", site))
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_accounts_keep_their_case(client, boss, site):
    client.force_login(boss)
    client.post(at("setup_new", site, "accounts"), form(legal_name="deLarch Foods", who_claims="account"))
    assert Account.objects.get().legal_name == "deLarch Foods"
