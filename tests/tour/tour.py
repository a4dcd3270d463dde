#!/usr/bin/python3
"""tests/tour/tour.py BIN OUT [RATE]: one morning in the training room of Lantern Pier, as pictures: the plan, the timer's
screen in each stage, the report's page and charts.  OUT/index.html shows them in their order.

Nothing is drawn by hand: instruments made of software are played to the real programs, the screens are those of a real
terminal (tmux), and the pages are what poise-report writes.  So it cannot go stale, and is made each time instead of being kept:
`cmake --build build --target tour` puts it into build/tour.
"""
import contextlib
import html
import os
import pathlib
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
sys.dont_write_bytecode = True
sys.path[:0] = [str(HERE.parent / "behaviour"), str(HERE)]
from bench import Bench, line_scale, refractometer, station  # noqa: E402
import screen  # noqa: E402

ROWS, COLUMNS = 26, 92
PLAN = """[experiment]
name = ferry-steep
title = How long to steep the ferry blend
replicates = 1
order = listed

[vary]
steep_s = 60, 90, 120, 180

[hold]
dose_g = 15.0 +- 0.1
water_g = 230 +- 2
coffee = ferry blend
grind = 18 clicks
"""
# the pictures in their order: a name, the stage that the bench is in, what the screen shows then, and what is to be said
SCREENS = [
    ("plan", "idle", r"ferry-steep 1 of 4", "Before the first cup: what the plan asks for, and what to do first."),
    ("dose", None, r"g of coffee in(.|\n)*pier-scale ([4-9]|1[0-5])\.\d g", "The coffee is weighed against its target."),
    ("pour", "pour", r"pier-scale 1\d\d\.\d g", "How much water is in and how much is to go, large enough to read while "
                                               "pouring."),
    ("steep", "steep", r"to the press", "The waiting part: how long until the press, and when."),
    ("press", "press", r"kPa", "The force on the scale, as pressure on the piston, with the limit."),
    ("weigh", "weigh", r"", "The full cup comes back to the scale."),
    ("strength", None, r"last cup 00\d: .*strength", "The strength of a cup comes later, when its sample has cooled, and "
                                                    "goes to the cup that it was drawn from."),
]


class Terminal:
    """A real terminal with the timer on it."""

    def __init__(self, bench, programs):
        environment = {**os.environ, **bench.environment, "TERM": "xterm-256color"}
        environment.pop("NO_COLOR")
        self.command = ["tmux", "-f", "/dev/null", "-S", str(bench.folder / "tmux")]
        subprocess.run([*self.command, "new-session", "-d", "-x", str(COLUMNS), "-y", str(ROWS + 1),
                        f"{programs / 'poise-timer'} 2>{bench.folder}/timer.log"], env=environment, check=True, timeout=30)
        subprocess.run([*self.command, "set-option", "-g", "status", "off"], check=True, timeout=30)

    def look(self, bench, taken):
        """Keeps the screen, in colours, as each picture that it is one of."""
        stage = bench.ask(do="status")["state"]["stations"][0]["stage"]
        coloured = subprocess.run([*self.command, "capture-pane", "-p", "-e"], capture_output=True, text=True, check=True,
                                  timeout=30).stdout
        plain = re.sub(r"\x1b\[[0-9;]*m|\x1b\(B|[\x0e\x0f]", "", coloured)
        for name, wanted, shows, _ in SCREENS:
            if name not in taken and wanted in (None, stage) and re.search(shows, plain):
                taken[name] = coloured

    def close(self):
        subprocess.run([*self.command, "kill-server"], check=False, timeout=30)


