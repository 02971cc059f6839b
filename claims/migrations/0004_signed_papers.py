from django.db import migrations, models

from claims.enums import DocumentKind


class Migration(migrations.Migration):
    dependencies = [("claims", "0003_where_claimants_are_answered")]
    operations = [
        migrations.AlterField(
            "document", "kind", models.CharField("what it is", choices=DocumentKind.choices, max_length=18)
        ),
    ]
