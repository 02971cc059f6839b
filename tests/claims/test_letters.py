"""Letters: which fit, what they say, edited by two, frozen when they go."""

import uuid
from datetime import timedelta

import pytest
from django.core import mail as outbox
from django.core.files.storage import default_storage
from django.core.mail.backends.locmem import EmailBackend

from claims import facts, letters
from claims.enums import FactKind, FilingWay, LetterKind
from claims.models import Letter, Message
from receiving.models import Discrepancy, Event
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, make_carrier, make_person, make_site
from tests.claims.builders import make_claim, make_filed
from tests.claims.fact_builders import LATER, decide, make_fact

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(claimant_signatory="Rosa Vale", claimant_name="Norwick Cross-dock")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def carrier():
    return make_carrier("Tern Freight", claims_email="claims@tern.example")


@pytest.fixture
def filed(site, clerk, carrier):
    return make_filed(site, actor=clerk, carrier=carrier, damaged=1, short=1)


def kinds(claim, at=LATER):
    return {fit.kind for fit in letters.fitting(claim, at=at)}


def draft(claim, kind, at=LATER):
    return letters.draft(claim, kind=kind, uuid=uuid.uuid4(), actor=claim.opened_by, at=at)


def edit(letter, body="As agreed.", version=None, to="claims@tern.example"):
    given = {"to": to, "subject": letter.subject, "body": body}
    return letters.edit(letter, **given, version=version or letter.version, actor=letter.drafted_by, at=LATER)


def fill_in(letter):
    """What the draft leaves open, filled in."""
    body = letter.body.replace("____________", "2 Mar 2026").replace("(fill in or strike out)", "")
    return edit(letter, body.replace("(say why)", "the goods were found"))


def send(letter, number=None):
    return letters.send(letter, version=letter.version, uuid=number or uuid.uuid4(), actor=letter.drafted_by, at=LATER)


# --- which fit, what they say -----------------------------------------------------------------------------------------


def test_a_draft_calls_for_nothing_but_what_is_held_for_salvage(site, clerk):
    assert kinds(make_claim(site, actor=clerk)) == {LetterKind.SALVAGE}
    assert kinds(make_claim(site, actor=clerk, damaged=0)) == set()


def test_damage_found_after_release_calls_for_its_notice_in_a_draft_already(site, clerk, carrier):
    claim = make_claim(site, actor=clerk, carrier=carrier)
    Discrepancy.objects.filter(claim_lines__claim=claim, kind="damaged").update(after_release=True)
    letter = draft(claim, LetterKind.CONCEALED)
    assert letter.to == "claims@tern.example"
    for words in (claim.shipment.bill_number, "request for inspection", "held as they were found", "oral report"):
        assert words in letter.subject + letter.body
    [piece] = Discrepancy.objects.filter(claim_lines__claim=claim, kind="damaged")
    assert piece.label in letter.body


@pytest.mark.parametrize(
    ("happened", "wanted"),
    [
        ([], LetterKind.LATE_ACKNOWLEDGEMENT),
        ([FactKind.PAPERS_ASKED], LetterKind.PAPERS),
        ([FactKind.OFFER], LetterKind.ACCEPTANCE),
    ],
)
def test_what_happened_calls_for_its_letter(filed, clerk, happened, wanted):
    for kind in happened:
        make_fact(filed, kind, actor=clerk)
    assert wanted in kinds(filed)
    letter = draft(filed, wanted)
    assert str(filed) in letter.body
    assert filed.shipment.pro_number in letter.body
    assert "Rosa Vale" in letter.body or filed.signatory in letter.body


def order(claim, at=LATER):
    return [fit.kind for fit in letters.fitting(claim, at=at)]


def refuse(claim, clerk):
    [row, *_] = claim.lines.order_by("position")
    return make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[decide(row, 25)])


def test_a_refusal_that_was_contested_is_not_the_first_letter_any_more(filed, clerk):
    refuse(filed, clerk)
    assert order(filed)[0] == LetterKind.CONTEST
    letters.freeze(draft(filed, LetterKind.CONTEST), b"x", way=FilingWay.POST, version=1, actor=clerk, at=LATER)
    assert order(filed)[0] != LetterKind.CONTEST and LetterKind.CONTEST in order(filed)


