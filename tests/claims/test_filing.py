"""The only door to a claim's stage: what filing needs, every move legal and illegal, two people at once."""

from contextlib import contextmanager
from datetime import timedelta
from decimal import Decimal
from types import SimpleNamespace

import pytest

from claims import drafting, filing, readings, terms
from claims.enums import STAGE_MOVES, FactKind, FilingWay, Purpose, Stage
from claims.models import Claim, ClaimLine, Document, GapReason, Message, Packet
from receiving.models import Discrepancy, Event
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.verification import verify_chain, verify_rows
from tests.builders import NOON, make_person, make_site
from tests.claims import packets
from tests.claims.builders import make_claim, make_filed, make_terms
from tests.claims.fact_builders import LATER, at_once, make_fact, take_back

pytestmark = pytest.mark.django_db
TODAY = NOON.date()
STAGES = list(Stage)


@contextmanager
def refused(code, field=None):
    with pytest.raises(Refused) as info:
        yield info
    assert (info.value.code, info.value.field) == (code, field)


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def clerk(site):
    return make_person("clerk", site)


@pytest.fixture
def current(monkeypatch):
    """Whether the packet tells of the claim as it is: said here, made elsewhere."""
    said = SimpleNamespace(now=True)
    monkeypatch.setattr(filing.assemble, "is_current", lambda claim: said.now)
    return said


@pytest.fixture
def draft(site, clerk, current):
    """A draft with parties, terms and a packet; what else it lacks needs a reason."""
    make_terms()
    claim = make_claim(site, actor=clerk)
    Claim.objects.filter(pk=claim.pk).update(claimant="Northgate Dock", signatory="Ann Hill")
    make_packet(claim, clerk)
    return Claim.objects.get(pk=claim.pk)


def make_packet(claim, actor, number=1, supersedes=None):
    files = {f"{kind}{name}": value for kind in ("pdf", "xlsx", "zip") for name, value in PARTS.items()}
    return Packet.objects.create(
        claim=claim, number=number, supersedes=supersedes, content={}, content_sha256="0" * 64, pages=1, log_seq=0,
        log_head="0" * 64, actor=actor, at=NOON, **files,
    )  # fmt: skip


PARTS = {"": "packets/none", "_sha256": "a" * 64, "_size": 1}


def make_proof(claim, actor):
    return Document.objects.create(
        claim=claim, kind="proof_of_filing", file="x", name="slip.pdf", content_type="application/pdf",
        sha256="b" * 64, size=1, pages=1, actor=actor, at=NOON,
    )  # fmt: skip


def reasons(claim):
    return {gap.code: "not to be had" for gap in filing.readiness(claim).unexplained}


def file(claim, *, actor, way=FilingWay.POST, on=TODAY, at=NOON, **more):
    given = {"reasons": reasons(claim), "no_proof": "handed to the driver"} | more
    return filing.file_claim(claim, way=way, on=on, actor=actor, at=at, **given)


# -- filing


def test_a_filed_claim_keeps_its_terms_as_they_were_and_says_what_was_handed_over(draft, clerk):
    claim = file(draft, actor=clerk)
    assert (claim.stage, claim.filed_on, claim.filed_at, claim.filing_way) == (Stage.FILED, TODAY, NOON, "post")
    assert claim.frozen_terms == terms.frozen(draft.terms)
    assert claim.version == draft.version + 1
    told = Event.objects.get(verb="claim.filed")
    assert (told.before["stage"], told.after["stage"]) == ("draft", "filed")
    assert (told.after["packet"], told.after["packet_sha256"], told.after["amount"]) == (1, "a" * 64, "250.000")
    assert told.after["no_proof"] == "handed to the driver"
    assert list(verify_rows(claim.site)) == [] and list(verify_chain(claim.site)) == []


def test_reasons_given_at_filing_are_kept(draft, clerk):
    given = reasons(draft)
    assert given
    file(draft, actor=clerk, reasons=given)
    assert dict(GapReason.objects.values_list("gap", "reason")) == given
    assert filing.readiness(filing.fresh(draft)).unexplained == ()


