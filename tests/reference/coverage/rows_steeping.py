"""Extraction against time: where returns diminish, and whether the curve is one."""
import contextlib

import numpy as np
from scipy import optimize, stats

import truths
from made_store import blocks
from world import COVERS, FALSE, row, simulation


DESIGNS = (((45, 75, 120, 180, 300), 3), ((30, 60, 90, 150, 240, 400), 2), ((40, 80, 160, 320), 4))

for _name, _words in (("first order", "plain"), ("a quick part", "quick"), ("a small quick part", "small quick")):
    for _by, _bend in (("share", "95 % of the plateau"), ("gain", "another 30 s < 0.3"),
                       ("doubling", "doubling < 0.5")):
        row(f"{_words.replace(' ', '_')}_{_by}", COVERS, f"{_name}: interval of {_bend}")
row("misfit_false", FALSE, "first order, with or without a quick part: \"the curve does not fit\"")
for _truth in truths.OUTSIDE:
    row(f"shape_{_truth.__name__}", FALSE, f"{_truth.__name__.replace('_', ' ')}: a bend is printed that is not there")
row("misfit_silent", FALSE, "lack of fit p < 0.01 against replicates, and bends are printed unwarned")
row("more_at_most", FALSE, "\"however much longer it steeps, that brings X more at most\"")
row("gain_brewed", COVERS, "what a longer steep that was brewed brings")
row("gain_outside", COVERS, "the same, where the truth is of no shape the report knows")


def steep(world, curve, times, replicates, spread=0.3):
    y, planned = [], []
    with world.cups() as cups:
        cups.experiment("steep", {"steep_s": times}, replicates=replicates)
        for replicate, time in blocks(world.rng, times, replicates):
            done = time + world.rng.normal(0, 1)
            extraction = float(curve(done)) + world.rng.normal(0, spread)
            cups.cup("steep", {"steep_s": time}, extraction, replicate, steep_s=(done, 0.2))
            y.append(extraction)
            planned.append(time)
    return np.array(planned, float), np.array(y)


def lack_of_fit(t, y):
    """p of the F test of Draper & Smith (Applied Regression Analysis) for the better of the two first-order curves."""
    levels = np.unique(t)
    pure = sum(float(np.sum((y[t == level] - y[t == level].mean()) ** 2)) for level in levels)
    best = 0.0
    for shape, start in ((lambda t, p, k: p * -np.expm1(-k * t), (y.max(), 0.02)),
                         (lambda t, p, k, a: a + (p - a) * -np.expm1(-k * t), (y.max(), 0.01, y.min() / 2))):
        if len(levels) <= len(start):
            continue
        with contextlib.suppress(RuntimeError):
            found, _ = optimize.curve_fit(shape, t, y, start, maxfev=4000)
            residual = float(np.sum((y - shape(t, *found)) ** 2))
            df = len(levels) - len(start), len(y) - len(levels)
            best = max(best, stats.f.sf(max(residual - pure, 0) / df[0] / (pure / df[1]), *df))
    return best


def judge_bends(world, curve, report, row_of):
    truth = {"share": curve.share(0.95), "gain": curve.gain(30, 0.3), "doubling": curve.doubling(0.5)}
    all_true = True
    bends = report.bends()
    for by, _, low, high, _ in bends:
        all_true &= low <= truth[by] <= high
        if row_of:
            world.cover(row_of[by], truth[by], low, high)
    return bool(bends), all_true


def judge_more(world, curve, report, gains="gain_brewed"):
    most = report.more_at_most()
    if most is not None:
        ends = [seconds for by, seconds, *_ in report.bends() if by == "share"]
        begun = ends[0] if ends else 0
        later = curve(np.geomspace(max(begun, 1), 3600, 200))       # an hour: longer than anybody steeps
        world.note("more_at_most", True, float(later.max() - curve(begun)) <= most + 0.05)
    else:
        world.note("more_at_most", False)
    for begun, ended, _, low, high in report.gains():
        world.cover(gains, float(curve(ended) - curve(begun)), low, high)


def inside(truth, prefix):
    def simulate(world):
        curve = truth(world.rng)
        times, replicates = DESIGNS[world.index % len(DESIGNS)]
        t, y = steep(world, curve, times, replicates)
        report = world.report("steep")
        judge_bends(world, curve, report, {by: f"{prefix}_{by}" for by in ("share", "gain", "doubling")})
        world.note("misfit_false", report.misfit(), False)
        judge_more(world, curve, report)
    simulate.__name__ = f"inside_{prefix}"
    return simulate


def outside(truth):
    def simulate(world):
        curve = truth(world.rng)
        times, replicates = DESIGNS[world.index % len(DESIGNS)]
        t, y = steep(world, curve, times, replicates)
        report = world.report("steep")
        made, good = judge_bends(world, curve, report, None)
        world.note(f"shape_{truth.__name__}", made, good)
        if lack_of_fit(t, y) < 0.01:
            world.note("misfit_silent", made and not report.misfit(), False)
        judge_more(world, curve, report, "gain_outside")
    simulate.__name__ = f"outside_{truth.__name__}"
    return simulate


for _truth, _prefix in zip(truths.INSIDE, ("plain", "quick", "small_quick")):
    simulation(1200, 60)(inside(_truth, _prefix))
for _truth in truths.OUTSIDE:
    simulation(600, 30)(outside(_truth))
