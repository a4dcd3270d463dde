"""What follows from comparisons: the promise of a plan, curves and variables side by side, looking before the end."""
import json
import os
import re
import subprocess

import truths
from made_store import Cups, blocks
from world import COVERS, FALSE, MEAN, POWER, factorial, row, simulation


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
    # Words: two levels differ by what is asked for, the others lie between, so that nothing else helps to find it.
    # Numbers: a straight rise by as much from end to end.
    low, high = rng.permutation(len(levels))[:2]
    with world.cups() as cups:
        cups.experiment("parts", {factor: levels}, replicates=replicates, difference=difference)
        for replicate, place in blocks(rng, range(len(levels)), replicates):
            value = 19 + (difference * place / (len(levels) - 1) if name == "six" else
                          0 if place == low else difference if place == high else difference / 2)
            cups.cup("parts", {factor: levels[place]}, value + rng.normal(0, spread), replicate)
    report = world.report("parts")
    if name == "six":
        change = report.change()
        world.note("plan_power_six", "change" in report.series_claims() and change and change[1] > 0)
    else:
        world.note(f"plan_power_{name}", any(more[factor] == levels[high] and less[factor] == levels[low]
                                             for more, less in report.differences()))



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
row("verdict_interval", COVERS, "the same: interval of the effect in the table of verdicts")
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
        for _, effect, low, high, better, worse, _ in rows:
            levels = truth[variable]
            if effect is not None and better in levels and worse in levels:
                world.note("effect_bias", True, effect - (levels[better] - levels[worse]))
                world.cover("verdict_interval", levels[better] - levels[worse], low, high)


row("looking", FALSE, "looking after every cup of eight pairs, nothing there: ever a sure difference")
row("looking_four", FALSE, "looking after every cup of four levels, five times, nothing there: ever a sure difference")
row("looking_end", POWER, "the same, a difference of 1 with spread 0.3: shown at the end")


@simulation(500, 30)
def looking(world):
    rng, case = world.rng, world.index % 5
    effect, levels, replicates = 1.0 * (case == 4), ("a", "b", "c", "d")[:4 if case == 3 else 2], 5 if case == 3 else 8
    ever = False
    cups = Cups(world.empty, world.path, rng)
    cups.experiment("parts", {"own_part": levels}, replicates=replicates)
    order = list(blocks(rng, levels, replicates))
    for place, (replicate, level) in enumerate(order):
        cups.cup("parts", {"own_part": level}, 19 + effect * (level == "b") + rng.normal(0, 0.3), replicate)
        if place + 1 == len(order) or place >= 3 and not effect:
            cups.file.execute("COMMIT")
            ever |= world.report("parts").headline_sure()
            cups.file.execute("BEGIN")
    cups.save()
    world.note("looking_end" if effect else "looking_four" if case == 3 else "looking", ever, False)
