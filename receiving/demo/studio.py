"""Writes on the drawn pictures: a carton's own label, a seal's own number, what a carrier's receipt says. Pillow only.

The ink is multiplied onto what the picture shows there, so its light, grain and creases stay.
"""

import json
import math
import random
from functools import cache
from io import BytesIO
from pathlib import Path

from PIL import Image, ImageChops, ImageDraw, ImageFilter, ImageFont

PICTURES = Path(__file__).resolve().parent.parent.parent / "fixtures" / "pictures"
FONTS = Path(__file__).resolve().parent.parent / "documents" / "fonts"
MONO, PLAIN, BOLD = "AtkinsonHyperlegibleMono-Regular", "AtkinsonHyperlegible-Regular", "AtkinsonHyperlegible-Bold"
QUALITY = 60
NEAR = 400
THUMBNAIL = (320, 240)
HAND = (32, 52, 128)


@cache
def spots():
    """{picture's name without ending: {what is blank there: its four corners}}"""
    return json.loads((PICTURES / "spots.json").read_text(encoding="utf-8"))


@cache
def base(name):
    with Image.open(PICTURES / f"{name}.jpg") as picture:
        return picture.convert("RGB")


@cache
def font(size, name=BOLD):
    return ImageFont.truetype(str(FONTS / f"{name}.ttf"), size)


def taken(name, what, card):
    """(JPEG, its thumbnail as JPEG, its size) of this picture with `card`, ink on white, on its blank spot."""
    picture = with_ink(name, what, card)
    return jpeg(picture), jpeg(picture.resize(THUMBNAIL, reducing_gap=2)), picture.size


def inked(name, what, card) -> bytes:
    return jpeg(with_ink(name, what, card))


def jpeg(picture):
    out = BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def with_ink(name, what, card):
    picture = base(name).copy()
    corners = spots()[name][what]
    left, top = (math.floor(min(corner[axis] for corner in corners)) for axis in (0, 1))
    right, bottom = (math.ceil(max(corner[axis] for corner in corners)) for axis in (0, 1))
    # Twice the size and scaled down again where the print is small: a warp alone leaves it ragged.
    times = 2 if right - left < NEAR else 1
    bend = perspective([(times * (x - left), times * (y - top)) for x, y in corners], card.size)
    size = (times * (right - left), times * (bottom - top))
    warped = card.transform(size, Image.Transform.PERSPECTIVE, bend, Image.Resampling.BILINEAR, fillcolor="white")
    ink = warped.reduce(times).convert("RGB")
    box = (left, top, left + ink.width, top + ink.height)
    picture.paste(ImageChops.multiply(picture.crop(box), ink), box)
    return picture


def perspective(spot, size):
    """The eight numbers that bring each point of the picture back to the card: solved by Gauss."""
    width, height = size
    rows = []
    for (x, y), (u, v) in zip(spot, [(0, 0), (width, 0), (width, height), (0, height)], strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y, u])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y, v])
    for column in range(8):
        pivot = max(range(column, 8), key=lambda row: abs(rows[row][column]))
        rows[column], rows[pivot] = rows[pivot], rows[column]
        rows[column] = [value / rows[column][column] for value in rows[column]]
        for row in range(8):
            if row != column:
                factor = rows[row][column]
                rows[row] = [a - factor * b for a, b in zip(rows[row], rows[column], strict=True)]
    return [row[8] for row in rows]


# -- cards -------------------------------------------------------------------------------------------------------------


def sheet(width, height, mode="L"):
    card = Image.new(mode, (width, height), "white")
    return card, ImageDraw.Draw(card)


def label(store, serial):
    """The address label of a carton."""
    card, ink = sheet(450, 320)
    ink.text((20, 6), "STORE", font=font(32), fill="black")
    ink.text((20, 34), store, font=font(115), fill="black")
    ink.line((15, 165, 435, 165), fill="black", width=3)
    bars(ink, (25, 180, 425, 268), serial)
    ink.text((225, 294), serial, font=fitting(serial, MONO, 34, 420), fill="black", anchor="mm")
    return card


