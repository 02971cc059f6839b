from django import forms
from django.utils.translation import gettext_lazy as _

from receiving.enums import CarrierReceipt, LookedPlace, SignOutcome


class ReasonForm(forms.Form):
    reason = forms.CharField(label=_("Why"), max_length=300)


class LookedForm(forms.Form):
    places = forms.MultipleChoiceField(
        label=_("Where was looked"), choices=LookedPlace.choices, widget=forms.CheckboxSelectMultiple
    )


class ShortForm(forms.Form):
    """What the lead saw when pressing the button: the number missing then."""

    seen = forms.IntegerField(min_value=1, widget=forms.HiddenInput)


class DifferenceForm(forms.Form):
    difference_note = forms.CharField(label=_("Why bill and list differ"), max_length=300)
    version = forms.IntegerField(widget=forms.HiddenInput)


class SignForm(forms.Form):
    """How the driver answered, and what the carrier's own receipt says."""

    outcome = forms.ChoiceField(label=_("The driver"), widget=forms.RadioSelect)
    signer = forms.CharField(
        label=_("Driver's name"), max_length=80, required=False, widget=forms.TextInput(attrs={"class": "asked"})
    )
    employer = forms.CharField(label=_("Drives for"), max_length=120, required=False)
    signature = forms.CharField(widget=forms.HiddenInput, required=False, max_length=400_000)
    typed = forms.BooleanField(label=_("The typed name is the signature"), required=False)
    witness = forms.CharField(
        label=_("Witness"),
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"class": "asked"}),
        help_text=_("Needed when the driver refuses to sign or is not there."),
    )
    carrier_receipt = forms.ChoiceField(
        label=_("The carrier's own receipt"),
        choices=CarrierReceipt.choices,
        widget=forms.RadioSelect(attrs={"class": "wide"}),
    )

    def __init__(self, *args, dropped=False, **kwargs):
        super().__init__(*args, **kwargs)
        hidden = {SignOutcome.CLEAN, SignOutcome.NOT_SEEN} | (set() if dropped else {SignOutcome.AT_PICKUP})
        self.fields["outcome"].choices = [choice for choice in SignOutcome.choices if choice[0] not in hidden]


class ReleaseForm(SignForm):
    notation = forms.CharField(
        label=_("Words for the receipt"),
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 6}),
        help_text=_("Write exactly this on the carrier's receipt, and have the driver sign there too."),
    )
    knowing_phones = forms.BooleanField(
        label=_("I know that these phones may keep something of it, and release all the same"), required=False
    )
    field_order = ["notation", "outcome"]


class SendForm(forms.Form):
    to = forms.EmailField(label=_("E-mail to"))
    uuid = forms.UUIDField(widget=forms.HiddenInput)
