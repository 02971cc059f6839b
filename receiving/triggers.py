"""The database's own refusal: no UPDATE and no DELETE on evidence, to raw SQL either. A leaf for migrations.

On SQLite a trigger per table and verb; on PostgreSQL one function and a trigger per table, TRUNCATE included.
"""

TABLES = (
    "receiving_discrepancyversion",
    "receiving_event",
    "receiving_exceptionsheet",
    "receiving_finding",
    "receiving_incidentnote",
    "receiving_looked",
    "receiving_moment",
    "receiving_photo",
    "receiving_refusal",
    "receiving_scan",
    "receiving_sealrecord",
    "receiving_sheetdelivery",
    "receiving_tallytap",
    "receiving_tombstone",
)
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
            for statement in statements(connection.vendor, table):
                cursor.execute(statement)


def statements(vendor, table):
    if vendor == "postgresql":
        refuse = "EXECUTE FUNCTION refuse_change()"
        return [
            f"CREATE TRIGGER {table}_row BEFORE UPDATE OR DELETE ON {table} FOR EACH ROW {refuse}",
            f"CREATE TRIGGER {table}_all BEFORE TRUNCATE ON {table} FOR EACH STATEMENT {refuse}",
        ]
    return [
        f"CREATE TRIGGER {table}_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}: {table}'); END"
        for verb in ("UPDATE", "DELETE")
    ]


def take_away(connection, tables=TABLES):
    """Drop the triggers. Only migrations, the erasure command and the tests' own clean-up do that."""
    with connection.cursor() as cursor:
        for table in tables:
            if connection.vendor == "postgresql":
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_row ON {table}")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_all ON {table}")
            else:
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_update")
                cursor.execute(f"DROP TRIGGER IF EXISTS {table}_delete")
