"""Making packets: numbered, superseding, stopped by a file that is not the recorded one, told once, one of two wins."""

import subprocess
import sys
import threading
import uuid
from io import BytesIO

import pytest
from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import connection
from pypdf import PdfReader

from claims import drafting, jobs
from claims.models import Claim, ClaimLine, Job, Packet
from claims.models.job import Stopping
from claims.packet import assemble, building, kept
from receiving import evidence
from receiving.models import Arrival, Event, Photo
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import losses, make_claim, make_load
from tests.claims.packets import (
    CARRIER,
    content_of,
    make_document,
    make_list,
    make_packet,
    make_pdf,
    make_photo,
    make_proved,
)
from tests.conftest import guards_down

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


@pytest.fixture
def claim(site, clerk):
    """A draft of one damaged piece with one photo."""
    return photographed(site, clerk)


def photographed(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=1, short=0, good=1)
    make_photo(shipment.arrival, actor=clerk, discrepancy=losses(shipment)[0])
    return make_claim(site, actor=clerk, shipment=shipment)


@pytest.fixture
def no_drawing(monkeypatch):
    """Where the files do not matter, the PDF is one small page."""
    page = make_pdf("A page")
    monkeypatch.setattr(building.pdf, "packet_pdf", lambda content, printed, papers, laid_out=None: page)


@pytest.fixture
def spoilt():
    """spoilt(path, data): other bytes under a name; what was there is put back at the end."""
    before = {}

    def spoil(path, data):
        with default_storage.open(path) as file:
            before[path] = file.read()
        default_storage.delete(path)
        if data is not None:
            default_storage.save(path, ContentFile(data))

    yield spoil
    for path, data in before.items():
        default_storage.delete(path)
        default_storage.save(path, ContentFile(data))


# --- numbered and told ------------------------------------------------------------------------------------------------


def test_the_first_packet_is_number_one_and_the_next_supersedes_it(claim, clerk, no_drawing):
    first = make_packet(claim, actor=clerk)
    second = make_packet(claim, actor=clerk)
    assert (first.number, first.supersedes, second.number, second.supersedes) == (1, None, 2, first)
    assert assemble.latest(claim) == second
    first.refresh_from_db()
    assert content_of(first, "zip") and first.content["made"]["number"] == 1


def test_it_is_told_in_the_log_over_which_it_was_made(claim, clerk, no_drawing):
    head = evidence.head(claim.site)
    packet = make_packet(claim, actor=clerk)
    event = Event.objects.get(verb="packet.made")
    assert (packet.log_seq, packet.log_head) == head and event.previous == head[1]
    assert event.after["pdf_sha256"] == packet.pdf_sha256 and event.after["number"] == 1
    assert not [found for found in verify(claim.site) if "packet" in str(found)]


def test_a_packet_that_was_changed_behind_our_back_is_found(claim, clerk, no_drawing):
    packet = make_packet(claim, actor=clerk)
    with guards_down(connection):
        Packet.objects.filter(pk=packet.pk).update(pdf_sha256="0" * 64)
    assert any("pdf_sha256" in str(found) for found in verify(claim.site))


def test_the_same_uuid_makes_one_packet(claim, clerk, no_drawing):
    given = {"uuid": uuid.uuid4(), "actor": clerk, "at": NOON}
    assert assemble.make(claim, **given) == assemble.make(claim, **given)
    assert Packet.objects.count() == 1


def test_what_belongs_to_it_is_written_in_the_same_transaction(claim, clerk, no_drawing):
    def fail(packet):
        raise RuntimeError(packet.number)

    with pytest.raises(RuntimeError):
        make_packet(claim, actor=clerk, stored=fail)
    assert not Packet.objects.exists() and not Event.objects.filter(verb="packet.made").exists()


# --- what stops it ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("data", [b"other bytes", None])
@pytest.mark.parametrize("which", ["original", "viewing"])
def test_an_altered_or_missing_photo_stops_it_and_is_named(claim, clerk, spoilt, which, data):
    photo = Photo.objects.get()
    spoilt(getattr(photo, which), data)
    with pytest.raises(Refused) as why:
        make_packet(claim, actor=clerk)
    assert why.value.code == ("file_missing" if data is None else "file_altered")
    assert "photo 1 of P-" in str(why.value) and getattr(photo, which) in str(why.value)
    assert not Packet.objects.exists()


def test_an_altered_document_stops_it_and_is_named(claim, clerk, spoilt):
    document = make_document(claim, make_pdf("An invoice"), actor=clerk, name="invoice 7.pdf")
    spoilt(document.file, make_pdf("Another invoice"))
    with pytest.raises(Refused, match=r"document 1, invoice 7.pdf \(file .*\) does not match the hash"):
        make_packet(claim, actor=clerk)


@pytest.mark.parametrize("data", [b"another list", None])
def test_an_altered_or_missing_load_list_stops_it_and_is_named(claim, clerk, spoilt, data):
    listed = make_list(claim.shipment, actor=clerk, name="march.csv")
    spoilt(listed.file.name, data)
    with pytest.raises(Refused, match=r"load list march.csv \(file "):
        make_packet(claim, actor=clerk)


