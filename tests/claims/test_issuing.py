"""Scorecards: what is frozen, what is refused, what a restatement says, the two pages, the message that leaves."""

import threading
import uuid
from datetime import date, datetime, timedelta
from io import BytesIO

import pytest
from django.core import mail as outbox
from django.core.files.base import ContentFile
from django.db import connections
from openpyxl import load_workbook

from claims import issuing, jobs, months
from claims.card import book, contents, kept, pdf, sources
from claims.models import BillCount, CardMessage, ReviewNote, Scorecard, VisitCount
from claims.periods import month_back
from claims.scorecard.compare import Settings, Verdict
from receiving import evidence, photos, verification
from receiving.documents import pages
from receiving.enums import PhotoPurpose
from receiving.models import Counter, Event
from receiving.refusals import ChangedMeanwhile, Refused
from tests.builders import NOON, make_account, make_carrier, make_jpeg, make_person, make_site
from tests.claims.builders import losses, make_load
from tests.claims.cards import APRIL, make_card
from tests.claims.cards import kept as small
from tests.claims.carriers import MARCH, make_counts, make_seven

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def manager(site):
    return make_person("manager", site, "dana")


@pytest.fixture
def seven(site):
    return make_seven(site)


@pytest.fixture
def undrawn(monkeypatch):
    """Cards without the seconds that drawing takes."""
    monkeypatch.setattr(issuing, "drawn", small)


def issue(site, carrier, actor, *, month=MARCH, at=APRIL, **given):
    return issuing.issue(site, carrier, month, **({"uuid": uuid.uuid4()} | given), actor=actor, at=at)


def hurt(carrier, more=7):
    """A late finding: one trailer of the carrier has so many more damaged cartons."""
    row = BillCount.objects.filter(carrier=carrier).order_by("pk").first()
    BillCount.objects.filter(pk=row.pk).update(damaged=row.damaged + more)
    months.add_up_months(row.site, [(carrier.pk, row.month)])


def told(content, kind="damaged"):
    return next(each for each in content["verdicts"] if each["kind"] == kind)


# --- what is frozen ---------------------------------------------------------------------------------------------------


def test_a_card_is_two_pages_and_made_again_byte_for_byte(site, manager, seven):
    card = issue(site, seven["Birch"], manager)
    data = {kind: kept.read(card, kind) for kind in ("pdf", "xlsx")}
    assert (str(card), card.verdict, pages.count(data["pdf"])) == ("S-0001", "worse", 2)
    hurt(seven["Birch"])
    assert issuing.remake(Scorecard.objects.get(pk=card.pk)) == data


def test_the_workbook_is_the_same_whatever_order_a_database_keeps_keys_in(site, manager, seven):
    content = make_card(site, seven["Birch"], actor=manager).content

    def turned(value):
        if isinstance(value, dict):
            return {key: turned(value[key]) for key in sorted(value, reverse=True)}
        return [turned(each) for each in value] if isinstance(value, list) else value

    assert issuing.workbook.workbook(turned(content)) == issuing.workbook.workbook(content)


def test_a_card_is_told_by_one_event_and_the_evidence_checks(site, manager, seven, undrawn):
    card = issue(site, seven["Elm"], manager)
    event = Event.objects.get(site=site)
    assert (event.verb, event.record) == ("scorecard.issued", f"scorecard:{card.pk}")
    assert event.after["content_sha256"] == evidence.sha256(evidence.canonical(card.content))
    assert list(verification.verify(site)) == []


def test_cards_of_a_site_are_numbered_one_by_one(site, manager, seven, undrawn):
    numbers = [str(issue(site, seven[name], manager)) for name in ("Birch", "Elm", "Alder")]
    other = make_site("SOU")
    make_seven_there = make_counts(other, seven["Elm"], [1, 2])
    assert numbers == ["S-0001", "S-0002", "S-0003"]
    assert str(issue(other, make_seven_there[0].carrier, make_person("manager", other))) == "S-0001"


def test_the_same_number_of_request_gives_the_same_card(site, manager, seven, undrawn):
    own = uuid.uuid4()
    assert issue(site, seven["Elm"], manager, uuid=own) == issue(site, seven["Elm"], manager, uuid=own)
    assert Scorecard.objects.count() == 1


