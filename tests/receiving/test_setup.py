"""Lists, facts and people: one writer each, one event per change, nothing deleted, of two at once one told."""

import io
import uuid
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import translation
from openpyxl import Workbook

from receiving import dock, evidence, people, rules, setup, setup_import
from receiving.documents.xlsx import Sheet, csv_bytes, workbook_bytes
from receiving.enums import ArrivalState, Role
from receiving.models import Account, Carrier, DamageCode, Door, Event, Membership, Person, Site, Store
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.setup import ACCOUNTS, CARRIERS, CODES, DOORS, STORES
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
    return Site.objects.get(pk=make_site().pk)


@pytest.fixture
def alice(site):
    return make_person("manager", site, "alice")


@pytest.fixture
def boss():
    return make_person("manager", None, "boss")


@pytest.fixture
def birch():
    return make_account("Birch Home")


CODE = {
    "code": "wet",
    "label": "wet",
    "label_es": "",
    "order": 10,
    "min_photos": 1,
    "default_disposition": "",
    "stop_card": "none",
}


def facts_of(kind, record, **more):
    return {name: getattr(record, name) for name in kind.facts} | more


def change(kind, record, alice, *, seen=None, **more):
    return setup.change(
        kind,
        record,
        facts=facts_of(kind, record, **more),
        seen=seen or setup.fingerprint(record, kind.facts),
        site=getattr(record, "site", None) or Site.objects.get(),
        actor=alice,
        at=NOON,
    )


def last_event(site):
    return Event.objects.filter(site=site).latest("seq")


# -- One record --------------------------------------------------------------------------------------------------------


def test_a_code_is_added_in_capitals_and_told(site, alice):
    code = setup.add(CODES, site=site, facts=CODE, actor=alice, at=NOON)
    assert (code.code, code.label, code.site) == ("WET", "wet", site)
    event = last_event(site)
    assert (event.verb, event.record, event.actor) == ("damagecode.added", f"damagecode:{code.pk}", alice)
    assert event.after["code"] == "WET"


def test_a_change_tells_only_what_differs(site, alice, birch):
    store = make_store(site, birch, "0417", name="Elm")
    change(STORES, store, alice, name="  Elm   Street ")
    store.refresh_from_db()
    assert store.name == "Elm Street"
    assert (last_event(site).before, last_event(site).after) == ({"name": "Elm"}, {"name": "Elm Street"})


def test_saving_the_same_writes_no_event(site, alice, birch):
    change(STORES, make_store(site, birch, "0417", name="Elm"), alice)
    assert not Event.objects.exists()


def test_of_two_changes_the_second_is_told_what_stands_there_now(site, alice, birch):
    store = make_store(site, birch, "0417", name="Elm")
    seen = setup.fingerprint(store, STORES.facts)
    change(STORES, store, alice, name="Oak", seen=seen)
    with pytest.raises(ChangedMeanwhile, match="name: Oak"):
        change(STORES, store, alice, name="Ash", seen=seen)
    assert Store.objects.get().name == "Oak"
    assert Event.objects.count() == 1


def test_a_change_between_look_and_write_is_caught_by_the_update_itself(site, alice, birch, monkeypatch):
    store = make_store(site, birch, "0417", name="Elm")

    def meanwhile(*args):
        Store.objects.filter(pk=store.pk).update(name="Oak")

    monkeypatch.setattr(setup, "refuse_unfit", meanwhile)
    with pytest.raises(ChangedMeanwhile):
        change(STORES, store, alice, name="Ash")
    assert Store.objects.get().name == "Oak"


