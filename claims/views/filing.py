"""The steps between a claim's stages: file, withdraw, close, reopen."""

from django.utils import timezone
from django.utils.functional import lazy
from django.utils.translation import gettext as _

from claims import filing, readings
from claims.enums import FilingWay, Stage
from claims.forms.facts import CloseForm, FileForm, ReasonForm
from claims.views.shared import claim_step, get_claim, step


def posted(request):
    return request.POST if request.method == "POST" else None


def who(request, form):
    return {"seen": form.cleaned_data["version"], "actor": request.user, "at": timezone.now()}


@claim_step
def claim_file(request, claim):
    """Write down that the claim was handed over otherwise than by e-mail from here."""
    claim = get_claim(request, claim)
    initial = {"version": claim.version, "on": timezone.localdate(), "way": FilingWay.POST}

    again = claim.stage == Stage.FILED and claim.filing_way == FilingWay.EMAIL

    def call(form):
        found = form.cleaned_data
        write = filing.file_again if again else filing.file_claim
        write(
            claim,
            way=found["way"],
            on=found["on"],
            proof=found["proof"],
            no_proof=found["no_proof"],
            **who(request, form),
        )

    return step(
        request,
        claim,
        FileForm(posted(request), claim=claim, initial=initial),
        call=call,
        said=filed_words(claim),
        template="claims/file.html",
        title=_("Hand over %(claim)s") % {"claim": claim}
        if claim.is_handover
        else _("File %(claim)s") % {"claim": claim},
        button=_("Record that it was handed over") if claim.is_handover else _("Record that it was filed"),
        ready=filing.readiness(claim) if claim.stage == Stage.DRAFT else None,
        again=again,
    )


def filed_words(claim):
    if claim.is_handover:
        return _("%(claim)s is handed over.") % {"claim": claim}
    return _("%(claim)s is filed. Next the carrier acknowledges it: record its number and the day it states.") % {
        "claim": claim
    }


@claim_step
def claim_withdraw(request, claim):
    claim = get_claim(request, claim)
    form = ReasonForm(
        posted(request),
        initial={"version": claim.version},
        asked=_("Why it is withdrawn"),
        sentence=_("Say why the claim is withdrawn."),
    )

    def call(form):
        filing.withdraw(claim, reason=form.cleaned_data["reason"], **who(request, form))

    notes = [_("Its pieces stand under To claim again. The number stays and is not used twice. This cannot be undone.")]
    if claim.stage == Stage.FILED:
        notes.append(_("Tell the carrier in writing: a letter of withdrawal is among the letters."))
    return step(
        request,
        claim,
        form,
        call=call,
        said=_("%(claim)s is withdrawn. Its pieces can be claimed again.") % {"claim": claim},
        title=_("Withdraw %(claim)s") % {"claim": claim},
        button=_("Withdraw this claim"),
        notes=notes,
    )


@claim_step
def claim_close(request, claim):
    claim = get_claim(request, claim)
    read = readings.reading(claim, at=timezone.now())

    def call(form):
        filing.close(claim, note=form.cleaned_data["note"], **who(request, form))

    return step(
        request,
        claim,
        CloseForm(posted(request), initial={"version": claim.version}),
        call=call,
        said=_("%(claim)s is closed. It can be reopened with a reason.") % {"claim": claim},
        template="claims/close.html",
        title=_("Close %(claim)s") % {"claim": claim},
        button=_("Close this claim"),
        read=read,
        money=read.money,
    )


@claim_step
def claim_reopen(request, claim):
    claim = get_claim(request, claim)
    form = ReasonForm(
        posted(request),
        initial={"version": claim.version},
        asked=_("Why it is reopened"),
        sentence=_("Say why the claim is reopened."),
    )

    def call(form):
        filing.reopen(claim, reason=form.cleaned_data["reason"], **who(request, form))

    return step(
        request,
        claim,
        form,
        call=call,
        said=reopened_words(claim),
        title=_("Reopen %(claim)s") % {"claim": claim},
        button=_("Reopen this claim"),
        notes=[_("A payment that bounced is taken back in the time line; that reopens the claim by itself.")],
    )


def reopened_words(claim):
    def words():
        claim.refresh_from_db(fields=["stage"])
        standing = readings.reading(claim, at=timezone.now()).standing.label
        return _("%(claim)s is open again and now: %(standing)s.") % {"claim": claim, "standing": standing}

    return lazy(words, str)()
