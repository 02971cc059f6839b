from django.db import migrations, models

from receiving.enums import PhotoPurpose


class Migration(migrations.Migration):
    dependencies = [("receiving", "0004_incident_rulings")]
    operations = [
        migrations.AlterField(
            "photo", "purpose", models.CharField("shows", choices=PhotoPurpose.choices, max_length=15)
        ),
    ]