@pytest.mark.parametrize(
    ("kind", "facts", "field"),
    [
        (CODES, CODE | {"code": "cr"}, "code"),
        (DOORS, {"label": "a1"}, "label"),
        (CARRIERS, {"name": "FALLOW  lines"}, "name"),
        (ACCOUNTS, {"legal_name": "birch HOME"}, "legal_name"),
    ],
    ids=lambda value: getattr(value, "name", None),
)
def test_the_same_name_in_other_case_is_a_twin(site, boss, birch, kind, facts, field):
    make_code(site, "CR"), make_door(site, "A1"), make_carrier("Fallow Lines")
    with pytest.raises(setup.Twin, match="in the list already") as refused:
        setup.add(kind, site=site, facts=facts, actor=boss, at=NOON)
    assert refused.value.field == field
    assert not Event.objects.exists()


def test_a_twin_out_of_use_says_bring_it_back(site, alice, birch):
    make_store(site, birch, "0417", active=False)
    with pytest.raises(setup.Twin, match="Bring it back"):
        setup.add(STORES, site=site, facts={"account": birch, "number": "0417", "name": ""}, actor=alice, at=NOON)


def test_a_twin_written_meanwhile_is_a_sentence_too(site, alice, monkeypatch):
    make_door(site, "A1")
    monkeypatch.setattr(setup, "refuse_twin", lambda *args: None)
    with pytest.raises(setup.Twin, match="just added"):
        setup.add(DOORS, site=site, facts={"label": "A1"}, actor=alice, at=NOON)
    assert Door.objects.count() == 1


def test_the_same_door_label_at_two_sites_is_no_twin(site, alice):
    make_door(make_site("SOU"), "A1")
    assert setup.add(DOORS, site=site, facts={"label": "A1"}, actor=alice, at=NOON).site == site


@pytest.mark.parametrize(("scac", "code"), [("A", "wrong_form"), ("ABCDE", "wrong_form"), ("AB1D", "wrong_form")])
def test_a_wrong_alpha_code_is_refused_at_its_field(site, boss, scac, code):
    with pytest.raises(Refused, match="two to four letters") as refused:
        setup.add(CARRIERS, site=site, facts={"name": "Fallow", "scac": scac}, actor=boss, at=NOON)
    assert (refused.value.code, refused.value.field) == (code, "scac")
    assert not Carrier.objects.exists()


def test_an_odd_alpha_code_is_taken_with_a_caution(site, boss):
    make_carrier("Teal Freight", scac="FALX")
    carrier = setup.add(CARRIERS, site=site, facts={"name": "Fallow", "scac": "falx"}, actor=boss, at=NOON)
    assert carrier.scac == "FALX"
    odd, same = setup.cautions(CARRIERS, site, carrier)
    assert "ends in X" in odd
    assert same == "Teal Freight has the alpha code FALX too."


def test_a_company_wide_change_is_in_the_chain_of_the_site_it_was_made_from(site, boss):
    other = make_site("SOU")
    setup.add(CARRIERS, site=other, facts={"name": "Fallow"}, actor=boss, at=NOON)
    assert last_event(other).verb == "carrier.added"
    assert not Event.objects.filter(site=site).exists()


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"min_photos": 10}, "min_photos"),
        ({"label": ""}, "label"),
        ({"label": "x" * 61}, "label"),
        ({"stop_card": "fire"}, "stop_card"),
    ],
    ids=str,
)
def test_a_fact_the_model_does_not_allow_is_refused_at_its_field(site, alice, facts, field):
    with pytest.raises(Refused) as refused:
        setup.add(CODES, site=site, facts=CODE | facts, actor=alice, at=NOON)
    assert refused.value.field == field
    assert not DamageCode.objects.exists()


# -- What is used stays ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [{"code": "CRU"}, {"label": "dented"}, {"label_es": "aplastado"}], ids=str)
def test_a_used_code_is_never_reworded(site, alice, words):
    code = make_code(site, "CR", used_at=NOON)
    with pytest.raises(setup.InUse, match="Replace it"):
        change(CODES, code, alice, **words)
    code.refresh_from_db()
    assert (code.code, code.label, code.label_es) == ("CR", "crushed", "")