def test_a_gap_without_a_reason_is_named(draft, clerk):
    given = reasons(draft)
    code = sorted(given)[0]
    words = next(gap.words for gap in filing.readiness(draft).unexplained if gap.code == code)
    with refused("gap_without_reason") as info:
        file(draft, actor=clerk, reasons=given | {code: "  "})
    assert str(words) in info.value.message
    assert Claim.objects.get().stage == Stage.DRAFT and not GapReason.objects.exists()


def stop(name, claim, current):
    """Put in the way of filing what the test is about."""
    rows, lines = Claim.objects.filter(pk=claim.pk), ClaimLine.objects.filter(claim=claim)
    steps = {
        "undetermined": lambda: (rows.update(amount=None), lines.filter(position=1).update(amount=None)),
        "nought": lambda: (rows.update(amount=0), lines.update(amount=0)),
        "no respondent": lambda: rows.update(carrier=None),
        "no terms": lambda: rows.update(terms=None),
        "no lines": lambda: lines.update(live=False, dropped_reason="x"),
        "old packet": lambda: setattr(current, "now", False),
        "found": lambda: Discrepancy.objects.filter(claim_lines__claim=claim, kind="short").update(state="found"),
    }
    steps[name]()


@pytest.mark.parametrize(
    "name", ["undetermined", "nought", "no respondent", "no terms", "no lines", "old packet", "found"]
)
def test_no_reason_excuses(draft, clerk, current, name):
    given = reasons(draft)
    stop(name, draft, current)
    with refused("not_fileable"):
        file(draft, actor=clerk, reasons=given)
    assert Claim.objects.get().stage == Stage.DRAFT


def test_a_claim_without_a_packet_is_not_filed(site, clerk, current):
    make_terms()
    claim = make_claim(site, actor=clerk)
    Claim.objects.filter(pk=claim.pk).update(claimant="Northgate Dock", signatory="Ann Hill")
    with refused("not_fileable") as info:
        file(claim, actor=clerk)
    assert "packet" in info.value.message


def test_a_hand_over_is_handed_over_without_a_demand(site, clerk, current):
    handover = make_claim(site, actor=clerk, purpose=Purpose.HANDOVER)
    Claim.objects.filter(pk=handover.pk).update(carrier=None, amount=None)
    make_packet(handover, clerk)
    claim = file(handover, actor=clerk, way=FilingWay.HAND)
    assert (claim.stage, claim.frozen_terms) == (Stage.FILED, None)


@pytest.mark.parametrize(("days", "code"), [(1, "day_to_come"), (-1, "day_too_early")])
def test_the_day_of_filing_is_one_on_which_it_could_be_filed(draft, clerk, days, code):
    with refused(code, "on"):
        file(draft, actor=clerk, on=TODAY + timedelta(days=days))


def test_the_day_of_filing_is_the_sites_own(draft, clerk):
    shortly_after_midnight_in_london = NOON.replace(hour=3) + timedelta(days=1)
    with refused("day_to_come", "on"):
        file(draft, actor=clerk, on=TODAY + timedelta(days=1), at=shortly_after_midnight_in_london)


def test_a_filing_is_proved_or_says_why_not(draft, clerk, site):
    with refused("proof_missing", "no_proof"):
        file(draft, actor=clerk, no_proof=" ")
    elsewhere = make_proof(make_filed(site, actor=clerk), clerk)
    with refused("proof_elsewhere", "proof"):
        file(draft, actor=clerk, proof=elsewhere)
    file(draft, actor=clerk, proof=make_proof(draft, clerk), no_proof="")
    assert Event.objects.get(verb="claim.filed").after["proof"] == "b" * 64


def test_what_was_e_mailed_from_here_proves_itself_and_by_post_it_does_not(draft, clerk):
    with refused("proof_missing", "no_proof"):
        file(draft, actor=clerk, way=FilingWay.EMAIL, no_proof="")
    Message.objects.create(
        claim=draft, packet=draft.packets.get(), to="a@b.example", subject="x", message_id="<1@x>", file="x",
        sha256="0" * 64, size=1, actor=clerk, at=NOON,
    )  # fmt: skip
    with refused("proof_missing", "no_proof"):
        file(draft, actor=clerk, way=FilingWay.POST, no_proof="")
    assert file(draft, actor=clerk, way=FilingWay.EMAIL, no_proof="").filing_way == FilingWay.EMAIL


