"""The pages of the load list: who may, what they answer, and every hostile file in the table of them."""

import io
import uuid
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from receiving import load_list
from receiving.enums import ArrivalState, ListState
from receiving.models import Arrival, Carton, ColumnMapping, Event, LoadList, Store, Submission
from tests import builders
from tests.builders import NOON, sscc
from tests.hostile import tables

pytestmark = pytest.mark.django_db
LISTS = Path(__file__).parents[2] / "fixtures" / "lists"


@pytest.fixture(autouse=True)
def files(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


@pytest.fixture
def site():
    return builders.make_site()


@pytest.fixture
def lead(site):
    return builders.make_person("lead", site)


@pytest.fixture
def shipment(site, lead):
    found = builders.make_arrival(site, actor=lead, state=ArrivalState.AT_DOOR, pieces=3).shipments.get()
    for number in ("101", "102"):
        builders.make_store(site, found.account, number)
    return found


@pytest.fixture
def page(client, lead):
    client.force_login(lead)
    return client


def url(name, shipment, *more):
    return reverse(name, args=[shipment.arrival.site.code, shipment.arrival.number, shipment.pk, *more])


def csv_of(count, *, start=1, store="101"):
    return ("carton,store\n" + "".join(f"{sscc(start + n)},{store}\n" for n in range(count))).encode()


def send(page, shipment, data, name="list.csv", **extra):
    given = {"file": SimpleUploadedFile(name, data), "uuid": str(uuid.uuid4())} | extra.pop("fields", {})
    return page.post(url("load_list_upload", shipment), given, **extra)


def waiting(shipment, lead, data):
    return load_list.receive_file(
        shipment, uuid=uuid.uuid4(), upload=io.BytesIO(data), filename="list.csv", actor=lead, at=NOON
    )


def in_use(shipment, lead, data):
    return load_list.confirm(waiting(shipment, lead, data), actor=lead, at=NOON)


def confirmation(found, **fields):
    given = {"uuid": str(uuid.uuid4()), "mapping": '{"columns": {"label": 0, "store": 1}, "decimal": ""}'}
    return given | fields


def stored():
    return (LoadList.objects.count(), Carton.objects.count(), Event.objects.count(), Submission.objects.count())


# -- The way through


def test_from_upload_by_preview_to_the_list_in_use(page, shipment):
    answer = send(page, shipment, csv_of(3))
    found = LoadList.objects.get()
    assert answer.url == url("load_list_preview", shipment, found.pk)
    seen = page.get(answer.url)
    assert "3 rows are good" in seen.text
    assert "Take in 3 cartons" in seen.text
    assert not Carton.objects.exists()
    given = confirmation(found, mapping=seen.context["confirm_form"]["mapping"].value())
    answer = page.post(url("load_list_confirm", shipment, found.pk), given, follow=True)
    assert answer.redirect_chain == [(url("load_list", shipment), 302)]
    assert f"3 cartons are on the list of bill {shipment.bill_number} now." in answer.text
    assert Carton.objects.filter(shipment=shipment).count() == 3


def test_the_page_without_a_list_says_that_only_the_net_difference_is_known(page, shipment):
    answer = page.get(url("load_list", shipment))
    assert "counted blind against 3 on the bill" in answer.text
    assert "only the net difference is known" in answer.text


def test_bad_rows_are_shown_with_line_column_value_and_reason(page, shipment):
    answer = send(page, shipment, (LISTS / "damaged-by-a-spreadsheet.csv").read_bytes())
    seen = page.get(answer.url)
    assert "1 row is good, 4 are not" in seen.text
    assert ">1.95212E+17<" in seen.text
    assert "scientific notation" in seen.text
    assert "cannot be taken in as it is" in seen.text
    assert "Take in" not in seen.text


def test_columns_are_chosen_by_hand_and_remembered(page, shipment, lead):
    answer = send(page, shipment, f"thing,place\n{sscc(1)},101\n".encode())
    seen = page.get(answer.url)
    assert "carton id, store" in seen.text
    assert sscc(1) in seen.text
    found = LoadList.objects.get()
    given = {"column-0": "label", "column-1": "store", "decimal": "", "uuid": str(uuid.uuid4())}
    answer = page.post(url("load_list_columns", shipment, found.pk), given, follow=True)
    assert "1 row is good" in answer.text
    again = send(page, shipment, f"thing,place\n{sscc(2)},101\n".encode())
    assert "1 row is good" in page.get(again.url).text


def test_a_weight_that_can_be_two_things_is_settled_by_choosing_the_decimal_sign(page, shipment, lead):
    found = waiting(shipment, lead, f"carton,store,weight\n{sscc(1)},101,1.234\n".encode())
    seen = page.get(url("load_list_preview", shipment, found.pk))
    assert '<details class="more" open>' in seen.text
    given = {"column-0": "label", "column-1": "store", "column-2": "weight", "decimal": ","}
    answer = page.post(url("load_list_columns", shipment, found.pk), given | {"uuid": str(uuid.uuid4())}, follow=True)
    assert "1 row is good" in answer.text
    mapping = answer.context["confirm_form"]["mapping"].value()
    page.post(url("load_list_confirm", shipment, found.pk), confirmation(found, mapping=mapping))
    assert Carton.objects.get().weight == 1234


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"column-0": "label"}, "Choose the column that holds the store."),
        ({"column-0": "label", "column-1": "label"}, "Column “thing” is the carton id already."),
        ({"column-0": "colour"}, "Select a valid choice."),
    ],
)
def test_columns_that_cannot_be_come_back_with_a_sentence(page, shipment, lead, given, sentence):
    found = waiting(shipment, lead, f"thing,place\n{sscc(1)},101\n".encode())
    before = stored()
    answer = page.post(url("load_list_columns", shipment, found.pk), given | {"uuid": str(uuid.uuid4())})
    assert (answer.status_code, stored()) == (422, before)
    assert sentence in answer.text
    if given["column-0"] == "label":
        assert '<option value="label" selected>' in answer.text
    assert not ColumnMapping.objects.exists()


