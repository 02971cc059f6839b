"""A list of stores, carriers, codes, doors or accounts from a file: read, looked at against what is there, taken in.

The table is kept between looking and taking in, under a number of its own and the person's, as plain JSON; nobody
else can open it. Taking in plans anew and compares with what was looked at, so nothing unseen is written.
"""

import json
import uuid
from collections import defaultdict
from dataclasses import dataclass, field

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import models, transaction
from django.utils import translation
from django.utils.text import capfirst
from django.utils.translation import gettext as _

from receiving import evidence, setup
from receiving.documents.manifest import NO, UNSEEN, YES, words
from receiving.documents.tables import MAX_BYTES, Mark, UnreadableTable, read_table
from receiving.documents.xlsx import FORMULA_STARTS
from receiving.identifiers import NotValid, scac
from receiving.models import Account
from receiving.refusals import ChangedMeanwhile, Refused

MAX_ROWS = 5_000
# Other words people head such columns with; the field's own name and its label in every language count too.
HEADINGS = {
    "number": "store storenumber storeno tienda numero",
    "account": "accountname legalname client cuenta cliente",
    "name": "storename carriername carrier broker nombre",
    "legal_name": "account name company nombre",
    "scac": "scac alphacode",
    "claims_email": "email mail correo",
    "email": "mail correo",
    "phone": "telephone tel telefono",
    "code": "damagecode codigo",
    "label": "words door etiqueta",
    "label_es": "spanish espanol",
    "min_photos": "photos minphotos fotos",
    "default_disposition": "disposition",
    "active": "active inuse enuso",
}


class Unfit(Exception):
    """A cell that cannot be what its column says; the text is for people."""


@dataclass(frozen=True)
class Kept:
    """A file's table as it waits to be taken in."""

    number: uuid.UUID
    name: str
    headings: list[str]
    rows: list[list[str]]
    lines: list[int]
    widths: dict[int, int]
    broken: set[tuple[int, int]]
    remarks: list[str]


@dataclass(frozen=True)
class Bad:
    line: int
    column: str
    value: str
    reason: str


@dataclass
class Plan:
    """What taking in would do. `added` are (line, unsaved record); `changed` (line, record, before, after)."""

    columns: dict[str, int]
    missing: list[str] = field(default_factory=list)
    added: list[tuple] = field(default_factory=list)
    changed: list[tuple] = field(default_factory=list)
    unchanged: int = 0
    bad: list[Bad] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def can_take_in(self):
        return not self.bad and not self.missing and bool(self.added or self.changed)

    def digest(self, kind):
        names = columns_of(kind)
        told = {
            "added": [evidence.facts(record, names) for _line, record in self.added],
            "changed": [[record.pk, before, after] for _line, record, before, after in self.changed],
        }
        return evidence.sha256(evidence.canonical(told))[:32]


def columns_of(kind):
    """The facts a file of this list has, in order: what an export writes and an import reads."""
    return kind.facts if kind is setup.CODES else (*kind.facts, "active")


def heading(kind, name):
    return capfirst(str(kind.model._meta.get_field(name).verbose_name))


# -- The file between looking and taking in ----------------------------------------------------------------------------


def folder(kind, site, person):
    return f"setup/{site.pk}-{person.pk}-{kind.name}"


def keep(table, *, name, kind, site, actor):
    """Keep a table as `read_upload` gave it, in place of the person's earlier one. Returns its UUID."""
    number = uuid.uuid4()
    found = {
        "name": name,
        "headings": list(table.headings),
        "rows": [list(row) for row in table.rows],
        "lines": list(table.lines),
        "widths": table.ragged,
        "broken": [place for place, mark in table.marks.items() if is_broken(table, place, mark)],
        "remarks": list(table.remarks),
    }
    clear(kind, site, actor)
    default_storage.save(f"{folder(kind, site, actor)}/{number}.json", ContentFile(json.dumps(found).encode()))
    return number


