"""The outbox alone, in a real browser on a bare page, against a server whose every answer the test decides."""

import hashlib
import json
import time
from email import message_from_bytes

import pytest
from playwright.sync_api import Error

pytestmark = pytest.mark.django_db(transaction=True)

BEGIN = """
async (person) => {
  document.documentElement.dataset.person = person
  document.documentElement.dataset.site = 'ALD'
  window.outbox = await import('/static/receiving/js/outbox.js')
  window.heard = []
  outbox.on((event) => { if (event.type !== 'changed') heard.push(event) })
}
"""
LOG = "/ALD/trailer/4/log/"
OTHER = "/ALD/trailer/5/log/"
PHOTOS = "/ALD/trailer/4/photos/"


class Server:
    """Answers what the test says, in the order it says, and then that all is stored."""

    def __init__(self):
        self.person = 7
        self.here = True
        self.missed = 0  # how often somebody asked while it was not here
        self.taken = []  # (path, fields, files, headers) of every record that was answered with 201
        self.tried = []
        self.answers = {}  # path or UUID: list of (status, JSON) or "cut"
        self.reports = []

    def __call__(self, route):
        request = route.request
        path = "/" + request.url.split("/", 3)[3].split("?")[0]
        if not self.here:
            self.missed += 1
            return route.abort()
        if path == "/ALD/phone/":
            told = {"person": self.person, "name": "Ana", "may_work": True, "csrf": "token", "now": "", "release": "1"}
            return route.fulfill(json=told)
        fields, files = parts(request)
        if path == "/ALD/phone/report/":
            self.reports.append(json.loads(fields["report"]))
            return route.fulfill(json={"person": self.person, "phone_number": 3})
        self.tried.append(fields["uuid"])
        waiting = self.answers.get(fields["uuid"]) or self.answers.get(path)
        answer = waiting.pop(0) if waiting else (201, None)
        if answer == "cut":
            return route.abort()
        status, said = answer
        if status == 201:
            self.taken.append((path, fields, files, request.headers))
            said = said or stored(path, files)
        if isinstance(said, str):
            return route.fulfill(status=status, body=said, content_type="text/html")
        return route.fulfill(status=status, json=said)

    def order(self):
        return [fields["uuid"] for _path, fields, _files, _headers in self.taken]


def stored(path, files):
    hashes = [{"sha256": hashlib.sha256(content).hexdigest()} for content in files.values()]
    if path.endswith("/handed-in/"):
        return {"handed_in": {"number": 1}, "files": hashes}
    return {"photo": hashes[0]} if hashes else {"piece": {"number": 12}}


def parts(request):
    body = b"Content-Type: " + request.headers["content-type"].encode() + b"\r\n\r\n" + request.post_data_buffer
    fields, files = {}, {}
    for part in message_from_bytes(body).get_payload():
        name, content = part.get_param("name", header="content-disposition"), part.get_payload(decode=True)
        if part.get_filename():
            files[name] = content
        else:
            fields[name] = content.decode()
    return fields, files


@pytest.fixture
def server():
    return Server()


@pytest.fixture
def page(phone, server):
    phone.context.route("**/ALD/**", server)
    begin(phone)
    return phone


def begin(page, person=7):
    page.goto("/login/")
    page.evaluate(BEGIN, str(person))


def put(page, url=LOG, **record):
    """Stores a record; `data` gives it one photo of those bytes."""
    script = """
    async ({url, data, ...record}) => {
      const files = data ? [new File([data], 'a.jpg', {type: 'image/jpeg', lastModified: 1700000000000})] : []
      const kind = files.length ? 'photo' : 'piece'
      return outbox.put({url, kind, title: 'Damaged', fields: [['label', 'L1']], files, ...record})
    }
    """
    return page.evaluate(script, {"url": url} | record)


def settled(page):
    """Waits for the rounds that are under way."""
    page.evaluate("outbox.flush()")


def counts(page):
    return page.evaluate("outbox.counts()")


