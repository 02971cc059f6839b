"""What was agreed with carriers, for tests."""

import uuid
from datetime import UTC, date, datetime

from claims import review

APRIL = datetime(2026, 4, 10, 15, tzinfo=UTC)
TALK = {"on": date(2026, 4, 2), "text": "Chock the last row.", "agreed_with": "M. Reed", "who": "Quinn Vance"}


def make_talk(site, carrier, *, actor, at=APRIL, **facts):
    """A note by the domain's own step."""
    return review.agree(site, carrier, **(TALK | facts), uuid=uuid.uuid4(), actor=actor, at=at)


def close_talk(note, *, actor, on=date(2026, 4, 9), text="Chocked since.", at=APRIL):
    return review.close(note, on=on, text=text, uuid=uuid.uuid4(), actor=actor, at=at)
