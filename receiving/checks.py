"""System checks of our own: what would fail in front of a user is said at start, with the way out."""

import os
import sqlite3
from importlib.util import find_spec

from django.conf import settings
from django.core.checks import Error, Tags, Warning, register
from django.db import connection

from receiving.documents import pdf


@register(Tags.compatibility)
def pdf_libraries(app_configs, **kwargs):
    missing = pdf.missing_for_pdf()
    if not missing:
        return []
    return [
        Error(
            f"PDFs cannot be made: {missing}",
            hint="Install the system libraries: apt-get install libpangoft2-1.0-0 libharfbuzz-subset0",
            id="receiving.E001",
        )
    ]


@register(Tags.compatibility)
def utc_inside(app_configs, **kwargs):
    if settings.TIME_ZONE == "UTC" and settings.USE_TZ:
        return []
    return [
        Error(
            "Moments must be stored in UTC.",
            hint='Keep TIME_ZONE = "UTC" and USE_TZ = True; each site has its own zone.',
            id="receiving.E002",
        )
    ]


@register(Tags.compatibility)
def sqlite_new_enough(app_configs, **kwargs):
    if connection.vendor != "sqlite" or sqlite3.sqlite_version_info >= (3, 35):
        return []
    return [
        Error(
            f"SQLite {sqlite3.sqlite_version} is too old.",
            hint="Use SQLite 3.35 or newer, or PostgreSQL through DATABASE_URL.",
            id="receiving.E003",
        )
    ]


@register(Tags.compatibility)
def data_folder_writable(app_configs, **kwargs):
    if os.access(settings.DATA_DIR, os.W_OK):
        return []
    return [
        Error(
            f"The data folder {settings.DATA_DIR} cannot be written.",
            hint="Set DATA_DIR to a folder the server may write, with room for photos.",
            id="receiving.E004",
        )
    ]


@register(Tags.compatibility)
def heic_readable(app_configs, **kwargs):
    if not settings.HEIC:
        return []
    if find_spec("pillow_heif"):
        return []
    return [
        Warning(
            "HEIC pictures from phones will be refused.",
            hint="Install requirements-heic.txt, or set HEIC=0 to say that this is meant.",
            id="receiving.W005",
        )
    ]


@register(Tags.security, deploy=True)
def mail_goes_out(app_configs, **kwargs):
    if settings.EMAIL_HOST:
        return []
    return [
        Warning(
            "E-mail is written to files in the data folder, not sent.",
            hint="Set EMAIL_HOST (and EMAIL_PORT, EMAIL_HOST_USER, EMAIL_HOST_PASSWORD).",
            id="receiving.W006",
        )
    ]
