"""Files that stand for evidence: written once, on the disk before the row that speaks of them. A leaf."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import zip_longest
from pathlib import Path
from tempfile import TemporaryDirectory

from django.core.files.base import ContentFile, File
from django.core.files.storage import default_storage


def keep(name: str, content: bytes) -> str:
    """Store `content` under `name`, on the disk before the row that speaks of it; return the name it really has.

    What is there already is used again only if it is the same to the byte: an earlier write may have been cut off.
    """
    return _kept(name, ContentFile(content))


def keep_file(name: str, path: Path) -> str:
    """`keep` for a file on this machine, however large; it is taken over, and need not be at `path` any more."""
    with path.open("rb") as file:
        return _kept(name, Movable(file))


class Movable(File):
    """A file that the local storage may take over by giving it another name."""

    def temporary_file_path(self) -> str:
        return self.name


@contextmanager
def workshop() -> Iterator[Path]:
    """A folder to make large files in, gone afterwards with what is left there: on the disk where files are kept, if
    that is this machine's, since the usual place for such folders may be small, or in memory.
    """
    try:
        place = Path(default_storage.path("workshop"))
        place.mkdir(parents=True, exist_ok=True)
    except NotImplementedError:
        place = None
    with TemporaryDirectory(dir=place) as folder:
        yield Path(folder)


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
