"""Pictures that nobody here made and that show no ruler: brickwork, grass, gravel, print, coins, a
chessboard and others that scikit-image ships, enlarged and turned. The ruler stage must be silent
on all of them. Licences as scikit-image's documentation of `skimage.data` states them: brick,
camera, cat, coffee, grass, gravel and rocket CC0 or public domain; coins and text without known
restrictions; the chessboard is drawn.
Usage: textures.py PHOTO_SCALE FOLDER
"""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
from skimage import data

SIZE_PX = (1600, 1200)
PICTURES = {
    "brick": data.brick, "camera": data.camera, "cat": data.chelsea, "chessboard": data.checkerboard,
    "coffee": data.coffee, "coins": data.coins, "grass": data.grass, "gravel": data.gravel,
    "rocket": data.rocket, "text": data.text,
}
ENLARGED = (1.0, 2.3, 4.7)
TURNED_DEG = (0.0, 23.0)


def photographed(picture: np.ndarray, enlarged: float, turned_deg: float) -> np.ndarray:
    """The picture, continued by its mirror images."""
    if picture.ndim == 3:
        picture = cv2.cvtColor(picture, cv2.COLOR_RGB2BGR)
    middle = (picture.shape[1] / 2, picture.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(middle, turned_deg, enlarged)
    turn[:, 2] += np.array(SIZE_PX) / 2 - middle
    return cv2.warpAffine(picture, turn, SIZE_PX, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def main() -> int:
    program, folder = sys.argv[1], Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for (name, load), enlarged, turned_deg in itertools.product(PICTURES.items(), ENLARGED, TURNED_DEG):
        files.append(folder / f"{name}-{enlarged}-{turned_deg:.0f}.jpg")
        cv2.imwrite(str(files[-1]), photographed(load(), enlarged, turned_deg), [cv2.IMWRITE_JPEG_QUALITY, 92])
    lines = "".join(f"{file} 0 800 600\n" for file in files)
    answers = subprocess.run([program], input=lines, capture_output=True, text=True, check=True)
    found = [json.loads(line) for line in answers.stdout.splitlines()]
    wrong = [f"{f['photo']}: {f['rulers']}" for f in found if f["rulers"]]
    print(f"rulers read in {len(wrong)} of {len(found)} pictures without one")
    print(*wrong, sep="\n")
    return 0 if len(found) == len(files) and not wrong else 1


if __name__ == "__main__":
    sys.exit(main())
