"""Set up: the site's lists, facts and people, and the company's carriers and accounts."""

from functools import reduce, wraps
from operator import or_

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import CharField, Q
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from receiving import people, rules, setup, setup_import
from receiving.documents.xlsx import Sheet, csv_bytes, workbook_bytes
from receiving.forms.setup import (
    ConfirmForm,
    ExistingPersonForm,
    ListFilter,
    NewPersonForm,
    RoleForm,
    UploadForm,
    facts_form,
    site_form,
)
from receiving.models import DamageCode, Membership
from receiving.refusals import ChangedMeanwhile, Refused
from receiving.web import at_site, done, invalid, once, problem, refuse

PAGE = 100
ROWS_SHOWN = 200
COLUMNS = {
    "codes": ("code", "label", "label_es", "order", "min_photos", "default_disposition", "stop_card"),
    "doors": ("label",),
    "stores": ("number", "name", "account"),
    "carriers": ("name", "scac", "kind", "claims_email", "phone"),
    "accounts": ("legal_name", "who_claims", "payee", "food", "fragile"),
}
NUMBERS = {"order", "min_photos"}
CONTENT_TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


def of_list(view):
    """For views of one list: sets `request.kind`; 403 where the list is the company's and the person is a site's."""

    @at_site(rules.SET_UP, place="setup")
    @wraps(view)
    def wrapped(request, kind, **kwargs):
        request.kind = setup.KINDS[kind]
        if request.kind.need not in request.may:
            raise PermissionDenied
        return view(request, **kwargs)

    return wrapped


def address(request, name, *more):
    return reverse(name, args=[request.site.code, request.kind.name, *more])


def find(request, pk):
    return get_object_or_404(setup.records(request.kind, request.site), pk=pk)


def context(request, **more):
    return {"kind": request.kind, "company": not request.kind.of_site} | more


@at_site(rules.SET_UP, place="setup")
@require_safe
def menu(request):
    lists = [kind for kind in setup.KINDS.values() if kind.need in request.may]
    counted = [(kind, setup.live(kind, setup.records(kind, request.site).order_by()).count()) for kind in lists]
    found = {
        "of_site": [(kind, count) for kind, count in counted if kind.of_site],
        "of_company": [(kind, count) for kind, count in counted if not kind.of_site],
        "members": people.members(request.site).count(),
    }
    return render(request, "receiving/setup.html", found)


# -- The site's facts --------------------------------------------------------------------------------------------------


