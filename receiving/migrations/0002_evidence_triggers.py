from django.db import migrations

from receiving import triggers


def put(apps, schema_editor):
    triggers.put(schema_editor.connection)


def take_away(apps, schema_editor):
    triggers.take_away(schema_editor.connection)


class Migration(migrations.Migration):
    dependencies = [("receiving", "0001_initial")]
    operations = [migrations.RunPython(put, take_away)]
