"""The rows of the coverage table, and the experiments that fill them.

A simulation makes one store whose truth is known, runs poise-report on it, and notes for its rows whether a claim was
made and whether it held.  None of it knows how the report reaches its claims."""
import contextlib
import json
import math
import os
import re
import subprocess
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

import truths
from claims import Report
from made_store import Cups, blocks

COVERS, FALSE, POWER, MEAN = "covers", "false", "power", "mean"


@dataclass
class Row:
    name: str
    what: str
    kind: str       # COVERS: held / made within reach.  FALSE: false / reports.  POWER: made / reports.  MEAN: a number
    reach: tuple    # lowest and highest that hold; shares in percent


ROWS, SIMULATIONS = {}, []


def row(name, kind, what, reach=None):
    usual = {COVERS: (93, 97), FALSE: (0, 6), POWER: (90, 100), MEAN: (-0.1, 0.1)}
    ROWS[name] = Row(name, what, kind, reach or usual[kind])


def simulation(full, short=0):
    """full, short: how many experiments a whole and a short run make."""
    def keep(function):
        SIMULATIONS.append((function, full, short))
        return function
    return keep


class World:
    """What a simulation needs: chance, a place for its store, the programs; and what it noted."""

    def __init__(self, rng, programs, empty, folder, index):
        self.rng, self.programs, self.empty, self.folder, self.index = rng, programs, empty, folder, index
        self.noted = []

    @contextlib.contextmanager
    def cups(self):
        path = os.path.join(self.folder, "cups.db")
        cups = Cups(self.empty, path, self.rng)
        yield cups
        cups.save()

    def report(self, *words):
        return Report(self.programs, os.path.join(self.folder, "cups.db"), *words)

    def note(self, name, made, good=True):
        self.noted.append((name, bool(made), float(good) if ROWS[name].kind == MEAN else bool(good)))

    def cover(self, name, truth, low, high):
        self.note(name, True, not math.isnan(truth) and low <= truth <= high)


def mean_effect(y, level, block=None):
    """p and estimate of the difference of two levels, with blocks where given: the textbook's analysis."""
    columns = [np.ones(len(y)), np.asarray(level, float)]
    for name in sorted(set(block))[1:] if block is not None else ():
        columns.append(np.array([b == name for b in block], float))
    x = np.column_stack(columns)
    beta, *_ = np.linalg.lstsq(x, y, rcond=None)
    df = len(y) - np.linalg.matrix_rank(x)
    s2 = float(np.sum((y - x @ beta) ** 2)) / df
    se = math.sqrt(s2 * np.linalg.pinv(x.T @ x)[1, 1])
    return 2 * stats.t.sf(abs(beta[1]) / se, df), beta[1], se, df


# -- extraction against time --

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


def judge_more(world, curve, report):
    most = report.more_at_most()
    if most is not None:
        ends = [seconds for by, seconds, *_ in report.bends() if by == "share"]
        begun = ends[0] if ends else 0
        later = curve(np.geomspace(max(begun, 1), 3600, 200))       # an hour: longer than anybody steeps
        world.note("more_at_most", True, float(later.max() - curve(begun)) <= most + 0.05)
    else:
        world.note("more_at_most", False)
    for begun, ended, _, low, high in report.gains():
        world.cover("gain_brewed", float(curve(ended) - curve(begun)), low, high)


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
        judge_more(world, curve, report)
    simulate.__name__ = f"outside_{truth.__name__}"
    return simulate


for _truth, _prefix in zip(truths.INSIDE, ("plain", "quick", "small_quick")):
    simulation(1200, 60)(inside(_truth, _prefix))
for _truth in truths.OUTSIDE:
    simulation(600, 30)(outside(_truth))


# -- levels, blocks, days, benches --

row("blocks_contradict", FALSE, "two levels in blocks: headline against the blocked t-test (p < 0.05 or not)")
row("blocks_cover", COVERS, "two levels in blocks: interval of the difference")
row("blocks_null", FALSE, "two levels in blocks, nothing there: a sure difference")
row("could_have_shown", FALSE, "\"one of X would have shown\" with X inside its own interval")