def read_upload(upload):
    try:
        if upload.size > MAX_BYTES:
            size, limit = -(-upload.size // 1_000_000), MAX_BYTES // 1_000_000
            raise UnreadableTable("too_big", file=upload.name, size=size, limit=limit)
        return read_table(upload.read(), filename=upload.name, max_rows=MAX_ROWS)
    except UnreadableTable as why:
        raise Refused(str(why), code=why.code, field="file") from why


def is_broken(table, place, mark):
    row, column = place
    return mark == Mark.ERROR or (mark == Mark.FORMULA and not table.rows[row][column])


def kept(number, *, kind, site, actor):
    """The kept table, or None: it was taken in, discarded, replaced, or is somebody else's."""
    try:
        with default_storage.open(f"{folder(kind, site, actor)}/{number}.json") as file:
            found = json.load(file)
    except FileNotFoundError:
        return None
    found["widths"] = {int(row): width for row, width in found["widths"].items()}
    found["broken"] = {tuple(place) for place in found["broken"]}
    return Kept(number=number, **found)


def clear(kind, site, actor):
    place = folder(kind, site, actor)
    try:
        names = default_storage.listdir(place)[1]
    except FileNotFoundError:
        return
    for name in names:
        default_storage.delete(f"{place}/{name}")


def clear_after_commit(kind, site, actor):
    """Once the answer is certain: until then a repeat must find the table again."""
    transaction.on_commit(lambda: clear(kind, site, actor))


# -- Headings ----------------------------------------------------------------------------------------------------------


def recognise(kind, headings):
    """{fact: column} by the field's name, its label in any of our languages, or a usual other word; first wins."""
    meanings = defaultdict(list)
    for name in columns_of(kind):
        for said in {name, *labels(kind, name)}:
            meanings["".join(words(said))].append(name)
    for name in columns_of(kind):
        for said in HEADINGS.get(name, "").split():
            meanings[said].append(name)
    found = {}
    for column, text in enumerate(headings):
        name = next((name for name in meanings.get("".join(words(text)), ()) if name not in found), None)
        if name:
            found[name] = column
    return found


def labels(kind, name):
    for language, _label in settings.LANGUAGES:
        with translation.override(language):
            yield str(kind.model._meta.get_field(name).verbose_name)


# -- Looking -----------------------------------------------------------------------------------------------------------


def plan(table, *, kind, site):
    """What the table would add and change. Reads only; its queries do not depend on the number of rows."""
    columns = recognise(kind, table.headings)
    found = Plan(columns, remarks=list(table.remarks))
    found.missing = [heading(kind, name) for name in required(kind) if name not in columns]
    unread = [text for column, text in enumerate(table.headings) if text and column not in columns.values()]
    if unread:
        found.remarks.append(_("Columns that are not read: %(columns)s.") % {"columns": ", ".join(unread)})
    if not found.missing:
        Planner(table, found, kind, site).read()
    return found


def required(kind):
    return ("code", "label") if kind is setup.CODES else kind.key


class Planner:
    """Goes through the rows of one table; each is added, changed, unchanged or bad."""

    def __init__(self, table, found, kind, site):
        self.table, self.found, self.kind, self.site = table, found, kind, site
        self.there = setup.by_key(kind, site)
        self.seen = {}
        self.accounts = {}
        if kind is setup.STORES:
            self.accounts = {account.legal_name.casefold(): account for account in Account.objects.all()}
            self.bare = {(account, number.lstrip("0")): number for account, number in self.there}

    def read(self):
        for row, line in enumerate(self.table.lines):
            before = len(self.found.bad)
            facts = self.facts(row, line)
            if len(self.found.bad) == before:
                self.place(line, facts)

    def facts(self, row, line):
        """{fact: value} of a row; what cannot be read is told and left out."""
        cells, width = self.table.rows[row], self.table.widths.get(row)
        if width is not None and width > len(self.table.headings):
            reason = _("The row has %(cells)s cells and the heading %(headings)s. Is there a separator inside a text?")
            self.refuse(line, "", "", reason % {"cells": width, "headings": len(self.table.headings)})
            return {}
        facts = {}
        for name, column in self.found.columns.items():
            if width is not None and column >= width:
                continue
            try:
                if (row, column) in self.table.broken:
                    raise Unfit(_("The spreadsheet kept no value here. Save the file again with its values."))
                value = self.cell(name, unguarded(cells[column]))
            except Unfit as why:
                self.refuse(line, name, cells[column], str(why))
            else:
                facts |= {} if value is None else {name: value}
        return facts

    def cell(self, name, text):
        """The value a cell stands for; None where an empty cell says nothing."""
        its = self.kind.model._meta.get_field(name)
        if UNSEEN.search(" ".join(text.split())):
            raise Unfit(_("There is a character in it that cannot be seen. Type the cell anew."))
        text = setup.tidy(name, text)
        if isinstance(its, models.ForeignKey):
            return self.account(text)
        if isinstance(its, models.BooleanField):
            return read_yes_no(text)
        if its.choices:
            return read_choice(its, text)
        if isinstance(its, models.IntegerField):
            return read_whole(text)
        return read_text(name, its, text)

    def account(self, text):
        account = self.accounts.get(text.casefold())
        if account is None:
            raise Unfit(_("There is no account of this name. Add it first, or write it as in the list of accounts."))
        return account

    def place(self, line, facts):
        record = self.kind.model(**({"site": self.site} if self.kind.of_site else {}), **facts)
        key = setup.key_of(self.kind, record)
        if key in self.seen:
            self.refuse(
                line, self.kind.key[-1], key[-1], _("It stands in line %(line)s too.") % {"line": self.seen[key]}
            )
            return
        self.seen[key] = line
        there = self.there.get(key)
        if there is None:
            self.add(line, record, key)
        else:
            self.change(line, there, {name: value for name, value in facts.items() if name not in self.kind.key})

    def add(self, line, record, key):
        if not self.fits(line, record):
            return
        self.found.added.append((line, record))
        if self.kind is setup.STORES and (like := self.bare.get((key[0], key[1].lstrip("0")))):
            self.found.remarks.append(
                _("Line %(line)s: store %(number)s is new, and there is a store %(like)s. Were zeros dropped?")
                % {"line": line, "number": record.number, "like": like}
            )
        self.caution(line, record)

    def change(self, line, there, facts):
        was = evidence.facts(there, columns_of(self.kind))
        before, after = evidence.changed(was, facts)
        held = [name for name in after if name in self.fixed(there)]
        if held:
            self.refuse(line, held[0], after[held[0]], setup.fixed_sentence(there))
        elif not after:
            self.found.unchanged += 1
        elif self.fits(line, self.kind.model(**(was_fields(there) | after))):
            self.found.changed.append((line, there, before, after))
            self.caution(line, self.kind.model(**(was_fields(there) | after)))

    def fixed(self, there):
        """As setup.fixed, without its query per row: what a key names is never changed by a file."""
        return setup.WORDS if self.kind is setup.CODES and there.used_at else ()

    def fits(self, line, record):
        names = [name for name in columns_of(self.kind) if name != "account"]
        try:
            record.clean_fields(exclude=[its.name for its in record._meta.fields if its.name not in names])
            if self.kind is setup.CODES and record.min_photos > 9:
                raise ValidationError({"min_photos": _("A damage code can ask for 9 photos at most.")})
            if self.kind is setup.DOORS and record.pk and not record.active:
                setup.refuse_busy_door(record)
        except ValidationError as why:
            for name, messages in why.message_dict.items():
                self.refuse(line, name, getattr(record, name), " ".join(messages))
            return False
        except Refused as why:
            self.refuse(line, "active", "", str(why))
            return False
        return True

    def caution(self, line, record):
        if self.kind is setup.CARRIERS and record.scac:
            for caution in scac.warnings(record.scac):
                sentence = _(caution.sentence).format(**caution.params)
                self.found.remarks.append(_("Line %(line)s: %(sentence)s") % {"line": line, "sentence": sentence})

    def refuse(self, line, name, value, reason):
        column = self.table.headings[self.found.columns[name]] if name in self.found.columns else ""
        self.found.bad.append(Bad(line, column, str(value)[:60], reason))


def was_fields(record):
    return {its.attname: getattr(record, its.attname) for its in record._meta.concrete_fields}


def unguarded(text):
    """The apostrophe that an export puts before a text like a formula, taken off again."""
    return text[1:] if text[:1] == "'" and text[1:].startswith(FORMULA_STARTS) else text


def read_yes_no(text):
    said = "".join(words(text)) or text
    if not text:
        return None
    if said in YES or said in NO:
        return said in YES
    raise Unfit(_("Write yes or no."))


def read_choice(its, text):
    if not text:
        return "" if its.blank else None
    for language, _label in settings.LANGUAGES:
        with translation.override(language):
            for value, label in its.choices:
                if text.casefold() in (str(value).casefold(), str(label).casefold()):
                    return str(value)
    allowed = ", ".join(str(label) for _value, label in its.choices if label)
    raise Unfit(_("Write one of: %(allowed)s.") % {"allowed": allowed})


def read_whole(text):
    if not text:
        return None
    if text.isascii() and text.isdigit() and len(text) <= 5:
        return int(text)
    raise Unfit(_("Write a whole number."))


def read_text(name, its, text):
    if not text and not its.blank:
        raise Unfit(_("This cell must not be empty."))
    if name == "code":
        return text.upper()
    if name == "scac" and text:
        try:
            return scac.validate(text)
        except NotValid as why:
            raise Unfit(_(why.sentence).format(**why.params)) from why
    return text


# -- Taking in ---------------------------------------------------------------------------------------------------------


def take_in(table, *, digest, kind, site, actor, at):
    """All rows or none. `digest` is that of the plan somebody looked at. Returns the plan."""
    found = plan(table, kind=kind, site=site)
    if found.digest(kind) != digest:
        raise ChangedMeanwhile(
            _("The list was changed since you looked, so this file would do something else now. Look at it again.")
        )
    if not found.can_take_in:
        raise Refused(_("This file cannot be taken in as it is. Correct it and upload it again."), code="bad_rows")
    setup.take_in(
        kind,
        site=site,
        added=[record for _line, record in found.added],
        changed=[change[1:] for change in found.changed],
        file=table.name[:200],
        actor=actor,
        at=at,
    )
    return found


# -- Out again ---------------------------------------------------------------------------------------------------------


def export_rows(kind, queryset):
    """The heading and one row per record, as an import reads them."""
    names = columns_of(kind)
    yield [heading(kind, name) for name in names]
    for record in queryset:
        yield [setup.shown(record, name) if is_told(kind, name) else getattr(record, name) for name in names]


def is_told(kind, name):
    """Facts written in words: choices, yes and no, other records."""
    its = kind.model._meta.get_field(name)
    return bool(its.choices) or isinstance(its, models.BooleanField | models.ForeignKey)
