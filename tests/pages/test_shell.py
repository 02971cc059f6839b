"""What a phone asks for to keep the dock's pages: worker, manifest, list of pages, what each answer says of itself."""

import json
import re
import uuid

import pytest
from django.contrib.staticfiles import finders
from django.test import Client
from django.urls import reverse

from receiving import discrepancies, dock, shell
from receiving.enums import ArrivalState, Role
from receiving.models import Arrival
from tests.builders import NOON, make_arrival, make_cartons, make_person, make_seal, make_site

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site("NOR")


@pytest.fixture
def ana(site):
    return make_person(Role.RECEIVER, site, "ana")


@pytest.fixture
def phone(ana):
    client = Client()
    client.force_login(ana)
    return client


def pages(client):
    return client.get("/NOR/phone/pages/").json()


def addresses(client):
    return [address for address, _version in pages(client)["pages"]]


# --- the worker -------------------------------------------------------------------------------------------------------


def constants(client):
    text = client.get("/sw.js").content.decode()
    return {
        name: json.loads(value)
        for name, value in re.findall(r"^const ([A-Z]+) = (.*);$", text, re.M)
        if value[0] in '["{'
    }


def test_the_worker_is_served_to_anybody_from_the_root_and_never_from_a_cache():
    answer = Client().get("/sw.js")
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/javascript")
    assert "no-cache" in answer["Cache-Control"]
    assert 'addEventListener("fetch"' in answer.content.decode()


def test_every_file_the_worker_fetches_is_there():
    found = constants(Client())
    assert "/static/receiving/js/shell.js" in found["ASSETS"]
    for address in [*found["ASSETS"], *found["HEAVY"]]:
        if address.startswith(found["STATIC"]):
            assert finders.find(address.removeprefix(found["STATIC"])), address
        else:
            assert Client().get(address).status_code == 200, address


def test_the_worker_fetches_nothing_of_desks_nor_what_nobody_asks_for():
    assert [each for each in constants(Client())["ASSETS"] if each.endswith((".map", ".md")) or "LICENSE" in each] == []


def test_a_release_changes_with_any_file_and_with_nothing_else(tmp_path, monkeypatch):
    fresh = shell.found_release.__wrapped__
    assert fresh() == fresh()
    for name in ("site.css", "page.js"):
        (tmp_path / name).write_text("one")
    monkeypatch.setattr(shell, "FILES", tmp_path)
    before = fresh()
    (tmp_path / "page.js").write_text("two")
    assert fresh() != before


# --- what an answer says of itself ------------------------------------------------------------------------------------


def test_a_dock_page_says_whose_it_is_and_of_which_release(phone, ana):
    answer = phone.get("/NOR/doors/")
    assert answer["X-Dock"] == answer["X-Person"] == str(ana.pk)
    assert answer["X-Release"] == shell.release()
    assert f'data-person="{ana.pk}" data-site="NOR"' in answer.content.decode()


@pytest.mark.parametrize("address", ["/NOR/pieces/", "/NOR/search/", "/password/"])
def test_a_page_of_a_desk_may_not_be_kept(phone, ana, address):
    answer = phone.get(address)
    assert "X-Dock" not in answer
    assert answer["X-Person"] == str(ana.pk)


def test_a_refused_page_may_not_be_kept(phone):
    answer = phone.get("/NOR/trailer/77/")
    assert answer.status_code == 404
    assert "X-Dock" not in answer


def test_the_way_in_says_that_nobody_is_signed_in():
    answer = Client().get(reverse("login"))
    assert answer["X-Person"] == ""
    assert "data-person" not in answer.content.decode()


def test_fetching_a_page_to_keep_it_neither_eats_a_message_nor_leaves_one(phone, site, ana):
    arrival = make_arrival(site, actor=ana, state=ArrivalState.AT_DOOR)
    phone.post(f"/NOR/trailer/{arrival.number}/safety/", {"uuid": uuid.uuid4(), "wheels_held": "on"})
    address, words = arrival.get_absolute_url(), "Still to look at"
    # A page that is not open any more leaves a warning and leads back.
    phone.get(f"/NOR/trailer/{arrival.number}/arrive/", headers={"X-Keep": "1"})
    assert words not in phone.get(address, headers={"X-Keep": "1"}).content.decode()
    shown = phone.get(address)
    assert words in shown.content.decode()
    assert shown.content.decode().count('class="notice warn" role="status"') == 1
    assert shown["X-Dock-Once"] == "1"
    assert "X-Dock-Once" not in phone.get(address)


# --- which pages ------------------------------------------------------------------------------------------------------


