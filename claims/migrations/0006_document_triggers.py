from django.db import migrations

from receiving import triggers

TABLE = "claims_document"


def put(apps, schema_editor):
    """SQLite makes a table anew to add a column, and its triggers go with the old one."""
    triggers.KEYS[TABLE] = [("uuid",), ("replaces_id",)]
    triggers.take_away(schema_editor.connection, [TABLE])
    triggers.put(schema_editor.connection, [TABLE])


class Migration(migrations.Migration):
    dependencies = [("claims", "0005_document_taken_off")]
    operations = [migrations.RunPython(put, migrations.RunPython.noop)]
