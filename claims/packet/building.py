"""The three files of a packet, built in a folder from its content and the files that it names; no row is written.

Every original is read once, into the archive, and must have the hash that was recorded when it came in; so must the
viewing copy that a printed picture is made from. One that is missing or another stops the packet and is named.
"""

import hashlib
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from django.core.files.storage import default_storage
from django.utils.translation import gettext as _

from claims.packet import pdf
from claims.packet.archive import Archive, NotTheRecorded
from claims.packet.workbook import workbook
from receiving import evidence
from receiving import photos as pictures
from receiving.documents import pages
from receiving.documents.pdf import DocumentNotMade
from receiving.refusals import Refused

PRINTED_SIDE, PRINTED_QUALITY = 1000, 75
PAPER_SIDE = 1600


@dataclass(frozen=True)
class Built:
    """The files of one packet in a folder, their hashes, and how many pages the PDF has."""

    pdf: Path
    xlsx: Path
    zip: Path
    hashes: dict
    pages: int


def unheard(done, total=0, words=""):
    """For work whose progress nobody follows."""


def build(content, folder, progress=unheard):
    """Build the files of `content` in `folder`, an empty Path, and write the hashes of its printed pictures into it.

    Where they are there already, as in a content that was frozen, the pictures must come out the same.
    progress -- called as `progress(done, total, words)`. Raises Refused.
    """
    name = base_name(content)
    paths = {ending: folder / f"{name}.{ending}" for ending in ("pdf", "xlsx", "zip")}
    prints = folder / "prints"
    prints.mkdir()
    with ExitStack() as at_the_end, Archive(paths["zip"]) as archive:
        printed = pack_photos(content, archive, prints, progress)
        papers = pack_papers(content, archive, prints, printed, at_the_end)
        pack_record(content, archive)
        paths["xlsx"].write_bytes(workbook(content))
        hashes = {"xlsx": archive.put(paths["xlsx"].name, paths["xlsx"])}
        content["made"]["workbook"] = told(paths["xlsx"].name, paths["xlsx"].stat().st_size, hashes["xlsx"])
        document = drawn(content, printed, papers, progress)
        paths["pdf"].write_bytes(document)
        hashes["pdf"] = archive.put(paths["pdf"].name, paths["pdf"])
        archive.finish()
    with paths["zip"].open("rb") as file:
        hashes["zip"] = hashlib.file_digest(file, "sha256").hexdigest()
    return Built(**paths, hashes=hashes, pages=pages.count(document))


def base_name(content):
    """`NOR-26-0007-packet-2`: what the files are called."""
    return f"{content['said']['claim']['number']}-packet-{content['made']['number']}"


def drawn(content, printed, papers, progress):
    def laid_out(page):
        progress(page, 0, _("pages"))

    try:
        return pdf.packet_pdf(content, printed, papers, laid_out=laid_out)
    except DocumentNotMade as why:
        raise Refused(str(why), code="packet_not_made") from why


def pack_photos(content, archive, prints, progress):
    """{address: path of the picture to print} of every photo; their originals are in the archive then."""
    shown = [photo for photo in pdf.photos(content["said"]) if not photo["erased"]]
    found = {}
    for number, photo in enumerate(shown, 1):
        pack(archive, photo["archive"], photo["original"], photo["sha256"], photo["name"], photo["size"])
        viewing = whole(
            photo["viewing"], photo["viewing_sha256"], _("the copy of %(photo)s") % {"photo": photo["name"]}
        )
        address = f"photo:{photo['uuid']}"
        found[address] = printed(content, address, viewing, prints, PRINTED_SIDE, photo["name"])
        progress(number, len(shown), _("photos"))
    return found


def pack_papers(content, archive, prints, printed_pictures, at_the_end):
    """{number: open file} of the uploaded PDFs; every paper is in the archive then."""
    said, found = content["said"], {}
    for each in said["documents"]:
        name = _("document %(n)s, %(file)s") % {"n": each["n"], "file": each["name"]}
        pack(archive, each["archive"], each["file"], each["sha256"], name, each["size"])
        if each["is_pdf"]:
            found[each["n"]] = at_the_end.enter_context(opened(each["file"], name))
        else:
            address = f"document:{each['n']}:1"
            original = whole(each["file"], each["sha256"], name)
            printed_pictures[address] = printed(content, address, original, prints, PAPER_SIDE, name)
    return found


def pack_record(content, archive):
    """The sheet, the notices and the load list go into the archive; the content says then how large each is."""
    said, sizes = content["said"], content["made"]["sizes"]
    if sheet := said["delivery"]:
        name = _("exception sheet %(sheet)s") % {"sheet": sheet["sheet"]}
        sizes[sheet["archive"]] = pack(archive, sheet["archive"], sheet["pdf"], sheet["sha256"], name)
    for each in said["notices"]:
        if each["pdf"]:
            name = _("notice %(n)s") % {"n": each["number"]}
            sizes[each["archive"]] = pack(archive, each["archive"], each["pdf"], each["sha256"], name)
    if listed := said["count"]["list"]:
        name = _("load list %(file)s") % {"file": listed["name"]}
        sizes[listed["archive"]] = pack(archive, listed["archive"], listed["file"], listed["sha256"], name)


def told(name, size, sha256):
    return {"name": name, "size": size, "sha256": sha256}


def pack(archive, name, path, sha256, words, size=None):
    """Copy a stored file into the archive; gives its bytes."""
    with opened(path, words) as source:
        try:
            return archive.copy(name, source, sha256, size)
        except NotTheRecorded:
            raise altered(words, path) from None


def opened(path, words):
    try:
        return default_storage.open(path)
    except OSError as error:
        raise Refused(
            _("The packet was not made: %(what)s (file %(file)s) is missing. Tell whoever looks after the server.")
            % {"what": words, "file": path},
            code="file_missing",
        ) from error


def altered(words, path):
    return Refused(
        _(
            "The packet was not made: %(what)s (file %(file)s) does not match the hash that was recorded when it came "
            "in. Tell whoever looks after the server; the command verify_evidence lists every such file."
        )
        % {"what": words, "file": path},
        code="file_altered",
    )


def whole(path, sha256, words):
    with opened(path, words) as file:
        data = file.read()
    if evidence.digest(data) != sha256:
        raise altered(words, path)
    return data


def printed(content, address, original, prints, side, words):
    """The path of the picture as it is printed; its hash is in the content then."""
    try:
        data = pictures.print_copy(original, filename=words, side=side, quality=PRINTED_QUALITY)
    except pictures.NotAPicture as why:
        raise Refused(str(why.message), code=why.code) from why
    known, digest = content["made"]["prints"], evidence.digest(data)
    if known.setdefault(address, digest) != digest:
        raise Refused(
            _("%(what)s is not printed any more as it was when this packet was made. The packet that was kept stands.")
            % {"what": words},
            code="print_differs",
        )
    path = prints / f"{digest}.jpg"
    path.write_bytes(data)
    return path
