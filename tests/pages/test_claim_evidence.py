"""Papers, gaps and the statement, through the pages."""

import uuid

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from claims import shorts
from claims.models import Claim, Document, GapReason, Statement
from tests.builders import make_jpeg, make_person, make_site
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
    return make_claim(site, actor=clerk, damaged=1, short=2)


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


def address(claim, name, *more):
    return reverse(name, args=[claim.site.code, claim.slug, *more])


def upload(client, claim, data=None, name="invoice 7.pdf", **given):
    posted = {"uuid": uuid.uuid4(), "kind": "invoice", "note": "from the account"}
    posted |= {"file": SimpleUploadedFile(name, pdf() if data is None else data)} | given
    return client.post(address(claim, "document_add"), posted)


def test_the_claim_page_says_what_is_missing_why_and_where(signed_in, claim):
    page = signed_in.get(claim.get_absolute_url()).content.decode()
    assert "Freight bill" in page
    assert "Where to get it:" in page
    assert address(claim, "claim_gap", "freight_bill") in page
    assert "Nothing in this claim answers it." in page


def test_a_paper_is_uploaded_listed_and_handed_out_as_it_came(signed_in, claim):
    data = pdf(pages=2)
    answer = upload(signed_in, claim, data)
    assert (answer.status_code, answer["Location"]) == (302, claim.get_absolute_url())
    row = Document.objects.get()
    page = signed_in.get(claim.get_absolute_url()).content.decode()
    assert "invoice 7.pdf" in page
    assert "2 pages" in page
    sent = signed_in.get(address(claim, "document", row.uuid))
    assert b"".join(sent.streaming_content) == data
    assert sent["Content-Type"] == "application/pdf"
    assert sent["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert sent["X-Content-Type-Options"] == "nosniff"


def test_a_picture_is_saved_and_not_shown_by_the_browser(signed_in, claim):
    upload(signed_in, claim, make_jpeg(), name="receipt.jpg", kind="carrier_receipt")
    sent = signed_in.get(address(claim, "document", Document.objects.get().uuid))
    assert sent["Content-Disposition"].startswith("attachment")
    sent.close()


def test_an_altered_file_is_not_handed_out(signed_in, claim):
    upload(signed_in, claim)
    row = Document.objects.get()
    with open(default_storage.path(row.file), "ab") as file:
        file.write(b"\n")
    answer = signed_in.get(address(claim, "document", row.uuid))
    assert answer.status_code == 409
    assert row.sha256 in answer.content.decode()
    default_storage.delete(row.file)


@pytest.mark.parametrize("name", ["locked", "a script", "text", "empty"])
def test_a_bad_file_keeps_what_was_typed(signed_in, claim, name):
    answer = upload(signed_in, claim, BAD[name][0], note="for lines 1 to 3")
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "for lines 1 to 3" in page
    assert "invoice 7.pdf" in page or "empty" in page
    assert not Document.objects.exists()


def test_the_same_delivery_again_stores_one(signed_in, claim):
    number, data = uuid.uuid4(), pdf()
    for _time in range(2):
        assert upload(signed_in, claim, data, uuid=number).status_code == 302
    assert Document.objects.count() == 1


def test_a_script_gets_json(signed_in, claim):
    posted = {"uuid": uuid.uuid4(), "kind": "invoice", "file": SimpleUploadedFile("a.pdf", b"nothing")}
    answer = signed_in.post(address(claim, "document_add"), posted, headers={"Accept": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["code"] == "paper_wrong_kind"


def test_the_link_beside_a_gap_chooses_the_kind(signed_in, claim):
    page = signed_in.get(address(claim, "document_add") + "?kind=freight_bill").content.decode()
    assert '<option value="freight_bill" selected>' in page


def test_a_reason_is_stated_and_shown(signed_in, claim):
    where = address(claim, "claim_gap", "freight_bill")
    assert "Evidence of the freight charges" in signed_in.get(where).content.decode()
    answer = signed_in.post(where, {"uuid": uuid.uuid4(), "reason": "collect, the stores pay it"})
    assert answer["Location"] == claim.get_absolute_url()
    assert "collect, the stores pay it" in signed_in.get(claim.get_absolute_url()).content.decode()


def test_an_empty_reason_is_refused_and_an_unknown_gap_is_nowhere(signed_in, claim):
    answer = signed_in.post(address(claim, "claim_gap", "freight_bill"), {"uuid": uuid.uuid4(), "reason": " "})
    assert answer.status_code == 422
    assert not GapReason.objects.exists()
    assert signed_in.get(address(claim, "claim_gap", "nonsense")).status_code == 404


def test_from_the_search_through_the_question_to_the_signature(signed_in, claim):
    where = address(claim, "claim_statement")
    page = signed_in.get(where).content.decode()
    assert "Looked through since" in page
    assert "Sign this statement" not in page
    answer = signed_in.post(
        address(claim, "claim_asked"),
        {"uuid": uuid.uuid4(), "asked_owner": "no", "asked_note": "D. Roe, by phone", "version": claim.version},
    )
    assert answer["Location"] == where
    page = signed_in.get(where)
    assert "Sign this statement" in page.content.decode()
    posted = {"uuid": uuid.uuid4(), "signer": "R. Vale", "role": "clerk", "text": page.context["text"]}
    refused = signed_in.post(where, posted)
    assert refused.status_code == 422
    assert "Tick this only when" in refused.content.decode()
    answer = signed_in.post(where, posted | {"uuid": uuid.uuid4(), "agreed": "on"})
    assert answer["Location"] == claim.get_absolute_url()
    assert Statement.objects.get().signer == "R. Vale"
    assert "signed by R. Vale" in signed_in.get(claim.get_absolute_url()).content.decode()


def test_words_that_changed_meanwhile_are_shown_again_and_not_signed(signed_in, claim, clerk):
    by = {"actor": clerk, "at": claim.opened_at}
    shorts.answer_asked(claim, answer="no", note="D. Roe", version=claim.version, **by)
    posted = {"uuid": uuid.uuid4(), "signer": "R. Vale", "text": "I state nothing.", "agreed": "on"}
    answer = signed_in.post(address(claim, "claim_statement"), posted)
    assert answer.status_code == 409
    assert "D. Roe" in answer.context["form"]["text"].value()
    assert not Statement.objects.exists()


def test_of_two_answers_at_once_the_second_keeps_what_was_typed(signed_in, claim):
    Claim.objects.filter(pk=claim.pk).update(version=claim.version + 1)
    posted = {"uuid": uuid.uuid4(), "asked_owner": "yes", "asked_note": "the insurer paid", "version": claim.version}
    answer = signed_in.post(address(claim, "claim_asked"), posted)
    assert answer.status_code == 409
    assert "the insurer paid" in answer.content.decode()


def test_a_claim_without_shorts_needs_no_statement(signed_in, site, clerk):
    claim = make_claim(site, actor=clerk, short=0)
    assert "nothing has to be stated" in signed_in.get(address(claim, "claim_statement")).content.decode()


def test_a_wrong_paper_is_corrected_or_taken_off(signed_in, claim):
    upload(signed_in, claim, kind="freight_bill")
    where = address(claim, "document_correct", Document.objects.get().uuid)
    assert "invoice 7.pdf" in signed_in.get(where).content.decode()
    answer = signed_in.post(where, {"uuid": uuid.uuid4(), "kind": "invoice", "note": "misread"})
    assert answer["Location"] == claim.get_absolute_url()
    row = Document.objects.order_by("pk").last()
    assert row.kind == "invoice"
    where = address(claim, "document_correct", row.uuid)
    refused = signed_in.post(where, {"uuid": uuid.uuid4(), "kind": "invoice", "note": "", "off": "1"})
    assert refused.status_code == 422
    signed_in.post(where, {"uuid": uuid.uuid4(), "kind": "invoice", "note": "of another claim", "off": "1"})
    assert "None yet." in signed_in.get(claim.get_absolute_url()).content.decode()


def test_text_from_outside_is_text(signed_in, claim):
    upload(signed_in, claim, name="<b>x.pdf", note="<script>alert(1)</script>")
    page = signed_in.get(claim.get_absolute_url()).content.decode()
    assert "<script>alert" not in page
    assert "<b>x.pdf" not in page


def test_a_paper_of_another_claim_or_site_is_nowhere(signed_in, claim, site, clerk):
    upload(signed_in, claim)
    row = Document.objects.get()
    stranger = make_claim(site, actor=clerk)
    assert signed_in.get(address(stranger, "document", row.uuid)).status_code == 404
    other = make_site("SOU")
    signed_in.force_login(make_person("clerk", other, "o-clerk"))
    assert signed_in.get(address(claim, "document", row.uuid)).status_code == 404
