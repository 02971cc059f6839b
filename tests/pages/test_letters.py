"""Letters, sending and bounces through the pages."""

import uuid

import pytest
from django.core import mail as outbox
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from claims import completeness, documents, drafting, letters
from claims.enums import LetterKind
from claims.models import Bounce, Claim, Letter, Message
from tests.builders import make_carrier, make_person, make_site
from tests.claims.builders import make_claim, make_filed, make_terms
from tests.claims.fact_builders import LATER
from tests.claims.packets import make_packet, make_packet_row, make_pdf, make_proved
from tests.claims.test_letters import fill_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(claimant_name="Norwick Cross-dock", claimant_signatory="Rosa Vale")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


@pytest.fixture
def filed(site, clerk):
    return make_filed(site, actor=clerk, carrier=make_carrier("Tern", claims_email="claims@tern.example"))


@pytest.fixture
def letter(filed, clerk):
    return letters.draft(filed, kind=LetterKind.WITHDRAWAL, uuid=uuid.uuid4(), actor=clerk, at=LATER)


def address(claim, name, *more):
    return reverse(name, args=[claim.site.code, claim.slug, *more])


def post(client, where, **given):
    return client.post(where, {"uuid": uuid.uuid4()} | given)


def test_a_fitting_letter_is_drafted_in_one_click_and_opens(signed_in, filed):
    page = signed_in.get(address(filed, "letter_new")).content.decode()
    assert "The carrier has not acknowledged the claim in 30 days." in page
    answer = post(signed_in, address(filed, "letter_new"), kind="late_acknowledgement")
    assert answer["Location"] == address(filed, "letter", 1)
    page = signed_in.get(answer["Location"]).content.decode()
    assert "We have no acknowledgement of this claim" in page
    assert "claims@tern.example" in page
    assert "Reminder: acknowledgement is late" in signed_in.get(filed.get_absolute_url()).content.decode()


def test_one_that_does_not_fit_is_refused(signed_in, filed):
    answer = post(signed_in, address(filed, "letter_new"), kind="refund")
    assert answer.status_code == 422
    assert "Nothing in this claim calls for that letter" in answer.content.decode()


def test_a_claim_that_calls_for_none_says_so(signed_in, site, clerk):
    claim = make_claim(site, actor=clerk, damaged=0)
    assert "calls for a letter" in signed_in.get(address(claim, "letter_new")).content.decode()


def test_a_letter_is_saved_and_sent(signed_in, filed, letter):
    where = address(filed, "letter", 1)
    given = {"to": "claims@tern.example", "subject": "Withdrawn", "body": "We withdraw.", "version": letter.version}
    assert post(signed_in, where, **given)["Location"] == where
    letter.refresh_from_db()
    given = {**given, "body": "We withdraw the whole of it.", "version": letter.version}
    answer = post(signed_in, address(filed, "letter_send", 1), **given)
    assert answer["Location"] == where
    assert outbox.outbox[0].body == "We withdraw the whole of it.\n"
    page = signed_in.get(where).content.decode()
    assert "It went on paper" not in page
    assert letter.__class__.objects.get().pdf_sha256 in page
    sent = signed_in.get(address(filed, "letter_pdf", 1))
    assert b"".join(sent.streaming_content).startswith(b"%PDF-")


def test_what_two_typed_at_once_is_kept_for_the_second(signed_in, filed, letter):
    Letter.objects.filter(pk=letter.pk).update(version=5)
    given = {"to": "", "subject": "Withdrawn", "body": "My words.", "version": letter.version}
    answer = post(signed_in, address(filed, "letter", 1), **given)
    assert answer.status_code == 409
    assert "My words." in answer.content.decode()


def test_a_wrong_address_keeps_the_letter_unsent(signed_in, filed, letter):
    given = {"to": "claims at tern", "subject": "Withdrawn", "body": "We withdraw.", "version": letter.version}
    answer = post(signed_in, address(filed, "letter_send", 1), **given)
    assert answer.status_code == 422
    assert "We withdraw." in answer.content.decode()
    assert "is no e-mail address" in answer.content.decode()
    assert Letter.objects.get().sent_at is None


def test_a_letter_that_came_back_goes_again_to_another_address(signed_in, filed, letter):
    given = {"to": "claims@tern.example", "subject": "Withdrawn", "body": "We withdraw.", "version": letter.version}
    post(signed_in, address(filed, "letter_send", 1), **given)
    assert "Send it again" in signed_in.get(address(filed, "letter", 1)).content.decode()
    assert post(signed_in, address(filed, "letter_again", 1), to="nobody").status_code == 422
    answer = post(signed_in, address(filed, "letter_again", 1), to="office@tern.example")
    assert answer["Location"] == address(filed, "letter", 1)
    assert outbox.outbox[-1].to == ["office@tern.example"]


