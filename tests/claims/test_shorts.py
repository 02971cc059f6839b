"""Is it really gone: the search at all sites, what was asked, and the statement that may only then be signed."""

import uuid

import pytest

from claims import shorts
from claims.models import ClaimLine, Statement
from receiving import discrepancies
from receiving.enums import ArrivalState, Kind
from receiving.models import Carton, Discrepancy
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify
from tests.builders import NOON, make_account, make_arrival, make_cartons, make_person, make_piece, make_site
from tests.claims.builders import make_claim, make_load

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def other():
    return make_site("SOU", name="Southfork", responsible_person="Ida Brand", responsible_phone="555-0100")


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def claim(site, clerk):
    return make_claim(site, actor=clerk, damaged=1, short=2)


def label(claim, position=0):
    return shorts.label_of(shorts.short_lines(claim)[position])


def asked(claim, answer="no", note="D. Roe of the account, by phone"):
    return shorts.answer_asked(claim, answer=answer, note=note, version=claim.version, actor=claim.opened_by, at=NOON)


def sign(claim, signer="R. Vale", text=None):
    lines = shorts.short_lines(claim)
    text = text or shorts.statement_text(claim, lines, shorts.search(claim))
    return shorts.sign(
        claim, signer=signer, role="claims clerk", text=text, uuid=uuid.uuid4(), actor=claim.opened_by, at=NOON
    )


def over_at(site, label, actor):
    arrival = make_arrival(site, actor=actor, state=ArrivalState.UNLOADING, account=make_account())
    return make_piece(arrival, actor=actor, kind=Kind.OVER, label=label)


def test_nothing_found_says_what_was_looked_through(claim, other):
    Carton.objects.filter(received=1).update(received_at=NOON)
    found = shorts.search(claim)
    assert found.matches == ()
    assert found.sites == (claim.site.name, "Southfork")
    assert "pieces over" in found.words
    assert [each.count for each in found.looked][3] > 0


def test_an_over_of_the_own_site_is_named(claim, clerk):
    over = over_at(claim.site, label(claim), clerk)
    [match] = shorts.search(claim).matches
    assert str(over) in match.words
    assert match.url == over.get_absolute_url()


def test_an_over_of_another_site_is_told_without_more_than_that_it_exists(claim, other):
    over = over_at(other, label(claim), make_person("lead", other, "o-lead"))
    [match] = shorts.search(claim).matches
    assert match.ask == "Southfork, Ida Brand, 555-0100"
    assert match.url == ""
    assert str(over) not in match.words


def test_a_rerouted_piece_elsewhere_is_a_match_too(claim, other, clerk):
    Discrepancy.objects.filter(pk=over_at(other, label(claim), clerk).pk).update(kind=Kind.OVER, damaged_too=True)
    assert len(shorts.search(claim).matches) == 1


def test_a_void_over_is_no_match(claim, clerk):
    over = over_at(claim.site, label(claim), clerk)
    discrepancies.void(over, reason="logged twice", actor=clerk, at=NOON)
    assert shorts.search(claim).matches == ()


def test_the_same_serial_code_received_on_another_list_is_a_match(claim, other, clerk):
    shipment = make_arrival(other, actor=clerk, state=ArrivalState.COUNTED).shipments.get()
    make_cartons(shipment, 1, start=777)
    Carton.objects.filter(shipment=shipment).update(label=label(claim), received=1)
    [match] = shorts.search(claim).matches
    assert match.ask.startswith("Southfork")
    Carton.objects.filter(shipment=shipment).update(received=0)
    assert shorts.search(claim).matches == ()


def test_a_short_that_was_found_is_a_match_of_its_own(claim, clerk):
    piece = shorts.short_lines(claim)[0].discrepancy
    discrepancies.mark_found(piece, where="door 4", actor=clerk, at=NOON)
    [match] = shorts.search(claim).matches
    assert match.piece == str(piece)


