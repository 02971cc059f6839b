"""Input for what happens to a filed claim: one form per kind with what that kind says, and for the steps between
stages. No writes."""

from decimal import Decimal

from django import forms
from django.utils.formats import date_format
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from claims import documents
from claims.enums import DocumentKind, FactKind, FilingWay, Ground, LineKind, ReceiptKind, Speaker
from claims.facts.needs import ANSWERED, MISSING, NEEDS
from claims.forms.drafting import DayInput, VersionForm, written
from claims.models import Claim, ClaimLine, Fact, SalvageLot
from claims.valuation.words import money as in_words
from receiving.fields import NumberField
from receiving.models import Discrepancy

# What a column is called where the kind has a better word than the model.
LABELS = {
    (FactKind.ACKNOWLEDGED, "reference"): _("the carrier's claim number"),
    (FactKind.ACKNOWLEDGED, "on"): _("date of the acknowledgement"),
    (FactKind.ACKNOWLEDGED, "received_on"): _("received by the carrier on, as it states"),
    (FactKind.PAPERS_ASKED, "note"): _("which papers"),
    (FactKind.PAPERS_ASKED, "until"): _("by when"),
    (FactKind.PAPERS_SENT, "note"): _("which papers"),
    (FactKind.STATUS, "note"): _("what it says, and why it is not decided"),
    (FactKind.OFFER, "speaker"): _("offered by"),
    (FactKind.OFFER_DECLINED, "note"): _("why"),
    (FactKind.DECISION, "on"): _("date of the decision"),
    (FactKind.DECISION, "speaker"): _("decided by"),
    (FactKind.CONTESTED, "note"): _("what was contested, and with what"),
    (FactKind.AGREED, "amount"): _("agreed amount, all lines together"),
    (FactKind.RECEIPT, "reference"): _("number of the payment"),
    (FactKind.OFFSET, "reference"): _("freight bill it was set off against"),
    (FactKind.REFUND, "reference"): _("number of the payment"),
    (FactKind.ACKNOWLEDGED, "by_name"): _("signed by"),
    (FactKind.PAPERS_ASKED, "by_name"): _("asked by"),
    (FactKind.STATUS, "by_name"): _("signed by"),
    (FactKind.OFFER, "by_name"): _("signed by"),
    (FactKind.OFFER, "reference"): _("number of the letter"),
    (FactKind.DECISION, "by_name"): _("signed by"),
    (FactKind.DECISION, "reference"): _("number of the letter"),
    (FactKind.AGREED, "by_name"): _("agreed with"),
    (FactKind.RECEIPT, "by_name"): _("paid by"),
    (FactKind.OFFSET, "by_name"): _("agreed with"),
    (FactKind.COUNSEL, "reference"): _("counsel's file number"),
    (FactKind.PASSED_ON, "by_name"): _("to whom"),
    (FactKind.PASSED_ON, "reference"): _("number of the payment"),
    (FactKind.WRITTEN_OFF, "note"): _("why"),
    (FactKind.COUNSEL, "by_name"): _("counsel"),
    (FactKind.SUED, "by_name"): _("court"),
    (FactKind.SUED, "reference"): _("case number"),
}
HELP = {
    (FactKind.ACKNOWLEDGED, "received_on"): _("The carrier's time to decide runs from this day."),
    (FactKind.OFFER, "until"): _("The last day it can be taken. Leave it empty if the letter sets none."),
    (FactKind.OFFER, "in_writing"): _("An offer is no disallowance, in writing or not."),
    (FactKind.DECISION, "in_writing"): _("Only a disallowance in writing starts the time to bring suit."),
    (FactKind.DECISION, "papers_returned"): _("Asked by carriage conventions: the papers came back with the refusal."),
}
CHOICES = {"speaker": Speaker.choices, "receipt_kind": ReceiptKind.choices}
YES_NO = ("in_writing", "papers_returned")


class YesNoField(forms.TypedChoiceField):
    """Yes, no, or not said: None."""

    ANSWERS = {"yes": True, "no": False}

    def __init__(self, **options):
        choices = [("yes", _("yes")), ("no", _("no"))]
        widget = forms.RadioSelect(attrs={"small": True})
        super().__init__(choices=choices, coerce=self.ANSWERS.get, empty_value=None, widget=widget, **options)


