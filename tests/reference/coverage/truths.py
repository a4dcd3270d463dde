"""What is true of the made-up coffee: curves of extraction against time, of which only the first is the report's own.

Every curve is extraction in percent against seconds since first water.  What a report may state about a curve follows
from the curve itself (Curve.share, .gain, .doubling), found numerically and without any model."""
import math

import numpy as np
from scipy.optimize import brentq

LATEST_S = 100_000.0        # beyond this nobody steeps: what comes later never comes


class Curve:
    def __init__(self, name, extraction, plateau=None):
        self.name, self.extraction, self.plateau = name, extraction, plateau    # plateau None: there is none

    def __call__(self, t):
        return self.extraction(np.asarray(t, dtype=float))

    def _last(self, excess):
        """The last time at which excess(t) is not negative: after it, never again; inf where that never ends."""
        grid = np.concatenate([np.linspace(0.0, 2000.0, 4001), np.geomspace(2000.5, LATEST_S, 2000)])
        above = excess(grid) >= 0
        if above[-1]:
            return math.inf
        if not above.any():
            return 0.0
        last = int(np.nonzero(above)[0][-1])
        return float(brentq(lambda t: float(excess(np.array([t]))[0]), grid[last], grid[last + 1]))

    def share(self, share):
        """When so much of the plateau is in the cup; NAN where there is no plateau."""
        if self.plateau is None:
            return math.nan
        return self._last(lambda t: share * self.plateau - self(t))

    def gain(self, step_s, least):
        return self._last(lambda t: self(t + step_s) - self(t) - least)

    def doubling(self, least):
        return self._last(lambda t: self(2 * t) - self(t) - least)


def plain(rng):
    """First order: the report's own family."""
    top, k = rng.uniform(19, 23), rng.uniform(0.012, 0.028)
    return Curve("first order", lambda t: top * (1 - np.exp(-k * t)), top)


def quick(rng):
    """A quick part, washed off at once, then first order."""
    top, k, at_once = rng.uniform(19, 23), rng.uniform(0.010, 0.020), rng.uniform(3, 8)
    return Curve("quick part", lambda t: at_once + (top - at_once) * (1 - np.exp(-k * t)), top)


def small_quick(rng):
    """A quick part too small to be seen with certainty: the case in which a choice between curves goes wrong."""
    top, k, at_once = rng.uniform(19, 23), rng.uniform(0.012, 0.024), rng.uniform(0.8, 3)
    return Curve("small quick part", lambda t: at_once + (top - at_once) * (1 - np.exp(-k * t)), top)


def two_rates(rng):
    """Fines give soon, the cores of coarse grains slowly."""
    top, share = rng.uniform(20, 24), rng.uniform(0.55, 0.75)
    fast, slow = rng.uniform(0.03, 0.06), rng.uniform(0.003, 0.006)
    return Curve("two rates", lambda t: top * (1 - share * np.exp(-fast * t) - (1 - share) * np.exp(-slow * t)), top)


def power_law(rng):
    """Never a plateau: every doubling brings the same factor."""
    exponent, at_300 = rng.uniform(0.18, 0.30), rng.uniform(19, 23)
    return Curve("power law", lambda t: at_300 * (np.maximum(t, 1e-9) / 300) ** exponent)


def rise_and_fall(rng):
    """A maximum, then less: the cooling bed takes some back, or the paper clogs."""
    top, k, fall = rng.uniform(20, 23), rng.uniform(0.018, 0.03), rng.uniform(0.006, 0.012)
    return Curve("rise and fall", lambda t: top * (1 - np.exp(-k * t)) - fall * np.maximum(t - 90, 0))


def level_off(rng):
    """Straight up, then flat: the liquid is saturated from one moment on."""
    top, corner = rng.uniform(19, 22), rng.uniform(110, 170)
    base = rng.uniform(9, 12)
    return Curve("straight, then level", lambda t: np.minimum(base + (top - base) * t / corner, top), top)


def lag(rng):
    """Nothing dissolves until the grounds are wet."""
    top, k, late = rng.uniform(19, 23), rng.uniform(0.015, 0.028), rng.uniform(10, 25)
    return Curve("lag", lambda t: top * (1 - np.exp(-k * np.maximum(t - late, 0))), top)


def drifting(rng):
    """First order, and a slow leak of bitters that goes on: no plateau."""
    top, k, leak = rng.uniform(17, 20), rng.uniform(0.015, 0.028), rng.uniform(0.004, 0.008)
    return Curve("saturating with drift", lambda t: top * (1 - np.exp(-k * t)) + leak * t)


def hyperbola(rng):
    """Second order (Ho & McKay 1999, from memory): E = top k t / (1 + k t); a plateau that is reached very late."""
    top, half = rng.uniform(22, 26), rng.uniform(25, 50)
    return Curve("second order", lambda t: top * t / (half + t), top)


INSIDE = (plain, quick, small_quick)
OUTSIDE = (two_rates, power_law, rise_and_fall, level_off, lag, drifting, hyperbola)