def test_unknown_stores_are_added_only_when_ticked(page, shipment, lead):
    found = waiting(shipment, lead, csv_of(2, store="777"))
    seen = page.get(url("load_list_preview", shipment, found.pk))
    assert "0 rows are good, 2 are not" in seen.text
    assert "Take in 2 cartons" in seen.text
    refused = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found))
    assert refused.status_code == 422
    assert "1 store is not known: 777." in refused.text
    assert not Carton.objects.exists()
    answer = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found, add_stores="on"))
    assert answer.status_code == 302
    assert Store.objects.filter(number="777", account=shipment.account).exists()


def test_a_newer_list_shows_the_difference_and_names_what_it_replaces(page, shipment, lead):
    first = in_use(shipment, lead, csv_of(3))
    found = waiting(shipment, lead, csv_of(3, start=2))
    seen = page.get(url("load_list_preview", shipment, found.pk))
    assert "Against the list in use" in seen.text
    assert "Replace the list by this one: 3 cartons" in seen.text
    assert seen.context["confirm_form"]["replaces"].value() == first.pk
    answer = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found, replaces=first.pk))
    assert answer.status_code == 302
    assert set(Carton.objects.values_list("label", flat=True)) == {sscc(2), sscc(3), sscc(4)}


def test_a_list_looked_at_before_another_was_taken_in_is_refused_with_the_new_difference(page, shipment, lead):
    found = waiting(shipment, lead, csv_of(3, start=2))
    first = in_use(shipment, lead, csv_of(3))
    answer = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found))
    assert answer.status_code == 409
    assert "Another list was taken in for bill" in answer.text
    assert "Against the list in use" in answer.text
    first.refresh_from_db()
    assert first.state == ListState.CONFIRMED


