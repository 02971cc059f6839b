"""The demo: loads all or nothing, is a record like any other, and lets a newcomer's first minute work."""

import hashlib
import uuid
from collections import Counter
from datetime import UTC, datetime, timedelta
from functools import cache
from io import StringIO
from random import Random

import pytest
from django.apps import apps
from django.contrib.auth.password_validation import validate_password
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import transaction
from django.test import Client
from django.urls import reverse
from PIL import Image

from receiving import counting, discrepancies, dock, evidence, load_list, queries, release, sheet
from receiving.demo import history, load, pictures, plan, scenario, studio
from receiving.enums import ArrivalState, Kind, LookedPlace, PhotoPurpose, SignOutcome
from receiving.identifiers import scac, sscc
from receiving.models import (
    Arrival,
    Carrier,
    Carton,
    Discrepancy,
    Event,
    ExceptionSheet,
    Membership,
    Moment,
    Person,
    Photo,
    Scan,
    Shipment,
    Site,
)

NOW = datetime(2026, 3, 4, 16, 20, tzinfo=UTC)
FIRST_ADDRESSES = "As the clerk, open first:"
ROLES = {"receiver", "lead", "clerk", "manager", "viewer", "admin"}


def run_demo(**options):
    out, err = StringIO(), StringIO()
    call_command("demo", small=True, now=NOW.isoformat(), stdout=out, stderr=err, no_color=True, **options)
    return out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    """What the command printed. Loaded once for this module, and rolled back after it."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield run_demo()
        transaction.set_rollback(True)


@pytest.fixture
def loaded(demo, db):
    return demo


def logins(out):
    lines = out.splitlines()
    return [line.split()[0] for line in lines[1 : lines.index(FIRST_ADDRESSES)]]


def test_every_printed_login_signs_in_and_nothing_else_is_printed(loaded):
    out, _err = loaded
    assert set(logins(out)) == ROLES
    password = scenario.read()["password"]
    assert f"“{password}”" in out.splitlines()[0]
    for username in logins(out):
        for attempt, status in ((password, 302), ("another password", 200)):
            answer = Client().post(reverse("login"), {"username": username, "password": attempt})
            assert answer.status_code == status, username


def test_only_the_printed_logins_can_sign_in(loaded):
    others = Person.objects.exclude(username__in=ROLES)
    assert others.count() == len(scenario.read()["people"]) - len(ROLES)
    assert not any(person.has_usable_password() for person in others)


def test_the_password_passes_our_own_rules(loaded):
    for person in Person.objects.filter(username__in=ROLES):
        validate_password(scenario.read()["password"], person)


def test_there_is_one_login_for_each_role(loaded):
    roles = Membership.objects.filter(person__username__in=ROLES - {"admin"}).values_list("person__username", "role")
    assert all(username == role for username, role in roles) and len(roles) == 5
    assert Membership.objects.get(person__username="manager").site is None
    assert Person.objects.get(is_superuser=True).username == "admin"


def test_every_trailer_adds_up_and_none_left_with_pieces_missing(loaded):
    states = Counter()
    for arrival in Arrival.objects.exclude(state__in=[ArrivalState.EXPECTED, ArrivalState.CANCELLED]):
        square = queries.trailer_squaring(arrival)
        states[arrival.state] += 1
        assert square.adds_up and not square.contradiction, (arrival, square)
        overs = Discrepancy.objects.live().filter(arrival=arrival, kind=Kind.OVER).count()
        assert square.over == overs, (arrival, square)
        assert arrival.state != ArrivalState.RELEASED or not square.missing, (arrival, square)
    assert states[ArrivalState.RELEASED] == plan.SMALL_VISITS


def test_what_a_carton_says_of_its_receipt_is_what_was_scanned(loaded):
    scanned = Counter(Scan.objects.values_list("carton", flat=True))
    received = dict(Carton.objects.filter(received__gt=0).values_list("pk", "received"))
    assert scanned == received and received


def test_the_evidence_verifies(loaded):
    out = StringIO()
    call_command("verify_evidence", stdout=out)
    assert out.getvalue().count("events and all files match") == 2
    assert Photo.objects.count() > 10 and ExceptionSheet.objects.count() >= 2


def test_a_second_run_changes_nothing_and_says_so(loaded):
    def everything():
        counts = {model: model._default_manager.count() for model in apps.get_app_config("receiving").get_models()}
        return counts, [evidence.head(site) for site in Site.objects.order_by("code")]

    before = everything()
    out, err = run_demo()
    assert everything() == before
    assert (out, err) == (loaded[0], "The demo is loaded already; nothing was changed.\n")


def test_no_address_leads_to_anybody(loaded):
    addresses = [
        *Person.objects.values_list("email", flat=True),
        *Carrier.objects.values_list("claims_email", flat=True),
    ]
    assert len(addresses) > 10
    assert all(address.endswith(".example") for address in addresses)


def test_every_label_is_a_carton_id_of_the_demonstration_prefix(loaded):
    labels = [*Carton.objects.values_list("label", flat=True), *Discrepancy.objects.values_list("label", flat=True)]
    labels = [label for label in labels if label]
    assert len(labels) > 200
    assert all(sscc.is_valid(label) and label[1:4] == scenario.PREFIX for label in labels)
    assert Carton.objects.count() == len(set(Carton.objects.values_list("label", flat=True)))


def test_the_carriers_are_seven_and_a_broker_with_invented_codes(loaded):
    assert Counter(Carrier.objects.values_list("kind", flat=True)) == {"carrier": 7, "broker": 1}
    codes = Carrier.objects.values_list("scac", flat=True)
    assert all(scac.is_valid(code) and code.startswith("ZZ") for code in codes) and len(set(codes)) == 8
    assert len({store for site in Site.objects.all() for store in site.stores.all()}) == 24
    assert len(set(Site.objects.values_list("time_zone", flat=True))) == 2


def test_nothing_has_happened_yet_that_lies_ahead(loaded):
    for model in (Moment, Event, Photo, Scan, Discrepancy):
        newest = model.objects.order_by("-found_at" if model is Discrepancy else "-at").first()
        assert (newest.found_at if model is Discrepancy else newest.at) <= NOW, newest
    for arrival in Arrival.objects.all():
        told = list(arrival.events.order_by("seq").values_list("at", flat=True))
        assert told == sorted(told), arrival


def test_who_released_on_paper_has_no_sheet_and_the_record_says_so(loaded):
    released = Arrival.objects.filter(state=ArrivalState.RELEASED)
    with_sheet = released.filter(sheets__isnull=False)
    assert with_sheet.count() == load.SMALL_SHEETS
    for arrival in released.filter(sheets__isnull=True):
        assert arrival.moments.get(kind="released").note == history.ON_PAPER
    for arrival in with_sheet:
        assert release.pdf_bytes(release.current_sheet(arrival)).startswith(b"%PDF-")


def test_the_first_minute(loaded):
    """The trailer at the first site's door: one set aside, some missing; squared, signed and gone with its sheet."""
    lead, at = Person.objects.get(username="lead"), NOW
    arrival = Arrival.objects.get(site__code="ALD", state=ArrivalState.UNLOADING)
    shipment = arrival.shipments.get()
    assert queries.shipment_squaring(shipment).missing == 3
    aside = queries.open_set_asides(arrival).get()
    assert aside.photos.count() == 1
    code = arrival.site.damage_codes.get(code="CR")
    facts = {"extent": "packaging", "where_found": "conveyor", "attribution": "cannot_tell", "disposition": "held"}
    discrepancies.complete(
        aside, kind=Kind.DAMAGED, facts=facts, codes=[code], version=aside.version, actor=lead, at=at
    )
    dock.looked(arrival, uuid=uuid.uuid4(), places=[LookedPlace.NOSE], actor=lead, at=at)
    release.declare_missing(shipment, seen=3, actor=lead, at=at)
    arrival = dock.end_count(arrival, actor=lead, at=at)
    assert release.what_release_needs(arrival) == []
    sheets = ExceptionSheet.objects.filter(arrival__site=arrival.site).count()
    facts = {
        "notation": sheet.draft_notation(arrival),
        "outcome": SignOutcome.SIGNED,
        "signer": "Carmen Soto",
        "employer": "Quarterbell Freight",
        "signature": "",
        "typed": True,
        "witness": "",
        "device": "",
        "carrier_receipt": "none",
    }
    assert release.release(arrival, uuid=uuid.uuid4(), facts=facts, actor=lead, at=at).number == sheets + 1
    square = queries.trailer_squaring(arrival)
    assert (square.billed, square.short, square.over, square.received, square.good) == (40, 3, 1, 38, 35)


