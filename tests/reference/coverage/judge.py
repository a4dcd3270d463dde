#!/usr/bin/python3
"""Judges what poise-report concludes: prints how often its claims were made, and how often they held, on stores whose
truth is known.

    judge.py BUILD/bin                      the table (within ten minutes on two cores)
    judge.py BUILD/bin --short              within a minute; fails when a row falls that standing.csv calls held
    judge.py BUILD/bin --seeds unread       the other half of the seeds: for a last run, never looked at one by one
    judge.py BUILD/bin --seeds both --minutes 10    one table after the other, five minutes each
    judge.py BUILD/bin --only own_day       only the experiments that fill this row

Written from the manual pages, the output and the store's schema, without the sources of the report.  Statistics that
stand beside the report's are SciPy's and the textbook's."""
import argparse
import csv
import importlib
import math
import multiprocessing
import os
import sys
import tempfile
import time

import numpy as np

sys.dont_write_bytecode = True      # a run leaves nothing in the source tree
import world as judged
from made_store import empty_store
for part in ("rows_steeping", "rows_levels", "rows_series", "rows_decisions", "rows_recipe"):
    importlib.import_module(part)

HERE = os.path.dirname(os.path.abspath(__file__))
MASTER_SEED = 20261125
HALVES = {"read": 0, "unread": 1}
BOTH = "both"
# A row is called held only where half its interval is narrower than this (points; of a mean: a share of its reach).
ENOUGH = {judged.COVERS: 4, judged.FALSE: 4, judged.POWER: 10, judged.MEAN: 0.5}


def one(task):
    """One experiment: what it noted."""
    place, index, half, programs, empty, folder = task
    function = judged.SIMULATIONS[place][0]
    seed = [MASTER_SEED, HALVES[half], *function.__name__.encode(), index]
    own = os.path.join(folder, str(os.getpid()))
    os.makedirs(own, exist_ok=True)
    world = judged.World(np.random.default_rng(seed), programs, empty, own, index)
    function(world)
    return world.noted


def fills(function, programs, empty, folder, wanted):
    """Whether a simulation fills one of the rows that are wanted: found by trying it a few times."""
    if function.__module__ not in {judged.ROWS[name].part for name in wanted}:
        return False
    names = set()
    for index in range(10):
        own = os.path.join(folder, "try")
        os.makedirs(own, exist_ok=True)
        world = judged.World(np.random.default_rng([7, index]), programs, empty, own, index)
        function(world)
        names |= {name for name, *_ in world.noted}
    return bool(names & wanted)


def wilson(share, count, z):
    """Interval of a share, z standard errors wide (Wilson 1927)."""
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * math.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    return max(0.0, middle - half), min(1.0, middle + half) if share < 1 else 1.0    # rounding apart


class Result:
    """A row of the table, filled."""

    def __init__(self, row, noted, z):
        self.row, self.reports = row, len(noted)
        made = [good for was_made, good in noted if was_made]
        self.made, self.good = len(made), sum(made)
        low, high = row.reach
        if row.kind == judged.MEAN:
            self.value = float(np.mean(made)) if made else math.nan
            error = float(np.std(made)) / math.sqrt(len(made)) if made else math.nan
            self.error, span = 1.96 * error, (self.value - z * error, self.value + z * error)
        else:
            top, count = {judged.COVERS: (self.good, self.made),
                          judged.FALSE: (self.made - self.good, self.reports),
                          judged.POWER: (self.made, self.reports)}[row.kind]
            share = top / count if count else math.nan
            self.value = 100 * share
            span = [100 * end for end in wilson(share, count, z)] if count else (math.nan, math.nan)
            ends = wilson(share, count, 1.96) if count else (math.nan, math.nan)
            self.error = 50 * (ends[1] - ends[0])
        if math.isnan(self.value):
            self.verdict = "no claim"
        elif span[1] < low:
            self.verdict = "NOT HELD"
        elif span[0] > high:
            self.verdict = "wide" if row.kind == judged.COVERS else "NOT HELD"
        elif self.error > ENOUGH[row.kind] * (row.reach[1] - row.reach[0] if row.kind == judged.MEAN else 1):
            self.verdict = "too few"
        else:
            self.verdict = "held"

    def line(self):
        row = self.row
        low, high = row.reach
        if row.kind == judged.MEAN:
            counts, value, reach = f"{self.reports:7d} {self.made:7d} {'':7s} {'':7s}", \
                f"{self.value:7.2f} ± {self.error:4.2f}  ", f"{low} to {high}"
        else:
            good = "" if row.kind == judged.POWER else f"{int(self.good)}"
            false = "" if row.kind == judged.POWER else f"{int(self.made - self.good)}"
            counts, value = f"{self.reports:7d} {self.made:7d} {good:>7s} {false:>7s}", \
                f"{self.value:7.1f} ± {self.error:4.1f} %"
            reach = {judged.COVERS: f"{low} to {high} %", judged.FALSE: f"at most {high} %",
                     judged.POWER: f"at least {low} %"}[row.kind]
        return f"{row.name:22s} {counts} {row.kind:>7s} {value}  {reach:14s} {self.verdict:9s} {row.what}"


