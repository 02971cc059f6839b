"""The rules by which carriers are judged: what they do, and who changed them when. Managers change them."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from claims import judging
from claims.forms.judging import RulesForm
from claims.scorecard.verdicts import judged_by
from claims.views.shared import at_site_or_all
from receiving import rules as granted
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import done, invalid, once, refuse, wants_json

PAGE = "claims/judging_rules.html"


@require_http_methods(["GET", "HEAD", "POST"])
@at_site_or_all(granted.SEE_CLAIMS, place="carriers")
@once
def rules(request):
    """The two rules that the site sets for itself. Everybody who sees verdicts may read them."""
    may_change = granted.SCORECARDS in request.may
    if request.method == "POST" and not may_change:
        raise PermissionDenied
    context = {"may_change": may_change}
    if request.method != "POST":
        return render(request, PAGE, context | page(request))
    form, status = RulesForm(request.POST), 422
    if form.is_valid():
        try:
            judging.change(request.site, **form.cleaned_data, uuid=request.uuid, actor=request.user, at=timezone.now())
            if not wants_json(request):
                messages.success(request, _("Changed. It holds from now on; cards issued before keep their rules."))
            return done(request, request.path)
        except Refused as why:
            status = refuse(form, why)
            if isinstance(why, ChangedMeanwhile):
                form = answering_to_now(form, request.site)
    return invalid(request, PAGE, context | page(request) | {"form": form}, form, status=status)


def page(request):
    history = list(judging.rules(request.site))
    settings = judging.settings(request.site)
    return {
        "form": RulesForm(initial=RulesForm.initial_of(settings, history[0] if history else None)),
        "settings": settings,
        "in_words": judged_by(settings.q, settings.trailer_cap),
        "history": history,
    }


def answering_to_now(form, site):
    """The form answers to the rules as they are now: who has compared may save what they chose."""
    form.data = form.data.copy()
    form.data["seen"] = getattr(judging.rules(site).first(), "pk", 0)
    return form