def test_every_page_of_the_list_is_there_and_may_be_kept(phone, site, ana):
    for state in (ArrivalState.EXPECTED, ArrivalState.AT_DOOR, ArrivalState.UNLOADING, ArrivalState.COUNTED):
        arrival = make_arrival(site, actor=ana, state=state, pieces=4)
    make_cartons(arrival.shipments.get(), 4)
    make_seal(arrival, actor=ana)
    paused = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    discrepancies.set_aside(paused, uuid=uuid.uuid4(), note="wet", actor=ana, at=NOON)
    dock.pause(paused, held_by="gate", actor=ana, at=NOON)
    found = addresses(phone)
    assert len(found) == len(set(found)) > 40
    for address in found:
        answer = phone.get(address, headers={"X-Keep": "1"})
        assert answer.status_code == 200, address
        assert answer["X-Dock"] == str(ana.pk), address


@pytest.mark.parametrize(
    ("role", "missing"), [(Role.VIEWER, {"log", "count", "seal/new"}), (Role.CLERK, {"count", "seal/new"})]
)
def test_nobody_keeps_a_page_that_is_shut_to_them(site, ana, role, missing):
    arrival = make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    client = Client()
    client.force_login(make_person(role, site))
    found = addresses(client)
    assert f"/NOR/trailer/{arrival.number}/" in found
    assert [address for address in found if address.rstrip("/").endswith(tuple(missing))] == []
    assert {client.get(address).status_code for address in found} == {200}


def test_a_trailer_that_left_and_one_of_another_day_are_not_kept(phone, site, ana):
    gone, later = (make_arrival(site, actor=ana, state=ArrivalState.UNLOADING) for _turn in range(2))
    Arrival.objects.filter(pk=gone.pk).update(state=ArrivalState.REFUSED)
    Arrival.objects.filter(pk=later.pk).update(state=ArrivalState.EXPECTED, appointment_at="2100-01-01T00:00Z")
    found = pages(phone)
    assert found["trailers"] == []
    assert [address for address, _version in found["pages"] if "/trailer/" in address] == []


def changed(before, after):
    return {address for address, version in after["pages"] if [address, version] not in before["pages"]}


def test_versions_stand_until_something_happens_and_then_only_those_that_show_it_change(phone, site, ana):
    one, other = (make_arrival(site, actor=ana, state=ArrivalState.UNLOADING) for _turn in range(2))
    before = pages(phone)
    assert pages(phone) == before
    discrepancies.set_aside(one, uuid=uuid.uuid4(), note="wet", actor=ana, at=NOON.replace(year=2027))
    found = changed(before, pages(phone))
    assert f"/NOR/trailer/{one.number}/count/" in found
    assert "/NOR/doors/" in found
    assert f"/NOR/trailer/{one.number}/safety/" not in found
    assert [address for address in found if address.startswith(f"/NOR/trailer/{other.number}/")] == []


def test_another_language_theme_or_sign_in_changes_every_page(phone, site, ana):
    make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    seen = [pages(phone)]
    phone.cookies["theme"] = "dark"
    seen.append(pages(phone))
    ana.language = "es"
    ana.save()
    seen.append(pages(phone))
    phone.force_login(ana)
    del phone.cookies["csrftoken"]
    seen.append(pages(phone))
    for before, after in zip(seen, seen[1:], strict=False):
        assert len(changed(before, after)) == len(after["pages"])


@pytest.mark.parametrize("trailers", [1, 3])
def test_the_list_asks_as_many_questions_for_one_trailer_as_for_three(
    phone, site, ana, trailers, django_assert_num_queries
):
    for _turn in range(trailers):
        make_arrival(site, actor=ana, state=ArrivalState.UNLOADING)
    with django_assert_num_queries(9):
        pages(phone)


# --- the rest ---------------------------------------------------------------------------------------------------------


def test_the_manifest_speaks_the_persons_language_and_starts_at_the_doors(phone, ana):
    ana.language = "es"
    ana.save()
    found = phone.get("/manifest.webmanifest").json()
    assert (found["lang"], found["name"]) == ("es", "Registro del andén")
    assert phone.get(found["start_url"])["Location"] == "/NOR/doors/"
    assert Client().get("/manifest.webmanifest").json()["lang"] == "en"


def test_the_page_for_no_network_is_there_in_each_language_without_anybody_in_it(phone):
    for language, words in (("en", "No network"), ("es", "Sin red")):
        answer = phone.get(f"/offline/{language}/", headers={"Accept-Language": "en"})
        assert words in answer.content.decode()
        assert f'<html lang="{language}"' in answer.content.decode()
    assert phone.get("/offline/fr/").status_code == 404
    assert "Ana" not in Client().get("/offline/en/").content.decode()


def test_asking_whether_the_server_is_there_costs_nothing(django_assert_num_queries):
    with django_assert_num_queries(0):
        answer = Client().head("/reachable/")
    assert answer.status_code == 204
    assert "no-store" in answer["Cache-Control"]


def test_signing_out_empties_the_browsers_cache(phone):
    assert phone.post("/logout/")["Clear-Site-Data"] == '"cache"'
