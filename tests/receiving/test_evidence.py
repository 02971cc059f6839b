"""The chain: what it says, that it holds, and that the database refuses to have it changed."""

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.models import UniqueConstraint

from receiving import evidence, triggers
from receiving.enums import ArrivalState
from receiving.models import (
    ChainHead,
    DiscrepancyVersion,
    Event,
    Evidence,
    ExceptionSheet,
    Finding,
    HandedInEnded,
    IncidentNote,
    IncidentRuling,
    LateRecord,
    Looked,
    Moment,
    Photo,
    Refusal,
    Scan,
    SealRecord,
    SheetDelivery,
    TallyTap,
    Tombstone,
)
from tests.builders import (
    NOON,
    make_account,
    make_arrival,
    make_cartons,
    make_handed_in,
    make_person,
    make_piece,
    make_seal,
    make_site,
    make_store,
)
from tests.claims import evidence_rows

pytestmark = pytest.mark.django_db
EVIDENCE = [model for model in apps.get_models() if issubclass(model, Evidence)]


@pytest.fixture
def site():
    return make_site()


@pytest.fixture
def alice(site):
    return make_person("lead", site, "alice")


def test_each_event_holds_the_hash_of_the_one_before(site, alice):
    make_arrival(site, actor=alice, state=ArrivalState.UNLOADING)
    events = list(Event.objects.order_by("seq"))
    assert len(events) > 3
    assert [event.seq for event in events] == list(range(1, len(events) + 1))
    assert [event.previous for event in events] == [evidence.GENESIS, *(event.hash for event in events[:-1])]
    assert all(evidence.event_hash(event, site_code=site.code) == event.hash for event in events)
    assert evidence.head(site) == (events[-1].seq, events[-1].hash)


def test_two_sites_have_two_chains(site, alice):
    other = make_site("SOU", time_zone="America/Denver")
    make_arrival(site, actor=alice)
    make_arrival(other, actor=alice)
    assert list(Event.objects.order_by("site__code", "seq").values_list("site__code", "seq")) == [
        ("NOR", 1),
        ("SOU", 1),
    ]


@pytest.mark.django_db(transaction=True)
def test_an_event_outside_a_transaction_is_refused(site, alice):
    with pytest.raises(transaction.TransactionManagementError):
        evidence.append(site=site, verb="x", record="y", actor=alice, at=NOON)
    assert not ChainHead.objects.exists()


def test_every_evidence_table_has_its_triggers():
    tables = {model._meta.db_table for model in apps.get_models() if issubclass(model, Evidence)}
    assert tables == set(triggers.KEYS)


@pytest.mark.parametrize("table", triggers.KEYS)
@pytest.mark.parametrize("statement", ["UPDATE {} SET at = at", "DELETE FROM {}"])
def test_the_database_names_a_trigger_for(table, statement):
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT count(*) FROM pg_trigger WHERE tgrelid = %s::regclass AND NOT tgisinternal", [table])
            assert cursor.fetchone()[0] == 2
        else:
            verb = statement.split()[0].lower()
            cursor.execute(
                "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND name = %s", [f"{table}_{verb}"]
            )
            assert cursor.fetchone()[0] == 1


def test_no_trigger_is_missing_and_one_that_is_is_named():
    assert triggers.missing(connection) == []
    table = "receiving_looked"
    triggers.take_away(connection, [table])
    assert triggers.missing(connection) == list(triggers.statements(connection.vendor, table))
    triggers.put(connection, [table])
    assert triggers.missing(connection) == []


def test_a_trigger_of_that_name_that_refuses_nothing_is_missing():
    names = list(triggers.statements(connection.vendor, "receiving_looked"))
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(f"ALTER TABLE receiving_looked DISABLE TRIGGER {names[0]}")
        else:
            cursor.execute(f"DROP TRIGGER {names[0]}")
            cursor.execute(f"CREATE TRIGGER {names[0]} BEFORE UPDATE ON receiving_looked BEGIN SELECT 1; END")
    assert triggers.missing(connection) == [names[0]]


def unique_keys(model):
    """Column tuples of every unconditional unique key of a model, its own id left out."""
    fields = [field for field in model._meta.concrete_fields if field.unique and not field.primary_key]
    yield from ((field.column,) for field in fields)
    for constraint in model._meta.constraints:
        if isinstance(constraint, UniqueConstraint) and constraint.condition is None:
            yield tuple(model._meta.get_field(name).column for name in constraint.fields)


@pytest.mark.parametrize("model", EVIDENCE, ids=lambda model: model._meta.model_name)
def test_the_triggers_know_every_unique_key(model):
    assert model._meta.pk.column == "id"
    assert set(triggers.KEYS[model._meta.db_table]) == set(unique_keys(model))


on_sqlite = pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL has no INSERT OR REPLACE")


OTHER = {
    "id": "NULL",
    "uuid": "lower(hex(randomblob(16)))",
    **dict.fromkeys(
        ("supersedes_id", "undoes_id", "replaces_id", "reverses_id", "lifts_id", "restates_id", "closes_id"), "NULL"
    ),
    **dict.fromkeys(("number", "seq", "version"), "{} + 1000"),
}


