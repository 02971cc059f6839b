"""A phone's outbox saved as a file: a ZIP with `outbox.json` and the photos under `files/<SHA-256>`. A leaf.

`outbox.json` is {"format": 1, "person", "name", "site", "phone", "saved_at", "records": [...]}; a record is what the
phone keeps ({uuid, kind, url, fields, made_at, title, after, seq, state, why, files}) and a file of it {field, name,
type, size, sha256, path}. The file comes from outside: nothing in it is believed, sizes and numbers have ends.
"""

import hashlib
import json
import zipfile
import zlib
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _

from receiving.refusals import Refused

INDEX = "outbox.json"
MOST_BYTES = 1_500_000_000
MOST_MEMBERS = 5_000
MOST_RECORDS = 5_000
MOST_INDEX = 20_000_000
MOST_FILE = 40_000_000
MOST_RATIO = 200
YEARS = range(2000, 2101)
BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError)


@dataclass(frozen=True)
class SavedFile:
    field: str
    name: str
    type: str
    sha256: str
    path: str


@dataclass(frozen=True)
class SavedRecord:
    """One record as the phone kept it. fields -- [[name, value]]; made_at -- by the phone's clock"""

    uuid: UUID
    url: str
    kind: str
    title: str
    fields: list
    files: tuple
    made_at: datetime
    why: str


@dataclass(frozen=True)
class Outbox:
    """person, name -- whose records these are, by the phone's word; records -- in the order in which they were made"""

    person: int
    name: str
    site: str
    phone: UUID | None
    records: list
    archive: zipfile.ZipFile

    def content(self, file):
        """The bytes of one file, if they are what their hash says; else Refused naming the file."""
        try:
            info = self.archive.getinfo(file.path)
            refuse_swollen(info, MOST_FILE)
            with self.archive.open(info) as member:
                data = member.read(MOST_FILE + 1)
        except KeyError as error:
            raise spoilt(_("%(name)s is missing from it.") % {"name": file.name}) from error
        except BROKEN as error:
            raise spoilt(_("%(name)s in it cannot be read.") % {"name": file.name}) from error
        if hashlib.sha256(data).hexdigest() != file.sha256:
            raise spoilt(_("%(name)s in it is not the file that was saved: its SHA-256 differs.") % {"name": file.name})
        return data


def spoilt(what):
    return Refused(
        _("The outbox file cannot be loaded. %(what)s Save it on the phone again; what is on the phone stays there.")
        % {"what": what},
        code="outbox_file",
        field="file",
    )


def refuse_swollen(info, most):
    if info.file_size > most or info.file_size > MOST_RATIO * max(info.compress_size, 1000):
        raise spoilt(_("%(name)s in it is far too large.") % {"name": info.filename[:80]})


def read(file):
    """The Outbox in an open binary file of known size; raises Refused for whatever is wrong with it."""
    if (getattr(file, "size", 0) or 0) > MOST_BYTES:
        raise spoilt(_("It is too large."))
    try:
        archive = zipfile.ZipFile(file)
        if len(archive.infolist()) > MOST_MEMBERS:
            raise spoilt(_("It has too many files."))
        info = archive.getinfo(INDEX)
        refuse_swollen(info, MOST_INDEX)
        told = json.loads(archive.read(info))
    except KeyError as error:
        raise spoilt(_("It has no list of records.")) from error
    except (*BROKEN, RecursionError) as error:
        raise spoilt(_("It is not an outbox that was saved on a phone, or it did not arrive whole.")) from error
    return Outbox(archive=archive, **head(told), records=records(told))


def head(told):
    if not isinstance(told, dict) or told.get("format") != 1:
        raise spoilt(_("It was saved by another version of this program."))
    good = type(told.get("person")) is int and 0 < told["person"] < 2**31
    if not good or not all(isinstance(told.get(name), str) for name in ("name", "site")):
        raise spoilt(_("It does not say whose records these are."))
    return {
        "person": told["person"],
        "name": told["name"][:150],
        "site": told["site"],
        "phone": number(told.get("phone")),
    }


def records(told):
    given = told.get("records")
    if not isinstance(given, list) or len(given) > MOST_RECORDS:
        raise spoilt(_("Its list of records cannot be read."))
    try:
        rows = [(row["seq"] if type(row.get("seq")) is int else 0, record(row)) for row in given]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise spoilt(_("Its list of records cannot be read.")) from error
    return [row for _seq, row in sorted(rows, key=lambda pair: pair[0])]


def record(row):
    made_at = parse_datetime(row["made_at"])
    if made_at is None or made_at.tzinfo is None or made_at.year not in YEARS:
        raise ValueError(row["made_at"])
    texts = [row["url"], row.get("kind") or "", row.get("title") or ""]
    if not all(isinstance(text, str) for text in texts) or not isinstance(row["fields"], list):
        raise TypeError
    return SavedRecord(
        uuid=UUID(row["uuid"]),
        url=texts[0],
        kind=texts[1],
        title=texts[2],
        fields=[[str(name), str(value)] for name, value in row["fields"]],
        files=tuple(saved_file(file) for file in row.get("files") or ()),
        made_at=made_at,
        why=" ".join(str(error["message"]) for error in row.get("why") or () if isinstance(error, dict))[:300],
    )


def saved_file(file):
    told = {name: file[name] for name in ("field", "name", "sha256", "path")} | {"type": file.get("type") or ""}
    if not all(isinstance(value, str) for value in told.values()):
        raise TypeError
    return SavedFile(**told)


def number(text):
    try:
        return UUID(text)
    except (ValueError, TypeError, AttributeError):
        return None