def test_more_can_be_counted_at_every_open_trailer(loaded):
    lead = Person.objects.get(username="lead")
    missing = Carton.objects.filter(arrival__site__code="ALD", arrival__state="unloading", received=0).first()
    reads = [counting.Read(missing.label)]
    (answer,) = counting.scan(missing.arrival, reads=reads, actor=lead, at=NOW)
    assert answer.counts and answer.store == missing.store


def test_the_list_to_try_fits_the_trailer_that_is_expected(loaded):
    shipment = Shipment.objects.get(bill_number=scenario.BILL_TO_TRY)
    assert shipment.arrival.state == ArrivalState.EXPECTED and shipment.pieces == 900
    lead = Person.objects.get(username="lead")
    with scenario.LIST_TO_TRY.open("rb") as file:
        kept = load_list.receive_file(
            shipment, uuid=uuid.uuid4(), upload=file, filename=scenario.LIST_TO_TRY.name, actor=lead, at=NOW
        )
    preview = load_list.preview(kept)
    assert (preview.good_rows, preview.bad_rows, preview.beyond_bill, preview.new_stores) == (900, 0, 0, [])
    load_list.confirm(kept, actor=lead, at=NOW)
    labels = Carton.objects.filter(shipment=shipment).values_list("label", flat=True)
    assert len(labels) == 900 and all(sscc.is_valid(label) for label in labels)


