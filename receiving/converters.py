"""Parts of addresses. A leaf; importing it registers them."""

from django.urls import register_converter


class SiteCode:
    regex = "[A-Z]{3,4}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


register_converter(SiteCode, "site")
