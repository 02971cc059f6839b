"""The superuser's pages: everything is there, evidence only to be read, and the content policy holds."""

import pytest
from django.apps import apps
from django.contrib import admin
from django.db import connection
from django.test import RequestFactory
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from receiving import evidence
from receiving.enums import ArrivalState
from receiving.models import (
    Arrival,
    Carton,
    ChainHead,
    DamageCode,
    Discrepancy,
    Door,
    Event,
    Evidence,
    LoadList,
    Membership,
    Pallet,
    Person,
    Phone,
    PhoneTrailer,
    Scan,
    Shipment,
    Site,
    Store,
    Submission,
)
from tests.builders import (
    NOON,
    PASSWORD,
    make_account,
    make_arrival,
    make_carrier,
    make_cartons,
    make_code,
    make_door,
    make_person,
    make_site,
    make_store,
)

pytestmark = pytest.mark.django_db
OURS = apps.get_app_config("receiving").get_models()
ALL = sorted(OURS, key=lambda model: model.__name__)
EVIDENCE = [model for model in ALL if issubclass(model, Evidence)]
RECORD = [
    Scan,
    Event,
    ChainHead,
    Submission,
    Carton,
    Discrepancy,
    Arrival,
    Shipment,
    LoadList,
    Pallet,
    Phone,
    PhoneTrailer,
]
READ_ONLY = sorted({*EVIDENCE, *RECORD}, key=lambda model: model.__name__)


def name(model):
    return model.__name__


def at(model, page, *args):
    return reverse(f"admin:receiving_{model._meta.model_name}_{page}", args=args)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def root():
    return make_person(None, username="root", is_staff=True, is_superuser=True)


@pytest.fixture
def superuser(client, root):
    client.force_login(root)
    return client


@pytest.fixture
def arrival(site):
    found = make_arrival(site, actor=make_person("lead", site, "lee"), state=ArrivalState.COUNTED)
    make_cartons(found.shipments.get(), 3)
    return found


@pytest.mark.parametrize("model", ALL, ids=name)
def test_everything_has_its_page(superuser, model):
    assert admin.site.is_registered(model)
    assert superuser.get(at(model, "changelist")).status_code == 200


@pytest.mark.parametrize("model", READ_ONLY, ids=name)
def test_evidence_and_the_dock_s_record_can_only_be_looked_at(root, model):
    request = RequestFactory().get("/")
    request.user = root
    page = admin.site.get_model_admin(model)
    assert page.has_view_permission(request)
    assert not page.has_add_permission(request)
    assert not page.has_change_permission(request)
    assert not page.has_delete_permission(request)
    assert not page.get_actions(request)


@pytest.mark.parametrize("model", READ_ONLY, ids=name)
def test_a_post_to_what_is_read_only_is_refused(superuser, arrival, model):
    row = model.objects.order_by("pk").first()
    pk = row.pk if row else 1
    before = list(model.objects.order_by("pk").values())
    assert superuser.post(at(model, "add"), {"at": "2026-01-01"}).status_code == 403
    for page in ("change", "delete") if row else ():
        assert superuser.post(at(model, page, pk), {"note": "x", "post": "yes"}).status_code == 403
    superuser.post(at(model, "changelist"), {"action": "delete_selected", "_selected_action": [pk], "post": "yes"})
    assert list(model.objects.order_by("pk").values()) == before


def test_what_is_read_only_is_really_there(arrival):
    """Else the test above would refuse nothing for the most telling ones."""
    assert all(model.objects.exists() for model in (Arrival, Shipment, Carton, Event, ChainHead))


@pytest.mark.parametrize("model", [Site, Person, Store, Door, DamageCode], ids=name)
def test_nothing_is_deleted_here(superuser, site, arrival, model):
    make_code(site)
    pk = model.objects.order_by("pk").first().pk
    assert superuser.post(at(model, "delete", pk), {"post": "yes"}).status_code == 403
    assert model.objects.filter(pk=pk).exists()


def test_a_list_asks_the_database_the_same_for_many(superuser, root):
    everything(0, root)
    one = {model.__name__: queries_of(superuser, model) for model in ALL}
    for n in range(1, 8):
        everything(n, root)
    assert {model.__name__: queries_of(superuser, model) for model in ALL} == one


def queries_of(client, model):
    with CaptureQueriesContext(connection) as queries:
        client.get(at(model, "changelist"))
    return len(queries)


def everything(n, actor):
    """A site of its own with a trailer, so that every row names other records."""
    site = make_site(f"AB{chr(65 + n)}")
    arrival = make_arrival(site, actor=actor, state=ArrivalState.COUNTED, carrier=make_carrier())
    make_cartons(arrival.shipments.get(), 1), make_code(site), make_store(site, make_account()), make_door(site)
    make_person("lead", site)