def test_a_received_carton_that_would_vanish_is_named(page, shipment, lead):
    in_use(shipment, lead, csv_of(3))
    Carton.objects.filter(label=sscc(1)).update(received=1)
    found = waiting(shipment, lead, csv_of(2, start=2))
    seen = page.get(url("load_list_preview", shipment, found.pk))
    assert f"is not in the new list: {sscc(1)}." in seen.text
    assert "Replace the list" not in seen.text


def test_a_discarded_list_is_gone_from_the_page_and_its_file_stays(page, shipment, lead):
    found = waiting(shipment, lead, csv_of(1))
    answer = page.post(url("load_list_discard", shipment, found.pk), {"uuid": str(uuid.uuid4())}, follow=True)
    assert "was discarded. Its file is kept." in answer.text
    answer = page.get(url("load_list_preview", shipment, found.pk))
    assert answer.url == url("load_list", shipment)
    again = page.post(url("load_list_discard", shipment, found.pk), {"uuid": str(uuid.uuid4())})
    assert again.status_code == 409
    assert page.get(url("load_list_file", shipment, found.pk)).content == csv_of(1)


def test_bill_and_list_that_differ_are_explained_once(page, shipment, lead):
    in_use(shipment, lead, csv_of(5))
    shown = page.get(url("load_list", shipment))
    assert "The bill says 3, the list 5: 2 more than the bill." in shown.text
    shipment.refresh_from_db()
    given = {"difference_note": "two samples added", "version": shipment.version, "uuid": str(uuid.uuid4())}
    answer = page.post(url("load_list_difference", shipment), given, follow=True)
    assert "Explained: two samples added" in answer.text
    stale = given | {"difference_note": "something else", "uuid": str(uuid.uuid4())}
    answer = page.post(url("load_list_difference", shipment), stale)
    assert answer.status_code == 409
    assert "something else" in answer.text
    empty = page.post(url("load_list_difference", shipment), {"version": 1, "uuid": str(uuid.uuid4())})
    assert empty.status_code == 422
    assert "Say in a few words why bill and list differ." in empty.text


def test_the_original_is_saved_and_never_shown_by_the_browser(page, shipment, lead):
    evil = csv_of(1).replace(b"carton", b"carton <script>alert(1)</script>")
    found = load_list.receive_file(
        shipment, uuid=uuid.uuid4(), upload=io.BytesIO(evil), filename="a.html", actor=lead, at=NOON
    )
    answer = page.get(url("load_list_file", shipment, found.pk))
    assert answer["Content-Disposition"] == 'attachment; filename="a.html"'
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["Content-Type"] == "application/octet-stream"
    assert answer.content == evil
    seen = page.get(url("load_list_preview", shipment, found.pk))
    assert "<script>alert" not in seen.text
    with open(found.file.path, "ab") as kept:
        kept.write(b"!")
    altered = page.get(url("load_list_file", shipment, found.pk))
    assert altered.status_code == 410
    assert "its hash differs" in altered.text


# -- The carton table


def test_cartons_are_found_by_label_in_groups_by_a_part_of_it_and_by_store(page, shipment, lead):
    rows = f"{sscc(1)},101\n{sscc(2)},102\nBOX-7,102\n"
    in_use(shipment, lead, f"carton,store\n{rows}".encode())
    label = sscc(1)

    def found(q):
        return [carton.label for carton in page.get(url("load_list", shipment), {"q": q}).context["cartons"]]

    assert found(f"{label[0]} {label[1:8]} {label[8:17]} {label[17]}") == [label]
    assert found("box-7") == ["BOX-7"]
    assert found("102") == [sscc(2), "BOX-7"]
    assert found("nothing like it") == []
    assert "is on this list" in page.get(url("load_list", shipment), {"q": "nothing like it"}).text


