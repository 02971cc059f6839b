"""Pictures: good ones come out upright, bare and hashed; everything else is refused in a sentence."""

import hashlib
import io
import os
import subprocess
import sys
import time
from dataclasses import FrozenInstanceError

import pytest
from PIL import Image, ImageFile

from receiving import photos
from tests.hostile.photos import CASES, GOOD, SECRET, Good, cut, exif, grained, saved, seen, stored_as

MEMORY_CAP = 350 * 1024 * 1024


def opened(data):
    with Image.open(io.BytesIO(data)) as im:
        im.load()
        return im


def corner_colours(im):
    """The mean of a patch in each corner, from the top left: noise must not decide."""
    width, height = im.size
    for n in range(4):
        left, top = (n % 2) * width * 3 // 4, (n // 2) * height * 3 // 4
        patch = im.crop((left, top, left + max(1, width // 4), top + max(1, height // 4)))
        yield patch.resize((1, 1), Image.Resampling.BOX).getpixel((0, 0))


def assert_corners(im, expected):
    for n, (got, wanted) in enumerate(zip(corner_colours(im), expected, strict=True)):
        assert wanted is None or all(abs(a - b) < 36 for a, b in zip(got, wanted, strict=True)), (n, got, wanted)


def segments(jpeg):
    """The markers of a JPEG up to its data."""
    at, found = 2, []
    while jpeg[at + 1] != 0xDA:
        found.append(jpeg[at + 1])
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4])
    return found


@pytest.fixture(params=GOOD)
def good(request):
    return GOOD[request.param]()


def test_a_good_picture_is_taken_in_upright_and_its_copies_are_bare(good: Good):
    picture = photos.examine(good.data, filename=good.filename)

    assert (picture.format, (picture.width, picture.height)) == (good.format, good.size)
    assert picture.original == good.data
    assert picture.sha256 == hashlib.sha256(good.data).hexdigest()
    assert picture.byte_count == len(good.data)
    assert picture.taken_claim == good.taken
    for copy, side in ((picture.viewing, 1600), (picture.thumbnail, 320)):
        im = opened(copy)
        assert (im.format, im.mode) == ("JPEG", "RGB")
        assert max(im.size) == min(side, max(good.size))
        assert im.size[0] / im.size[1] == pytest.approx(good.size[0] / good.size[1], rel=0.02) or min(im.size) == 1
        assert_corners(im, good.corners)
        assert not set(segments(copy)) & {*range(0xE1, 0xF0), 0xFE}
        assert SECRET not in copy
        assert len(im.getexif()) == 0


def test_the_material_does_carry_what_the_copies_must_not():
    """Otherwise the test above would pass on pictures that had nothing to lose."""
    carrying = [name for name, make in GOOD.items() if SECRET in make().data]
    assert len([name for name in carrying if "orientation" in name]) >= 40
    with Image.open(io.BytesIO(GOOD["JPEG orientation 6"]().data)) as im:
        assert im.getexif().get_ifd(0x8825)[2] == (41.0, 52.0, 41.5)
        assert im.getexif()[0x0112] == 6


@pytest.mark.parametrize("name", CASES)
def test_a_hostile_picture_is_refused_in_a_sentence(name):
    filename, data, code = CASES[name]()
    started = time.process_time()
    with pytest.raises(photos.NotAPicture) as refusal:
        photos.examine(data, filename=filename)
    assert time.process_time() - started < 3
    message = refusal.value.message
    assert refusal.value.code == code
    assert message.startswith(f"{filename}: ")
    assert message.endswith(".")
    assert str(refusal.value) == message
    assert refusal.value.field == "photo"


def test_hostile_pictures_cost_little_memory(tmp_path):
    """All of them in one process of its own, whose address space may grow by 350 MB and no more."""
    for n, make in enumerate(CASES.values()):
        (tmp_path / f"{n:03}").write_bytes(make()[1])
    (tmp_path / "watch.py").write_text(
        "import pathlib, resource, sys\n"
        "import django\n"
        "django.setup()\n"
        "from receiving import photos\n"
        "photos.heic_readable(), photos.Image.init()\n"
        "now = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        f"resource.setrlimit(resource.RLIMIT_AS, (now + {MEMORY_CAP}, -1))\n"
        "refused = 0\n"
        "for path in sorted(pathlib.Path(sys.argv[1]).glob('[0-9]*')):\n"
        "    try:\n"
        "        photos.examine(path.read_bytes(), filename=path.name)\n"
        "    except photos.NotAPicture as why:\n"
        "        assert not isinstance(why.__cause__, MemoryError), path.name\n"
        "        refused += 1\n"
        "print(refused)\n"
    )
    done = subprocess.run(
        [sys.executable, tmp_path / "watch.py", tmp_path],
        capture_output=True,
        text=True,
        timeout=60,
        env={
            **os.environ,
            "PYTHONPATH": os.getcwd(),
            "DJANGO_SETTINGS_MODULE": "config.settings",
            "DATA_DIR": str(tmp_path / "data"),
            "INSECURE_HTTP": "1",
        },
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) == len(CASES)


def test_a_cut_jpeg_is_found_at_every_length_though_it_is_decoded_small():
    whole = saved(grained((3200, 2400)), "JPEG", quality=60)
    photos.examine(whole, filename="whole.jpg")
    for part in (0.02, 0.1, 0.35, 0.75, 0.9, 0.999):
        with pytest.raises(photos.BrokenPicture):
            photos.examine(cut(whole, part), filename="cut.jpg")


def test_a_cut_jpeg_is_found_though_another_library_allowed_cut_files():
    ImageFile.LOAD_TRUNCATED_IMAGES = True
    with pytest.raises(photos.BrokenPicture):
        photos.examine(cut(saved(grained(), "JPEG"), 0.5), filename="cut.jpg")


def test_an_open_file_gives_the_same_as_its_bytes():
    data = GOOD["JPEG orientation 6"]().data
    assert photos.examine(io.BytesIO(data), filename="a.jpg") == photos.examine(data, filename="a.jpg")


def test_an_open_file_is_never_read_beyond_the_cap():
    class Endless(io.RawIOBase):
        given = 0

        def read(self, size=-1):
            assert 0 <= size <= photos.MOST_BYTES + 1
            self.given += size
            return bytes(size)

    with pytest.raises(photos.TooManyBytes):
        photos.examine(Endless(), filename="endless.jpg")


def test_a_picture_of_exactly_the_caps_is_not_too_large():
    size = (10_000, 10_000)
    data = saved(Image.new("1", size, 1), "PNG")
    data += bytes(photos.MOST_BYTES - len(data))
    assert (photos.examine(data, filename="most.png").width, len(data)) == (10_000, 40_000_000)


def test_a_server_without_heic_says_what_to_do(settings):
    settings.HEIC = False
    with pytest.raises(photos.HeicSwitchedOff) as refusal:
        photos.examine(GOOD["HEIF orientation 1"]().data, filename="IMG_1.HEIC")
    assert refusal.value.code == "photo_heic_off"
    assert "'most compatible' (JPEG)" in refusal.value.message
    assert photos.examine(GOOD["AVIF orientation 1"]().data, filename="a.avif").format == "AVIF"


def test_a_server_without_the_library_for_heic_says_the_same(monkeypatch):
    photos._heic_opener.cache_clear()
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    try:
        with pytest.raises(photos.HeicSwitchedOff):
            photos.examine(GOOD["HEIF orientation 1"]().data, filename="IMG_1.HEIC")
    finally:
        photos._heic_opener.cache_clear()


def test_a_png_called_jpg_is_what_its_bytes_are():
    picture = photos.examine(saved(seen(), "PNG"), filename="photo.jpg")
    assert (picture.format, picture.content_type) == ("PNG", "image/png")


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("IMG_1.jpg", "IMG_1.jpg"),
        ("C:\\fakepath\\IMG_1.jpg", "IMG_1.jpg"),
        ("../../etc/passwd", "passwd"),
        ("a\u202egpj.exe", "agpj.exe"),
        ("a\0b\nc.jpg", "abc.jpg"),
        ("", "the photo"),
        ("caja dañada.jpg", "caja dañada.jpg"),
        ("x" * 300 + ".jpg", "x" * 40 + "…" + "x" * 12 + ".jpg"),
    ],
)
def test_a_file_name_is_shown_without_what_could_deceive(given, shown):
    assert photos.shown_name(given) == shown


def test_a_picture_cannot_be_changed():
    picture = photos.examine(saved(stored_as(1), "JPEG", exif=exif()), filename="a.jpg")
    with pytest.raises(FrozenInstanceError):
        picture.sha256 = "0"
