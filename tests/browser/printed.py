"""The text of a PDF that Chromium printed, with its place on each page."""

import re
import unicodedata
import zlib
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Page", "pages_of"]

_OBJECT = re.compile(rb"(?s)\b(\d+) 0 obj\s*(.*?)\s*endobj")
_STREAM = re.compile(rb"(?s)stream\r?\n(.*)\r?\nendstream")
_NUMBER = r"-?\d*\.?\d+"
_STEP = re.compile(
    rf"(?P<matrix>(?:{_NUMBER} ){{6}})(?P<which>cm|Tm)\b|(?P<save>\bq\b)|(?P<back>\bQ\b)"
    r"|/(?P<font>\S+) \S+ Tf|<(?P<glyphs>[0-9A-Fa-f]+)> ?Tj|(?P<end>\bET\b)"
)


@dataclass(frozen=True)
class Page:
    """One printed page: its height [pt], and pieces of text with their height from the top."""

    height: float
    pieces: tuple[tuple[float, str], ...]

    @property
    def text(self) -> str:
        """All of it without spaces, in the order in which it was drawn."""
        whole = unicodedata.normalize("NFKC", "".join(text for _, text in self.pieces))
        return re.sub(r"\s+", "", whole)

    def lowest(self, foot: float = 0.94) -> float:
        """How far down the page its text reaches, as a share; what stands below `foot` not."""
        return max((y for y, _ in self.pieces if y < foot * self.height), default=0.0) / self.height


def pages_of(pdf: Path) -> list[Page]:
    """The pages of a PDF in their order."""
    objects = {int(m[1]): m[2] for m in _OBJECT.finditer(pdf.read_bytes())}
    roots = (
        re.search(rb"/Type\s*/Catalog\b.*?/Pages (\d+)", o, re.DOTALL) for o in objects.values()
    )
    return _below(objects, int(next(filter(None, roots))[1]))


def _kids(tree: bytes) -> list[int]:
    found = re.search(rb"/Kids\s*\[(.*?)\]", tree, re.DOTALL)
    return [int(k) for k in re.findall(rb"(\d+) 0 R", found[1])] if found else []


def _below(objects: dict[int, bytes], place: int) -> list[Page]:
    at = objects[place]
    if re.search(rb"/Type\s*/Pages\b", at):
        return [page for kid in _kids(at) for page in _below(objects, kid)]
    fonts = {
        name.decode(): _letters(objects, int(number))
        for name, number in re.findall(rb"/(F\d+) (\d+) 0 R", at)
    }
    box = re.search(rb"/MediaBox \[\S+ \S+ \S+ (\S+)\]", at)
    contents = re.search(rb"/Contents (\d+)", at)
    assert box is not None
    assert contents is not None
    text = _stream(objects[int(contents[1])]).decode("latin-1")
    return [Page(float(box[1]), tuple(_pieces(text, fonts, float(box[1]))))]


def _stream(held: bytes) -> bytes:
    found = _STREAM.search(held)
    assert found is not None
    return zlib.decompress(found[1]) if b"/FlateDecode" in held[: found.start()] else found[1]


def _letters(objects: dict[int, bytes], font: int) -> dict[str, str]:
    """What each glyph of a font stands for, by its code in hexadecimal digits."""
    found = re.search(rb"/ToUnicode (\d+)", objects[font])
    if found is None:
        return {}
    made: dict[str, str] = {}
    text = _stream(objects[int(found[1])]).decode("latin-1")
    for block in re.findall(r"beginbfchar(.*?)endbfchar", text, re.DOTALL):
        for code, letter in re.findall(r"<(\w+)>\s*<(\w+)>", block):
            made[code.upper()] = bytes.fromhex(letter).decode("utf-16-be")
    for block in re.findall(r"beginbfrange(.*?)endbfrange", text, re.DOTALL):
        for low, high, letter in re.findall(r"<(\w+)>\s*<(\w+)>\s*<(\w+)>", block):
            for k in range(int(high, 16) - int(low, 16) + 1):
                made[f"{int(low, 16) + k:0{len(low)}X}"] = chr(int(letter, 16) + k)
    return made


def _pieces(text: str, fonts: dict[str, dict[str, str]], height: float) -> list[tuple[float, str]]:
    """Pieces of text with their distance from the top [pt]; no page is turned."""
    made: list[tuple[float, str]] = []
    kept: list[tuple[float, float]] = []
    scale, shift, y = 1.0, 0.0, 0.0
    letters: dict[str, str] = {}
    piece = ""
    for step in _STEP.finditer(text):
        if step["save"]:
            kept.append((scale, shift))
        elif step["back"] and kept:
            scale, shift = kept.pop()
        elif step["matrix"]:
            numbers = [float(n) for n in step["matrix"].split()]
            if step["which"] == "cm":
                scale, shift = scale * numbers[3], shift + scale * numbers[5]
            else:
                y = height - (shift + scale * numbers[5])
        elif step["font"]:
            letters = fonts.get(step["font"], {})
        elif step["glyphs"]:
            codes = re.findall("." * max(map(len, letters), default=4), step["glyphs"].upper())
            piece += "".join(letters.get(code, "?") for code in codes)
        elif step["end"]:
            made.append((y, piece))
            piece = ""
    return made