def test_the_table_goes_on_where_the_page_ended(page, shipment, lead):
    in_use(shipment, lead, csv_of(130))
    first = page.get(url("load_list", shipment))
    assert len(first.context["cartons"]) == 100
    rest = page.get(url("load_list", shipment) + first.context["following"])
    assert [carton.label for carton in rest.context["cartons"]] == [sscc(n) for n in range(101, 131)]
    assert rest.context["following"] == ""
    assert page.get(url("load_list", shipment), {"after": "x"}).status_code == 200


# -- Who may


NAMES_GET = ["load_list", "load_list_preview", "load_list_file"]
NAMES_POST = [
    "load_list_upload",
    "load_list_difference",
    "load_list_columns",
    "load_list_confirm",
    "load_list_discard",
]
WITH_LIST = {"load_list_preview", "load_list_file", "load_list_columns", "load_list_confirm", "load_list_discard"}


def address(name, shipment, found):
    return url(name, shipment, *([found.pk] if name in WITH_LIST else []))


@pytest.mark.parametrize("name", NAMES_GET + NAMES_POST)
def test_strangers_find_nothing_and_nobody_signs_in_first(client, shipment, lead, name):
    found = waiting(shipment, lead, csv_of(1))
    call = client.get if name in NAMES_GET else client.post
    answer = call(address(name, shipment, found))
    assert (answer.status_code, answer.url.split("?")[0]) == (302, reverse("login"))
    far = builders.make_site("SUD")
    client.force_login(builders.make_person("lead", far))
    assert call(address(name, shipment, found)).status_code == 404
    own = builders.make_arrival(far, actor=lead, state=ArrivalState.AT_DOOR, pieces=1)
    borrowed = address(name, shipment, found).replace("/NOR/", "/SUD/")
    borrowed = borrowed.replace(f"/trailer/{shipment.arrival.number}/", f"/trailer/{own.number}/")
    assert call(borrowed, {"uuid": str(uuid.uuid4())}).status_code == 404
    found.refresh_from_db()
    assert found.state == ListState.PREVIEW


@pytest.mark.parametrize("role", ["receiver", "clerk", "viewer"])
@pytest.mark.parametrize("name", ["load_list_preview", *NAMES_POST])
def test_who_does_not_decide_takes_in_no_list(client, site, shipment, lead, role, name):
    found = waiting(shipment, lead, csv_of(1))
    client.force_login(builders.make_person(role, site))
    call = client.get if name in NAMES_GET else client.post
    assert call(address(name, shipment, found)).status_code == 403
    assert client.get(url("load_list", shipment)).status_code == 200
    assert "Look at this list" not in client.get(url("load_list", shipment)).text
    assert client.get(url("load_list_file", shipment, found.pk)).status_code == 200


@pytest.mark.parametrize("name", NAMES_POST)
def test_looking_is_not_doing(page, shipment, lead, name):
    found = waiting(shipment, lead, csv_of(1))
    assert page.get(address(name, shipment, found)).status_code == 405


def test_a_list_of_another_bill_is_not_found(page, shipment, lead):
    other = builders.make_shipment(shipment.arrival, actor=lead)
    found = waiting(other, lead, csv_of(1))
    assert page.get(url("load_list_preview", shipment, found.pk)).status_code == 404
    assert page.post(url("load_list_confirm", shipment, found.pk), confirmation(found)).status_code == 404


# -- Once, and two at a time


def test_the_same_upload_twice_is_one_list(page, shipment):
    fields = {"uuid": str(uuid.uuid4())}
    first = send(page, shipment, csv_of(2), fields=fields)
    again = send(page, shipment, csv_of(2), fields=fields)
    assert again["Location"] == first.url
    assert again["X-Repeated"] == "1"
    assert LoadList.objects.count() == 1
    other = send(page, shipment, csv_of(3), fields=fields)
    assert other.status_code == 409
    assert LoadList.objects.count() == 1