def far_label():
    """A label that the camera could not read."""
    card, ink = sheet(450, 320)
    for row, width in enumerate((0.45, 0.65, 0.3)):
        ink.rectangle((25, 30 + row * 45, 25 + 400 * width, 55 + row * 45), fill=120)
    bars(ink, (25, 180, 425, 268), "far")
    return card.filter(ImageFilter.GaussianBlur(5))


def close_label(store, serial, order):
    """The same label from near."""
    card, ink = sheet(1400, 1100)
    ink.text((50, 34), "DELIVER TO STORE", font=font(52), fill="black")
    ink.text((46, 84), store, font=font(290), fill="black")
    for y, words in ((130, order and f"ORDER {order}"), (220, "1 OF 1")):
        ink.text((800, y), words, font=font(56, MONO), fill="black")
    ink.line((8, 430, 1392, 430), fill="black", width=5)
    ink.text((50, 450), "SSCC", font=font(52), fill="black")
    bars(ink, (110, 530, 1290, 900), serial)
    words = f"(00) {serial}"
    ink.text((700, 985), words, font=fitting(words, MONO, 78, 1180), fill="black", anchor="mm")
    return card


def seal(number, letter):
    card, ink = sheet(900, 300, "RGB")
    ink.text((54, 70), number, font=fitting(number, BOLD, 150, 650), fill=(30, 26, 20))
    ink.text((742, 92), letter, font=font(120), fill=(30, 26, 20))
    return card


def receipt(facts, exceptions):
    """A carrier's delivery receipt. facts -- (words, what is written there); exceptions -- lines by hand"""
    card, ink = sheet(1200, 1450, "RGB")
    ink.text((60, 50), "DELIVERY RECEIPT", font=font(78), fill="black")
    ink.text((60, 150), "carrier copy", font=font(44, PLAIN), fill=(90, 90, 96))
    for row, (words, written) in enumerate(facts):
        y = 240 + row * 84
        ink.text((60, y), words, font=font(42, PLAIN), fill=(80, 80, 86))
        ink.line((300, y + 56, 1140, y + 56), fill=(160, 160, 166), width=3)
        ink.text((320, y - 8), written, font=fitting(written, PLAIN, 52, 810), fill=HAND)
    ink.rectangle((50, 700, 1150, 1080), outline="black", width=4)
    ink.text((66, 712), "EXCEPTIONS", font=font(40), fill="black")
    for row, words in enumerate(exceptions[:3]):
        ink.text((110, 774 + row * 94), words, font=fitting(words, PLAIN, 66, 1010), fill=HAND)
    for left, words in ((60, "Driver"), (640, "Received by")):
        ink.line((left, 1330, left + 480, 1330), fill="black", width=4)
        ink.text((left, 1346), words, font=font(40, PLAIN), fill=(80, 80, 86))
        ink.line(scrawl(left), fill=HAND, width=7, joint="curve")
    return card


def scrawl(left):
    return [
        (left + 30 + n * 6 + 26 * math.sin(n * 0.55), 1260 + 46 * math.cos(n * 0.47) * (1 - n / 110)) for n in range(66)
    ]


def fitting(words, name, size, width):
    """The font in this size, or smaller where the words would be wider."""
    length = font(size, name).getlength(words)
    return font(size, name) if length <= width else font(max(8, int(size * width / length)), name)


def bars(ink, box, text, fill=36):
    """Bars that look like a code and are none: nobody shall scan a drawing."""
    rng = random.Random(text)
    x, right = box[0], box[2]
    unit = (right - x) / 800
    while x < right - 14 * unit:
        width = rng.choice([4, 4, 8, 12]) * unit
        ink.rectangle((x, box[1], x + width, box[3]), fill=fill)
        x += width + rng.choice([5, 5, 9, 13]) * unit
