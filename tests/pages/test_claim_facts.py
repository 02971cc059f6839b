"""What happens to a claim, through the pages: each kind of fact, decisions by line, the steps between stages."""

import re
import uuid
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from claims import documents, filing, readings
from claims.enums import FactKind, Stage
from claims.models import Amendment, Claim, Document, Fact, LineDecision, SalvageLot
from claims.views.facts import NEXT, PAGES
from receiving.models import Discrepancy
from tests.builders import NOON, make_person, make_site
from tests.claims.builders import make_claim, make_damage, make_filed, make_terms
from tests.claims.fact_builders import FILED, LATER, SAID, decide, make_fact, take_back
from tests.claims.packets import make_packet_row

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site(write_off_limit=Decimal(50))


@pytest.fixture
def clerk(site):
    return make_person("clerk", site, "clerk")


@pytest.fixture
def claim(site, clerk):
    return make_filed(site, actor=clerk)


@pytest.fixture
def signed_in(client, clerk):
    client.force_login(clerk)
    return client


def address(claim, name, *more):
    return reverse(name, args=[claim.site.code, claim.slug, *more])


def now(claim):
    return Claim.objects.select_related("site", "shipment__arrival").get(pk=claim.pk)


def lines(claim):
    return list(claim.lines.filter(live=True).order_by("position"))


def typed(kind, **changes):
    """What a person types for this kind, as the browser sends it."""
    said = {"on": "2026-03-22"} | SAID[FactKind(kind)] | changes
    words = {True: "yes", False: "no"}
    return {name: words.get(value, value) if isinstance(value, bool) else str(value) for name, value in said.items()}


def post(client, claim, name, *more, **said):
    given = {"uuid": uuid.uuid4(), "version": now(claim).version}
    return client.post(address(claim, name, *more), given | said)


def page(client, address):
    answer = client.get(address)
    assert answer.status_code == 200
    return answer.content.decode()


# -- recording


@pytest.mark.parametrize("kind", PAGES)
def test_each_kind_has_a_page_that_records_it(signed_in, claim, clerk, kind):
    more = {}
    if kind == FactKind.OFFER_DECLINED:
        more["answers"] = make_fact(claim, FactKind.OFFER, actor=clerk).pk
    if kind in (FactKind.REFUND, FactKind.PASSED_ON):
        make_fact(claim, FactKind.RECEIPT, actor=clerk)
    if kind == FactKind.DECISION:
        more["whole"] = "allowed"
    if kind == FactKind.SALVAGE:
        more |= {"line": lines(claim)[0].pk, "lot": "L-1", "method": "sold", "gross": "30"}
    assert str(PAGES[kind][1]) in page(signed_in, address(claim, "fact_new", kind.value))
    answer = post(signed_in, claim, "fact_new", kind.value, **typed(kind), **more)
    assert (answer.status_code, answer["Location"]) == (302, claim.get_absolute_url())
    assert Fact.objects.get(kind=kind).on.isoformat() == "2026-03-22"
    shown = page(signed_in, claim.get_absolute_url())
    assert "Recorded." in shown and "Take back" in shown


@pytest.mark.parametrize("kind", ["amended", "unheard_of"])
def test_what_is_no_kind_of_its_own_has_no_page(signed_in, claim, kind):
    assert signed_in.get(address(claim, "fact_new", kind)).status_code == 404


def test_what_was_typed_stays_when_it_is_refused(signed_in, claim):
    answer = post(signed_in, claim, "fact_new", "receipt", **typed("receipt", amount="12,5", note="from the <carrier>"))
    text = answer.content.decode()
    assert answer.status_code == 422 and not Fact.objects.exists()
    assert "12,5" in text and "from the &lt;carrier&gt;" in text and "is no number" in text


def test_a_refusal_of_the_domain_stands_at_its_field(signed_in, claim):
    answer = post(signed_in, claim, "fact_new", "written_off", **typed("written_off", amount="51"))
    assert answer.status_code == 422
    assert "over the limit of 50.00" in str(answer.context["form"].errors["amount"])


