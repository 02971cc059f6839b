"""Pictures for the tests, good and hostile, all made here in code.

`GOOD` maps a name to a function giving a `Good`; `CASES` maps a name to a function giving (filename, bytes, code of the
refusal). Every good picture shows, once upright, red, green, blue and yellow in its corners, read from the top left.
"""

import functools
import io
import random
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import pillow_heif
from PIL import ExifTags, Image, ImageCms, ImageDraw

RED, GREEN, BLUE, YELLOW = (220, 20, 20), (20, 160, 40), (30, 40, 200), (240, 220, 40)
CORNERS = (RED, GREEN, BLUE, YELLOW)
SIZE = (480, 360)
SECRET = b"bay-nine-secret"
TAKEN = "2026:03:02 14:32:11"
OFFSET = "-05:00"
STORED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True)
class Good:
    filename: str
    data: bytes
    format: str
    size: tuple[int, int] = SIZE
    corners: tuple = CORNERS
    taken: str | None = None


CASES: dict[str, Callable[[], tuple[str, bytes, str]]] = {}
GOOD: dict[str, Callable[[], Good]] = {}


def case(function):
    CASES[function.__name__.replace("_", " ")] = functools.cache(function)
    return function


def good(function):
    GOOD[function.__name__.replace("_", " ")] = functools.cache(function)
    return function


# --- material ---------------------------------------------------------------------------------------------------------


def seen(size=SIZE, mode="RGB"):
    width, height = size
    im = Image.new("RGB", size)
    draw = ImageDraw.Draw(im)
    for n, colour in enumerate(CORNERS):
        left, top = (n % 2) * (width // 2), (n // 2) * (height // 2)
        draw.rectangle((left, top, left + width, top + height), fill=colour)
    return im if mode == "RGB" else im.convert(mode)


def grained(size=SIZE):
    """With noise, so that the compressed data are long enough to be cut somewhere in the middle."""
    noise = Image.frombytes("RGB", size, random.Random(11).randbytes(size[0] * size[1] * 3))
    return Image.blend(seen(size), noise, 0.12)


def exif(orientation=1, **more):
    found = Image.Exif()
    found[ExifTags.Base.Orientation] = orientation
    found[ExifTags.Base.Make] = SECRET.decode()
    details = found.get_ifd(ExifTags.IFD.Exif)
    details[ExifTags.Base.DateTimeOriginal] = more.get("taken", TAKEN)
    details[ExifTags.Base.OffsetTimeOriginal] = more.get("offset", OFFSET)
    place = found.get_ifd(ExifTags.IFD.GPSInfo)
    place[ExifTags.GPS.GPSLatitudeRef] = "N"
    place[ExifTags.GPS.GPSLatitude] = more.get("latitude", (41.0, 52.0, 41.5))
    place[ExifTags.GPS.GPSLongitudeRef] = "W"
    place[ExifTags.GPS.GPSLongitude] = (87.0, 37.0, 11.25)
    return found


def saved(im, kind, **how) -> bytes:
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    im.save(out, kind, **how)
    return out.getvalue()


def stored_as(orientation, im=None):
    im = im or grained()
    return im.transpose(STORED[orientation]) if orientation in STORED else im


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width, height, *chunks, depth=8, colour=2) -> bytes:
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks)


def segment(marker: int, body: bytes) -> bytes:
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body


def tiff(*entries, tail=b"") -> bytes:
    """A little-endian TIFF with one directory of (tag, type, count, value) and `tail` after it."""
    body = b"".join(struct.pack("<HHII", *entry) for entry in sorted(entries))
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + body + struct.pack("<I", 0) + tail


def tiff_of(width, height, *, compression=1, bits=8, tail=b"", more=()):
    offset = 8 + 2 + 12 * (8 + len(more)) + 4
    return tiff(
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 1, bits),
        (259, 3, 1, compression),
        (262, 3, 1, 1),
        (273, 4, 1, offset),
        (278, 4, 1, height),
        (279, 4, 1, len(tail)),
        *more,
        tail=tail,
    )


def with_size(data: bytes, marker: int, width: int, height: int) -> bytes:
    """A JPEG whose frame header claims another size."""
    at = data.index(bytes((0xFF, marker))) + 5
    return data[:at] + struct.pack(">HH", height, width) + data[at + 4 :]


