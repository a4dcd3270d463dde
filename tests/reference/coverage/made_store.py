"""A store as poise-logger makes it, filled by SQL with cups whose truth is known."""
import json
import os
import shutil
import sqlite3
import subprocess

DAY_US = 86_400_000_000
MORNING_US = 1_795_600_800_000_000      # 2026-11-25T10:00:00Z
CUP_US = 420_000_000                    # a cup every seven minutes


def empty_store(programs, folder):
    """The path of an empty store, made by the logger itself."""
    path = os.path.join(folder, "empty.db")
    with subprocess.Popen([os.path.join(programs, "poise-logger"), "--store", path, "--bus", f"ipc://{folder}/bus",
                           "--control", f"ipc://{folder}/control"], stderr=subprocess.PIPE, text=True) as logger:
        for line in logger.stderr:
            if "waiting for poised" in line:
                break
        logger.terminate()
    with sqlite3.connect(path) as store:
        store.execute("PRAGMA journal_mode = delete")
    return path


class Cups:
    """Cups of one store.  Dose, water, beverage and strength of every cup agree with its extraction."""

    def __init__(self, empty, path, rng):
        shutil.copy(empty, path)
        self.path, self.rng, self.count, self.at_us = path, rng, 0, MORNING_US
        self.file = sqlite3.connect(path, isolation_level=None)
        for setting in ("PRAGMA synchronous = off", "PRAGMA journal_mode = off", "BEGIN"):
            self.file.execute(setting)
        self.file.execute("INSERT INTO boot (boot_id, name) VALUES (1, '0d1e2f30-0000-4000-8000-000000000001')")
        self.benches, self.experiments, self.runs = {}, {}, {}

    def bench(self, name):
        if name not in self.benches:
            self.benches[name] = self.file.execute("INSERT INTO bench (name) VALUES (?)", (name,)).lastrowid
        return self.benches[name]

    def experiment(self, name, vary, held=None, replicates=3, order="random", difference=None):
        """As `poise-ctl plan load` would hand it over.  vary: factor -> levels."""
        lines = ["[experiment]", f"name = {name}", f"title = {name}", f"replicates = {replicates}", f"order = {order}",
                 "seed = 1"]
        if difference:
            lines.append(f"difference = {difference}")
        lines += ["", "[vary]"] + [f"{factor} = {', '.join(str(l) for l in levels)}" for factor, levels in vary.items()]
        lines += ["", "[hold]"] + [f"{factor} = {value}" for factor, value in (held or {}).items()]
        self.experiments[name] = self.file.execute("INSERT INTO experiment (name, title, definition) VALUES (?, ?, ?)",
                                                   (name, name, "\n".join(lines) + "\n")).lastrowid
        self.runs[name] = 0

    def next_day(self):
        self.at_us = MORNING_US + ((self.at_us - MORNING_US) // DAY_US + 1) * DAY_US

    def cup(self, experiment, factors, extraction, replicate=1, recipe=None, bench="pier", stages=(), **measures):
        self.count, self.runs[experiment] = self.count + 1, self.runs[experiment] + 1
        began_us, self.at_us = self.at_us, self.at_us + CUP_US
        ended_us = began_us + 200_000_000
        recipe = {"dose_g": 15, "water_g": 230} | (recipe or {})
        recipe = {key: value for key, value in recipe.items() if key not in factors}
        row = self.file.execute(
            "INSERT INTO brew (name, bench_id, station, boot_id, begin_seq, began_us, began_mono_us, ended_us,"
            " ended_mono_us, experiment_id, run, replicate, factors, recipe, tolerances, plan_kept)"
            " VALUES (?, ?, 'left', 1, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (f"{bench}-{20261125 + (began_us - MORNING_US) // DAY_US}-{self.count:03d}", self.bench(bench),
             self.count * 100, began_us, began_us, ended_us, ended_us,
             self.experiments[experiment], self.runs[experiment], replicate, json.dumps(factors), json.dumps(recipe),
             json.dumps({"dose_g": 0.2, "water_g": 3}), 1)).lastrowid
        self.file.executemany("INSERT INTO stage (brew_id, seq, stage, boot_id, at_us, at_mono_us, uncertainty_us,"
                              " made_by) VALUES (?, ?, ?, 1, ?, ?, 50000, 'tracker')",
                              [(row, self.count * 100 + place, stage, *[began_us + int(seconds * 1e6)] * 2)
                               for place, (stage, seconds) in enumerate(stages)])
        dose = float(factors.get("dose_g", 15)) + self.rng.normal(0, 0.03)
        if "dose_g" in measures:
            dose = measures["dose_g"][0]
        water = float(factors.get("water_g", 230)) + self.rng.normal(0, 0.5)
        beverage = water - 2 * dose + self.rng.normal(0, 0.5)
        strength = extraction * dose / beverage
        values = {"dose_g": (dose, 0.03), "water_g": (water, 0.05), "beverage_g": (beverage, 0.05),
                  "strength_pct": (strength, 0.015), "extraction_pct": (extraction, 0.015 * beverage / dose),
                  "extraction_total_pct": (strength * water / (1 - strength / 100) / dose, 0.25),
                  "retained_g_per_g": ((water - beverage) / dose, 0.01)}
        for name, value in measures.items():
            values[name] = value if isinstance(value, tuple) else (value, 0.2)
        self.file.executemany("INSERT INTO measure (brew_id, measure, seq, value, standard_uncertainty, above,"
                              " made_by, time_us) VALUES (?, ?, ?, ?, ?, 0, 'tracker', ?)",
                              [(row, name, self.count * 100 + place, value, spread, began_us)
                               for place, (name, (value, spread)) in enumerate(values.items())])

    def save(self):
        self.file.execute("COMMIT")
        self.file.close()
        return self.path


def blocks(rng, levels, replicates, order="random"):
    """The runs of a plan: every level once in each replicate; (replicate, level) in the order of brewing."""
    for replicate in range(1, replicates + 1):
        places = rng.permutation(len(levels)) if order == "random" else range(len(levels))
        for place in places:
            yield replicate, levels[place]
