#!/usr/bin/python3
"""tests/speed/cost.py BIN [SECONDS]: what one scale at ten readings a second costs a computer: CPU of poised and logger,
memory, what the journal grows by, and what the store keeps of one brew.  Run it on a computer that has nothing else to do.
"""
import pathlib
import re
import sqlite3
import sys
import tempfile
import time

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "behaviour"))
from bench import Bench, event, line_scale, station  # noqa: E402
from player import Player, brew  # noqa: E402


def cpu_s(process):
    return sum(int((task / "schedstat").read_text().split()[0])
               for task in pathlib.Path(f"/proc/{process.pid}/task").iterdir()) / 1e9


def resident_mb(process):
    return int(re.search(r"VmRSS:\s*(\d+)", pathlib.Path(f"/proc/{process.pid}/status").read_text()).group(1)) / 1e3


def stands_still(bench, seconds):
    port = bench.port("pier-scale")
    bench.configure(station("training"), line_scale("pier-scale", port, station="training"))
    programs = bench.poised(), bench.logger()
    programs[1].wait_diagnostic("keeping the brews")
    bus = bench.subscribe()
    with Player(port):
        bus.wait_for(lambda message: message["topic"].startswith("reading/"))
        before, began = [cpu_s(program.process) for program in programs], time.monotonic()
        time.sleep(seconds)             # what is measured is the time itself
        lasted = time.monotonic() - began
        for name, program, first in zip(("poised", "poise-logger"), programs, before):
            print(f"{name}: {100 * (cpu_s(program.process) - first) / lasted:.2f} % of one processor, "
                  f"{resident_mb(program.process):.1f} MB")
    programs[0].stop()
    with sqlite3.connect(bench.folder / "journal.db") as journal:
        kept, spans = journal.execute("SELECT sum(length(messages)), (max(first_us) - min(first_us)) / 1e6 FROM journal").fetchone()
    print(f"journal: {kept / spans / 1e3:.1f} KB a second while the scale is on, {kept / spans * 28800 / 1e6:.0f} MB in eight hours")


def pages_kb(store):
    return store.execute("PRAGMA page_count").fetchone()[0] * store.execute("PRAGMA page_size").fetchone()[0] / 1e3


def brews(bench):
    bench.configure(station("training"), line_scale("pier-scale", bench.folder / "port/pier-scale", station="training"))
    bench.poised("--clock-rate", "20")
    logger = bench.logger()
    logger.wait_diagnostic("keeping the brews")
    with sqlite3.connect(bench.store) as store:
        before = pages_kb(store)        # its empty tables
    bus = bench.subscribe("event/", started=False)
    bench.virtual(brew("pier-scale", steeps_s=90), "--clock-rate", "20")
    name = bus.wait_for(event("brew", change="end"), timeout=120)["brew"]
    bench.wait_query("SELECT count(*) AS n FROM brew_summary WHERE ended_utc IS NOT NULL", lambda rows: rows[0]["n"] == 1)
    logger.stop()
    with sqlite3.connect(bench.store) as store:
        rows = store.execute("SELECT count(*) FROM trace").fetchone()[0]
        print(f"store: {pages_kb(store) - before:.0f} KB for a brew of {rows} readings ({name})")


def main():
    if len(sys.argv) not in (2, 3):
        print(__doc__, file=sys.stderr)
        return 2
    for measure in (lambda bench: stands_still(bench, float((sys.argv[2:] or ["60"])[0])), brews):
        with tempfile.TemporaryDirectory(prefix="poise-cost-") as folder:
            bench = Bench(pathlib.Path(folder), pathlib.Path(sys.argv[1]).resolve())
            try:
                measure(bench)
            finally:
                failures = bench.close()
            assert not failures, failures
    return 0


if __name__ == "__main__":
    sys.exit(main())