def test_a_payment_number_that_is_recorded_already_is_pointed_out_and_may_be_recorded_knowingly(
    signed_in, claim, site, clerk
):
    other = make_filed(site, actor=clerk, carrier=claim.carrier)
    make_fact(other, FactKind.RECEIPT, actor=clerk, reference="Check 77-12")
    answer = post(signed_in, claim, "fact_new", "receipt", **typed("receipt", reference="check 7712"))
    text = answer.content.decode()
    assert answer.status_code == 409 and not claim.facts.exists()
    assert f"Payment number “check 7712” is recorded already: USD 100.00 on {other}, Sun 22 Mar 2026." in text
    assert f'href="{other.get_absolute_url()}#timeline"' in text and 'value="check 7712"' in text
    assert 'type="checkbox" name="knowing"' in text
    answer = post(signed_in, claim, "fact_new", "receipt", **typed("receipt", reference="check 7712"), knowing="on")
    assert answer.status_code == 302 and claim.facts.count() == 1


def test_a_payment_number_is_another_where_the_carrier_is_or_the_money_was_taken_back(signed_in, claim, site, clerk):
    make_fact(make_filed(site, actor=clerk), FactKind.RECEIPT, actor=clerk, reference="7712")
    take_back(make_fact(claim, FactKind.RECEIPT, actor=clerk, reference="7712"), actor=clerk)
    answer = post(signed_in, claim, "fact_new", "receipt", **typed("receipt", reference="7712"))
    assert answer.status_code == 302


def test_money_without_a_number_is_never_the_same(signed_in, claim, clerk):
    make_fact(claim, FactKind.RECEIPT, actor=clerk)
    assert post(signed_in, claim, "fact_new", "receipt", **typed("receipt", reference="--")).status_code == 302
    assert post(signed_in, claim, "fact_new", "receipt", **typed("receipt", reference="--")).status_code == 302


def test_whoever_looked_at_an_older_claim_is_told_and_may_send_it_again(signed_in, claim, clerk):
    version = claim.version
    make_fact(claim, FactKind.NOTE, actor=clerk)
    answer = post(signed_in, claim, "fact_new", "receipt", **typed("receipt"), version=version)
    assert answer.status_code == 409 and "changed" in answer.content.decode()
    assert answer.context["form"].data["version"] == now(claim).version
    again = post(signed_in, claim, "fact_new", "receipt", **typed("receipt"))
    assert again.status_code == 302 and Fact.objects.filter(kind="receipt").count() == 1


def test_the_same_form_sent_twice_is_one_fact(signed_in, claim):
    given = typed("receipt") | {"uuid": uuid.uuid4(), "version": claim.version}
    answers = [signed_in.post(address(claim, "fact_new", "receipt"), given) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [302, 302]
    assert answers[1]["X-Repeated"] == "1" and Fact.objects.count() == 1


def test_a_fact_of_a_draft_is_refused_with_the_way_out(signed_in, site, clerk):
    draft = make_claim(site, actor=clerk)
    answer = post(signed_in, draft, "fact_new", "note", **typed("note"))
    assert answer.status_code == 409 and "File it first" in answer.content.decode()


def test_an_open_offer_fills_the_form_that_takes_or_declines_it(signed_in, claim, clerk):
    offer = make_fact(claim, FactKind.OFFER, actor=clerk, until=None)
    for kind in ("agreed", "offer_declined"):
        form = signed_in.get(address(claim, "fact_new", kind)).context["form"]
        assert form["answers"].value() == offer.pk
    assert signed_in.get(address(claim, "fact_new", "agreed")).context["form"]["amount"].value() == "150"


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("agreed", "gives up the rest"),
        ("receipt", "marked as in full"),
        ("offset", "Ask counsel"),
        ("decision", "acts for the carrier"),
        ("salvage", "no food on hold"),
        ("sued", "counsel watches the dates"),
        ("written_off", "a manager records it"),
    ],
)
def test_a_page_that_can_cost_a_right_says_so(signed_in, claim, kind, words):
    assert words in page(signed_in, address(claim, "fact_new", kind))


# -- decisions


def test_a_decision_is_typed_line_by_line_and_the_rest_is_disallowed(signed_in, claim):
    damaged, short = lines(claim)
    said = {f"line-{damaged.pk}-allowed": "100", f"line-{damaged.pk}-ground": "packaging"}
    answer = post(signed_in, claim, "fact_new", "decision", **typed("decision"), **said)
    assert answer.status_code == 302
    row = LineDecision.objects.get()
    assert (row.line, row.allowed, row.disallowed, row.ground) == (damaged, 100, 25, "packaging")
    shown = page(signed_in, claim.get_absolute_url())
    assert "100.00 allowed, 25.00 disallowed (packed badly)" in shown