def test_a_used_code_may_ask_for_other_photos(site, alice):
    code = make_code(site, "CR", used_at=NOON)
    change(CODES, code, alice, order=5, min_photos=2, default_disposition="held", stop_card="food")
    code.refresh_from_db()
    assert (code.order, code.min_photos, code.default_disposition, code.stop_card) == (5, 2, "held", "food")


def test_a_code_used_between_look_and_write_is_not_reworded(site, alice, monkeypatch):
    code = make_code(site, "CR")

    def meanwhile(*args):
        DamageCode.objects.filter(pk=code.pk).update(used_at=NOON)

    monkeypatch.setattr(setup, "refuse_unfit", meanwhile)
    with pytest.raises(ChangedMeanwhile):
        change(CODES, code, alice, label="dented")
    assert DamageCode.objects.get().label == "crushed"


def test_an_unused_code_may_be_reworded(site, alice):
    assert change(CODES, make_code(site, "CR"), alice, label="dented").label == "dented"


def test_replacing_retires_the_old_and_links_the_new(site, alice):
    old = make_code(site, "CR", used_at=NOON)
    new = setup.replace_code(old, facts=facts_of(CODES, old, label="crushed flat"), actor=alice, at=NOON)
    old.refresh_from_db()
    assert (old.retired_at, old.label) == (NOON, "crushed")
    assert (new.replaces, new.label, new.used_at, new.retired_at) == (old, "crushed flat", None, None)
    assert list(DamageCode.objects.in_use()) == [new]
    assert last_event(site).verb == "damagecode.replaced"


def test_replacing_by_the_code_of_another_changes_nothing(site, alice):
    old, other = make_code(site, "CR"), make_code(site, "WET")
    with pytest.raises(setup.Twin):
        setup.replace_code(old, facts=facts_of(CODES, old, code="wet"), actor=alice, at=NOON)
    assert set(DamageCode.objects.in_use()) == {old, other}


def test_a_retired_code_comes_back_as_a_new_one(site, alice):
    old = setup.take_out(CODES, make_code(site, "CR"), site=site, actor=alice, at=NOON)
    assert old.retired_at == NOON
    back = setup.bring_back(CODES, old, site=site, actor=alice, at=NOON)
    assert (back.code, back.replaces, back.pk != old.pk) == ("CR", old, True)
    old.refresh_from_db()
    assert old.retired_at == NOON


def test_a_retired_code_does_not_come_back_beside_its_twin(site, alice):
    old = setup.take_out(CODES, make_code(site, "CR"), site=site, actor=alice, at=NOON)
    make_code(site, "CR")
    with pytest.raises(setup.Twin):
        setup.bring_back(CODES, old, site=site, actor=alice, at=NOON)


def test_taking_out_twice_tells_the_second(site, alice, birch):
    store = make_store(site, birch, "0417")
    setup.take_out(STORES, store, site=site, actor=alice, at=NOON)
    with pytest.raises(ChangedMeanwhile, match="already"):
        setup.take_out(STORES, store, site=site, actor=alice, at=NOON)
    assert [event.verb for event in Event.objects.all()] == ["store.taken_out"]


def test_a_store_comes_back_as_itself(site, alice, birch):
    store = make_store(site, birch, "0417", active=False)
    assert setup.bring_back(STORES, store, site=site, actor=alice, at=NOON).active
    assert last_event(site).verb == "store.brought_back"


def test_a_store_keeps_number_and_account(site, alice, birch):
    store = make_store(site, birch, "0417")
    for facts in ({"number": "0418"}, {"account": make_account("Larch")}):
        with pytest.raises(setup.InUse, match="number and account stay"):
            change(STORES, store, alice, **facts)


def test_a_door_is_renamed_only_while_unused(site, alice):
    free = make_door(site, "A1")
    assert change(DOORS, free, alice, label="B1").label == "B1"
    used = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR).door
    with pytest.raises(setup.InUse, match="its label stays"):
        change(DOORS, used, alice, label="B2")


