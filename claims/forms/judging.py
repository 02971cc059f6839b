"""The two rules of judging carriers that a site, or the company over all sites, sets for itself. No writes."""

from django import forms
from django.utils.translation import gettext_lazy

from claims.models import JudgingRule

ALL_CARTONS = ""
# What each value does, as simulated for the method (50 carriers, damage in batches): our own figures.
SHARES = {
    5: gettext_lazy(
        "5 in 100. Careful: among 50 equally careful carriers somebody is called worse wrongly in about 1 period of "
        "100. A carrier with double the damage and 61 trailers is found in about 21 of 100."
    ),
    10: gettext_lazy(
        "10 in 100. Finds more and is wrong more often: wrongly worse in about 2 periods of 100; double the damage "
        "with 61 trailers is found in about 32 of 100."
    ),
}
CAPS = {
    "10": gettext_lazy(
        "At most 10% of its cartons. One wrecked trailer then decides nothing, and does not hide what the others show."
    ),
    ALL_CARTONS: gettext_lazy(
        "All of its cartons. One wrecked trailer of any carrier widens the ranges of all, and real differences drown."
    ),
}


class RulesForm(forms.Form):
    false_share = forms.TypedChoiceField(
        label=gettext_lazy("Of carriers called worse or better, how many may be so by luck"),
        choices=list(SHARES.items()),
        coerce=int,
        widget=forms.RadioSelect(attrs={"class": "asked whole"}),
        error_messages={
            "required": gettext_lazy("Choose 5 or 10 in 100."),
            "invalid_choice": gettext_lazy("Choose 5 or 10 in 100: of other values nobody has tried what they do."),
        },
    )
    trailer_cap = forms.TypedChoiceField(
        label=gettext_lazy("How much of one trailer counts for a verdict"),
        choices=list(CAPS.items()),
        coerce=int,
        empty_value=None,
        required=False,
        widget=forms.RadioSelect(attrs={"class": "asked whole"}),
        error_messages={
            "invalid_choice": gettext_lazy("Choose 10% or all: of other values nobody has tried what they do."),
        },
    )
    seen = forms.IntegerField(min_value=0, widget=forms.HiddenInput)

    @classmethod
    def initial_of(cls, settings, rule: JudgingRule | None):
        return {
            "false_share": round(100 * settings.q),
            "trailer_cap": settings.trailer_cap or ALL_CARTONS,
            "seen": rule.pk if rule else 0,
        }
