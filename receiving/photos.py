"""Take in pictures: check the bytes, hash them, make an upright viewing copy and a thumbnail, keep all three.

The bytes that came are the evidence and are never rewritten. Copies are JPEG in sRGB on white and carry nothing but
pixels. Of a file with several pictures (a phone's two-picture JPEG, an animation, pages of a TIFF) the first is looked
at; the rest stays in the original. The only module that imports PIL, and the only writer of Photo.
"""

import functools
import hashlib
import io
import logging
import re
import threading
import unicodedata
from dataclasses import dataclass, field
from datetime import datetime
from typing import BinaryIO

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from PIL import ExifTags, Image, ImageCms, ImageFile

from receiving import evidence, files, late
from receiving.enums import LateKind, LateOutcome, PhotoPurpose
from receiving.models import Photo
from receiving.refusals import Refused

logger = logging.getLogger(__name__)

MOST_BYTES = 40 * 1000 * 1000
MOST_PIXELS = 100 * 1000 * 1000
MOST_PASSES = 30
VIEWING_SIDE = 1600
THUMBNAIL_SIDE = 320
JPEG_QUALITY = 82
BAND_ROWS = 256

Image.MAX_IMAGE_PIXELS = MOST_PIXELS

CONTENT_TYPES = {
    "JPEG": "image/jpeg",
    "PNG": "image/png",
    "WEBP": "image/webp",
    "HEIC": "image/heic",
    "AVIF": "image/avif",
    "TIFF": "image/tiff",
}
OUR_NAMES = {"MPO": "JPEG", "HEIF": "HEIC"}
PLAIN_MODES = {
    "1",
    "L",
    "LA",
    "La",
    "P",
    "PA",
    "RGB",
    "RGBA",
    "RGBa",
    "RGBX",
    "CMYK",
    "YCbCr",
    "I;16",
    "I;16B",
    "I;16L",
}
HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
AVIF_BRANDS = {b"avif", b"avis"}
DNG_VERSION_TAG = 50706
UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}

TOLD = (
    "uuid",
    "seal",
    "purpose",
    "caption",
    "sha256",
    "viewing_sha256",
    "size",
    "format",
    "filename",
    "taken_claim",
)

# One picture at a time in a process: bounds the memory, and keeps PIL's process-wide switch for cut files in our hands.
_one_at_a_time = threading.Lock()


class NotAPicture(Refused):
    """A file that is not taken in. `code` is for scripts; `message` says which file, what is wrong and the way out."""

    code = "photo_refused"

    def __init__(self, message):
        super().__init__(message, code=self.code, field="photo")


class EmptyFile(NotAPicture):
    code = "photo_empty"


class TooManyBytes(NotAPicture):
    code = "photo_too_large"


class TooManyPixels(NotAPicture):
    code = "photo_too_many_pixels"


class WrongKind(NotAPicture):
    code = "photo_wrong_kind"


class HeicSwitchedOff(NotAPicture):
    code = "photo_heic_off"


class BrokenPicture(NotAPicture):
    code = "photo_broken"


class UnusualColours(NotAPicture):
    code = "photo_unusual_colours"


class TooManyPasses(NotAPicture):
    code = "photo_too_many_passes"


@dataclass(frozen=True)
class Picture:
    """What is known of one picture.

    `width` and `height` are pixels of the original, upright. `sha256` is hex, over `original`. `taken_claim` is what
    the device says, in EXIF's own writing ("2026:03:02 14:32:11 -05:00", the offset only where it gave one), or None.
    """

    filename: str
    format: str
    content_type: str
    width: int
    height: int
    sha256: str
    byte_count: int
    taken_claim: str | None
    original: bytes = field(repr=False)
    viewing: bytes = field(repr=False)
    thumbnail: bytes = field(repr=False)


def examine(data: bytes | BinaryIO, *, filename: str) -> Picture:
    """Check, hash and copy one picture given as bytes or as an open binary file.

    Raises a `NotAPicture` and nothing else for whatever is wrong with the bytes.
    """
    name = shown_name(filename)
    original = _read(data, name)
    return _examine(original, name)


