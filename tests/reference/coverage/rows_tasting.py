"""Blind tastings: what poise-taste concludes from tasters who differ, and whether the recipe hears of it.

The key of a tasting is drawn by poise-taste; which answers are right, or who prefers what, is drawn here."""
import json
import os
import re
import sqlite3
import subprocess

from scipy import stats

import truths
from made_store import blocks
from world import COVERS, FALSE, POWER, row, simulation

row("taste_luck", FALSE, "triangle, guesses: \"by luck\" other than the exact binomial tail (by more than 1 %)")
row("taste_guess", FALSE, "triangle, everybody guesses: a difference shown")
row("taste_share_cover", COVERS, "triangle, tasters differ, repeats: interval of the share right among tasters")
row("taste_prefer_null", FALSE, "preference, tasters firm but split evenly, repeats: a preference shown")
row("taste_rank_null", FALSE, "ranking, each taster an order of their own, repeats: cups do not rank alike")
row("taste_recipe", POWER, "120 s preferred blind by twelve of twelve: the recipe takes it")


class Tasting:
    """One tasting in the world's store."""

    def __init__(self, world, name, method, samples, tasters, sets, experiment=None):
        self.world, self.name, self.method = world, name, method
        words = ["new", name, "--method", method, "--sets", str(sets), "--by-eye", "no"]
        for sample in samples:
            words += ["--sample", sample]
        for taster in tasters:
            words += ["--taster", taster]
        if experiment:
            words += ["--experiment", experiment]
        self.run(*words)

    def run(self, *words):
        done = subprocess.run([os.path.join(self.world.programs, "poise-taste"), *words, "--store", self.world.path],
                              capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"poise-taste {' '.join(words)}: {done.stderr}")
        return done.stdout

    def answer(self, choose):
        """choose(taster, codes by sample letter in the set) -> the codes answered."""
        with sqlite3.connect(self.world.path) as store:
            tasting, key = store.execute("SELECT tasting_id, key FROM tasting WHERE name = ?", (self.name,)).fetchone()
            tasters = dict(store.execute("SELECT tasting_set, taster FROM tasting_set WHERE tasting_id = ?",
                                         (tasting,)).fetchall())
            for number, line in re.findall(r"^set (\d+) (.*)$", key, re.M):
                cups = [tuple(cup.split("=")) for cup in line.split()]
                taster = tasters[int(number) - 1]
                store.execute("INSERT INTO tasting_answer (tasting_id, tasting_set, taster, answer, sure, words,"
                              " answered_us) VALUES (?, ?, ?, ?, 0, '', 1795600900000000)",
                              (tasting, int(number) - 1, taster, choose(taster, cups)))
        store.close()

    def result(self):
        self.run("reveal", self.name)
        return json.loads(self.run("results", self.name, "--json"))[0]


def odd_one(cups):
    samples = [sample for _, sample in cups]
    return next(code for code, sample in cups if samples.count(sample) == 1)


def right_or_not(rng, share):
    """A triangle's answer: right with this share."""
    def choose(cups):
        odd = odd_one(cups)
        if rng.random() < share:
            return odd
        return [code for code, _ in cups if code != odd][int(rng.integers(2))]
    return choose


def shows(result):
    return not re.search(r"\bno (?:preference|difference)\b|not shown|cannot", result["sentence"], re.I)


@simulation(400, 24)
def triangles(world):
    rng, guessing = world.rng, world.index % 2
    tasters = [f"t{place}" for place in range(5)]
    with world.cups():
        pass
    tasting = Tasting(world, "tri", "triangle", ("75 s", "180 s"), tasters, 6)
    share = {taster: 1 / 3 + 2 / 3 * (0 if guessing else rng.beta(0.8, 0.8)) for taster in tasters}
    tasting.answer(lambda taster, cups: right_or_not(rng, share[taster])(cups))
    result = tasting.result()
    if guessing:
        exact = stats.binom.sf(result["right"] - 1, result["answered"], 1 / 3)
        world.note("taste_luck", abs(result["p"] / exact - 1) > 0.01, False)
        world.note("taste_guess", result["p"] < 0.05 or shows(result), False)
    else:
        world.cover("taste_share_cover", 1 / 3 + 2 / 3 * 0.5, result["proportion_low"], result["proportion_high"])


def prefer(rng, favourite, cups):
    firm = rng.random() < 0.95
    return next(code for code, sample in cups if (sample == favourite) == firm)


@simulation(200, 16)
def preferences(world):
    rng, tasters = world.rng, [f"t{place}" for place in range(6)]
    with world.cups():
        pass
    tasting = Tasting(world, "pref", "paired", ("75 s", "180 s"), tasters, 6)
    favourite = {taster: rng.choice(["A", "B"]) for taster in tasters}
    tasting.answer(lambda taster, cups: prefer(rng, favourite[taster], cups))
    world.note("taste_prefer_null", shows(tasting.result()), False)


@simulation(160, 16)
def rankings(world):
    rng, tasters = world.rng, [f"t{place}" for place in range(5)]
    with world.cups():
        pass
    tasting = Tasting(world, "rank", "ranking", ("75 s", "180 s", "300 s"), tasters, 4)
    order = {taster: list(rng.permutation(["A", "B", "C"])) for taster in tasters}
    tasting.answer(lambda taster, cups: " ".join(code for code, sample in
                                                 sorted(cups, key=lambda cup: order[taster].index(cup[1]))))
    world.note("taste_rank_null", shows(tasting.result()), False)


@simulation(40, 8)
def tasted_recipe(world):
    rng, curve, times = world.rng, truths.plain(world.rng), (60, 120, 180, 300)
    with world.cups() as cups:
        cups.experiment("steep", {"steep_s": times}, replicates=3)
        for replicate, time in blocks(rng, times, 3):
            cups.cup("steep", {"steep_s": time}, float(curve(time)) + rng.normal(0, 0.3), replicate,
                     steep_s=(time, 0.2))
    tasting = Tasting(world, "pref", "paired", ("120 s", "300 s"), [f"t{place}" for place in range(12)], 1, "steep")
    tasting.answer(lambda _, cups: next(code for code, sample in cups if sample == "A"))
    tasting.result()
    takes = [rows[-1] for rows in world.report("verdicts").verdicts().get("steep_s", [])]
    world.note("taste_recipe", any(re.match(r"120\b", str(take)) for take in takes))