def test_a_verdict_never_stands_without_its_range(site, manager, seven):
    for carrier in seven.values():
        for each in make_card(site, carrier, actor=manager).content["verdicts"]:
            judged = each["verdict"] not in ("too_little_data", "no_comparison")
            assert judged == (each["interval"] is not None)
            assert judged == ("Likely range" in " ".join(each["sentences"]))


def test_the_carrier_s_card_leaves_out_what_we_do_next(site, manager, seven):
    content = make_card(site, seven["Birch"], actor=manager).content
    assert told(content)["verdict"] == "worse" and "Look through" not in str(content)


def test_the_usual_of_the_verdict_says_what_it_is_of_where_the_table_tells_another(site, manager):
    sloe, account = make_carrier("Sloe"), make_account()
    make_counts(site, sloe, [300, *[8] * 19], account=account)
    for name in ("Juniper", "Larch", "Maple"):
        make_counts(site, make_carrier(name), [9, 0, 4, 1, 1] * 8, account=account)
    content = make_card(site, sloe, actor=manager).content
    [row] = [row for row in content["rows"] if row["kind"] == "damaged"]
    assert row["year"]["usual"] == "about 116"
    assert "(242 of them count for the verdict); for its freight about 86 of those would be usual." in " ".join(
        told(content)["sentences"]
    )


@pytest.mark.parametrize("name", ["Long Way Round Freight of Northfield", "A name as long as names can be " * 4])
def test_a_card_tells_its_own_carrier_s_name_whole(site, manager, seven, name):
    carrier = make_carrier(name[:120].strip())
    make_counts(site, carrier, [1, 0, 2, 0, 1, 4])
    content = make_card(site, carrier, actor=manager).content
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    assert f"<h1>{carrier.name}</h1>" in html
    [row] = [row for row in content["drawings"]["rates"]["rows"] if row["marked"]]
    assert row["name"] == carrier.name or len(row["name"]) > 30
    assert len(carrier.name) > 40 or row["name"] == carrier.name


def test_under_the_floor_nothing_is_judged_and_no_rate_is_told(site, manager, seven):
    content = make_card(site, seven["Alder"], actor=manager).content
    assert told(content)["verdict"] == "too_little_data"
    for row in content["rows"]:
        for scope in book.SCOPES:
            assert (row[scope]["rate"], row[scope]["usual"]) == ("", "") and "%" not in row[scope]["touched"]
    assert "%" not in content["beside"]["year"]["in_time"]
    assert not [row for row in content["drawings"]["rates"]["rows"] if row["marked"]]


def test_all_of_a_carrier_that_is_judged_has_its_range(site, manager, seven):
    [row] = [row for row in make_card(site, seven["Birch"], actor=manager).content["rows"] if row["kind"] == "damaged"]
    assert row["year"]["rate"] == "16.9 (11.5 to 23.5)" and row["year"]["usual"] == "about 136"
    assert row["year"]["events"] == "365" and row["all"] == "6.3"


def test_other_carriers_are_on_the_files_without_their_names(site, manager, seven):
    content = make_card(site, seven["Birch"], actor=manager).content
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    sheets = load_workbook(BytesIO(issuing.workbook.workbook(content)), read_only=True)
    cells = " ".join(str(cell) for sheet in sheets for row in sheet.iter_rows(values_only=True) for cell in row if cell)
    for name in ("Elm", "Cedar", "Alder", "Dogwood"):
        if name in seven:
            assert name not in html and name not in cells
    assert "Birch" in html and "another carrier" in html and "another carrier" in cells


def test_beside_a_bad_verdict_and_no_other_stands_that_it_is_not_whose_doing(site, manager, seven):
    for name, accused in (("Birch", True), ("Alder", False)):
        content = make_card(site, seven[name], actor=manager).content
        html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
        assert ("It does not say whose doing it is" in html) is accused


def test_names_that_look_like_markup_or_formulas_stay_text(site, manager):
    carrier = make_carrier("=1+1<b>bold</b>")
    make_counts(site, carrier, [1, 0, 2, 0, 1, 4])
    content = make_card(site, carrier, actor=manager).content
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    assert "<b>bold</b>" not in html and "=1+1&lt;b&gt;bold" in html
    book_of = load_workbook(BytesIO(issuing.workbook.workbook(content)))
    assert not [cell for sheet in book_of for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]


