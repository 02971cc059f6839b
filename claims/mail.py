"""E-mail of claims: sent with what it is about attached, in parts that mail servers take, each kept as it left. The
only writer of Message and Bounce.

Nothing here runs inside a transaction of the caller: a mail server may take its time. Each part has its own number made
from the delivery's, so that going on after a failure sends what is missing and nothing twice.
"""

import uuid as uuids
from dataclasses import dataclass

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.mail import EmailMessage
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext as _

from claims.models import Bounce, Message
from claims.packet import parts as packet_parts
from receiving import evidence, files
from receiving.refusals import Refused

MAX_ADDRESSES = 5
MAX_PARTS = 99
HEADROOM = 40_000
TOLD = ["claim", "letter", "packet", "to", "subject", "message_id", "part", "parts", "file", "sha256", "size"]


@dataclass(frozen=True)
class Attached:
    """One file of a message."""

    name: str
    content_type: str
    data: bytes


class OnceMade(EmailMessage):
    """A message whose bytes are made once: what is kept is what the mail server is given."""

    made = None

    def message(self, *args, **kwargs):
        if self.made is None:
            self.made = super().message(*args, **kwargs)
        return self.made


def addresses(text):
    """The e-mail addresses in `text`, set apart by commas, semicolons or line ends. Raises Refused."""
    found = [part.strip() for part in text.replace(";", ",").replace("\n", ",").split(",") if part.strip()]
    if not found:
        raise Refused(_("Write an e-mail address."), code="address_missing", field="to")
    if len(found) > MAX_ADDRESSES:
        raise Refused(
            _("%(count)s addresses; at most %(most)s fit.") % {"count": len(found), "most": MAX_ADDRESSES},
            code="too_many_addresses",
            field="to",
        )
    for address in found:
        try:
            validate_email(address)
        except ValidationError:
            raise Refused(
                _("“%(address)s” is no e-mail address. Write it like claims@carrier.example.") % {"address": address},
                code="address_wrong",
                field="to",
            ) from None
    return found


def send(claim, *, to, subject, body, attached, packet=None, letter=None, uuid, actor, at):
    """Send `attached`, a list of (Attached, ...) tuples, one message each, and give their Message rows.

    Raises Refused where an address is wrong or the mail server does not take a part; parts that went are kept, and the
    same `uuid` again sends the rest only.
    """
    to, subject = addresses(to), one_line(subject)
    if not subject:
        raise Refused(_("Write a subject."), code="subject_missing", field="subject")
    went = gone_before(claim, packet, letter, to, uuid)
    sent = []
    for number, each in enumerate(attached, 1):
        own = uuids.uuid5(uuid, str(number))
        row = went.get(own)
        about = {"claim": claim, "packet": packet, "letter": letter, "actor": actor, "at": at, "uuid": own}
        sent.append(row or send_one(to, subject, body, each, number, len(attached), about))
    return sent


class NumberTaken(Refused):
    """Something else was sent under this number."""

    status = 409


def gone_before(claim, packet, letter, to, uuid):
    """{number: Message} of the parts of this very delivery that went. Raises NumberTaken before anything leaves."""
    numbers = [uuids.uuid5(uuid, str(number)) for number in range(1, MAX_PARTS + 1)]
    rows = list(Message.objects.filter(uuid__in=numbers))
    same = (claim.pk, packet and packet.pk, letter and letter.pk, ", ".join(to)[:254])
    if any((row.claim_id, row.packet_id, row.letter_id, row.to) != same for row in rows):
        raise number_taken()
    return {row.uuid: row for row in rows}


def number_taken():
    return NumberTaken(
        _("Something else was already sent under this number. Reload the page and send it again."), code="uuid_reused"
    )


def one_line(text):
    return " ".join(text.split())[:200]


def send_one(to, subject, body, attached, number, of, about):
    title = (
        subject if of == 1 else _("%(subject)s (part %(n)s of %(of)s)") % {"subject": subject, "n": number, "of": of}
    )
    by = {"uuid": about["uuid"], "actor": about["actor"], "claimant": about["claim"].claimant_email}
    message, raw = composed(to, title, body, attached, **by)
    digest = evidence.digest(raw)
    name = files.keep(f"mail/{digest[:2]}/{digest}.eml", raw)
    hand_over(message, to, number, of)
    return keep(message, to, title, number, of, about | {"file": name, "sha256": digest, "size": len(raw)})


def composed(to, subject, body, attached, *, uuid, actor, claimant=""):
    """(the message, its bytes as they will leave); answers go to whoever sends it, and to the claimant's address."""
    message = OnceMade(subject, body, to=to, headers={"Message-ID": f"<{uuid}@dock.invalid>"})
    message.reply_to = list(dict.fromkeys(filter(None, [claimant, actor.email])))
    for each in attached:
        message.attach(each.name, each.data, each.content_type)
    return message, message.message().as_bytes(linesep="\r\n")


def hand_over(message, to, number, of):
    try:
        message.send()
    except OSError as error:
        before = _("Nothing was sent.") if number == 1 else _("Parts 1 to %(n)s are sent.") % {"n": number - 1}
        raise Refused(
            _(
                "The mail server did not take part %(n)s of %(of)s to %(to)s (%(why)s). %(before)s "
                "Press the button again: what is sent is not sent twice."
            )
            % {"n": number, "of": of, "to": ", ".join(to), "why": error, "before": before},
            code="mail_refused",
            field="to",
        ) from error


def keep(message, to, title, number, of, about):
    row = Message(
        to=", ".join(to)[:254],
        subject=title[:250],
        message_id=message.extra_headers["Message-ID"],
        part=number,
        parts=of,
        **about,
    )
    with transaction.atomic():
        row.save(force_insert=True)
        tell(row, "claim.mailed", evidence.facts(row, TOLD))
    return row


def packet_files(packet, limit):
    """[(Attached,), ...]: the packet in parts of which each message stays under `limit` bytes. Raises Refused."""
    room = int(limit * 0.72) - HEADROOM
    return [(Attached(part.name, part.content_type, part.data),) for part in packet_parts.parts(packet, room)]


# --- what came back ---------------------------------------------------------------------------------------------------


def record_bounce(message, *, text, upload=None, uuid, actor, at):
    """Keep that a message came back, with what the answer said; `upload` is the answer as a file, if there is one."""
    text = text.strip()
    if not text and upload is None:
        raise Refused(_("Paste what came back, or choose the file."), code="bounce_empty", field="text")
    row = Bounce(uuid=uuid, message=message, text=text[:20_000], actor=actor, at=at)
    if upload is not None:
        raw = upload.read(settings.DATA_UPLOAD_MAX_MEMORY_SIZE + 1)
        if len(raw) > settings.DATA_UPLOAD_MAX_MEMORY_SIZE:
            raise Refused(_("The file is larger than 4 MB. Paste the text instead."), code="bounce_large", field="file")
        row.sha256 = evidence.digest(raw)
        row.file = files.keep(f"mail/{row.sha256[:2]}/{row.sha256}.eml", raw)
    with transaction.atomic():
        row.save(force_insert=True)
        tell(row, "claim.bounced", evidence.facts(row, ["message", "text", "file", "sha256"]))
    return row


def tell(row, verb, after):
    claim = row.claim if isinstance(row, Message) else row.message.claim
    evidence.append(site=claim.site, verb=verb, record=row, actor=row.actor, at=row.at, after=after)
