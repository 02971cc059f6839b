"""The usual refusals and where the packet answers each: keys of its sections, which the printed page turns into page
numbers.
"""

from claims import refusal_answers
from claims.enums import Ground


def usual(claim, complete, dates):
    """One entry for each usual refusal that can be raised against this claim."""
    found = refusal_answers.answers(claim, complete=complete)
    return [entry(each) | filed_late(each, dates) for each in found if each.applies]


def entry(answer):
    return {
        "ground": answer.ground,
        "words": Ground(answer.ground).label,
        "sentences": list(answer.sentences),
        "keys": list(answer.keys),
    }


def filed_late(answer, dates):
    """A packet is made before it is filed: it names the last day, and the day of filing is on the proof of filing."""
    if answer.ground != Ground.LATE_CLAIM:
        return {}
    last = [each["words"] for each in dates if each["files"]]
    return {"sentences": last, "keys": ["dates"] if last else []}