def test_the_last_packet_is_the_one_handed_over(draft, clerk):
    make_packet(draft, clerk, number=2, supersedes=draft.packets.get())
    file(draft, actor=clerk)
    assert Event.objects.get(verb="claim.filed").after["packet"] == 2


def test_a_packet_of_an_older_record_is_made_again_before_filing(site, clerk):
    make_terms()
    claim = make_claim(site, actor=clerk)
    Claim.objects.filter(pk=claim.pk).update(claimant="Northgate Dock", signatory="Ann Hill")
    packets.make_packet(claim, actor=clerk)
    line = claim.lines.get(position=1)
    drafting.price_line(line, values={"quantity": Decimal(9)}, actor=clerk, at=NOON)
    with refused("not_fileable") as info:
        file(claim, actor=clerk)
    assert "since the last packet" in info.value.message
    second = packets.make_packet(filing.fresh(claim), actor=clerk)
    assert file(claim, actor=clerk).stage == Stage.FILED
    assert Event.objects.get(verb="claim.filed").after["packet_sha256"] == second.pdf_sha256


# -- all pairs of stages


def step(claim, to, clerk):
    """The way to a stage from wherever the claim stands."""
    at = LATER
    if to == Stage.WITHDRAWN:
        return filing.withdraw(claim, reason="paid elsewhere", actor=clerk, at=at)
    if to == Stage.CLOSED:
        return filing.close(claim, actor=clerk, at=at)
    if to == Stage.FILED and claim.stage == Stage.CLOSED:
        return filing.reopen(claim, reason="a carton was found", actor=clerk, at=at)
    if to == Stage.FILED:
        return file(claim, actor=clerk)
    return filing.advance(claim, to=to, verb="claim.drafted", actor=clerk, at=at)


