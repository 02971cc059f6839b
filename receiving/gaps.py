"""What a piece still lacks before its trailer can be released, in sentences. Reads only."""

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from receiving.enums import DiscrepancyState, Kind, PhotoPurpose, WhereFound


def what_is_missing(piece):
    """Sentences for what this piece still lacks before its trailer can be released; empty when it is complete.

    Reads `piece.photos`; prefetch them where there are many pieces.
    """
    if piece.state != DiscrepancyState.OPEN:
        return []
    if piece.kind == Kind.SET_ASIDE:
        return [_("Say what is wrong with it.")]
    found = []
    if piece.is_damaged:
        found += damage_gaps(piece)
    if piece.kind == Kind.OVER and not piece.photos.all() and not piece.no_photo_reason:
        found.append(_("Photograph the carton with its label, or say why not."))
    if piece.kind == Kind.REROUTED and not piece.reroute_authority:
        found.append(_("Say who says so: label, account's note or phone."))
    return found


def photos_wanted(piece):
    return max((code.get("min_photos", 1) for code in piece.codes), default=1)


def damage_gaps(piece):
    photos = list(piece.photos.all())
    lacking = photos_wanted(piece) - len(photos)
    if not piece.codes and not piece.no_photo_reason:
        yield _("Choose what the damage is.")
    if lacking > 0 and not piece.no_photo_reason:
        yield ngettext(
            "%(count)s photo is missing: take it, or say why not.",
            "%(count)s photos are missing: take them, or say why not.",
            lacking,
        ) % {"count": lacking}
    if not piece.extent:
        yield _("Say how far the damage goes.")
    if not piece.disposition:
        yield _("Decide what happens with it.")
    if not piece.where_found or not piece.attribution:
        yield _("Say where it was found and whose doing it was.")
    if lacks_photo_in_place(piece):
        yield _("Found in the trailer: one photo before moving it, or why there is none.")


def lacks_photo_in_place(piece):
    """Damage found in the trailer is best shown where it stood; a reason excuses it."""
    if piece.where_found != WhereFound.IN_TRAILER or piece.not_in_place_reason or piece.no_photo_reason:
        return False
    return not any(photo.purpose == PhotoPurpose.BEFORE_MOVING for photo in piece.photos.all())
