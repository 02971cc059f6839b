from django import forms
from django.utils.translation import gettext_lazy as _

from claims.enums import FilingWay, LetterKind
from claims.models import Bounce, Letter


class NewLetterForm(forms.Form):
    kind = forms.ChoiceField(choices=LetterKind.choices)


class LetterForm(forms.ModelForm):
    version = forms.IntegerField(widget=forms.HiddenInput)

    class Meta:
        model = Letter
        fields = ["to", "subject", "body"]
        widgets = {"body": forms.Textarea(attrs={"rows": 24})}


class SendLetterForm(LetterForm):
    """The text as it stands on the page: it is saved, then it goes."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)


class SendAgainForm(forms.Form):
    to = forms.CharField(label=_("to"), max_length=254, help_text=_("Several addresses are set apart by commas."))
    uuid = forms.UUIDField(widget=forms.HiddenInput)


class MarkSentForm(forms.Form):
    version = forms.IntegerField(widget=forms.HiddenInput)
    way = forms.ChoiceField(
        label=_("It went"), choices=[choice for choice in FilingWay.choices if choice[0] != FilingWay.EMAIL]
    )


class SendClaimForm(forms.Form):
    """The packet by e-mail: to whom, with which words."""

    to = forms.CharField(label=_("to"), max_length=254, help_text=_("Several addresses are set apart by commas."))
    subject = forms.CharField(label=_("subject"), max_length=200)
    body = forms.CharField(label=_("text"), max_length=20_000, widget=forms.Textarea(attrs={"rows": 14}))
    uuid = forms.UUIDField(widget=forms.HiddenInput)


class BounceForm(forms.ModelForm):
    file = forms.FileField(label=_("or the message as a file"), required=False)
    text = forms.CharField(
        label=_("what came back"), required=False, max_length=20_000, widget=forms.Textarea(attrs={"rows": 10})
    )

    class Meta:
        model = Bounce
        fields = ["text"]