def until(page, condition, patience=15):
    """Waits until the outbox's counts are so."""
    end = time.monotonic() + patience
    while not page.evaluate(f"outbox.counts().then({condition})"):
        assert time.monotonic() < end, counts(page)
        page.wait_for_timeout(100)


def states(page):
    return dict(page.evaluate("outbox.list().then(rows => rows.map(row => [row.uuid, row.state]))"))


def test_a_record_is_sent_with_its_number_and_then_forgotten(page, server):
    uuid = put(page)
    settled(page)
    (path, fields, _files, headers), *more = server.taken
    assert (path, fields, more) == (LOG, {"label": "L1", "uuid": uuid}, [])
    assert headers["x-csrftoken"] == "token"
    assert headers["accept"] == "application/json"
    assert headers["x-outbox"] == "1"
    assert len(headers["x-phone"]) == 36
    assert headers["x-made-at"].endswith("Z")
    assert headers["x-device-now"] >= headers["x-made-at"]
    assert states(page) == {}
    assert counts(page) == {"waiting": 0, "refused": 0, "others": 0, "records": 0, "photos": 0, "oldest": None}
    assert [row["uuid"] for row in page.evaluate("outbox.arrived()")] == [uuid]
    event = page.evaluate("heard.find(event => event.type === 'stored')")
    assert (event["uuid"], event["answer"]) == (uuid, {"piece": {"number": 12}})


def test_without_an_answer_it_waits_and_goes_by_itself_when_the_network_is_back(page, server):
    server.here = False
    first, second = put(page), put(page)
    settled(page)
    assert states(page) == {first: "waiting", second: "waiting"}
    assert counts(page)["waiting"] == 2
    server.here = True
    page.evaluate("outbox.start()")
    page.evaluate("window.dispatchEvent(new Event('online'))")
    until(page, "counts => counts.waiting === 0")
    assert server.order() == [first, second]


def test_many_in_a_row_do_not_each_try_a_network_that_is_gone(page, server):
    server.here = False
    put(page)
    settled(page)
    before = server.missed
    for _turn in range(8):
        put(page)
    page.wait_for_timeout(200)
    assert server.missed - before <= 2
    assert counts(page)["waiting"] == 9


def test_the_head_counts_what_waits_without_reading_it(page, server):
    server.here = False
    put(page, kind="scan", url="/ALD/trailer/4/count/scan/")
    put(page, kind="tally", url="/ALD/trailer/4/count/tally/1/")
    piece, photo = put(page, made_at="2026-03-02T06:00:00.000Z"), put(page, data="picture", url=PHOTOS)
    page.evaluate("uuid => outbox.put({uuid, url: '/ALD/trailer/4/log/', kind: 'piece', state: 'draft'})", "d" * 8)
    page.evaluate("document.documentElement.dataset.person = 8")
    put(page)
    page.evaluate("document.documentElement.dataset.person = 7")
    assert page.evaluate("outbox.tally()") == {"waiting": 4, "refused": 0, "oldest": "2026-03-02T06:00:00.000Z"}
    assert page.evaluate("outbox.listOfFew().then(rows => rows.map(row => row.uuid))") == [piece, photo]
    server.here = True
    server.answers[LOG] = [(422, {"errors": [{"code": "x", "field": None, "message": "No."}]})]
    settled(page)
    assert page.evaluate("outbox.tally()") == {"waiting": 0, "refused": 1, "oldest": "2026-03-02T06:00:00.000Z"}


def test_it_tries_again_by_the_clock_alone(page, server):
    server.here = False
    uuid = put(page)
    settled(page)
    server.here = True
    until(page, "counts => counts.waiting === 0")
    assert server.order() == [uuid]


def test_what_was_stored_though_the_answer_was_lost_goes_once_more_under_its_number(page, server):
    uuid = put(page)
    settled(page)
    server.answers[LOG] = ["cut"]
    again = put(page)
    settled(page)
    page.evaluate("outbox.flush({eager: true})")
    assert server.tried == [uuid, again, again]
    assert states(page) == {}