def test_a_refusal_that_was_contested_does_not_stay_the_likeliest_next(signed_in, claim, clerk):
    def likeliest():
        return signed_in.get(address(claim, "claim")).context["facts"]["next"]["url"]

    refused = decide(lines(claim)[0], 25)
    make_fact(claim, FactKind.DECISION, actor=clerk, decisions=[refused])
    assert likeliest() == address(claim, "fact_new", "contested")
    make_fact(claim, FactKind.CONTESTED, actor=clerk, on=LATER.date())
    assert likeliest() == address(claim, "fact_new", "decision")


def test_what_an_agreement_leaves_is_given_up_and_not_undecided(signed_in, claim, clerk):
    make_fact(claim, FactKind.AGREED, actor=clerk)
    shown = " ".join(signed_in.get(address(claim, "claim")).content.decode().split())
    assert re.search(r"<dt>Given up</dt><dd>[^/]*;100\.00<", shown)
    assert "<dt>Agreed</dt>" in shown and "<dt>Undecided</dt>" not in shown


def test_a_whole_claim_is_disallowed_in_one_go(signed_in, claim):
    said = {"whole": "disallowed", "whole_ground": "late_claim", "whole_note": "past nine months"}
    post(signed_in, claim, "fact_new", "decision", **typed("decision"), **said)
    assert (
        list(LineDecision.objects.values_list("disallowed", "ground", "note"))
        == [(125, "late_claim", "past nine months")] * 2
    )


@pytest.mark.parametrize(
    ("allowed", "ground", "words"),
    [("130", "packaging", "asks for 125.00"), ("-1", "packaging", "asks for 125.00"), ("100", "", "on what ground")],
)
def test_a_line_that_does_not_add_up_is_refused_at_that_line(signed_in, claim, allowed, ground, words):
    damaged, _short = lines(claim)
    said = {f"line-{damaged.pk}-allowed": allowed, f"line-{damaged.pk}-ground": ground}
    answer = post(signed_in, claim, "fact_new", "decision", **typed("decision"), **said)
    assert answer.status_code == 422 and words in answer.content.decode()
    assert not Fact.objects.exists()


# -- salvage, amending, taking back


def test_salvage_is_recorded_with_its_lot_and_comes_off_the_claim(signed_in, claim):
    damaged, short = lines(claim)
    said = {"line": damaged.pk, "lot": "L-1", "method": "auction", "buyer": "Cedar Goods", "gross": "40", "costs": "10"}
    form = signed_in.get(address(claim, "fact_new", "salvage")).context["form"]
    assert list(form.fields["line"].queryset) == [damaged]
    post(signed_in, claim, "fact_new", "salvage", on="2026-03-22", related_buyer="on", **said)
    row = SalvageLot.objects.get()
    assert (row.buyer, row.related_buyer, now(claim).amount) == ("Cedar Goods", True, 220)
    assert "the buyer is related to the seller" in page(signed_in, claim.get_absolute_url())


def amendment(claim, **changes):
    """The form as it comes, with these changes of its fields."""
    said = {"on": "2026-03-22", "reason": "counted again"}
    for line in lines(claim):
        said |= {f"line-{line.pk}-quantity": "10", f"line-{line.pk}-unit_price": "12.5"}
    return said | changes


def test_only_what_is_different_is_amended(signed_in, claim):
    damaged, _short = lines(claim)
    assert "counted" not in page(signed_in, address(claim, "claim_amend"))
    answer = post(signed_in, claim, "claim_amend", **amendment(claim, **{f"line-{damaged.pk}-quantity": "4"}))
    assert answer.status_code == 302
    row = Amendment.objects.get()
    assert (now(claim).amount, row.before["lines"][1]) == (175, row.after["lines"][1])
    shown = page(signed_in, claim.get_absolute_url())
    assert "now asks for USD 175.00. Make a new packet" in shown and "counted again" in shown


def test_a_line_is_taken_off_and_a_piece_added_by_amendment(signed_in, site, clerk):
    claim = make_filed(site, actor=clerk, good=3)
    carton = claim.shipment.cartons.filter(received=1, discrepancies=None).first()
    piece = make_damage(claim.shipment.arrival, carton, actor=make_person("lead", site))
    _damaged, short = lines(claim)
    said = amendment(claim, **{f"line-{short.pk}-drop": "on", "pieces": [piece.pk]})
    assert post(signed_in, claim, "claim_amend", **said).status_code == 302
    assert [line.discrepancy for line in lines(claim)] == [_damaged.discrepancy, piece]


