"""Press sheets read by two PDF libraries that know nothing of the program."""

from __future__ import annotations

from pathlib import Path as FilePath

import pdfplumber
import pypdf
from shapely import Polygon

from areas import Ring

# ISO 32000-1, section 8.3.2.3: the default user space unit is 1/72 inch.
POINTS_PER_MM = 72 / 25.4
# ISO 216 (A4) and ANSI/ASME Y14.1 (Letter), in millimetres.
PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
POINTS_PER_CURVE = 60


def problems(file: FilePath, expected: Polygon | None, texts: list[str]) -> list[str]:
    """What is wrong with a sheet that should show `expected`, the largest contour as worn; `None`
    where the outline is cut up into tiles."""
    found = structure(pypdf.PdfReader(file), texts) + bars(file)
    return found if expected is None else found + outline(file, expected)


def structure(reader: pypdf.PdfReader, texts: list[str]) -> list[str]:
    """Page sizes, fonts, words."""
    found = []
    for number, page in enumerate(reader.pages, 1):
        if float(page.get("/UserUnit", 1)) != 1:
            found.append(f"page {number} changes the unit of length")
        sides = (float(page.mediabox.width), float(page.mediabox.height))
        paper = [s / POINTS_PER_MM for s in sides]
        if not any(all(abs(a - b) < 0.01 for a, b in zip(paper, p)) for p in PAPERS.values()):
            found.append(f"page {number} is {paper[0]:.2f} x {paper[1]:.2f} mm, no paper size")
        for name, font in page["/Resources"].get("/Font", {}).items():
            if not is_embedded(font.get_object()):
                found.append(f"page {number}: font {name} is not embedded")
    words = "".join(page.extract_text() for page in reader.pages)
    return found + [f"the words {t!r} are missing" for t in texts if squeezed(t) not in squeezed(words)]


def is_embedded(font: pypdf.generic.DictionaryObject) -> bool:
    if font.get("/Subtype") == "/Type3":
        return True
    inner = [f.get_object() for f in font.get("/DescendantFonts", [font])]
    files = ("/FontFile", "/FontFile2", "/FontFile3")
    return all(any(k in f["/FontDescriptor"].get_object() for k in files) for f in inner)


def squeezed(text: str) -> str:
    """Without white space: readers disagree where words end."""
    return "".join(text.split())


def bars(file: FilePath) -> list[str]:
    """The bars that check the printer."""
    with pdfplumber.open(file) as pdf:
        lines = [line for page in pdf.pages for line in page.lines]
    found = []
    for name, way in (("across", "width"), ("down", "height")):
        lengths = [float(line[way]) / POINTS_PER_MM for line in lines]
        if not any(abs(length - 100) < 0.01 for length in lengths):
            found.append(f"no bar of 100.00 mm {name}")
    return found


def outline(file: FilePath, expected: Polygon) -> list[str]:
    """The outline at true size, not mirrored."""
    with pdfplumber.open(file) as pdf:
        rings = [ring for page in pdf.pages for c in page.curves for ring in contours(c["path"])]
    best = min((mismatch(ring, expected) for ring in rings), default=float("inf"))
    if best > 0.02:
        return [f"the outline as worn is not there at true size (best is {best:.3f} mm off)"]
    return []


def mismatch(ring: Ring, expected: Polygon) -> float:
    """How far a ring lies from the expected contour, both with their corner at the origin: the
    Hausdorff distance in mm; infinite for one of another size."""
    x0, y0, x1, y1 = expected.bounds
    shape = Polygon(ring)
    a0, b0, a1, b1 = shape.bounds
    if abs((a1 - a0) - (x1 - x0)) > 0.1 or abs((b1 - b0) - (y1 - y0)) > 0.1:
        return float("inf")
    moved = Polygon([(x - a0 + x0, y - b0 + y0) for x, y in ring])
    return moved.exterior.hausdorff_distance(expected.exterior)


def contours(path: list[tuple]) -> list[Ring]:
    """A drawn path's contours in millimetres, y down."""
    rings: list[Ring] = []
    for operation, *points in path:
        if operation == "m":
            rings.append([points[0]])
        elif operation == "l":
            rings[-1].append(points[0])
        elif operation == "c":
            rings[-1].extend(cubic(rings[-1][-1], *points))
    millimetres = [[(x / POINTS_PER_MM, y / POINTS_PER_MM) for x, y in ring] for ring in rings]
    return [ring for ring in millimetres if len(ring) > 3]


def cubic(p0, p1, p2, p3) -> Ring:
    points = []
    for i in range(1, POINTS_PER_CURVE + 1):
        t = i / POINTS_PER_CURVE
        w = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
        points.append(tuple(sum(k * p[a] for k, p in zip(w, (p0, p1, p2, p3))) for a in (0, 1)))
    return points