def words(world, name, levels, replicates, extraction, order="random", recipe=None, per_cup=None):
    """An experiment on a setting that is a word.  extraction(level, replicate, place in the order)."""
    with world.cups() as cups:
        cups.experiment(name, {"own_part": levels}, replicates=replicates, order=order)
        y = []
        for place, (replicate, level) in enumerate(blocks(world.rng, levels, replicates, order)):
            value = extraction(level, replicate, place)
            cups.cup(name, {"own_part": level}, value, replicate, recipe(level, replicate) if recipe else None)
            y.append((level, replicate, value))
            if per_cup:
                per_cup(cups)
    return y


def difference_of(report, more, less):
    """Interval of more - less, as printed."""
    for level, against, value, low, high in report.pairs():
        if level == more and against == less:
            return value, low, high
        if level == less and against == more:
            return -value, -high, -low
    return None


@simulation(1000, 60)
def two_in_blocks(world):
    rng, effect = world.rng, (0.0, 0.5)[world.index % 2]
    block = rng.normal(0, 0.6, 9)
    cups = words(world, "parts", ("a", "b"), 5,
                 lambda level, replicate, _: 19 + block[replicate] + effect * (level == "b") + rng.normal(0, 0.25))
    report = world.report("parts")
    p, *_ = mean_effect(np.array([y for *_, y in cups]), [level == "b" for level, *_ in cups],
                        [replicate for _, replicate, _ in cups])
    sure = report.headline_sure()
    if abs(p - 0.05) > 0.005:       # not where a digit decides
        world.note("blocks_contradict", sure != (p < 0.05), False)
    found = difference_of(report, {"own_part": "b"}, {"own_part": "a"})
    if found:
        world.cover("blocks_cover", effect, *found[1:])
    if effect == 0:
        world.note("blocks_null", sure, False)
    could = report.could_have_shown()
    world.note("could_have_shown", could is not None, could is None or not found or
               not found[1] < could < found[2] and not found[1] < -could < found[2])


row("days_cover", COVERS, "two levels, three days, two cups a day and level: interval of the difference")
row("days_null", FALSE, "the same, nothing there: a sure difference")
row("days_vary_cover", COVERS, "the same, and the effect itself differs from day to day (0.4): interval of its mean")