def test_a_door_with_a_trailer_stays_in_use(site, alice):
    arrival = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR)
    with pytest.raises(setup.InUse, match=f"Trailer {arrival.trailer_number} is at door"):
        setup.take_out(DOORS, arrival.door, site=site, actor=alice, at=NOON)
    dock.cancel(arrival, reason="wrong site", actor=alice, at=NOON)
    assert not setup.take_out(DOORS, arrival.door, site=site, actor=alice, at=NOON).active


# -- The site's facts --------------------------------------------------------------------------------------------------


def change_site(site, alice, *, seen=None, **more):
    facts = {name: getattr(site, name) for name in setup.SITE_FACTS} | more
    seen = seen or setup.fingerprint(site, setup.SITE_FACTS)
    return setup.change_site(site, facts=facts, seen=seen, actor=alice, at=NOON)


def test_the_site_s_facts_change_with_an_event(site, alice):
    change_site(site, alice, paper="a4", write_off_limit=Decimal("250.00"), address=" 1  Elm St \n Town ")
    site.refresh_from_db()
    assert (site.paper, site.write_off_limit, site.address) == ("a4", Decimal("250.00"), "1 Elm St\nTown")
    assert last_event(site).verb == "site.changed"
    change_site(site, alice, write_off_limit=Decimal("300.00"))
    assert Site.objects.get().write_off_limit == 300


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"time_zone": "Middle/Nowhere"}, "time_zone"),
        ({"currency": "usd"}, "currency"),
        ({"write_off_limit": Decimal("-1")}, "write_off_limit"),
        ({"name": ""}, "name"),
    ],
    ids=str,
)
def test_a_wrong_fact_of_the_site_is_refused(site, alice, facts, field):
    with pytest.raises(Refused) as refused:
        change_site(site, alice, **facts)
    assert refused.value.field == field


def test_units_stay_once_trailers_were_recorded(site, alice):
    change_site(site, alice, weight_unit="kg")
    make_arrival(site, actor=alice)
    site.refresh_from_db()
    with pytest.raises(setup.InUse, match="both stay"):
        change_site(site, alice, weight_unit="lb")
    change_site(site, alice, time_zone="America/Denver")
    assert (Site.objects.get().weight_unit, Site.objects.get().time_zone) == ("kg", "America/Denver")


# -- From a file -------------------------------------------------------------------------------------------------------


def keep(data, kind, site, actor, name="list.csv"):
    table = setup_import.read_upload(SimpleUploadedFile(name, data if isinstance(data, bytes) else data.encode()))
    number = setup_import.keep(table, name=name, kind=kind, site=site, actor=actor)
    return setup_import.kept(number, kind=kind, site=site, actor=actor)


def take_in(table, kind, site, actor):
    plan = setup_import.plan(table, kind=kind, site=site)
    return setup_import.take_in(table, digest=plan.digest(kind), kind=kind, site=site, actor=actor, at=NOON)


def test_stores_are_added_changed_and_left(site, alice, birch):
    make_store(site, birch, "0417", name="Elm"), make_store(site, birch, "0418", name="Oak")
    plan = take_in(
        keep(
            "Store no;Account;Name\n0417;BIRCH home;Elm Street\n0418;Birch Home;Oak\n0419;Birch Home;Ash\n",
            STORES,
            site,
            alice,
        ),
        STORES,
        site,
        alice,
    )
    assert (len(plan.added), len(plan.changed), plan.unchanged) == (1, 1, 1)
    names = dict(Store.objects.values_list("number", "name"))
    assert names == {"0417": "Elm Street", "0418": "Oak", "0419": "Ash"}
    event = Event.objects.get()
    assert (event.verb, event.record) == ("store.imported", "stores")
    assert event.after["added"] == [{"account": birch.pk, "number": "0419", "name": "Ash", "active": True}]
    assert list(event.before.values()) == [{"name": "Elm"}]


