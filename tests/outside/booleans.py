"""Random and nasty drawings, united by the program and by shapely (GEOS), must agree.

Usage: booleans.py OUTLINES [--cases N] [--seed N], where OUTLINES is the built example of that
name. Areas must agree to 0.01 %, outlines to 0.01 % of the drawing's size (0.01 mm at 100 mm) at every
point (Hausdorff distance).
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import random
import re
import subprocess
import sys
import tempfile
from pathlib import Path as FilePath

import numpy as np
from shapely import Polygon, STRtree, get_coordinates, get_parts, linestrings, points
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

import svg_files

AREA_SHARE = 1e-4
SIZE_SHARE = 1e-4
# What is smaller than this share of the size squared is a speck.
SPECK_SHARE = 1e-6
# Chords must not spoil the comparison.
svg_files.POINTS_PER_ROOT_MM = 90
PAGE = 100.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("outlines", type=FilePath)
    parser.add_argument("--cases", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    kinds = [circles, star, slivers, touching, nested, many_nodes, knocked_out, twisted_curves, offset]
    failed = 0
    worst_area = worst_distance = 0.0
    with tempfile.TemporaryDirectory() as folder:
        files = []
        for case in range(options.cases):
            kind = kinds[case % len(kinds)]
            file = FilePath(folder) / f"{case:04}-{kind.__name__}.svg"
            file.write_text(page(kind(random.Random(options.seed * 100_003 + case))))
            files.append(file)
        run = subprocess.run([options.outlines, *files], capture_output=True, text=True, timeout=300)
        print(run.stdout + run.stderr, end="")
        failed += run.returncode != 0
        with multiprocessing.Pool() as pool:
            compared = list(zip(files, pool.imap(differences, files)))
    for file, found in compared:
        if found is None:
            print(f"{file.name}: no outline")
            failed += 1
            continue
        area, distance = found
        worst_area, worst_distance = max(worst_area, area), max(worst_distance, distance)
        if area > AREA_SHARE or distance > SIZE_SHARE:
            print(f"{file.name}: area {100 * area:.4f} %, outline {100 * distance:.4f} % off")
            failed += 1
    print(
        f"{options.cases} drawings against GEOS: {failed} differ; worst area "
        f"{100 * worst_area:.5f} %, worst outline {100 * worst_distance:.5f} % of the size"
    )
    return int(failed > 0)


def differences(file: FilePath) -> tuple[float, float] | None:
    """Relative difference of areas, and how far the outlines lie apart at most, by the size.

    None where the program wrote no outline.
    """
    out = file.with_suffix(".outline.svg")
    if not out.exists():
        return None
    wanted, made = read_wanted(file), svg_files.read_artwork(out)
    # The written page begins at the outline's own corner, on whole units.
    view = re.search(r'viewBox="(\S+) (\S+) ', out.read_text())
    made = svg_files.affinity.translate(made, float(view[1]), float(view[2]))
    x0, y0, x1, y1 = wanted.bounds
    size = max(x1 - x0, y1 - y0)
    # Specks that the program says it left out may be missing, each with its largest area.
    said = re.search(r"(\d+) speck", out.read_text())
    specks = int(said[1]) * SPECK_SHARE * size**2 if said else 0
    seen = (wanted, made)
    if said:
        # The program goes by the control points, which may lie anywhere on the page.
        seen = tuple(without_specks(area, SPECK_SHARE * PAGE**2) for area in seen)
    apart = max(farthest(*seen), farthest(*reversed(seen)))
    return max(abs(made.area - wanted.area) - specks, 0) / wanted.area, apart / size


def farthest(area: BaseGeometry, other: BaseGeometry) -> float:
    """How far a corner of the area lies from the other's outline at most."""
    outline = get_parts(other.boundary)
    sides = np.concatenate([np.stack([c[:-1], c[1:]], 1) for c in map(get_coordinates, outline)])
    corners = points(get_coordinates(area.boundary))
    nearest = STRtree(linestrings(sides)).query_nearest(corners, return_distance=True, all_matches=False)
    return float(nearest[1].max())


def without_specks(area: BaseGeometry, smallest: float) -> BaseGeometry:
    """The area without parts and holes that are specks."""
    parts = []
    for part in getattr(area, "geoms", [area]):
        if part.area > smallest:
            holes = [ring for ring in part.interiors if Polygon(ring).area > smallest]
            parts.append(Polygon(part.exterior, holes))
    return unary_union(parts)


