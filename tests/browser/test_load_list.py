"""The phone answers a scan as the server does: the same labels through both, in real Chromium, in both languages."""

import json
import random
import uuid
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from receiving import counting, discrepancies, identifiers, matching
from receiving.enums import ArrivalState, Role
from receiving.models import Arrival, Carton
from tests.builders import make_account, make_arrival, make_cartons, make_person, make_site, make_store, sscc

pytestmark = pytest.mark.django_db
STATIC = Path(__file__).parents[2] / "receiving" / "static" / "receiving" / "js"
ROOT = "http://phone.test"
# What only the server knows: the number of the scan and the pieces logged at other times.
SERVERS_OWN = {"uuid", "at", "repeated", "message", "piece"}
JUDGE = """
async ({own, others, scans, pallet, bill, now}) => {
  const {Lists} = await import("/load_list.js");
  const lists = new Lists(own, others, {person: "Alice Ash", log: "/NOR/trailer/1/log/"});
  return scans.map((raw) => {
    const answer = lists.judge(raw, {pallet, bill, now});
    if (!answer.refused) lists.apply(answer, now);
    return answer;
  });
}
"""
READ = """
async (texts) => {
  const {readScan, tidy, grouped} = await import("/label.js");
  return texts.map((raw) => {
    try {
      const {kind, label} = readScan(raw);
      return [kind, label, grouped(label)];
    } catch (why) {
      return [why.code, tidy(raw), why.named];
    }
  });
}
"""


@pytest.fixture(scope="module")
def modules(browser):
    """A bare page that can import the phone's modules."""

    def serve(route):
        name = route.request.url.removeprefix(ROOT).lstrip("/")
        if name:
            route.fulfill(path=STATIC / name, content_type="text/javascript")
        else:
            route.fulfill(body="<!doctype html><title>modules</title>", content_type="text/html")

    context = browser.new_context()
    context.route("**/*", serve)
    page = context.new_page()
    page.goto(f"{ROOT}/")
    yield page
    context.close()


# --- labels -----------------------------------------------------------------------------------------------------------

GS = "\x1d"
DRESS = [
    "{}",
    " {} ",
    "00{}",
    "(00){}",
    "(00) {}",
    "( 00 ){}",
    "]C100{}",
    "]C1]C100{}",
    f"00{{}}{GS}10LOT7",
    "]C100{}10LOT7",
    "]C10200012345678905{}",
    "]C1" + GS + "00{}",
    "]C000{}",
    "{}\r\n",
    "\x02{}\x03",
    "(00){}(10)LOT",
]
ODD = [
    "",
    "   ",
    "box 7/12",
    "  Box\t7/12 ",
    "straße",
    "ﬁne print",
    "１９５２",
    "a" * 48,
    "a" * 49,
    "🜚" * 48,
    "x" * 200,
    "half\x01way",
    "zero​width",
    "right‮left",
    f"a{GS}b",
    f"{GS}",
    "]C1",
    "]C100",
    "]C1001952123400000000",
    "]C1019521234543213612345",
    "]C10109521234543213",
    "]C10109521234543214",
    "(01)09521234543213",
    "(02)09521234543213(37)12",
    "(10)LOT",
    "9521234543213",
    "9521234543214",
    "95212349",
    "(00)123",
    f"]C100{sscc(1)}{GS}00{sscc(2)}",
    f"(00){sscc(1)}(00){sscc(2)}",
    "(00)19521234000000001O",
    "195 2123 4000 0000 010",
    "19521234.00000.0001-0",
    "http://x/y/piece/",
    " ",
    " A ",
    "﻿A",
    "A.",
    "İstanbul",
]
SPOILED = [sscc(1)[:-1] + digit for digit in "0123456789"]
TEXTS = [dress.format(sscc(n)) for n, dress in enumerate(DRESS, 1)] + ODD + SPOILED


def read_here(raw):
    try:
        scan = identifiers.read_scan(raw)
    except identifiers.NotValid as why:
        return [why.code, matching.tidy(raw.replace(GS, " ")), why.params]
    is_sscc = identifiers.sscc.is_valid(scan.label)
    return [scan.kind, scan.label, identifiers.sscc.format(scan.label) if is_sscc else scan.label]


def test_every_form_of_a_label_is_read_as_the_server_reads_it(modules):
    for raw, there in zip(TEXTS, modules.evaluate(READ, TEXTS), strict=True):
        assert there == read_here(raw), repr(raw)


# A browser may know newer letters than Python does: only those that both know.
KNOWN = st.text(st.characters(exclude_categories=["Cn", "Cs"]), max_size=4)
PARTS = st.sampled_from([*DRESS, "]C1", "(01)", "(00)", "00", "01", GS, " ", "-", "10LOT", sscc(3), sscc(4)[:-1], "{}"])
JUMBLE = st.lists(PARTS | KNOWN, max_size=6).map(lambda parts: "".join(parts).replace("{}", sscc(9)))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(JUMBLE, min_size=1, max_size=30))
def test_any_jumble_of_parts_is_read_as_the_server_reads_it(modules, texts):
    for raw, there in zip(texts, modules.evaluate(READ, texts), strict=True):
        assert there == read_here(raw), repr(raw)


