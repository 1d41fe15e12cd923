"""Emblems that nobody here drew (glyphs of Noto Sans, OFL) as residue on photographed textures (CC0, from
scikit-image), painted and photographed by OpenCV, measured by the program. On the same pictures,
laid flat by the planted plane, OpenCV's ECC (Evangelidis & Psarakis 2008; affine) registers the same
glyphs from a start near the truth and with the planted bleed: the program, which is told neither, must
be at least as close to the planted outline. Distances are shapely's.
Usage: registration.py EMBLEMEND GLYPHS FOLDER [SCENES [FIRST_SEED]]
GLYPHS is where `trace_table` left its outlines.
"""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import shapely
import skimage.data
from svgelements import SVG
from svgelements import Path as Drawn

import rulers
from rulers import CLOTH_MM, DRAWN_PX_PER_MM, SIZE_PX

FLAT_PX_PER_MM = 8
TEXTURES = ("grass", "gravel", "brick")
CORNER = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])


@dataclass
class Scene:
    name: str
    job: Path
    # Closed polygons of the artwork, and where they lie on the cloth.
    outline: list[np.ndarray]
    to_cloth: np.ndarray
    shot: rulers.Shot
    bleed_mm: float
    darker: bool


def moved(points: np.ndarray, by: np.ndarray) -> np.ndarray:
    return cv2.perspectiveTransform(points[None].astype(float), by)[0]


def similarity(scale: float, turn: float, centre: np.ndarray, about: np.ndarray) -> np.ndarray:
    a = scale * np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return np.vstack([np.column_stack([a, centre - a @ about]), [0, 0, 1]])


def polygons(svg: Path) -> list[np.ndarray]:
    paths = [e for e in SVG.parse(str(svg)).elements() if isinstance(e, Drawn)]
    found = []
    for sub in paths[0].as_subpaths():
        path = Drawn(sub)
        points = []
        for segment in path:
            steps = 1 if type(segment).__name__ in ("Move", "Line", "Close") else 12
            points += [segment.point(k / steps) for k in range(1, steps + 1)]
        corners = np.array([[p.x, p.y] for p in points if p is not None])
        keep = np.r_[True, np.hypot(*np.diff(corners, axis=0).T) > 1e-9]
        found.append(corners[keep])
    return found