def test_closing_the_page_loses_nothing(page, server):
    server.here = False
    uuid = put(page)
    photo = put(page, PHOTOS, data="a picture", after=uuid)
    begin(page)
    assert states(page) == {uuid: "waiting", photo: "waiting"}
    server.here = True
    page.evaluate("outbox.flush({eager: true})")
    until(page, "counts => counts.waiting === 0")
    assert server.order() == [uuid, photo]
    assert server.taken[1][2] == {"photo": b"a picture"}


def test_what_stood_as_being_sent_is_sent_again(page, server):
    server.here = False
    uuid = put(page)
    settled(page)
    change = """
    async (uuid) => {
      const store = await import('/static/receiving/js/outbox_store.js')
      await store.change(uuid, (was) => ({...was, state: 'sending'}))
    }
    """
    page.evaluate(change, uuid)
    begin(page)
    server.here = True
    settled(page)
    assert server.order() == [uuid]


def test_a_refused_record_stays_with_the_servers_sentence_and_holds_up_nobody(page, server):
    error = {"code": "invalid", "field": "label", "message": "Too long."}
    server.answers[LOG] = [(422, {"errors": [error]})]
    bad = put(page)
    hanging, free = put(page, PHOTOS, data="x", after=bad), put(page)
    settled(page)
    assert server.order() == [free]
    assert states(page) == {bad: "refused", hanging: "waiting"}
    assert page.evaluate("uuid => outbox.find(uuid).then(row => row.why)", bad) == [error]
    assert counts(page)["refused"] == 1
    assert page.evaluate("heard.find(event => event.type === 'refused').errors") == [error]
    page.evaluate("uuid => outbox.retry(uuid)", bad)
    until(page, "counts => !counts.waiting && !counts.refused")
    assert server.order() == [free, bad, hanging]


def test_a_mended_record_keeps_its_number(page, server):
    server.answers[LOG] = [(422, {"errors": [{"code": "invalid", "field": "label", "message": "Too long."}]})]
    uuid = put(page)
    settled(page)
    assert page.evaluate("uuid => outbox.mend(uuid, [['label', 'L2']])", uuid) == uuid
    settled(page)
    assert server.taken[0][1] == {"label": "L2", "uuid": uuid}


def test_a_number_used_for_something_else_is_given_up_when_mended(page, server):
    server.answers[LOG] = [(409, {"errors": [{"code": "uuid_reused", "field": None, "message": "Something else."}]})]
    uuid = put(page)
    photo = put(page, PHOTOS, data="x", after=uuid, fields=[["piece", uuid]])
    settled(page)
    fresh = page.evaluate("uuid => outbox.mend(uuid, [['label', 'L2']])", uuid)
    assert fresh != uuid
    until(page, "counts => !counts.waiting && !counts.refused")
    assert server.order() == [fresh, photo]
    assert server.taken[1][1]["piece"] == fresh


def test_what_is_discarded_goes_with_its_photos_and_the_server_is_told(page, server):
    server.answers[LOG] = [(422, {"errors": [{"code": "invalid", "field": None, "message": "No."}]})]
    uuid = put(page)
    put(page, PHOTOS, data="x", after=uuid, title="Photo")
    settled(page)
    server.here = False
    page.evaluate("uuid => outbox.discard(uuid, 'logged twice')", uuid)
    assert states(page) == {}
    settled(page)
    assert not any(report["discarded"] for report in server.reports)
    server.here = True
    begin(page)
    settled(page)
    told = [row for report in server.reports for row in report["discarded"]]
    assert [(row["title"], row["reason"], row["trailer"]) for row in told] == [
        ("Damaged", "logged twice", 4),
        ("Photo", "logged twice", 4),
    ]
    begin(page)
    settled(page)
    assert sum(len(report["discarded"]) for report in server.reports) == 2


def test_a_failing_record_holds_up_its_trailer_for_a_while_and_no_other(page, server):
    failing = page.evaluate("outbox.newUuid()")
    server.answers[failing] = [(500, "down")] * 9
    put(page, uuid=failing)
    later, elsewhere = put(page), put(page, OTHER)
    settled(page)
    assert server.order() == [elsewhere]
    for _ in range(3):
        page.evaluate("outbox.flush({eager: true})")
    assert server.order() == [elsewhere, later]
    assert states(page) == {failing: "waiting"}


