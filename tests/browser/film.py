"""Pictures of barcodes as a camera would see them, and films of them that Chromium plays as its camera.

Code 128, ITF and EAN modules by python-barcode, QR by segno: neither shares code with the reader that is tested.
"""

from base64 import b64encode
from io import BytesIO

import segno
from barcode.codex import Code128, Gs1_128
from barcode.ean import EuropeanArticleNumber13
from barcode.itf import ITF
from PIL import Image, ImageDraw, ImageFilter

SIZE = (1280, 720)
LINEAR = {"code128": Code128, "gs1": Gs1_128, "ean13": EuropeanArticleNumber13, "itf": ITF}


def bars(kind, text, *, module=3, height=260):
    """A linear symbol with its quiet zones."""
    modules = "".join(LINEAR[kind](text).build())
    picture = Image.new("L", ((len(modules) + 20) * module, height + 40), 255)
    draw = ImageDraw.Draw(picture)
    for place, one in enumerate(modules):
        if one == "1":
            left = (place + 10) * module
            draw.rectangle([left, 20, left + module - 1, height + 20], fill=0)
    return picture


def gs1(sscc):
    """GS1-128 with application identifier (00)."""
    return bars("gs1", f"00{sscc}")


def qr(text, *, scale=9):
    buffer = BytesIO()
    segno.make(text, error="m").save(buffer, kind="png", scale=scale, border=4)
    return Image.open(buffer).convert("L")


def seen(symbol, *, tilt=0, blur=0, glare=0):
    """The symbol on a carton in front of the camera: turned by `tilt` degrees, out of focus, with a blot of light."""
    picture = Image.new("L", SIZE, 150)
    label = Image.new("L", (symbol.width + 40, symbol.height + 40), 255)
    label.paste(symbol, (20, 20))
    mask = Image.new("L", label.size, 255).rotate(tilt, expand=True)
    label = label.rotate(tilt, expand=True, fillcolor=150, resample=Image.Resampling.BICUBIC)
    picture.paste(label, ((SIZE[0] - label.width) // 2, (SIZE[1] - label.height) // 2), mask)
    if glare:
        light = Image.new("L", SIZE, 0)
        ImageDraw.Draw(light).ellipse([520, 150, 760, 430], fill=glare)
        light = light.filter(ImageFilter.GaussianBlur(60))
        picture = Image.composite(Image.new("L", SIZE, 255), picture, light)
    return picture.filter(ImageFilter.GaussianBlur(blur)) if blur else picture


def film(path, *scenes, seconds=2, fps=10):
    """A motion JPEG of each scene for some seconds, grey in between; Chromium plays it over and over."""
    grey = Image.new("L", SIZE, 150)
    with path.open("wb") as out:
        for scene in scenes:
            for picture, share in ((scene, seconds), (grey, 1)):
                buffer = BytesIO()
                picture.convert("RGB").save(buffer, "JPEG", quality=85)
                out.write(buffer.getvalue() * int(fps * share))
    return path


def encoded(picture):
    """A JPEG of the picture as text."""
    buffer = BytesIO()
    picture.convert("RGB").save(buffer, "JPEG", quality=80)
    return b64encode(buffer.getvalue()).decode()