def test_the_same_confirmation_twice_is_one_taking_in(page, shipment, lead):
    found = waiting(shipment, lead, csv_of(2))
    given = confirmation(found)
    first = page.post(url("load_list_confirm", shipment, found.pk), given)
    again = page.post(url("load_list_confirm", shipment, found.pk), given)
    assert (first.status_code, again.status_code, again["Location"]) == (302, 302, first.url)
    assert Event.objects.filter(verb="load_list.confirmed").count() == 1
    third = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found))
    assert third.status_code == 409
    assert "not waiting any more" in third.text or "Another list was taken in" in third.text
    assert Carton.objects.count() == 2


def test_a_closed_trailer_is_refused_in_a_sentence(page, shipment, lead):
    found = waiting(shipment, lead, csv_of(1))
    Arrival.objects.update(state=ArrivalState.RELEASED)
    before = stored()
    answer = send(page, shipment, csv_of(1))
    assert answer.status_code == 422
    assert "Reopen it first" in answer.text
    answer = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found))
    assert answer.status_code == 422
    assert "Reopen it first" in answer.text
    assert stored() == before
    assert "its list is not changed any more" in page.get(url("load_list", shipment)).text


def test_a_script_gets_codes(page, shipment):
    answer = send(page, shipment, b"%PDF-1.7", headers={"accept": "application/json"})
    assert answer.status_code == 422
    error = answer.json()["errors"][0]
    assert (error["code"], error["field"]) == ("not_a_table", "file")
    answer = send(page, shipment, csv_of(2), headers={"accept": "application/json"})
    assert answer.status_code == 201
    assert answer.json()["rows"] == 2


# -- Bad input


def test_an_upload_without_a_file_says_so(page, shipment):
    answer = page.post(url("load_list_upload", shipment), {"uuid": str(uuid.uuid4())})
    assert answer.status_code == 422
    assert "Choose the file of the load list first." in answer.text


@pytest.mark.parametrize(
    "mapping",
    [
        "",
        "not json",
        "[]",
        '{"columns": []}',
        '{"columns": {"label": "0", "store": 1}, "decimal": ""}',
        '{"columns": {"label": 0, "store": 1}, "decimal": "x"}',
        '{"columns": {"label": true, "store": 1}, "decimal": ""}',
        '{"columns": {"label": 0, "store": 99}, "decimal": ""}',
        '{"columns": {"label": -1, "store": 1}, "decimal": ""}',
        '{"columns": {"label": 0}, "decimal": ""}',
        '{"columns": {"label": 0, "colour": 1}, "decimal": ""}',
    ],
)
def test_a_confirmation_with_columns_nobody_saw_is_refused(page, shipment, lead, mapping):
    found = waiting(shipment, lead, csv_of(1))
    before = stored()
    answer = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found, mapping=mapping))
    assert (answer.status_code, stored()) == (422, before)


@pytest.mark.parametrize("case", sorted(tables.EXPECTED))
def test_no_hostile_file_gets_past_the_page(page, shipment, files, case):
    name, data = tables.CASES[case]()
    before = stored()
    answer = send(page, shipment, data, name)
    assert answer.status_code == 422
    (error,) = answer.context["form"].errors.get_json_data()["file"]
    assert error["code"] == tables.EXPECTED[case]
    assert error["message"].rstrip().endswith(".")
    assert len(error["message"]) > 30
    assert stored() == before
    assert not [kept for kept in files.rglob("*") if kept.is_file()]


@pytest.mark.parametrize("case", sorted(tables.ACCEPTED))
def test_an_ugly_file_is_looked_at_and_taken_in_whole_or_not_at_all(page, shipment, case):
    name, data = tables.CASES[case]()
    answer = send(page, shipment, data, name)
    assert answer.status_code == 302
    found = LoadList.objects.get()
    assert load_list.content(found) == data
    seen = page.get(answer.url)
    assert seen.status_code == 200
    if seen.context["missing"]:
        columns = {"column-0": "label", "column-1": "store", "decimal": "", "uuid": str(uuid.uuid4())}
        assert page.post(url("load_list_columns", shipment, found.pk), columns).status_code in (302, 422)
    seen = page.get(answer.url)
    rows = len(tables.ACCEPTED[case][1])
    given = confirmation(found, add_stores="on", mapping=seen.context["confirm_form"]["mapping"].value())
    taken = page.post(url("load_list_confirm", shipment, found.pk), given)
    assert (taken.status_code, Carton.objects.count()) in ((302, rows), (422, 0))