def table(given, half):
    """Prints the table of one half of the seeds; 1 where a row fell."""
    programs = os.path.abspath(given.programs)
    began = time.monotonic()
    shared = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="poise-judge-", dir=shared) as folder:
        empty = empty_store(programs, folder)
        tasks = []
        for place, (function, full, short) in enumerate(judged.SIMULATIONS):
            if given.only and not fills(function, programs, empty, folder, set(given.only)):
                continue
            count = int(given.times * (short if given.short else full))
            tasks += [((index + 0.5) / count, (place, index, half, programs, empty, folder))
                      for index in range(count)]
        tasks.sort()        # all rows fill at the same pace, so that a run that is cut short has some of each
        noted, judged_benches = {name: [] for name in judged.ROWS}, 0
        with multiprocessing.Pool(given.jobs) as pool:
            for found in pool.imap(one, [task for _, task in tasks], chunksize=4):
                for name, made, good in found:
                    noted[name].append((made, good))
                judged_benches += 1
                if given.minutes and time.monotonic() - began > 60 * given.minutes:
                    pool.terminate()
                    break
    results = [Result(row, noted[name], 1.96) for name, row in judged.ROWS.items()
               if noted[name] or not given.only]
    with open(os.path.join(HERE, "standing.csv"), encoding="utf-8") as standing:
        declared = {line["row"]: line["standing"] for line in csv.DictReader(standing)}
    print(f"poise-report judged on {judged_benches} of {len(tasks)} made-up benches, {half} seeds"
          f"{', short' if given.short else ''}; ± is half the 95 % interval (Wilson)")
    print(f"{'row':22s} {'reports':>7s} {'claims':>7s} {'true':>7s} {'false':>7s} {'measure':>7s} {'found':>16s}  "
          f"{'reach':14s} {'':9s} what")
    for result in results:
        print(result.line())
    counted = {verdict: sum(result.verdict == verdict for result in results)
               for verdict in ("held", "wide", "NOT HELD", "too few", "no claim")}
    print(f"{len(results)} rows: {', '.join(f'{count} {verdict}' for verdict, count in counted.items())}; "
          f"{time.monotonic() - began:.0f} s")
    # Of a hundred rows that hold some miss by chance: one has fallen when chance explains it once in a thousand times.
    fallen = [name for name, row in judged.ROWS.items()
              if declared.get(name) == "held" and Result(row, noted[name], 3.29).verdict == "NOT HELD"]
    missing = set(judged.ROWS) ^ {name for name in declared if not name.startswith("agrees_")}
    if fallen:
        print(f"called held in standing.csv and not held: {', '.join(fallen)}")
    if missing:
        print(f"standing.csv and the rows disagree about: {', '.join(sorted(missing))}")
    return 1 if fallen or missing else 0


def main():
    options = argparse.ArgumentParser(description="Judge what poise-report concludes.")
    options.add_argument("programs", help="folder of the built programs")
    options.add_argument("--seeds", choices=[*HALVES, BOTH], default="read")
    options.add_argument("--short", action="store_true", help="a minute, and the standing rows must hold")
    options.add_argument("--only", action="append", metavar="ROW", help="only what fills this row")
    options.add_argument("--times", type=float, default=1.0, help="so many times as many experiments")
    options.add_argument("--minutes", type=float, help="stop after so long, with what there is by then")
    options.add_argument("--jobs", type=int, default=2)
    given = options.parse_args()
    if given.seeds != "read" and given.only:
        options.error("the unread seeds are run whole: looked at one by one they would be read")
    unknown = set(given.only or ()) - set(judged.ROWS)
    if unknown:
        options.error(f"no row {', '.join(sorted(unknown))}")
    halves = list(HALVES) if given.seeds == BOTH else [given.seeds]
    if given.minutes:
        given.minutes /= len(halves)
    return max(table(given, half) for half in halves)


if __name__ == "__main__":
    sys.exit(main())