def test_the_pause_doubles_up_to_five_minutes(page, server):
    uuid = page.evaluate("outbox.newUuid()")
    server.answers[uuid] = [(503, "down")] * 20
    put(page, uuid=uuid)
    settled(page)
    pauses = []
    for _ in range(11):
        pauses.append(page.evaluate("uuid => outbox.find(uuid).then(row => row.next_try - Date.now())", uuid) / 1000)
        page.evaluate("outbox.flush({eager: true})")
    for tries, pause in enumerate(pauses):
        usual = min(300, 2**tries)
        assert 0.75 * usual - 1 < pause <= 1.25 * usual
    assert pauses[10] > 200


def test_a_photo_is_forgotten_only_when_the_server_has_the_same(page, server):
    server.answers[PHOTOS] = [(201, {"photo": {"sha256": "0" * 64}})]
    uuid = put(page, PHOTOS, data="a picture")
    settled(page)
    assert states(page) == {uuid: "refused"}
    row = page.evaluate("uuid => outbox.find(uuid)", uuid)
    assert row["why"][0]["code"] == "hash_differs"
    assert row["files"][0]["sha256"] == hashlib.sha256(b"a picture").hexdigest()
    page.evaluate("uuid => outbox.retry(uuid)", uuid)
    until(page, "counts => !counts.waiting && !counts.refused")
    assert server.order()[1] != uuid
    assert server.taken[1][2] == {"photo": b"a picture"}


def test_a_slow_photo_does_not_hold_up_a_piece(page, server):
    pending = []
    page.context.route("**/photos/", lambda route: pending.append(route))
    put(page, PHOTOS, data="slow")
    uuid = put(page)
    page.wait_for_function("uuid => heard.some(event => event.type === 'stored' && event.uuid === uuid)", arg=uuid)
    assert counts(page)["photos"] == 1
    assert pending
    server(pending[0])
    until(page, "counts => !counts.photos")


def test_another_persons_records_are_counted_and_neither_shown_nor_sent(page, server):
    server.here = False
    uuid = put(page)
    settled(page)
    server.here = True
    begin(page, person=8)
    server.person = 8
    page.evaluate("outbox.flush({eager: true})")
    assert server.tried == []
    assert states(page) == {}
    assert (counts(page)["waiting"], counts(page)["others"]) == (0, 1)
    begin(page, person=7)
    page.evaluate("outbox.flush({eager: true})")
    assert server.tried == []
    assert page.evaluate("heard.at(-1).reason") == "other_person"
    server.person = 7
    page.evaluate("outbox.flush({eager: true})")
    assert server.order() == [uuid]


def test_signed_out_it_waits(page, server):
    page.context.route("**/ALD/phone/", lambda route: route.fulfill(status=302, headers={"Location": "/login/"}))
    uuid = put(page)
    page.evaluate("outbox.flush({eager: true})")
    assert states(page) == {uuid: "waiting"}
    assert page.evaluate("heard.at(-1)") == {"type": "held", "reason": "signed_out"}


def test_a_lost_right_hands_the_record_to_a_lead(page, server):
    server.answers[PHOTOS] = [(403, "no"), (403, "no")]
    uuid = put(page, PHOTOS, data="a picture", fields=[["purpose", "trailer"]])
    settled(page)
    ((path, fields, files, _headers),) = server.taken
    assert path == "/ALD/phone/handed-in/"
    assert fields["url"] == PHOTOS
    assert json.loads(fields["fields"]) == [["purpose", "trailer"]]
    assert fields["uuid"] == uuid
    assert files == {"photo": b"a picture"}
    assert states(page) == {}


def test_a_portals_page_stores_nothing(page, server):
    server.answers[LOG] = [(200, "<h1>Welcome to the yard's network</h1>")]
    uuid = put(page)
    settled(page)
    assert states(page) == {uuid: "waiting"}
    page.evaluate("outbox.flush({eager: true})")
    assert server.order() == [uuid]


