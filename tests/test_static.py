"""Static files as a server has them: under hashed names, every address in them leading to a hashed file."""

import json
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import call_command
from django.test import override_settings

# What a browser resolves by itself: imports of other modules and files named beside a module.
ADDRESSES = re.compile(r"""(?:\bfrom\s*|\bimport\s*\(?\s*|new URL\(\s*)["'](\.[^"']+)["']""")
HASHED = re.compile(r"\.[0-9a-f]{12}\.\w+$")


def collect(folder, *sources):
    """The manifest of `folder` after `collectstatic` with the storage that a server uses."""
    storages = settings.STORAGES | {"staticfiles": {"BACKEND": "config.static.HashedStaticFiles"}}
    with override_settings(STATIC_ROOT=folder, STORAGES=storages, STATICFILES_DIRS=sources):
        call_command("collectstatic", interactive=False, verbosity=0, ignore_patterns=["admin"])
    return json.loads((folder / "staticfiles.json").read_text())["paths"]


@pytest.fixture(scope="module")
def collected(tmp_path_factory):
    folder = tmp_path_factory.mktemp("static")
    return folder, collect(folder)


def addresses(folder, name):
    for address in ADDRESSES.findall((folder / name).read_text()):
        yield address, (folder / name).parent.joinpath(address).resolve()


def test_every_module_imports_hashed_files_that_are_there(collected):
    folder, paths = collected
    modules = [hashed for name, hashed in paths.items() if name.endswith(".js")]
    found = [(name, address, file) for name in modules for address, file in addresses(folder, name)]
    assert any("signature_pad.min." in address for _name, address, _file in found)
    assert [(name, address) for name, address, file in found if not HASHED.search(address) or not file.is_file()] == []


def test_a_changed_module_changes_the_name_of_everything_that_imports_it(tmp_path):
    source = tmp_path / "source" / "made"
    source.mkdir(parents=True)
    (source / "page.js").write_text(
        'import { middle } from "./middle.js";\nnew Worker(new URL("./deep.js", import.meta.url));\n'
    )
    (source / "middle.js").write_text('export const middle = () => import("./deep.js");\n')
    (source / "deep.js").write_text("export const n = 1;\n")
    before = collect(tmp_path / "before", tmp_path / "source")
    (source / "deep.js").write_text("export const n = 2;\n")
    after = collect(tmp_path / "after", tmp_path / "source")
    for name in ("page.js", "middle.js", "deep.js"):
        assert before[f"made/{name}"] != after[f"made/{name}"]
    files = [file for _address, file in addresses(tmp_path / "after", after["made/page.js"])]
    assert [file.name for file in files] == [Path(after[f"made/{name}.js"]).name for name in ("middle", "deep")]
