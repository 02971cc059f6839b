import uuid

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

from receiving import triggers

TABLES = ["receiving_incidentruling"]


def put(apps, schema_editor):
    triggers.put(schema_editor.connection, TABLES)


def take_away(apps, schema_editor):
    triggers.take_away(schema_editor.connection, TABLES)


class Migration(migrations.Migration):
    dependencies = [
        ("receiving", "0003_where_claimants_are_answered"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]
    operations = [
        migrations.CreateModel(
            "IncidentRuling",
            [
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("uuid", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ("at", models.DateTimeField(default=django.utils.timezone.now)),
                ("reportable", models.BooleanField(verbose_name="it has to be reported")),
                ("decided_by", models.CharField(max_length=120, verbose_name="who decided")),
                ("reason", models.CharField(max_length=300, verbose_name="reason")),
                (
                    "actor",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
                    ),
                ),
                (
                    "incident",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="rulings",
                        to="receiving.incidentnote",
                    ),
                ),
            ],
            options={"abstract": False},
        ),
        migrations.RunPython(put, take_away),
    ]
