from django import forms
from django.utils.translation import gettext_lazy as _

from claims.models import Claim, Document, GapReason, Statement
from receiving.enums import YesNo


class DocumentForm(forms.ModelForm):
    """A paper for a claim: the file, what it is, and which one it corrects."""

    file = forms.FileField(
        label=_("file"),
        help_text=_("PDF up to 25 MB and 200 pages, or a picture."),
        widget=forms.ClearableFileInput(attrs={"accept": ".pdf,image/*"}),
    )

    class Meta:
        model = Document
        fields = ["kind", "file", "note", "replaces"]

    def __init__(self, *args, current=(), **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["replaces"] = forms.ModelChoiceField(
            Document.objects.filter(pk__in=[row.pk for row in current]),
            label=_("corrects"),
            required=False,
            empty_label=_("nothing, it is a new one"),
        )
        self.fields["replaces"].label_from_instance = lambda row: f"{row.get_kind_display()}: {row.name}"


class CorrectDocumentForm(forms.ModelForm):
    """What a paper is in truth, or why it is taken off."""

    class Meta:
        model = Document
        fields = ["kind", "note"]


class GapReasonForm(forms.ModelForm):
    class Meta:
        model = GapReason
        fields = ["reason"]


class AskedForm(forms.ModelForm):
    asked_owner = forms.ChoiceField(
        label=_("Has the owner, the supplier or an insurer claimed for these pieces, or been paid?"),
        choices=[(YesNo.NO, _("no")), (YesNo.YES, _("yes")), (YesNo.UNKNOWN, _("not known yet"))],
        widget=forms.RadioSelect,
    )
    version = forms.IntegerField(widget=forms.HiddenInput)

    class Meta:
        model = Claim
        fields = ["asked_owner", "asked_note"]


class StatementForm(forms.ModelForm):
    text = forms.CharField(widget=forms.HiddenInput)
    agreed = forms.BooleanField(
        label=_("The person named has read these words and states that they are true."),
        error_messages={"required": _("Tick this only when the person named has read the words.")},
    )

    class Meta:
        model = Statement
        fields = ["signer", "role"]