def test_after_an_agreement_there_is_nothing_to_contest_or_to_decide(filed, clerk):
    refuse(filed, clerk)
    make_fact(filed, FactKind.ACKNOWLEDGED, actor=clerk)
    late = NOON + timedelta(days=200)
    assert {LetterKind.CONTEST, LetterKind.LATE_DECISION} <= kinds(filed, at=late)
    make_fact(filed, FactKind.AGREED, actor=clerk, on=LATER.date())
    assert not {LetterKind.CONTEST, LetterKind.LATE_DECISION} & kinds(filed, at=late)


@pytest.mark.parametrize(("days", "late"), [(30, False), (31, True)])
def test_the_carrier_is_reminded_of_its_acknowledgement_after_thirty_days(filed, days, late):
    assert (LetterKind.LATE_ACKNOWLEDGEMENT in kinds(filed, at=NOON + timedelta(days=days))) is late


@pytest.mark.parametrize(("days", "late"), [(121, False), (122, True)])
def test_the_carrier_is_reminded_to_decide_after_a_hundred_and_twenty_days_from_its_receipt(filed, clerk, days, late):
    make_fact(filed, FactKind.ACKNOWLEDGED, actor=clerk)
    at = NOON + timedelta(days=days)
    assert LetterKind.LATE_ACKNOWLEDGEMENT not in kinds(filed, at=at)
    assert (LetterKind.LATE_DECISION in kinds(filed, at=at)) is late
    if late:
        assert "Your number: C-77" in draft(filed, LetterKind.LATE_DECISION, at=at).body


@pytest.mark.parametrize("kind", [LetterKind.WITHDRAWAL, LetterKind.SALVAGE])
def test_what_is_left_to_fill_in_stops_a_letter_however_it_goes(filed, kind):
    letter = draft(filed, kind)
    with pytest.raises(Refused) as refused:
        send(letter)
    assert refused.value.code == "crib_left"
    with pytest.raises(Refused):
        letters.mark_sent(letter, way="post", version=letter.version, actor=letter.drafted_by, at=LATER)
    assert outbox.outbox == []
    assert send(fill_in(letter)).sent_at


def test_a_letter_that_came_back_goes_again_as_it_went(filed):
    letter = send(edit(draft(filed, LetterKind.WITHDRAWAL), "We withdraw."))
    by = {"uuid": uuid.uuid4(), "actor": letter.drafted_by, "at": LATER}
    letters.send_again(letter, to="other@tern.example", **by)
    first, second = outbox.outbox
    assert second.to == ["other@tern.example"]
    assert first.attachments[0][1] == second.attachments[0][1]
    with pytest.raises(Refused):
        letters.send_again(draft(filed, LetterKind.WITHDRAWAL), to="a@b.example", **by)


def test_a_contest_goes_ground_by_ground(filed, clerk):
    line = filed.lines.get(kind="damage")
    make_fact(filed, FactKind.DECISION, actor=clerk, decisions=[decide(line, 20, note="glued badly")])
    body = draft(filed, LetterKind.CONTEST).body
    assert "packed badly" in body
    assert "glued badly" in body
    assert str(line.discrepancy) in body
    assert "Nothing in the record answers it by itself" in body


def test_an_acceptance_names_what_is_given_up(filed, clerk):
    make_fact(filed, FactKind.OFFER, actor=clerk)
    body = draft(filed, LetterKind.ACCEPTANCE).body
    assert "150.00" in body
    assert "not pursued" in body


@pytest.mark.parametrize("kind", [LetterKind.WITHDRAWAL, LetterKind.SALVAGE])
def test_the_rest_of_the_letters_are_worded_too(filed, kind):
    letter = draft(filed, kind)
    assert letter.subject
    assert "{{" not in letter.body
    assert "\n\n\n" not in letter.body


def test_a_letter_that_nothing_calls_for_is_refused(filed):
    with pytest.raises(Refused) as refused:
        draft(filed, LetterKind.REFUND)
    assert refused.value.code == "letter_does_not_fit"


def test_every_kind_has_its_text(filed):
    for kind in LetterKind:
        subject, body = letters.worded(filed, kind, at=LATER)
        assert subject, kind
        assert str(filed) in subject + body, kind


def test_a_letter_counts_per_claim_and_is_told(filed, site):
    first, second = draft(filed, LetterKind.WITHDRAWAL), draft(filed, LetterKind.SALVAGE)
    assert (first.number, second.number) == (1, 2)
    assert Event.objects.filter(verb="letter.drafted").count() == 2
    assert not [mismatch for mismatch in verify(site) if "letter" in str(mismatch)]


