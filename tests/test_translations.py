"""Spanish: every text has it, the compiled catalogue is the written one, and a Spanish page has no English left."""

import ast
import re
import uuid
from html.parser import HTMLParser
from pathlib import Path

import polib
import pytest
from django.db import transaction
from django.template import engines
from django.template.base import FilterExpression
from django.templatetags.i18n import BlockTranslateNode, TranslateNode
from django.test import Client
from django.urls import reverse
from django.utils import translation

from receiving import sheet
from receiving.documents.tables import UnreadableTable
from receiving.enums import Kind
from receiving.models import Arrival, Discrepancy, ExceptionSheet
from tests import world
from tests.test_permissions import MATRIX

# The mark makes the test database; the world is built once, outside the single tests.
pytestmark = pytest.mark.django_db

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "locale" / "es" / "LC_MESSAGES"
PLACEHOLDER = re.compile(r"%\(\w+\)[.\d]*[sdf]|%[sd]|%%|\{\w+\}")
# The desk of claims and carriers is marked for translation; Spanish is for the dock.
TEMPLATES = sorted(
    path.relative_to(ROOT / "templates").as_posix()
    for path in (ROOT / "templates").rglob("*.html")
    if "claims" not in path.parts
)
NOT_ON_PAGES = {"demo", "migrations", "management"}
MODULES = sorted(
    path.relative_to(ROOT).as_posix()
    for path in (ROOT / "receiving").rglob("*.py")
    if not NOT_ON_PAGES & set(path.parts)
)
# The names makemessages goes by; a function under another name would be overlooked by it.
TRANSLATORS = {"django.utils.translation", "receiving.identifiers.errors"}
MARKERS = {"_": 1, "gettext": 1, "gettext_lazy": 1, "gettext_noop": 1, "ngettext": 2, "ngettext_lazy": 2}


@pytest.fixture(scope="module")
def spanish():
    return polib.pofile(str(FOLDER / "django.po"))


@pytest.fixture(scope="module")
def known(spanish):
    return {text for entry in spanish for text in (entry.msgid, entry.msgid_plural) if text}


# -- What the code says ----------------------------------------------------------------------------------------------


def words_of_template(name):
    """Every text that a template translates, as it stands in the catalogue."""
    nodes = engines["django"].get_template(name).template.nodelist
    for node in nodes.get_nodes_by_type(TranslateNode):
        if isinstance(node.filter_expression, FilterExpression) and not hasattr(node.filter_expression.var, "lookups"):
            yield node.filter_expression.var
        elif node.filter_expression.var.literal is not None:
            yield node.filter_expression.var.literal.replace("%", "%%")
    for node in nodes.get_nodes_by_type(BlockTranslateNode):
        for tokens in filter(None, (node.singular, node.plural)):
            text, _ = node.render_token_list(tokens)
            yield translation.trim_whitespace(text) if node.trimmed else text
    yield from re.findall(r'_\("([^"]+)"\)', (ROOT / "templates" / name).read_text())


