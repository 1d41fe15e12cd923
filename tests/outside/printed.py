"""Press sheets as a printer sees them: rasterised by poppler at 600 dpi and measured."""

from __future__ import annotations

import subprocess
from pathlib import Path as FilePath

import numpy as np
import pdfplumber
from shapely import LineString, Point, Polygon

import press_sheets

DPI = 600
PX_PER_MM = DPI / 25.4
# How far the drawn edge may lie from the artwork's, and how much of it may lie under other ink.
WITHIN_MM = 0.05
HIDDEN_SHARE = 0.35
STEP_MM = 0.5
REACH_MM = 0.45
# The template fills the emblem in a pale grey and draws its edge 0.2 mm wide in black.
DARK = 128


def problems(file: FilePath, expected: Polygon) -> list[str]:
    """Whether the outline on the sheet is true to `expected`, the largest contour as worn."""
    number, placed = where(file, expected)
    if placed is None:
        return ["the outline is on no page whole"]
    page = raster(file, number)
    offsets = [offset(page, *spot) for spot in normals(placed)]
    seen = [mm for mm in offsets if mm is not None]
    if len(seen) < (1 - HIDDEN_SHARE) * len(offsets):
        return [f"only {len(seen)} of {len(offsets)} places of the printed outline are seen"]
    worst = max(abs(mm) for mm in seen)
    if worst > WITHIN_MM:
        return [f"the printed outline is {worst:.3f} mm off"]
    return []


def where(file: FilePath, expected: Polygon) -> tuple[int, Polygon | None]:
    """The page that shows the expected contour, and the contour moved to its place there, in mm
    from the top left."""
    with pdfplumber.open(file) as pdf:
        for number, page in enumerate(pdf.pages, 1):
            for ring in (r for c in page.curves for r in press_sheets.contours(c["path"])):
                if press_sheets.mismatch(ring, expected) < 0.02:
                    a0, b0, _, _ = Polygon(ring).bounds
                    x0, y0, _, _ = expected.bounds
                    moved = [(x - x0 + a0, y - y0 + b0) for x, y in expected.exterior.coords]
                    return number, Polygon(moved)
    return 0, None


def raster(file: FilePath, number: int) -> np.ndarray:
    """One page, 0 black to 255 white."""
    run = subprocess.run(
        ["pdftoppm", "-r", str(DPI), "-f", str(number), "-l", str(number), "-gray", str(file)],
        check=True,
        capture_output=True,
    )
    head, _, rest = run.stdout.partition(b"\n")
    size, _, rest = rest.partition(b"\n")
    depth, _, pixels = rest.partition(b"\n")
    assert head == b"P5" and depth == b"255"
    width, height = map(int, size.split())
    return np.frombuffer(pixels, dtype=np.uint8, count=width * height).reshape(height, width)


def normals(shape: Polygon):
    """Places along the outline with the direction across it, corners left out."""
    line = LineString(shape.exterior.coords)
    for k in range(int(line.length / STEP_MM)):
        at = k * STEP_MM
        p, q = line.interpolate(at), line.interpolate(at + 0.02)
        before, after = line.interpolate(max(at - 0.4, 0)), line.interpolate(min(at + 0.4, line.length))
        way = np.array([q.x - p.x, q.y - p.y])
        length = np.hypot(*way)
        if length == 0 or Point(p).distance(LineString([before, after])) > 0.02:
            continue
        yield (p.x, p.y), (-way[1] / length, way[0] / length)


def offset(page: np.ndarray, at: tuple[float, float], across: tuple[float, float]) -> float | None:
    """How far the middle of the drawn edge lies from where it should be; `None` where other ink
    lies near."""
    steps = np.arange(-REACH_MM, REACH_MM, 0.01)
    x = (at[0] + steps * across[0]) * PX_PER_MM - 0.5
    y = (at[1] + steps * across[1]) * PX_PER_MM - 0.5
    if x.min() < 0 or y.min() < 0 or x.max() >= page.shape[1] - 1 or y.max() >= page.shape[0] - 1:
        return None
    i, j = x.astype(int), y.astype(int)
    a, b = x - i, y - j
    top = page[j, i] * (1 - a) + page[j, i + 1] * a
    bottom = page[j + 1, i] * (1 - a) + page[j + 1, i + 1] * a
    dark = top * (1 - b) + bottom * b < DARK
    runs = np.flatnonzero(np.diff(np.concatenate(([0], dark.view(np.int8), [0]))))
    if len(runs) != 2 or not 0.16 < (runs[1] - runs[0]) * 0.01 < 0.24:
        return None
    return float(steps[0] + 0.005 * (runs[0] + runs[1] - 1))