class FactForm(VersionForm):
    """What one kind of fact says. Whether it can be is the domain's to judge.

    earlier -- money recorded under the same payment number, once the domain has asked about it
    """

    earlier = ()

    def __init__(self, *args, claim, kind, **kwargs):
        super().__init__(*args, **kwargs)
        self.claim, self.kind, self.needs = claim, FactKind(kind), NEEDS[kind]
        columns = ("on", *self.needs.columns)
        self.fields |= written(Fact, [name for name in columns if name not in ("document", "answers")])
        for name in columns:
            if made := self.made(name):
                self.fields[name] = made
        for name, field in self.fields.items():
            if name in columns:
                self.word(name, field)
        if self.kind == FactKind.RECEIPT:
            self.fields["knowing"] = forms.BooleanField(
                label=_("It is another part of that payment: record it all the same"),
                required=False,
                widget=forms.HiddenInput,
            )
        self.order_fields([name for name in ORDER if name in self.fields])

    def made(self, name):
        """The field where the model's column makes none, or not the one a person wants."""
        if name in CHOICES:
            return forms.ChoiceField(
                label=Fact._meta.get_field(name).verbose_name, choices=CHOICES[name], widget=forms.RadioSelect
            )
        if name in YES_NO:
            return YesNoField(label=Fact._meta.get_field(name).verbose_name)
        if name == "document":
            rows = documents.current(self.claim)
            return labelled(
                rows, _("the paper it stands in"), _("none"), lambda row: f"{row.get_kind_display()}: {row.name}"
            )
        if name == "answers":
            rows = self.claim.facts.filter(kind=ANSWERED[self.kind], reverses=None, reversed_by=None)
            return labelled(rows.order_by("-on", "-pk"), _("what it answers"), _("nothing in particular"), in_short)
        return None

    def word(self, name, field):
        field.label = capfirst(LABELS.get((self.kind, name), field.label))
        field.help_text = HELP.get((self.kind, name), "")
        field.required = name == "on" or name in self.needs.needed
        if field.required:
            field.error_messages["required"] = MISSING.get(name, _("Write the day it happened."))
        if name == "note":
            field.widget = forms.Textarea(attrs={"rows": 3, "maxlength": field.max_length})
        if name == "amount":
            field.help_text = _("In %(currency)s.") % {"currency": self.claim.currency}

    def ask_whether_another(self, earlier):
        """Show the tick, and what is recorded under the same payment number already."""
        self.earlier = earlier
        self.fields["knowing"].widget = forms.CheckboxInput()

    @property
    def is_knowing(self):
        return self.cleaned_data.get("knowing", False)

    def facts(self):
        """What `claims.facts.record` wants to know."""
        return {name: self.cleaned_data[name] for name in ("on", *self.needs.columns)}


ORDER = (
    "on",
    "received_on",
    "answers",
    "amount",
    "receipt_kind",
    "until",
    "in_writing",
    "speaker",
    "by_name",
    "reference",
    "knowing",
    "papers_returned",
    "note",
    "document",
    "version",
)


def labelled(rows, label, empty, words):
    field = forms.ModelChoiceField(rows, label=label, empty_label=empty, required=False)
    field.label_from_instance = words
    return field


def in_short(fact):
    """`offer of USD 150.00, Fri 20 Mar 2026`, to choose from."""
    day = date_format(fact.on, "D j M Y")
    if fact.amount is None:
        return f"{fact.get_kind_display()}, {day}"
    return f"{fact.get_kind_display()} {fact.claim.currency} {in_words(fact.amount, fact.claim.currency)}, {day}"


# -- decisions

WHOLE = [
    ("", _("as written line by line below")),
    ("allowed", _("every line is allowed in full")),
    ("disallowed", _("every line is disallowed in full")),
]


