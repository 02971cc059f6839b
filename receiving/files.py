"""Files that stand for evidence: written once, on the disk before the row that speaks of them. A leaf."""

import os
from itertools import zip_longest
from pathlib import Path

from django.core.files.base import ContentFile, File
from django.core.files.storage import default_storage


def keep(name: str, content: bytes) -> str:
    """Store `content` under `name`, on the disk before the row that speaks of it; return the name it really has.

    What is there already is used again only if it is the same to the byte: an earlier write may have been cut off.
    """
    return _kept(name, ContentFile(content))


def keep_file(name: str, path: Path) -> str:
    """`keep` for a file on this machine, however large: it is read block by block and stays where it is."""
    with path.open("rb") as file:
        return _kept(name, File(file))


def _kept(name: str, content: File) -> str:
    if default_storage.exists(name):
        with default_storage.open(name) as file:
            if _same(file, content):
                return name
    name = default_storage.save(name, content)
    try:
        path = default_storage.path(name)
    except NotImplementedError:
        return name
    for each in (path, os.path.dirname(path)):
        handle = os.open(each, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    return name


def _same(one: File, other: File) -> bool:
    return one.size == other.size and all(a == b for a, b in zip_longest(one.chunks(), other.chunks()))