def test_the_workbook_tells_every_trailer_and_the_sums(site, manager, seven):
    content = make_card(site, seven["Birch"], actor=manager).content
    sheets = load_workbook(BytesIO(issuing.workbook.workbook(content)))
    assert sheets["trailers"].max_row == 25
    column = [cell.value for cell in sheets["trailers"]["G"]][1:]
    assert sum(column) == 365 and column == sorted(column, reverse=True)
    settings = {row[0].value: row[1].value for row in sheets["settings"].iter_rows(min_row=2)}
    assert settings["min_trailers"] == 5 and settings["method"] == "1"


def test_numbers_survive_a_database_that_keeps_decimals():
    assert str(contents.steady({"a": [-0.0, (1, -0.0)]})) == "{'a': [0.0, [1, 0.0]]}"


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_longest_card_still_has_two_pages(manager, paper):
    site = make_site("LNG", name="A dock with a name " * 4, paper=paper)
    carriers = [make_carrier(f"A carrier with a name as long as names can be {n:02d} " * 2) for n in range(20)]
    for n, carrier in enumerate(carriers):
        make_counts(site, carrier, [n % 4, 1, 0, 9, 2, 5, 3, 1], short=1, over=1, rerouted=1)
        for back in range(1, 14):
            make_counts(site, carrier, [1, 2], month=month_back(MARCH, back))
    notes = {"text": "What was agreed, in many words. " * 30, "agreed_with": "w" * 120, "who": "s" * 120}
    for _number in range(5):
        ReviewNote.objects.create(
            site=site,
            carrier=carriers[3],
            on=date(2026, 1, 15),
            by_when=date(2026, 3, 1),
            actor=manager,
            at=APRIL,
            **notes,
        )
    content = issuing.gathered(site, carriers[3], MARCH, before=None, actor=manager, at=APRIL)
    beside = [{"words": "Damaged cartons: the outbound leg", "count": "1,234"}] * 6
    content["beside"]["year"]["whose"] = beside
    picture = make_jpeg((600, 400))
    content["damage"] = [
        {"code": "crushed at one corner", "pieces": "120", "picture": {"uuid": str(n), "words": "P-1 on T-1, then"}}
        for n in range(3)
    ]
    figure = {"key": "k", "words": "Damaged cartons, twelve months", "was": "1,000", "now": "2,000", "own": True}
    source = {"number": "T-00001", "trailer": "T" * 20, "state": "changed", "words": "damaged 100 → 200, short 9 → 10"}
    content["restated"] = {
        "number": "S-0001",
        "day": "Mon 6 Apr 2026",
        "changes": [figure] * 30,
        "verdicts": [figure | {"was": "Cannot be told apart", "now": "One trailer explains it"}] * 3,
        "sources": [source | {"pieces": ["T-00001-0012 new (12 damaged)"] * 20}] * 40,
    }
    document = pdf.card_pdf(content, {f"photo:{n}": picture for n in range(3)})
    assert pages.count(document) == 2


# --- pieces and pictures ----------------------------------------------------------------------------------------------


def test_pieces_and_a_picture_of_the_commonest_damage_are_on_it(site, manager):
    lead = make_person("lead", site)
    shipment = make_load(site, actor=lead, damaged=2, short=1)
    piece = losses(shipment)[0]
    photos.receive_photo(
        arrival=shipment.arrival,
        discrepancy=piece,
        uuid=uuid.uuid4(),
        upload=ContentFile(make_jpeg()),
        filename="crushed.jpg",
        purpose=PhotoPurpose.PIECE,
        actor=lead,
        at=NOON,
    )
    months.rebuild(site)
    card = issue(site, shipment.arrival.carrier, manager)
    assert [row["kind"] for row in card.content["pieces"]].count("damaged") == 2
    [damage] = card.content["damage"]
    assert (damage["code"], damage["pieces"], damage["picture"]["piece"]) == ("crushed", "2", str(piece))
    assert card.content["made"]["prints"].keys() == {damage["picture"]["uuid"]}
    assert issuing.remake(Scorecard.objects.get(pk=card.pk))["pdf"] == kept.read(card, "pdf")