BAD_ROWS = [
    (STORES, "number,account\n1,Nobody Inc\n", "Account", "Nobody Inc", "no account of this name"),
    (STORES, "number,account\n,Birch Home\n", "Number", "", "must not be empty"),
    (STORES, "number,account\n1,Birch Home\n1,birch home\n", "Number", "1", "line 2 too"),
    (STORES, "number,account\n1234567890123,Birch Home\n", "Number", "1234567890123", "at most 12"),
    (STORES, "number,account,in use\n1,Birch Home,maybe\n", "In use", "maybe", "yes or no"),
    (STORES, "number,account\n1\u202e,Birch Home\n", "Number", "1\u202e", "cannot be seen"),
    (STORES, "number,account\n1,Birch Home,x,y\n", "", "", "4 cells and the heading 2"),
    (CODES, "code,label,photos\nCR,crushed,ten\n", "Photos", "ten", "whole number"),
    (CODES, "code,label,photos\nCR,crushed,10\n", "Photos", "10", "9 photos"),
    (CODES, "code,label,stop card\nCR,crushed,fire\n", "Stop card", "fire", "one of: none, hazard, food"),
    (CODES, "code,label\nUSED,other words\n", "Label", "other words", "code and words stay"),
    (CARRIERS, "name,scac\nFallow,ABCDE\n", "Scac", "ABCDE", "two to four letters"),
    (CARRIERS, "name,e-mail\nFallow,not an address\n", "E-mail", "not an address", "valid email"),
    (ACCOUNTS, "legal name,who claims\nLarch,the moon\n", "Who claims", "the moon", "we, on its behalf"),
]


@pytest.mark.parametrize(("kind", "text", "column", "value", "reason"), BAD_ROWS)
def test_a_bad_row_is_told_and_nothing_is_taken_in(site, boss, birch, kind, text, column, value, reason):
    make_code(site, "USED", used_at=NOON)
    table = keep(text, kind, site, boss)
    plan = setup_import.plan(table, kind=kind, site=site)
    bad = plan.bad[-1]
    assert bad.line == len(text.splitlines())
    assert (bad.column.lower(), bad.value) == (column.lower(), value)
    assert reason in bad.reason
    before = {one.name: one.model.objects.count() for one in setup.KINDS.values()}
    with pytest.raises(Refused, match="cannot be taken in"):
        take_in(table, kind, site, boss)
    assert {one.name: one.model.objects.count() for one in setup.KINDS.values()} == before
    assert not Event.objects.exists()


def test_a_file_without_a_needed_column_says_which(site, alice):
    plan = setup_import.plan(keep("number,name\n1,Elm\n", STORES, site, alice), kind=STORES, site=site)
    assert plan.missing == ["Account"]
    assert not plan.can_take_in


def test_a_list_changed_since_the_look_is_not_taken_in(site, alice, birch):
    table = keep("number,account,name\n0417,Birch Home,Elm\n", STORES, site, alice)
    digest = setup_import.plan(table, kind=STORES, site=site).digest(STORES)
    make_store(site, birch, "0417", name="Oak")
    with pytest.raises(ChangedMeanwhile, match="Look at it again"):
        setup_import.take_in(table, digest=digest, kind=STORES, site=site, actor=alice, at=NOON)
    assert Store.objects.get().name == "Oak"


def test_a_row_changed_while_it_is_taken_in_stops_the_whole_file(site, alice, birch):
    store = make_store(site, birch, "0417", name="Elm")
    was = evidence.facts(store, ["name"])
    Store.objects.update(name="Oak")
    with pytest.raises(ChangedMeanwhile, match="Nothing was taken in"):
        setup.take_in(
            STORES,
            site=site,
            added=[Store(site=site, account=birch, number="0500")],
            changed=[(store, was, {"name": "Ash"})],
            file="list.csv",
            actor=alice,
            at=NOON,
        )
    assert list(Store.objects.values_list("number", "name")) == [("0417", "Oak")]


