"""Files that stand for evidence: written once, on the disk before the row that speaks of them. A leaf."""

import os

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage


def keep(name: str, content: bytes) -> str:
    """Store `content` under `name`, on the disk before the row that speaks of it; return the name it really has.

    What is there already is used again only if it is the same to the byte: an earlier write may have been cut off.
    """
    if default_storage.exists(name):
        with default_storage.open(name) as file:
            if file.read() == content:
                return name
    name = default_storage.save(name, ContentFile(content))
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
