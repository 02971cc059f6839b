"""E-mail of claims: in parts, kept as it left, continued after a failure, never twice; and what came back."""

import email
import io
import uuid

import pytest
from django.core import mail as outbox
from django.core.files.storage import default_storage
from django.core.mail.backends.locmem import EmailBackend

from claims import mail
from claims.models import Bounce, Claim, Message
from receiving.refusals import Refused
from receiving.verification import verify
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim

pytestmark = pytest.mark.django_db
FILES = [(mail.Attached(f"part-{n}.pdf", "application/pdf", b"%PDF-" + bytes([n]) * 40),) for n in (1, 2, 3)]


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk", email="clerk@dock.example")


@pytest.fixture
def claim(site, clerk):
    return make_claim(site, actor=clerk)


def send(claim, *, number=None, **given):
    facts = {"to": "claims@tern.example", "subject": "Claim", "body": "Attached.", "attached": FILES}
    by = {"uuid": number or uuid.uuid4(), "actor": claim.opened_by, "at": NOON}
    return mail.send(claim, **(facts | given), **by)


class FailsAtTheSecond(EmailBackend):
    """A mail server that takes one message and then no more, until `mended`."""

    mended = False
    taken = 0

    def send_messages(self, messages):
        if type(self).taken >= 1 and not type(self).mended:
            raise OSError("452 too many")
        type(self).taken += len(messages)
        return super().send_messages(messages)


def test_answers_go_to_the_claimant_and_to_whoever_sent_it(claim):
    Claim.objects.filter(pk=claim.pk).update(claimant_email="claims@juniper.example")
    claim.refresh_from_db()
    send(claim)
    assert outbox.outbox[0].reply_to == ["claims@juniper.example", "clerk@dock.example"]


def test_each_part_is_a_message_of_its_own_kept_as_it_left(claim):
    rows = send(claim)
    assert [(row.part, row.parts) for row in rows] == [(1, 3), (2, 3), (3, 3)]
    assert [message.subject for message in outbox.outbox][2] == "Claim (part 3 of 3)"
    for row, message in zip(rows, outbox.outbox, strict=True):
        with default_storage.open(row.file) as file:
            raw = file.read()
        assert raw == message.message().as_bytes(linesep="\r\n")
        parsed = email.message_from_bytes(raw)
        assert parsed["Message-ID"] == row.message_id
        assert parsed["Reply-To"] == "clerk@dock.example"
        assert [part.get_filename() for part in parsed.walk() if part.get_filename()] == [f"part-{row.part}.pdf"]
    assert not [mismatch for mismatch in verify(claim.site) if "message" in str(mismatch)]


def test_after_a_failure_in_the_middle_the_rest_goes_and_nothing_twice(claim, settings):
    settings.EMAIL_BACKEND = f"{__name__}.FailsAtTheSecond"
    FailsAtTheSecond.taken, FailsAtTheSecond.mended = 0, False
    number = uuid.uuid4()
    with pytest.raises(Refused) as refused:
        send(claim, number=number)
    assert "part 2 of 3" in str(refused.value)
    assert "452" in str(refused.value)
    assert Message.objects.count() == 1
    FailsAtTheSecond.mended = True
    assert len(send(claim, number=number)) == 3
    assert len(send(claim, number=number)) == 3
    assert len(outbox.outbox) == 3
    assert len({message.extra_headers["Message-ID"] for message in outbox.outbox}) == 3


def test_a_number_that_was_used_for_something_else_sends_nothing(claim, site, clerk):
    number = uuid.uuid4()
    send(claim, number=number)
    for other, given in [(make_claim(site, actor=clerk), {}), (claim, {"to": "other@tern.example"})]:
        with pytest.raises(Refused) as refused:
            send(other, number=number, **given)
        assert (refused.value.code, refused.value.status) == ("uuid_reused", 409)
    assert len(outbox.outbox) == 3
    assert Message.objects.count() == 3


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "address_missing"),
        (" , ;", "address_missing"),
        ("claims", "address_wrong"),
        ("a@b.example\nBcc: everybody@c.example", "address_wrong"),
        ("Tern <claims@tern.example>", "address_wrong"),
        (", ".join(f"a{n}@b.example" for n in range(6)), "too_many_addresses"),
    ],
)
def test_a_wrong_address_is_refused_before_anything_leaves(claim, text, code):
    with pytest.raises(Refused) as refused:
        send(claim, to=text)
    assert refused.value.code == code
    assert refused.value.field == "to"
    assert outbox.outbox == []


def test_several_addresses_get_one_message(claim):
    [row] = send(claim, to="a@b.example; c@d.example", attached=FILES[:1])
    assert row.to == "a@b.example, c@d.example"
    assert outbox.outbox[0].to == ["a@b.example", "c@d.example"]


@pytest.mark.parametrize("subject", ["Claim\r\nBcc: x@y.example", "Claim\n\nbody", "  Claim  ", "Reklamácia č. 7"])
def test_a_subject_is_one_line_and_no_header(claim, subject):
    send(claim, subject=subject, attached=FILES[:1])
    parsed = email.message_from_bytes(outbox.outbox[0].message().as_bytes())
    assert parsed["Bcc"] is None
    assert "\n" not in Message.objects.get().subject


def test_no_subject_is_refused(claim):
    with pytest.raises(Refused) as refused:
        send(claim, subject=" \n ")
    assert refused.value.field == "subject"


def test_the_file_backend_keeps_them_too(claim, settings, tmp_path):
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    settings.EMAIL_FILE_PATH = tmp_path
    send(claim)
    assert sum(path.read_bytes().count(b"Message-ID") for path in tmp_path.iterdir()) == 3


# --- what came back ---------------------------------------------------------------------------------------------------


def bounce(message, text="550 no such mailbox", upload=None):
    by = {"uuid": uuid.uuid4(), "actor": message.actor, "at": NOON}
    return mail.record_bounce(message, text=text, upload=upload, **by)


def test_what_came_back_is_kept(claim, site):
    row = bounce(send(claim)[0], upload=io.BytesIO(b"Return-Path: <>\r\n"))
    with default_storage.open(row.file) as file:
        assert file.read() == b"Return-Path: <>\r\n"
    assert Bounce.objects.get().text == "550 no such mailbox"
    assert not [mismatch for mismatch in verify(site) if "bounce" in str(mismatch)]


def test_a_bounce_without_words_or_file_is_refused_and_so_is_a_huge_one(claim, settings):
    message = send(claim)[0]
    with pytest.raises(Refused) as refused:
        bounce(message, text="  ")
    assert refused.value.field == "text"
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 10
    with pytest.raises(Refused) as refused:
        bounce(message, upload=io.BytesIO(bytes(11)))
    assert refused.value.field == "file"