def values(model, record, **more):
    found = {field.name: field.value_from_object(record) for field in model._meta.fields if field.editable}
    told = {name: value for name, value in found.items() if value is not None and value is not False}
    return {name: "on" if value is True else value for name, value in told.items()} | more


def test_a_used_code_keeps_its_words(superuser, site):
    code = make_code(site, "CR", used_at=NOON)
    answer = superuser.post(at(DamageCode, "change", code.pk), values(DamageCode, code, label="dented", order=5))
    assert answer.status_code == 302
    code.refresh_from_db()
    assert (code.label, code.order) == ("crushed", 5)
    fresh = make_code(site, "WET")
    superuser.post(at(DamageCode, "change", fresh.pk), values(DamageCode, fresh, label="soaked"))
    fresh.refresh_from_db()
    assert fresh.label == "soaked"


def test_a_change_is_told_to_the_chain_of_its_site(superuser, root, site):
    other = make_site("SOU")
    store = make_store(site, make_account(), "0417", name="Elm")
    superuser.post(at(Store, "change", store.pk), values(Store, store, name="Oak"))
    event = Event.objects.get()
    assert (event.site, event.verb, event.actor) == (site, "store.changed", root)
    assert (event.before, event.after) == ({"name": "Elm"}, {"name": "Oak"})
    assert evidence.head(other) == (0, evidence.GENESIS)


def test_a_change_of_what_all_share_is_told_to_every_site(superuser, site):
    make_site("SOU")
    carrier = make_carrier("Fallow")
    superuser.post(at(type(carrier), "change", carrier.pk), values(type(carrier), carrier, name="Fallow Lines"))
    assert [(event.site.code, event.verb) for event in Event.objects.order_by("site__code")] == [
        ("NOR", "carrier.changed"),
        ("SOU", "carrier.changed"),
    ]


def test_a_person_is_added_with_a_language_and_no_password_is_told(superuser, site):
    body = {"username": "rita", "first_name": "Rita", "language": "es", "usable_password": "true"}
    secret = "quite a long secret"
    superuser.post(at(Person, "add"), body | {"password1": secret, "password2": secret})
    rita = Person.objects.get(username="rita")
    assert (rita.language, rita.check_password(secret)) == ("es", True)
    told = evidence.canonical(Event.objects.get().after)
    assert '"username":"rita"' in told
    assert secret not in told and rita.password not in told


def test_a_membership_is_taken_away_with_an_event(superuser, site):
    membership = make_person("lead", site, "lee").memberships.get()
    assert superuser.post(at(Membership, "delete", membership.pk), {"post": "yes"}).status_code == 302
    assert not Membership.objects.exists()
    assert Event.objects.get().verb == "membership.taken_away"


def test_a_site_keeps_its_code(superuser, site):
    answer = superuser.post(at(Site, "change", site.pk), values(Site, site, code="XYZ", name="New name"))
    assert answer.status_code == 302, answer.context["errors"]
    site.refresh_from_db()
    assert (site.code, site.name) == ("NOR", "New name")


def test_only_staff_come_in(client, site):
    client.force_login(make_person("manager", None))
    assert client.get(reverse("admin:index")).status_code == 302


@pytest.mark.django_db(transaction=True)
def test_the_pages_work_under_the_content_policy(desk, site, root):
    """The fixture fails the test on anything the policy blocks."""
    make_store(site, make_account(), "0417", name="Elm")
    desk.goto("/admin/")
    desk.fill("[name=username]", "root")
    desk.fill("[name=password]", PASSWORD)
    desk.click("[type=submit]")
    desk.wait_for_url("**/admin/")
    desk.goto(at(Store, "changelist"))
    desk.click("text=0417")
    desk.fill("[name=name]", "Oak")
    desk.click("[name=_save]")
    desk.wait_for_selector(".success")
    assert Store.objects.get().name == "Oak"
    for address in (
        at(Person, "add"),
        at(Person, "change", root.pk),
        at(Membership, "add"),
        at(Site, "change", site.pk),
        at(Event, "changelist"),
        at(Event, "change", Event.objects.get().pk),
    ):
        assert desk.goto(address).status == 200
        assert desk.locator("#content").is_visible()


def test_a_password_set_here_is_told_to_the_chain(client, root, site):
    person = make_person("lead", site, "alice")
    client.force_login(root)
    address = reverse("admin:auth_user_password_change", args=[person.pk])
    given = {"password1": "quite another long word", "password2": "quite another long word", "usable_password": "true"}
    assert client.post(address, given).status_code == 302
    event = Event.objects.get(verb="person.password_reset")
    assert (event.record, event.actor) == (f"person:{person.pk}", root)