@simulation(1200, 60)
def days(world):
    rng = world.rng
    effect, vary = (0.0, 0.8)[world.index % 2], (0.0, 0.4)[world.index // 2 % 2]
    days_made = 3 if vary == 0 else 5
    with world.cups() as cups:
        cups.experiment("days", {"own_part": ("a", "b")}, replicates=2 * days_made)
        replicate = 0
        for _ in range(days_made):
            day, extra = rng.normal(0, 0.6), rng.normal(0, vary)
            for _ in range(2):
                replicate += 1
                for level in rng.permutation(["a", "b"]):
                    cups.cup("days", {"own_part": str(level)}, 19 + day + (effect + extra) * (level == "b") +
                             rng.normal(0, 0.25), replicate)
            cups.next_day()
    report = world.report("days")
    found = difference_of(report, {"own_part": "b"}, {"own_part": "a"})
    if found:
        world.cover("days_vary_cover" if vary else "days_cover", effect, *found[1:])
    if effect == 0 and vary == 0:
        world.note("days_null", report.headline_sure(), False)


row("bench_block", POWER, "two benches apart, each shows the effect (p < 0.05, bench as block): it is shown")
row("bench_null", FALSE, "two benches apart, nothing there: a sure difference")


@simulation(500, 40)
def benches(world):
    rng, effect = world.rng, (0.0, 0.8)[world.index % 2]
    with world.cups() as cups:
        cups.experiment("benches", {"own_part": ("a", "b")}, replicates=4)
        y, level_of, bench_of = [], [], []
        for bench, offset in (("pier", 0.0), ("quay", rng.choice([-1.2, 1.2]))):
            for replicate, level in blocks(rng, ("a", "b"), 4):
                y.append(19 + offset + effect * (level == "b") + rng.normal(0, 0.3))
                level_of.append(level == "b")
                bench_of.append(bench)
                cups.cup("benches", {"own_part": level}, y[-1], replicate, bench=bench)
    report = world.report("benches")
    p, *_ = mean_effect(np.array(y), level_of, bench_of)
    if effect and p < 0.05:
        world.note("bench_block", report.headline_sure())
    if not effect:
        world.note("bench_null", report.headline_sure(), False)


row("noisy_level", COVERS, "four levels, one four times as noisy: all printed intervals at once")
row("equal_levels", COVERS, "four levels, equal spreads: all printed intervals at once")
row("level_interval", COVERS, "interval of a level's mean (two to four cups a level)")
row("level_width", MEAN, "its width over that from the pooled spread, less 1 (two cups)", (-0.2, 0.6))
row("rough_cover", COVERS, "outlying cups, drift, carry-over, skewed cups: all printed intervals at once")
row("rough_null", FALSE, "outlying cups, drift, carry-over, skewed cups, nothing there: a sure difference")


def all_cover(world, name, report, mean_of):
    pairs = report.pairs()
    if pairs:
        world.note(name, True, all(low <= mean_of(level) - mean_of(against) <= high
                                   for level, against, _, low, high in pairs))


@simulation(1000, 60)
def spreads(world):
    rng, levels = world.rng, ("a", "b", "c", "d")
    noisy, replicates = world.index % 2, (2, 3, 4)[world.index % 3]
    mean = {level: 19 + rng.normal(0, 0.6) for level in levels}
    replicates = max(replicates, 4) if noisy else replicates
    cups = words(world, "spreads", levels, replicates,
                 lambda level, *_: mean[level] + rng.normal(0, 0.25 * (4 if noisy and level == "c" else 1)))
    report = world.report("spreads")
    all_cover(world, "noisy_level" if noisy else "equal_levels", report, lambda level: mean[level["own_part"]])
    pooled = math.sqrt(np.mean([np.var([y for l, _, y in cups if l == level], ddof=1) for level in levels]))
    for level in report.levels():
        if not level.get("interval"):
            continue
        low, high = level["interval"]
        world.cover("level_interval", mean[level["factors"]["own_part"]], low, high)
        if not noisy and replicates == 2:
            usual = 2 * pooled / math.sqrt(2) * stats.t.ppf(0.975, len(levels))
            world.note("level_width", True, (high - low) / usual - 1)


@simulation(1200, 60)
def rough(world):
    rng, levels, kind = world.rng, ("a", "b", "c"), world.index % 4
    null = world.index // 4 % 2
    mean = {level: 19 + (0 if null else rng.normal(0, 0.6)) for level in levels}
    drift, before = rng.uniform(-0.08, 0.08), [None]

    def cup(level, _, place):
        value = mean[level] + rng.normal(0, 0.3)
        if kind == 0 and rng.random() < 0.06:
            value -= rng.uniform(1.5, 3)                # a torn paper, a spilled cup that nobody noted
        elif kind == 1:
            value += drift * place                      # burrs warm up, the bag goes stale
        elif kind == 2:
            value += 0.15 * (mean[before[0]] - 19) if before[0] else 0      # what the last cup left in the brewer
            before[0] = level
        elif kind == 3:
            value += 0.3 * (rng.exponential() - 1)
        return value

    words(world, "rough", levels, 4, cup)
    report = world.report("rough")
    shift = 0.06 * -2.25 if kind == 0 else 0
    all_cover(world, "rough_cover", report, lambda level: mean[level["own_part"]] + shift)
    if null:
        world.note("rough_null", report.headline_sure() or report.differences(), False)


# -- two factors --

row("two_by_two_contradict", FALSE, "2 x 2: \"no difference\" while the stir's own F has p < 0.05")
row("two_by_two_null", FALSE, "2 x 2, nothing there: anything sure")
row("two_by_two_false", FALSE, "2 x 2, stir matters at coarse only: a claim that it matters at fine")
row("number_word_main", POWER, "number x word: the word's main effect (own F p < 0.05) is claimed")
row("filters_contradict", FALSE, "1 or 2 papers: \"no difference\" leads while the F of papers has p < 0.001")


def factorial(world, name, vary, replicates, extraction):
    (first, first_levels), (second, second_levels) = vary.items()
    cells = [{first: a, second: b} for a in first_levels for b in second_levels]
    found = []
    with world.cups() as cups:
        cups.experiment(name, vary, replicates=replicates)
        for replicate, cell in blocks(world.rng, cells, replicates):
            value = extraction(cell)
            cups.cup(name, cell, value, replicate)
            found.append((cell, replicate, value))
    return found


def main_p(cups, factor):
    """p of the F of one factor in a balanced two-factor design with interaction and blocks."""
    names = list(cups[0][0])
    cell = [tuple(c[n] for n in names) for c, *_ in cups]
    y, block = np.array([v for *_, v in cups]), [r for _, r, _ in cups]
    cells, rounds = sorted(set(cell), key=str), sorted(set(block))
    fit = np.array([np.mean([v for v, c in zip(y, cell) if c == one]) for one in cell])
    fit += np.array([np.mean([v for v, b in zip(y, block) if b == one]) for one in block]) - y.mean()
    df = len(y) - len(cells) - len(rounds) + 1
    levels = sorted({c[factor] for c, *_ in cups}, key=str)
    ss = sum(len(part) * (np.mean(part) - y.mean()) ** 2 for part in
             ([v for c, _, v in cups if c[factor] == level] for level in levels))
    return stats.f.sf(ss / (len(levels) - 1) / (np.sum((y - fit) ** 2) / df), len(levels) - 1, df)


@simulation(1000, 60)
def two_by_two(world):
    rng, case = world.rng, world.index % 3
    effects = {0: lambda c: 0.5 * (c["stir"] == "swirl"), 1: lambda c: 0.0,
               2: lambda c: 3.0 * (c["grind"] == "fine") + 2.0 * (c["grind"] == "coarse" and c["stir"] == "swirl")}
    cups = factorial(world, "square", {"grind": ("coarse", "fine"), "stir": ("none", "swirl")}, 3,
                     lambda cell: 17 + effects[case](cell) + rng.normal(0, 0.3))
    report = world.report("square")
    if case == 0 and main_p(cups, "stir") < 0.045:
        world.note("two_by_two_contradict", not report.headline_sure(), False)
    elif case == 1:
        world.note("two_by_two_null", report.headline_sure() or report.differences(), False)
    elif case == 2:
        false = any(set(pair[0]) == {"grind", "stir"} and pair[0]["grind"] == pair[1]["grind"] == "fine"
                    for pair in report.differences())
        world.note("two_by_two_false", false, False)


@simulation(500, 40)
def number_word(world):
    rng = world.rng
    cups = factorial(world, "mixed", {"grind": (16, 20, 24), "stir": ("none", "swirl")}, 3,
                     lambda cell: 18 - 0.1 * (cell["grind"] - 20) + 0.45 * (cell["stir"] == "swirl") +
                     rng.normal(0, 0.35))
    report = world.report("mixed")
    if main_p(cups, "stir") < 0.045:
        world.note("number_word_main", any(set(more) == {"stir"} for more, _ in report.differences()))
    cups = factorial(world, "papers", {"filters": (1, 2), "grind": ("coarse", "middle", "fine")}, 3,
                     lambda cell: 18 - 0.5 * (cell["filters"] == 2) + rng.normal(0, 0.3))
    report = world.report("papers")
    if main_p(cups, "filters") < 0.001:
        world.note("filters_contradict", not report.headline_sure(), False)


# -- what was not randomised --

row("own_day", FALSE, "each level on its own day, nothing there: a sure difference")
row("listed_drift", FALSE, "listed order under drift, nothing there: a sure difference")
row("own_bag", FALSE, "each level from its own bag, nothing there: a sure difference")
row("own_setting", FALSE, "a grinder setting that changed with the level: a sure difference")
row("clean_refused", FALSE, "randomised, over two days and two bags, effect 1.5: refused or unsure")


def sure_of_any(report):
    return report.headline_sure() or bool(report.differences())


@simulation(800, 60)
def confounded(world):
    rng, kind, levels = world.rng, world.index % 4, ("a", "b", "c")[:2 + world.index // 4 % 2]
    other = {level: rng.normal(0, 0.7) for level in levels}
    if kind == 0:
        with world.cups() as cups:
            cups.experiment("parts", {"own_part": levels}, replicates=4)
            for level in levels:
                for replicate in range(1, 5):
                    cups.cup("parts", {"own_part": level}, 19 + other[level] + rng.normal(0, 0.25), replicate)
                cups.next_day()
    elif kind == 1:
        drift = rng.choice([-1, 1]) * rng.uniform(0.08, 0.2)
        words(world, "parts", levels, 6, lambda _, __, place: 19 + drift * place + rng.normal(0, 0.2), order="listed")
    else:
        words(world, "parts", levels, 4, lambda level, *_: 19 + other[level] + rng.normal(0, 0.25),
              recipe=lambda level, _: {("coffee", "grind")[kind - 2]: (f"bag {level}", 16 + ord(level) % 7)[kind - 2]})
    world.note(("own_day", "listed_drift", "own_bag", "own_setting")[kind], sure_of_any(world.report("parts")), False)


@simulation(400, 40)
def clean(world):
    rng, levels = world.rng, ("a", "b")
    with world.cups() as cups:
        cups.experiment("parts", {"own_part": levels}, replicates=6)
        for place, (replicate, level) in enumerate(blocks(rng, levels, 6)):
            if place == 6:
                cups.next_day()
            cups.cup("parts", {"own_part": level}, 19 + 1.5 * (level == "b") + 0.4 * (place >= 6) + rng.normal(0, 0.3),
                     replicate, {"coffee": "bag one" if place < 6 else "bag two"})
    report = world.report("parts")
    world.note("clean_refused", report.refused() or not report.headline_sure(), False)


# -- the plan's promise --

PLANS = {"two": ("own_part", ("a", "b")), "four": ("own_part", ("a", "b", "c", "d")),
         "six": ("grind", (14, 16, 18, 20, 22, 24))}
for _name in PLANS:
    row(f"plan_power_{_name}", POWER, f"{_name} levels, replicates that `plan check` asks for: the difference is shown",
        (80, 100))
PROMISED = {}


def promised(world, name, difference, spread):
    """How many replicates `poise-ctl plan check` asks for."""
    if name not in PROMISED:
        factor, levels = PLANS[name]
        path = os.path.join(world.folder, "plan.ini")
        for replicates in range(2, 40):
            with open(path, "w", encoding="utf-8") as plan:
                plan.write(f"[experiment]\nname = parts\nreplicates = {replicates}\ndifference = {difference}\n"
                           f"spread = {spread}\n[vary]\n{factor} = {', '.join(map(str, levels))}\n"
                           "[hold]\ndose_g = 15 +- 0.2\n")
            done = subprocess.run([os.path.join(world.programs, "poise-ctl"), "plan", "check", path, "--json"],
                                  capture_output=True, text=True, check=False)
            if done.returncode == 0 and json.loads(done.stdout).get("answers"):
                break
        PROMISED[name] = replicates
    return PROMISED[name]


@simulation(900, 60)
def plan_power(world):
    name = list(PLANS)[world.index % len(PLANS)]
    factor, levels = PLANS[name]
    difference, spread, rng = 0.8, 0.4, world.rng
    replicates = promised(world, name, difference, spread)
    # Two levels differ by what is asked for, the others lie between: nothing else helps to find it.
    low, high = rng.permutation(len(levels))[:2]
    with world.cups() as cups:
        cups.experiment("parts", {factor: levels}, replicates=replicates, difference=difference)
        for replicate, place in blocks(rng, range(len(levels)), replicates):
            value = 19 + (0 if place == low else difference if place == high else difference / 2)
            cups.cup("parts", {factor: levels[place]}, value + rng.normal(0, spread), replicate)
    pairs = world.report("parts").differences()
    world.note(f"plan_power_{name}", any(more[factor] == levels[high] and less[factor] == levels[low]
                                         for more, less in pairs))


# -- several curves, several variables, several looks --

row("six_curves", FALSE, "six curves alike, compared: one is claimed to end higher, or to differ")


@simulation(500, 40)
def six_curves(world):
    rng, curve = world.rng, truths.plain(world.rng)
    factorial(world, "curves", {"steep_s": (45, 90, 180, 300), "own_part": tuple("abcdef")}, 2,
              lambda cell: float(curve(cell["steep_s"])) + rng.normal(0, 0.3))
    report = world.report("curves")
    false = re.search(r"ends? [\d.]+ points (?:higher|lower)|higher than|faster than", report.headline) or any(
        more.get("own_part") != less.get("own_part") and more.get("steep_s") == less.get("steep_s")
        for more, less in report.differences())
    world.note("six_curves", false, False)


row("null_keep", FALSE, "eight variables, nothing there: any \"keep\"")
row("small_keep", FALSE, "eight variables, true effect 0.3 below the margin 0.5: any \"keep\"")
row("large_drop", FALSE, "a variable whose true effect is 0.55, the margin 0.5: \"drop\"")
row("large_keep", POWER, "eight variables, true effect 2.0: \"keep\"")
row("effect_bias", MEAN, "best of four noisy levels: the effect claimed less the true one, points")
VARIABLES = ("stir", "filter", "rinse", "position", "own_a", "own_b", "own_c", "own_d")


def several(world, spread, replicates, levels_of):
    """Eight experiments, one variable each.  levels_of(variable) -> {level: true extraction}."""
    with world.cups() as cups:
        for place, variable in enumerate(VARIABLES):
            levels = levels_of(variable)
            cups.experiment(f"on-{place}", {variable: tuple(levels)}, replicates=replicates)
            for replicate, level in blocks(world.rng, tuple(levels), replicates):
                cups.cup(f"on-{place}", {variable: level}, levels[level] + world.rng.normal(0, spread), replicate)
    return world.report("verdicts")


@simulation(800, 40)
def verdicts(world):
    rng, case = world.rng, world.index % 4
    effect = (0.0, 0.3, 0.55, 2.0)[case]
    spread = (rng.uniform(0.3, 0.8), 0.2, 0.25, 0.3)[case]
    counts = {variable: int(rng.choice([2, 3])) if case == 0 else 2 for variable in VARIABLES}
    found = several(world, spread, 4, lambda variable: {
        "abc"[place]: 19 + effect * (place == 1) for place in range(counts[variable])}).verdicts()
    given = [one[0] for rows in found.values() for one in rows]
    if case < 2:
        world.note(("null_keep", "small_keep")[case], "keep" in given, False)
    else:
        for verdict in given:
            world.note("large_drop", verdict == "drop", False) if case == 2 else world.note("large_keep",
                                                                                             verdict == "keep")


@simulation(300, 20)
def bias(world):
    rng, truth = world.rng, {}
    for variable in VARIABLES:
        truth[variable] = {level: 19 + rng.normal(0, 0.15) for level in "abcd"}
    found = several(world, 0.45, 3, truth.get).verdicts()
    for variable, rows in found.items():
        for _, effect, _, _, better, worse, _ in rows:
            levels = truth[variable]
            if effect is not None and better in levels and worse in levels:
                world.note("effect_bias", True, effect - (levels[better] - levels[worse]))


row("looking", FALSE, "looking after every cup of eight pairs, nothing there: ever a sure difference")
row("looking_end", POWER, "the same, a difference of 1 with spread 0.3: shown at the end")


@simulation(400, 24)
def looking(world):
    rng, effect = world.rng, (0.0, 0.0, 0.0, 1.0)[world.index % 4]
    ever = [False]
    path = os.path.join(world.folder, "cups.db")
    cups = Cups(world.empty, path, rng)
    cups.experiment("parts", {"own_part": ("a", "b")}, replicates=8)
    order = list(blocks(rng, ("a", "b"), 8))
    for place, (replicate, level) in enumerate(order):
        cups.cup("parts", {"own_part": level}, 19 + effect * (level == "b") + rng.normal(0, 0.3), replicate)
        last = place + 1 == len(order)
        if place >= 3 and (not effect or last):
            cups.file.execute("COMMIT")
            ever[0] |= world.report("parts").headline_sure()
            cups.file.execute("BEGIN")
    cups.save()
    world.note("looking_end" if effect else "looking", ever[0], False)


# -- a series of numbers --

row("pressure_null", FALSE, "six pressures, nothing there: line, turn, break or headline")
row("level_off_fall", FALSE, "a rise that levels off: a fall beyond")
row("break_place", COVERS, "a rise that breaks at 42 kPa: interval of the break or turn")
row("break_headline", POWER, "a rise that breaks at 42 kPa, plain to see: the headline has it")
row("line_cover", COVERS, "a straight rise, spread growing along it: change from end to end")
row("curved_cover", COVERS, "a rise that bends like a root: change from end to end")
PRESSURES = (10, 20, 30, 40, 50, 60)


def pressures(world, extraction, replicates=3, spread=lambda _: 0.3):
    rng = world.rng
    with world.cups() as cups:
        cups.experiment("press", {"press_peak_kpa": PRESSURES}, replicates=replicates)
        for replicate, level in blocks(rng, PRESSURES, replicates):
            done = level + rng.normal(0, 0.7)
            cups.cup("press", {"press_peak_kpa": level}, extraction(done) + rng.normal(0, spread(done)), replicate,
                     press_peak_kpa=(done, 0.2), press_mean_kpa=(done * 0.7 + rng.normal(0, 0.5), 0.2),
                     press_s=(30 + rng.normal(0, 3), 0.2), drip_g=(20 + rng.normal(0, 2), 0.2))
    return world.report("press")


@simulation(1800, 120)
def series(world):
    rng, case = world.rng, world.index % 5
    if case == 0:
        world.note("pressure_null", bool(pressures(world, lambda _: 19.0).series_claims()), False)
    elif case == 1:
        corner = rng.uniform(25, 42)
        report = pressures(world, lambda p: 18 + 0.05 * min(p, corner))
        world.note("level_off_fall", "fall" in report.series_claims(), False)
    elif case == 2:
        report = pressures(world, lambda p: 18 + 0.06 * min(p, 42) - 0.10 * max(p - 42, 0), 4)
        place = report.place("break") or report.place("turn")
        if place:
            world.cover("break_place", 42, *place[1:])
        world.note("break_headline", re.search(r"up to about|breaks?\b|turns?\b|most at|falls? beyond|then falls",
                                               report.headline) and not re.search(r"no break", report.headline))
    else:
        root = case == 4
        change = pressures(world, (lambda p: 15 + 0.6 * math.sqrt(p)) if root else lambda p: 18 + 0.03 * p,
                           spread=(lambda _: 0.3) if root else lambda p: 0.1 + 0.012 * p).change()
        if change:
            world.cover("curved_cover" if root else "line_cover",
                        0.6 * (math.sqrt(60) - math.sqrt(10)) if root else 1.5, *change[1:])
