"""How well pictures were traced, beside plain contours of whole pixels simplified to polygons
(OpenCV), on the same pictures and by the same measures. Usage: tracing.py FOLDER

The folder is what `cargo run -p artwork --example trace_table 1 FIRST COUNT FOLDER` leaves:
N.png or N.jpg, N-truth.svg, N-traced.svg. Fails where a tracing misses a limit.
"""

from __future__ import annotations

import cmath
import math
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path as FilePath

import cv2
import numpy as np
import shapely
import svg.path

from areas import filled

SVG = "{http://www.w3.org/2000/svg}"
# Distance of samples, and of points that stand for curves, in pixels.
SAMPLE_PX = 2.0
FLAT_PX = 0.5
# A corner turns by more than this between sides of at least so many pixels.
CORNER_DEG = 40.0
SIDE_PX = 6.0
# Douglas-Peucker tolerance of the polygons to compare with, in pixels.
POLYGON_PX = 1.0
LIMITS = {"mean": 0.15, "p99": 0.75, "corner": 1.0, "nodes": 1.5, "iou": 0.995}


@dataclass
class Shape:
    """Closed contours: points along them, nodes, and the area."""

    rings: list[np.ndarray]
    nodes: np.ndarray
    corners: list[complex]

    @property
    def area(self):
        return filled([[tuple(p) for p in ring] for ring in self.rings], "evenodd")

    @property
    def line(self):
        return shapely.multilinestrings([shapely.linestrings(ring) for ring in self.rings])


def main() -> int:
    folder = FilePath(sys.argv[1])
    rows = {"traced": [], "polygons": []}
    failed = 0
    print("picture        mean   99 %  corner  nodes     IoU   |  polygons: mean   99 %  corner  nodes     IoU")
    for truth_file in sorted(folder.glob("*-truth.svg"), key=lambda f: int(f.name.split("-")[0])):
        name = truth_file.name.split("-")[0]
        truth = read(truth_file)
        picture = next(f for f in (folder / f"{name}.jpg", folder / f"{name}.png") if f.exists())
        ours = score(truth, read(folder / f"{name}-traced.svg"))
        plain = score(truth, polygons(picture))
        rows["traced"].append(ours)
        rows["polygons"].append(plain)
        wrong = missed(ours)
        failed += bool(wrong)
        print(f"{picture.name:<12}{words(ours)}   |           {words(plain)}  {' '.join(wrong)}")
    for kind, scores in rows.items():
        print(f"{kind:<9} worst {words(worst(scores))}")
        print(f"{kind:<9} mean  {words({k: sum(s[k] for s in scores) / len(scores) for k in LIMITS})}")
    print(f"{len(rows['traced'])} pictures, {failed} beyond a limit")
    return int(failed > 0 or not rows["traced"])


def words(s: dict) -> str:
    return f"{s['mean']:>7.3f} {s['p99']:>6.3f} {s['corner']:>7.3f} {s['nodes']:>6.2f} {s['iou']:>7.4f}"


def missed(s: dict) -> list[str]:
    return [k for k, limit in LIMITS.items() if (s[k] < limit if k == "iou" else s[k] > limit)]


def worst(scores: list[dict]) -> dict:
    return {k: (min if k == "iou" else max)(s[k] for s in scores) for k in LIMITS}


def read(file: FilePath) -> Shape:
    root = ElementTree.fromstring(file.read_text(encoding="utf-8"))
    rings, nodes, corners = [], [], []
    for element in root.iter(f"{SVG}path"):
        for contour in contours(element.get("d")):
            parts = [p for p in contour if p.length(error=1e-3) > 1e-6]
            nodes += [p.start for p in parts]
            rings.append(flattened(parts))
            corners += turns(parts)
    return Shape(rings, as_points(nodes), corners)


def contours(data: str):
    current = []
    for part in svg.path.parse_path(data):
        if isinstance(part, svg.path.path.Move):
            if current:
                yield current
            current = []
        else:
            current.append(part)
    if current:
        yield current


def straight(part) -> bool:
    return isinstance(part, (svg.path.Line, svg.path.path.Close))


def flattened(parts) -> np.ndarray:
    points = [parts[0].start]
    for part in parts:
        n = 1 if straight(part) else max(8, int(part.length(error=1e-2) / FLAT_PX))
        points += [part.point((i + 1) / n) for i in range(n)]
    points[-1] = points[0]
    return as_points(points)


def turns(parts) -> list[complex]:
    """Where the contour turns sharply between long sides."""
    found = []
    for before, after in zip(parts, parts[1:] + parts[:1]):
        u = before.point(1) - before.point(1 - 1e-4)
        v = after.point(1e-4) - after.point(0)
        if abs(u) < 1e-12 or abs(v) < 1e-12:
            continue
        turn = abs(math.degrees(cmath.phase(v / u)))
        if turn > CORNER_DEG and min(before.length(), after.length()) > SIDE_PX:
            found.append(after.start)
    return found


def as_points(numbers) -> np.ndarray:
    return np.array([(z.real, z.imag) for z in numbers])


def polygons(picture: FilePath) -> Shape:
    """Contours of whole pixels below the middle grey, simplified."""
    grey = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
    _, dark = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    found, _ = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    rings = []
    for contour in found:
        corners = cv2.approxPolyDP(contour, POLYGON_PX, True)[:, 0, :]
        if len(corners) > 2:
            # Pixels are counted from their middles.
            rings.append(np.vstack([corners, corners[:1]]) + 0.5)
    return Shape(rings, np.vstack([ring[:-1] for ring in rings]), [])


def score(truth: Shape, traced: Shape) -> dict:
    off = np.concatenate([distances(traced, truth), distances(truth, traced)])
    corner = 0.0
    for place in truth.corners:
        to = np.hypot(*(traced.nodes - (place.real, place.imag)).T)
        corner = max(corner, float(to.min()))
    a, b = truth.area, traced.area
    return {
        "mean": float(off.mean()),
        "p99": float(np.percentile(off, 99)),
        "corner": corner,
        "nodes": len(traced.nodes) / len(truth.nodes),
        "iou": a.intersection(b).area / a.union(b).area,
    }


def distances(from_: Shape, to: Shape) -> np.ndarray:
    line = to.line
    shapely.prepare(line)
    places = []
    for ring in from_.rings:
        ring_line = shapely.linestrings(ring)
        n = max(int(ring_line.length / SAMPLE_PX), 3)
        places.append(shapely.line_interpolate_point(ring_line, np.arange(n) * ring_line.length / n))
    return shapely.distance(np.concatenate(places), line)


if __name__ == "__main__":
    sys.exit(main())