def test_overs_without_a_label_are_shown_where_shorts_have_none(site, clerk):
    shipment = make_load(site, actor=clerk, damaged=0, short=1)
    claim = make_claim(site, actor=clerk, shipment=shipment)
    over_at(site, "", clerk)
    assert shorts.search(claim).alike == ()
    Discrepancy.objects.filter(pk=shorts.short_lines(claim)[0].discrepancy_id).update(label="", carton=None)
    assert len(shorts.search(claim).alike) == 1


def test_the_search_asks_the_same_number_of_questions_for_one_short_and_for_many(
    site, clerk, django_assert_num_queries
):
    few = make_claim(site, actor=clerk, damaged=0, short=1)
    many = make_claim(site, actor=clerk, damaged=0, short=6)
    for claim in (few, many):
        lines = shorts.short_lines(claim)
        with django_assert_num_queries(7):
            shorts.search(claim, lines=lines)


# --- asked, signed ----------------------------------------------------------------------------------------------------


def test_what_was_answered_is_kept_and_told(claim):
    claim = asked(claim)
    assert (claim.asked_owner, claim.asked_note) == ("no", "D. Roe of the account, by phone")


def test_an_answer_without_who_gave_it_is_refused(claim):
    with pytest.raises(Refused) as refused:
        asked(claim, note=" ")
    assert refused.value.field == "asked_note"


def test_of_two_answers_at_once_the_second_is_told(claim):
    asked(claim)
    claim.version -= 1
    with pytest.raises(ChangedMeanwhile):
        asked(claim, answer="yes")


def test_a_statement_is_signed_with_what_was_searched(claim):
    row = sign(asked(claim))
    assert row.searched["words"] in row.text
    assert row.lines == [line.pk for line in shorts.short_lines(claim)]
    assert not [mismatch for mismatch in verify(claim.site) if "statement" in str(mismatch)]


@pytest.mark.parametrize("answer", ["unknown", "yes"])
def test_nobody_signs_before_owner_supplier_and_insurer_were_asked_or_after_one_was_paid(claim, answer):
    claim = asked(claim, answer=answer)
    with pytest.raises(Refused):
        sign(claim)
    assert not Statement.objects.exists()


def test_a_match_that_came_up_since_blocks_the_signature(claim, clerk):
    claim = asked(claim)
    over_at(claim.site, label(claim), clerk)
    with pytest.raises(Refused) as refused:
        sign(claim)
    assert refused.value.code == "match_found"


def test_words_that_the_record_does_not_give_any_more_are_not_signed(claim):
    claim = asked(claim)
    text = shorts.statement_text(claim, shorts.short_lines(claim), shorts.search(claim))
    claim = asked(claim, note="D. Roe, in writing")
    with pytest.raises(ChangedMeanwhile):
        sign(claim, text=text)


def test_a_name_is_needed_and_a_short_line(claim, site, clerk):
    with pytest.raises(Refused) as refused:
        sign(asked(claim), signer=" ")
    assert refused.value.field == "signer"
    with pytest.raises(Refused) as refused:
        sign(asked(make_claim(site, actor=clerk, short=0)))
    assert refused.value.code == "no_shorts"


def test_a_statement_stands_until_other_pieces_are_claimed_or_one_turns_up(claim, clerk):
    row = sign(asked(claim))
    lines = shorts.short_lines(claim)
    assert shorts.statement_standing(claim, lines, shorts.search(claim), row).holds
    assert not shorts.statement_standing(claim, lines, shorts.search(claim), None).holds
    over_at(claim.site, label(claim), clerk)
    assert "turned up" in shorts.statement_standing(claim, lines, shorts.search(claim), row).why
    ClaimLine.objects.filter(pk=lines[0].pk).update(live=False, dropped_reason="found")
    fewer = shorts.short_lines(claim)
    assert "other pieces" in shorts.statement_standing(claim, fewer, shorts.search(claim), row).why
