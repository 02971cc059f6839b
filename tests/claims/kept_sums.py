"""What is kept of a site's months, for tests that compare it with a count from scratch."""

from claims.models import BillCount, MonthSums, VisitCount


def kept(site):
    """All that is kept of a site, in one comparable form."""
    bills = BillCount.objects.filter(site=site).order_by("pk").values()
    visits = VisitCount.objects.filter(site=site).order_by("pk").values()
    sums = MonthSums.objects.filter(site=site).order_by("carrier", "month", "kind", "cell")
    return list(bills), list(visits), list(sums.values("carrier", "month", "kind", "cell", "shown", "tested"))
