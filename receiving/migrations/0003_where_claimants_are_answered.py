from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("receiving", "0002_evidence_triggers")]
    operations = [
        migrations.AddField(
            "site",
            "claimant_email",
            models.EmailField(blank=True, max_length=254, verbose_name="e-mail for answers when we claim"),
        ),
        migrations.AddField(
            "site",
            "claimant_phone",
            models.CharField(blank=True, max_length=40, verbose_name="phone for answers when we claim"),
        ),
        migrations.AddField(
            "account",
            "email",
            models.EmailField(blank=True, max_length=254, verbose_name="e-mail for answers to its claims"),
        ),
        migrations.AddField(
            "account",
            "phone",
            models.CharField(blank=True, max_length=40, verbose_name="phone for answers to its claims"),
        ),
    ]
