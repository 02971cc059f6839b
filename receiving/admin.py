"""The superuser's view of everything. Lists and people may be changed here; evidence and the dock's record only read.

A change of something that belongs to a site, or to all of them, is an event in its chain as anywhere else.
"""

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from receiving import evidence
from receiving.models import (
    Account,
    Arrival,
    Carrier,
    Carton,
    ChainHead,
    ColumnMapping,
    Counter,
    DamageCode,
    Discrepancy,
    DiscrepancyVersion,
    Door,
    Event,
    ExceptionSheet,
    Finding,
    HandedIn,
    HandedInEnded,
    IncidentNote,
    IncidentRuling,
    LateRecord,
    LoadList,
    Looked,
    Membership,
    Moment,
    Pallet,
    Person,
    Phone,
    PhoneTrailer,
    Photo,
    Refusal,
    Scan,
    SealRecord,
    SheetDelivery,
    Shipment,
    ShipmentCarrier,
    Site,
    Store,
    Submission,
    TallyTap,
    Tombstone,
)
from receiving.setup import WORDS

admin.site.unregister(Group)
admin.site.site_header = _("Set-up across sites")
admin.site.site_title = _("Set-up across sites")
admin.site.index_title = _("Everything on record")


class Kept(admin.ModelAdmin):
    """Nothing is deleted here; what is not wanted is taken out of use."""

    actions = None
    show_full_result_count = False

    def has_delete_permission(self, request, obj=None):
        return False


class Told(Kept):
    """Each save is an event in the chain of the record's site; of what all sites share, in every site's chain."""

    def save_model(self, request, obj, form, change):
        names = [name for name in form.changed_data if name in form.fields and is_told(obj, name)]
        before = evidence.facts(type(obj).objects.get(pk=obj.pk), names) if change else None
        super().save_model(request, obj, form, change)
        tell(request, obj, "changed" if change else "added", before=before, after=evidence.facts(obj, names))


def is_told(obj, name):
    return name in {field.name for field in obj._meta.concrete_fields}


def tell(request, obj, verb, *, before=None, after=None):
    site = obj if isinstance(obj, Site) else getattr(obj, "site", None)
    for one in [site] if site else Site.objects.order_by("code"):
        evidence.append(
            site=one,
            verb=f"{obj._meta.model_name}.{verb}",
            record=obj,
            actor=request.user,
            at=timezone.now(),
            before=before,
            after=after,
        )


@admin.register(Person)
class PersonAdmin(Told, UserAdmin):
    list_display = ("username", "first_name", "last_name", "language", "is_active", "is_superuser")
    list_filter = ("is_active", "is_superuser", "memberships__role", "memberships__site")
    search_fields = ("username", "first_name", "last_name", "email")
    filter_horizontal = ()
    fieldsets = (
        (None, {"fields": ("username", "password")}),
        (_("Person"), {"fields": ("first_name", "last_name", "email", "language")}),
        (_("Signing in"), {"fields": ("is_active", "is_staff", "is_superuser", "last_login", "date_joined")}),
    )
    add_fieldsets = (
        (None, {"fields": ("username", "first_name", "last_name", "language", "usable_password")}),
        (_("First password"), {"fields": ("password1", "password2")}),
    )
    readonly_fields = ("last_login", "date_joined")

    def user_change_password(self, request, id, form_url=""):
        with transaction.atomic():
            answer = super().user_change_password(request, id, form_url)
            if request.method == "POST" and answer.status_code == 302:
                tell(request, self.get_object(request, id), "password_reset")
        return answer


@admin.register(Membership)
class MembershipAdmin(Told):
    list_display = ("person", "site", "role", "food_qualified")
    list_filter = ("role", "site", "food_qualified")
    list_select_related = ("person", "site")
    search_fields = ("person__username", "person__first_name", "person__last_name")

    def has_delete_permission(self, request, obj=None):
        return admin.ModelAdmin.has_delete_permission(self, request, obj)

    def delete_model(self, request, obj):
        said = evidence.facts(obj, ("person", "site", "role", "food_qualified"))
        tell(request, obj, "taken_away", before=said)
        super().delete_model(request, obj)


