"""What the dock's phones ask and say: who is signed in, and what they still keep."""

from django.http import JsonResponse
from django.middleware.csrf import get_token
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from receiving import handing, phones, rules, shell
from receiving.refusals import Refused
from receiving.web import at_site, problem


@require_safe
def state(request, site):
    """Who this phone works for now, as JSON: `person`, `name`, `may_work`, `csrf`, `now` and `release`.

    404 for who is no member. Somebody who was one still gets the first four there with `may_hand_in`, so that what
    the phone keeps can be handed in.
    """
    if rules.site_by_code(request.user, site) is None and handing.site_worked_at(request.user, site):
        return JsonResponse(told(request) | {"may_work": False, "may_hand_in": True}, status=404)
    return current(request, site=site)


@at_site(rules.SEE)
def current(request):
    return JsonResponse(told(request))


def told(request):
    return {
        "person": request.user.pk,
        "name": str(request.user),
        "may_work": rules.WORK in getattr(request, "may", ()),
        "csrf": get_token(request),
        "now": timezone.now().isoformat(),
        "release": shell.release(),
    }


@require_POST
@at_site(rules.SEE)
def report(request):
    """A phone says what it keeps, as JSON in the field `report`. The answer is that of `state` and `phone_number`."""
    try:
        said = phones.read_report(request.POST.get("report", ""))
        phone = phones.report(request.site, request.user, said, at=request.device.now)
    except Refused as why:
        return problem(request, why.status, why.code, why.message, field=why.field)
    return JsonResponse(told(request) | {"phone_number": phone.number})