def test_a_letter_went_on_paper(signed_in, filed, letter):
    letter = fill_in(letter)
    answer = post(signed_in, address(filed, "letter_mark", 1), version=letter.version, way="post")
    assert answer["Location"] == address(filed, "letter", 1)
    assert Letter.objects.get().sent_way == "post"


def test_an_altered_letter_is_not_handed_out(signed_in, filed, letter):
    letter = fill_in(letter)
    post(signed_in, address(filed, "letter_mark", 1), version=letter.version, way="post")
    with open(default_storage.path(Letter.objects.get().pdf), "ab") as file:
        file.write(b" ")
    assert signed_in.get(address(filed, "letter_pdf", 1)).status_code == 409


def test_a_viewer_reads_and_writes_nothing(client, site, filed, letter):
    client.force_login(make_person("viewer", site, "viewer"))
    page = client.get(address(filed, "letter", 1)).content.decode()
    assert "Save the text" not in page
    given = {"to": "", "subject": "x", "body": "x", "version": 1}
    assert post(client, address(filed, "letter", 1), **given).status_code == 403


def test_giving_up_rights_is_warned_of(signed_in, filed, letter):
    assert "by counsel first" in signed_in.get(address(filed, "letter", 1)).content.decode()


# --- the packet -------------------------------------------------------------------------------------------------------


def test_a_filed_claim_s_packet_goes_again_and_a_bounce_is_kept(signed_in, filed, clerk):
    packet = make_packet_row(filed, actor=clerk, pdf=make_pdf("one"))
    page = signed_in.get(address(filed, "claim_send")).content.decode()
    assert "Send the packet again" in page
    assert packet.pdf_sha256 in page
    given = {"to": "claims@tern.example", "subject": "Claim", "body": "Attached."}
    assert post(signed_in, address(filed, "claim_send"), **given)["Location"] == filed.get_absolute_url()
    rows = list(Message.objects.order_by("part"))
    assert rows
    assert len(outbox.outbox) == len(rows)
    page = signed_in.get(filed.get_absolute_url()).content.decode()
    assert "As it left" in page
    kept = signed_in.get(address(filed, "message_file", rows[0].uuid))
    assert b"Message-ID" in b"".join(kept.streaming_content)
    where = address(filed, "message_bounce", rows[0].uuid)
    assert "claims@tern.example" in signed_in.get(where).content.decode()
    assert post(signed_in, where, text="").status_code == 422
    file = SimpleUploadedFile("answer.eml", b"Return-Path: <>")
    assert post(signed_in, where, text="550 unknown", file=file)["Location"] == filed.get_absolute_url()
    assert Bounce.objects.get().text == "550 unknown"
    assert "550 unknown" in signed_in.get(filed.get_absolute_url()).content.decode()


def test_the_same_button_twice_sends_once(signed_in, filed, clerk):
    make_packet_row(filed, actor=clerk, pdf=make_pdf("one"))
    given = {"to": "claims@tern.example", "subject": "Claim", "body": "Attached.", "uuid": uuid.uuid4()}
    for _time in range(2):
        assert signed_in.post(address(filed, "claim_send"), given).status_code == 302
    assert len(outbox.outbox) == Message.objects.count()


def test_without_a_packet_there_is_nothing_to_send(signed_in, filed):
    assert signed_in.get(address(filed, "claim_send")).status_code == 404


def test_a_draft_that_is_not_ready_does_not_leave(signed_in, site, clerk):
    claim = make_claim(site, actor=clerk)
    make_packet_row(claim, actor=clerk, pdf=make_pdf("one"))
    given = {"to": "claims@tern.example", "subject": "Claim", "body": "Attached."}
    answer = post(signed_in, address(claim, "claim_send"), **given)
    assert answer.status_code == 409
    assert outbox.outbox == []
    assert "Attached." in answer.content.decode()


def test_a_draft_that_is_ready_is_filed_by_being_sent(signed_in, site, clerk):
    claim = ready(site, clerk)
    make_packet(claim, actor=clerk)
    given = {"to": "claims@cedar.example", "subject": "Claim", "body": "Attached."}
    answer = post(signed_in, address(claim, "claim_send"), **given)
    assert answer["Location"] == claim.get_absolute_url(), answer.content.decode()
    claim = Claim.objects.get(pk=claim.pk)
    assert (claim.stage, claim.filing_way) == ("filed", "email")
    assert Message.objects.filter(packet__isnull=False).exists()


def ready(site, clerk):
    """A draft without shorts, with terms and a stated reason for everything that it lacks."""
    claim = make_proved(site, actor=clerk, short=0)
    terms = make_terms()
    claim = drafting.set_terms(
        claim, chosen=terms, reason="the only ones", version=claim.version, actor=clerk, at=claim.opened_at
    )
    for need in completeness.of_claim(claim).blocking:
        by = {"uuid": uuid.uuid4(), "actor": clerk, "at": claim.opened_at}
        documents.state_reason(claim, gap=need.code, reason="none was made", **by)
    return Claim.objects.get(pk=claim.pk)