ROW_TROUBLES = {
    "scientific notation": "carton,store\n1.95E+17,101\n",
    "zeros lost": "carton,store\n95212340000003014,101\n",
    "a wrong check digit": f"carton,store\n{sscc(1)[:-1]}{(int(sscc(1)[-1]) + 1) % 10},101\n",
    "the same code twice": f"carton,store\n{sscc(1)},101\n{sscc(1)},101\n",
    "no label": "carton,store\n,101\n",
    "no store": f"carton,store\n{sscc(1)},\n",
    "an unseen character": "carton,store\nA\u200bB,101\n",
    "text that turns round": "carton,store,description\nA,101,x\u202etxt.exe\n",
    "a negative weight": "carton,store,weight\nA,101,-5\n",
    "a weight that can be two": "carton,store,weight\nA,101,1.234\n",
    "a weight in words": "carton,store,weight\nA,101,heavy\n",
    "nought pieces": "carton,store,qty\nA,101,0\n",
    "half a piece": "carton,store,qty\nA,101,1.5\n",
    "a million pieces": "carton,store,qty\nA,101,1000000\n",
    "a code for a dozen": f"carton,store,qty\n{sscc(1)},101,12\n",
    "neither yes nor no": "carton,store,food\nA,101,perhaps\n",
    "a label of a page": f"carton,store\n{'x' * 200},101\n",
    "a store of a page": f"carton,store\nA,{'9' * 200}\n",
    "an order of a page": f"carton,store,po\nA,101,{'9' * 200}\n",
    "a cell too many": "carton,store\nA,101,B,102\n",
    "one label for two stores": "carton,store\nA,101\nA,102\n",
    "markup": "carton,store,weight\n<b>A</b>,<i>1</i>,<u>2</u>\n",
    "a store that is not known": "carton,store\nA,777\n",
}


@pytest.mark.parametrize("trouble", ROW_TROUBLES)
def test_a_list_with_a_bad_row_is_shown_and_nothing_of_it_taken_in(page, shipment, trouble):
    answer = send(page, shipment, (ROW_TROUBLES[trouble] + f"{sscc(50)},101\n").encode())
    found = LoadList.objects.get()
    seen = page.get(answer.url)
    assert seen.status_code == 200
    assert seen.context["bad"], trouble
    assert all(row.line and row.reason.endswith((".", "!")) for row in seen.context["bad"])
    assert "<b>A</b>" not in seen.text
    mapping = seen.context["confirm_form"]["mapping"].value()
    taken = page.post(url("load_list_confirm", shipment, found.pk), confirmation(found, mapping=mapping))
    assert taken.status_code == 422
    assert taken.context["confirm_form"].errors
    assert (Carton.objects.count(), LoadList.objects.get().state) == (0, ListState.PREVIEW)


# -- Cost


def queries(call, *args):
    with CaptureQueriesContext(connection) as caught:
        answer = call(*args)
    assert answer.status_code in (200, 302)
    return len(caught)


def test_queries_do_not_depend_on_the_number_of_rows(page, shipment, lead):
    counts = []
    for count in (10, 900):
        bill = builders.make_shipment(shipment.arrival, actor=lead, account=shipment.account, pieces=count)
        page.get(url("load_list", bill))
        upload = queries(send, page, bill, csv_of(count))
        found = LoadList.objects.get(shipment=bill)
        look = queries(page.get, url("load_list_preview", bill, found.pk))
        take = queries(page.post, url("load_list_confirm", bill, found.pk), confirmation(found))
        page.get(url("load_list", bill))
        use = queries(page.get, url("load_list", bill))
        counts.append((upload, look, take, use))
    assert counts[0] == counts[1]