def _examine(original: bytes, name: str) -> Picture:
    kind = _accepted_kind(original, name)
    with _one_at_a_time:
        ImageFile.LOAD_TRUNCATED_IMAGES = False
        return _examined(original, kind, name)


def clean_name(filename: str) -> str:
    """The file's own name without folders and invisible characters; may be empty."""
    last = re.split(r"[/\\]", str(filename or ""))[-1]
    return "".join(c for c in last if unicodedata.category(c)[0] != "C").strip()


def shown_name(filename: str) -> str:
    """`clean_name`, short enough for a sentence."""
    name = clean_name(filename)
    return (name if len(name) <= 60 else f"{name[:40]}…{name[-16:]}") or _("the photo")


def heic_readable() -> bool:
    """True where the setting HEIC is on and the library for it is installed."""
    return bool(getattr(settings, "HEIC", True)) and _heic_opener()


@functools.cache
def _heic_opener() -> bool:
    try:
        import pillow_heif  # noqa: PLC0415  optional: a server without it takes the other formats
    except ImportError:
        return False
    pillow_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)
    return True


def _read(data, name) -> bytes:
    declared = len(data) if isinstance(data, bytes) else getattr(data, "size", None) or 0
    if declared > MOST_BYTES:
        raise _too_many_bytes(name, declared)
    original = data if isinstance(data, bytes) else data.read(MOST_BYTES + 1)
    if len(original) > MOST_BYTES:
        raise _too_many_bytes(name, len(original))
    if not original:
        raise EmptyFile(_("%(name)s: the file is empty. Take or choose the photo again.") % {"name": name})
    return original


