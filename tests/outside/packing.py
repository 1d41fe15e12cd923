"""Checks sheets of packed pieces with shapely: nothing overlaps, distances and margins are kept.
Usage: packing.py FOLDER… [--config FILE]

Every cut file below the folders that holds more than one piece is checked. Then a piece of each is
moved towards its nearest neighbour, and the check must notice.
"""

from __future__ import annotations

import argparse
import sys
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path as FilePath

import svg.path
from shapely import STRtree, affinity
from shapely.geometry.base import BaseGeometry

from areas import filled
from svg_files import SVG, point_count

# Rounding of coordinates to 0.1 µm, and chords for curves.
SLACK_MM = 2e-3


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=FilePath)
    parser.add_argument("--config", type=FilePath, default=FilePath("config/default.toml"))
    options = parser.parse_args()
    settings = tomllib.loads(options.config.read_text(encoding="utf-8"))["cut"]
    files = sorted(f for folder in options.folders for f in folder.rglob("*.svg"))
    failed, checked = False, 0
    for file in files:
        pieces = read(file)
        if len(pieces) < 2:
            continue
        checked += 1
        found = problems(pieces, settings)
        area = sum(p.area for p in pieces)
        length = max(p.bounds[3] for p in pieces) + settings["margin_mm"]
        use = 100 * area / (settings["sheet_width_mm"] * length)
        print(f"{file}: {len(pieces)} pieces, {use:.1f} % used, {'; '.join(found) or 'apart'}")
        if not problems(moved(pieces, settings["spacing_mm"]), settings):
            print("  a piece moved too near its neighbour went unnoticed")
            failed = True
        failed = failed or bool(found)
    print(f"{checked} sheets checked, {'with problems' if failed else 'no problem'}")
    return int(failed or checked == 0)


def read(file: FilePath) -> list[BaseGeometry]:
    """The pieces' areas in millimetres."""
    root = ElementTree.fromstring(file.read_text(encoding="utf-8"))
    pieces = []
    for group in root.iter(f"{SVG}g"):
        if group.get("id", "").startswith("piece-"):
            rings = [ring(path.get("d")) for path in group.iter(f"{SVG}path")]
            pieces.append(filled(rings, "evenodd"))
    return pieces


def ring(data: str) -> list[tuple[float, float]]:
    points = []
    for part in svg.path.parse_path(data):
        straight = isinstance(part, (svg.path.path.Move, svg.path.Line, svg.path.path.Close))
        count = 1 if straight else point_count(part.point)
        places = [part.point((i + 1) / count) for i in range(count)]
        points.extend((p.real, p.imag) for p in places)
    return points


def problems(pieces: list[BaseGeometry], settings: dict) -> list[str]:
    found = []
    margin, spacing = settings["margin_mm"], settings["spacing_mm"]
    for number, piece in enumerate(pieces, 1):
        x0, y0, x1, _ = piece.bounds
        free = min(x0, y0, settings["sheet_width_mm"] - x1)
        if free < margin - SLACK_MM:
            found.append(f"piece {number} leaves only {free:.3f} mm of margin")
    tree = STRtree(pieces)
    for i, piece in enumerate(pieces):
        for j in tree.query(piece.buffer(spacing)):
            if i < j and (apart := piece.distance(pieces[j])) < spacing - SLACK_MM:
                found.append(f"pieces {i + 1} and {j + 1} are {apart:.3f} mm apart")
    return found


def moved(pieces: list[BaseGeometry], spacing: float) -> list[BaseGeometry]:
    """The first piece moved to half the spacing from its nearest neighbour."""
    from shapely.ops import nearest_points

    first, others = pieces[0], pieces[1:]
    near = min(others, key=first.distance)
    here, there = nearest_points(first, near)
    share = 1 - spacing / 2 / first.distance(near)
    return [affinity.translate(first, share * (there.x - here.x), share * (there.y - here.y)), *others]


if __name__ == "__main__":
    sys.exit(main())