def test_a_picture_that_is_not_the_recorded_one_stops_the_card(site, manager):
    lead = make_person("lead", site)
    shipment = make_load(site, actor=lead, damaged=1, short=0)
    photo = photos.receive_photo(
        arrival=shipment.arrival,
        discrepancy=losses(shipment)[0],
        uuid=uuid.uuid4(),
        upload=ContentFile(make_jpeg()),
        filename="crushed.jpg",
        purpose=PhotoPurpose.PIECE,
        actor=lead,
        at=NOON,
    )
    months.rebuild(site)
    kept.kept.default_storage.delete(photo.viewing)
    with pytest.raises(Refused, match="missing"):
        issue(site, shipment.arrival.carrier, manager)
    assert not Scorecard.objects.exists() and not Counter.objects.filter(name="scorecard").exists()


# --- refused ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "refused"),
    [("2026-03-31T23:59:59-05:00", True), ("2026-04-01T00:00:00-05:00", False), ("2026-04-01T04:59:59+00:00", True)],
)
def test_a_running_month_is_refused_by_the_site_s_calendar(site, manager, seven, undrawn, at, refused):
    moment = datetime.fromisoformat(at)
    if not refused:
        assert issue(site, seven["Elm"], manager, at=moment).month == MARCH
        return
    with pytest.raises(Refused, match="March 2026 is not over at NOR.*from Wed 1 Apr 2026 on"):
        issue(site, seven["Elm"], manager, at=moment)


def test_a_carrier_that_brought_nothing_has_no_card(site, manager, seven):
    with pytest.raises(Refused, match="Nobody brought no trailer to NOR in March 2026"):
        issue(site, make_carrier("Nobody"), manager)


def test_a_month_is_issued_once(site, manager, seven, undrawn):
    issue(site, seven["Elm"], manager)
    with pytest.raises(ChangedMeanwhile, match="S-0001 of Elm for March 2026 is issued already"):
        issue(site, seven["Elm"], manager)
    assert Scorecard.objects.count() == 1


def test_of_two_who_gather_at_once_the_second_is_told_and_leaves_nothing(site, manager, seven):
    content = [issuing.gathered(site, seven["Elm"], MARCH, before=None, actor=manager, at=APRIL) for _each in range(2)]
    facts = [small(each) | issuing.sealed(each) for each in content]
    given = {"actor": manager, "at": APRIL}
    issuing.written(site, seven["Elm"], MARCH, None, facts[0], uuid=uuid.uuid4(), **given)
    with pytest.raises(ChangedMeanwhile):
        issuing.written(site, seven["Elm"], MARCH, None, facts[1], uuid=uuid.uuid4(), **given)
    assert (Scorecard.objects.count(), Counter.objects.get(name="scorecard").value) == (1, 1)


def test_a_number_that_another_card_got_meanwhile_is_drawn_anew(site, manager, seven, monkeypatch):
    drawn = []

    def overtaken(content):
        drawn.append(content["made"]["number"])
        if len(drawn) == 1:
            make_card(site, seven["Birch"], actor=manager)
        return small(content)

    monkeypatch.setattr(issuing, "drawn", overtaken)
    assert str(issue(site, seven["Elm"], manager)) == "S-0002"
    assert drawn == [1, 2]


@pytest.mark.django_db(transaction=True)
def test_two_at_once_in_their_own_connections_make_one_card(site, manager, seven, undrawn):
    together, found = threading.Barrier(2), []

    def work():
        together.wait()
        try:
            found.append(issue(site, seven["Elm"], manager))
        except ChangedMeanwhile as why:
            found.append(why)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work) for _each in range(2)]
    [thread.start() for thread in threads]
    [thread.join() for thread in threads]
    assert sorted(type(each).__name__ for each in found) == ["ChangedMeanwhile", "Scorecard"]
    assert Scorecard.objects.count() == 1


# --- restated ---------------------------------------------------------------------------------------------------------


def test_a_card_that_nothing_has_changed_is_not_restated(site, manager, seven):
    card = make_card(site, seven["Elm"], actor=manager)
    assert issuing.changes_since(card) == []
    with pytest.raises(Refused, match="Nothing has changed since S-0001"):
        issuing.restate(card, uuid=uuid.uuid4(), actor=manager, at=APRIL)