def many_passes(count: int, size=(4096, 4096)) -> bytes:
    """A progressive JPEG that repeats one scan of a few bytes; each costs a walk over all blocks."""
    im = Image.new("L", size, 128)
    data = saved(im, "JPEG", progressive=True)
    first = data.index(b"\xff\xda")
    second = data.index(b"\xff\xda", first + 2)
    end = data.index(b"\xff\xda", second + 2)
    return data[:second] + data[second:end] * count + data[second:]


def sized_heic(width, height) -> bytes:
    data = saved(grained(), "HEIF", quality=60)
    at = data.index(b"ispe") + 8
    return data[:at] + struct.pack(">II", width, height) + data[at + 8 :]


def swapped_profile() -> bytes:
    """sRGB with the red and green colorants exchanged: what is stored as red must be shown as green."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    red, green = profile.index(b"rXYZ", 128), profile.index(b"gXYZ", 128)
    profile[red : red + 4], profile[green : green + 4] = b"gXYZ", b"rXYZ"
    return bytes(profile)


def cut(data: bytes, part: float) -> bytes:
    return data[: int(len(data) * part)]


# --- good -------------------------------------------------------------------------------------------------------------


def _turned(kind, name, orientation):
    how = {"quality": 90} if kind != "TIFF" else {}

    def make():
        data = saved(stored_as(orientation), kind, exif=exif(orientation).tobytes(), **how)
        ours = {"HEIF": "HEIC"}.get(kind, kind)
        return Good(name, data, ours, taken=f"{TAKEN} {OFFSET}")

    return make


for _kind, _name in (
    ("JPEG", "IMG_0001.jpg"),
    ("HEIF", "IMG_0002.HEIC"),
    ("AVIF", "p.avif"),
    ("WEBP", "p.webp"),
    ("TIFF", "scan.tif"),
):
    for _n in range(1, 9):
        GOOD[f"{_kind} orientation {_n}"] = functools.cache(_turned(_kind, _name, _n))


@good
def heic_turned_by_its_container_only():
    """The HEIC pictures above are turned as phones write them: by the container, and said once more in EXIF."""
    data = saved(stored_as(6), "HEIF", exif=exif(6).tobytes(), quality=90)
    turned, plain = (struct.pack(">HHIHH", ExifTags.Base.Orientation, 3, 1, value, 0) for value in (6, 1))
    assert data.count(turned) == 1
    return Good("IMG_7.heic", data.replace(turned, plain), "HEIC", taken=f"{TAKEN} {OFFSET}")


@good
def png_with_orientation():
    return Good("a.png", saved(stored_as(6), "PNG", exif=exif(6)), "PNG", taken=f"{TAKEN} {OFFSET}")


@good
def large_jpeg():
    return Good(
        "big.jpg", saved(stored_as(8, seen((3000, 2000))), "JPEG", exif=exif(8, taken="")), "JPEG", (3000, 2000)
    )


@good
def two_picture_jpeg():
    data = saved(grained(), "MPO", save_all=True, append_images=[Image.new("RGB", SIZE, "black")])
    return Good("mpo.jpg", data, "JPEG")


@good
def progressive_jpeg():
    return Good("p.jpg", saved(grained(), "JPEG", progressive=True), "JPEG")


@good
def cmyk_jpeg():
    return Good("c.jpg", saved(seen(mode="CMYK"), "JPEG", quality=92), "JPEG")


@good
def grey_jpeg():
    grey = tuple((v, v, v) for v in (72, 105, 57, 205))
    return Good("g.jpg", saved(seen(mode="L"), "JPEG", quality=92), "JPEG", corners=grey)


@good
def jpeg_with_colour_profile():
    shown = tuple((green, red, blue) for red, green, blue in CORNERS)
    return Good("icc.jpg", saved(seen(), "JPEG", quality=95, icc_profile=swapped_profile()), "JPEG", corners=shown)


@good
def jpeg_with_rubbish_profile():
    return Good("icc2.jpg", saved(seen(), "JPEG", icc_profile=b"no profile " + SECRET), "JPEG")


@good
def jpeg_with_comment_and_xmp():
    xmp = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>" + SECRET + b"</x:xmpmeta>"
    return Good("x.jpg", saved(grained(), "JPEG", comment=SECRET, xmp=xmp), "JPEG")


@good
def jpeg_with_exif_of_noise():
    noise = b"Exif\0\0" + random.Random(5).randbytes(3000)
    return Good("n.jpg", saved(grained(), "JPEG", exif=noise), "JPEG")


@good
def jpeg_with_huge_exif():
    pieces = b"".join(segment(0xE1, b"Exif\0\0" + bytes(65000)) for _ in range(60))
    return Good("h.jpg", b"\xff\xd8" + pieces + saved(grained(), "JPEG")[2:], "JPEG")


@good
def jpeg_whose_exif_points_at_itself():
    looped = b"Exif\0\0II*\0" + struct.pack("<IH", 8, 2)
    looped += struct.pack("<HHII", 0x8769, 4, 1, 8) + struct.pack("<HHII", 0x8825, 4, 1, 8) + struct.pack("<I", 8)
    return Good("loop.jpg", saved(grained(), "JPEG", exif=looped), "JPEG")


@good
def jpeg_with_gps_that_is_no_number():
    number, no_number = struct.pack("<II", 41, 1), struct.pack("<II", 0, 0)
    data = saved(grained(), "JPEG", exif=exif(1))
    order = "<" if number in data else ">"
    data = data.replace(struct.pack(f"{order}II", 41, 1), no_number)
    assert data.count(no_number) >= 1
    return Good("nan.jpg", data, "JPEG", taken=f"{TAKEN} {OFFSET}")


@good
def jpeg_with_impossible_date():
    return Good("d.jpg", saved(grained(), "JPEG", exif=exif(taken="0000:00:00 00:00:00")), "JPEG")


@good
def jpeg_with_impossible_offset():
    return Good("o.jpg", saved(grained(), "JPEG", exif=exif(offset="noon")), "JPEG", taken=TAKEN)


@good
def jpeg_with_orientation_99():
    return Good("o99.jpg", saved(grained(), "JPEG", exif=exif(99)), "JPEG", taken=f"{TAKEN} {OFFSET}")


@good
def jpeg_that_is_also_an_archive():
    archive = io.BytesIO(saved(grained(), "JPEG"))
    archive.seek(0, 2)
    with zipfile.ZipFile(archive, "a") as members:
        members.writestr("run.sh", SECRET)
    return Good("zip.jpg", archive.getvalue(), "JPEG")


@good
def jpeg_that_is_also_a_web_page():
    page = b"<!doctype html><script>alert('" + SECRET + b"')</script>"
    return Good("page.html", saved(grained(), "JPEG", comment=page) + page, "JPEG")


@good
def jpeg_with_a_film_behind_it():
    film = b"\0\0\0\x18ftypmp42" + random.Random(2).randbytes(9_000_000)
    assert film.count(b"\xff\xda") > 30
    return Good("motion.jpg", saved(grained(), "JPEG") + film, "JPEG")


@good
def png_see_through():
    im = seen(mode="RGBA")
    im.paste((0, 0, 0, 0), (0, 0, SIZE[0] // 2, SIZE[1] // 2))
    return Good("alpha.png", saved(im, "PNG"), "PNG", corners=((255, 255, 255), GREEN, BLUE, YELLOW))


@good
def png_large_see_through():
    im = seen((7000, 1400), mode="RGBA")
    im.paste((0, 0, 0, 0), (0, 0, 3500, 700))
    return Good("a2.png", saved(im, "PNG"), "PNG", (7000, 1400), ((255, 255, 255), GREEN, BLUE, YELLOW))


@good
def png_with_palette_and_one_clear_colour():
    im = seen().quantize(8)
    data = saved(im, "PNG", transparency=im.getpixel((2, 2)))
    return Good("pal.png", data, "PNG", corners=((255, 255, 255), GREEN, BLUE, YELLOW))


@good
def png_with_one_clear_colour():
    return Good("trns.png", saved(seen(), "PNG", transparency=BLUE), "PNG", corners=(RED, GREEN, (255,) * 3, YELLOW))


@good
def png_grey_see_through():
    grey = tuple((v, v, v) for v in (72, 105, 57, 205))
    return Good("la.png", saved(seen(mode="LA"), "PNG"), "PNG", corners=grey)


@good
def png_sixteen_bit_grey():
    levels = (10_000, 25_000, 40_000, 60_000)
    upper, lower = (struct.pack("<H", a) * 240 + struct.pack("<H", b) * 240 for a, b in (levels[:2], levels[2:]))
    im = Image.frombytes("I;16", SIZE, upper * 180 + lower * 180)
    return Good("16.png", saved(im, "PNG"), "PNG", corners=tuple((v // 256,) * 3 for v in levels))


@good
def png_one_bit():
    im = Image.new("1", SIZE, 1)
    im.paste(0, (0, 0, 240, 180))
    return Good("1.png", saved(im, "PNG"), "PNG", corners=((0,) * 3, (255,) * 3, (255,) * 3, (255,) * 3))


@good
def png_one_pixel():
    return Good("dot.png", saved(Image.new("RGB", (1, 1), RED), "PNG"), "PNG", (1, 1), (RED,) * 4)


@good
def png_long_and_thin():
    return Good("line.png", saved(seen((20_000, 4)), "PNG"), "PNG", (20_000, 4), (None,) * 4)


@good
def png_animated():
    return Good("anim.png", saved(seen(), "PNG", save_all=True, append_images=[Image.new("RGB", SIZE)]), "PNG")


@good
def webp_animated():
    still = [Image.new("RGB", SIZE)]
    return Good("anim.webp", saved(seen(), "WEBP", save_all=True, append_images=still, quality=90), "WEBP")


@good
def avif_animated():
    still = [Image.new("RGB", SIZE)]
    return Good("anim.avif", saved(seen(), "AVIF", save_all=True, append_images=still, quality=90), "AVIF")


@good
def webp_see_through():
    im = seen(mode="RGBA")
    im.paste((0, 0, 0, 0), (0, 0, 240, 180))
    data = saved(im, "WEBP", lossless=True)
    return Good("alpha.webp", data, "WEBP", corners=((255, 255, 255), GREEN, BLUE, YELLOW))


@good
def tiff_of_two_pages():
    return Good("pages.tiff", saved(seen(), "TIFF", save_all=True, append_images=[Image.new("RGB", SIZE)]), "TIFF")


@good
def tiff_lzw():
    return Good("lzw.tiff", saved(grained(), "TIFF", compression="tiff_lzw"), "TIFF")


@good
def tiff_with_jpeg_inside():
    return Good("j.tiff", saved(seen(), "TIFF", compression="jpeg", quality=92), "TIFF")


@good
def tiff_cmyk():
    return Good("c.tiff", saved(seen(mode="CMYK"), "TIFF"), "TIFF")


# --- hostile or broken ------------------------------------------------------------------------------------------------


@case
def empty():
    return "nothing.jpg", b"", "photo_empty"


@case
def one_byte():
    return "one.jpg", b"\xff", "photo_wrong_kind"


@case
def noise():
    return "noise.jpg", b"\x01" + random.Random(1).randbytes(50_000), "photo_wrong_kind"


@case
def more_than_40_megabytes():
    return "large.jpg", b"\xff\xd8\xff" + bytes(40_000_000), "photo_too_large"


@case
def text():
    return "note.jpg", b"carton crushed, see next mail", "photo_wrong_kind"


@case
def web_page():
    return "page.jpg", b"<!DOCTYPE html><script>alert(1)</script>", "photo_wrong_kind"


@case
def svg_drawing():
    return "logo.jpg", b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>', "photo_wrong_kind"


@case
def svg_with_entities():
    body = b'<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]><svg>&a;</svg>'
    return "logo.png", body, "photo_wrong_kind"


@case
def gif():
    return "anim.jpg", saved(seen(mode="P"), "GIF"), "photo_wrong_kind"


@case
def bmp():
    return "paint.jpg", saved(seen(), "BMP"), "photo_wrong_kind"


@case
def icon():
    return "fav.png", saved(seen((64, 64)), "ICO"), "photo_wrong_kind"


@case
def jpeg_2000():
    return "scan.jpg", saved(seen(), "JPEG2000"), "photo_wrong_kind"


@case
def jpeg_xl():
    return "new.jpg", b"\xff\x0a" + random.Random(3).randbytes(800), "photo_wrong_kind"


@case
def eps_program():
    return "print.jpg", saved(seen(), "EPS"), "photo_wrong_kind"


@case
def pdf():
    return "sheet.jpg", saved(seen(), "PDF"), "photo_wrong_kind"


@case
def layered_working_file():
    return "art.jpg", b"8BPS\0\x01" + bytes(500), "photo_wrong_kind"


@case
def archive():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as members:
        members.writestr("a.jpg", saved(seen(), "JPEG"))
    return "photos.jpg", out.getvalue(), "photo_wrong_kind"


@case
def windows_program():
    return "photo.jpg.exe", b"MZ\x90\0" + bytes(400), "photo_wrong_kind"


@case
def linux_program():
    return "photo.jpg", b"\x7fELF\x02\x01\x01" + bytes(400), "photo_wrong_kind"


@case
def film_mp4():
    return "clip.jpg", b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(900), "photo_wrong_kind"


@case
def film_quicktime():
    return "clip.heic", b"\0\0\0\x14ftypqt  \0\0\0\0qt  " + bytes(900), "photo_wrong_kind"


@case
def raw_of_a_camera():
    return "raw.cr3", b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom" + bytes(900), "photo_wrong_kind"


@case
def raw_as_tiff():
    data = tiff_of(64, 64, tail=bytes(64 * 64), more=((50706, 1, 4, 0x00000401),))
    return "IMG.DNG", data, "photo_wrong_kind"


@case
def jpeg_start_only():
    return "a.jpg", b"\xff\xd8\xff\xe0", "photo_broken"


@case
def jpeg_cut_in_half():
    return "half.jpg", cut(saved(grained(), "JPEG"), 0.5), "photo_broken"


@case
def jpeg_cut_near_the_end():
    return "nearly.jpg", cut(saved(grained((2000, 1500)), "JPEG"), 0.98), "photo_broken"


@case
def large_jpeg_cut():
    return "cut12.jpg", cut(saved(seen((4000, 3000)), "JPEG", quality=95), 0.7), "photo_broken"


@case
def progressive_jpeg_cut():
    return "prog.jpg", cut(saved(grained(), "JPEG", progressive=True), 0.6), "photo_broken"


@case
def jpeg_with_impossible_code_tables():
    data = saved(grained(), "JPEG")
    at = data.index(b"\xff\xc4") + 5
    return "dht.jpg", data[:at] + b"\xff" * 16 + data[at + 16 :], "photo_broken"


@case
def jpeg_without_its_quantisers():
    return "dqt.jpg", saved(grained(), "JPEG").replace(b"\xff\xdb", b"\xff\xfe"), "photo_broken"


@case
def jpeg_lossless_frame():
    return "sof3.jpg", saved(grained(), "JPEG").replace(b"\xff\xc0", b"\xff\xc3", 1), "photo_broken"


@case
def jpeg_segment_longer_than_the_file():
    return "seg.jpg", b"\xff\xd8\xff\xe1\xff\xffExif\0\0II*\0", "photo_broken"


@case
def jpeg_claims_60000_by_60000():
    return "bomb.jpg", with_size(saved(grained(), "JPEG"), 0xC0, 60_000, 60_000), "photo_too_many_pixels"


@case
def jpeg_just_over_100_megapixels():
    return "101.jpg", with_size(saved(grained(), "JPEG"), 0xC0, 10_000, 10_001), "photo_too_many_pixels"


@case
def jpeg_of_no_height():
    return "flat.jpg", with_size(saved(grained(), "JPEG"), 0xC0, 480, 0), "photo_broken"


@case
def jpeg_of_four_thousand_passes():
    return "passes.jpg", many_passes(4000), "photo_too_many_passes"


@case
def png_claims_100000_by_100000():
    return "bomb.png", png(100_000, 100_000, chunk(b"IDAT", zlib.compress(b"\0" * 99))), "photo_too_many_pixels"


@case
def png_really_of_101_megapixels():
    rows = zlib.compress(bytes((10_100 // 8 + 1 + 1) * 10_000), 9)
    data = png(10_100, 10_000, chunk(b"IDAT", rows), chunk(b"IEND", b""), depth=1, colour=0)
    return "wide.png", data, "photo_too_many_pixels"


@case
def png_with_a_text_of_200_megabytes():
    bomb = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(200_000_000), 9))
    data = saved(seen((64, 64)), "PNG")
    return "text.png", data[:33] + bomb + data[33:], "photo_broken"


@case
def png_with_a_hundred_texts():
    bomb = chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(1_000_000), 9)) * 100
    data = saved(seen((64, 64)), "PNG")
    return "texts.png", data[:33] + bomb + data[33:], "photo_broken"


@case
def png_cut():
    return "cut.png", cut(saved(grained(), "PNG"), 0.5), "photo_broken"


@case
def png_with_a_flipped_bit():
    data = bytearray(saved(grained(), "PNG"))
    data[len(data) // 2] ^= 0x10
    return "bit.png", bytes(data), "photo_broken"


@case
def png_without_picture_data():
    return "none.png", png(64, 64, chunk(b"IEND", b"")), "photo_broken"


@case
def png_with_noise_for_data():
    return "idat.png", png(64, 64, chunk(b"IDAT", random.Random(4).randbytes(900)), chunk(b"IEND", b"")), "photo_broken"


@case
def png_with_too_little_data():
    return "few.png", png(640, 640, chunk(b"IDAT", zlib.compress(bytes(50))), chunk(b"IEND", b"")), "photo_broken"


@case
def png_of_no_width():
    return "zero.png", png(0, 64, chunk(b"IDAT", zlib.compress(b"")), chunk(b"IEND", b"")), "photo_broken"


@case
def webp_cut():
    return "cut.webp", cut(saved(grained(), "WEBP"), 0.5), "photo_broken"


@case
def webp_head_only():
    return "head.webp", b"RIFF\x1a\0\0\0WEBPVP8L\x0d\0\0\0", "photo_broken"


@case
def webp_claims_16384_by_16384():
    head = struct.pack("<I", 0) + struct.pack("<I", 16_383)[:3] + struct.pack("<I", 16_383)[:3]
    frame = saved(Image.new("RGB", (8, 8)), "WEBP")[12:]
    body = b"WEBPVP8X" + struct.pack("<I", 10) + head + frame
    return "bomb.webp", b"RIFF" + struct.pack("<I", len(body)) + body, "photo_too_many_pixels"


@case
def tiff_compressed_by_nobody_knows_what():
    return "odd.tif", tiff_of(64, 64, compression=34_661, tail=bytes(900)), "photo_broken"


@case
def tiff_with_noise_for_lzw():
    return "lzw.tif", tiff_of(64, 64, compression=5, tail=random.Random(6).randbytes(900)), "photo_broken"


@case
def tiff_of_floats():
    return "float.tif", saved(Image.new("F", SIZE, float("nan")), "TIFF"), "photo_unusual_colours"


@case
def tiff_in_lab_colours():
    return "lab.tif", saved(Image.new("LAB", SIZE), "TIFF"), "photo_unusual_colours"


@case
def tiff_cut():
    return "cut.tif", cut(saved(grained(), "TIFF", compression="tiff_lzw"), 0.5), "photo_broken"


@case
def tiff_directory_behind_the_end():
    return "ifd.tif", b"II*\0\xff\xff\xff\x7f", "photo_broken"


@case
def tiff_with_four_billion_strips():
    data = tiff((256, 4, 1, 64), (257, 4, 1, 64), (259, 3, 1, 1), (273, 4, 0xFFFFFFFF, 8), (279, 4, 0xFFFFFFFF, 8))
    return "strips.tif", data, "photo_broken"


@case
def tiff_claims_200000_by_200000():
    return "bomb.tif", tiff_of(200_000, 200_000, tail=bytes(100)), "photo_too_many_pixels"


@case
def heic_cut():
    return "cut.heic", cut(saved(grained(), "HEIF"), 0.5), "photo_broken"


@case
def heic_with_noise_inside():
    data = saved(grained(), "HEIF")
    at = data.index(b"mdat") + 4
    return "noise.heic", data[:at] + random.Random(7).randbytes(len(data) - at), "photo_broken"


@case
def heic_name_tag_only():
    return "tag.heic", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "photo_broken"


@case
def heic_claims_20000_by_20000():
    return "bomb.heic", sized_heic(20_000, 20_000), "photo_too_many_pixels"


@case
def avif_cut():
    return "cut.avif", cut(saved(grained(), "AVIF"), 0.5), "photo_broken"


@case
def avif_with_noise_inside():
    data = saved(grained(), "AVIF")
    at = data.index(b"mdat") + 4
    return "noise.avif", data[:at] + random.Random(8).randbytes(len(data) - at), "photo_broken"


@case
def avif_name_tag_only():
    return "tag.avif", b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf", "photo_broken"


@case
def avif_claims_40000_by_40000():
    data = saved(grained(), "AVIF")
    at = data.index(b"ispe") + 8
    return "bomb.avif", data[:at] + struct.pack(">II", 40_000, 40_000) + data[at + 8 :], "photo_broken"
