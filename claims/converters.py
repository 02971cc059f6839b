"""Parts of addresses. A leaf; importing it registers them."""

from django.urls import register_converter

from claims.enums import ALL


class ClaimNumber:
    """`26-0007`: the year's last two digits and the number in that year."""

    regex = "[0-9]{2}-[0-9]{4,6}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


class SiteOrAll:
    """A site's code, or `all` for all of them together: codes are capitals, so it is nobody's."""

    regex = f"[A-Z]{{3,4}}|{ALL}"

    def to_python(self, value):
        return value

    def to_url(self, value):
        return value


register_converter(ClaimNumber, "claim")
register_converter(SiteOrAll, "sites")