def test_a_store_that_lost_its_zeros_is_remarked(site, alice, birch):
    make_store(site, birch, "0417")
    plan = setup_import.plan(keep("number,account\n417,Birch Home\n", STORES, site, alice), kind=STORES, site=site)
    assert plan.remarks == ["Line 2: store 417 is new, and there is a store 0417. Were zeros dropped?"]


def test_a_door_with_a_trailer_is_not_taken_out_by_a_file(site, alice):
    door = make_arrival(site, actor=alice, state=ArrivalState.AT_DOOR).door
    plan = setup_import.plan(keep(f"label,in use\n{door.label},no\n", DOORS, site, alice), kind=DOORS, site=site)
    assert "Take the door out of use when it has left" in plan.bad[0].reason


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("kind", setup.KINDS.values(), ids=lambda kind: kind.name)
@pytest.mark.parametrize("way", ["csv", "xlsx"])
def test_an_export_comes_back_without_a_difference(site, boss, birch, kind, way, language):
    make_code(site, "CR", label="=crushed", label_es="aplastado", default_disposition="held", stop_card="food")
    make_door(site, "07"), make_store(site, birch, "0417", name="-Elm"), make_store(site, birch, "0418", active=False)
    make_carrier("Fallow", scac="FALW", kind="broker", phone="+1 555 0100", address="1 Elm St\nTown")
    make_account("Larch", who_claims="us", food=True)
    with translation.override(language):
        heading, *rows = setup_import.export_rows(kind, setup.records(kind, site))
        data = csv_bytes([heading, *rows]) if way == "csv" else workbook_bytes([Sheet("x", heading, rows)])
        plan = setup_import.plan(keep(data, kind, site, boss, f"list.{way}"), kind=kind, site=site)
    assert (plan.missing, plan.bad, plan.added, plan.changed) == ([], [], [], [])
    assert plan.unchanged == len(rows) > 0
    assert set(plan.columns) == set(setup_import.columns_of(kind))


def test_a_kept_file_is_its_owner_s_alone_and_gives_way_to_the_next(site, alice):
    first = keep("label,x\nA1,\n", DOORS, site, alice)
    mine = {"kind": DOORS, "site": site, "actor": alice}
    assert setup_import.kept(first.number, **mine).rows == [["A1", ""]]
    for other in ({"actor": make_person("manager", site)}, {"kind": STORES}, {"site": make_site("SOU")}):
        assert setup_import.kept(first.number, **(mine | other)) is None
    second = keep("label,x\nA2,\n", DOORS, site, alice)
    assert setup_import.kept(first.number, **mine) is None
    setup_import.clear(DOORS, site, alice)
    assert setup_import.kept(second.number, **mine) is None
    assert setup_import.kept(uuid.uuid4(), **mine) is None


@pytest.mark.parametrize("data", [b"", b"\x89PNG....", b"just one line", b"%PDF-1.7"], ids=repr)
def test_a_file_that_is_no_list_is_refused_in_a_sentence(data):
    with pytest.raises(Refused) as refused:
        setup_import.read_upload(SimpleUploadedFile("list.csv", data))
    assert refused.value.field == "file"
    assert "list.csv" in str(refused.value)


def test_a_cell_without_its_value_is_refused(site, alice):
    book, out = Workbook(), io.BytesIO()
    for row in (["label", "note"], ["=A1", "x"]):
        book.active.append(row)
    book.save(out)
    plan = setup_import.plan(keep(out.getvalue(), DOORS, site, alice, "doors.xlsx"), kind=DOORS, site=site)
    assert "kept no value" in plan.bad[0].reason


