"""Parts of addresses. A leaf; importing it registers them."""

from django.urls import register_converter


class SiteCode:
    regex = "[A-Z]{3,4}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


class SetupList:
    """The lists of `receiving.setup`, by name."""

    regex = "codes|doors|stores|carriers|accounts"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


register_converter(SiteCode, "site")
register_converter(SetupList, "list")