def test_a_late_finding_is_restated_figure_by_figure_and_the_old_card_stays(site, manager, seven):
    old = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"], 40)
    new = issuing.restate(old, uuid=uuid.uuid4(), actor=manager, at=APRIL + timedelta(days=3))
    said = {each["key"]: (each["was"], each["now"]) for each in new.content["restated"]["changes"]}
    assert said["month.damaged"] == ("0", "40") and said["year.damaged"] == ("0", "40")
    assert said["year.damaged.touched"] == ("0 of 10", "1 of 10")
    assert said["year.damaged.verdict"][0] == "Better" and new.content["restated"]["number"] == "S-0001"
    assert (new.restates, str(new)) == (old, "S-0002")
    assert Scorecard.objects.get(pk=old.pk).content == old.content
    assert pages.count(kept.read(new, "pdf")) == 2
    assert Event.objects.filter(site=site, verb="scorecard.restated").count() == 1
    changed = load_workbook(BytesIO(kept.read(new, "xlsx")))["changed"]
    assert [cell.value for cell in changed["A"]][1] == "takes the place of S-0001"


def sources_of(card):
    return [(each["trailer"], each["state"], each["words"], each["pieces"]) for each in card["restated"]["sources"]]


def test_a_restatement_names_the_trailers_that_are_new_gone_or_changed(site, manager, seven, undrawn):
    elm = seven["Elm"]
    old = make_card(site, elm, actor=manager)
    rows = list(BillCount.objects.filter(carrier=elm).select_related("arrival").order_by("pk"))
    hurt(elm, 40)
    VisitCount.objects.filter(arrival=rows[1].arrival).update(minutes_late=45, seal_exception=True)
    for model in (BillCount, VisitCount):
        model.objects.filter(arrival=rows[2].arrival).delete()
    [late] = make_counts(site, elm, [3], cartons=1200)
    content = issuing.restate(old, uuid=uuid.uuid4(), actor=manager, at=APRIL).content
    assert sources_of(content) == [
        (rows[0].arrival.trailer_number, "changed", "damaged 0 → 40", []),
        (late.arrival.trailer_number, "new", "received 1,200, damaged 3", []),
        (
            rows[1].arrival.trailer_number,
            "changed",
            "minutes after the appointment 0 → 45, seal exception no → yes",
            [],
        ),
        (rows[2].arrival.trailer_number, "gone", "received 900", []),
    ]
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    assert f"{rows[0].arrival.trailer_number} changed, damaged 0 → 40; " in html
    told_by = load_workbook(BytesIO(issuing.workbook.workbook(content)))["changed by"]
    assert [cell.value for cell in told_by["C"]] == ["is", "changed", "new", "changed", "gone"]


def test_a_restatement_names_at_most_ten_trailers_on_paper_and_tells_how_many_more(site, manager, seven, undrawn):
    old = make_card(site, seven["Elm"], actor=manager)
    make_counts(site, seven["Elm"], [2] * 13)
    content = issuing.restate(old, uuid=uuid.uuid4(), actor=manager, at=APRIL).content
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    assert html.count(" new, received 900, damaged 2") == 10 and "; and 3 more trailers, all in the workbook" in html


def test_pieces_are_named_where_they_are_new_gone_or_of_another_number():
    def piece(key, quantity, kind="damaged", trailer="T-1"):
        return {"key": key, "number": f"P-{key}", "kind": kind, "trailer": trailer, "quantity": quantity}

    before = [piece(1, 2), piece(2, 1), piece(3, 1), piece(4, 5)]
    now = [piece(1, 2), piece(2, 4), piece(4, 5, kind="short"), piece(12, 1)]
    assert sources.piece_changes(before, now) == {
        "T-1": [
            "P-2 1 → 4 damaged",
            "P-3 gone (1 damaged)",
            "P-4 gone (5 damaged)",
            "P-4 new (5 short)",
            "P-12 new (1 damaged)",
        ]
    }
    assert sources.piece_changes(now, now) == {}


def test_a_piece_that_came_late_is_named_with_its_trailer(site, manager):
    lead = make_person("lead", site)
    shipment = make_load(site, actor=lead, damaged=2, short=1)
    months.rebuild(site)
    content = issuing.gathered(site, shipment.arrival.carrier, MARCH, before=None, actor=manager, at=APRIL)
    before = content | {"pieces": [row for row in content["pieces"] if row["kind"] != "short"]}
    [found] = sources.changes(before, content["trailers"], content["pieces"])
    [short] = [row for row in content["pieces"] if row["kind"] == "short"]
    assert (found["number"], found["state"], found["words"]) == (str(shipment.arrival), "changed", "")
    assert found["pieces"] == [f"{short['number']} new (1 short)"]


