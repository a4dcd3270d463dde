"""What the user takes home: the recipe, the next cup, the spread to quote, what is shown beside the comparison."""
import configparser
import math
import os
import re

from scipy import stats

import truths
from made_store import blocks
from rows_series import pressures
from world import COVERS, FALSE, MEAN, POWER, factorial, row, simulation, words

# -- the recipe --

row("break_recipe", POWER, "a break at 42 kPa, plain to see: the recipe takes 36 to 48 kPa")
row("recipe_contradict", FALSE, "several pressures: \"more at\" one, \"take\" another, further apart than two levels")
row("simplest_recipe", FALSE, "2 x 2, stir matters with cloth only, paper is best: the recipe takes the stir")
row("equal_false", FALSE, "two levels that differ by the margin: called the same")
row("equal_power", POWER, "two levels alike, eight cups each, spread 0.2, margin 0.5: called the same")
row("borrowed_null", FALSE, "one cup a level, spread borrowed from steadier experiments, nothing there: sure, or keep")


@simulation(400, 24)
def pressure_recipe(world):
    rng = world.rng
    plain = world.index % 2
    if plain:
        pressures(world, lambda p: 18 + 0.06 * min(p, 42) - 0.10 * max(p - 42, 0), 5, lambda _: 0.2)
    else:
        pressures(world, lambda p: 18 + 0.04 * min(p, 42) - 0.03 * max(p - 42, 0) + rng.normal(0, 0.1))
    for verdict, _, _, _, better, _, take in world.report("verdicts").verdicts().get("press_peak_kpa", []):
        taken = first_number(take)
        if plain:
            world.note("break_recipe", taken is not None and 36 <= taken <= 48)
        elif verdict == "keep" and taken is not None and first_number(better) is not None:
            world.note("recipe_contradict", abs(taken - first_number(better)) > 10, False)


def first_number(text):
    found = re.match(r"\s*(\d+(?:\.\d+)?)", str(text or ""))
    return float(found.group(1)) if found else None


@simulation(300, 20)
def square_recipe(world):
    factorial(world, "square", {"filter": ("cloth", "paper"), "stir": ("none", "swirl")}, 4,
              lambda cell: 17 + 3.0 * (cell["filter"] == "paper") +
              1.5 * (cell["filter"] == "cloth" and cell["stir"] == "swirl") + world.rng.normal(0, 0.25))
    takes = {factor: rows[0][-1] for factor, rows in world.report("verdicts").verdicts().items()}
    world.note("simplest_recipe", takes.get("filter") == "paper" and takes.get("stir") == "swirl", False)


@simulation(800, 40)
def equal(world):
    rng, alike = world.rng, world.index % 2
    words(world, "parts", ("a", "b"), 8,
          lambda level, *_: 19 + (0 if alike else 0.5) * (level == "b") + rng.normal(0, 0.2))
    world.note("equal_power" if alike else "equal_false", world.report("parts", "--margin", "0.5").equal(), False)


@simulation(400, 24)
def borrowed(world):
    rng = world.rng
    with world.cups() as cups:
        for name, replicates, spread in (("steady", 6, 0.15), ("once", 1, 0.5)):
            cups.experiment(name, {f"own_{name}": ("a", "b")}, replicates=replicates)
            for replicate, level in blocks(rng, ("a", "b"), replicates):
                cups.cup(name, {f"own_{name}": level}, 19 + rng.normal(0, spread), replicate)
    once = world.report("once")
    kept = any(rows[0] == "keep" for rows in world.report("verdicts").verdicts().get("own_once", []))
    world.note("borrowed_null", once.headline_sure() or kept, False)


row("recipe_predicts", COVERS, "the recipe's interval for one more cup, brewed on another day")
row("recipe_worse", FALSE, "the recipe is truly worse than the best by more than the margin 0.5")
row("recipe_simple", FALSE, "a step that brings nothing, surely so, stands in the recipe")
row("optimum_cover", COVERS, "two numbers, a hill: interval of the place of the top, in each")
row("optimum_none", FALSE, "two numbers, a slope without a top: a top is claimed")