# --- edited, sent -----------------------------------------------------------------------------------------------------


def test_of_two_who_edit_the_second_is_told(filed):
    letter = draft(filed, LetterKind.WITHDRAWAL)
    edit(letter, "First.")
    with pytest.raises(ChangedMeanwhile):
        edit(Letter.objects.get(pk=letter.pk), "Second.", version=1)
    assert Letter.objects.get(pk=letter.pk).body == "First.\n"


def test_a_letter_goes_with_its_pdf_and_is_frozen(filed, settings):
    letter = send(edit(draft(filed, LetterKind.WITHDRAWAL), "We withdraw."))
    [sent] = outbox.outbox
    assert sent.to == ["claims@tern.example"]
    [attachment] = sent.attachments
    assert attachment[1].startswith(b"%PDF-")
    with default_storage.open(letter.pdf) as file:
        assert file.read() == attachment[1]
    row = Message.objects.get()
    assert (row.letter, row.part, row.parts) == (letter, 1, 1)
    assert Event.objects.get(verb="letter.sent").after["body"] == "We withdraw.\n"
    with pytest.raises(Refused) as refused:
        edit(letter, "We do not.")
    assert refused.value.code == "letter_sent"
    with pytest.raises(Refused):
        send(letter)
    assert len(outbox.outbox) == 1


def test_somebody_s_older_words_are_not_sent(filed):
    letter = draft(filed, LetterKind.WITHDRAWAL)
    letter = edit(letter, "Old words.")
    old = Letter.objects.get(pk=letter.pk)
    edit(letter, "Newer words.")
    with pytest.raises(ChangedMeanwhile):
        send(old)
    assert outbox.outbox == []


def test_a_letter_goes_on_paper_too(filed):
    letter = edit(draft(filed, LetterKind.WITHDRAWAL), "We withdraw.")
    given = {"version": letter.version, "actor": letter.drafted_by, "at": LATER}
    with pytest.raises(Refused):
        letters.mark_sent(letter, way=FilingWay.EMAIL, **given)
    letter = letters.mark_sent(letter, way=FilingWay.POST, **given)
    assert (letter.sent_way, bool(letter.pdf_sha256)) == ("post", True)


def test_the_same_letter_makes_the_same_paper(filed):
    letter = draft(filed, LetterKind.WITHDRAWAL)
    assert letters.pdf_bytes(letter, NOON) == letters.pdf_bytes(letter, NOON)


def test_a_reversed_request_for_papers_calls_for_nothing(filed, clerk):
    fact = make_fact(filed, FactKind.PAPERS_ASKED, actor=clerk)
    facts.reverse(fact, reason="of another claim", uuid=uuid.uuid4(), actor=clerk, at=LATER)
    assert LetterKind.PAPERS not in kinds(filed)


class Slow(EmailBackend):
    """A mail server during whose work somebody else presses the button too; or that takes nothing."""

    meanwhile = None
    takes = True

    def send_messages(self, messages):
        if type(self).meanwhile:
            press, type(self).meanwhile = type(self).meanwhile, None
            press()
        if not type(self).takes:
            raise OSError("busy")
        return super().send_messages(messages)


def test_a_second_who_sends_while_a_mail_server_is_waited_for_is_told_and_sends_nothing(filed, settings):
    settings.EMAIL_BACKEND = f"{__name__}.Slow"
    letter, told = edit(draft(filed, LetterKind.WITHDRAWAL), "We withdraw."), []

    stale = Letter.objects.get(pk=letter.pk)
    Slow.meanwhile, Slow.takes = (lambda: told.append(refusal_of(stale))), True
    assert send(letter).sent_at
    assert isinstance(told[0], ChangedMeanwhile)
    assert len(outbox.outbox) == 1


def refusal_of(letter):
    try:
        send(letter)
    except Refused as why:
        return why


def test_a_letter_that_the_mail_server_did_not_take_can_be_sent_again(filed, settings):
    settings.EMAIL_BACKEND = f"{__name__}.Slow"
    letter = edit(draft(filed, LetterKind.WITHDRAWAL), "We withdraw.")
    Slow.meanwhile, Slow.takes = None, False
    with pytest.raises(Refused):
        send(letter)
    Slow.takes = True
    assert send(letter).sent_at