def test_planning_asks_the_database_the_same_for_many_rows(site, alice, birch):
    counts = []
    for rows in (1, 300):
        text = "number,account,name\n" + "".join(f"{n:04d},Birch Home,Town {n}\n" for n in range(rows))
        table = keep(text, STORES, site, alice)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            setup_import.plan(table, kind=STORES, site=site)
        counts.append(len(queries))
    assert counts[0] == counts[1] <= 3


# -- People ------------------------------------------------------------------------------------------------------------

RITA = {"username": "rita", "first_name": "Rita", "last_name": "", "language": "es"}


def add_person(site, actor, *, facts=RITA, role="receiver", **more):
    more = {"food_qualified": False} | more
    return people.add_person(site=site, facts=facts, role=role, actor=actor, at=NOON, **more)


def test_a_new_person_may_sign_in_with_the_first_password(site, alice):
    membership, password = add_person(site, alice)
    rita = Person.objects.get(username="rita")
    assert rita.check_password(password)
    assert len(password) == 19
    assert (membership.person, membership.site, membership.role, rita.language) == (rita, site, "receiver", "es")
    assert rules.WORK in rules.may(rita, site)
    assert [event.verb for event in Event.objects.order_by("seq")] == ["person.added", "membership.added"]


def test_the_password_is_in_no_event(site, alice):
    membership, password = add_person(site, alice)
    second = people.reset_password(membership.person, site=site, actor=alice, at=NOON)
    told = "".join(evidence.canonical([event.before, event.after]) for event in Event.objects.all())
    assert password not in told and second not in told and "pbkdf2" not in told and "md5$" not in told
    assert '"username":"rita"' in told


@pytest.mark.parametrize("username", ["alice", "ALICE", "two words", ""])
def test_a_bad_or_taken_user_name_adds_nobody(site, alice, username):
    with pytest.raises(Refused) as refused:
        add_person(site, alice, facts=RITA | {"username": username})
    assert refused.value.field == "username"
    assert Person.objects.count() == 1
    assert not Event.objects.exists()


def test_an_existing_person_gets_a_membership(site, alice):
    vic = make_person("viewer", make_site("SOU"), "vic")
    people.add_existing("VIC", site=site, role="lead", food_qualified=True, actor=alice, at=NOON)
    assert set(vic.memberships.values_list("site__code", "role")) == {("SOU", "viewer"), ("NOR", "lead")}


@pytest.mark.parametrize(("username", "code"), [("nobody", "no_such_person"), ("lee", "already_member")])
def test_an_existing_person_who_is_none_or_a_member_is_refused(site, alice, username, code):
    make_person("lead", site, "lee")
    with pytest.raises(Refused) as refused:
        people.add_existing(username, site=site, role="lead", food_qualified=False, actor=alice, at=NOON)
    assert refused.value.code == code
    assert Membership.objects.count() == 2


def change_member(membership, actor, site, *, role="lead", food=False, seen=None):
    return people.change_member(
        membership,
        role=role,
        food_qualified=food,
        seen=seen or (membership.role, membership.food_qualified),
        site=site,
        actor=actor,
        at=NOON,
    )


def test_a_role_changes_with_an_event(site, alice):
    membership = make_person("receiver", site).memberships.get()
    assert change_member(membership, alice, site, food=True).role == "lead"
    event = last_event(site)
    assert event.before == {"role": "receiver", "food_qualified": False}
    assert event.after == {"role": "lead", "food_qualified": True}


def test_of_two_role_changes_the_second_is_told(site, alice):
    membership = make_person("receiver", site).memberships.get()
    change_member(membership, alice, site, role="lead")
    with pytest.raises(ChangedMeanwhile, match="it is now: lead"):
        change_member(membership, alice, site, role="viewer", seen=("receiver", False))
    assert Membership.objects.get(pk=membership.pk).role == "lead"