@on_sqlite
@pytest.mark.parametrize("model", EVIDENCE, ids=lambda model: model._meta.model_name)
def test_insert_or_replace_cannot_rewrite_evidence(model):
    row = every_kind()[model]
    table = model._meta.db_table
    named = [field.column for field in model._meta.concrete_fields]
    for key in [("id",), *triggers.KEYS[table]]:
        if any(getattr(row, attname_of(model, column)) is None for column in key):
            continue
        # All but this key is another row's, as far as the columns allow.
        others = {column for taken in [("id",), *triggers.KEYS[table]] for column in taken} - set(key)
        given = [
            OTHER.get(column, "{}").format(quoted(column)) if column in others else quoted(column) for column in named
        ]
        with (
            pytest.raises(IntegrityError, match=f"evidence is written once: {table}"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(
                f"INSERT OR REPLACE INTO {table} ({', '.join(map(quoted, named))}) "
                f"SELECT {', '.join(given)} FROM {table} WHERE id = %s",
                [row.pk],
            )
        assert model.objects.get(pk=row.pk).at == row.at


def attname_of(model, column):
    return next(field.attname for field in model._meta.concrete_fields if field.column == column)


def quoted(column):
    return connection.ops.quote_name(column)


def every_kind():
    """{model: a row of it}, one for every evidence table."""
    site = make_site("EVY")
    lead = make_person("lead", site, "every")
    account = make_account("Every Account")
    store = make_store(site, account, "0001")
    arrival = make_arrival(site, actor=lead, state=ArrivalState.UNLOADING, pieces=2, account=account)
    bill = arrival.shipments.get()
    by = {"actor": lead, "at": NOON}
    piece = make_piece(arrival, actor=lead)
    seal = make_seal(arrival, actor=lead)
    carton = make_cartons(bill, 1, stores=[store])[0]
    scan = Scan.objects.create(
        arrival=arrival, seen_at=arrival, shipment=bill, carton=carton, label=carton.label, result="counted", **by
    )
    back = Scan.objects.create(
        arrival=arrival, seen_at=arrival, shipment=bill, label=carton.label, result="counted", undoes=scan, **by
    )
    tap = TallyTap.objects.create(shipment=bill, store=store, count=1, **by)
    photo = Photo.objects.create(
        site=site, arrival=arrival, purpose="trailer", sha256="a" * 64, size=1, width=1, height=1, **by
    )
    sheet = sheet_row(site, arrival, 1, **by)
    incident = IncidentNote.objects.create(arrival=arrival, kind="seal", text="broken", **by)
    handed_in = make_handed_in(arrival, author=lead)
    rows = [
        back,
        photo,
        sheet_row(site, arrival, 2, supersedes=sheet, **by),
        SealRecord.objects.create(
            arrival=arrival, condition="intact", number_on_seal="1", replaces=seal, reason="misread", **by
        ),
        TallyTap.objects.create(shipment=bill, store=store, count=-1, undoes=tap, **by),
        DiscrepancyVersion.objects.create(discrepancy=piece, version=1, facts={}, **by),
        Finding.objects.create(discrepancy=piece, kind="note", text="as found", **by),
        incident,
        IncidentRuling.objects.create(incident=incident, reportable=False, decided_by="Dana", reason="a drop", **by),
        Looked.objects.create(arrival=arrival, place="trailer", **by),
        Moment.objects.create(arrival=arrival, kind="paused", **by),
        Refusal.objects.create(shipment=bill, pieces=1, reason="wet", **by),
        SheetDelivery.objects.create(sheet=sheet, way="paper", **by),
        Tombstone.objects.create(photo=photo, sha256="a" * 64, reason="law", **by),
        handed_in,
        HandedInEnded.objects.create(handed_in=handed_in, end="taken", **by),
        LateRecord.objects.create(
            arrival=arrival, kind="scan", outcome="kept", changes_sheet=False, made_at=NOON, **by
        ),
        Event.objects.filter(site=site).first(),
        *evidence_rows.rows(site, piece, bill, actor=lead, at=NOON),
    ]
    return {type(row): row for row in rows}


def sheet_row(site, arrival, number, **also):
    told = {"content": {}, "outcome": "clean", "log_seq": 0, "log_head": "0" * 64, "carrier_receipt": "none"}
    return ExceptionSheet.objects.create(site=site, arrival=arrival, number=number, **(told | also))


def test_an_ordinary_second_row_is_an_integrity_error(site, alice):
    seal = make_seal(make_arrival(site, actor=alice), actor=alice)
    with pytest.raises(IntegrityError), transaction.atomic():
        SealRecord.objects.create(
            uuid=seal.uuid, arrival=seal.arrival, condition="intact", number_on_seal="1", actor=alice, at=NOON
        )
    assert SealRecord.objects.get() == seal


@pytest.mark.parametrize("statement", ["UPDATE {} SET note = 'x'", "DELETE FROM {}"])
@pytest.mark.parametrize("table", ["receiving_sealrecord", "receiving_moment"])
def test_raw_sql_cannot_change_evidence(site, alice, table, statement):
    arrival = make_arrival(site, actor=alice)
    make_seal(arrival, actor=alice)
    refused = pytest.raises(DatabaseError, match="evidence is written once")
    with refused, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement.format(table))


def test_raw_sql_cannot_change_an_event(site, alice):
    make_arrival(site, actor=alice)
    with pytest.raises(DatabaseError, match="evidence is written once"), transaction.atomic():
        Event.objects.update(verb="never happened")
    assert Event.objects.get().verb == "arrival.expected"


def test_the_canonical_text_does_not_depend_on_the_order_of_keys():
    assert evidence.canonical({"b": 1, "a": "é"}) == evidence.canonical({"a": "é", "b": 1}) == '{"a":"é","b":1}'
