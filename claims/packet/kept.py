"""The files of a packet as they were kept: handed out only while they are the ones whose hash was frozen."""

import hashlib

from django.core.files.storage import default_storage
from django.utils.translation import gettext as _

from receiving.refusals import Refused

TYPES = {
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "zip": "application/zip",
}


def name_of(packet, kind):
    """`NOR-26-0007-packet-2.pdf`"""
    return f"{packet.claim}-packet-{packet.number}.{kind}"


def opened(packet, kind):
    """The file of a kind (pdf, xlsx, zip), open and looked through. Raises Refused where it is missing or altered."""
    return as_frozen(getattr(packet, kind), getattr(packet, f"{kind}_sha256"), name_of(packet, kind))


def as_frozen(path, sha256, name):
    """The stored file, open at its start, if it has the hash that was frozen; `name` is for people. Raises Refused."""
    told = {"file": name}
    try:
        file = default_storage.open(path)
    except OSError as error:
        raise Refused(_("The file %(file)s is missing.") % told, code="file_missing") from error
    if hashlib.file_digest(file, "sha256").hexdigest() != sha256:
        file.close()
        raise Refused(_("The file %(file)s is not the one that was frozen.") % told, code="file_altered")
    file.seek(0)
    return file


def read(packet, kind):
    """The bytes of a file of a kind. Raises Refused where it is missing or altered."""
    with opened(packet, kind) as file:
        return file.read()
