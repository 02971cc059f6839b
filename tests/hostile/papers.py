"""PDF files that must not be taken in, made by hand; each with the code of its refusal."""

import io
import struct
import zlib

import pikepdf


def pdf(pages=1, *, change=None, **save):
    """A plain PDF of so many blank pages. `change(pdf)` may spoil it first."""
    with pikepdf.new() as made:
        for _page in range(pages):
            made.add_blank_page()
        if change:
            change(made)
        out = io.BytesIO()
        made.save(out, **save)
    return out.getvalue()


def action(**entries):
    def change(made):
        made.Root.OpenAction = pikepdf.Dictionary(**entries)

    return change


def buried(made):
    """A script inside an annotation inside a page."""
    script = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.beep()")
    made.pages[0].Annots = [pikepdf.Dictionary(AA=pikepdf.Dictionary(E=script))]


def holding_a_file(made):
    made.attachments["list.txt"] = b"hidden"


def deep(made):
    """A script behind more steps than anybody would follow."""
    step = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.beep()")
    for _step in range(70):
        step = pikepdf.Dictionary(S=pikepdf.Name.GoTo, D=[0], Next=step)
    made.Root.OpenAction = step


def below_a_parent(made):
    made.Root.Odd = pikepdf.Dictionary(Parent=pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS="app.beep()"))


def bomb(size=600_000_000):
    """A PDF of half a megabyte whose object stream unpacks to `size` bytes."""
    out, offsets = b"%PDF-1.5\n", {}
    packed = zlib.compress(b"5 0 <</Type/Pages/Kids[]/Count 0>>" + b" " * size, 9)
    stream = b"<</Type/ObjStm/N 1/First 4/Filter/FlateDecode/Length %d>>stream\n" % len(packed)
    bodies = {1: b"<</Type/Catalog/Pages 5 0 R>>", 2: stream + packed + b"\nendstream"}
    for number, body in bodies.items():
        offsets[number] = len(out)
        out += b"%d 0 obj\n" % number + body + b"\nendobj\n"
    table = [(0, 0, 65535), (1, offsets[1], 0), (1, offsets[2], 0), (1, len(out), 0), (0, 0, 0), (2, 2, 0)]
    rows = b"".join(struct.pack(">BIH", *row) for row in table)
    start = len(out)
    out += b"3 0 obj\n<</Type/XRef/Size 6/W[1 4 2]/Root 1 0 R/Length %d>>stream\n" % len(rows) + rows
    return out + b"\nendstream\nendobj\nstartxref\n%d\n%%%%EOF" % start


BAD = {
    "empty": (b"", "paper_empty"),
    "only a beginning": (b"%PDF-1.7\n", "paper_broken"),
    "cut in half": (pdf(pages=5)[:300], "paper_broken"),
    "text": (b"Dear sirs, we regret", "paper_wrong_kind"),
    "a page of HTML": (b"<!doctype html><script>alert(1)</script>", "paper_wrong_kind"),
    "a program": (b"\x7fELF" + bytes(200), "paper_wrong_kind"),
    "an archive": (b"PK\x03\x04" + bytes(200), "paper_wrong_kind"),
    "half a picture": (b"\xff\xd8\xff\xe0" + bytes(200), "photo_broken"),
    "locked": (pdf(encryption=pikepdf.Encryption(owner="o", user="u")), "paper_locked"),
    "locked against printing": (pdf(encryption=pikepdf.Encryption(owner="o", user="")), "paper_locked"),
    "without pages": (pdf(pages=0), "paper_broken"),
    "too many pages": (pdf(pages=201), "paper_too_long"),
    "a script": (pdf(change=action(S=pikepdf.Name.JavaScript, JS="app.alert(1)")), "paper_active"),
    "a launch": (pdf(change=action(S=pikepdf.Name.Launch, F="x.exe")), "paper_active"),
    "a form that sends": (pdf(change=action(S=pikepdf.Name.SubmitForm, F="http://a.example")), "paper_active"),
    "a script in a note": (pdf(change=buried), "paper_active"),
    "a script far down": (pdf(change=deep), "paper_active"),
    "a script above": (pdf(change=below_a_parent), "paper_active"),
    "an address that opens by itself": (pdf(change=action(S=pikepdf.Name.URI, URI="http://a.example")), "paper_active"),
    "a file elsewhere": (pdf(change=action(S=pikepdf.Name.GoToR, F="//a.example/x")), "paper_active"),
    "a file inside": (pdf(change=holding_a_file), "paper_active"),
    "too large": (b"%PDF-1.7\n" + bytes(25 * 1024 * 1024), "paper_too_large"),
    "bomb": (bomb(), "paper_broken"),
}