def _too_many_bytes(name, count):
    return TooManyBytes(
        _(
            "%(name)s: the file has %(size).1f MB; at most %(most)d MB can be sent. "
            "Choose a smaller picture size in the camera's settings and take it again."
        )
        % {"name": name, "size": count / 1e6, "most": MOST_BYTES // 1_000_000}
    )


# --- what kind of file ------------------------------------------------------------------------------------------------


def _accepted_kind(original: bytes, name: str) -> str:
    kind = _kind(original)
    if kind == "HEIC" and not heic_readable():
        raise HeicSwitchedOff(
            _(
                "%(name)s: HEIC pictures cannot be read on this server. "
                "Set the phone's camera to 'most compatible' (JPEG) and take it again."
            )
            % {"name": name}
        )
    if kind is None:
        raise _wrong_kind(name, _other_kind(original))
    return kind


def _wrong_kind(name, what):
    return WrongKind(
        _("%(name)s: this is %(what)s, not a photo that can be kept. Send a JPEG, PNG, WebP, HEIC, AVIF or TIFF.")
        % {"name": name, "what": what}
    )


def _kind(original: bytes) -> str | None:
    head = original[:16]
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "WEBP"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    return _boxed_kind(original) if head[4:8] == b"ftyp" else None


def _boxed_kind(original: bytes) -> str | None:
    major = original[8:12]
    length = min(int.from_bytes(original[:4]), 256)
    brands = {original[i : i + 4] for i in range(16, length, 4)}
    if major in AVIF_BRANDS or (major in {b"mif1", b"msf1"} and brands & AVIF_BRANDS):
        return "AVIF"
    return "HEIC" if major in HEIC_BRANDS else None


def _other_kind(original: bytes) -> str:
    head = original[:1024].lstrip(b"\xef\xbb\xbf \t\r\n")
    lower = head.lower()
    known = (
        (head.startswith(b"GIF8"), _("a GIF picture")),
        (head.startswith(b"BM"), _("a BMP picture")),
        (head.startswith((b"\xff\x0a", b"\0\0\0\x0cJXL ")), _("a JPEG XL picture")),
        (head.startswith((b"\xff\x4f\xff\x51", b"\0\0\0\x0cjP  ")), _("a JPEG 2000 picture")),
        (head.startswith(b"8BPS"), _("an image editor's working file")),
        (head[4:8] == b"ftyp" and head[8:12] == b"crx ", _("a camera's raw file")),
        (head[4:8] == b"ftyp", _("a video")),
        (head.startswith((b"\x1aE\xdf\xa3", b"RIFF")), _("a video or sound")),
        (b"%PDF-" in head, _("a PDF document")),
        (b"<svg" in lower, _("an SVG drawing")),
        (lower.startswith((b"<!doctype html", b"<html", b"<head", b"<script", b"<!--")), _("a web page")),
        (head.startswith(b"PK\x03\x04"), _("an archive or an office document")),
        (head.startswith((b"MZ", b"\x7fELF", b"#!", b"\xcf\xfa\xed\xfe")), _("a program")),
    )
    return next((what for fits, what in known if fits), _("something else than a picture"))


# --- decoding ---------------------------------------------------------------------------------------------------------


def _examined(original: bytes, kind: str, name: str) -> Picture:
    return _whole(original, kind, name, lambda im: _pictured(im, original, name))


def _whole(original: bytes, kind: str, name: str, use):
    """What `use` makes of the opened picture; whatever a decoder raises becomes a sentence."""
    try:
        return use(_opened(original, kind, name))
    except NotAPicture:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels(name, None) from None
    except Exception as why:  # decoders raise whatever they like on hostile bytes
        logger.info("photo %s (%s, %d bytes) refused: %r", name, kind, len(original), why)
        raise BrokenPicture(
            _(
                "%(name)s: the picture is damaged or did not arrive whole, so it cannot be opened. "
                "Send it again, or take it again."
            )
            % {"name": name}
        ) from why


def _opened(original: bytes, kind: str, name: str) -> Image.Image:
    """The picture with its head read and nothing decoded yet."""
    if kind == "JPEG" and _passes(original) > MOST_PASSES:
        raise TooManyPasses(
            _(
                "%(name)s: this JPEG is built in more than %(most)d passes, which no camera does. "
                "Open it in a picture program, save it as an ordinary JPEG and send that."
            )
            % {"name": name, "most": MOST_PASSES}
        )
    # By name, so that no other decoder ever sees bytes from outside.
    im = Image.open(io.BytesIO(original), formats=("HEIF" if kind == "HEIC" else kind,))
    if im.width * im.height > MOST_PIXELS:
        raise _too_many_pixels(name, im.size)
    if kind == "TIFF" and DNG_VERSION_TAG in im.tag_v2:
        raise _wrong_kind(name, _("a camera's raw file"))
    if im.mode not in PLAIN_MODES:
        raise UnusualColours(
            _(
                "%(name)s: the picture stores its colours in an unusual way (%(mode)s). "
                "Save it as JPEG or PNG in a picture program and send that."
            )
            % {"name": name, "mode": im.mode}
        )
    return im


def _too_many_pixels(name, size):
    width, height = size or (0, 0)
    what = _("is %(w)d x %(h)d pixels") % {"w": width, "h": height} if size else _("is far too large")
    return TooManyPixels(
        _(
            "%(name)s: the picture %(what)s; at most %(most)d megapixels can be kept. "
            "Choose a smaller picture size in the camera's settings and take it again."
        )
        % {"name": name, "what": what, "most": MOST_PIXELS // 1_000_000}
    )


_NEXT_MARKER = re.compile(rb"\xff+([^\x00\xff\xd0-\xd7])")


def _passes(original: bytes) -> int:
    """How often a JPEG's decoder goes over the whole picture. Each costs full time however few bytes it takes."""
    if original.count(b"\xff\xda") <= MOST_PASSES:
        return 1
    passes, position = 0, 2
    while passes <= MOST_PASSES and (found := _NEXT_MARKER.search(original, position)):
        marker, position = found[1], found.end()
        if marker == b"\xd9":
            break
        passes += marker == b"\xda"
        position += int.from_bytes(original[position : position + 2])
    return passes


def _pictured(im: Image.Image, original: bytes, name: str) -> Picture:
    width, height = _loaded(im)
    if _orientation(im) >= 5:
        width, height = height, width
    viewing = _upright(im, VIEWING_SIDE)
    kind = OUR_NAMES.get(im.format, im.format)
    return Picture(
        filename=name,
        format=kind,
        content_type=CONTENT_TYPES[kind],
        width=width,
        height=height,
        sha256=hashlib.sha256(original).hexdigest(),
        byte_count=len(original),
        taken_claim=_taken_claim(im),
        original=original,
        viewing=_jpeg(viewing),
        thumbnail=_jpeg(_resized(viewing, THUMBNAIL_SIDE)),
    )


def _loaded(im: Image.Image) -> tuple[int, int]:
    """Decode; return the whole picture's size, turned where the decoder turns by itself (HEIC, TIFF)."""
    if im.format not in ("JPEG", "MPO"):
        im.load()
        return im.size
    size = im.size
    # Decodes at a half or a quarter of the size, yet reads every byte: a cut file is found as surely as in full.
    im.draft(None, _fitted(size, VIEWING_SIDE))
    im.load()
    return size


def _upright(im: Image.Image, side: int) -> Image.Image:
    """The decoded `im` fitted into `side`, in sRGB, turned as its EXIF says."""
    small = _to_srgb(_shrunk(im, side), im.info.get("icc_profile"))
    orientation = _orientation(im)
    return small.transpose(UPRIGHT[orientation]) if orientation > 1 else small


def _orientation(im: Image.Image) -> int:
    """How the picture still has to be turned, 1 to 8 as EXIF counts; HEIC and TIFF were turned by their decoders."""
    try:
        said = im.getexif().get(ExifTags.Base.Orientation)
    except Exception:  # rubbish in EXIF must not cost the photo
        return 1
    return said if said in UPRIGHT else 1


def _taken_claim(im: Image.Image) -> str | None:
    try:
        told = im.getexif().get_ifd(ExifTags.IFD.Exif)
        moment = _exif_text(told.get(ExifTags.Base.DateTimeOriginal))
        offset = _exif_text(told.get(ExifTags.Base.OffsetTimeOriginal))
        datetime.strptime(f"{moment} +0000", "%Y:%m:%d %H:%M:%S %z")
    except Exception:  # rubbish in EXIF must not cost the photo
        return None
    if len(moment) != 19:
        return None
    return f"{moment} {offset}" if re.fullmatch(r"[+-](0\d|1[0-4]):[0-5]\d", offset) else moment


def _exif_text(value) -> str:
    return value.strip("\0 ") if isinstance(value, str) else ""


# --- copies -----------------------------------------------------------------------------------------------------------


def _fitted(size: tuple[int, int], side: int) -> tuple[int, int]:
    """`size` scaled down, never up, so that the longer side has at most `side` pixels and no side fewer than one."""
    scale = min(1, side / max(size))
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))


