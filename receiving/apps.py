from django.apps import AppConfig


class ReceivingConfig(AppConfig):
    name = "receiving"
    verbose_name = "Receiving"

    def ready(self):
        from receiving import checks  # noqa: F401  registers the system checks
