"""A series of numbers: lines, turns, breaks."""
import math
import re

from made_store import blocks
from world import COVERS, FALSE, POWER, row, simulation


row("pressure_null", FALSE, "six pressures, nothing there: line, turn, break or headline")
row("beside_null", FALSE, "the same, against mean pressure, press time and drip-through: any interval without 0")
row("level_off_fall", FALSE, "a rise that levels off: a fall beyond")
row("break_place", COVERS, "a rise that breaks at 42 kPa: interval of the break or turn")
row("break_headline", POWER, "a rise that breaks at 42 kPa, plain to see: the headline has it")
row("line_cover", COVERS, "a straight rise, spread growing along it: change from end to end")
row("curved_cover", COVERS, "a rise that bends like a root: change from end to end")
PRESSURES = (10, 20, 30, 40, 50, 60)


def pressures(world, extraction, replicates=3, spread=lambda _: 0.3, name="press"):
    rng = world.rng
    with world.cups() as cups:
        cups.experiment(name, {"press_peak_kpa": PRESSURES}, replicates=replicates)
        for replicate, level in blocks(rng, PRESSURES, replicates):
            done = level + rng.normal(0, 0.7)
            cups.cup(name, {"press_peak_kpa": level}, extraction(done) + rng.normal(0, spread(done)), replicate,
                     press_peak_kpa=(done, 0.2), press_mean_kpa=(done * 0.7 + rng.normal(0, 0.5), 0.2),
                     press_s=(30 + rng.normal(0, 3), 0.2), drip_g=(20 + rng.normal(0, 2), 0.2))
    return world.report(name) if name == "press" else None


@simulation(1800, 120)
def series(world):
    rng, case = world.rng, world.index % 5
    if case == 0:
        report = pressures(world, lambda _: 19.0)
        world.note("pressure_null", report.series_claims(), False)
        world.note("beside_null", report.beside_the_press(), False)
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
