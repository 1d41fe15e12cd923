"""Pages of a template too large for one, joined by their printed crosses.
Usage: tiles.py FOLDER, which holds large-*.pdf and large.svg (the press stage's example large_sheets)

Then it damages the sheets, and fails if a damage goes unnoticed.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np
import pdfplumber
import pypdf
from shapely import LineString, Point, Polygon, affinity, box
from shapely.ops import unary_union

import press_sheets
import svg_files

WITHIN_MM = 0.1
CROSS_MM = 10.0
# The least contour of the emblem is longer, and nothing else drawn as a curve is.
EMBLEM_MIN_MM = 150.0
DPI = 100
STEP_MM = 1.0
PT = press_sheets.POINTS_PER_MM


@dataclass
class Tile:
    """One page, in mm from its top left."""

    number: int
    window: Polygon
    crosses: dict[str, tuple[float, float]]
    # The outline's lines in the window.
    lines: LineString


def main() -> int:
    folder = FilePath(sys.argv[1])
    drawn = svg_files.read_artwork(folder / "large.svg")
    failed = False
    for sheet in sorted(folder.glob("large-*.pdf")):
        found = problems(sheet, drawn)
        print(f"{sheet.name}: {'; '.join(found) or 'joins to the outline'}")
        failed = failed or bool(found)
        with tempfile.TemporaryDirectory() as scratch:
            harmed = FilePath(scratch) / "harmed.pdf"
            for words, harm in HARMS.items():
                writer = pypdf.PdfWriter(clone_from=sheet)
                harm(writer)
                writer.write(harmed)
                if not problems(harmed, drawn):
                    print(f"  damage went unnoticed: {words}")
                    failed = True
    return int(failed)


def problems(sheet: FilePath, drawn) -> list[str]:
    found = press_sheets.structure(pypdf.PdfReader(sheet), ["100 mm", "Tile A1"])
    found += press_sheets.bars(sheet)
    tiles = read(sheet)
    if len(tiles) < 4:
        return found + [f"only {len(tiles)} tiles"]
    places, gaps = joined(tiles)
    if len(places) < len(tiles):
        return found + [f"{len(tiles) - len(places)} tiles share no cross with the rest"]
    if max(gaps) > WITHIN_MM:
        found.append(f"crosses of one number lie {max(gaps):.3f} mm apart")
    moved = [affinity.translate(t.lines, *places[t.number]) for t in tiles]
    return found + against(unary_union(moved), drawn, sheet, tiles, places)


def read(sheet: FilePath) -> list[Tile]:
    tiles = []
    with pdfplumber.open(sheet) as pdf:
        for number, page in enumerate(pdf.pages, 1):
            if "Tile" not in (page.extract_text() or ""):
                continue
            window = frame(page)
            rings = [r for c in page.curves for r in press_sheets.contours(c["path"])]
            large = [LineString(r + r[:1]) for r in rings if Polygon(r).length > EMBLEM_MIN_MM]
            within = unary_union(large).intersection(window)
            tiles.append(Tile(number, window, crosses(page, window), within))
    return tiles


def frame(page) -> Polygon:
    """The frame round the part that is shown."""
    boxes = [(r["x0"], r["top"], r["x1"], r["bottom"]) for r in page.rects]
    boxes = [[v / PT for v in b] for b in boxes]
    large = [b for b in boxes if b[2] - b[0] > 120 and b[3] - b[1] > 120]
    if not large:
        raise ValueError(f"page {page.page_number} has no frame")
    return box(*max(large, key=lambda b: (b[2] - b[0]) * (b[3] - b[1])))


def crosses(page, window: Polygon) -> dict[str, tuple[float, float]]:
    """Middles of the numbered crosses in the frame."""
    across, down = [], []
    for line in page.lines:
        width, height = float(line["width"]) / PT, float(line["height"]) / PT
        middle = ((line["x0"] + line["x1"]) / 2 / PT, (line["top"] + line["bottom"]) / 2 / PT)
        if abs(width - CROSS_MM) < 0.2 and height < 0.01:
            across.append(middle)
        elif abs(height - CROSS_MM) < 0.2 and width < 0.01:
            down.append(middle)
    middles = [a for a in across if any(np.hypot(a[0] - d[0], a[1] - d[1]) < 0.05 for d in down)]
    found = {}
    for word in page.extract_words():
        if not word["text"].isdigit() or not middles:
            continue
        # A number stands to the upper right of its cross.
        at = (word["x0"] / PT - 1, word["bottom"] / PT)
        near = min(middles, key=lambda m: np.hypot(m[0] - at[0], m[1] - at[1]))
        if np.hypot(near[0] - at[0], near[1] - at[1]) < 3 and window.contains(Point(near)):
            found[word["text"]] = near
    return found


def joined(tiles: list[Tile]) -> tuple[dict[int, tuple[float, float]], list[float]]:
    """Where each page lies when crosses of one number meet, and how far they miss each other."""
    places = {tiles[0].number: (0.0, 0.0)}
    waiting, gaps = tiles[1:], [0.0]
    for _ in tiles:
        known = {}
        for tile in tiles:
            if tile.number in places:
                x, y = places[tile.number]
                known |= {n: (p[0] + x, p[1] + y) for n, p in tile.crosses.items()}
        for tile in [t for t in waiting if t.crosses.keys() & known.keys()]:
            away = [np.subtract(known[n], p) for n, p in tile.crosses.items() if n in known]
            places[tile.number] = tuple(np.mean(away, axis=0))
            waiting.remove(tile)
    for a in tiles:
        for b in tiles:
            for n in a.crosses.keys() & b.crosses.keys():
                if a.number in places and b.number in places:
                    p = np.add(a.crosses[n], places[a.number])
                    q = np.add(b.crosses[n], places[b.number])
                    gaps.append(float(np.hypot(*(p - q))))
    return places, gaps


def against(whole, drawn, sheet: FilePath, tiles: list[Tile], places) -> list[str]:
    """The joined lines against the drawing's edge, and whether all of it is printed."""
    a0, b0, _, _ = whole.bounds
    x0, y0, _, _ = drawn.bounds
    wanted = affinity.translate(drawn, a0 - x0, b0 - y0).boundary
    found = []
    off = max(wanted.hausdorff_distance(whole), whole.hausdorff_distance(wanted))
    if off > WITHIN_MM:
        found.append(f"joined, the outline is {off:.3f} mm off")
    pages = {t.number: raster(sheet, t.number) for t in tiles}
    bare = sum(not inked(wanted.interpolate(k * STEP_MM), tiles, places, pages)
               for k in range(int(wanted.length / STEP_MM)))
    if bare:
        found.append(f"{bare * STEP_MM:.0f} mm of the outline are printed on no page")
    return found