def filled(outline: list[np.ndarray], to_px: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(size[::-1], np.uint8)
    corners = [np.rint((moved(p, to_px) - 0.5) * 256).astype(np.int32) for p in outline]
    cv2.fillPoly(mask, corners, 255, cv2.LINE_AA, 8)
    return mask.astype(np.float32) / 255


def spread(mask: np.ndarray, by_px: float, blur_px: float) -> np.ndarray:
    """The mask grown evenly, its edge blurred."""
    solid = (mask > 0.5).astype(np.uint8)
    away = cv2.distanceTransform(1 - solid, cv2.DIST_L2, 5) - cv2.distanceTransform(solid, cv2.DIST_L2, 5)
    # The masks' borders lie between two samples.
    away = np.where(away > 0, away - 0.5, away + 0.5)
    edge = np.clip(0.5 + by_px - away, 0, 1).astype(np.float32)
    return cv2.GaussianBlur(edge, (0, 0), blur_px)


def octaves(rng: np.random.Generator, size: tuple[int, int], width: int) -> np.ndarray:
    total = np.zeros(size[::-1], np.float32)
    for k in range(4):
        cells = [max(2, n * 2**k // width) for n in size[::-1]]
        total += 0.6**k * cv2.resize(rng.normal(size=cells).astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
    return total


def texture(name: str, size: tuple[int, int]) -> np.ndarray:
    """A photographed surface of unit spread, twice mirrored to fill the cloth, 15 samples to the mm."""
    tile = getattr(skimage.data, name)().astype(np.float32)
    tile -= cv2.GaussianBlur(tile, (0, 0), 60)
    tile = cv2.resize(tile / tile.std(), None, fx=DRAWN_PX_PER_MM / 15, fy=DRAWN_PX_PER_MM / 15)
    tile = np.block([[tile, tile[:, ::-1]], [tile[::-1], tile[::-1, ::-1]]])
    times = [math.ceil(n / t) for n, t in zip(size[::-1], tile.shape)]
    return np.tile(tile, times)[: size[1], : size[0]]


def painted(folder: Path, glyphs: list[Path], seed: int) -> Scene:
    rng = np.random.default_rng(seed)
    svg = glyphs[seed % len(glyphs)]
    outline = polygons(svg)
    low, high = np.min([p.min(0) for p in outline], 0), np.max([p.max(0) for p in outline], 0)
    middle, longest = (low + high) / 2, float(max(high - low))
    size_mm, turn = float(rng.uniform(38, 60)), math.radians(rng.uniform(-25, 25))
    place = np.array([CLOTH_MM[0] / 2 + rng.uniform(-40, 40), 48 + rng.uniform(-6, 6)])
    to_cloth = similarity(size_mm / longest, turn, place, middle)
    to_drawn = np.diag([DRAWN_PX_PER_MM] * 2 + [1.0]) @ to_cloth
    bleed, darker = float(rng.uniform(0.1, 0.45)), bool(rng.random() < 0.5)
    size = tuple(n * DRAWN_PX_PER_MM for n in CLOTH_MM)
    residue = spread(filled(outline, to_drawn, size), bleed * DRAWN_PX_PER_MM, 0.12 * DRAWN_PX_PER_MM)
    wear = octaves(rng, size, 5 * DRAWN_PX_PER_MM)
    residue *= wear > np.quantile(wear[residue > 0.5], rng.uniform(0, 0.2))
    name = TEXTURES[seed % len(TEXTURES)]
    contrast = rng.uniform(0.1, 0.18) * (-1 if darker else 1)
    cloth = 105 * (1 + 0.06 * texture(name, size)) * (1 + contrast * cv2.GaussianBlur(residue, (0, 0), 2))
    job = folder / f"glyph-{seed}"
    job.mkdir(parents=True, exist_ok=True)
    shot = rulers.photographed(job, seed, cloth, 105 * (1 + 0.06 * texture(name, SIZE_PX)))
    x, y = (low - 0.05 * longest).tolist()
    w, h = (high - low + 0.1 * longest).tolist()
    path = next(e for e in SVG.parse(str(svg)).elements() if isinstance(e, Drawn)).d()
    (job / "glyph.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x} {y} {w} {h}"><path d="{path}"/></svg>')
    unit = "mm" if shot.kind == "mm" else "inch"
    (job / "job.toml").write_text(
        f'[[emblem]]\nname = "glyph"\nphoto = "{shot.file.name}"\nversions = ["glyph.svg"]\n'
        f'ruler = {{ unit = "{unit}", thickness_mm = 0.0 }}\n')
    return Scene(f"{job.name} ({name}, {100 * contrast:+.0f} %)", job, outline, to_cloth, shot, bleed, darker)


def by_ecc(scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """The map from artwork to cloth that ECC finds from a start off by up to 1 mm, 1 degree, 1 %."""
    photo = cv2.imread(str(scene.shot.file), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    corners = moved(np.concatenate(scene.outline), scene.to_cloth)
    low, high = corners.min(0) - 6, corners.max(0) + 6
    size = tuple(int(n) for n in np.ceil((high - low) * FLAT_PX_PER_MM))
    flat_to_cloth = np.array([[1 / FLAT_PX_PER_MM, 0, low[0]], [0, 1 / FLAT_PX_PER_MM, low[1]], [0, 0, 1]])
    back = np.linalg.inv(CORNER) @ scene.shot.to_photo @ flat_to_cloth @ CORNER
    flat = cv2.warpPerspective(photo, back, size, flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
                               borderMode=cv2.BORDER_REPLICATE)
    flat = cv2.GaussianBlur(-flat if scene.darker else flat, (0, 0), 0.25 * FLAT_PX_PER_MM)
    start = similarity(1 + rng.uniform(-0.01, 0.01), math.radians(rng.uniform(-1, 1)),
                       corners.mean(0) + rng.uniform(-1, 1, 2), corners.mean(0)) @ scene.to_cloth
    to_flat = np.linalg.inv(flat_to_cloth) @ start
    template = spread(filled(scene.outline, to_flat, size), scene.bleed_mm * FLAT_PX_PER_MM, 0.27 * FLAT_PX_PER_MM)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 300, 1e-7)
    _, warp = cv2.findTransformECC(template, flat, np.eye(2, 3, dtype=np.float32), cv2.MOTION_AFFINE, stop, None, 5)
    # From the template's samples to the flat picture's; places count from a sample's corner.
    warp = CORNER @ np.vstack([warp.astype(float), [0, 0, 1]]) @ np.linalg.inv(CORNER)
    return flat_to_cloth @ warp @ to_flat


def off(scene: Scene, to_cloth: np.ndarray) -> tuple[float, float, float]:
    """RMS over the outline's points, and shapely's mean and Hausdorff distance to the planted outline."""
    def ring(points: np.ndarray) -> shapely.LinearRing:
        return shapely.LinearRing(points)
    planted = shapely.MultiLineString([ring(moved(p, scene.to_cloth)) for p in scene.outline])
    found = shapely.MultiLineString([ring(moved(p, to_cloth)) for p in scene.outline])
    points = [found.interpolate(s) for s in np.arange(0, found.length, 0.5)]
    mean = float(np.mean([planted.distance(p) for p in points]))
    apart = np.concatenate([moved(p, to_cloth) - moved(p, scene.to_cloth) for p in scene.outline])
    return float(np.sqrt((apart**2).sum(1).mean())), mean, shapely.hausdorff_distance(planted, found, densify=0.2)


def main() -> int:
    program, glyph_folder, folder = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    count, first = (int(n) for n in (sys.argv[4:6] + ["9", "1"][len(sys.argv) - 4:])[:2])
    glyphs = sorted(glyph_folder.glob("*-truth.svg"))
    jobs, out = folder / "jobs", folder / "out"
    shutil.rmtree(folder, ignore_errors=True)
    scenes = [painted(jobs, glyphs, seed) for seed in range(first, first + count)]
    subprocess.run([program, "--quiet", "run", *(str(s.job) for s in scenes), "--out", str(out)], check=False)
    ours, theirs, problems = [], [], []
    for seed, scene in enumerate(scenes, first):
        emblem = json.loads((out / scene.job.name / "fit.json").read_text())["emblems"][0]
        if emblem["fit"] is None:
            problems.append(f"{scene.name}: not found")
            continue
        on_cloth = np.linalg.inv(scene.shot.to_photo) @ np.array(emblem["fit"]["emblem_to_photo"])
        mine, ecc = off(scene, on_cloth), off(scene, by_ecc(scene, np.random.default_rng(seed)))
        ours.append(mine)
        theirs.append(ecc)
        if mine[2] > max(emblem["fit"]["u_outline_mm"], 0.05):
            problems.append(f"{scene.name}: {mine[2]:.3f} mm off, stated {emblem['fit']['u_outline_mm']:.3f} mm")
    if not ours:
        print("nothing was found")
        return 1
    for k, what in enumerate(("RMS of the points", "mean distance", "Hausdorff distance")):
        a, b = (np.percentile([e[k] for e in errors], [50, 95]) for errors in (ours, theirs))
        print(f"{what}: {a[0]:.3f} / {a[1]:.3f} mm, OpenCV's ECC {b[0]:.3f} / {b[1]:.3f} mm "
              f"(median / 95th percentile of {len(ours)})")
        if a[0] > b[0] or a[1] > b[1]:
            problems.append(f"{what}: ECC is closer")
    for problem in problems:
        print(problem)
    return 1 if problems or len(ours) < count else 0


if __name__ == "__main__":
    sys.exit(main())
