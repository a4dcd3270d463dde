#!/usr/bin/python3
"""Holds the numbers that poise-report prints against R, SciPy and published values: each must stand in its JSON.

    second_opinion.py BUILD/bin     a line for each number; fails when one that standing.csv calls held is missing

A number is looked for anywhere in the JSON of the report, so that no name in it has to be known."""
import csv
import os
import subprocess
import sys
import tempfile

import numpy as np

sys.dont_write_bytecode = True
from claims import Report
from made_store import Cups, blocks, empty_store

HERE = os.path.dirname(os.path.abspath(__file__))

# NIST StRD, nonlinear: certified parameters (see tests of the kinetics; typed from memory, confirmed by an own fit).
# Extraction and time are scaled, which scales what is fitted: y / 10, one x = 60 s.
BOXBOD = ((109, 1), (149, 2), (149, 3), (191, 5), (213, 7), (224, 10))
# NIST StRD, analysis of variance: SiRstv, from memory; that its F comes out as certified confirms the data.
SIRSTV = ((196.3052, 196.1240, 196.1890, 196.2569, 196.3403), (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
          (196.1303, 196.2005, 196.2889, 196.0343, 196.1811), (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
          (196.2119, 196.1051, 196.1850, 196.0052, 196.2090))
# Days as random blocks, restricted maximum likelihood (Pinheiro & Bates 2000): four days, 75 75 120 120 s.
DAYS = ((18.1, 18.5, 19.6, 19.9), (17.2, 17.6, 19.1, 18.8), (18.9, 18.6, 20.4, 20.1), (17.8, 18.0, 19.3, 19.6))
# Unequal spreads (Games & Howell, Journal of Educational Statistics 1, 1976).
UNEQUAL = {"a": (18.2, 18.6, 18.4, 18.3), "b": (19.9, 21.4, 18.8, 20.9), "c": (18.9, 19.1, 19.0)}
# A curve that lacks a quick part (Draper & Smith, Applied Regression Analysis): F 22.137645, p 0.00257548.
QUICK = ((45, 15.4), (45, 15.8), (75, 18.3), (75, 18.7), (120, 20.6), (120, 20.7), (180, 22.9), (180, 22.5),
         (300, 23.4), (300, 23.3))

PUBLISHED = [
    ("boxbod_plateau", "boxbod", 21.380940889, 1e-6, "NIST BoxBOD"),
    ("boxbod_rate", "boxbod", 0.54723748542 / 60, 1e-6, "NIST BoxBOD"),
    ("boxbod_t95", "boxbod", 5.474281922 * 60, 1e-6, "NIST BoxBOD"),
    ("boxbod_t95_low", "boxbod", 2.7918 * 60, 1e-4, "SciPy, profile likelihood"),
    ("boxbod_t95_high", "boxbod", 9.9003 * 60, 1e-4, "SciPy, profile likelihood"),
    ("sirstv_f", "sirstv", 1.18046237440255, 1e-6, "NIST SiRstv, memory"),
    ("sirstv_within", "sirstv", 0.216636560, 1e-5, "NIST SiRstv, memory"),
    ("reml_difference", "reml", 1.5125, 1e-6, "R 4.2, nlme"),
    ("reml_low", "reml", 1.299552, 1e-5, "R 4.2, nlme"),
    ("reml_high", "reml", 1.725448, 1e-5, "R 4.2, nlme"),
    ("reml_between", "reml", 0.55110080, 1e-5, "R 4.2, nlme"),
    ("reml_within", "reml", 0.19350240, 1e-5, "R 4.2, nlme"),
    ("games_howell_low", "unequal", 0.28585, 2e-4, "SciPy, Games-Howell c-a"),
    ("games_howell_high", "unequal", 0.96415, 2e-4, "SciPy, Games-Howell c-a"),
    ("games_howell_p", "unequal", 0.0045201, 2e-4, "SciPy, Games-Howell c-a"),
    ("lack_of_fit_f", "quick", 22.137645, 1e-5, "Draper & Smith's F, SciPy"),
    ("lack_of_fit_p", "quick", 0.00257548, 1e-5, "Draper & Smith's F, SciPy"),
]
# Names together: either is right, as the report may choose either method; it must print one of them.
IN_R = {
    "two": ("two_levels_difference", "two_levels_low", "two_levels_high", "two_levels_p"),
    "four": ("four_levels_f", "four_levels_p", ("tukey_low", "games_howell_low"), ("tukey_high", "games_howell_high"),
             ("tukey_p", "games_howell_p")),
    "square": ("square_f_filter", "square_f_stir", "square_f_both", "square_p_both"),
    "steep": (("curve_plateau", "quick_plateau"), ("curve_rate", "quick_rate"), ("curve_t95", "quick_t95"),
              "curve_t95_low", "curve_t95_high", ("curve_lack_of_fit_p", "quick_lack_of_fit_p")),
    "line": ("line_change", "line_change_low", "line_change_high"),
    "dosed": ("dosed_slope", "dosed_slope_low", "dosed_slope_high", "dosed_adjusted", "dosed_low", "dosed_high",
              "dosed_p"),
    "days": ("days_difference", "days_low", "days_high", "days_between", "days_within"),
}


def fill(cups, folder):
    """The cups of all experiments; those for R also as files."""
    rng = np.random.default_rng(20261125)
    files = {}

    def experiment(name, vary, replicates, extraction, in_r=True, **measures):
        factor, levels = vary
        cups.experiment(name, {factor: levels}, replicates=replicates)
        for replicate, level in blocks(rng, levels, replicates):
            y = extraction(level, replicate)
            cups.cup(name, {factor: level}, y, replicate, **{key: value(level) for key, value in measures.items()})
            if in_r:
                files.setdefault(name, []).append({"part" if factor == "own_part" else factor: level,
                                                   "replicate": replicate, "extraction": y})

    experiment("two", ("own_part", ("a", "b")), 5,
               lambda level, replicate: 19 + 0.3 * replicate + 0.4 * (level == "b") + rng.normal(0, 0.25))
    experiment("four", ("own_part", ("a", "b", "c", "d")), 4,
               lambda level, replicate: 19 + 0.2 * replicate + 0.5 * (level == "b") + rng.normal(0, 0.3))
    experiment("steep", ("steep_s", (45, 75, 120, 180, 300)), 3,
               lambda level, _: 21.3 * (1 - np.exp(-0.019 * level)) + rng.normal(0, 0.3),
               steep_s=lambda level: (level, 0.2))
    experiment("line", ("grind", (14, 16, 18, 20, 22)), 3, lambda level, _: 22 - 0.12 * level + rng.normal(0, 0.3))
    # Two by two, three replicates (statsmodels and scipy: F 447.340909, 150.613636, 65.522727), in no blocks.
    cups.experiment("square", {"filter": ("cloth", "paper"), "stir": ("none", "swirl")})
    for kind, stir, values in (("cloth", "none", (18.05, 18.3, 17.95)), ("cloth", "swirl", (20.1, 19.85, 20.2)),
                                ("paper", "none", (20.9, 21.05, 20.75)), ("paper", "swirl", (21.3, 21.45, 21.15))):
        for y in values:
            cups.cup("square", {"filter": kind, "stir": stir}, y, None)
            files.setdefault("square", []).append({"filter": kind, "stir": stir, "extraction": y})
    cups.experiment("days", {"own_part": ("a", "b")})
    for day, count in enumerate((3, 2, 4, 2)):
        shift = rng.normal(0, 0.6)
        for level in ["a", "b"] * count:
            y = 19 + shift + 0.5 * (level == "b") + rng.normal(0, 0.25)
            cups.cup("days", {"own_part": level}, y, None)
            files.setdefault("days", []).append({"part": level, "day": f"d{day}", "extraction": y})
        cups.next_day()
    cups.experiment("dosed", {"own_part": ("a", "b", "c")})
    for level in "abcabcabcabcabc":                # in no blocks: R's lm has the same model
        over = rng.normal(0, 0.3)
        y = 19 - 0.9 * over + 0.6 * (level == "b") + rng.normal(0, 0.15)
        cups.cup("dosed", {"own_part": level}, y, None, dose_g=(15 + over, 0.03))
        files.setdefault("dosed", []).append({"part": level, "dose": 15 + over, "extraction": y})
    cups.experiment("reml", {"steep_s": (75, 120)})
    for values in DAYS:
        for time, y in zip((75, 75, 120, 120), values):
            cups.cup("reml", {"steep_s": time}, y, None, steep_s=(time, 0.2))
        cups.next_day()
    cups.experiment("unequal", {"own_part": tuple(UNEQUAL)})
    for level, values in UNEQUAL.items():
        for y in values:
            cups.cup("unequal", {"own_part": level}, y, None)
    for name, pairs in (("boxbod", [(y / 10, 60 * t) for y, t in BOXBOD]), ("quick", [(y, t) for t, y in QUICK])):
        times = sorted({t for _, t in pairs})
        cups.experiment(name, {"steep_s": times}, replicates=len(pairs) // len(times))     # a plan that is done
        for y, t in pairs:
            cups.cup(name, {"steep_s": t}, y, None, steep_s=(t, 0.1))
    cups.experiment("sirstv", {"own_part": tuple("abcde")})
    for level, values in zip("abcde", SIRSTV):
        for y in values:
            cups.cup("sirstv", {"own_part": level}, y - 177, None)      # as a cup might have; F does not change
    cups.save()
    for name, cups_of in files.items():
        with open(os.path.join(folder, f"{name}.csv"), "w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, cups_of[0])
            writer.writeheader()
            writer.writerows(cups_of)


def numbers(value):
    """All numbers in a JSON value."""
    if isinstance(value, dict):
        value = [part for key, part in value.items() if key != "cups"]
    if isinstance(value, list):
        for part in value:
            yield from numbers(part)
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield float(value)


def main():
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    programs = os.path.abspath(sys.argv[1])
    with tempfile.TemporaryDirectory(prefix="poise-opinion-") as folder:
        path = os.path.join(folder, "cups.db")
        fill(Cups(empty_store(programs, folder), path, np.random.default_rng(1)), folder)
        asked = subprocess.run(["Rscript", "--vanilla", os.path.join(HERE, "second_opinion.R"), folder],
                               capture_output=True, text=True, check=False)
        if asked.returncode:
            sys.exit(f"R: {asked.stderr.strip()}")
        from_r = {name: float(value) for name, value in (line.split() for line in asked.stdout.splitlines())}
        wanted = [(name, experiment, (value,), tolerance, source)
                  for name, experiment, value, tolerance, source in PUBLISHED]
        for experiment, quantities in IN_R.items():
            for names in quantities:
                names = (names,) if isinstance(names, str) else names
                wanted.append((names[0], experiment, tuple(from_r[name] for name in names), 2e-6, "R"))
        printed = {}
        for experiment in {experiment for _, experiment, *_ in wanted}:
            report = Report(programs, path, experiment)
            printed[experiment] = (sorted(numbers(report.json)), report.headline or report.diagnostic)
    with open(os.path.join(HERE, "standing.csv"), encoding="utf-8") as standing:
        declared = {line["row"]: line["standing"] for line in csv.DictReader(standing)}
    fallen, agreed = [], 0
    for name, experiment, values, tolerance, source in wanted:
        near, value = min(((number, value) for number in printed[experiment][0] or [float("nan")] for value in values),
                          key=lambda pair: abs(abs(pair[0]) - abs(pair[1])))
        agrees = abs(abs(near) / abs(value) - 1) <= tolerance
        agreed += agrees
        if not agrees and declared.get(f"agrees_{name}") != "open":
            fallen.append(name)
        found = "printed" if agrees else f"MISSING: nearest is {near:.12g}"
        print(f"agrees_{name:22s} {value:<18.12g} {found:40s} {source}")
    print(f"{agreed} of {len(wanted)} numbers of R, SciPy and NIST stand in the reports")
    for experiment in sorted(printed):
        print(f"  {experiment}: {printed[experiment][1]}")
    if fallen:
        print(f"not called open in standing.csv, and missing: {', '.join(fallen)}")
    return 1 if fallen else 0


if __name__ == "__main__":
    sys.exit(main())
