"""Which trailers and pieces made a restated card tell other figures: held against what the card before froze."""

from django.utils.translation import gettext as _

from claims.scorecard.verdicts import number

# What a figure of a card is made of, in the order of the workbook; the last of them are told as they are.
COUNTS = ("damaged", "short", "over", "rerouted", "listed", "received")
WORDS = {
    **{name: name for name in COUNTS},
    "minutes_late": "minutes after the appointment",
    "seal_exception": "seal exception",
    "day": "released",
}


def changes(before: dict, trailers: list[dict], pieces: list[dict]) -> list[dict]:
    """The trailers that are new, gone or changed since the content `before`, those with the greatest change first.

    Each is {number, trailer, state (new, gone, changed), words, pieces}; `pieces` are the pieces that are new, gone or
    changed there, each in words.
    """
    was, now = by_number(before["trailers"]), by_number(trailers)
    moved = piece_changes(before["pieces"], pieces)
    numbers = [*now, *(name for name in was if name not in now)]
    found = [change(was.get(name), now.get(name), moved.get(name, [])) for name in numbers]
    return sorted(filter(None, found), key=lambda each: (-each.pop("by"), each["number"]))


def by_number(rows):
    return {row["number"]: row for row in rows}


def change(was, now, pieces):
    """None where the trailer is as it was."""
    row, other = now or was, was or now
    changed = [name for name in WORDS if row[name] != other[name]]
    if was and now and not changed and not pieces:
        return None
    if was and now:
        state, words = "changed", [f"{WORDS[name]} {told(was[name])} → {told(now[name])}" for name in changed]
    else:
        state = "new" if now else "gone"
        words = [f"{name} {told(row[name])}" for name in ("received", *COUNTS[:4]) if row[name]]
    return {
        "number": row["number"],
        "trailer": row["trailer"],
        "state": state,
        "words": ", ".join(words),
        "pieces": pieces,
        "by": size(was, now),
    }


def size(was, now):
    """By how many events the trailer changes the figures."""
    return sum(abs((now or {}).get(name, 0) - (was or {}).get(name, 0)) for name in COUNTS[:4])


def told(value):
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number(value) if isinstance(value, int) else value


# --- pieces -----------------------------------------------------------------------------------------------------------


def piece_changes(before, now) -> dict[str, list[str]]:
    """{trailer: the pieces that are new, gone or of another number, in words}. A piece that counts as another kind now
    is gone as the one and new as the other."""
    was, found = by_piece(before), by_piece(now)
    rows = {}
    for key in [*found, *(key for key in was if key not in found)]:
        row = found.get(key) or was[key]
        if words := piece_change(was.get(key), found.get(key)):
            rows.setdefault(row["trailer"], []).append((row["number"], words))
    return {trailer: [words for _number, words in sorted(each, key=piece_order)] for trailer, each in rows.items()}


def by_piece(rows):
    return {(row["key"], row["kind"], row["trailer"]): row for row in rows}


def piece_order(told):
    number_of, words = told
    return len(number_of), number_of, words


def piece_change(was, now):
    """`P-12 new (2 damaged)`; empty where it is as it was."""
    row = now or was
    values = {"piece": row["number"], "n": number(row["quantity"]), "kind": row["kind"]}
    if was is None:
        return _("%(piece)s new (%(n)s %(kind)s)") % values
    if now is None:
        return _("%(piece)s gone (%(n)s %(kind)s)") % values
    if was["quantity"] != now["quantity"]:
        return _("%(piece)s %(was)s → %(n)s %(kind)s") % (values | {"was": number(was["quantity"])})
    return ""