@pytest.mark.parametrize("to", STAGES)
@pytest.mark.parametrize("since", STAGES)
def test_every_move_of_the_table_is_made_and_no_other(draft, clerk, since, to):
    filed = {"filed_at": NOON, "filed_on": TODAY} if since in (Stage.FILED, Stage.CLOSED) else {}
    if since == Stage.FILED and to == Stage.CLOSED:
        Claim.objects.filter(pk=draft.pk).update(stage=since, **filed)
        make_fact(draft, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    Claim.objects.filter(pk=draft.pk).update(stage=since, **filed)
    claim = Claim.objects.get(pk=draft.pk)
    events = Event.objects.count()
    if to in STAGE_MOVES[since]:
        moved = step(claim, to, clerk)
        kept = Claim.objects.get(pk=claim.pk)
        assert (moved.stage, kept.stage, kept.version) == (to, to, claim.version + 1)
        assert Event.objects.count() > events
    else:
        with pytest.raises(Refused) as info:
            step(claim, to, clerk)
        assert (info.value.status, info.value.code) == (409, f"claim_{since}")
        assert Claim.objects.get(pk=claim.pk).stage == since and Event.objects.count() == events


@pytest.mark.parametrize("stage", [Stage.DRAFT, Stage.FILED, Stage.WITHDRAWN])
def test_only_a_closed_claim_is_reopened(draft, clerk, stage):
    Claim.objects.filter(pk=draft.pk).update(stage=stage, filed_at=NOON, filed_on=TODAY)
    with refused(f"claim_{stage}"):
        filing.reopen(draft, reason="a carton was found", actor=clerk, at=LATER)
    assert Claim.objects.get(pk=draft.pk).stage == stage


@pytest.mark.parametrize("stage", [Stage.FILED, Stage.CLOSED, Stage.WITHDRAWN])
def test_only_a_draft_is_filed(draft, clerk, stage):
    Claim.objects.filter(pk=draft.pk).update(stage=stage, filed_at=NOON, filed_on=TODAY)
    with refused(f"claim_{stage}"):
        file(draft, actor=clerk, reasons={})
    assert Claim.objects.get(pk=draft.pk).stage == stage


# -- withdrawing


def test_a_withdrawn_draft_frees_its_pieces_and_keeps_its_number(site, clerk):
    claim = make_claim(site, actor=clerk)
    gone = filing.withdraw(claim, reason="the supplier claims", actor=clerk, at=LATER)
    assert (str(gone), gone.stage, gone.closed_note) == (str(claim), Stage.WITHDRAWN, "the supplier claims")
    assert not Discrepancy.objects.exclude(claimed_at=None).exists() and not gone.lines.filter(live=True).exists()
    again = make_claim(site, actor=clerk, shipment=claim.shipment)
    assert again.number == claim.number + 1 and again.lines.count() == 2


def test_a_filed_claim_is_withdrawn_with_a_reason_and_frees_its_pieces(site, clerk):
    claim = make_filed(site, actor=clerk)
    with refused("reason_missing", "reason"):
        filing.withdraw(claim, reason=" ", actor=clerk, at=LATER)
    filing.withdraw(claim, reason="wrong carrier", actor=clerk, at=LATER)
    told = Event.objects.get(verb="claim.withdrawn")
    assert told.after["closed_note"] == "wrong carrier" and len(told.after["freed"]) == 2
    assert not Discrepancy.objects.exclude(claimed_at=None).exists()


def test_a_claim_on_which_money_came_in_is_not_withdrawn(site, clerk):
    claim = make_filed(site, actor=clerk)
    make_fact(claim, FactKind.RECEIPT, actor=clerk)
    with refused("money_came_in"):
        filing.withdraw(claim, reason="wrong carrier", actor=clerk, at=LATER)
    make_fact(claim, FactKind.REFUND, actor=clerk, amount=Decimal(100))
    assert filing.withdraw(claim, reason="wrong carrier", actor=clerk, at=LATER).stage == Stage.WITHDRAWN


# -- closing and reopening


def test_a_claim_closes_when_nothing_is_open(site, clerk):
    claim = make_filed(site, actor=clerk)
    with refused("money_open") as info:
        filing.close(claim, actor=clerk, at=LATER)
    assert "USD 250.00" in info.value.message
    make_fact(claim, FactKind.AGREED, actor=clerk, amount=Decimal(200))
    with refused("money_open") as info:
        filing.close(claim, actor=clerk, at=LATER)
    assert "USD 200.00" in info.value.message
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(200))
    assert filing.close(claim, note="all in", actor=clerk, at=LATER).closed_note == "all in"


def test_a_remainder_that_is_written_off_closes_the_claim(site, clerk):
    manager = make_person("manager", site)
    claim = make_filed(site, actor=clerk)
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(200))
    make_fact(claim, FactKind.WRITTEN_OFF, actor=manager, amount=Decimal(50))
    assert filing.close(claim, actor=clerk, at=LATER).stage == Stage.CLOSED


def test_a_claim_with_a_refund_due_does_not_close(site, clerk):
    claim = make_filed(site, actor=clerk)
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(251))
    with refused("refund_due") as info:
        filing.close(claim, actor=clerk, at=LATER)
    assert "USD 1.00" in info.value.message


def test_a_hand_over_closes_when_somebody_says_so(site, clerk):
    claim = make_filed(site, actor=clerk, purpose=Purpose.HANDOVER)
    assert filing.close(claim, actor=clerk, at=LATER).stage == Stage.CLOSED


def test_a_closed_claim_is_reopened_with_a_reason(site, clerk):
    claim = make_filed(site, actor=clerk, purpose=Purpose.HANDOVER)
    filing.close(claim, note="done", actor=clerk, at=LATER)
    with refused("reason_missing", "reason"):
        filing.reopen(claim, reason="", actor=clerk, at=LATER)
    now = filing.reopen(claim, reason="a carton was found", actor=clerk, at=LATER)
    assert (now.stage, now.closed_note, now.filed_on) == (Stage.FILED, "", TODAY)
    assert Event.objects.get(verb="claim.reopened").after["reason"] == "a carton was found"


# -- two at once


