"""What every judge of a part needs: rows of the table, simulations, a world to make them in, textbook statistics.

A simulation makes one store whose truth is known, runs poise-report on it, and notes for its rows whether a claim was
made and whether it held.  None of it knows how the report reaches its claims."""
import contextlib
import math
import os
import sys
from dataclasses import dataclass

import numpy as np
from scipy import stats

from claims import Report
from made_store import Cups, blocks

COVERS, FALSE, POWER, MEAN = "covers", "false", "power", "mean"


@dataclass
class Row:
    name: str
    what: str
    kind: str       # COVERS: held / made within reach.  FALSE: false / reports.  POWER: made / reports.  MEAN: a number
    reach: tuple    # lowest and highest that hold; shares in percent
    part: str       # the module whose simulations fill it


ROWS, SIMULATIONS = {}, []


def row(name, kind, what, reach=None):
    usual = {COVERS: (93, 97), FALSE: (0, 6), POWER: (90, 100), MEAN: (-0.1, 0.1)}
    ROWS[name] = Row(name, what, kind, reach or usual[kind], sys._getframe(1).f_globals["__name__"])


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

    @property
    def path(self):
        return os.path.join(self.folder, "cups.db")

    @contextlib.contextmanager
    def cups(self):
        cups = Cups(self.empty, self.path, self.rng)
        yield cups
        cups.save()

    def report(self, *words, plain=False):
        """plain: without --json, for what else it does."""
        return Report(self.programs, self.path, *words, plain=plain)

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
