"""Which marker dictionary finds small, soft and shaded markers best, and which mistakes clutter for a marker?

Run ``python tests/benchmarks/marker_dictionary.py``; it takes one to three minutes and prints a table.
Each dictionary's card has the same 15 mm markers and is drawn in the same poses before the same benches.
"""

import sys
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from card_scenes import Conditions, bench, photo_of, pose_homography, put_card, small_card, take

from stripread.card import find_card
from stripread.card.markers import detect_markers, likeness, load_markers, refine_corners
from stripread.errors import StripReadError
from stripread.geometry import apply_homography

DICTIONARIES = ("DICT_4X4_50", "DICT_5X5_50", "DICT_6X6_50", "DICT_APRILTAG_16h5", "DICT_APRILTAG_36h11")
SIZE = (1008, 756)
POSES = 240
BENCHES = 60
SIDES = (0.0, 10.0, 14.0, 20.0, 200.0)  # bins of a marker's side. [px]
KINDS = (Conditions(), Conditions(blur_modules=0.33), Conditions(shadow=True), Conditions(noise=6, quality=75))


def main() -> None:
    found = {name: np.zeros(len(SIDES) - 1) for name in DICTIONARIES}
    poses = dict.fromkeys(DICTIONARIES, 0)
    spent = {name: [0.0] for name in DICTIONARIES}
    total = np.zeros(len(SIDES) - 1)
    for seed in range(POSES):
        rng = np.random.default_rng(seed)
        empty = bench(SIZE, rng)
        share, turn, tilt, towards = rng.uniform(0.1, 0.5), *rng.uniform(0, 360, 1), *rng.uniform((0, 0), (40, 360))
        centre = (float(rng.random()), float(rng.random()))
        for name in DICTIONARIES:
            card = small_card(name)
            truth = pose_homography(
                card, SIZE, share=share, turn_deg=turn, tilt_deg=tilt, tilt_towards_deg=towards, centre=centre
            )
            how = KINDS[seed % len(KINDS)]  # the same blur in pixels for all: in modules of the 4x4 marker
            how = replace(how, blur_modules=how.blur_modules * load_markers(name, ()).modules / 6)
            picture = empty.copy()
            put_card(picture, card, truth)
            jpeg = np.frombuffer(take(picture, card, truth, how, np.random.default_rng(seed)), np.uint8)
            pixels = np.ascontiguousarray(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1])
            grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
            markers = load_markers(name, tuple(m.id for m in card.markers))
            start = time.perf_counter()
            seen = detect_markers(grey, markers, factor=1.0, windows=(13,), smallest_share=0.006)
            spent[name].append(time.perf_counter() - start)
            for marker in card.markers:
                corners = apply_homography(truth, marker.corners_mm)
                side = np.sqrt(cv2.contourArea(corners.astype(np.float32)))
                hit = any(s.id == marker.id and np.abs(s.corners - corners).max() < side / 4 for s in seen)
                column = int(np.digitize(side, SIDES)) - 1
                found[name][column] += hit
                total[column] += name == DICTIONARIES[0]
            try:
                find_card(photo_of(pixels, full_size=SIZE), card)
                poses[name] += 1
            except StripReadError:
                pass
    false = {name: [0, 0] for name in DICTIONARIES}
    for seed in range(BENCHES):
        pixels = bench(SIZE, np.random.default_rng(10_000 + seed), pieces=250)
        grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        for name in DICTIONARIES:
            markers = load_markers(name, tuple(range(4)))
            for sighting in detect_markers(grey, markers, factor=1.0, windows=(13,), smallest_share=0.006):
                corners = refine_corners(grey, sighting.corners[None], markers.modules)[0]
                false[name][0] += 1
                fine = type(sighting)(id=sighting.id, corners=corners)
                false[name][1] += int(likeness(grey, [fine], markers)[0] >= 0.5)

    print(
        f"{POSES} poses of a card, {SIZE[0]} x {SIZE[1]} px; {BENCHES} benches without one; OpenCV {cv2.__version__}\n"
    )
    bins = " | ".join(f"{low:.0f} to {high:.0f} px" for low, high in pairwise(SIDES))
    print(f"| dictionary | {bins} | card found | taken for a marker: decoded, kept | ms |")
    print("|---|" + "---|" * (len(SIDES) + 2))
    for name in DICTIONARIES:
        shares = " | ".join(f"{v:.0%}" for v in found[name] / total)
        ms = 1e3 * float(np.median(spent[name][1:]))
        print(f"| {name} | {shares} | {poses[name] / POSES:.0%} | {false[name][0]}, {false[name][1]} | {ms:.1f} |")
    print(f"\nMarkers in each bin: {', '.join(f'{n:.0f}' for n in total)}.")


if __name__ == "__main__":
    main()
