"""Whether an incident has to be reported to an authority: what the site's trained people decided, written down. The
only writer of IncidentRuling.
"""

from django.db import transaction
from django.utils.translation import gettext as _

from receiving import evidence
from receiving.models import IncidentRuling
from receiving.refusals import Refused

TOLD = ("incident", "reportable", "decided_by", "reason")


def latest(incident) -> IncidentRuling | None:
    """What holds of this incident; None where nobody has decided."""
    return incident.rulings.select_related("actor").order_by("pk").last()


def rule(incident, *, reportable, decided_by, reason, uuid, actor, at) -> IncidentRuling:
    """Write down whether the incident has to be reported. A later ruling takes the place of an earlier one.

    decided_by -- the name of whoever decided it, who need not be the one who writes it down
    Refused of an incident without hazardous goods, without a name or a reason, and where the same holds already.
    """
    told = {"decided_by": decided_by.strip(), "reason": reason.strip()}
    if not incident.is_hazard:
        raise Refused(
            _("A note on “%(kind)s” reports nothing. Choose a note on a leak, a smell or unknown goods.")
            % {"kind": incident.get_kind_display()},
            code="no_hazard",
        )
    if not told["decided_by"]:
        raise Refused(_("Write who decided it."), code="decided_by_missing", field="decided_by")
    if not told["reason"]:
        raise Refused(_("Write the reason."), code="reason_missing", field="reason")
    with transaction.atomic():
        evidence.lock_head(incident.arrival.site)
        if (held := latest(incident)) and held.reportable == reportable:
            raise Refused(
                _("%(who)s has written that down already: %(reason)s") % {"who": held.actor, "reason": held.reason},
                code="ruled_already",
            )
        ruling = IncidentRuling.objects.create(
            incident=incident, reportable=reportable, uuid=uuid, actor=actor, at=at, **told
        )
        evidence.append(
            site=incident.arrival.site,
            verb="incident.ruled",
            record=ruling,
            arrival=incident.arrival,
            actor=actor,
            at=at,
            after=evidence.facts(ruling, TOLD),
        )
    return ruling
