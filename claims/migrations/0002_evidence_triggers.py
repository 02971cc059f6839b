from django.db import migrations

from claims.evidence_tables import KEYS
from receiving import triggers


def put(apps, schema_editor):
    triggers.KEYS.update(KEYS)
    triggers.put(schema_editor.connection, list(KEYS))


def take_away(apps, schema_editor):
    triggers.take_away(schema_editor.connection, list(KEYS))


class Migration(migrations.Migration):
    dependencies = [("claims", "0001_initial"), ("receiving", "0002_evidence_triggers")]
    operations = [migrations.RunPython(put, take_away)]