# --- answers ----------------------------------------------------------------------------------------------------------


class Dock:
    """A site with a trailer being counted, others beside it, pallets, and cartons of every kind."""

    def __init__(self, client, language):
        self.client = client
        self.site, self.account = make_site(), make_account("Juniper Home Stores")
        self.alice = make_person(Role.LEAD, self.site, "alice", last_name="Ash", language=language)
        client.force_login(self.alice)
        self.stores = [make_store(self.site, self.account, n, name=name) for n, name in STORES]
        self.now = timezone.now()

    def trailer(self, cartons=0, start=1, state=ArrivalState.UNLOADING, bills=1):
        pieces = max(cartons, 5)
        arrival = make_arrival(self.site, actor=self.alice, state=state, pieces=pieces, account=self.account)
        if cartons:
            make_cartons(arrival.shipments.get(), cartons, stores=self.stores, start=start)
        return arrival

    def scan(self, arrival, labels, ago=timedelta(), **given):
        reads = [counting.Read(label) for label in labels]
        return counting.scan(arrival, reads=reads, actor=self.alice, at=self.now - ago, **given)

    def fill(self):
        """The trailer that is counted: some hundred cartons, some of them in every state a carton can be in."""
        arrival = self.trailer(140)
        mine = Carton.objects.filter(arrival=arrival)
        rerouted = [sscc(n) for n in range(20, 26)]
        mine.filter(label__in=rerouted).update(new_store=self.stores[2], fragile=True)
        mine.filter(label=sscc(30)).update(hazmat=True, food=True)
        for line, label in enumerate(["BOX 7/12", "9521234543213", "STRASSE"], 500):
            Carton.objects.create(
                site=self.site,
                arrival=arrival,
                shipment=arrival.shipments.get(),
                line=line,
                label=label,
                store=self.stores[0],
                expected=3,
            )
        self.scan(arrival, [sscc(n) for n in range(40, 50)], timedelta(minutes=7))
        self.scan(arrival, [sscc(n) for n in range(50, 60)], timedelta(days=40))
        self.scan(arrival, ["BOX 7/12"])
        discrepancies.declare_short(
            arrival.shipments.get(),
            cartons=mine.filter(label__in=[sscc(n) for n in range(60, 66)]),
            actor=self.alice,
            at=self.now,
        )
        self.pallet = counting.open_pallet(
            self.site, store=self.stores[0], uuid=uuid.uuid4(), actor=self.alice, at=self.now
        )
        counting.open_pallet(self.site, store=self.stores[2], uuid=uuid.uuid4(), actor=self.alice, at=self.now)
        return arrival

    def neighbours(self):
        """Trailers whose cartons may come to light: one unloading, one at its door, one expected."""
        here = self.trailer(12, start=300)
        Carton.objects.create(
            site=self.site,
            arrival=here,
            shipment=here.shipments.get(),
            line=90,
            label="LOOSE",
            store=self.stores[1],
            received=1,
            expected=1,
        )
        self.scan(here, [sscc(300)], timedelta(minutes=90))
        self.trailer(5, start=320, state=ArrivalState.AT_DOOR)
        self.trailer(5, start=330, state=ArrivalState.EXPECTED)

    def data(self, arrival):
        answer = self.client.get(reverse("cartons_json", args=["NOR", arrival.number]))
        assert answer.status_code == 200
        return json.loads(answer.content)

    def lists(self, arrival):
        own = self.data(arrival)
        numbers = [number for number, _trailer, _state in own["others"]]
        others = [self.data(Arrival.objects.get(site=self.site, number=number)) for number in numbers]
        return own, others

    def both(self, modules, arrival, labels, pallet=None, bill=None):
        """[(label, what the server answers, what the phone answers)], each having counted the labels before."""
        own, others = self.lists(arrival)
        rows = [{"uuid": str(uuid.uuid4()), "label": label} for label in labels]
        sent = {"uuid": str(uuid.uuid4()), "labels": json.dumps(rows)}
        sent |= {"pallet": pallet.number} if pallet else {}
        sent |= {"shipment": bill} if bill else {}
        url = reverse("count_scan", args=["NOR", arrival.number])
        answer = self.client.post(url, sent, headers={"Accept": "application/json"})
        assert answer.status_code == 201, answer.content
        told = answer.json()
        now = timezone.now().timestamp() * 1000
        asked = {"own": own, "others": others, "scans": labels, "pallet": pallet and pallet.number, "bill": bill}
        phone = modules.evaluate(JUDGE, asked | {"now": now})
        for one in told["scans"]:
            one["log"] = one["log"] and one["log"].replace(f"/trailer/{arrival.number}/", "/trailer/1/")
        return list(zip(labels, told["scans"], phone, strict=True))


