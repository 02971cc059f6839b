"""The database's own refusal: no UPDATE and no DELETE on evidence, to raw SQL either. A leaf for migrations.

On SQLite a trigger per table and verb; on PostgreSQL one function and a trigger per table, TRUNCATE included. SQLite's
INSERT OR REPLACE removes the row that holds a key without asking the DELETE trigger: there a key that is taken is
refused before the insert.
"""

# The columns of each unique key beside `id`; an app above adds its own tables when it starts.
KEYS = {
    "receiving_discrepancyversion": [("discrepancy_id", "version")],
    "receiving_event": [("site_id", "seq")],
    "receiving_exceptionsheet": [("uuid",), ("supersedes_id",), ("site_id", "number")],
    "receiving_finding": [("uuid",)],
    "receiving_handedin": [("uuid",)],
    "receiving_handedinended": [("handed_in_id",)],
    "receiving_incidentnote": [("uuid",)],
    "receiving_incidentruling": [("uuid",)],
    "receiving_laterecord": [("uuid",)],
    "receiving_looked": [("uuid",)],
    "receiving_moment": [],
    "receiving_photo": [("uuid",)],
    "receiving_refusal": [("uuid",)],
    "receiving_scan": [("uuid",), ("undoes_id",)],
    "receiving_sealrecord": [("uuid",), ("replaces_id",)],
    "receiving_sheetdelivery": [("uuid",)],
    "receiving_tallytap": [("uuid",), ("undoes_id",)],
    "receiving_tombstone": [("photo_id",)],
}
TABLES = tuple(KEYS)  # this app's, for its migration; the apps above put their own
MESSAGE = "evidence is written once"


def put(connection, tables=TABLES):
    """Create the triggers on `tables`."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
                f"$$ BEGIN RAISE EXCEPTION '{MESSAGE}: %', TG_TABLE_NAME; END $$"
            )
        for table in tables:
            for statement in statements(connection.vendor, table).values():
                cursor.execute(statement)


def statements(vendor, table):
    """{name of the trigger: what creates it} for one table."""
    if vendor == "postgresql":
        refuse = "EXECUTE FUNCTION refuse_change()"
        return {
            f"{table}_row": f"CREATE TRIGGER {table}_row BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW {refuse}",
            f"{table}_all": f"CREATE TRIGGER {table}_all BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {refuse}",
        }
    when = {"UPDATE": "", "DELETE": "", "INSERT": f"WHEN {key_taken(table)} "}
    return {
        f"{table}_{verb.lower()}": f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} {condition}"
        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}: {table}'); END"
        for verb, condition in when.items()
    }


def key_taken(table):
    """SQL: a row of `table` already has the id or one of the unique keys of the row that is to be inserted."""
    keys = (" AND ".join(f"{column} = NEW.{column}" for column in key) for key in [("id",), *KEYS[table]])
    return " OR ".join(f"EXISTS (SELECT 1 FROM {table} WHERE {key})" for key in keys)


def take_away(connection, tables=TABLES):
    """Drop the triggers. Only migrations, the erasure command and the tests' own clean-up do that."""
    with connection.cursor() as cursor:
        for table in tables:
            for name in statements(connection.vendor, table):
                on = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on}")


def missing(connection):
    """Names of the triggers that the database lacks, has switched off or has in other words."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT tgname FROM pg_trigger JOIN pg_proc ON pg_proc.oid = tgfoid "
                "WHERE tgenabled IN ('O', 'A') AND proname = 'refuse_change' AND prosrc LIKE %s",
                [f"%RAISE EXCEPTION '{MESSAGE}%"],
            )
            there = {name: None for (name,) in cursor.fetchall()}
        else:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            there = dict(cursor.fetchall())
    wanted = {name: sql for table in KEYS for name, sql in statements(connection.vendor, table).items()}
    return [name for name, sql in wanted.items() if name not in there or there[name] not in (None, sql)]