def test_whoever_saw_an_older_version_is_told(draft, clerk):
    Claim.objects.filter(pk=draft.pk).update(version=draft.version + 1)
    with pytest.raises(ChangedMeanwhile):
        file(draft, actor=clerk, seen=draft.version)


def test_a_change_between_the_look_and_the_move_is_told(draft, clerk, monkeypatch):
    ready = filing.readiness

    def changed_meanwhile(claim):
        Claim.objects.filter(pk=claim.pk).update(version=claim.version + 1)
        return ready(claim)

    given = reasons(draft)
    monkeypatch.setattr(filing, "readiness", changed_meanwhile)
    with pytest.raises(ChangedMeanwhile):
        file(draft, actor=clerk, reasons=given)
    assert Claim.objects.get().stage == Stage.DRAFT and not GapReason.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_two_clerks_file_at_once_and_one_is_told(draft, clerk, site):
    other = make_person("clerk", site)
    given = reasons(draft)
    came = at_once(*[lambda who=who: file(draft, actor=who, reasons=given) for who in (clerk, other)])
    assert [type(each).__name__ for each in came].count("Claim") == 1
    assert {getattr(each, "status", 200) for each in came} == {200, 409}
    assert Event.objects.filter(verb="claim.filed").count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_claim_closed_while_its_money_is_taken_back_is_not_closed_with_money_open(site, clerk):
    other = make_person("clerk", site)
    claim = make_filed(site, actor=clerk)
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    came = at_once(lambda: filing.close(claim, actor=clerk, at=LATER), lambda: take_back(fact, actor=other))
    now = Claim.objects.select_related("site").get(pk=claim.pk)
    outcome = (now.stage, readings.reading(now, at=LATER).money.outstanding)
    # Whoever comes second is told, unless the payment bounced on a claim just closed: that reopens it.
    assert outcome == (Stage.FILED, 250) or (outcome == (Stage.CLOSED, 0) and isinstance(came[1], Refused))


# -- filed again


def by_mail(claim, clerk):
    """Filed by e-mail: a message with the packet went."""
    mail_packet(claim, clerk)
    return filing.file_claim(claim, way=FilingWay.EMAIL, on=TODAY, reasons=reasons(claim), actor=clerk, at=NOON)


def mail_packet(claim, clerk):
    packet = claim.packets.get()
    told = {"to": "claims@tern.example", "subject": "Claim", "message_id": "<1@dock.invalid>", "file": "mail/x"}
    Message.objects.create(claim=claim, packet=packet, sha256="a" * 64, size=1, actor=clerk, at=NOON, **told)


def test_what_went_by_mail_and_came_back_is_filed_another_way_on_that_day(draft, clerk):
    claim = by_mail(draft, clerk)
    by = {"actor": clerk, "at": LATER}
    day = LATER.date()
    claim = filing.file_again(claim, way=FilingWay.POST, on=day, no_proof="a plain letter", **by)
    assert (claim.stage, claim.filing_way, claim.filed_on) == (Stage.FILED, FilingWay.POST, day)
    event = Event.objects.get(verb="claim.filed_again")
    assert event.before == {"filed_on": TODAY.isoformat(), "filing_way": "email"}
    with pytest.raises(Refused):
        filing.file_again(claim, way=FilingWay.HAND, on=day, no_proof="x", **by)


def test_filing_again_needs_its_proof_another_way_and_the_newest_version(draft, clerk):
    claim = by_mail(draft, clerk)
    by = {"actor": clerk, "at": LATER, "on": LATER.date()}
    with refused("proof_missing", "no_proof"):
        filing.file_again(claim, way=FilingWay.POST, **by)
    with pytest.raises(Refused):
        filing.file_again(claim, way=FilingWay.EMAIL, no_proof="x", **by)
    with pytest.raises(ChangedMeanwhile):
        filing.file_again(claim, way=FilingWay.POST, no_proof="x", seen=claim.version - 1, **by)
    with pytest.raises(Refused):
        filing.file_again(
            Claim.objects.get(pk=draft.pk),
            way=FilingWay.POST,
            no_proof="x",
            actor=clerk,
            at=LATER,
            on=LATER.date() + timedelta(days=3),
        )
