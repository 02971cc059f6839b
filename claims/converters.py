"""Parts of addresses. A leaf; importing it registers them."""

from django.urls import register_converter


class ClaimNumber:
    """`26-0007`: the year's last two digits and the number in that year."""

    regex = "[0-9]{2}-[0-9]{4,6}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


register_converter(ClaimNumber, "claim")