STORES = [("0417", "Harbour Street"), ("0105", ""), ("0233", "Mill Lane"), ("0808", "Ash & Elm")]


@pytest.fixture(params=["en", "es"])
def dock(request, client):
    return Dock(client, request.param)


def same(found):
    assert found
    for label, server, phone in found:
        expected = {name: value for name, value in server.items() if name not in SERVERS_OWN}
        assert {name: phone.get(name) for name in expected} == expected, repr(label)


def many(seed):
    """Some three hundred labels: every carton once or more, in some dress, misread ones and strangers between them."""
    chance = random.Random(seed)
    numbers = [*range(1, 145), *range(40, 70), *range(298, 314), *range(318, 337), *range(20, 30)]
    labels = [chance.choice(DRESS).format(sscc(n)) for n in numbers]
    labels += [sscc(n)[:-1] + chance.choice("0123456789") for n in range(1, 30)]
    labels += ["box 7/12"] * 4 + ["straße", "9521234543213", "LOOSE", "NO SUCH", "no such"] + ODD
    chance.shuffle(labels)
    return labels


@pytest.mark.parametrize("in_hand", [False, True], ids=["no pallet", "pallet"])
def test_hundreds_of_labels_are_answered_alike(dock, modules, in_hand):
    arrival = dock.fill()
    dock.neighbours()
    labels = many(7 + in_hand)
    found = dock.both(modules, arrival, labels, pallet=dock.pallet if in_hand else None)
    same(found)
    results = {server["result"] for _label, server, _phone in found}
    assert results >= {"counted", "already", "other_trailer", "other_waiting", "found", "not_listed", "bad_label"}
    assert results >= ({"wrong_pallet", "placed"} if in_hand else set())


def test_without_a_list_labels_are_counted_blind_alike(dock, modules):
    arrival = dock.trailer()
    dock.scan(arrival, ["A1", "A2"], timedelta(hours=30))
    same(dock.both(modules, arrival, ["A1", "a3", "A3", sscc(5), "A2", sscc(6)[:-1] + "x", *ODD]))


def test_a_trailer_that_has_left_is_only_looked_up_alike(dock, modules):
    arrival = dock.trailer(6)
    dock.scan(arrival, [sscc(1), sscc(2), sscc(3), sscc(4)])
    discrepancies.declare_short(
        arrival.shipments.get(),
        cartons=arrival.cartons.filter(label__in=[sscc(5), sscc(6)]),
        actor=dock.alice,
        at=dock.now,
    )
    gone = {"state": ArrivalState.RELEASED, "released_at": timezone.now() - timedelta(hours=2)}
    Arrival.objects.filter(pk=arrival.pk).update(**gone)
    left = Arrival.objects.get(pk=arrival.pk)
    same(dock.both(modules, left, [sscc(1), sscc(5), sscc(6), sscc(7), "NO SUCH", sscc(1)[:-1] + "9"]))


def refusal(dock, modules, arrival, label, **given):
    """(the server's sentence, the phone's) for one scan that is refused."""
    own, others = dock.lists(arrival)
    sent = {"uuid": str(uuid.uuid4()), "label": label} | {name: value for name, value in given.items() if value}
    url = reverse("count_scan", args=["NOR", arrival.number])
    answer = dock.client.post(url, sent, headers={"Accept": "application/json"})
    assert answer.status_code == 422
    asked = {"own": own, "others": others, "scans": [label], "pallet": given.get("pallet"), "bill": None, "now": 0}
    return answer.json()["errors"][0]["message"], modules.evaluate(JUDGE, asked)[0]["refused"]


def test_what_the_server_refuses_the_phone_refuses_in_its_words(dock, modules):
    arrival = dock.trailer(4)
    closed = counting.open_pallet(dock.site, store=dock.stores[0], uuid=uuid.uuid4(), actor=dock.alice, at=dock.now)
    dock.scan(arrival, [sscc(1)], pallet=closed)
    counting.close_pallet(closed, actor=dock.alice, at=dock.now)
    server, phone = refusal(dock, modules, arrival, sscc(2), pallet=closed.number)
    assert (phone, "L-1" in phone) == (server, True)
    server, phone = refusal(dock, modules, arrival, "https://dock.example/NOR/piece/412/")
    assert (phone, "P-412" in phone) == (server, True)
    waiting = dock.trailer(2, start=50, state=ArrivalState.AT_DOOR)
    server, phone = refusal(dock, modules, waiting, sscc(50))
    assert (phone, waiting.trailer_number in phone) == (server, True)


def test_several_bills_without_a_list_must_be_chosen_from_alike(dock, modules):
    arrival = dock.trailer()
    second = dock.trailer().shipments.get()
    arrival.shipments.model.objects.filter(pk=second.pk).update(arrival=arrival, position=2)
    server, phone = refusal(dock, modules, arrival, "A1")
    assert (phone, "A1" in phone) == (server, True)
    same(dock.both(modules, arrival, ["A1", "a1"], bill=second.pk))
