from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("claims", "0002_evidence_triggers"),
        ("receiving", "0003_where_claimants_are_answered"),
    ]
    operations = [
        migrations.AddField(
            "claim",
            "claimant_email",
            models.EmailField(blank=True, max_length=254, verbose_name="e-mail for answers"),
        ),
        migrations.AddField(
            "claim",
            "claimant_phone",
            models.CharField(blank=True, max_length=40, verbose_name="phone for answers"),
        ),
    ]