def test_a_membership_taken_away_is_told_to_the_second(site, alice):
    membership = make_person("receiver", site).memberships.get()
    kept = Membership.objects.get(pk=membership.pk)
    people.take_away(membership, site=site, actor=alice, at=NOON)
    with pytest.raises(ChangedMeanwhile, match="taken this membership away"):
        people.take_away(kept, site=site, actor=alice, at=NOON)
    assert last_event(site).before["role"] == "receiver"


def test_nobody_changes_their_own_membership(site, alice, boss):
    own = alice.memberships.get()
    with pytest.raises(people.NotYours, match="their own"):
        change_member(own, alice, site, role="viewer")
    with pytest.raises(people.NotYours, match="their own"):
        people.take_away(own, site=site, actor=alice, at=NOON)
    with pytest.raises(people.NotYours, match="their own"):
        people.add_existing("boss", site=site, role="lead", food_qualified=True, actor=boss, at=NOON)


def test_all_sites_memberships_are_an_all_sites_manager_s_business(site, alice, boss):
    with pytest.raises(people.NotYours, match="all-sites manager only"):
        add_person(site, alice, everywhere=True)
    with pytest.raises(people.NotYours, match="all-sites manager only"):
        change_member(boss.memberships.get(), alice, site, role="viewer")
    with pytest.raises(people.NotYours, match="all-sites manager only"):
        people.take_away(boss.memberships.get(), site=site, actor=alice, at=NOON)
    assert not Person.objects.filter(username="rita").exists()
    membership, _password = add_person(site, boss, everywhere=True)
    assert membership.site is None


def test_the_last_manager_of_a_site_stays(site, alice):
    """Whoever acts: alice is the only manager, the actor comes from outside the pages."""
    root = make_person(None, username="root")
    Membership.objects.create(person=root, site=None, role=Role.MANAGER)
    root.is_active = False
    root.save()
    with pytest.raises(Refused, match="last manager"):
        change_member(alice.memberships.get(), root, site, role="lead")
    with pytest.raises(Refused, match="last manager"):
        people.take_away(alice.memberships.get(), site=site, actor=root, at=NOON)
    assert alice.memberships.get().role == "manager"
    assert not Event.objects.exists()
    make_person("manager", site)
    people.take_away(alice.memberships.get(), site=site, actor=root, at=NOON)


def test_a_reset_password_works_and_the_old_one_does_not(site, alice):
    rita = make_person("receiver", site, "rita")
    password = people.reset_password(rita, site=site, actor=alice, at=NOON)
    rita.refresh_from_db()
    assert rita.check_password(password)
    assert not rita.check_password(PASSWORD)


def beyond(kind, site):
    person = make_person("viewer", site, "vic")
    if kind == "other site":
        Membership.objects.create(person=person, site=make_site("SOU"), role=Role.MANAGER)
    elif kind == "all sites":
        Membership.objects.create(person=person, site=None, role=Role.MANAGER)
    else:
        setattr(person, kind, True)
        person.save()
    return person


@pytest.mark.parametrize("kind", ["other site", "all sites", "is_superuser", "is_staff"])
def test_a_site_manager_gets_no_password_that_reaches_further(site, alice, kind):
    person = beyond(kind, site)
    with pytest.raises(people.NotYours, match="also works where"):
        people.reset_password(person, site=site, actor=alice, at=NOON)
    person.refresh_from_db()
    assert person.check_password(PASSWORD)


def test_an_all_sites_manager_resets_across_sites_but_not_the_superuser(site, boss):
    assert people.may_reset(beyond("other site", site), boss)
    assert not people.may_reset(make_person("viewer", site, is_superuser=True), boss)
    with pytest.raises(Refused, match="your own password"):
        people.reset_password(boss, site=site, actor=boss, at=NOON)


def test_accounts_and_carriers_need_the_company(site):
    assert {kind.name for kind in setup.KINDS.values() if kind.need == rules.COMPANY} == {"carriers", "accounts"}
    assert Account.objects.count() == 0