class DecisionForm(FactForm):
    """A decision, line by line: what is allowed; the rest of that line is disallowed, on a ground. A line left empty is
    not decided."""

    def __init__(self, *args, lines, **kwargs):
        super().__init__(*args, kind=FactKind.DECISION, **kwargs)
        self.lines = lines
        self.fields["whole"] = forms.ChoiceField(
            label=_("All lines alike, or each by itself"), choices=WHOLE, widget=forms.RadioSelect, required=False
        )
        self.fields["whole_ground"] = ground(_("Ground, if every line is disallowed"))
        self.fields["whole_note"] = forms.CharField(label=_("Their words"), max_length=300, required=False)
        for line in lines:
            self.fields[f"line-{line.pk}-allowed"] = NumberField(
                label=_("Line %(line)s, allowed") % {"line": line}, required=False, max_digits=14, decimal_places=3
            )
            self.fields[f"line-{line.pk}-ground"] = ground(_("Line %(line)s, ground") % {"line": line})
            self.fields[f"line-{line.pk}-note"] = forms.CharField(
                label=_("Line %(line)s, their words") % {"line": line}, max_length=300, required=False
            )

    @property
    def rows(self):
        """(line, its three fields) for the page's table."""
        for line in self.lines:
            yield line, *(self[f"line-{line.pk}-{name}"] for name in ("allowed", "ground", "note"))

    @property
    def head(self):
        """The fields above the table."""
        return [field for field in self.visible_fields() if not field.name.startswith(("line-", "whole"))]

    def clean(self):
        cleaned = super().clean()
        for line in self.lines:
            allowed = cleaned.get(f"line-{line.pk}-allowed")
            if allowed is not None and not 0 <= allowed <= line.amount:
                self.add_error(
                    f"line-{line.pk}-allowed",
                    _("Line %(line)s asks for %(amount)s. Write what is allowed of that, from 0 up.")
                    % {"line": line, "amount": in_words(line.amount, self.claim.currency)},
                )
        return cleaned

    def decisions(self):
        return [said for line in self.lines if (said := self.said_of(line))]

    def said_of(self, line):
        found = self.cleaned_data
        if whole := found.get("whole"):
            allowed, named, note = line.amount if whole == "allowed" else Decimal(0), "whole_ground", "whole_note"
        else:
            allowed, named, note = found[f"line-{line.pk}-allowed"], f"line-{line.pk}-ground", f"line-{line.pk}-note"
        if allowed is None:
            return None
        said = {"line": line.pk, "allowed": allowed, "disallowed": line.amount - allowed}
        return said | {"ground": found[named] if said["disallowed"] else "", "note": found[note]}


def ground(label):
    return forms.ChoiceField(label=label, choices=[("", "–"), *Ground.choices], required=False)


# -- salvage and amendments

LOT = ("lot", "method", "buyer", "related_buyer", "gross", "costs", "remitted_on")


class SalvageForm(FactForm):
    """One lot of damaged goods that was sold or otherwise disposed of."""

    def __init__(self, *args, claim, lines, **kwargs):
        super().__init__(*args, claim=claim, kind=FactKind.SALVAGE, **kwargs)
        rows = ClaimLine.objects.filter(pk__in=[line.pk for line in lines if line.kind == LineKind.DAMAGE])
        words = "{0}: {0.description}".format
        self.fields["line"] = labelled(rows.order_by("position"), _("Line"), None, words)
        self.fields["line"].required = True
        self.fields["line"].error_messages["required"] = _("Choose the line whose goods were sold.")
        self.fields |= written(SalvageLot, LOT)
        for name in LOT:
            self.fields[name].label = capfirst(self.fields[name].label)
        for name in ("gross", "costs"):
            self.fields[name].help_text = _("In %(currency)s.") % {"currency": claim.currency}
        self.fields["costs"].required = False
        self.order_fields(["on", "line", *LOT, "note", "document", "version"])

    def lots(self):
        found = {name: self.cleaned_data[name] for name in LOT}
        return [found | {"line": self.cleaned_data["line"].pk, "costs": found["costs"] or Decimal(0)}]


