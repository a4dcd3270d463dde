"""A store full of made-up cups, for what reads stores: made by poise-logger, filled by SQL as the logger would."""
import json
import math
import random
import sqlite3

BEGAN_US = 1795600800_000_000       # 2026-11-25T10:00:00Z


class Cups:
    def __init__(self, bench, seed=1):
        self.random, self.count, self.began_us = random.Random(seed), 0, BEGAN_US
        bench.start("poise-logger", "--store", bench.store).wait_diagnostic("waiting for poised")
        bench.programs[-1].stop()
        self.file = sqlite3.connect(bench.store)
        self.file.execute("insert into bench (bench_id, name) values (1, 'pier')")
        self.file.execute("insert into boot (boot_id, name) values (1, '0d1e2f30-0000-4000-8000-000000000001')")

    def add(self, experiment, factors, measures, recipe=None, replicate=None, title=None, kept=1, note=None,
            seconds=200, tolerances=None, stages=None, traces=None, above=()):
        """One cup; its name.  measures: name -> value or (value, uncertainty); above: those that are lower bounds."""
        self.count += 1
        self.began_us += 400_000_000
        name, seq, ended_us = f"pier-20261125-{self.count:03d}", self.count * 100, self.began_us + seconds * 1_000_000
        self.file.execute("insert into experiment (name, title) values (?, ?) on conflict do nothing",
                          (experiment, title))
        row = self.file.execute(
            "insert into brew (name, bench_id, station, boot_id, begin_seq, began_us, began_mono_us, outcome_seq,"
            " ended_us, ended_mono_us, experiment_id, run, replicate, factors, recipe, plan_kept, tolerances)"
            " select ?, 1, 'left', 1, ?, ?, ?, ?, ?, ?, experiment_id, ?, ?, ?, ?, ?, ? from experiment"
            " where name = ?",
            (name, seq, self.began_us, self.began_us, seq + 50, ended_us, ended_us, self.count, replicate,
             json.dumps(factors), json.dumps(recipe or {}), kept, json.dumps(tolerances) if tolerances else None,
             experiment)).lastrowid
        for place, (measure, value) in enumerate(measures.items()):
            value, uncertainty = value if isinstance(value, tuple) else (value, None)
            self.file.execute("insert into measure values (?, ?, ?, ?, ?, ?, 'tracker', ?)",
                              (row, measure, seq + place, value, uncertainty, measure in above, self.began_us))
        self._watch(row, seq, stages, traces)
        if note:
            self.file.execute("insert into note values (?, ?, ?, ?)", (row, seq + 60, self.began_us, note))
        return name

    def _watch(self, row, seq, stages, traces):
        """stages: name -> seconds since the brew began, or such pairs in the order they were reported;
        traces: (instrument, quantity, unit) -> [(seconds, value)]."""
        for place, (stage, seconds) in enumerate(stages.items() if isinstance(stages, dict) else stages or ()):
            at_us = self.began_us + int(seconds * 1e6)
            self.file.execute("insert into stage values (?, ?, ?, 1, ?, ?, 50000, 'tracker')",
                              (row, seq + place, stage, at_us, at_us))
        seq *= 1000
        for instrument, readings in (traces or {}).items():
            self.file.execute("insert into instrument (bench_id, name, quantity, unit) values (1, ?, ?, ?)"
                              " on conflict do nothing", instrument)
            for place, (seconds, value) in enumerate(readings):
                at_us, seq = self.began_us + int(seconds * 1e6), seq + 1
                decimals = max(1, len(f"{value:.12f}".rstrip("0").split(".")[1]))
                self.file.execute("insert into trace select ?, ?, instrument_id, 1, ?, ?, ?, ?, 1, 'ok'"
                                  " from instrument where name = ? and quantity = ?",
                                  (row, seq, at_us, at_us, value, decimals, *instrument[:2]))

    def steeps(self, experiment, plateau, k, times, replicates=3, spread=0.3, **more):
        """Cups whose extraction rises as first order says."""
        for replicate in range(1, replicates + 1):
            for time in self.random.sample(times, len(times)):
                done = time + self.random.gauss(0, 1)
                extraction = plateau * (1 - math.exp(-k * done)) + self.random.gauss(0, spread)
                self.add(experiment, {"steep_s": time}, {"steep_s": (done, 0.1), "extraction_pct": (extraction, 0.27)},
                         {"dose_g": 15, "water_g": 230}, replicate, **more)

    def shuffle(self):
        """Each experiment's cups as a plan draws them: in random order within each replicate."""
        cups = {}
        for row, experiment, replicate, began, ended in self.file.execute(
                "select brew_id, experiment_id, replicate, began_us, ended_us from brew where experiment_id is not null"):
            cups.setdefault((experiment, replicate), []).append((row, began, ended - began))
        for rows in cups.values():
            times = [began for _, began, _ in rows]
            self.random.shuffle(times)
            for (row, _, seconds), began in zip(rows, times):
                self.file.execute("update brew set began_us = ?, ended_us = ? where brew_id = ?",
                                  (began, began + seconds, row))

    def done(self, as_listed=False):
        """as_listed: the cups were brewed in the order in which they were added."""
        if not as_listed:
            self.shuffle()
        self.file.execute("update brew set changed = brew_id")
        self.file.commit()
        self.file.close()
