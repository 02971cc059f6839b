from django import forms
from django.utils.translation import gettext_lazy as _

from receiving.models import Store


class ScanForm(forms.Form):
    label = forms.CharField(label=_("Scan or type the label"), max_length=200, strip=False)


class TallyForm(forms.Form):
    store = forms.ModelChoiceField(label=_("Store"), queryset=Store.objects.none(), required=False)
    count = forms.IntegerField(label=_("Cartons"), min_value=-100, max_value=100)

    def __init__(self, *args, site, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = Store.objects.filter(site=site)


class ScanFileForm(forms.Form):
    file = forms.FileField(
        label=_("File of carton ids"),
        help_text=_("CSV or XLSX with a column headed “carton id” and, if there is one, a column headed “time”."),
    )


class PalletForm(forms.Form):
    store = forms.ModelChoiceField(label=_("Store"), queryset=Store.objects.none())
    delivery_day = forms.DateField(
        label=_("Delivery day"), required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    staging = forms.CharField(label=_("Staging area"), max_length=20, required=False)

    def __init__(self, *args, site, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["store"].queryset = Store.objects.filter(site=site, active=True).order_by("number")