def test_an_amendment_that_changes_nothing_keeps_what_was_typed(signed_in, claim):
    answer = post(signed_in, claim, "claim_amend", **amendment(claim))
    assert answer.status_code == 422
    assert "Nothing is different" in answer.content.decode() and "counted again" in answer.content.decode()


def test_a_fact_taken_back_is_struck_through_with_the_reason(signed_in, claim, clerk):
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk)
    assert "Why it is taken back" in page(signed_in, address(claim, "fact_take_back", fact.pk))
    answer = post(signed_in, claim, "fact_take_back", fact.pk, reason="the <b>cheque</b> bounced")
    assert answer.status_code == 302
    shown = page(signed_in, claim.get_absolute_url())
    assert "<del>" in shown and "the &lt;b&gt;cheque&lt;/b&gt; bounced" in shown
    assert post(signed_in, claim, "fact_take_back", fact.pk, reason="again").status_code == 409


def test_a_bounced_payment_says_that_it_reopens_the_closed_claim(signed_in, claim, clerk):
    fact = make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    filing.close(claim, actor=clerk, at=LATER)
    assert "This reopens it" in page(signed_in, address(claim, "fact_take_back", fact.pk))
    post(signed_in, claim, "fact_take_back", fact.pk, reason="bounced")
    assert now(claim).stage == Stage.FILED


def test_a_fact_of_another_claim_is_not_here(signed_in, claim, site, clerk):
    elsewhere = make_fact(make_filed(site, actor=clerk), FactKind.NOTE, actor=clerk)
    assert signed_in.get(address(claim, "fact_take_back", elsewhere.pk)).status_code == 404


# -- the steps between stages


@pytest.fixture
def draft(site, clerk, monkeypatch):
    make_terms()
    claim = make_claim(site, actor=clerk)
    Claim.objects.filter(pk=claim.pk).update(claimant="Northgate Dock", signatory="Ann Hill")
    make_packet_row(claim, actor=clerk)
    monkeypatch.setattr(filing.assemble, "is_current", lambda claim: True)
    return now(claim)


def explain(draft, clerk):
    for need in filing.readiness(draft).unexplained:
        documents.state_reason(draft, gap=need.code, reason="not to be had", uuid=uuid.uuid4(), actor=clerk, at=NOON)


def test_the_page_says_what_stands_in_the_way_of_filing(signed_in, site, clerk, monkeypatch):
    claim = make_claim(site, actor=clerk)
    shown = page(signed_in, address(claim, "claim_file"))
    assert "It cannot be filed yet" in shown and "Make the packet" in shown and "Choose the terms" in shown
    assert address(claim, "claim_gap", "freight_bill") in shown
    assert "Record that it was filed" not in shown


def test_a_claim_filed_by_post_is_recorded_with_its_proof(signed_in, draft, clerk):
    explain(draft, clerk)
    proof = Document.objects.create(
        claim=draft, kind="proof_of_filing", file="x", name="slip.pdf", content_type="application/pdf",
        sha256="b" * 64, size=1, pages=1, actor=clerk, at=NOON,
    )  # fmt: skip
    shown = page(signed_in, address(draft, "claim_file"))
    assert "Nothing stands in the way" in shown and "slip.pdf" in shown
    refused = post(signed_in, draft, "claim_file", way="post", on="2026-03-02")
    assert refused.status_code == 422 and "proof of filing" in str(refused.context["form"].errors["no_proof"])
    answer = post(signed_in, draft, "claim_file", way="post", on="2026-03-02", proof=proof.pk)
    assert answer.status_code == 302 and now(draft).stage == Stage.FILED
    shown = page(signed_in, draft.get_absolute_url())
    assert "is filed. Next the carrier acknowledges it" in shown
    assert "Filed, post: USD 250.00" in shown and "packet 1" in shown


def test_a_claim_that_went_by_mail_is_filed_another_way_from_its_page(signed_in, claim):
    assert "If that came back" in page(signed_in, address(claim, "claim_file"))
    answer = post(signed_in, claim, "claim_file", way="post", on="2026-03-02", no_proof="a plain letter")
    assert answer.status_code == 302
    assert now(claim).filing_way == "post"


def test_a_filed_claim_is_not_filed_again(signed_in, claim):
    Claim.objects.filter(pk=claim.pk).update(filing_way="hand")
    answer = post(signed_in, claim, "claim_file", way="post", on="2026-03-02", no_proof="lost")
    assert answer.status_code == 409 and "is filed since" in answer.content.decode()