@at_site(rules.SET_UP, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def site_facts(request):
    form = site_form(request.site, request.POST or None)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            site = setup.change_site(
                request.site,
                facts=form.facts(),
                seen=form.cleaned_data["seen"],
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse_facts(form, why, request.site, setup.SITE_FACTS)
        else:
            messages.success(request, _("The facts of %(site)s are saved.") % {"site": site})
            return done(request, reverse("setup", args=[site.code]), {"site": site.code})
    found = {"form": form, "fixed": fixed_facts(request.site)}
    return answer(request, "receiving/setup_site.html", found, form, status)


def answer(request, template, found, form, status):
    if status == 200:
        return render(request, template, found)
    return invalid(request, template, found, form, status=status)


def refuse_facts(form, why, record, names):
    """The refusal at its field. After somebody else's change the form now carries what stands there, to save again."""
    if isinstance(why, ChangedMeanwhile):
        record.refresh_from_db()
        form.data = form.data.copy()
        form.data["seen"] = setup.fingerprint(record, names)
    return refuse(form, why)


def fixed_facts(record):
    """(label, value) of the facts that stay, and the sentence why."""
    names = setup.fixed(record)
    if not names:
        return None
    facts = [(record._meta.get_field(name).verbose_name, setup.shown(record, name)) for name in names]
    return {"facts": facts, "why": setup.fixed_sentence(record)}


# -- One list ----------------------------------------------------------------------------------------------------------


@of_list
@require_safe
def overview(request):
    search = ListFilter(request.GET)
    asked = search.cleaned_data if search.is_valid() else {"q": "", "all": False, "page": None}
    shown = Paginator(matching(request, asked), PAGE).get_page(asked["page"])
    names = COLUMNS[request.kind.name]
    found = context(
        request,
        lookup=search,
        asked=asked,
        shown=shown,
        headings=[(setup_import.heading(request.kind, name), name in NUMBERS) for name in names],
        rows=[(record, setup.is_live(record), cells(record, names)) for record in shown.object_list],
        following=paged(asked, shown.next_page_number()) if shown.has_next() else "",
        before=paged(asked, shown.previous_page_number()) if shown.has_previous() else "",
        filtered=urlencode({name: asked[name] for name in ("q", "all") if asked[name]}),
    )
    return render(request, "receiving/setup_list.html", found)


def paged(asked, number):
    return "?" + urlencode({name: asked[name] for name in ("q", "all") if asked[name]} | {"page": number})


def matching(request, asked):
    kind = request.kind
    found = setup.records(kind, request.site)
    if not asked["all"]:
        found = setup.live(kind, found)
    if asked["q"]:
        fields = [kind.model._meta.get_field(name) for name in kind.facts]
        texts = [field.name for field in fields if isinstance(field, CharField) and not field.choices]
        texts += ["account__legal_name"] if kind is setup.STORES else []
        found = found.filter(reduce(or_, (Q(**{f"{name}__icontains": asked["q"]}) for name in texts)))
    if kind is setup.STORES:
        return found.select_related("account").order_by("account__legal_name", "number", "pk")
    return found.order_by(*kind.order)


def cells(record, names):
    """(heading, text, is a number) per column."""
    return [(record._meta.get_field(name).verbose_name, setup.shown(record, name), name in NUMBERS) for name in names]


@of_list
@once
@require_http_methods(["GET", "HEAD", "POST"])
def new(request):
    form = facts_form(request.kind, request.POST or None)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            record = setup.add(
                request.kind, site=request.site, facts=form.facts(), actor=request.user, at=timezone.now()
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return saved(request, record, _("%(name)s is in the list now.") % {"name": record})
    return answer(request, "receiving/setup_record.html", context(request, form=form), form, status)


def saved(request, record, sentence):
    messages.success(request, sentence)
    for caution in setup.cautions(request.kind, request.site, record):
        messages.warning(request, caution)
    return done(request, address(request, "setup_list"), {"pk": record.pk, "name": str(record)})


@of_list
@once
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request, pk):
    record = find(request, pk)
    if request.kind is setup.CODES and not setup.is_live(record):
        return answer(request, "receiving/setup_retired.html", context(request, record=record), None, 200)
    form = facts_form(request.kind, request.POST or None, record=record)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            record = setup.change(
                request.kind,
                record,
                facts=form.facts(),
                seen=form.cleaned_data["seen"],
                site=request.site,
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse_facts(form, why, record, request.kind.facts)
        else:
            return saved(request, record, _("%(name)s is saved.") % {"name": record})
    found = context(request, form=form, record=record, live=setup.is_live(record), fixed=fixed_facts(record))
    return answer(request, "receiving/setup_record.html", found, form, status)


@of_list
@once
@require_POST
def take_out(request, pk):
    record = find(request, pk)
    try:
        setup.take_out(request.kind, record, site=request.site, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    return saved(request, record, _("%(name)s is out of use. What was recorded with it stays.") % {"name": record})


@of_list
@once
@require_POST
def bring_back(request, pk):
    record = find(request, pk)
    try:
        back = setup.bring_back(request.kind, record, site=request.site, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    return saved(request, back, _("%(name)s is in use again.") % {"name": back})


@at_site(rules.SET_UP, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def replace(request, pk):
    """A new damage code in place of one whose words must stay."""
    request.kind = setup.CODES
    record = get_object_or_404(DamageCode, site=request.site, pk=pk)
    start = {name: getattr(record, name) for name in setup.CODES.facts}
    form = facts_form(setup.CODES, request.POST or None, initial=start)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            code = setup.replace_code(record, facts=form.facts(), actor=request.user, at=timezone.now())
        except Refused as why:
            status = refuse(form, why)
        else:
            sentence = _("%(new)s takes the place of %(old)s.") % {"new": code, "old": record}
            return saved(request, code, sentence)
    found = context(request, form=form, replaced=record)
    return answer(request, "receiving/setup_record.html", found, form, status)


# -- From a file and into one ------------------------------------------------------------------------------------------


@of_list
@require_safe
def export(request, format):
    """What the list shows, with the same filter, in columns an import reads."""
    if format not in CONTENT_TYPES:
        raise Http404
    search = ListFilter(request.GET)
    asked = search.cleaned_data if search.is_valid() else {"q": "", "all": False}
    if request.kind is setup.CODES:
        asked = asked | {"all": False}
    heading, *rows = setup_import.export_rows(request.kind, matching(request, asked))
    if format == "csv":
        data = csv_bytes([heading, *rows])
    else:
        data = workbook_bytes([Sheet(str(request.kind.title), heading, rows)])
    file = HttpResponse(data, content_type=CONTENT_TYPES[format])
    file["Content-Disposition"] = f'attachment; filename="{request.site.code}-{request.kind.name}.{format}"'
    return file


@of_list
@require_http_methods(["GET", "HEAD", "POST"])
def upload(request):
    """The file is read before `once` opens its transaction: a large workbook must not keep scanners waiting."""
    form = UploadForm(request.POST or None, request.FILES or None)
    if request.method != "POST":
        return render(request, "receiving/setup_upload.html", upload_context(request, form))
    if not form.is_valid():
        return refused_upload(request, form)
    try:
        table = setup_import.read_upload(form.cleaned_data["file"])
    except Refused as why:
        return refused_upload(request, form, refuse(form, why))
    form.cleaned_data["file"].seek(0)
    return keep(request, form, table)


@once
def keep(request, form, table):
    file = form.cleaned_data["file"]
    number = setup_import.keep(table, name=file.name, kind=request.kind, site=request.site, actor=request.user)
    to = address(request, "setup_preview", number)
    return done(request, to, {"url": to, "rows": len(table.rows)})


def upload_context(request, form):
    columns = [setup_import.heading(request.kind, name) for name in setup_import.columns_of(request.kind)]
    needed = [setup_import.heading(request.kind, name) for name in setup_import.required(request.kind)]
    return context(request, form=form, columns=columns, needed=needed, most=setup_import.MAX_ROWS)


def refused_upload(request, form, status=422):
    return invalid(request, "receiving/setup_upload.html", upload_context(request, form), form, status=status)


def kept(request, number):
    found = setup_import.kept(number, kind=request.kind, site=request.site, actor=request.user)
    if found is None:
        raise Http404
    return found


@of_list
@require_safe
def preview(request, number):
    table = kept(request, number)
    plan = setup_import.plan(table, kind=request.kind, site=request.site)
    form = ConfirmForm(initial={"digest": plan.digest(request.kind)})
    return render(request, "receiving/setup_preview.html", preview_context(request, table, plan, form))


def preview_context(request, table, plan, form):
    kind = request.kind
    return context(
        request,
        table=table,
        plan=plan,
        form=form,
        columns=[(table.headings[column], setup_import.heading(kind, name)) for name, column in plan.columns.items()],
        bad=plan.bad[:ROWS_SHOWN],
        bad_left=max(0, len(plan.bad) - ROWS_SHOWN),
        added=[(line, ", ".join(told(record, kind))) for line, record in plan.added[:ROWS_SHOWN]],
        added_left=max(0, len(plan.added) - ROWS_SHOWN),
        changed=list(differences(plan.changed[:ROWS_SHOWN])),
        changed_left=max(0, len(plan.changed) - ROWS_SHOWN),
    )


def told(record, kind):
    return [text for name in COLUMNS[kind.name] if (text := setup.shown(record, name))]


def differences(changed):
    """(line, record, name of the fact, what it says now, what the file says) for each fact that differs."""
    for line, record, before, after in changed:
        new = record.__class__(**(setup_import.was_fields(record) | after))
        for name in before:
            yield (
                line,
                record,
                record._meta.get_field(name).verbose_name,
                setup.shown(record, name),
                setup.shown(new, name),
            )


@of_list
@once
@require_POST
def confirm(request, number):
    table = kept(request, number)
    form = ConfirmForm(request.POST)
    status = 422
    if form.is_valid():
        try:
            plan = setup_import.take_in(
                table,
                digest=form.cleaned_data["digest"],
                kind=request.kind,
                site=request.site,
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return taken_in(request, plan)
    plan = setup_import.plan(table, kind=request.kind, site=request.site)
    form.data = form.data.copy()
    form.data["digest"] = plan.digest(request.kind)
    found = preview_context(request, table, plan, form)
    return invalid(request, "receiving/setup_preview.html", found, form, status=status)


def taken_in(request, plan):
    setup_import.clear_after_commit(request.kind, request.site, request.user)
    counts = {"added": len(plan.added), "changed": len(plan.changed)}
    messages.success(request, _("Taken in: %(added)s added, %(changed)s changed.") % counts)
    return done(request, address(request, "setup_list"), counts)


@of_list
@once
@require_POST
def discard(request, number):
    table = kept(request, number)
    setup_import.clear_after_commit(request.kind, request.site, request.user)
    messages.success(request, _("%(name)s was discarded. Nothing was changed.") % {"name": table.name})
    return done(request, address(request, "setup_list"))


# -- People ------------------------------------------------------------------------------------------------------------


@at_site(rules.SET_UP, place="setup")
@never_cache
@require_safe
def people_list(request):
    """Members of the site. A first password waits in the session for this page and is shown once."""
    found = people.members(request.site).order_by("person__first_name", "person__username", "pk")
    members = [(membership, may_change(request, membership)) for membership in found]
    first = request.session.pop("first_password", None)
    return render(request, "receiving/setup_people.html", {"members": members, "first": first})


def may_change(request, membership):
    return membership.person_id != request.user.pk and people.may_touch(membership.site, request.user)


def find_member(request, pk):
    """A membership of this site; 403 where only somebody else may change it."""
    membership = get_object_or_404(people.members(request.site), pk=pk)
    if not may_change(request, membership):
        raise PermissionDenied
    return membership


@at_site(rules.SET_UP, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def person_new(request):
    form = NewPersonForm(request.POST or None, company=rules.COMPANY in request.may)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            membership, password = people.add_person(
                site=request.site,
                facts=form.facts(),
                actor=request.user,
                at=timezone.now(),
                **form.membership(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            show_once(request, membership.person, password)
            return member_saved(request, membership, _("%(name)s may sign in now."))
    return answer(request, "receiving/setup_person.html", {"form": form, "is_new": True}, form, status)


@at_site(rules.SET_UP, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def person_existing(request):
    form = ExistingPersonForm(request.POST or None, company=rules.COMPANY in request.may)
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            membership = people.add_existing(
                form.cleaned_data["username"],
                site=request.site,
                actor=request.user,
                at=timezone.now(),
                **form.membership(),
            )
        except Refused as why:
            status = refuse(form, why)
        else:
            return member_saved(request, membership, _("%(name)s is a member here now."))
    return answer(request, "receiving/setup_person.html", {"form": form, "is_new": False}, form, status)


def show_once(request, person, password):
    """Kept out of the answer itself, which `once` remembers."""
    request.session["first_password"] = {"username": person.username, "password": password}


def member_saved(request, membership, sentence):
    messages.success(request, sentence % {"name": membership.person})
    to = reverse("setup_people", args=[request.site.code])
    return done(request, to, {"membership": membership.pk, "username": membership.person.username})


@at_site(rules.SET_UP, place="setup")
@once
@require_http_methods(["GET", "HEAD", "POST"])
def member(request, pk):
    membership = find_member(request, pk)
    form = RoleForm(request.POST or None, initial=seen_member(membership))
    status = 422
    if request.method != "POST":
        status = 200
    elif form.is_valid():
        try:
            membership = people.change_member(
                membership,
                role=form.cleaned_data["role"],
                food_qualified=form.cleaned_data["food_qualified"],
                seen=form.seen(),
                site=request.site,
                actor=request.user,
                at=timezone.now(),
            )
        except Refused as why:
            status = refuse_member(form, why, membership)
        else:
            return member_saved(request, membership, _("%(name)s is saved."))
    found = {"form": form, "membership": membership, "may_reset": people.may_reset(membership.person, request.user)}
    return answer(request, "receiving/setup_member.html", found, form, status)


def seen_member(membership):
    role, food = membership.role, membership.food_qualified
    return {"role": role, "food_qualified": food, "seen_role": role, "seen_food": food}


def refuse_member(form, why, membership):
    now = Membership.objects.filter(pk=membership.pk).first()
    if isinstance(why, ChangedMeanwhile) and now:
        form.data = form.data.copy()
        form.data["seen_role"] = now.role
        form.data["seen_food"] = "on" if now.food_qualified else ""
    return refuse(form, why)


@at_site(rules.SET_UP, place="setup")
@once
@require_POST
def member_remove(request, pk):
    membership = find_member(request, pk)
    try:
        people.take_away(membership, site=request.site, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    messages.success(request, _("%(name)s is no member here any more.") % {"name": membership.person})
    return done(request, reverse("setup_people", args=[request.site.code]))


@at_site(rules.SET_UP, place="setup")
@once
@require_POST
def password(request, pk):
    membership = find_member(request, pk)
    try:
        first = people.reset_password(membership.person, site=request.site, actor=request.user, at=timezone.now())
    except Refused as why:
        return problem(request, why.status, why.code, why.message)
    show_once(request, membership.person, first)
    return member_saved(request, membership, _("%(name)s has a new first password and is signed out everywhere."))
