"""Rulers that OpenCV drew and photographed (a drawing on a plane, seen by `cv2.warpPerspective`
through a known homography), measured by our stages. Compared: the scale of the cloth 60 mm beside
the ruler, with the homography's own, and the pitch of the divisions with the peak of `cv2.dft`.
Usage: rulers.py PHOTO_SCALE FOLDER [PHOTOS [FIRST_SEED]]
"""

from __future__ import annotations

import json
import math
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

SIZE_PX = (3200, 2400)
DRAWN_PX_PER_MM = 24
CLOTH_MM = (230, 175)
FOCAL_35MM = 26
# EXIF 2.32: the 35 mm equivalent compares the diagonals, 43.27 mm of the film's.
FOCAL_PX = FOCAL_35MM * math.hypot(*SIZE_PX) / math.hypot(36, 24)
AWAY_MM = 60.0
# Greatest error of the scale, and of the pitch against the spectrum's peak, in per cent. A peak
# of a spectrum of n ticks is known to a few thousandths of 1/n.
MAX_SCALE_ERROR = 0.25
MAX_PITCH_ERROR = 0.1
KINDS = {"mm": (1.0, ((1, 3.2), (5, 4.6), (10, 6.4))),
         "sixteenths": (25.4 / 16, ((1, 2.6), (2, 3.8), (4, 5.2), (8, 7.0), (16, 9.5)))}


@dataclass
class Shot:
    file: Path
    kind: str
    tilt_deg: float
    to_photo: np.ndarray
    beside_mm: tuple[float, float]

    def at(self, mm: tuple[float, float]) -> np.ndarray:
        return cv2.perspectiveTransform(np.array([[mm]], float), self.to_photo)[0, 0]

    def px_per_mm(self, mm: tuple[float, float], step: float = 0.01) -> float:
        """Root of the area magnification, by differences."""
        x, y = mm
        dx = (self.at((x + step, y)) - self.at((x - step, y))) / (2 * step)
        dy = (self.at((x, y + step)) - self.at((x, y - step))) / (2 * step)
        return math.sqrt(abs(dx[0] * dy[1] - dx[1] * dy[0]))


def grain(rng: np.random.Generator) -> np.ndarray:
    w, h = (n * DRAWN_PX_PER_MM for n in CLOTH_MM)
    coarse = rng.normal(0, 9, (h // 6, w // 6)).astype(np.float32)
    return 96 + cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)


def drawn(kind: str, top_mm: float, cloth: np.ndarray) -> np.ndarray:
    """`cloth` with a ruler along x, its graduated edge at `top_mm`, 24 px to the millimetre."""
    cloth = np.clip(cloth, 0, 255).astype(np.uint8)

    def fill(x0: float, y0: float, x1: float, y1: float, grey: float) -> None:
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) * DRAWN_PX_PER_MM - 0.5
        cv2.fillPoly(cloth, [np.rint(corners * 16).astype(np.int32)], grey, cv2.LINE_AA, 4)

    fill(12, top_mm, CLOTH_MM[0] - 12, top_mm + 28, 214)
    pitch, lengths = KINDS[kind]
    count = int((CLOTH_MM[0] - 40) / pitch)
    for i in range(count + 1):
        x = 20 + i * pitch
        length = [mm for every, mm in lengths if i % every == 0][-1]
        fill(x - 0.1, top_mm, x + 0.1, top_mm + length, 36)
        if i % lengths[-1][0] == 0:
            place = (int((x + 0.6) * DRAWN_PX_PER_MM), int((top_mm + length + 4) * DRAWN_PX_PER_MM))
            cv2.putText(cloth, str(i // lengths[-1][0]), place, cv2.FONT_HERSHEY_DUPLEX, 3.0, 40, 7)
    return cloth


def photographed(folder: Path, seed: int, cloth: np.ndarray | None = None,
                 around: np.ndarray | None = None) -> Shot:
    """`around` is a picture of what lies beyond the drawing, as the photo shows it."""
    rng = np.random.default_rng(seed)
    kind = list(KINDS)[seed % 2]
    tilt = 0.0 if seed % 3 == 0 else float(rng.uniform(2, 12))
    top_mm = float(rng.uniform(90, 120))
    across, turn = rng.uniform(0, 2 * math.pi), rng.uniform(-0.15, 0.15)
    axis = np.array([math.cos(across), math.sin(across), 0]) * math.radians(tilt)
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0, 0, turn]))[0]
    scale = float(rng.uniform(10.5, 12.5))
    centre = np.array([CLOTH_MM[0] / 2, CLOTH_MM[1] / 2, 0])
    shift = np.array([0, 0, FOCAL_PX / scale]) - rotation @ centre
    camera = np.array([[FOCAL_PX, 0, SIZE_PX[0] / 2], [0, FOCAL_PX, SIZE_PX[1] / 2], [0, 0, 1]])
    # Our places count from a pixel's corner, OpenCV's from its middle.
    middle = np.array([[1, 0, -0.5], [0, 1, -0.5], [0, 0, 1]])
    to_photo = camera @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    drawing = drawn(kind, top_mm, grain(rng) if cloth is None else cloth).astype(np.float32)
    # What falls into one pixel is averaged before it is picked.
    drawing = cv2.GaussianBlur(drawing, (0, 0), 0.6 * DRAWN_PX_PER_MM / scale)
    warp = middle @ to_photo @ np.linalg.inv(middle @ np.diag([DRAWN_PX_PER_MM] * 2 + [1.0]))
    photo = cv2.warpPerspective(drawing, warp, SIZE_PX, flags=cv2.INTER_CUBIC, borderValue=90)
    if around is not None:
        inside = cv2.warpPerspective(np.ones_like(drawing), warp, SIZE_PX)
        photo = photo * inside + around * (1 - inside)
    photo = np.clip(photo + rng.normal(0, 2, photo.shape), 0, 255).astype(np.uint8)
    file = folder / f"{seed}.jpg"
    file.write_bytes(with_focal_length(cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()))
    return Shot(file, kind, tilt, to_photo, (CLOTH_MM[0] / 2, top_mm - AWAY_MM))


