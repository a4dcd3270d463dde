#!/usr/bin/env python3
"""One cup on a scale, as lines on standard output, ten a second; steeps for as many seconds as its argument says.  It
sleeps between lines because it plays the instrument: a scale speaks at its own pace, in real time, to a machine whose
clock is its own.  Cup 320 g, brewer 200 g, 15 g of coffee, 230 g of water, pressed on the scale."""
import math
import sys
import time

CUP_G, BREWER_G, DOSE_G, WATER_G, RETAINED_G = 320.0, 200.0, 15.0, 230.0, 30.0
STEEP_S = float(sys.argv[1])
EMPTY, DRY = CUP_G + BREWER_G, CUP_G + BREWER_G + DOSE_G
FULL = DRY + WATER_G
PRESSED = FULL + 1500


def hand_g(seconds):
    """Hands push unsteadily."""
    return 180 * math.sin(4.4 * seconds) + 110 * math.sin(11.9 * seconds) + 60 * math.sin(2.1 * seconds)


# (seconds, grams when they have passed): straight lines between
STORY = [(6, 0), (0.3, EMPTY), (6, EMPTY), (3, DRY), (6, DRY), (15, FULL), (STEEP_S, FULL), (2, PRESSED), (20, PRESSED),
         (0.5, FULL), (3, FULL), (0.3, 0), (4, 0), (0.3, CUP_G + WATER_G - RETAINED_G),
         (15, CUP_G + WATER_G - RETAINED_G), (0.3, 0), (1000, 0)]

began, before, left = time.monotonic(), 0.0, 0.0
for seconds, target in STORY:
    first, steps = before, max(1, round(seconds * 10))
    for step in range(1, steps + 1):
        before = first + (target - first) * step / steps
        shown = before + (hand_g(step / 10) if first == target == PRESSED else 0)
        left += 0.1
        time.sleep(max(0, began + left - time.monotonic()))
        moving = target != first or target == PRESSED
        print(f"{'US' if moving else 'ST'},GS,{shown:+9.1f} g", end="\r\n", flush=True)