def test_a_claim_without_an_amount_is_not_made_into_a_packet(claim, clerk):
    line = claim.lines.get()
    claim = drafting.price_line(line, values={"unit_price": None, "price_source": ""}, actor=clerk, at=NOON)
    with pytest.raises(Refused, match="price it"):
        make_packet(claim, actor=clerk)


@pytest.mark.parametrize(
    ("field", "value", "says"), [("claimant", "", "who claims"), ("carrier", None, "against whom")]
)
def test_a_claim_of_nobody_or_from_nobody_is_not_made_into_a_packet(claim, clerk, field, value, says):
    Claim.objects.filter(pk=claim.pk).update(**{field: value})
    with pytest.raises(Refused, match=says):
        make_packet(claim, actor=clerk)


def test_a_hand_over_needs_neither(site, clerk, no_drawing):
    shipment = make_load(site, actor=clerk)
    claim = make_claim(site, actor=clerk, shipment=shipment, purpose="handover")
    Claim.objects.filter(pk=claim.pk).update(carrier=None, amount=None)
    assert make_packet(claim, actor=clerk).number == 1


def test_an_amount_that_the_lines_do_not_come_to_any_more_stops_it(claim, clerk):
    ClaimLine.objects.filter(claim=claim).update(quantity=3)
    with pytest.raises(Refused, match=r"USD 37.50, the claim says USD 125.00"):
        make_packet(claim, actor=clerk)


# --- two at once ------------------------------------------------------------------------------------------------------


def test_of_two_made_at_once_the_second_is_told(claim, clerk, no_drawing, monkeypatch):
    build, others = building.build, []

    def overtaken(content, folder, progress):
        if not others:
            others.append(True)
            make_packet(claim, actor=clerk)
        return build(content, folder, progress)

    monkeypatch.setattr(assemble.building, "build", overtaken)
    with pytest.raises(ChangedMeanwhile, match="Somebody else made a packet"):
        make_packet(claim, actor=clerk)
    assert Packet.objects.count() == 1


def test_a_claim_that_changes_while_its_packet_is_made_gets_none(claim, clerk, no_drawing, monkeypatch):
    build = building.build

    def interrupted(content, folder, progress):
        drafting.set_facts(claim, values={"claimant": "Another"}, actor=clerk, at=NOON)
        return build(content, folder, progress)

    monkeypatch.setattr(assemble.building, "build", interrupted)
    with pytest.raises(ChangedMeanwhile, match="changed NOR-26-0001"):
        make_packet(claim, actor=clerk)
    assert not Packet.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_two_workers_make_one_packet_of_the_same_number(no_drawing):
    site = make_site()
    clerk = make_person("clerk", site)
    claim = photographed(site, clerk)
    meet, outcomes = threading.Barrier(2, timeout=60), []

    def work():
        try:
            outcomes.append(make_packet(claim, actor=clerk, progress=lambda *told: meet.wait()))
        except ChangedMeanwhile as why:
            outcomes.append(why)
        finally:
            connection.close()

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(type(each).__name__ for each in outcomes) == ["ChangedMeanwhile", "Packet"]
    assert Packet.objects.count() == 1


# --- current, and made again ------------------------------------------------------------------------------------------


def test_it_is_current_until_the_claim_or_the_record_changes(claim, clerk, no_drawing):
    assert not assemble.is_current(claim)
    make_packet(claim, actor=clerk)
    assert assemble.is_current(claim)
    Arrival.objects.filter(pk=claim.shipment.arrival_id).update(driver="Lee Marsh")
    assert not assemble.is_current(claim)


def test_a_change_of_the_claim_outdates_it(claim, clerk, no_drawing):
    make_packet(claim, actor=clerk)
    claim = drafting.set_facts(claim, values={"payee": "Somebody else"}, actor=clerk, at=NOON)
    assert not assemble.is_current(claim)
    make_packet(claim, actor=clerk)
    assert assemble.is_current(claim)


REMAKE = """
import hashlib, json, sys, tempfile
from pathlib import Path
import django
django.setup()
from claims.packet import building
content = json.loads(Path(sys.argv[1]).read_text())
with tempfile.TemporaryDirectory() as folder:
    print(json.dumps(building.build(content, Path(folder)).hashes))
"""