@simulation(400, 24)
def whole_recipe(world):
    """Three variables on three days: one that matters much, one that costs a step and brings nothing, one small."""
    rng, effects = world.rng, {"stir": 1.6, "rinse": 0.0, "filter": 0.35}
    within, between = 0.2, 0.3
    names = {"stir": ("none", "swirl"), "rinse": ("no", "yes"), "filter": ("paper", "cloth")}
    with world.cups() as cups:
        for variable, levels in names.items():
            held = {other: names[other][0] for other in names if other != variable}
            cups.experiment(f"on-{variable}", {variable: levels}, held, replicates=8)
            for half in range(2):
                day = rng.normal(0, between)
                for replicate, level in blocks(rng, levels, 4):
                    cups.cup(f"on-{variable}", {variable: level}, 19 + day + effects[variable] * (level == levels[1]) +
                             rng.normal(0, within), 4 * half + replicate, held)
                cups.next_day()
    recipe = world.report("recipe")
    takes = recipe.takes()
    if not takes:
        return
    value = sum(effect for variable, effect in effects.items() if takes.get(variable) == names[variable][1])
    world.note("recipe_worse", value < sum(effects.values()) - 0.5, False)
    world.note("recipe_simple", takes.get("rinse") == "yes", False)
    if recipe.predicted():
        world.cover("recipe_predicts", 19 + value + rng.normal(0, between) + rng.normal(0, within), *recipe.predicted())


@simulation(400, 24)
def surface(world):
    rng, hill = world.rng, world.index % 2
    warm, fine = rng.uniform(91, 93), rng.uniform(18, 21)
    factorial(world, "surface", {"temperature_c": (88, 92, 96), "grind": (15, 19, 23)}, 2,
              lambda cell: (20 - 0.06 * (cell["temperature_c"] - warm) ** 2 - 0.06 * (cell["grind"] - fine) ** 2 if hill
                            else 15 + 0.05 * cell["temperature_c"] - 0.1 * cell["grind"]) + rng.normal(0, 0.25))
    top = world.report("surface").optimum()
    if hill:
        for factor, truth in (("temperature_c", warm), ("grind", fine)):
            if top and factor in top:
                world.cover("optimum_cover", truth, *top[factor])
    else:
        world.note("optimum_none", top is not None, False)


# -- the spread to quote --

row("repeat_two_days", MEAN, "two cups on two days \"differ by less than X\": true share less 95, %", (-2, 2))


@simulation(300, 20)
def repeatability(world):
    rng, within, between = world.rng, 0.25, 0.45
    with world.cups() as cups:
        cups.experiment("days", {"own_part": ("a", "b")}, replicates=8)
        for day in range(4):
            shift = rng.normal(0, between)
            for replicate, level in blocks(rng, ("a", "b"), 2):
                cups.cup("days", {"own_part": level}, 19 + shift + rng.normal(0, within), 2 * day + replicate)
            cups.next_day()
    differ = world.report("verdicts").two_cups_differ()
    if differ:
        apart = math.sqrt(2 * (within ** 2 + between ** 2))
        world.note("repeat_two_days", True, 100 * (2 * stats.norm.cdf(differ / apart) - 1) - 95)


# -- covariates, other measures, what is shown beside --

row("dose_drifts", FALSE, "one level dosed 0.5 g heavier than asked, nothing else there: a sure difference")
row("measure_words", FALSE, "another measure is judged: words of extraction")
row("cups_alike", FALSE, "every cup the same number: a bend or a difference all the same")
row("drip_in_methods", POWER, "two methods, one drips through ten times as much: the report shows it")
row("pressed_dry_caution", FALSE, "pressing until dry is what is varied: a caution against just that")
row("dilution_interval", POWER, "strength by dose: water to add and dose needed carry an interval")


@simulation(400, 24)
def dosed(world):
    rng = world.rng
    with world.cups() as cups:
        cups.experiment("parts", {"own_part": ("a", "b")}, replicates=6)
        for replicate, level in blocks(rng, ("a", "b"), 6):
            over = rng.normal(0, 0.25) + 0.5 * (level == "b")
            dose = 15 + over
            cups.cup("parts", {"own_part": level}, 19 - 0.9 * over + rng.normal(0, 0.15), replicate,
                     dose_g=(dose, 0.03))
    world.note("dose_drifts", world.report("parts").headline_sure(), False)