# -- the plan of twelve months ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def visits():
    return plan.visits(scenario.read(), now=NOW)


def test_the_plan_is_the_same_for_the_same_moment(visits):
    assert plan.visits(scenario.read(), now=NOW) == visits


def test_twelve_months_hold_some_fifty_trailers_each(visits):
    assert 550 < len(visits) < 660
    months = Counter(f"{visit.at:%Y-%m}" for visit in visits)
    whole = [count for month, count in months.items() if month not in ("2025-03", "2026-03")]
    assert len(whole) == 11 and all(38 <= count <= 64 for count in whole), months
    assert visits == sorted(visits, key=lambda visit: (visit.at, visit.site))
    assert visits[-1].at < NOW - timedelta(hours=3)
    pieces = [sum(bill.pieces for bill in visit.bills) for visit in visits]
    assert 880 < sum(pieces) / len(pieces) < 920


def test_the_plan_has_one_carrier_of_each_story(visits):
    part = {row["name"]: row["part"] for row in scenario.read()["carriers"]}
    damaged, pieces, worst, trailers = Counter(), Counter(), Counter(), Counter()
    for visit in visits:
        story = part[visit.carrier]
        trailers[story] += 1
        pieces[story] += sum(bill.pieces for bill in visit.bills)
        damaged[story] += sum(bill.damaged for bill in visit.bills)
        worst[story] = max(worst[story], sum(bill.damaged for bill in visit.bills))
    rate = {story: 1000 * damaged[story] / pieces[story] for story in pieces}
    assert trailers["too small to tell"] == 4
    assert rate["worse"] > 2 * rate["ordinary"]
    assert rate["better"] < 0.6 * rate["ordinary"]
    assert worst["one bad trailer"] >= plan.BAD_TRAILER_SIZE
    good_days = (damaged["one bad trailer"] - worst["one bad trailer"]) / pieces["one bad trailer"]
    assert 1000 * good_days < rate["ordinary"]