def play(bench, programs, out, rate):
    """The morning itself; returns the pictures by name."""
    folder = bench.folder / "port"
    bench.configure(station("training", "piston_diameter_mm = 60", "press_limit_kpa = 15", "retained_g_per_g = 2.0"),
                    "[cup white]\nmass_g = 341.2\n\n[cup blue]\nmass_g = 305.5\n",
                    line_scale("pier-scale", folder / "pier-scale", "lag_ms = 150", station="training"),
                    refractometer("pier-refractometer", folder / "pier-refractometer"), "[strength]\nfiltered = yes\n")
    bench.poised("--clock-rate", rate)
    bench.logger().wait_diagnostic("keeping the brews")
    plan = bench.folder / "plan.ini"
    plan.write_text(PLAN)
    status, _, said = bench.run("poise-ctl", "plan", "load", plan)
    assert status == 0, said
    terminal, taken, file = Terminal(bench, programs), {}, f"file:{bench.store}?mode=ro"

    def over():
        terminal.look(bench, taken)
        with contextlib.closing(sqlite3.connect(file, uri=True)) as store:
            return store.execute("SELECT count(strength_pct) FROM brew_summary WHERE ended_utc IS NOT NULL").fetchone()[0] == 4
    try:
        bench.wait_until(lambda: terminal.look(bench, taken) or "plan" in taken and bench.store.exists(), "the plan on the screen")
        bench.start("poise-virtual", "--dir", folder, "--clock-rate", rate, "--stay",
                    HERE.parent / "virtual/lantern-pier.ini")
        bench.wait_until(over, "four cups with their strength", timeout=2400 / float(rate))
    finally:
        terminal.close()
    for name, text in taken.items():
        (out / f"timer-{name}.svg").write_text(screen.draw(text, COLUMNS, f"poise-timer: {name}"))
    return taken


def report(bench, out):
    status, text, said = bench.run("poise-report", "ferry-steep", "--html", out / "report.html", "--svg", out / "charts",
                                   timeout=120)
    assert status == 0, said
    return text, sorted((out / "charts").glob("*.svg"))


def write_page(out, taken, text, charts):
    parts = ["<h2>The plan</h2><p>A file: what is varied, what is held. Every brew is its next run.</p>",
             f"<pre>{html.escape(PLAN)}</pre>", "<h2>At the scale</h2>"]
    for name, _, _, words in SCREENS:
        if name in taken:
            parts.append(f'<figure><img src="timer-{name}.svg" alt="the timer: {name}"><figcaption>{words}</figcaption>'
                         '</figure>')
    parts.append('<p>Water near boiling, and a press on glass, can hurt: the timer says so where it matters.</p>'
                 '<h2>What the cups say</h2><p>The same as <a href="report.html">a page with its charts</a>.</p>'
                 f"<pre>{html.escape(text)}</pre>")
    parts += [f'<figure><img src="charts/{chart.name}" alt="{chart.stem}"></figure>' for chart in charts]
    (out / "index.html").write_text(
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>A morning at Lantern Pier</title><style>body{'
        'max-width:60rem;margin:2rem auto;padding:0 1rem;font:16px/1.5 sans-serif}img{max-width:100%}figure{margin:1.5rem '
        '0}pre{overflow-x:auto;background:#f2f3f5;padding:1rem}</style><h1>A morning at Lantern Pier</h1><p>One scale, one '
        'refractometer and four cups, all of them made of software; every picture is a screen or a page of the real '
        'programs.</p>' + "\n".join(parts) + "</html>\n")


def main():
    if len(sys.argv) not in (3, 4):
        print(__doc__, file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, lambda *unused: sys.exit(1))      # the terminal is not left behind
    programs, out = pathlib.Path(sys.argv[1]).resolve(), pathlib.Path(sys.argv[2]).resolve()
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="poise-tour-") as folder:
        bench = Bench(pathlib.Path(folder), programs)
        try:
            taken = play(bench, programs, out, sys.argv[3] if len(sys.argv) == 4 else "10")
            text, charts = report(bench, out)
        finally:
            failures = bench.close()
    assert not failures, failures
    write_page(out, taken, text, charts)
    missing = [name for name, *_ in SCREENS if name not in taken]
    print(f"{out}/index.html: {len(taken)} screens, {len(charts)} charts" + (f"; not seen: {missing}" if missing else ""))
    return 1 if missing or not charts else 0


if __name__ == "__main__":
    sys.exit(main())
