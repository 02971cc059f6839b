"""The archive of a packet: a ZIP with the original photos and papers as they came, the PDF, the workbook, and a list of
hashes for `sha256sum -c`.

Stored, not deflated; fixed times; written block by block, so that memory does not grow with the photos. The same files
under the same names give the same bytes.
"""

import hashlib
import zipfile
from pathlib import Path

BLOCK = 1 << 20
MOMENT = (2000, 1, 1, 0, 0, 0)
LIST = "SHA256SUMS"


class NotTheRecorded(Exception):
    """A file is not the one that was recorded under this hash."""


class Archive:
    """A ZIP being written to `path`. Names must be safe ones; each is used once."""

    def __init__(self, path: Path):
        self.zip = zipfile.ZipFile(path, "w", zipfile.ZIP_STORED, allowZip64=True)
        self.hashes = {}

    def __enter__(self):
        return self

    def __exit__(self, *why):
        self.zip.close()

    def copy(self, name, source, sha256, size=None):
        """Put an open file in and give how many bytes it has. Raises NotTheRecorded where it has another hash.

        size -- bytes, where they are known: over 2 GB the entry is written in the long form
        """
        digest, length = hashlib.sha256(), 0
        with self.zip.open(entry(name, size or 0), "w", force_zip64=size is None) as target:
            while block := source.read(BLOCK):
                digest.update(block)
                length += target.write(block)
        if digest.hexdigest() != sha256:
            raise NotTheRecorded(name)
        self.hashes[name] = sha256
        return length

    def put(self, name, path: Path):
        """Put one of our own files in."""
        with path.open("rb") as source:
            sha256 = hashlib.file_digest(source, "sha256").hexdigest()
            source.seek(0)
            self.copy(name, source, sha256, path.stat().st_size)
        return sha256

    def finish(self):
        """Write the list of hashes, in the order of the names."""
        lines = "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(self.hashes.items()))
        self.zip.writestr(entry(LIST, len(lines)), lines.encode())


def entry(name, size):
    info = zipfile.ZipInfo(name, date_time=MOMENT)
    info.compress_type = zipfile.ZIP_STORED
    info.create_system = 3
    info.external_attr = 0o100644 << 16
    info.file_size = size
    return info