def _resized(im: Image.Image, side: int) -> Image.Image:
    return im.resize(_fitted(im.size, side), Image.Resampling.HAMMING, reducing_gap=2.0)


def _shrunk(im: Image.Image, side: int) -> Image.Image:
    """`im` fitted into `side` as RGB, L or CMYK, transparent parts on white."""
    return _resized(im if _is_plain(im) else _reduced_in_bands(im, side), side)


def _is_plain(im: Image.Image) -> bool:
    return im.mode in ("RGB", "L", "CMYK") and not im.has_transparency_data


def _reduced_in_bands(im: Image.Image, side: int) -> Image.Image:
    """Convert and reduce band by band: a whole converted copy of 100 megapixels would cost 400 MB more."""
    factor = max(1, max(im.size) // (2 * side))
    rows = factor * BAND_ROWS
    small = Image.new("RGB", (-(-im.width // factor), -(-im.height // factor)))
    for top in range(0, im.height, rows):
        band = im.crop((0, top, im.width, min(top + rows, im.height)))
        small.paste(_on_white(band).reduce(factor), (0, top // factor))
    return small


def _on_white(band: Image.Image) -> Image.Image:
    if band.mode.startswith("I;16"):
        return band.convert("I").point(lambda value: value * (1 / 256)).convert("L").convert("RGB")
    if not band.has_transparency_data:
        return band.convert("RGB")
    if band.mode == "La":
        band = band.convert("LA")
    seen = band.convert("RGBA")
    white = Image.new("RGB", band.size, "white")
    white.paste(seen, mask=seen.getchannel("A"))
    return white


def _to_srgb(im: Image.Image, profile: bytes | None) -> Image.Image:
    if profile:
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            transform = ImageCms.buildTransform(source, _srgb(), im.mode, "RGB")
            return ImageCms.applyTransform(im, transform, inPlace=im.mode == "RGB") or im
        except Exception as why:  # a profile that does not fit its picture is left out, the photo stays
            logger.info("colour profile left out: %r", why)
    return im.convert("RGB")


@functools.cache
def _srgb():
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))


def _jpeg(im: Image.Image, quality: int = JPEG_QUALITY) -> bytes:
    im.info = {}  # save() would write a comment it finds here
    out = io.BytesIO()
    im.save(out, "JPEG", quality=quality)
    return out.getvalue()


# --- printing ---------------------------------------------------------------------------------------------------------


def print_copy(original: bytes, *, filename: str = "", side: int = 1000, quality: int = 75) -> bytes:
    """A JPEG of one picture for a printed page: upright, in sRGB, its longer side `side` pixels at most.

    original -- the bytes of a picture as it came, or of a viewing copy, which is quicker
    side -- VIEWING_SIDE at most
    The same bytes give the same copy. Raises a `NotAPicture` as `examine` does.
    """
    name = shown_name(filename)
    kind = _accepted_kind(original, name)
    with _one_at_a_time:
        ImageFile.LOAD_TRUNCATED_IMAGES = False
        return _whole(original, kind, name, lambda im: _printed(im, side, quality))


def _printed(im: Image.Image, side: int, quality: int) -> bytes:
    _loaded(im)
    return _jpeg(_upright(im, min(side, VIEWING_SIDE)), quality)


# --- keeping ----------------------------------------------------------------------------------------------------------


class UuidReused(Refused):
    """Another photo, or the same for another record, was already sent under this UUID."""

    status = 409


def receive_photo(
    *,
    arrival,
    uuid,
    upload,
    filename,
    purpose,
    actor,
    at,
    discrepancy=None,
    seal=None,
    caption="",
    device_taken_at="",
    made_at=None,
) -> Photo:
    """Take one picture in for a trailer, or for a piece or a seal on it, and return its row.

    upload -- bytes or an open binary file
    at -- when the server had it
    device_taken_at -- the client's word for when it was taken, kept where the picture itself says nothing
    made_at -- when it was taken, if it waited on a phone: one that comes after the release is written down as late

    The same UUID with the same bytes for the same record gives the row there is; with anything else `UuidReused`.
    Decoding takes a tenth of a second and up: call this outside a transaction, or `examine` before it and
    `record_photo` inside.
    """
    name = shown_name(filename)
    original = _read(upload, name)
    subject = {"arrival": arrival, "discrepancy": discrepancy, "seal": seal}
    if earlier := Photo.objects.filter(uuid=uuid).first():
        return _same(earlier, sha256=hashlib.sha256(original).hexdigest(), name=name, **subject)
    picture = _examine(original, name)
    return record_photo(
        picture=picture,
        uuid=uuid,
        filename=filename,
        purpose=purpose,
        actor=actor,
        at=at,
        caption=caption,
        device_taken_at=device_taken_at,
        made_at=made_at,
        **subject,
    )


def record_photo(
    *,
    picture: Picture,
    arrival,
    uuid,
    purpose,
    actor,
    at,
    discrepancy=None,
    seal=None,
    filename="",
    caption="",
    device_taken_at="",
    made_at=None,
) -> Photo:
    """Keep an examined picture: its three files first, then the row and its event in one transaction."""
    subject = {"arrival": arrival, "discrepancy": discrepancy, "seal": seal}
    _check_subject(arrival, discrepancy, seal)
    _check_words(purpose, caption)
    photo = Photo(
        **subject,
        site=arrival.site,
        uuid=uuid,
        purpose=purpose,
        caption=caption,
        sha256=picture.sha256,
        viewing_sha256=hashlib.sha256(picture.viewing).hexdigest(),
        size=picture.byte_count,
        format=picture.format,
        width=picture.width,
        height=picture.height,
        filename=clean_name(filename or picture.filename)[-200:],
        taken_claim=picture.taken_claim or clean_name(device_taken_at)[:40],
        actor=actor,
        at=at,
    )
    for name, path in keep_files(picture).items():
        setattr(photo, name, path)
    try:
        with transaction.atomic():
            photo.save(force_insert=True)
            _tell(photo)
            if late.is_late(arrival, made_at):
                _come_late(photo, made_at)
    except IntegrityError:
        earlier = Photo.objects.filter(uuid=uuid).first()
        if earlier is None:
            raise
        return _same(earlier, sha256=picture.sha256, name=picture.filename, **subject)
    return photo


def _check_subject(arrival, discrepancy, seal):
    strangers = [record for record in (discrepancy, seal) if record and record.arrival_id != arrival.pk]
    if strangers or (discrepancy and seal):
        raise Refused(
            _("This photo was sent for a record of another trailer. Open the piece or the seal and add it there."),
            code="photo_wrong_record",
        )


def _check_words(purpose, caption):
    if purpose not in PhotoPurpose.values:
        raise Refused(
            _("“%(purpose)s” is not something a photo can show. Choose one of the list.") % {"purpose": purpose},
            code="photo_unknown_purpose",
            field="purpose",
        )
    if len(caption) > Photo._meta.get_field("caption").max_length:
        raise Refused(
            _("The caption has %(count)d characters; at most 200 fit. Shorten it.") % {"count": len(caption)},
            code="photo_long_caption",
            field="caption",
        )


def _same(earlier, *, sha256, name, arrival, discrepancy, seal) -> Photo:
    sent = (sha256, arrival.pk, discrepancy and discrepancy.pk, seal and seal.pk)
    if sent != (earlier.sha256, earlier.arrival_id, earlier.discrepancy_id, earlier.seal_id):
        raise UuidReused(
            _("%(name)s: another photo was already sent under this number. Choose the photo again and send it anew.")
            % {"name": name},
            code="photo_uuid_reused",
            field="photo",
        )
    return earlier


def keep_files(picture: Picture) -> dict[str, str]:
    """Store the original and its two copies under their hash; the names they have, by field of Photo."""
    folder, name = picture.sha256[:2], picture.sha256
    return {
        "original": files.keep(f"originals/{folder}/{name}", picture.original),
        "viewing": files.keep(f"copies/{folder}/{name}-{VIEWING_SIDE}.jpg", picture.viewing),
        "thumbnail": files.keep(f"copies/{folder}/{name}-{THUMBNAIL_SIDE}.jpg", picture.thumbnail),
    }


def _tell(photo: Photo):
    evidence.append(
        site=photo.site,
        verb="photo.received",
        record=photo,
        arrival=photo.arrival,
        discrepancy=photo.discrepancy,
        actor=photo.actor,
        at=photo.at,
        after=evidence.facts(photo, TOLD),
    )


def _come_late(photo: Photo, made_at: datetime):
    entry = late.Entry(
        photo.uuid,
        LateKind.PHOTO,
        LateOutcome.ADDED,
        evidence.name_of(photo),
        made_at,
        discrepancy=photo.discrepancy,
    )
    late.note_one(photo.arrival, entry, actor=photo.actor, at=photo.at)