def inked(at: Point, tiles: list[Tile], places, pages) -> bool:
    """Whether some page shows the edge here."""
    for tile in tiles:
        x, y = at.x - places[tile.number][0], at.y - places[tile.number][1]
        page = pages[tile.number]
        i, j = int(x * DPI / 25.4), int(y * DPI / 25.4)
        if tile.window.contains(Point(x, y)) and page[max(j - 1, 0) : j + 2, max(i - 1, 0) : i + 2].min() < 160:
            return True
    return False


def raster(sheet: FilePath, number: int) -> np.ndarray:
    run = subprocess.run(
        ["pdftoppm", "-r", str(DPI), "-f", str(number), "-l", str(number), "-gray", str(sheet)],
        check=True,
        capture_output=True,
    )
    _, size, _, pixels = run.stdout.split(b"\n", 3)
    width, height = map(int, size.split())
    return np.frombuffer(pixels, dtype=np.uint8, count=width * height).reshape(height, width)


def tile_pages(writer: pypdf.PdfWriter) -> list:
    return [p for p in writer.pages if "Tile" in p.extract_text()]


def shrink_one(writer: pypdf.PdfWriter) -> None:
    tile_pages(writer)[1].add_transformation(pypdf.Transformation().scale(0.999))


def leave_one_out(writer: pypdf.PdfWriter) -> None:
    last = tile_pages(writer)[-1]
    number = next(i for i, p in enumerate(writer.pages) if p.indirect_reference == last.indirect_reference)
    writer.remove_page(number)


HARMS = {"one tile printed at 99.9 %": shrink_one, "one tile missing": leave_one_out}

if __name__ == "__main__":
    sys.exit(main())