# -- its pictures -----------------------------------------------------------------------------------------------------


def test_the_pictures_are_small_and_all_there():
    found = sorted(scenario.PICTURES.glob("*.jpg"))
    assert len(found) >= 20
    for path in found:
        with Image.open(path) as picture:
            assert (picture.format, picture.size) == ("JPEG", (1280, 960))
        assert 40_000 <= path.stat().st_size <= 90_000, path.name


def labelled(name, piece):
    """The bytes of this picture with the piece's own label on it."""
    picture = pictures.of_own(name, piece)
    return picture and picture.original


def original(photo):
    with default_storage.open(photo.original) as file:
        return file.read()


def test_a_label_that_can_be_read_is_the_pieces_own_and_the_damage_is_its_codes(loaded):
    rows = Photo.objects.filter(discrepancy__isnull=False).select_related("discrepancy__store", "discrepancy__carton")
    own = {PhotoPurpose.LABEL: 0, PhotoPurpose.PIECE: 0}
    for photo in rows.filter(purpose__in=own).order_by("pk"):
        piece = photo.discrepancy
        if photo.purpose == PhotoPurpose.LABEL:
            shown = pictures.names("label")
        else:
            shown = pictures.names(pictures.SHOWING[piece.codes[0]["code"]] if piece.codes else "wet")
        drawings = {name: labelled(name, piece) for name in shown}
        if original(photo) in drawings.values():
            own[photo.purpose] += 1
            continue
        assert photo.purpose == PhotoPurpose.PIECE, "a label from near is always the piece's own"
        shared = {hashlib.sha256(shared_picture(name)).hexdigest() for name in shown}
        assert photo.sha256 in shared, (str(piece), piece.codes)
    assert own[PhotoPurpose.LABEL] > 10 and own[PhotoPurpose.PIECE] > 3


@cache
def shared_picture(name):
    stem = name.removesuffix(".jpg")
    if "label" in studio.spots().get(stem, {}):
        return studio.inked(stem, "label", studio.far_label())
    return (scenario.PICTURES / name).read_bytes()


def test_a_seal_is_shown_with_its_own_number(loaded):
    rows = list(Photo.objects.filter(seal__isnull=False).select_related("seal"))
    assert rows
    for photo in rows:
        names = pictures.names("seal") + pictures.names("seal_cut")
        assert original(photo) in {pictures.of_seal(name, photo.seal).original for name in names}


@pytest.mark.parametrize(
    ("code", "goods", "fits"),
    [
        ("LK", "Throw blanket", "CR"),
        ("LK", "Olive oil, bottles", "LK"),
        ("BK", "Bath towels, cotton", "CR"),
        ("BK", "Glass storage jars", "BK"),
        ("LK", "", "LK"),
        ("TO", "Throw blanket", "TO"),
    ],
)
def test_what_cannot_leak_or_break_does_not(code, goods, fits):
    assert pictures.fitting(code, goods) == fits


def test_broken_goods_are_those_on_the_list():
    listed = {row[0] for rows in scenario.read()["goods"].values() for row in rows}
    assert pictures.LIQUIDS | pictures.BREAKS.keys() <= listed
    for goods, beginning in pictures.BREAKS.items():
        assert pictures.inside("BK", goods, Random(1)) in pictures.names(beginning)


def test_a_receipt_tells_what_is_noted_without_the_ids():
    assert pictures.lines("3 cartons short: 195..., 196...; 2 cartons crushed: 197...; seal 0123456 intact.") == [
        "3 cartons short",
        "2 cartons crushed",
        "seal 0123456 intact",
    ]
