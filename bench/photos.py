"""One photo of twelve megapixels taken in, against one bare decode of the same bytes.

`photos.examine` checks and hashes the bytes, decodes them and makes the viewing copy and the thumbnail. Once with a
colour profile, which costs a conversion, and once without. Interleaved; goal: at most 2.5 times the decode.
"""

import io
import os
import statistics
import tempfile
import time

import bench

GOAL = 2.5
SIZE = (4000, 3000)
QUALITY = 90
ROUNDS = 25
WARM = 2


def example(profile):
    """A JPEG with edges, colours and the grain of a sensor, as large as a phone's."""
    from PIL import Image, ImageDraw, ImageFilter

    grain = Image.merge("RGB", [Image.effect_noise(SIZE, 18) for _ in range(3)])
    scene = Image.radial_gradient("L").resize(SIZE)
    scene = Image.merge("RGB", [scene, scene.transpose(0), scene.point(lambda value: value // 2)])
    draw = ImageDraw.Draw(scene)
    for step in range(60):
        left, top = step * 613 % SIZE[0], step * 389 % SIZE[1]
        draw.rectangle((left, top, left + 350, top + 250), fill=(90 + step, 70 + step, 40 + step), outline="black")
    picture = Image.blend(scene.filter(ImageFilter.GaussianBlur(1)), grain, 0.3)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, icc_profile=profile)
    return out.getvalue()


def profile_of_a_camera():
    """A colour profile of red, green, blue that is not the copies' own: sRGB with its red and its blue exchanged."""
    from PIL import ImageCms

    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    places = {}
    for at in range(132, 132 + 12 * int.from_bytes(data[128:132]), 12):
        places[bytes(data[at : at + 4])] = at
    red, blue = places[b"rXYZ"] + 4, places[b"bXYZ"] + 4
    data[red : red + 8], data[blue : blue + 8] = data[blue : blue + 8], data[red : red + 8]
    return bytes(data)


def take_in(data):
    from receiving import photos

    picture = photos.examine(data, filename="bench.jpg")
    assert (picture.width, picture.height) == SIZE


def bare(data):
    from PIL import Image

    Image.open(io.BytesIO(data)).load()


def timed(call, data):
    start = time.perf_counter()
    call(data)
    return time.perf_counter() - start


def measure(name, data):
    found = [(timed(take_in, data), timed(bare, data)) for _ in range(WARM + ROUNDS)][WARM:]
    ours, bound = (statistics.median(column) for column in zip(*found, strict=True))
    print(
        f"{name}: {len(data) / 1e6:.1f} MB, {len(found)} rounds: {ours * 1000:.0f} ms against {bound * 1000:.0f} ms "
        "for the bare decode"
    )
    return bench.told(name, ours / bound, [one / other for one, other in found], GOAL)


def main():
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"DJANGO_SETTINGS_MODULE": "config.settings", "DATA_DIR": scratch, "INSECURE_HTTP": "1"}
        import django

        django.setup()
        plain = measure("photo without a profile", example(None))
        return max(plain, measure("photo with a colour profile", example(profile_of_a_camera())))


if __name__ == "__main__":
    raise SystemExit(main())