def with_focal_length(jpeg: bytes) -> bytes:
    """Adds the EXIF field FocalLengthIn35mmFilm (0xA405), as in EXIF 2.32."""
    main = struct.pack("<HHHIII", 1, 0x8769, 4, 1, 26, 0)
    exif = struct.pack("<HHHIHHI", 1, 0xA405, 3, 1, FOCAL_35MM, 0, 0)
    body = b"Exif\0\0II*\0" + struct.pack("<I", 8) + main + exif
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]


def pitch_of_peak(shot: Shot, ends: list[list[float]], pitch_px: float) -> float:
    """The period of the strongest rhythm near `pitch_px` along the ticks, by a padded DFT."""
    photo = cv2.imread(str(shot.file), cv2.IMREAD_GRAYSCALE)
    (x0, y0), (x1, y1) = ends
    length = math.hypot(x1 - x0, y1 - y0)
    steps = np.arange(0, length, 0.5)
    across = np.array([-(y1 - y0), x1 - x0]) / length
    lines = []
    for off in np.linspace(-8, 8, 9):
        x = x0 + steps / length * (x1 - x0) + off * across[0] - 0.5
        y = y0 + steps / length * (y1 - y0) + off * across[1] - 0.5
        lines.append(cv2.remap(photo, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_CUBIC)[0])
    profile = np.mean(lines, axis=0, dtype=np.float64)
    profile = (profile - profile.mean()) * np.hanning(len(profile))
    padded = np.zeros((1, 1 << 18))
    padded[0, : len(profile)] = profile
    spectrum = cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT)[0]
    power = spectrum[:, 0] ** 2 + spectrum[:, 1] ** 2
    expected = padded.shape[1] * 0.5 / pitch_px
    low, high = int(0.97 * expected), int(1.03 * expected)
    return padded.shape[1] * 0.5 / (low + int(np.argmax(power[low:high])))


def main() -> int:
    program, folder = sys.argv[1], Path(sys.argv[2])
    count, first = (int(n) for n in (sys.argv[3:5] + ["12", "1"][len(sys.argv) - 3:])[:2])
    folder.mkdir(parents=True, exist_ok=True)
    shots = [photographed(folder, seed) for seed in range(first, first + count)]
    lines = "".join("{} 0 {} {}\n".format(s.file, *s.at(s.beside_mm)) for s in shots)
    answers = subprocess.run([program], input=lines, capture_output=True, text=True, check=True)
    errors, pitches, problems = [], [], []
    for shot, line in zip(shots, answers.stdout.splitlines(), strict=True):
        found = json.loads(line)
        name = f"{shot.file.name} ({shot.kind}, {shot.tilt_deg:.1f} deg)"
        if found["px_per_mm"] is None:
            problems.append(f"{name}: no ruler found")
            continue
        error = 100 * (found["px_per_mm"] / shot.px_per_mm(shot.beside_mm) - 1)
        errors.append(abs(error))
        if abs(error) > min(MAX_SCALE_ERROR, found["u_percent"]):
            problems.append(f"{name}: scale off by {error:.3f} %, stated {found['u_percent']:.3f} %")
        if shot.tilt_deg == 0:
            ruler = found["rulers"][0]
            peak = pitch_of_peak(shot, ruler["ends_px"], ruler["pitch_px"])
            pitches.append(abs(100 * (ruler["pitch_px"] / peak - 1)))
            if pitches[-1] > MAX_PITCH_ERROR:
                problems.append(f"{name}: pitch {ruler['pitch_px']:.4f} px, the spectrum says {peak:.4f} px")
    if errors:
        spread = np.percentile(errors, [50, 95, 100])
        print("scale 60 mm beside {} rulers, off by {:.4f} / {:.4f} / {:.4f} % (median, 95th percentile, worst)".format(
            len(errors), *spread))
    if pitches:
        print(f"pitch against the spectrum's peak: {len(pitches)} rulers, at most {max(pitches):.4f} % apart")
    for problem in problems:
        print(problem)
    return 1 if problems or not pitches else 0


if __name__ == "__main__":
    sys.exit(main())