class AmendForm(VersionForm):
    """The lines of a filed claim, to be changed, taken off, or more pieces of the bill added."""

    COLUMNS = ("quantity", "unit_price")
    HURT = ("repair_cost", "value_lost")

    def __init__(self, *args, lines, pieces, **kwargs):
        super().__init__(*args, **kwargs)
        self.lines = lines
        self.fields |= written(Fact, ["on"])
        self.fields["on"].label = capfirst(self.fields["on"].label)
        self.fields["reason"] = forms.CharField(
            label=_("Why it is amended"), max_length=300, error_messages={"required": _("Say why it is amended.")}
        )
        for line in lines:
            for name in self.names(line):
                self.fields[f"line-{line.pk}-{name}"] = self.number(line, name)
            self.fields[f"line-{line.pk}-drop"] = forms.BooleanField(
                label=_("Take line %(line)s off") % {"line": line}, required=False
            )
        if pieces:
            self.fields["pieces"] = forms.ModelMultipleChoiceField(
                Discrepancy.objects.filter(pk__in=[piece.pk for piece in pieces]).order_by("number"),
                label=_("Pieces of the same bill to add"),
                widget=forms.CheckboxSelectMultiple,
                required=False,
            )

    def names(self, line):
        return self.COLUMNS + (self.HURT if line.kind == LineKind.DAMAGE else ())

    def number(self, line, name):
        column = ClaimLine._meta.get_field(name)
        return NumberField(
            label=_("Line %(line)s, %(column)s") % {"line": line, "column": column.verbose_name},
            required=name == "quantity",
            max_digits=column.max_digits,
            decimal_places=column.decimal_places,
            min_value=0,
            initial=getattr(line, name),
        )

    @property
    def columns(self):
        """Headings of the page's table between the line and its tick."""
        return [ClaimLine._meta.get_field(name).verbose_name for name in (*self.COLUMNS, *self.HURT)]

    @property
    def rows(self):
        """(line, (heading, its field or None) for each column, its tick) for the page's table."""
        for line in self.lines:
            has = self.names(line)
            fields = [self[f"line-{line.pk}-{name}"] if name in has else None for name in (*self.COLUMNS, *self.HURT)]
            yield line, list(zip(self.columns, fields, strict=True)), self[f"line-{line.pk}-drop"]

    def changes(self):
        """What `claims.facts.amend` wants to know: only what is different."""
        found, values, drop = self.cleaned_data, {}, []
        for line in self.lines:
            if found[f"line-{line.pk}-drop"]:
                drop.append(line.pk)
                continue
            now = {name: found[f"line-{line.pk}-{name}"] for name in self.names(line)}
            if different := {name: value for name, value in now.items() if value != getattr(line, name)}:
                values[line.pk] = different
        return {"values": values, "drop": drop, "pieces": list(found.get("pieces") or [])}


# -- stages


class FileForm(VersionForm):
    """That the claim was handed over, and the proof of it."""

    def __init__(self, *args, claim, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["way"] = forms.ChoiceField(
            label=_("How it was handed over"), choices=FilingWay.choices, widget=forms.RadioSelect
        )
        self.fields["way"].error_messages["required"] = _("Say how it was handed over.")
        self.fields["on"] = forms.DateField(label=_("On"), widget=DayInput())
        self.fields["on"].error_messages["required"] = _("Write the day it was handed over.")
        rows = documents.current(claim).filter(kind=DocumentKind.PROOF_OF_FILING)
        self.fields["proof"] = labelled(rows, _("Proof of filing"), _("none"), lambda row: row.name)
        self.fields["no_proof"] = forms.CharField(label=_("Why there is no proof"), max_length=300, required=False)


class ReasonForm(VersionForm):
    """A step that needs its reason in words; `asked` is the question, `sentence` what is said when there is none."""

    def __init__(self, *args, asked, sentence, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["reason"] = forms.CharField(
            label=asked,
            max_length=Claim._meta.get_field("closed_note").max_length,
            widget=forms.Textarea(attrs={"rows": 3}),
            error_messages={"required": sentence},
        )


class CloseForm(VersionForm):
    note = forms.CharField(label=_("Note"), max_length=300, required=False)