@simulation(24, 4)
def shown_beside(world):
    rng = world.rng
    with world.cups() as cups:
        cups.experiment("steep", {"steep_s": (45, 90, 180, 300)})
        for replicate, time in blocks(rng, (45, 90, 180, 300), 3):
            cups.cup("steep", {"steep_s": time}, 20 * (1 - math.exp(-0.02 * time)) + rng.normal(0, 0.3), replicate,
                     steep_s=(time, 0.2), slurry_c=92 - 6 * (1 - math.exp(-0.01 * time)) + rng.normal(0, 0.2))
    world.note("measure_words", re.search("extraction", world.report("steep", "-m", "slurry_c").text(), re.I), False)
    words(world, "alike", ("a", "b"), 3, lambda *_: 19.0)
    report = world.report("alike")
    wrong = report.headline_sure() or report.differences()
    with world.cups() as cups:
        cups.experiment("steep", {"steep_s": (45, 90, 180, 300)})
        for replicate, time in blocks(rng, (45, 90, 180, 300), 3):
            cups.cup("steep", {"steep_s": time}, 19.0, replicate, steep_s=(time, 0.2))
    report = world.report("steep")
    world.note("cups_alike", wrong or report.headline_sure() or report.bends(), False)
    with world.cups() as cups:
        cups.experiment("methods", {"own_method": ("upright", "inverted")}, replicates=4)
        for replicate, method in blocks(rng, ("upright", "inverted"), 4):
            cups.cup("methods", {"own_method": method}, 19 + rng.normal(0, 0.3), replicate,
                     drip_g=(22 + rng.normal(0, 2) if method == "upright" else 2.2, 0.1))
    world.note("drip_in_methods", re.search(r"drip", world.report("methods").text(), re.I))
    with world.cups() as cups:
        cups.experiment("press-end", {"press": ("stop", "dry")}, replicates=4)
        for replicate, level in blocks(rng, ("stop", "dry"), 4):
            cups.cup("press-end", {"press": level}, 19 + 0.3 * (level == "dry") + rng.normal(0, 0.3), replicate,
                     pressed_dry=(float(level == "dry"), 0))
    world.note("pressed_dry_caution", re.search(r"nothing more came|until dry|pressed dry",
                                                world.report("press-end").cautions), False)
    with world.cups() as cups:
        cups.experiment("doses", {"dose_g": (12, 15, 18)}, replicates=4)
        for replicate, dose in blocks(rng, (12, 15, 18), 4):
            cups.cup("doses", {"dose_g": dose}, 19.5 - 0.1 * (dose - 15) + rng.normal(0, 0.3), replicate)
    world.note("dilution_interval", world.report("doses").dilution_has_interval())


# -- the next cup --

row("next_other_levels", FALSE, "`next` and the plan that it writes name different levels")
row("next_too_short", FALSE, "`next` asks for a steep shorter than the pour of these cups took")
row("next_one_cup", POWER, "`next --cups 1 --plan` writes one cup", (100, 100))
row("next_break", POWER, "a break at 42 kPa, plain to see: the next cup goes near it, or to an end", (90, 100))


@simulation(160, 16)
def next_cup(world):
    rng, case = world.rng, world.index % 3
    pour_s = 32
    if case == 0:
        curve, times = truths.plain(rng), (45, 75, 120, 180, 300)
        with world.cups() as cups:
            cups.experiment("next", {"steep_s": times}, replicates=2)
            for replicate, time in blocks(rng, times, 2):
                cups.cup("next", {"steep_s": time}, float(curve(time)) + rng.normal(0, 0.3), replicate,
                         stages=(("pour", 0), ("steep", pour_s), ("press", time)), steep_s=(time, 0.2))
    elif case == 1:
        factorial(world, "next", {"grind": (16, 20, 24), "stir": ("none", "swirl")}, 2,
                  lambda cell: 18 - 0.1 * (cell["grind"] - 20) + 0.6 * (cell["stir"] == "swirl") + rng.normal(0, 0.3))
    else:
        pressures(world, lambda p: 18 + 0.06 * min(p, 42) - 0.10 * max(p - 42, 0), 4, name="next")
    plan = os.path.join(world.folder, "next.ini")
    if os.path.exists(plan):
        os.remove(plan)
    report = world.report("next", "next", "--cups", "1", "--plan", plan, plain=True)
    suggested = world.report("next", "next", "--cups", "1").suggestions()
    if not suggested or not os.path.exists(plan):
        world.note("next_one_cup", False)
        return
    written = configparser.ConfigParser(inline_comment_prefixes=(";",), strict=False)
    written.read(plan)
    varied = {factor: [level.strip() for level in levels.split("+-")[0].split(",")]
              for factor, levels in written["vary"].items()} if written.has_section("vary") else {}
    held = {factor: [value.split("+-")[0].strip()] for factor, value in written["hold"].items()} \
        if written.has_section("hold") else {}
    first = {factor: str(value) for factor, value in suggested[0].items()}
    cups = int(written["experiment"].get("replicates", "1")) * math.prod(len(levels) for levels in varied.values())
    world.note("next_one_cup", cups == 1)
    world.note("next_other_levels", any(not any(_same(value, level) for level in (varied | held).get(factor, []))
                                        for factor, value in first.items()) or report.status != 0, False)
    if case == 0:
        world.note("next_too_short", float(first["steep_s"]) < pour_s, False)
    if case == 2:
        at = float(first["press_peak_kpa"])
        world.note("next_break", 30 <= at <= 50 or at in (10, 60))


def _same(one, other):
    try:
        return math.isclose(float(one), float(other), rel_tol=1e-3)
    except ValueError:
        return one == other
