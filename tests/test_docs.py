"""DEVELOPERS.md and README.md name what is there; what they leave out fails here."""

import re
from pathlib import Path

import pytest
from django.apps import apps

from claims.enums import FactKind, Stage, Standing
from receiving.enums import ArrivalState, DiscrepancyState, Kind

ROOT = Path(__file__).resolve().parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text()
README = (ROOT / "README.md").read_text()
COMMANDS = sorted(path.stem for path in ROOT.glob("*/management/commands/*.py") if not path.stem.startswith("_"))


@pytest.mark.parametrize("word", [*ArrivalState, *DiscrepancyState, *Kind, *Stage, *Standing, *FactKind])
def test_the_glossary_names_every_state_and_kind(word):
    assert f"`{word.value}`" in GUIDE


@pytest.mark.parametrize("command", COMMANDS)
def test_the_guide_names_every_command(command):
    assert f"`{command}`" in GUIDE


def test_every_setting_read_from_the_environment_is_in_the_readme():
    settings = (ROOT / "config/settings.py").read_text()
    names = set(re.findall(r"env(?:_flag|_list)?\(\"([A-Z_]+)\"", settings))
    assert names
    assert [name for name in sorted(names) if f"`{name}`" not in README] == []


def test_every_module_of_the_import_order_exists():
    named = re.findall(r"^\d\. .*?`([a-z_ ]+)`", GUIDE.split("## Import order")[1].split("##")[0], re.M)
    there = {path.stem for path in (ROOT / "receiving").iterdir()}
    assert len(named) > 8
    there |= {path.stem for path in (ROOT / "claims").iterdir()}
    for line in named:
        assert [word for word in line.split() if word not in there] == []


def test_the_guide_names_the_models_of_its_glossary():
    models = {model.__name__ for app in ("receiving", "claims") for model in apps.get_app_config(app).get_models()}
    for row in re.findall(r"^\| (`[A-Za-z`, ]+`) \|", GUIDE, re.M):
        assert set(re.findall(r"`(\w+)`", row)) <= models
