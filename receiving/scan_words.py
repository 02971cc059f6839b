"""What a scan is answered in words, and how the answer looks and sounds. A leaf: the server and the phone share it."""

from django.utils.translation import gettext_lazy as _

from receiving.enums import ScanResult

R = ScanResult
# What each result looks and sounds like, and its words above the store's number.
FACES = {
    R.COUNTED: ("right", _("Counted")),
    R.PLACED: ("right", _("On the pallet now")),
    R.BLIND: ("right", _("Counted")),
    R.FOUND: ("right", _("Found")),
    R.ALREADY: ("again", _("Already counted")),
    R.OTHER_TRAILER: ("other", _("Counted for another trailer")),
    R.WRONG_PALLET: ("wrong", _("Wrong pallet")),
    R.OTHER_RELEASED: ("wrong", _("Its trailer has left")),
    R.OTHER_WAITING: ("wrong", _("Its trailer is not unloading")),
    R.NOT_LISTED: ("wrong", _("On no list")),
    R.BAD_LABEL: ("wrong", _("Read wrongly")),
}
ICONS = {"right": "check", "again": "again", "other": "truck", "wrong": "stop"}
FLAGS = (("hazmat", "hazard", _("hazardous")), ("food", "food", _("food")), ("fragile", "warn", _("fragile")))
MISPLACED = _("%(words)s. Wrong pallet")
LOG_OVER = _("Log it as over")
LOG_LATE = _("Log a late finding")
LOG_WRONG = _("Something is wrong with it")

FOUND = _("It was declared short; now it is found.")
CREDITED = _("Credited to trailer %(trailer)s.")
PLACED = _("Counted before; now on this pallet.")
ALL_COUNTED = _("All %(count)s cartons with this label are counted.")
ITS_TRAILER = _("It is trailer %(trailer)s's.")
COUNTED_ALREADY = _("Counted already.")
COUNTED_WHEN = _("Counted %(when)s by %(who)s.")
GOES_TO_PALLET = _("It goes to store %(store)s: pallet %(pallet)s.")
GOES_TO_STORE = _("It goes to store %(store)s; no pallet is open for it.")
LEFT = _("This trailer left %(when)s.")
LEFT_SHORT = _("The carton was declared short. Log what you found as a late finding.")
LEFT_UNCOUNTED = _("The carton was not counted. Log what you found as a late finding.")
OTHER_RELEASED = _("It belongs to trailer %(trailer)s, which left %(when)s. Log it as over: it will be matched.")
OTHER_WAITING = _("It belongs to trailer %(trailer)s. Keep it, and scan it there once that trailer is unloaded.")
NOT_LISTED = _("It is on no list of a trailer being unloaded here. Set it aside or log it as over.")

OWN_TAG = _("This is the tag of piece P-%(number)s, not a carton's label. Scan the label on the carton.")
BILL_MISSING = _("Choose the bill that “%(label)s” counts for: several bills of this trailer have no list.")
PALLET_CLOSED = _("Pallet %(pallet)s is closed and wrapped. Choose another one.")
PAUSED = _("Trailer %(trailer)s is paused. Unload again before you count.")
RELEASED = _("Trailer %(trailer)s is released. Log what you found as a late finding.")
WAITING = _("Trailer %(trailer)s is not being unloaded yet. Start its unloading first.")
NOT_COUNTED = _("Trailer %(trailer)s is %(state)s; nothing of it is counted.")
