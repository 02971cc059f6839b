"""The import order of DEVELOPERS.md, held: each module imports only what stands below it."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LAYERS = [
    {
        "enums",
        "identifiers",
        "clock",
        "documents",
        "squaring",
        "refusals",
        "triggers",
        "converters",
        "fair_sqlite",
        "files",
        "outbox_file",
        "scan_words",
    },
    {"models"},
    {"rules", "evidence", "queries", "paging"},
    {
        "phones",
        "late",
        "handing",
        "matching",
        "dispositions",
        "gaps",
        "notice",
        "search",
        "history",
        "verification",
        "people",
        "shell",
        "setup",
        "setup_import",
    },
    {
        "photos",
        "load_list",
        "dock",
        "counting",
        "carton_list",
        "discrepancies",
        "sheet",
        "release",
        "reporting",
        "erasure",
    },
    {"forms", "fields", "filters", "middleware", "context", "templatetags", "checks", "web", "whole_body"},
    {"views", "admin", "management", "apps", "demo"},
    {"urls"},
]
ORDER = {name: height for height, names in enumerate(LAYERS) for name in names}
CLAIMS_LAYERS = [
    {
        "enums",
        "money",
        "calendars",
        "deadlines",
        "valuation",
        "standing",
        "scorecard",
        "converters",
        "evidence_tables",
    },
    {"models"},
    {
        "jobs",
        "company",
        "judging",
        "terms",
        "losses",
        "parties",
        "search",
        "queries",
        "dates",
        "shorts",
        "months",
        "periods",
        "verification",
        "completeness",
        "refusal_answers",
        "readings",
        "timeline",
        "money_view",
        "charts",
        "behind",
        "handling",
        "places",
    },
    {"documents", "drafting", "packet", "card"},
    {"mail", "letters", "filing", "facts", "issuing", "review", "tasks", "feeds", "digests"},
    {"forms", "filters", "templatetags"},
    {"views", "admin", "management", "apps", "demo"},
    {"urls"},
]
CLAIMS_ORDER = {name: height for height, names in enumerate(CLAIMS_LAYERS) for name in names}
ONLY_HERE = {
    "weasyprint": {"receiving/documents/pdf.py"},
    "openpyxl": {"receiving/documents/xlsx.py", "receiving/documents/tables.py"},
    "PIL": {"receiving/photos.py", "receiving/documents/pdf.py", "receiving/demo/studio.py"},
    "scipy": {"claims/scorecard/figures.py"},
    "numpy": {"claims/scorecard/figures.py"},
    "icalendar": {"claims/feeds.py"},
    "pikepdf": {"receiving/documents/pages.py", "receiving/documents/foreign.py"},
    "zoneinfo": {"receiving/clock.py", "receiving/models/site.py"},
}
FILES = [
    path.relative_to(ROOT)
    for app in ("receiving", "claims")
    for path in sorted((ROOT / app).rglob("*.py"))
    if "migrations" not in path.parts
]


def imported(path):
    """Every module name a file imports, wherever in the file."""
    for node in ast.walk(ast.parse((ROOT / path).read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def layer(module):
    app, _dot, rest = module.partition(".")
    return {"receiving": ORDER, "claims": CLAIMS_ORDER}[app].get(rest.split(".")[0])


@pytest.mark.parametrize("path", FILES, ids=str)
def test_a_module_imports_only_what_stands_below_it(path):
    own = path.with_suffix("").as_posix().replace("/", ".")
    assert path.name == "__init__.py" or layer(own) is not None, f"{own} has no layer"
    for module in imported(path):
        if module.split(".")[0] != path.parts[0] or layer(module) is None or layer(own) is None:
            continue
        assert layer(module) <= layer(own), f"{own} imports {module}"


@pytest.mark.parametrize("path", [path for path in FILES if path.parts[0] == "claims"], ids=str)
def test_claims_stay_out_of_the_docks_pages(path):
    assert not [module for module in imported(path) if module.startswith(("receiving.views", "receiving.forms"))]


@pytest.mark.parametrize("path", [path for path in FILES if path.parts[0] == "receiving"], ids=str)
def test_receiving_knows_nothing_of_claims_or_config(path):
    assert not [module for module in imported(path) if module.split(".")[0] in {"claims", "config", "tests"}]


@pytest.mark.parametrize("path", FILES, ids=str)
def test_heavy_or_dangerous_libraries_have_one_home(path):
    for module in imported(path):
        homes = ONLY_HERE.get(module.split(".")[0])
        assert homes is None or path.as_posix() in homes, f"{path} imports {module}"


def test_leaves_know_no_model():
    for path in FILES:
        if path.parts[0] == "receiving" and ORDER.get(path.with_suffix("").parts[1]) == 0:
            assert not [m for m in imported(path) if m.startswith(("receiving.models", "django.db.models.query"))]
