"""Papers taken in as they come, and the ones that are not."""

import hashlib
import io
import resource
import uuid

import pikepdf
import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile

from claims import documents
from claims.models import Claim, Document
from receiving.models import Event
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, make_jpeg, make_person, make_site
from tests.claims.builders import make_claim
from tests.hostile.papers import BAD, pdf

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def claim(site, clerk):
    return make_claim(site, actor=clerk)


def examine(data, name="invoice.pdf"):
    return documents.examine(SimpleUploadedFile("x", data), filename=name)


def receive(claim, data=None, *, name="invoice.pdf", uuid_=None, **given):
    paper = examine(data or pdf(), name)
    facts = {"kind": "invoice", "uuid": uuid_ or uuid.uuid4(), "actor": claim.opened_by, "at": NOON}
    return documents.receive(claim, paper=paper, **(facts | given))


def test_a_pdf_is_kept_to_the_byte_and_told_with_its_hash(claim):
    data = pdf(pages=3)
    row = receive(claim, data, note=" as sent ")
    assert (row.pages, row.size, row.content_type, row.note) == (3, len(data), "application/pdf", "as sent")
    with default_storage.open(row.file) as file:
        assert file.read() == data
    event = Event.objects.get(verb="claim.document")
    assert event.after["sha256"] == hashlib.sha256(data).hexdigest()
    assert not [mismatch for mismatch in verify(claim.site) if "document" in str(mismatch)]


def test_a_picture_is_one_page(claim):
    row = receive(claim, make_jpeg(), name="receipt.jpg", kind="carrier_receipt")
    assert (row.pages, row.content_type) == (1, "image/jpeg")


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_with_a_sentence_that_names_it(name):
    data, code = BAD[name]
    with pytest.raises(Refused) as refused:
        examine(data, "claim paper.pdf")
    assert refused.value.code == code
    assert refused.value.field == "file"
    assert "claim paper.pdf" in str(refused.value)


def test_a_small_file_that_unpacks_to_a_large_one_is_refused_in_little_memory():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(Refused):
        examine(BAD["bomb"][0])
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 600_000


def test_a_file_name_from_outside_is_cleaned(claim):
    assert receive(claim, name='..\\up/"inv\noice.pdf').name == '"invoice.pdf'


def test_the_same_delivery_twice_is_one_row(claim):
    number, data = uuid.uuid4(), pdf()
    assert receive(claim, data, uuid_=number) == receive(claim, data, uuid_=number)
    assert Document.objects.count() == 1
    with pytest.raises(Refused) as refused:
        receive(claim, pdf(pages=2), uuid_=number)
    assert refused.value.code == "uuid_reused"


def test_a_correction_replaces_and_the_first_stays(claim):
    first = receive(claim)
    second = receive(claim, pdf(pages=2), replaces=first)
    assert list(documents.current(claim)) == [second]
    assert Document.objects.count() == 2
    with pytest.raises(ChangedMeanwhile):
        receive(claim, pdf(pages=4), replaces=first)


def test_a_paper_of_another_claim_is_not_replaced(claim, site, clerk):
    stranger = receive(make_claim(site, actor=clerk))
    with pytest.raises(Refused) as refused:
        receive(claim, replaces=stranger)
    assert refused.value.code == "document_elsewhere"


def test_the_same_file_is_not_two_papers(claim):
    data = pdf()
    first = receive(claim, data)
    with pytest.raises(Refused) as refused:
        receive(claim, data, kind="freight_bill")
    assert refused.value.code == "document_twice"
    assert receive(claim, data, kind="freight_bill", replaces=first).kind == "freight_bill"


def test_a_paper_is_something_else_or_none_of_this_claim(claim, clerk):
    row = receive(claim, kind="freight_bill")
    by = {"actor": clerk, "at": NOON}
    right = documents.correct(row, kind="invoice", uuid=uuid.uuid4(), **by)
    assert [each.kind for each in documents.current(claim)] == ["invoice"]
    with pytest.raises(Refused):
        documents.take_off(right, reason=" ", uuid=uuid.uuid4(), **by)
    off = documents.take_off(right, reason="of another claim", uuid=uuid.uuid4(), **by)
    assert list(documents.current(claim)) == []
    assert (off.sha256, Document.objects.count()) == (row.sha256, 3)
    with pytest.raises(ChangedMeanwhile):
        documents.correct(right, kind="other", uuid=uuid.uuid4(), **by)
    assert not [mismatch for mismatch in verify(claim.site) if "document" in str(mismatch)]


def test_nothing_is_added_to_a_withdrawn_claim(claim):
    Claim.objects.filter(pk=claim.pk).update(stage="withdrawn")
    with pytest.raises(Refused) as refused:
        receive(Claim.objects.get(pk=claim.pk))
    assert refused.value.code == "claim_withdrawn"


def test_an_altered_or_lost_file_is_noticed(claim):
    row = receive(claim)
    assert documents.matches_hash(row)
    path = default_storage.path(row.file)
    with open(path, "ab") as file:
        file.write(b" ")
    assert not documents.matches_hash(row)
    default_storage.delete(row.file)
    assert not documents.matches_hash(row)


def test_a_form_with_fields_and_links_is_only_paper(claim):
    with pikepdf.new() as made:
        made.add_blank_page()
        link = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot,
            Subtype=pikepdf.Name.Link,
            Rect=[0, 0, 9, 9],
            A=pikepdf.Dictionary(S=pikepdf.Name.URI, URI="http://carrier.example/"),
        )
        made.pages[0].Annots = made.make_indirect(pikepdf.Array([link]))
        out = io.BytesIO()
        made.save(out)
    assert receive(claim, out.getvalue()).pages == 1