def test_two_pages_send_each_record_once(page, server):
    other = page.context.new_page()
    begin(other)
    server.here = False
    numbers = [put(page) for _ in range(8)]
    server.here = True
    for each in (page, other):
        each.evaluate("void outbox.flush({eager: true})")
    for each in (page, other):
        until(each, "counts => counts.waiting === 0")
    assert server.tried == numbers
    heard = "heard.filter(event => event.type === 'stored').map(event => event.uuid)"
    assert page.evaluate(heard) == other.evaluate(heard) == numbers


def test_a_record_taken_back_is_never_sent(page, server):
    server.here = False
    uuid = put(page)
    settled(page)
    assert page.evaluate("uuid => outbox.takeBack(uuid)", uuid) is True
    server.here = True
    page.evaluate("outbox.flush({eager: true})")
    assert server.tried == []
    sent = put(page)
    settled(page)
    assert page.evaluate("uuid => outbox.takeBack(uuid)", sent) is False


def test_a_sent_record_that_somebody_waits_for_keeps_its_answer(page, server):
    uuid = put(page, keep=True)
    settled(page)
    begin(page)
    row = page.evaluate("uuid => outbox.find(uuid)", uuid)
    assert (row["state"], row["answer"]) == ("sent", {"piece": {"number": 12}})
    assert counts(page)["waiting"] == 0
    page.evaluate("uuid => outbox.forget(uuid)", uuid)
    assert page.evaluate("uuid => outbox.find(uuid)", uuid) is None


def test_the_report_names_what_waits_and_where_this_phone_worked(page, server):
    server.answers[LOG] = [(422, {"errors": [{"code": "invalid", "field": None, "message": "No."}]})]
    put(page)
    put(page, OTHER)
    settled(page)
    told = server.reports[-1]
    assert (told["refused"], told["waiting"], sorted(told["worked"])) == ({"4": 1}, {}, [4, 5])
    assert told["oldest"]
    assert len(told["phone"]) == 36
    assert told["clock"].endswith("Z")


def test_signing_out_wipes_ones_own_and_nobody_elses(page, server):
    server.here = False
    put(page, PHOTOS, data="x")
    begin(page, person=8)
    put(page)
    page.evaluate("outbox.wipe()")
    assert counts(page)["waiting"] == 0
    begin(page, person=7)
    assert counts(page)["waiting"] == 1


def test_a_file_that_cannot_be_read_is_refused_at_once(page, server):
    script = """
    () => outbox.put({url: '/ALD/trailer/4/photos/', files: [{name: 'gone.jpg',
      arrayBuffer: () => Promise.reject(new DOMException('gone', 'NotReadableError'))}]})
    """
    with pytest.raises(Error, match="NotReadableError"):
        page.evaluate(script)
    assert counts(page)["waiting"] == 0


# The database as the first phones had it, with one record that waits.
FIRST_TABLES = """
() => new Promise((resolve, reject) => {
  const asked = indexedDB.open('dock', 1)
  asked.onerror = () => reject(asked.error)
  asked.onupgradeneeded = () => {
    const records = asked.result.createObjectStore('records', {keyPath: 'uuid'})
    for (const name of ['blobs', 'meta']) asked.result.createObjectStore(name)
    asked.result.createObjectStore('drafts', {keyPath: 'key'})
    const made_at = '2026-03-02T06:00:00.000Z'
    records.put({uuid: 'old', person: 7, state: 'waiting', made_at, kind: 'piece', files: []})
  }
  asked.onsuccess = () => { asked.result.close(); resolve() }
})
"""


def test_a_phone_with_the_first_tables_keeps_what_waits_there(phone):
    phone.goto("/static/receiving/icon.svg")
    phone.evaluate(FIRST_TABLES)
    begin(phone)
    assert phone.evaluate("outbox.tally()") == {"waiting": 1, "refused": 0, "oldest": "2026-03-02T06:00:00.000Z"}
    assert phone.evaluate("outbox.find('old').then(row => row.kind)") == "piece"
