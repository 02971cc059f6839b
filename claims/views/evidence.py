"""What a claim needs and has: its papers, reasons for what is missing, the search for shorts, the statement."""

from django.core.files.storage import default_storage
from django.http import FileResponse, Http404
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from claims import completeness, dates, documents, refusal_answers, shorts
from claims.enums import Stage
from claims.forms.evidence import AskedForm, CorrectDocumentForm, DocumentForm, GapReasonForm, StatementForm
from claims.models import Document
from claims.views.shared import get_claim
from receiving import rules
from receiving.refusals import Refused
from receiving.web import at_site, done, invalid, once, problem, refuse

GROUPS = (completeness.CLAIM, completeness.CASE, completeness.PAPERS)


def part(request, claim):
    """What the right column of the claim page shows."""
    complete = completeness.of_claim(claim)
    answers = refusal_answers.answers(claim, file_by=dates.file_by(claim), complete=complete)
    return {
        "groups": [(name, complete.group(name)) for name in GROUPS],
        "gaps": complete.gaps,
        "blocking": complete.blocking,
        "warnings": complete.warnings,
        "documents": documents.current(claim),
        "search": complete.search,
        "answers": [answer for answer in answers if answer.applies],
        "answered": sum(answer.is_answered for answer in answers),
        "open": claim.stage in (Stage.DRAFT, Stage.FILED),
    }


# --- papers -----------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
def document_add(request, claim):
    """The file is read before `once` opens its transaction: a long PDF must not keep others waiting."""
    claim = get_claim(request, claim)
    if request.method != "POST":
        kind = request.GET.get("kind", "")
        return document_page(request, claim, document_form(claim, initial={"kind": kind}))
    form = document_form(claim, request.POST, request.FILES)
    if not form.is_valid():
        return document_page(request, claim, form, status=422)
    file = form.cleaned_data["file"]
    try:
        paper = documents.examine(file, filename=file.name)
    except Refused as why:
        return document_page(request, claim, form, status=refuse(form, why))
    file.seek(0)
    return document_keep(request, claim, form, paper)


@once
def document_keep(request, claim, form, paper):
    told = {name: form.cleaned_data[name] for name in ("kind", "note", "replaces")}
    try:
        row = documents.receive(claim, paper=paper, uuid=request.uuid, actor=request.user, at=timezone.now(), **told)
    except Refused as why:
        return document_page(request, claim, form, status=refuse(form, why))
    return done(
        request, claim.get_absolute_url(), {"document": str(row.uuid), "sha256": row.sha256, "pages": row.pages}
    )


def document_form(claim, *args, **kwargs):
    return DocumentForm(*args, current=documents.current(claim), **kwargs)


def document_page(request, claim, form, status=200):
    context = {"claim": claim, "form": form, "documents": documents.current(claim)}
    if status == 200:
        return render(request, "claims/document_add.html", context)
    return invalid(request, "claims/document_add.html", context, form, status=status)


@require_safe
@at_site(rules.SEE_CLAIMS, place="claims")
def document(request, claim, uuid):
    """The file as it came. A PDF is shown, in a sandbox; a picture is saved, for it may be anything else as well."""
    row = get_object_or_404(Document, claim=get_claim(request, claim), uuid=uuid)
    if not documents.matches_hash(row):
        sentence = _("%(name)s is missing or was altered: it does not match its recorded hash %(hash)s.")
        return problem(request, 409, "document_altered", sentence % {"name": row.name, "hash": row.sha256})
    try:
        file = default_storage.open(row.file)
    except FileNotFoundError:
        raise Http404 from None
    answer = FileResponse(
        file, content_type=row.content_type, as_attachment=row.content_type != documents.PDF, filename=row.name
    )
    answer["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, no-cache"
    return answer


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
@once
def document_correct(request, claim, uuid):
    """Say that a paper is something else, or take it off; the file stays in the record."""
    row = get_object_or_404(Document.objects.select_related("claim__site"), claim=get_claim(request, claim), uuid=uuid)
    form = CorrectDocumentForm(request.POST or None, instance=row)
    context = {"claim": row.claim, "document": row, "form": form}
    if request.method != "POST":
        return render(request, "claims/document_correct.html", context)
    status = 422
    if form.is_valid():
        row.refresh_from_db()
        said, by = form.data, {"uuid": request.uuid, "actor": request.user, "at": timezone.now()}
        try:
            if "off" in said:
                documents.take_off(row, reason=form.cleaned_data["note"], **by)
            else:
                documents.correct(row, kind=form.cleaned_data["kind"], note=form.cleaned_data["note"], **by)
        except Refused as why:
            status = refuse(form, why)
        else:
            return done(request, row.claim.get_absolute_url())
    return invalid(request, "claims/document_correct.html", context, form, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
@once
def gap(request, claim, code):
    """Say why something that is missing will not be had."""
    claim = get_claim(request, claim)
    need = next((need for need in completeness.of_claim(claim).needs if need.code == code), None)
    if need is None:
        raise Http404
    form = GapReasonForm(request.POST or None, initial={"reason": need.reason})
    context = {"claim": claim, "need": need, "form": form}
    if request.method != "POST":
        return render(request, "claims/gap.html", context)
    status = 422
    if form.is_valid():
        try:
            documents.state_reason(
                claim,
                gap=code,
                reason=form.cleaned_data["reason"],
                uuid=request.uuid,
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return done(request, claim.get_absolute_url())
    return invalid(request, "claims/gap.html", context, form, status=status)


# --- shorts -----------------------------------------------------------------------------------------------------------


@require_POST
@at_site(rules.CLAIM, place="claims")
@once
def asked(request, claim):
    """What owner, supplier and insurer said when they were asked."""
    claim = get_claim(request, claim)
    form = AskedForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            shorts.answer_asked(
                claim,
                answer=form.cleaned_data["asked_owner"],
                note=form.cleaned_data["asked_note"],
                version=form.cleaned_data["version"],
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return done(request, statement_address(claim))
    return invalid(request, "claims/statement.html", statement_context(claim, asked_form=form), form, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@at_site(rules.CLAIM, place="claims")
@once
def statement(request, claim):
    """What was searched, who was asked, and the words a named person signs."""
    claim = get_claim(request, claim)
    if request.method != "POST":
        return render(request, "claims/statement.html", statement_context(claim))
    form = StatementForm(request.POST)
    status = 422
    if form.is_valid():
        told = {name: form.cleaned_data[name] for name in ("signer", "role", "text")}
        try:
            shorts.sign(claim, uuid=request.uuid, actor=request.user, at=timezone.now(), **told)
        except Refused as why:
            status = refuse(form, why)
        else:
            return done(request, claim.get_absolute_url())
    return invalid(request, "claims/statement.html", statement_context(claim, form=form), form, status=status)


def statement_context(claim, *, form=None, asked_form=None):
    lines = shorts.short_lines(claim)
    found = shorts.search(claim, lines=lines)
    text = shorts.statement_text(claim, lines, found)
    if form is not None:
        form.data = form.data.copy()
        form.data["text"] = text
    return {
        "claim": claim,
        "lines": lines,
        "search": found,
        "may_sign": bool(lines) and not found.matches and claim.asked_owner == "no",
        "text": text,
        "form": form or StatementForm(initial={"signer": claim.signatory, "text": text}),
        "asked_form": asked_form or AskedForm(instance=claim, initial={"version": claim.version}),
    }


def statement_address(claim):
    return f"{claim.get_absolute_url()}statement/"