@admin.register(Site)
class SiteAdmin(Told):
    list_display = ("code", "name", "time_zone", "currency", "weight_unit", "paper")
    search_fields = ("code", "name")

    def get_readonly_fields(self, request, obj=None):
        """The code is in every hash of the site's chain, and figures were written in its units."""
        if obj is None:
            return ()
        return ("code", "currency", "weight_unit") if Arrival.objects.filter(site=obj).exists() else ("code",)


@admin.register(Account)
class AccountAdmin(Told):
    list_display = ("legal_name", "who_claims", "payee", "food", "fragile", "active")
    list_filter = ("active", "who_claims")
    search_fields = ("legal_name", "payee")


@admin.register(Carrier)
class CarrierAdmin(Told):
    list_display = ("name", "scac", "kind", "claims_email", "active")
    list_filter = ("active", "kind")
    search_fields = ("name", "scac")


@admin.register(Store)
class StoreAdmin(Told):
    list_display = ("number", "name", "account", "site", "active")
    list_filter = ("active", "site", "account")
    list_select_related = ("account", "site")
    search_fields = ("number", "name")

    def get_readonly_fields(self, request, obj=None):
        return ("site", "account", "number") if obj else ()


@admin.register(Door)
class DoorAdmin(Told):
    list_display = ("label", "site", "active")
    list_filter = ("active", "site")
    list_select_related = ("site",)
    search_fields = ("label",)

    def get_readonly_fields(self, request, obj=None):
        return ("site", "label") if obj and Arrival.objects.filter(door=obj).exists() else ()


@admin.register(DamageCode)
class DamageCodeAdmin(Told):
    list_display = ("code", "label", "label_es", "site", "order", "min_photos", "used_at", "retired_at")
    list_filter = ("site", ("retired_at", admin.EmptyFieldListFilter))
    list_select_related = ("site",)
    search_fields = ("code", "label", "label_es")
    times = ("used_at", "retired_at", "replaces")

    def get_readonly_fields(self, request, obj=None):
        """A used code is never re-worded; when it was used and retired is for the dock and the set-up page to say."""
        if obj is None:
            return self.times
        return ("site", *WORDS, *self.times) if obj.used_at or obj.retired_at else ("site", *self.times)


class ReadOnly(Kept):
    """To be looked at: no adding, no changing, no deleting, whoever asks."""

    def has_add_permission(self, request):
        return False

    def has_change_permission(self, request, obj=None):
        return False


def read_only(model, columns, *, related=(), search=(), filters=()):
    """A read-only page of `model`: newest first, with what its columns name fetched in one query."""
    attributes = {
        "list_display": columns,
        "list_select_related": related or False,
        "search_fields": search,
        "list_filter": filters,
        "ordering": ("-pk",),
        "list_per_page": 50,
    }
    admin.site.register(model, type(f"{model.__name__}Admin", (ReadOnly,), attributes))


