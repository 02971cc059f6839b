from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from receiving import clock, setup
from receiving.enums import Role
from receiving.fields import as_typed
from receiving.identifiers import NotValid, scac
from receiving.models import Account, Person, Site


class FactsForm(forms.Form):
    """The facts of one record, with the model's own labels, lengths, choices and validators, and what was seen.

    fixed -- facts that are shown and cannot be changed any more
    """

    seen = forms.CharField(required=False, widget=forms.HiddenInput, max_length=16)

    def __init__(self, *args, model, names, fixed=(), **kwargs):
        super().__init__(*args, **kwargs)
        self.model, self.names = model, [name for name in names if name not in fixed]
        self.fields.update(forms.fields_for_model(model, fields=self.names, formfield_callback=as_typed))
        if "account" in self.fields:
            self.fields["account"].queryset = Account.objects.filter(active=True).order_by("legal_name")
            self.fields["account"].empty_label = _("choose")
        if "time_zone" in self.fields:
            zones = [(name, name) for name in sorted(clock.available_timezones())]
            self.fields["time_zone"] = forms.ChoiceField(label=self.fields["time_zone"].label, choices=zones)
        if "default_disposition" in self.fields:
            choices = self.fields["default_disposition"].choices
            self.fields["default_disposition"].choices = [("", _("none")), *choices[1:]]
        for name in self.fields.keys() & HELP.keys():
            self.fields[name].help_text = HELP[name]

    def clean_scac(self):
        text = self.cleaned_data["scac"]
        try:
            return scac.validate(text) if text else ""
        except NotValid as why:
            raise ValidationError(_(why.sentence).format(**why.params), code=why.code) from why

    def clean(self):
        """The model's validators, which plain form fields do not know."""
        names = [name for name in self.names if name in self.cleaned_data]
        given = self.model(**{name: self.cleaned_data[name] for name in names})
        others = [field.name for field in given._meta.fields if field.name not in names or field.is_relation]
        try:
            given.clean_fields(exclude=others)
        except ValidationError as why:
            self.add_error(None, why)
        return self.cleaned_data

    def facts(self):
        return {name: self.cleaned_data[name] for name in self.names}


HELP = {
    "order": _("Small numbers come first on the phone."),
    "min_photos": _("A piece with this code asks for at least so many photos; 0 to 9."),
    "stop_card": _("Shown at once when a piece is logged with this code."),
    "scac": _("Two to four letters; leave it empty if you do not know it."),
    "authority": _("Which paper lets us act for the account, and where it is kept."),
    "responsible_person": _("Named on every stop card. The site's own plan says what to do."),
}


def facts_form(kind, *args, record=None, **kwargs):
    """The form of one record of a list; with `record` its facts as they are and what may not change left out."""
    if record is not None:
        kwargs["fixed"] = setup.fixed(record)
        kwargs.setdefault("initial", initial(record, kind.facts))
    return FactsForm(*args, model=kind.model, names=kind.facts, **kwargs)


def site_form(site, *args, **kwargs):
    names = setup.SITE_FACTS
    return FactsForm(*args, model=Site, names=names, fixed=setup.fixed(site), initial=initial(site, names), **kwargs)


def initial(record, names):
    return {name: getattr(record, name) for name in names} | {"seen": setup.fingerprint(record, names)}


class ListFilter(forms.Form):
    q = forms.CharField(label=_("Find"), max_length=60, required=False)
    all = forms.BooleanField(label=_("Out of use too"), required=False)
    page = forms.IntegerField(min_value=1, required=False)


class UploadForm(forms.Form):
    file = forms.FileField(
        label=_("List, CSV or .xlsx"),
        max_length=200,
        allow_empty_file=True,
        error_messages={"required": _("Choose the file first.")},
    )


class ConfirmForm(forms.Form):
    digest = forms.CharField(widget=forms.HiddenInput, max_length=32)


class MemberForm(forms.Form):
    """A role at the site; `everywhere` only where the person asking may give memberships at all sites."""

    role = forms.ChoiceField(label=_("Role"), choices=Role.choices)
    food_qualified = forms.BooleanField(label=_("Qualified to release held food"), required=False)
    everywhere = forms.BooleanField(label=_("At all sites"), required=False)

    def __init__(self, *args, company=False, **kwargs):
        super().__init__(*args, **kwargs)
        if not company:
            del self.fields["everywhere"]

    def membership(self):
        return {
            "role": self.cleaned_data["role"],
            "food_qualified": self.cleaned_data["food_qualified"],
            "everywhere": self.cleaned_data.get("everywhere", False),
        }


class NewPersonForm(MemberForm):
    field_order = ["first_name", "last_name", "username", "language"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        names = ("first_name", "last_name", "username", "language")
        found = forms.fields_for_model(Person, fields=names)
        found["first_name"].required = True
        found["username"].label = _("User name")
        found["username"].help_text = _("What they type to sign in: letters, digits and @ . + - _ only.")
        found["username"].widget.attrs["autocomplete"] = "off"
        self.fields = found | self.fields
        self.person_facts = names

    def facts(self):
        return {name: self.cleaned_data[name] for name in self.person_facts}


class ExistingPersonForm(MemberForm):
    field_order = ["username"]
    username = forms.CharField(label=_("User name"), max_length=150)


class RoleForm(forms.Form):
    """A membership's role, with what was seen: `role` and `food_qualified` as the page showed them."""

    role = forms.ChoiceField(label=_("Role"), choices=Role.choices)
    food_qualified = forms.BooleanField(label=_("Qualified to release held food"), required=False)
    seen_role = forms.ChoiceField(choices=Role.choices, widget=forms.HiddenInput)
    seen_food = forms.BooleanField(required=False, widget=forms.HiddenInput)

    def seen(self):
        return self.cleaned_data["seen_role"], self.cleaned_data["seen_food"]
