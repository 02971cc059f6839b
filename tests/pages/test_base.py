"""The base of all pages: contrast of both themes, nothing inline, icons that exist, error pages in our own words."""

import re
from itertools import product
from pathlib import Path

import pytest
from django.conf import settings
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse

from receiving.enums import Role
from tests.builders import make_person, make_site

ROOT = Path(settings.BASE_DIR)
STATIC = ROOT / "receiving" / "static"
CSS = (STATIC / "receiving" / "css" / "site.css").read_text()
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
WORDS = ("ink", "dim", "ok", "wait", "stop", "accent")
TEXT_ON = [
    *product(WORDS, ("paper", "card")),
    *product(("ink", "dim"), ("calm-soft", "ok-soft", "wait-soft", "stop-soft")),
    ("ok", "ok-soft"),
    ("wait", "wait-soft"),
    ("stop", "stop-soft"),
    ("on-accent", "accent"),
    ("paper", "ink"),
]
EDGES_ON = list(product(("edge", "focus", "accent"), ("paper", "card")))


def colours(selector):
    block = CSS[CSS.index(selector) :]
    return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block[: block.index("}")]))


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_computed_as_wcag_says():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # A known boundary: #767676 on white is the lightest grey that reaches 4.5:1.
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("theme", [":root {", ':root:not([data-theme="light"]) {', ':root[data-theme="dark"] {'])
def test_text_has_seven_to_one_and_edges_three_to_one(theme):
    tones = colours(theme)
    assert {f"{a} on {b}": contrast(tones[a], tones[b]) for a, b in TEXT_ON if contrast(tones[a], tones[b]) < 7} == {}
    assert {f"{a} on {b}": contrast(tones[a], tones[b]) for a, b in EDGES_ON if contrast(tones[a], tones[b]) < 3} == {}


def test_the_chosen_dark_theme_is_the_dark_theme_of_the_device():
    assert colours(':root:not([data-theme="light"]) {') == colours(':root[data-theme="dark"] {')


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT / "templates")))
def test_nothing_is_inline(template):
    source = template.read_text()
    assert re.findall(r"<style|\sstyle=|\son[a-z]+=|javascript:", source) == []
    assert [tag for tag in re.findall(r"<script[^>]*>", source) if "src=" not in tag] == []


def test_every_icon_named_in_a_template_is_drawn():
    drawn = set(re.findall(r'id="([\w-]+)"', (STATIC / "vendor" / "icons" / "icons.svg").read_text()))
    named = {name for template in TEMPLATES for name in re.findall(r'{% icon "([^"]+)"', template.read_text())}
    assert named and named - drawn == set()


def test_every_vendored_folder_has_its_licence():
    folders = [folder for folder in (STATIC / "vendor").iterdir() if folder.is_dir()]
    assert folders and [folder.name for folder in folders if not list(folder.glob("LICENSE*"))] == []
    notes = (STATIC / "vendor" / "README.md").read_text()
    assert [folder.name for folder in folders if f"| {folder.name} |" not in notes] == []


@pytest.mark.parametrize("name", ["400.html", "403.html", "404.html", "500.html"])
def test_an_error_page_needs_neither_database_nor_person(name):
    page = render_to_string(name)
    assert page.count("<h1>") == 1 and 'href="/"' in page


@pytest.mark.django_db
def test_another_sites_address_is_answered_in_our_own_words(client):
    make_site("ELP")
    client.force_login(make_person(Role.RECEIVER, make_site("NOR")))
    answer = client.get(reverse("log", args=["ELP"]))
    assert answer.status_code == 404
    assert "Nothing is here" in answer.content.decode() and "Dock ELP" not in answer.content.decode()


@pytest.mark.django_db
def test_a_form_older_than_the_session_says_what_to_do():
    answer = Client(enforce_csrf_checks=True).post(reverse("login"), {"username": "ana", "password": "x"})
    assert answer.status_code == 403 and "This form is too old" in answer.content.decode()


@pytest.mark.django_db
def test_a_refused_form_keeps_what_was_typed_and_lists_its_errors_on_top(client):
    page = client.post(reverse("login"), {"username": "ana", "password": ""}).content.decode()
    assert 'value="ana"' in page and 'aria-invalid="true"' in page
    summary = page[page.index('class="errorsummary"') :]
    assert summary.index('<a href="#id_password">') < summary.index('name="password"')


@pytest.mark.django_db
@pytest.mark.parametrize(("cookie", "attribute"), [("dark", ' data-theme="dark"'), ("light", ' data-theme="light"')])
def test_the_chosen_theme_is_in_the_first_byte(client, cookie, attribute):
    client.cookies["theme"] = cookie
    assert f'<html lang="en"{attribute} ' in client.get(reverse("login")).content.decode()


@pytest.mark.django_db
def test_a_made_up_theme_is_left_out(client):
    client.cookies["theme"] = "x"
    assert "data-theme" not in client.get(reverse("login")).content.decode()
