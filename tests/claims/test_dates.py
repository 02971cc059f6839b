"""What is due on a claim: each duty appears with its start, is done by the right fact, and comes back when that is
taken back."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from claims import dates, filing, letters, terms
from claims.enums import FactKind, Purpose, Speaker, Stage
from claims.models import Claim, Letter
from receiving.models import Arrival, Discrepancy, ExceptionSheet, Shipment
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import losses, make_load
from tests.claims.dated import (
    ACKNOWLEDGE,
    CMR,
    DECIDE,
    FILE,
    KEEPING,
    NOTICE,
    STATUS,
    SUE,
    as_now,
    concealed,
    day,
    days,
    draft,
    due,
    duties,
    filed,
    kinds,
    make_dated_terms,
    make_letter,
    make_paper,
    send_packet,
)
from tests.claims.fact_builders import FILED, decide, make_fact, take_back

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def us():
    return make_dated_terms()


def received(claim, clerk, on=FILED):
    return make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=on, received_on=on)


def refuse(claim, clerk, *positions, on=None, allowed=0, **said):
    """The carrier decides on these lines, on all of them if none is named."""
    chosen = claim.lines.filter(position__in=positions) if positions else claim.lines.all()
    return make_fact(
        claim,
        FactKind.DECISION,
        actor=clerk,
        on=on,
        decisions=[decide(line, line.amount if allowed == "all" else allowed) for line in chosen],
        **said,
    )


# -- before filing


def test_damage_counts_from_delivery_and_loss_from_the_bill(site, clerk, us):
    assert due(draft(site, clerk)) == {("file", (1,)): day("2026-12-02"), ("file", (2,)): day("2026-11-26")}


def test_lines_with_the_same_date_are_one_entry_of_the_whole_claim(site, clerk, us):
    claim = draft(site, clerk, damaged=3, short=0)
    assert due(claim) == {("file", ()): day("2026-12-02")}


def test_the_first_entry_is_the_earliest_and_says_its_rule(site, clerk, us):
    first = dates.of_claim(draft(site, clerk), at=NOON)[0]
    assert first.words == (
        "File by Thu 26 Nov 2026: nine months after the date of the bill of lading, Thu 26 Feb 2026 (section 3)"
    )
    assert (first.source, first.effect, first.target) == ("section 3", "the right is lost", day("2026-11-25"))
    assert first.about == "NOR-26-0001, line 2" and first.who == clerk and first.is_ours


def test_a_start_that_nobody_knows_stands_on_top_and_says_what_it_needs(site, clerk, us):
    claim = draft(site, clerk)
    Shipment.objects.filter(pk=claim.shipment_id).update(bill_date=None)
    first, second = dates.of_claim(claim, at=NOON)
    assert (first.day, first.lines, first.is_overdue(NOON), first.days_left(FILED)) == (None, (2,), False, None)
    assert "no date: needs the date of the bill of lading" in first.words
    assert second.date == day("2026-12-02")


def test_filing_ends_what_was_to_be_done_before(site, clerk, us):
    assert not duties(filed(site, clerk)) & {"file", "note_at_delivery", "notice"}


def test_a_claim_without_terms_has_no_date_and_says_so_first(site, clerk):
    [entry] = dates.of_claim(draft(site, clerk), at=NOON)
    assert (entry.kind, entry.day) == ("terms", None)
    assert entry.words.startswith("No date: needs terms")


def test_the_day_of_delivery_is_the_sites(site, clerk, us):
    late = datetime(2026, 3, 3, 5, 30, tzinfo=UTC)  # still Mon 2 Mar, 23:30, in Chicago
    load = make_load(site, actor=clerk, short=0, at=late)
    assert due(draft(site, clerk, shipment=load)) == {("file", ()): day("2026-12-02")}


@pytest.mark.parametrize(
    ("means", "ends"),
    [("earliest", "2026-11-28"), ("dropped", "2026-11-28"), ("opened", "2026-12-02"), ("released", "2026-12-05")],
)
def test_delivered_is_what_the_terms_say(site, clerk, means, ends):
    make_dated_terms(FILE, delivered_means=means)
    claim = draft(site, clerk, short=0)
    Arrival.objects.update(dropped_at=NOON - days(2), opened_at=NOON, released_at=NOON + days(3))
    assert due(claim) == {("file", ()): day(ends)}


def test_delivery_that_the_terms_mean_and_nobody_wrote_down_is_unknown(site, clerk):
    make_dated_terms(FILE, delivered_means="dropped")
    assert due(draft(site, clerk, short=0)) == {("file", ()): None}


def test_a_filed_claim_goes_by_the_terms_frozen_then(site, clerk, us):
    claim = filed(site, clerk)
    Claim.objects.filter(pk=claim.pk).update(frozen_terms=terms.frozen(claim.terms))
    us.periods.filter(duty="acknowledge").update(length=5)
    assert due(as_now(claim))["acknowledge", ()] == FILED + days(30)


# -- concealed damage


def test_only_what_was_found_after_release_is_to_be_reported(site, clerk, us):
    claim = draft(site, clerk, damaged=2, short=0)
    assert "concealed_notice" not in duties(claim)
    concealed(claim, 2)
    assert due(claim)["concealed_notice", (2,)] == day("2026-03-09")
    [entry] = [each for each in dates.of_claim(claim, at=NOON) if each.head.startswith("report concealed")]
    assert "Monday to Friday less US federal holidays" in entry.caution


def test_a_notice_that_went_ends_it_for_the_pieces_it_names(site, clerk, us):
    claim = draft(site, clerk, damaged=2, short=0)
    first, second = concealed(claim, 1), concealed(claim, 2)
    make_letter(claim, clerk, body=f"- a carton ({first})", sent=False)
    make_letter(claim, clerk, body=f"- a carton ({second})", kind="contest")
    assert due(claim)["concealed_notice", ()] == day("2026-03-09")
    make_letter(claim, clerk, body=f"- a carton ({first}): crushed; one more, {second}0")
    assert due(claim)["concealed_notice", (2,)] == day("2026-03-09")
    make_letter(claim, clerk, body=f"- a carton ({second}): crushed")
    assert "concealed_notice" not in duties(claim)


def test_filing_does_not_replace_the_notice_of_concealed_damage(site, clerk, us):
    claim = filed(site, clerk)
    concealed(claim)
    assert due(claim)["concealed_notice", (1,)] == day("2026-03-09")


def test_a_general_notice_is_given_by_filing_or_by_a_letter(site, clerk):
    make_dated_terms(*CMR, regime="cmr")
    claim = draft(site, clerk, short=0)
    assert due(claim)["notice", ()] == day("2026-03-10")
    make_letter(claim, clerk, body=str(claim.lines.get().discrepancy))
    assert "notice" not in duties(claim)
    assert "notice" not in duties(filed(site, clerk))


def make_sheet(claim, clerk, *, names, outcome="signed", at=NOON, number=1):
    content = {"pieces": [{"number": str(name)} for name in names]}
    told = {"content": content, "signer": "Sam Rivers", "carrier_receipt": "none", "log_seq": 0, "log_head": "0" * 64}
    return ExceptionSheet.objects.create(
        site=claim.site, arrival=claim.shipment.arrival, number=number, outcome=outcome, actor=clerk, at=at, **told
    )


def test_under_the_cmr_a_sheet_that_the_driver_signed_is_the_notice_for_the_pieces_on_it(site, clerk):
    make_dated_terms(*CMR, regime="cmr")
    claim = draft(site, clerk, damaged=2, short=0)
    first, second = claim.lines.order_by("position")
    make_sheet(claim, clerk, names=[first.discrepancy])
    assert due(claim)["notice", (2,)] == day("2026-03-10")
    [(reservation, lines)] = dates.done_by_sheet(claim)
    assert lines == [1]
    assert reservation.words == (
        "Done at delivery: the driver Sam Rivers signed sheet R-0001 on Mon 2 Mar 2026 "
        "(CMR Art. 30(1), apparent loss or damage)"
    )
    make_sheet(claim, clerk, names=[first.discrepancy, second.discrepancy], number=2)
    assert "notice" not in duties(claim)


@pytest.mark.parametrize("outcome", ["refused", "not_present", "at_pickup", "clean", "not_seen"])
def test_under_the_cmr_a_sheet_that_nobody_signed_for_the_carrier_leaves_the_notice_due(site, clerk, outcome):
    make_dated_terms(*CMR, regime="cmr")
    claim = draft(site, clerk, short=0)
    make_sheet(claim, clerk, names=[claim.lines.get().discrepancy], outcome=outcome)
    assert due(claim)["notice", ()] == day("2026-03-10")
    assert dates.done_by_sheet(claim) == []


def test_under_another_law_a_signed_sheet_is_no_written_notice(site, clerk):
    make_dated_terms(*CMR, regime="montreal")
    claim = draft(site, clerk, short=0)
    make_sheet(claim, clerk, names=[claim.lines.get().discrepancy])
    assert due(claim)["notice", ()] == day("2026-03-10")
    assert dates.done_by_sheet(claim) == []


def test_under_the_cmr_an_unclaimed_piece_on_a_signed_sheet_needs_no_notice_either(site, clerk):
    make_dated_terms(*CMR, regime="cmr")
    claim = draft(site, clerk, short=0)
    piece = claim.lines.get().discrepancy
    piece.shipment = claim.shipment

    def asked():
        return [each.duty for each in dates.of_pieces(site, [piece], NOON)[piece][1]]

    assert asked() == ["notice"]
    make_sheet(claim, clerk, names=[piece])
    assert asked() == []


def test_a_final_statement_is_done_by_filing_with_the_paid_freight_bill(site, clerk):
    statement = {"duty": "final_statement", "trigger": "delivered", "length": 9, "counting": "months"}
    make_dated_terms(statement)
    claim = filed(site, clerk)
    assert due(claim) == {("final_statement", ()): day("2026-12-02")}
    make_paper(claim, clerk)
    assert "final_statement" in duties(claim), "the bill is there and nobody said that it is paid"
    Claim.objects.update(freight_paid="yes")
    assert due(claim) == {}


# -- the carrier's duties


def test_until_the_carrier_says_when_it_received_the_claim_the_thirty_days_run_from_filing_and_say_so(site, clerk, us):
    claim = filed(site, clerk)
    found = {each.due.duty: each for each in dates.of_claim(claim, at=NOON)}
    assert found["acknowledge"].date == FILED + days(30) and not found["acknowledge"].is_ours
    assert "Counted from the day it was filed" in found["acknowledge"].words
    assert found["decide"].day is None and "needs the day the carrier received the claim" in found["decide"].words


def test_an_acknowledgement_ends_the_thirty_days_and_starts_the_hundred_and_twenty(site, clerk, us):
    claim = filed(site, clerk)
    fact = received(claim, clerk, FILED + days(3))
    assert due(claim) == {("decide", ()): FILED + days(123)}
    take_back(fact, actor=clerk)
    assert due(claim) == {("acknowledge", ()): FILED + days(30), ("decide", ()): None}


def test_of_several_acknowledgements_the_last_one_counts(site, clerk, us):
    claim = filed(site, clerk)
    make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=FILED + days(9), received_on=FILED + days(5))
    make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk, on=FILED + days(10), received_on=FILED + days(2))
    assert due(claim) == {("decide", ()): FILED + days(122)}


@pytest.mark.parametrize("kind", [FactKind.OFFER, FactKind.RECEIPT, FactKind.OFFSET])
def test_an_answer_in_money_is_an_acknowledgement_too(site, clerk, us, kind):
    claim = filed(site, clerk)
    make_fact(claim, kind, actor=clerk)
    assert "acknowledge" not in duties(claim)


def test_a_drafts_carrier_owes_nothing(site, clerk, us):
    assert duties(draft(site, clerk)) == {"file"}


def test_a_line_decided_in_writing_for_the_carrier_is_decided(site, clerk, us):
    claim = filed(site, clerk)
    received(claim, clerk)
    fact = refuse(claim, clerk, 1)
    assert due(claim)["decide", (2,)] == FILED + days(120)
    refuse(claim, clerk, 2, allowed="all")
    assert "decide" not in duties(claim)
    take_back(fact, actor=clerk)
    assert due(claim) == {("decide", (1,)): FILED + days(120)}


@pytest.mark.parametrize("said", [{"in_writing": False}, {"speaker": Speaker.INSURER}, {"speaker": Speaker.BROKER}])
def test_what_does_not_bind_the_carrier_decides_nothing_and_starts_no_suit(site, clerk, us, said):
    claim = filed(site, clerk)
    received(claim, clerk)
    refuse(claim, clerk, **said)
    assert due(claim) == {("decide", ()): FILED + days(120)}


def test_a_firm_offer_in_writing_is_a_decision_in_time_and_a_spoken_one_is_none(site, clerk, us):
    claim = filed(site, clerk)
    received(claim, clerk)
    make_fact(claim, FactKind.OFFER, actor=clerk, in_writing=False, speaker=Speaker.CARRIER)
    assert "decide" in duties(claim)
    make_fact(claim, FactKind.OFFER, actor=clerk, in_writing=True, speaker=Speaker.CARRIER)
    assert "decide" not in duties(claim)


def test_an_agreement_ends_the_time_to_decide(site, clerk, us):
    claim = filed(site, clerk)
    received(claim, clerk)
    make_fact(claim, FactKind.AGREED, actor=clerk)
    assert due(claim) == {}


def test_status_notices_are_owed_after_the_day_of_decision_has_passed(site, clerk):
    make_dated_terms(DECIDE, STATUS)
    claim = filed(site, clerk)
    received(claim, clerk)
    assert duties(claim, NOON + days(120)) == {"decide"}
    assert due(claim, NOON + days(121))["status", ()] == FILED + days(180)


@pytest.mark.parametrize(
    ("notices", "today", "owed"),
    [
        ([], 200, 180),
        ([], 250, 180),
        ([119], 200, 180),  # for the day of decision itself
        ([180], 200, 240),
        ([185], 200, 240),  # late, and for the first all the same
        ([240], 245, 300),  # the first was missed, nobody asks for it any more
        ([120, 178, 241], 245, 300),
        ([170, 172, 174], 200, 240),  # three notices are not three periods
    ],
)
def test_a_status_notice_is_for_the_period_it_comes_at_the_end_of(site, clerk, notices, today, owed):
    make_dated_terms(DECIDE, STATUS)
    claim, later = filed(site, clerk), NOON + days(300)
    received(claim, clerk)
    for number in notices:
        make_fact(claim, FactKind.STATUS, actor=clerk, on=FILED + days(number), at=later)
    assert due(claim, NOON + days(today))["status", ()] == FILED + days(owed)


def test_a_decision_ends_status_notices(site, clerk, us):
    claim = filed(site, clerk)
    received(claim, clerk)
    refuse(claim, clerk)
    assert "status" not in duties(claim, NOON + days(200))


# -- suit


def test_each_line_has_its_own_time_to_sue_from_its_own_disallowance(site, clerk, us):
    claim = filed(site, clerk)
    refuse(claim, clerk, 1, on=day("2026-03-10"))
    refuse(claim, clerk, 2, on=day("2026-03-20"))
    found = due(claim)
    assert found["sue", (1,)] == day("2028-03-11")
    assert found["sue", (2,)] == day("2028-03-21")


def test_lines_disallowed_on_one_day_are_one_date(site, clerk, us):
    claim = filed(site, clerk)
    fact = refuse(claim, clerk, on=day("2026-03-10"))
    assert due(claim)["sue", ()] == day("2028-03-11")
    take_back(fact, actor=clerk)
    assert "sue" not in duties(claim)


def test_the_date_of_one_line_stands_while_the_other_is_not_decided(site, clerk, us):
    claim = filed(site, clerk)
    received(claim, clerk)
    refuse(claim, clerk, 2, on=day("2026-03-10"))
    assert due(claim) == {("sue", (2,)): day("2028-03-11"), ("decide", (1,)): FILED + days(120)}


def test_a_suit_brought_ends_the_time_to_sue_and_comes_back_with_its_reversal(site, clerk, us):
    claim = filed(site, clerk)
    refuse(claim, clerk)
    fact = make_fact(claim, FactKind.SUED, actor=clerk)
    assert "sue" not in duties(claim)
    take_back(fact, actor=clerk)
    assert "sue" in duties(claim)


def test_the_time_to_sue_runs_on_through_an_agreement_until_the_money_is_in(site, clerk, us):
    claim = filed(site, clerk)
    refuse(claim, clerk)
    make_fact(claim, FactKind.AGREED, actor=clerk)
    assert "sue" in duties(claim)
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(150))
    assert "sue" not in duties(claim)
    take_back(fact, actor=clerk)
    assert "sue" in duties(claim)


def test_nothing_runs_once_the_claim_is_closed_or_withdrawn(site, clerk, us):
    claim = filed(site, clerk)
    refuse(claim, clerk)
    for stage in (Stage.CLOSED, Stage.WITHDRAWN):
        Claim.objects.update(stage=stage)
        assert dates.of_claim(claim, at=NOON) == []


# -- CMR


def test_under_the_cmr_time_runs_from_delivery_and_stands_still_from_a_written_claim(site, clerk):
    make_dated_terms(*CMR, regime="cmr")
    claim = filed(site, clerk, short=0, damaged=2)
    assert due(claim) == {("sue", ()): day("2027-03-02")}
    received(claim, clerk, day("2026-03-12"))
    [entry] = dates.of_claim(claim, at=NOON)
    assert entry.day is None
    assert "time stands still until" in entry.words and "Tue 2 Mar 2027" in entry.words


def test_under_the_cmr_a_refusal_with_the_papers_back_lets_time_run_on_for_its_lines(site, clerk):
    make_dated_terms(*CMR, regime="cmr")
    claim = filed(site, clerk, short=0, damaged=2)
    received(claim, clerk, day("2026-03-12"))
    refuse(claim, clerk, 1, on=day("2026-03-20"), papers_returned=False)
    assert due(claim) == {("sue", ()): None}
    refuse(claim, clerk, 1, on=day("2026-03-22"), papers_returned=True)
    assert due(claim) == {("sue", (1,)): day("2027-03-12"), ("sue", (2,)): None}
    uids = [entry.uid for entry in dates.of_claim(claim, at=NOON)]
    assert len(set(uids)) == 2


# -- what waits without a date of law


def test_an_open_offer_has_its_end_and_none_once_it_is_answered(site, clerk, us):
    claim = filed(site, clerk)
    offer = make_fact(claim, FactKind.OFFER, actor=clerk, until=day("2026-04-01"))
    [entry] = [each for each in dates.of_claim(claim, at=NOON) if each.kind == "offer"]
    assert entry.date == day("2026-04-01")
    assert entry.words == "Accept or decline the offer of USD 150.00; it is open until Wed 1 Apr 2026."
    make_fact(claim, FactKind.OFFER_DECLINED, actor=clerk, answers=offer)
    assert "offer" not in kinds(dates.of_claim(claim, at=NOON))


def test_an_offer_without_an_end_has_no_date_and_stands_on_top(site, clerk):
    make_dated_terms(FILE)
    claim = filed(site, clerk)
    make_fact(claim, FactKind.OFFER, actor=clerk, until=None)
    first = dates.of_claim(claim, at=NOON)[0]
    assert (first.kind, first.day) == ("offer", None) and first.words.startswith("No date: needs until when")


def test_papers_asked_for_wait_until_they_are_sent(site, clerk):
    make_dated_terms(FILE)
    claim = filed(site, clerk)
    one = make_fact(claim, FactKind.PAPERS_ASKED, actor=clerk, until=day("2026-04-01"))
    two = make_fact(claim, FactKind.PAPERS_ASKED, actor=clerk, on=one.on + days(5), note="the pack list")
    assert [each.date for each in dates.of_claim(claim, at=NOON)] == [FILED, day("2026-04-01")]
    make_fact(claim, FactKind.PAPERS_SENT, actor=clerk, on=two.on + days(1), answers=two)
    [entry] = dates.of_claim(claim, at=NOON)
    assert "the invoice" in entry.words
    sent = make_fact(claim, FactKind.PAPERS_SENT, actor=clerk, on=one.on)
    assert dates.of_claim(claim, at=NOON) == []
    take_back(sent, actor=clerk)
    assert kinds(dates.of_claim(claim, at=NOON)) == ["papers"]


def test_papers_sent_before_they_were_asked_for_answer_nothing(site, clerk):
    make_dated_terms(FILE)
    claim = filed(site, clerk)
    make_fact(claim, FactKind.PAPERS_SENT, actor=clerk, on=FILED + days(1))
    make_fact(claim, FactKind.PAPERS_ASKED, actor=clerk, on=FILED + days(2))
    assert kinds(dates.of_claim(claim, at=NOON)) == ["papers"]


def test_each_letter_that_did_not_go_waits_by_itself(site, clerk):
    make_dated_terms(FILE)
    claim = filed(site, clerk)
    for kind in ("contest", "salvage"):
        make_letter(claim, clerk, kind=kind, sent=False)
    make_letter(claim, clerk, kind="papers")
    found = dates.of_claim(claim, at=NOON + days(9))
    assert [(each.kind, each.date) for each in found] == [("letter", FILED + days(9))] * 2
    assert len({each.uid for each in found}) == 2
    Letter.objects.update(sent_at=NOON)
    assert dates.of_claim(claim, at=NOON) == []


def test_money_that_came_in_over_the_claim_is_to_be_returned(site, clerk, us):
    claim = filed(site, clerk)
    refuse(claim, clerk)
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=claim.amount + 7)
    [entry] = dates.of_claim(claim, at=NOON)
    assert (entry.kind, entry.amount) == ("refund", 7) and "return USD 7.00" in entry.words


def test_a_packet_that_came_back_leaves_the_claim_unfiled(site, clerk, us):
    claim = filed(site, clerk)
    packet = send_packet(claim, clerk, parts=2, back=[2])
    assert "bounced" in kinds(dates.of_claim(claim, at=NOON))
    assert due(claim)["file", (2,)] == day("2026-11-26")
    send_packet(claim, clerk, parts=2, back=[1], packet=packet)
    assert "bounced" not in kinds(dates.of_claim(claim, at=NOON)), "part 1 came the first time, part 2 the second"
    assert "file" not in duties(claim)


def test_an_answer_shows_that_the_claim_arrived_after_all(site, clerk, us):
    claim = filed(site, clerk)
    send_packet(claim, clerk, back=[1])
    received(claim, clerk)
    assert not {"bounced", "file"} & {*kinds(dates.of_claim(claim, at=NOON)), *duties(claim)}


def test_a_claim_filed_on_paper_is_filed_whatever_its_e_mail_did(site, clerk, us):
    claim = filed(site, clerk)
    Claim.objects.update(filing_way="post")
    send_packet(claim, clerk, back=[1])
    assert "file" not in duties(claim)


# -- cartons that turn up


@pytest.mark.parametrize(
    ("stage", "words"),
    [
        ("draft", "take its line off the draft or correct it, USD 125.00 less"),
        ("filed", "amend the claim by USD 125.00, or withdraw it"),
        ("closed", "after the claim was closed: return USD 125.00"),
    ],
)
def test_a_carton_found_after_it_was_claimed(site, clerk, us, stage, words):
    claim = filed(site, clerk)
    Claim.objects.update(stage=stage)
    piece = claim.lines.get(kind="loss").discrepancy
    Discrepancy.objects.filter(pk=piece.pk).update(state="found")
    for found in (dates.of_claim(claim, at=NOON), dates.of_site(site, at=NOON)):
        [entry] = [each for each in found if each.kind == "turned_up"]
        assert words in entry.words and str(piece) in entry.words
        assert (entry.amount, entry.date, entry.lines) == (125, FILED, (2,))
        assert entry.head == "amend, withdraw or refund"


def test_a_carton_found_on_a_withdrawn_claim_asks_nothing(site, clerk, us):
    claim = filed(site, clerk)
    Claim.objects.update(stage="withdrawn")
    Discrepancy.objects.filter(pk=claim.lines.get(kind="loss").discrepancy_id).update(state="found")
    assert dates.of_claim(claim, at=NOON) == [] == dates.of_site(site, at=NOON)


# -- hand-overs


def test_a_hand_over_not_made_yet_shows_by_when_its_receiver_has_to_file(site, clerk, us):
    claim = draft(site, clerk, purpose=Purpose.HANDOVER)
    found = dates.of_claim(claim, at=NOON)
    assert [each.date for each in found] == [day("2026-11-26"), day("2026-12-02")]
    assert all("hand it over in time: File by" in each.words for each in found)


def test_once_handed_over_nothing_of_it_runs_for_us(site, clerk, us):
    assert dates.of_claim(filed(site, clerk, purpose=Purpose.HANDOVER), at=NOON) == []


# -- what is not listed, queries, others


def test_a_file_to_keep_and_a_delay_are_not_listed(site, clerk):
    delay = {"duty": "delay_notice", "trigger": "at_disposal", "length": 21, "counting": "days"}
    make_dated_terms(KEEPING, delay, FILE | {"duty": "note_at_delivery"})
    assert dates.of_claim(draft(site, clerk), at=NOON) == []


def test_every_uid_is_its_own_and_stays_while_dates_move(site, clerk, us):
    claim = filed(site, clerk)
    concealed(claim)
    refuse(claim, clerk, 1)
    before = [entry.uid for entry in dates.of_claim(claim, at=NOON)]
    assert len(set(before)) == len(before) == 3
    Arrival.objects.update(opened_at=NOON - days(3), released_at=NOON)
    Claim.objects.update(filed_on=FILED + days(1))
    assert {entry.uid for entry in dates.of_claim(as_now(claim), at=NOON)} == set(before)


def test_periods_for_non_delivery_hold_where_nothing_came(site, clerk):
    nothing = {"duty": "file", "applies": "non_delivery", "trigger": "due_delivery", "length": 9, "counting": "months"}
    make_dated_terms(nothing)
    claim = draft(site, clerk, damaged=0, short=2, good=0)
    assert due(claim) == {("file", ()): None}
    Arrival.objects.update(appointment_at=NOON)
    assert due(claim) == {("file", ()): day("2026-12-02")}
    assert due(draft(site, clerk, damaged=0, short=2, good=1)) == {}


def test_a_year_whose_holidays_nobody_knows_breaks_nothing(site, clerk):
    make_dated_terms(DECIDE | {"counting": "business_days", "length": 300}, STATUS, NOTICE, calendar_country="LK")
    claim = filed(site, clerk)
    received(claim, clerk)
    assert due(claim) == {("decide", ()): None}


def test_many_claims_take_as_many_queries_as_one(site, clerk, us):
    def asked(rows):
        with CaptureQueriesContext(
            connection,
        ) as queries:
            assert dates.of_claims(rows, at=NOON)
        return len(queries)

    first = filed(site, clerk)
    busy(first, clerk)
    one = asked(Claim.objects.all())
    for _n in range(2):
        busy(filed(site, clerk), clerk)
    assert asked(Claim.objects.all()) == one


def busy(claim, clerk):
    """Something of every sort that the dates look at."""
    concealed(claim)
    refuse(claim, clerk, 1)
    make_fact(claim, FactKind.PAPERS_ASKED, actor=clerk)
    make_letter(claim, clerk, sent=False)
    make_paper(claim, clerk)
    send_packet(claim, clerk, back=[1])


def test_the_last_day_to_file_is_the_earliest_of_the_lines(site, clerk, us):
    claim = draft(site, clerk)
    assert dates.file_by(as_now(claim)) == day("2026-11-26")
    Claim.objects.update(stage="filed", filed_at=NOON, filed_on=FILED)
    assert dates.file_by(as_now(claim)) == day("2026-11-26"), "it stays an answer to “filed late” after filing"
    Shipment.objects.update(bill_date=None)
    assert dates.file_by(as_now(claim)) is None, "no day is certain while one is unknown"


def test_a_letter_tells_the_day_of_delivery_as_the_terms_mean_it_and_answers_filed_late(site, clerk):
    make_dated_terms(FILE, delivered_means="released")
    claim = filed(site, clerk)
    Arrival.objects.update(opened_at=NOON, released_at=NOON + days(2))
    late = [decide(claim.lines.get(position=1), 0, ground="late_claim")]
    make_fact(claim, FactKind.DECISION, actor=clerk, decisions=late)
    _subject, body = letters.worded(as_now(claim), "contest", at=NOON)
    assert "delivered Wed 4 Mar 2026" in body
    assert "Filed on 2 Mar 2026; the terms allow until 4 Dec 2026." in body


def test_without_terms_or_a_period_nobody_knows_the_last_day_to_file(site, clerk):
    assert dates.file_by(draft(site, clerk)) is None
    make_dated_terms(SUE, ACKNOWLEDGE)
    assert dates.file_by(draft(site, clerk)) is None


def test_what_was_withdrawn_frees_its_pieces_and_their_dates(site, clerk, us):
    claim = draft(site, clerk, shipment=make_load(site, actor=clerk))
    filing.withdraw(claim, reason="a mistake", actor=clerk, at=NOON)
    assert kinds(dates.of_site(site, at=NOON)) == ["unclaimed"]
    assert losses(claim.shipment)[0].claim_lines.get().live is False


def test_overdue_is_from_the_next_day_on_the_sites_clock():
    entry = dates.Entry(kind="letter", key="1", head="send", words="", day=date(2026, 3, 2))
    assert not entry.is_overdue(datetime(2026, 3, 2, 23, 59, tzinfo=UTC))
    assert entry.is_overdue(datetime(2026, 3, 3, 0, 0, tzinfo=UTC))
    hour = dates.Entry(kind="incident", key="1", head="phone", words="", day=NOON)
    assert not hour.is_overdue(NOON) and hour.is_overdue(NOON.replace(minute=1))