def words_of_module(path):
    """Every text that a module marks for translation."""
    for node in ast.walk(ast.parse((ROOT / path).read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in MARKERS:
            for argument in node.args[: MARKERS[node.func.id]]:
                if isinstance(argument, ast.Constant):
                    yield argument.value


@pytest.mark.parametrize("name", TEMPLATES)
def test_every_text_of_a_template_is_in_the_catalogue(name, known):
    assert set(words_of_template(name)) - known == set()


@pytest.mark.parametrize("path", MODULES)
def test_every_text_of_a_module_is_in_the_catalogue(path, known):
    assert set(words_of_module(path)) - known == set()


@pytest.mark.parametrize("path", MODULES)
def test_makemessages_knows_the_names_texts_are_marked_by(path):
    names = {
        name.asname or name.name
        for node in ast.walk(ast.parse((ROOT / path).read_text()))
        if isinstance(node, ast.ImportFrom) and node.module in TRANSLATORS
        for name in node.names
        if "gettext" in name.name
    }
    assert names <= set(MARKERS)


def test_the_two_above_see_texts_at_all():
    assert {"Seal", "Load list", "To the driver's signature"} <= set(words_of_template("receiving/trailer.html"))
    assert "Trailer %(trailer)s" in set(words_of_template("receiving/trailer.html"))
    assert {"carton short", "1 carton short"} & set(words_of_module("receiving/sheet.py")) == {"1 carton short"}
    assert "rerouted" in set(words_of_module("receiving/enums.py"))


# -- The catalogue ---------------------------------------------------------------------------------------------------


def said(entry):
    return list(entry.msgstr_plural.values()) if entry.msgid_plural else [entry.msgstr]


def test_every_entry_has_spanish_and_none_is_a_guess(spanish):
    assert len(spanish) > 1000
    assert [entry.msgid for entry in spanish if not all(text.strip() for text in said(entry))] == []
    assert [entry.msgid for entry in spanish if entry.fuzzy or entry.obsolete] == []
    assert [entry.msgid for entry in spanish if entry.msgid_plural and len(entry.msgstr_plural) != 3] == []


def test_spanish_keeps_the_placeholders(spanish):
    wrong = [
        (entry.msgid, text)
        for entry in spanish
        for text in said(entry)
        if set(PLACEHOLDER.findall(text)) != set(PLACEHOLDER.findall(entry.msgid_plural or entry.msgid))
    ]
    assert wrong == []


def test_spanish_does_not_shout_and_uses_the_trades_words(spanish):
    texts = [text for entry in spanish for text in said(entry)]
    other_words = re.compile(r"!|\b(?:paleta|palet|precinto|conductor|tráiler|carta de porte|cartón|cartones)\b", re.I)
    assert [text for text in texts if other_words.search(text)] == []


# What docks of both languages say; common practice, no source.
TRADE = {
    r"\btrailers?\b": r"remolque",
    r"\bseals?\b": r"sell",
    r"\bpallets?\b": r"tarima",
    r"\bdriver": r"chofer",
    r"\b(?:declared?|open|missing cartons?) shorts?\b|^[Ss]horts?\b": r"[Ff]altante",
    r"\bovers\b|\bas over\b": r"[Ss]obrante",
    r"\brerout": r"[Rr]eenv[ií]",
    r"\bclaims? by\b|^[Tt]he claim$": r"[Rr]eclamaci",
}


@pytest.mark.parametrize(("english", "trade"), TRADE.items())
def test_a_word_of_the_trade_is_always_the_same_in_spanish(spanish, english, trade):
    about = [entry for entry in spanish if re.search(english, PLACEHOLDER.sub("", entry.msgid))]
    assert about
    assert [(entry.msgid, said(entry)) for entry in about if not re.search(trade, said(entry)[0], re.I)] == []


def test_what_is_sent_on_to_its_store_is_not_called_rerouted(spanish):
    about = [entry for entry in spanish if re.search(r"\bforward(?!ed to)", entry.msgid, re.I)]
    assert about
    assert [entry.msgid for entry in about if re.search(r"reenv[ií]", said(entry)[0], re.I)] == []


def test_the_compiled_catalogue_is_the_written_one(spanish):
    compiled = polib.mofile(str(FOLDER / "django.mo"))
    assert {(entry.msgctxt, entry.msgid): said(entry) for entry in compiled} == {
        (entry.msgctxt, entry.msgid): said(entry) for entry in spanish
    }


# -- The pages -------------------------------------------------------------------------------------------------------

SHOWN_ATTRIBUTES = {"aria-label", "placeholder", "title", "alt"}
TELLTALE = re.compile(
    r"\b(the|of|and|with|not|is|was|are|by|for|trailer|seal|seals|count|counted|released|carton|cartons|bill|door|doors|"
    r"store|pallet|piece|pieces|driver|load list|sheet|damaged|short|over|missing|save|search|photo|photos|log)\b",
    re.IGNORECASE,
)
# What people typed or what keeps its name in every language.
DATA = re.compile(r"Juniper Home Stores|https?://\S+|\S+@\S+|PDF|CSV|\{\w+\}")
NO_PAGE = {"load_list_file", "photo_original", "photo_viewing", "photo_thumbnail", "pieces_export", "sheet_pdf"}
NO_PAGE |= {"phone", "phone_pages", "cartons_json", "handed_in_file"}
DOCK = {"lead", "qualified", "receiver"}
PAGES = [
    row
    for row, (_, get, _post) in MATRIX.items()
    if get and DOCK & set(get) and row not in NO_PAGE and not row.startswith("setup")
]


class Shown(HTMLParser):
    """The texts a person sees or hears, without scripts."""

    def __init__(self, html):
        super().__init__()
        self.texts, self.skip = [], False
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        self.skip = tag in {"script", "style"}
        for name, value in attributes:
            if value and (name in SHOWN_ATTRIBUTES or name.startswith("data-text")):
                self.texts.append(value)

    def handle_endtag(self, tag):
        self.skip = False

    def handle_data(self, data):
        if data.strip() and not self.skip:
            self.texts.append(" ".join(data.split()))


def english(html):
    return [text for text in Shown(html).texts if TELLTALE.search(DATA.sub("", text))]


@pytest.fixture(scope="module")
def here(django_db_setup, django_db_blocker):
    """The world with everybody speaking Spanish, once for all pages."""
    with django_db_blocker.unblock(), transaction.atomic():
        with translation.override("es"):
            built = world.build()
        for who, person in built.people.items():
            person.language = "es"
            person.save(update_fields=["language"])
            built.clients[who] = Client()
            built.clients[who].force_login(person)
        yield built
        transaction.set_rollback(True)


def client_for(here, row):
    return here.clients[next(who for who in sorted(DOCK) if who in MATRIX[row][1])]


@pytest.mark.parametrize("row", PAGES)
def test_a_page_for_a_spanish_speaking_person_has_no_english(here, row):
    address = reverse(row.split()[0], args=["NOR", *here.args(MATRIX[row][0])])
    with transaction.atomic():
        answer = client_for(here, row).get(address, follow=True)
        transaction.set_rollback(True)
    html = answer.content.decode()
    assert '<html lang="es"' in html
    assert english(html) == []


def test_english_is_seen_where_there_is_some(here):
    address = reverse("trailer", args=["NOR", here.records["trailer"]])
    person = here.people["lead"]
    with transaction.atomic():
        type(person).objects.filter(pk=person.pk).update(language="en")
        html = here.clients["lead"].get(address).content.decode()
        transaction.set_rollback(True)
    assert '<html lang="en"' in html
    assert len(english(html)) > 20


def test_a_refusal_is_spanish_too(here):
    address = reverse("arrive", args=["NOR", here.records["trailer"]])
    with transaction.atomic():
        sent = {"uuid": str(uuid.uuid4()), "door": "999999"}
        answer = here.clients["lead"].post(address, sent, headers={"Accept": "application/json"})
        transaction.set_rollback(True)
    messages = [error["message"] for error in answer.json()["errors"]]
    assert messages
    assert [message for message in messages if TELLTALE.search(message)] == []


def test_a_misread_label_is_spanish_too(here):
    address = reverse("count_scan", args=["NOR", here.records["trailer"]])
    with transaction.atomic():
        sent = {"uuid": str(uuid.uuid4()), "label": "095201234567891231"}
        html = here.clients["lead"].post(address, sent, follow=True).content.decode()
        transaction.set_rollback(True)
    assert "se leyó mal en algún lugar: su último dígito" in html
    assert english(html) == []


def test_the_drafted_notation_is_spanish_and_the_paper_english(here):
    arrival = Arrival.objects.get(site__code="NOR", number=here.records["trailer"])
    paper = ExceptionSheet.objects.get(site__code="NOR", number=here.records["sheet"]).content
    with transaction.atomic(), translation.override("es"):
        drafted = sheet.draft_notation(arrival)
        Discrepancy.objects.filter(arrival=arrival).update(kind=Kind.SHORT, quantity=3)
        assert "3 cajas faltantes: " in sheet.draft_notation(arrival)
        Discrepancy.objects.filter(arrival=arrival).update(quantity=1)
        assert "1 caja faltante: " in sheet.draft_notation(arrival)
        transaction.set_rollback(True)
    assert "1 caja dañada" in drafted
    assert "los números coinciden" in drafted
    assert TELLTALE.search(drafted) is None
    assert paper["release"]["outcome_words"] == "clean, nothing to sign for"
    assert "2 piezas recibidas contra 2 en el conocimiento" in paper["release"]["notation"]


def test_what_is_wrong_with_a_file_is_spanish_too():
    with translation.override("es"):
        assert str(UnreadableTable("empty", file="a.csv")).startswith("a.csv está vacío.")
    with translation.override("en"):
        assert str(UnreadableTable("empty", file="a.csv")).startswith("a.csv is empty.")