def test_a_draft_is_withdrawn_with_a_reason(signed_in, draft):
    assert post(signed_in, draft, "claim_withdraw", reason=" ").status_code == 422
    assert post(signed_in, draft, "claim_withdraw", reason="the supplier claims").status_code == 302
    assert now(draft).stage == Stage.WITHDRAWN and not Discrepancy.objects.exclude(claimed_at=None).exists()
    shown = page(signed_in, draft.get_absolute_url())
    assert "the supplier claims" in shown and address(draft, "claim_withdraw") not in shown


def test_a_claim_with_money_open_says_how_to_close_it(signed_in, claim, clerk):
    shown = page(signed_in, address(claim, "claim_close"))
    assert "is outstanding" in shown and address(claim, "fact_new", "written_off") in shown
    assert "Close this claim</button>" not in shown
    assert post(signed_in, claim, "claim_close").status_code == 409
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(251))
    assert "too much came in" in page(signed_in, address(claim, "claim_close"))


def test_a_settled_claim_is_closed_and_reopened(signed_in, claim, clerk):
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(250))
    assert "Close this claim" in page(signed_in, claim.get_absolute_url())
    assert post(signed_in, claim, "claim_close", note="paid by cheque").status_code == 302
    assert now(claim).stage == Stage.CLOSED
    shown = page(signed_in, claim.get_absolute_url())
    assert "paid by cheque" in shown and "What happened?" in shown and address(claim, "claim_reopen") in shown
    assert post(signed_in, claim, "claim_reopen", reason="a carton was found").status_code == 302
    assert "is open again and now: all in" in page(signed_in, claim.get_absolute_url())


# -- the claim page


def test_the_likeliest_step_of_every_standing_stands_out(signed_in, claim, clerk):
    assert "The carrier acknowledged it" in page(signed_in, claim.get_absolute_url())
    make_fact(claim, FactKind.ACKNOWLEDGED, actor=clerk)
    assert signed_in.get(claim.get_absolute_url()).context["facts"]["next"]["words"] == PAGES[FactKind.DECISION][0]
    make_fact(claim, FactKind.RECEIPT, actor=clerk, amount=Decimal(300))
    assert signed_in.get(claim.get_absolute_url()).context["facts"]["next"]["words"] == PAGES[FactKind.REFUND][0]
    for kinds in NEXT.values():
        assert set(kinds) <= set(PAGES)


def test_the_time_line_is_newest_first_and_holds_what_left_the_house(signed_in, claim, clerk):
    make_fact(claim, FactKind.NOTE, actor=clerk, note="second", on=FILED.replace(day=20))
    make_fact(claim, FactKind.NOTE, actor=clerk, note="first", on=FILED.replace(day=10))
    make_packet_row(claim, actor=clerk)
    entries = signed_in.get(claim.get_absolute_url()).context["facts"]["timeline"]
    titles = [entry.note or entry.title for entry in entries]
    assert titles == ["second", "first", "Packet 1 made", "Drafted"]
    assert [entry.written_later for entry in entries] == [True, True, False, False]


def test_a_viewer_reads_the_time_line_and_records_nothing(client, claim, clerk, site):
    fact = make_fact(claim, FactKind.NOTE, actor=clerk)
    client.force_login(make_person("viewer", site, "v"))
    shown = page(client, claim.get_absolute_url())
    assert fact.note in shown and "Take back" not in shown and "What happened?" not in shown


def test_a_hand_over_shows_no_money_and_only_what_happens_to_it(signed_in, site, clerk):
    handover = make_filed(site, actor=clerk, purpose="handover")
    shown = page(signed_in, handover.get_absolute_url())
    assert address(handover, "fact_new", "note") in shown and address(handover, "fact_new", "receipt") not in shown
    assert 'id="money"' not in shown


def test_the_part_takes_the_same_queries_with_one_fact_and_with_many(signed_in, claim, clerk):
    def count():
        with CaptureQueriesContext(connection) as found:
            page(signed_in, claim.get_absolute_url())
        return len(found)

    said = [decide(line, 25) for line in lines(claim)]
    make_fact(claim, FactKind.DECISION, actor=clerk, decisions=said)
    take_back(make_fact(claim, FactKind.RECEIPT, actor=clerk), actor=clerk)
    count()
    one = count()
    for _ in range(3):
        make_fact(claim, FactKind.DECISION, actor=clerk, decisions=said)
        take_back(make_fact(claim, FactKind.RECEIPT, actor=clerk), actor=clerk)
    assert count() == one
    assert readings.reading(now(claim), at=LATER).money.disallowed == 200