def test_a_card_of_before_trailers_were_named_is_still_made_again(site, manager, seven, undrawn):
    old = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"], 40)
    content = issuing.restate(old, uuid=uuid.uuid4(), actor=manager, at=APRIL).content
    del content["restated"]["sources"]
    html = pdf.render_to_string("claims/scorecard/card_pdf.html", pdf.context(content, "0" * 64, pdf.ROOMS[0]))
    assert "Made by" not in html and issuing.workbook.workbook(content)


def test_what_others_brought_does_not_ask_for_a_restatement_but_is_told_in_one(site, manager, seven):
    card = make_card(site, seven["Cedar"], actor=manager)
    hurt(seven["Birch"], 3)
    changes = issuing.changes_since(card)
    assert changes and not any(each["own"] for each in changes)
    with pytest.raises(Refused, match="Nothing has changed since S-0001"):
        issuing.restate(card, uuid=uuid.uuid4(), actor=manager, at=APRIL)
    hurt(seven["Cedar"], 1)
    assert any(each["own"] for each in issuing.changes_since(card))


def test_a_card_is_restated_once(site, manager, seven, undrawn):
    card = make_card(site, seven["Elm"], actor=manager)
    hurt(seven["Elm"])
    issuing.restate(card, uuid=uuid.uuid4(), actor=manager, at=APRIL)
    hurt(seven["Elm"])
    with pytest.raises(ChangedMeanwhile, match="S-0002 has taken the place of S-0001"):
        issuing.restate(card, uuid=uuid.uuid4(), actor=manager, at=APRIL)


def test_a_card_whose_trailers_went_to_another_carrier_can_be_restated(site, manager, seven, undrawn):
    card = make_card(site, seven["Elm"], actor=manager)
    BillCount.objects.filter(carrier=seven["Elm"]).delete()
    months.add_up_months(site, [(seven["Elm"].pk, MARCH)])
    new = issuing.restate(card, uuid=uuid.uuid4(), actor=manager, at=APRIL)
    assert told(new.content)["verdict"] == Verdict.TOO_LITTLE_DATA and new.content["rows"][0]["year"]["events"] == "0"


# --- all of a month ---------------------------------------------------------------------------------------------------


def test_the_state_of_every_carrier_is_told_in_a_fixed_number_of_queries(
    site, manager, seven, django_assert_max_num_queries
):
    make_card(site, seven["Elm"], actor=manager)
    make_card(site, seven["Birch"], actor=manager)
    hurt(seven["Birch"])
    with django_assert_max_num_queries(40):
        states = {str(state.carrier): state for state in issuing.states(site, MARCH)}
    assert [name for name, state in states.items() if not state.is_due] == ["Elm"]
    assert states["Birch"].differs and states["Cedar"].card is None and states["Cedar"].trailers == 12


def job_for(site, actor, carriers):
    return jobs.ask(
        "scorecards",
        site=site,
        arguments={"month": MARCH.isoformat(), "carriers": [carrier.pk for carrier in carriers]},
        key="2026-03",
        actor=actor,
        at=APRIL,
    )


def test_all_of_a_month_are_issued_by_one_piece_of_work(site, manager, seven, undrawn):
    make_card(site, seven["Elm"], actor=manager)
    job = jobs.run_now(job_for(site, manager, seven.values()))
    assert (job.state, job.made, job.total) == ("done", 7, 7)
    assert job.result_words == "6 cards are issued." and job.result_url == "/NOR/scorecards/?month=2026-03"
    assert Scorecard.objects.count() == 7


def test_work_that_was_stopped_goes_on_where_it_was(site, manager, seven, undrawn):
    keys, own = [carrier.pk for carrier in seven.values()], uuid.uuid4()
    given = {"uuid": own, "actor": manager, "at": APRIL}

    def stop_at_three(done, total, words):
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        issuing.issue_all(site, MARCH, keys, **given, progress=stop_at_three)
    before = set(Scorecard.objects.values_list("pk", flat=True))
    found = issuing.issue_all(site, MARCH, keys, **given, progress=lambda *told: None)
    assert len(before) == 3 and len(found) == 7 and before < {card.pk for card in found}
    assert Scorecard.objects.count() == 7 == Scorecard.objects.values("carrier").distinct().count()