read_only(
    Arrival,
    ("number", "site", "trailer_number", "carrier", "state"),
    related=("site", "carrier"),
    search=("trailer_number", "number"),
    filters=("state", "site"),
)
read_only(
    Shipment,
    ("bill_number", "arrival", "account", "pieces", "pieces_unit"),
    related=("arrival", "account"),
    search=("bill_number", "pro_number"),
)
read_only(ShipmentCarrier, ("shipment", "carrier", "position"), related=("shipment", "carrier"))
read_only(Moment, ("arrival", "kind", "at", "actor"), related=("arrival", "actor"), filters=("kind",))
read_only(
    SealRecord,
    ("number_on_seal", "arrival", "action", "condition", "at", "actor"),
    related=("arrival", "actor"),
    search=("number_on_seal", "number_on_paper"),
    filters=("action", "condition"),
)
read_only(IncidentNote, ("arrival", "kind", "text", "at", "actor"), related=("arrival", "actor"), filters=("kind",))
read_only(IncidentRuling, ("incident", "reportable", "decided_by", "at", "actor"), related=("incident", "actor"))
read_only(Refusal, ("shipment", "pieces", "reason", "at", "actor"), related=("shipment", "actor"))
read_only(Looked, ("arrival", "place", "at", "actor"), related=("arrival", "actor"))
read_only(
    LoadList,
    ("name", "shipment", "state", "rows", "uploaded_at", "uploaded_by"),
    related=("shipment", "uploaded_by"),
    search=("name", "sha256"),
    filters=("state",),
)
read_only(ColumnMapping, ("account", "headings"), related=("account",))
read_only(Pallet, ("number", "site", "store", "state", "opened_at"), related=("site", "store"), filters=("state",))
read_only(
    Carton,
    ("label", "arrival", "shipment", "store", "expected", "received"),
    related=("arrival", "shipment", "store"),
    search=("label__startswith",),
)
read_only(
    Scan,
    ("label", "arrival", "result", "how", "at", "actor"),
    related=("arrival", "actor"),
    search=("label__startswith",),
    filters=("result", "how"),
)
read_only(TallyTap, ("shipment", "store", "count", "at", "actor"), related=("shipment", "store", "actor"))
read_only(
    Discrepancy,
    ("number", "site", "arrival", "kind", "state", "found_at"),
    related=("site", "arrival"),
    search=("label__startswith", "number"),
    filters=("kind", "state", "site"),
)
read_only(DiscrepancyVersion, ("discrepancy", "version", "reason", "at", "actor"), related=("discrepancy", "actor"))
read_only(Finding, ("discrepancy", "kind", "text", "at", "actor"), related=("discrepancy", "actor"), filters=("kind",))
read_only(
    Photo,
    ("uuid", "arrival", "purpose", "filename", "size", "at", "actor"),
    related=("arrival", "actor"),
    search=("sha256", "filename"),
    filters=("purpose",),
)
read_only(Tombstone, ("photo", "sha256", "reason", "at", "actor"), related=("photo", "actor"), search=("sha256",))
read_only(
    ExceptionSheet,
    ("number", "site", "arrival", "outcome", "signer", "at", "actor"),
    related=("site", "arrival", "actor"),
    search=("number", "signer", "content_sha256"),
    filters=("outcome", "site"),
)
read_only(SheetDelivery, ("sheet", "way", "to", "at", "actor"), related=("sheet", "actor"), filters=("way",))
read_only(
    Event,
    ("seq", "site", "verb", "record", "actor_name", "at"),
    related=("site",),
    search=("record", "hash"),
    filters=("site",),
)
read_only(ChainHead, ("site", "seq", "hash"), related=("site",))
read_only(
    Phone,
    ("__str__", "site", "person", "name", "last_seen", "skew"),
    related=("site", "person"),
    search=("uuid", "name"),
)
read_only(
    PhoneTrailer,
    ("phone", "arrival", "worked_at", "reported_at", "waiting", "refused"),
    related=("phone", "arrival"),
)
read_only(
    LateRecord,
    ("record", "arrival", "kind", "outcome", "changes_sheet", "made_at", "actor"),
    related=("arrival", "actor"),
    search=("record", "label"),
    filters=("outcome", "changes_sheet"),
)
read_only(
    HandedIn,
    ("title", "site", "arrival", "author", "made_at", "at"),
    related=("site", "arrival", "author"),
    search=("uuid", "title"),
)
read_only(
    HandedInEnded, ("handed_in", "end", "reason", "at", "actor"), related=("handed_in", "actor"), filters=("end",)
)
read_only(Submission, ("uuid", "person", "path", "status", "at"), related=("person",), search=("uuid",))
read_only(Counter, ("site", "name", "year", "value"), related=("site",))
