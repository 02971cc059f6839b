from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from receiving.documents.manifest import FIELDS

SAMPLES = 3
DECIMALS = [
    ("", _("as the numbers in the file show")),
    (".", _("a point: 1234.56")),
    (",", _("a comma: 1234,56")),
]


class UploadForm(forms.Form):
    file = forms.FileField(
        label=_("Load list, CSV or .xlsx"),
        max_length=200,
        allow_empty_file=True,
        error_messages={"required": _("Choose the file of the load list first.")},
    )


class MappingForm(forms.Form):
    """What each column of one file is: a choice per column, and the decimal sign."""

    decimal = forms.ChoiceField(label=_("Decimal sign"), choices=DECIMALS, required=False)

    def __init__(self, *args, table, mapping, **kwargs):
        self.table = table
        chosen = {column: name for name, column in mapping["columns"].items()}
        super().__init__(*args, initial={"decimal": mapping.get("decimal", "")}, **kwargs)
        for column, heading in enumerate(table.headings):
            self.fields[f"column-{column}"] = forms.ChoiceField(
                label=heading or _("(no heading)"),
                choices=[("", _("not read")), *FIELDS.items()],
                required=False,
                initial=chosen.get(column, ""),
            )

    def columns(self):
        """(bound field, sample texts) per column of the file."""
        for column in range(len(self.table.headings)):
            samples = [row[column].strip() for row in self.table.rows[:SAMPLES]]
            yield self[f"column-{column}"], [text[:40] for text in samples if text]

    def clean(self):
        columns = {}
        for column in range(len(self.table.headings)):
            name = self.cleaned_data.get(f"column-{column}")
            if name and name in columns:
                self.add_error(
                    f"column-{column}",
                    ValidationError(
                        _("Column “%(other)s” is the %(field)s already. Choose one of the two."),
                        code="column_twice",
                        params={"other": self.table.headings[columns[name]], "field": FIELDS[name]},
                    ),
                )
            elif name:
                columns[name] = column
        self.cleaned_data["mapping"] = {"columns": columns, "decimal": self.cleaned_data.get("decimal", "")}
        return self.cleaned_data


class ConfirmForm(forms.Form):
    """What the person saw when they pressed the button, so that nothing else is taken in."""

    mapping = forms.JSONField(widget=forms.HiddenInput)
    replaces = forms.IntegerField(required=False, widget=forms.HiddenInput)
    add_stores = forms.BooleanField(label=_("Add these stores"), required=False)

    def clean_mapping(self):
        mapping = self.cleaned_data["mapping"]
        if not is_mapping(mapping):
            raise ValidationError(_("This page lost its columns. Reload it and try again."), code="mapping")
        return {"columns": mapping["columns"], "decimal": mapping["decimal"]}


def is_mapping(value):
    return (
        isinstance(value, dict)
        and isinstance(value.get("columns"), dict)
        and value.get("decimal") in ("", ".", ",")
        and all(name in FIELDS and type(column) is int for name, column in value["columns"].items())
    )


class DifferenceForm(forms.Form):
    difference_note = forms.CharField(
        label=_("Why bill and list differ"),
        max_length=300,
        error_messages={"required": _("Say in a few words why bill and list differ.")},
    )
    version = forms.IntegerField(widget=forms.HiddenInput)


class CartonFilter(forms.Form):
    """The carton table's own address: what is looked for and where the page begins."""

    q = forms.CharField(label=_("Carton or store"), max_length=60, required=False)
    after = forms.IntegerField(min_value=0, required=False)