def read_wanted(file: FilePath) -> BaseGeometry:
    """What the drawing fills; a stroke widens it as GEOS's buffer does."""
    text = file.read_text()
    width = re.search(r"stroke-width='([0-9.]+)'", text)
    if width is None:
        return svg_files.read_artwork(file)
    plain = file.with_suffix(".plain.svg")
    plain.write_text(re.sub(r"stroke[a-z-]*='[^']*'", "", text))
    return svg_files.read_artwork(plain).buffer(float(width[1]) / 2, quad_segs=200)


def page(content: str) -> str:
    return f"<svg xmlns='http://www.w3.org/2000/svg' width='100' height='100' viewBox='0 0 {PAGE:g} {PAGE:g}'>{content}</svg>"


def path(points: list[tuple[float, float]], extra: str = "") -> str:
    data = "M" + " L".join(f"{x:.4f} {y:.4f}" for x, y in points) + " Z"
    return f"<path d='{data}' {extra}/>"


def around(r: random.Random, n: int, small: float, large: float) -> list[tuple[float, float]]:
    x, y = r.uniform(35, 65), r.uniform(35, 65)
    turns = [(2 * math.pi * i / n, r.uniform(small, large)) for i in range(n)]
    return [(x + radius * math.cos(a), y + radius * math.sin(a)) for a, radius in turns]


def circles(r: random.Random) -> str:
    shape = "<circle cx='{:.3f}' cy='{:.3f}' r='{:.3f}'/>"
    return "".join(
        shape.format(r.uniform(20, 80), r.uniform(20, 80), r.uniform(2, 20)) for _ in range(12)
    )


def star(r: random.Random) -> str:
    points = around(r, r.choice([5, 7, 9, 11]), 20, 34)
    step = r.choice([2, 3])
    rule = r.choice(["nonzero", "evenodd"])
    crossed = [points[i * step % len(points)] for i in range(len(points))]
    return path(crossed, f"fill-rule='{rule}'")


def slivers(r: random.Random) -> str:
    strips = []
    for i in range(20):
        y, w = 10 + 4 * i, 10 ** r.uniform(-3, 0)
        strips.append(path([(10, y), (90, y + r.uniform(-5, 5)), (90, y + w), (10, y + w)]))
    return path([(10, 5), (30, 5), (30, 95), (10, 95)]) + "".join(strips)


def touching(r: random.Random) -> str:
    cell = 80 / 8
    boxes = [(x, y) for x in range(8) for y in range(8) if r.random() < 0.5] or [(0, 0)]
    corners = lambda x, y: [(x, y), (x + cell, y), (x + cell, y + cell), (x, y + cell)]
    return "".join(path(corners(10 + x * cell, 10 + y * cell)) for x, y in boxes)


def nested(r: random.Random) -> str:
    rings, radius = [], 40.0
    while radius > 3:
        n = r.randint(3, 9)
        ring = [(50 + radius * math.cos(6.2832 * i / n), 50 + radius * math.sin(6.2832 * i / n)) for i in range(n)]
        rings.append("M" + " L".join(f"{x:.4f} {y:.4f}" for x, y in ring) + " Z")
        radius *= 0.5 * math.cos(math.pi / n) * r.uniform(0.8, 1)
    return f"<path fill-rule='evenodd' d='{' '.join(rings)}'/>"


def many_nodes(r: random.Random) -> str:
    return path(around(r, 500, 24, 34)) + path(around(r, 300, 20, 34))


def knocked_out(r: random.Random) -> str:
    layers = []
    for i in range(8):
        fill = "white" if i % 2 else r.choice(["navy", "gold", "#123456"])
        layers.append(path(around(r, r.randint(3, 9), 8, 34), f"fill='{fill}'"))
    return "".join(layers) + "<rect x='1' y='1' width='5' height='5'/>"


def offset(r: random.Random) -> str:
    pen = f"fill-rule='evenodd' stroke='black' stroke-linejoin='round' stroke-width='{r.uniform(0.2, 6):.3f}'"
    if r.random() < 0.5:
        return path(around(r, r.randint(3, 40), 12, 30), pen)
    at = [f"{x:.3f} {y:.3f}" for x, y in around(r, 12, 18, 30)]
    curves = "".join(f" C{at[i]} {at[i + 1]} {at[(i + 2) % 12]}" for i in range(1, 12, 3))
    return f"<path d='M{at[0]}{curves} Z' {pen}/>"


def twisted_curves(r: random.Random) -> str:
    at = lambda: f"{r.uniform(10, 90):.3f} {r.uniform(10, 90):.3f}"
    data = f"M{at()}" + "".join(f" C{at()} {at()} {at()}" for _ in range(6)) + " Z"
    return f"<path fill-rule='{r.choice(['nonzero', 'evenodd'])}' d='{data}'/>"


if __name__ == "__main__":
    sys.exit(main())
