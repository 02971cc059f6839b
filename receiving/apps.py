from importlib import import_module

from django.apps import AppConfig


class ReceivingConfig(AppConfig):
    name = "receiving"
    verbose_name = "Receiving"

    def ready(self):
        import_module("receiving.checks")