def test_another_process_makes_the_same_bytes_of_the_frozen_content(site, clerk, tmp_path):
    claim = make_proved(site, actor=clerk, damaged=1, short=0, signed=False)
    make_document(claim, make_pdf("An invoice"), actor=clerk)
    packet = make_packet(claim, actor=clerk)
    frozen = tmp_path / "content.json"
    frozen.write_text(evidence.canonical(packet.content))
    environment = {
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "DATA_DIR": str(settings.DATA_DIR),
        "SECRET_KEY": "for the tests only",
        "INSECURE_HTTP": "1",
        "PATH": "/usr/bin:/bin",
        "LC_ALL": "C.UTF-8",
    }
    command = [sys.executable, "-c", REMAKE, str(frozen)]
    made = subprocess.run(command, cwd=settings.BASE_DIR, env=environment, capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    for kind in ("pdf", "xlsx", "zip"):
        assert f'"{kind}": "{getattr(packet, f"{kind}_sha256")}"' in made.stdout


def test_a_picture_that_would_be_printed_otherwise_is_not_passed_off_as_the_same(claim, clerk, no_drawing, tmp_path):
    packet = make_packet(claim, actor=clerk)
    address = next(iter(packet.content["made"]["prints"]))
    packet.content["made"]["prints"][address] = "0" * 64
    with pytest.raises(Refused, match="not printed any more as it was"):
        assemble.remake(packet, tmp_path)


def test_a_kept_file_is_handed_out_only_while_it_is_the_frozen_one(claim, clerk, no_drawing, spoilt):
    packet = make_packet(claim, actor=clerk)
    assert kept.read(packet, "pdf") == content_of(packet)
    spoilt(packet.pdf, b"something else")
    with pytest.raises(Refused, match="not the one that was frozen"):
        kept.read(packet, "pdf")


# --- without pages from outside ---------------------------------------------------------------------------------------


def test_a_packet_of_our_own_pages_only_is_made_as_pdf_a_3a(claim, clerk):
    """By the marks that can be looked for: no validator was run."""
    reader = PdfReader(BytesIO(content_of(make_packet(claim, actor=clerk))))
    root = reader.trailer["/Root"]
    described = root["/Metadata"].get_data()
    assert b"<pdfaid:part>3</pdfaid:part>" in described or b'pdfaid:part="3"' in described
    assert b"<pdfaid:conformance>A</pdfaid:conformance>" in described or b'pdfaid:conformance="A"' in described
    assert root["/OutputIntents"][0]["/S"] == "/GTS_PDFA1"
    assert root["/MarkInfo"]["/Marked"] and "/StructTreeRoot" in root
    assert {entry.get_object()["/AFRelationship"] for entry in root["/AF"]} == {"/Data"}
    assert "made as PDF/A-3a" in reader.pages[-1].extract_text()


def test_a_hand_over_comes_from_the_dock_and_demands_nothing(site, clerk):
    claim = make_claim(site, actor=clerk, purpose="handover", damaged=1, short=0)
    Claim.objects.filter(pk=claim.pk).update(claimant="Juniper Home Stores")
    letter = " ".join(PdfReader(BytesIO(content_of(make_packet(claim, actor=clerk)))).pages[0].extract_text().split())
    assert letter.startswith("Dock NOR Mon 2 Mar 2026 Juniper Home Stores Record NOR-26-0001 of loss and damage")
    assert "It is no claim and makes no demand." in letter
    assert "We demand" not in letter and "liable" not in letter


def test_a_claim_against_two_carriers_is_addressed_to_both(site, clerk):
    claim = make_claim(site, actor=clerk, damaged=1, short=0, carrier=make_carrier(**CARRIER))
    second = make_carrier("Anvil Haulage", address="7 Canal Street")
    claim = drafting.set_facts(claim, values={"second_carrier": second}, actor=clerk, at=NOON)
    letter = " ".join(PdfReader(BytesIO(content_of(make_packet(claim, actor=clerk)))).pages[0].extract_text().split())
    assert "We hold Cedar Line Freight and Anvil Haulage liable for this loss as carriers" in letter
    assert "Anvil Haulage Claims department 7 Canal Street" in letter


# --- as long work -----------------------------------------------------------------------------------------------------


def test_the_queue_makes_it_and_says_where_it_is(claim, clerk, no_drawing):
    job = jobs.ask("packet", site=claim.site, arguments={"claim": claim.pk}, key=str(claim), actor=clerk, at=NOON)
    job = jobs.run_now(job)
    packet = Packet.objects.get()
    assert (job.state, job.result_url, packet.uuid) == ("done", packet.get_absolute_url(), job.uuid)
    assert "Packet 1 of NOR-26-0001 is made" in job.result_words


@pytest.mark.parametrize("words", ["photos", "pages"])
def test_told_to_stop_it_stops_in_the_middle_and_leaves_nothing(claim, clerk, words):
    def stop(done, total=0, counted=""):
        if counted == words:
            raise Stopping

    with pytest.raises(Stopping):
        make_packet(claim, actor=clerk, progress=stop)
    assert not Packet.objects.exists()
    assert make_packet(claim, actor=clerk).number == 1


def test_the_queue_says_which_photo_stopped_it(claim, clerk, spoilt):
    spoilt(Photo.objects.get().original, b"other bytes")
    job = jobs.ask("packet", site=claim.site, arguments={"claim": claim.pk}, key=str(claim), actor=clerk, at=NOON)
    job = jobs.run_now(job)
    assert job.state == "failed" and "photo 1 of P-" in job.error
    assert not Job.objects.filter(state="done").exists()
