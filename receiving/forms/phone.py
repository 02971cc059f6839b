"""Input for records that were handed in and for saved outbox files. No writes."""

from django import forms
from django.utils.translation import gettext_lazy as _


class DiscardForm(forms.Form):
    reason = forms.CharField(
        label=_("Why it is discarded"),
        max_length=300,
        error_messages={"required": _("Say why the record is discarded.")},
    )


class OutboxFileForm(forms.Form):
    file = forms.FileField(
        label=_("Outbox file, saved on a phone"),
        max_length=200,
        allow_empty_file=True,
        widget=forms.ClearableFileInput(attrs={"accept": ".zip,application/zip"}),
        error_messages={"required": _("Choose the file that was saved on the phone.")},
    )