def test_work_on_cards_that_all_stand_says_so(site, manager, seven):
    make_card(site, seven["Elm"], actor=manager)
    job = jobs.run_now(job_for(site, manager, [seven["Elm"]]))
    assert job.result_words == "No card was issued: each of them stands as it is."


def test_a_refusal_amid_many_names_the_carrier_and_what_stands(site, manager, seven, undrawn):
    job = jobs.run_now(job_for(site, manager, [seven["Elm"], make_carrier("Nobody")]))
    assert job.state == "failed" and "Nobody: Nobody brought no trailer" in job.error and "before it: 1" in job.error


# --- what was agreed, claims ------------------------------------------------------------------------------------------


def test_what_was_agreed_and_is_open_is_on_the_next_card_with_what_happened_since(site, manager, seven):
    make_counts(site, seven["Birch"], [20, 9, 8, 7, 6, 5], month=date(2026, 1, 1))
    given = {"site": site, "carrier": seven["Birch"], "actor": manager, "at": APRIL}
    open_note = ReviewNote.objects.create(on=date(2026, 2, 10), text="Chock the last row.", **given)
    done_note = ReviewNote.objects.create(on=date(2026, 2, 11), text="Other pallets.", **given)
    ReviewNote.objects.create(on=date(2026, 3, 11), text="Came.", closes=done_note, **given)
    [agreed] = make_card(site, seven["Birch"], actor=manager).content["agreed"]
    assert agreed["text"] == open_note.text
    assert (agreed["before"]["events"], agreed["since"]["events"]) == ("55", "365")
    assert agreed["since"]["rate"].startswith("16.9 (")


def test_the_settings_of_the_day_are_frozen(site, manager, seven):
    content = make_card(site, seven["Elm"], actor=manager).content
    assert content["settings"]["trailer_cap"] == Settings().trailer_cap and content["method"] == "1"
    assert content["comparisons"]["damaged"]["batching"]["phi"] > 1


# --- sending ----------------------------------------------------------------------------------------------------------


def send(card, actor, **given):
    words = {"to": "desk@elm.example", "subject": "Scorecard", "body": "Read it.", "uuid": uuid.uuid4()}
    return issuing.send(card, **(words | given), actor=actor, at=APRIL)


def test_a_card_goes_attached_and_is_kept_as_it_left(site, manager, seven):
    card = make_card(site, seven["Elm"], actor=manager)
    row = send(card, manager)
    [message] = outbox.outbox
    [(name, data, kind)] = message.attachments
    assert (name, data, kind) == ("NOR-S-0001.pdf", kept.read(card, "pdf"), "application/pdf")
    with kept.kept.default_storage.open(row.file) as file:
        assert evidence.digest(file.read()) == row.sha256
    assert Event.objects.get(verb="scorecard.mailed").record == f"cardmessage:{row.pk}"
    assert list(verification.verify(site)) == []


def test_sending_twice_under_one_number_sends_once(site, manager, seven):
    card, own = make_card(site, seven["Elm"], actor=manager), uuid.uuid4()
    assert send(card, manager, uuid=own) == send(card, manager, uuid=own)
    assert len(outbox.outbox) == 1 and CardMessage.objects.count() == 1


@pytest.mark.parametrize(
    ("given", "field"), [({"to": "nobody"}, "to"), ({"to": " "}, "to"), ({"subject": " \n "}, "subject")]
)
def test_a_wrong_address_or_no_subject_is_refused_and_nothing_leaves(site, manager, seven, given, field):
    card = make_card(site, seven["Elm"], actor=manager)
    with pytest.raises(Refused) as why:
        send(card, manager, **given)
    assert why.value.field == field and not outbox.outbox and not CardMessage.objects.exists()


def test_a_subject_with_line_ends_makes_no_header(site, manager, seven):
    send(make_card(site, seven["Elm"], actor=manager), manager, subject="Card\nBcc: all@example.com")
    assert "Bcc" not in outbox.outbox[0].message()


def test_an_altered_file_is_not_sent(site, manager, seven, settings):
    card = make_card(site, seven["Elm"], actor=manager)
    path = kept.kept.default_storage.path(card.pdf)
    with open(path, "ab") as file:
        file.write(b"x")
    with pytest.raises(Refused, match="not the one that was frozen"):
        send(card, manager)
    assert not outbox.outbox
    assert [found.where for found in verification.verify(site)] == ["NOR scorecard S-0001 pdf"]
