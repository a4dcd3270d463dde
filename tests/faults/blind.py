"""Brews played by hand of this test, with a spell in which nothing is seen: the cup is kept, and what is not known is said
with doubt.

Each station plays one brew of physics simple enough to be written down: the truth is the script.  What nobody sees is
seconds of it, in one stage, because the cable is out or because poised is restarted.
"""
import select
import time

from bench import line_scale, station

LINES_PER_S = 5
# the script, in seconds: (when, grams on the scale) with straight lines between; press: force in grams beside it
CUP_G, BREWER_G, DOSE_G, WATER_G, KEPT_G, FORCE_G = 300.0, 180.0, 15.0, 230.0, 28.0, 1800.0
STAGES = {"dose": 12.0, "bloom": 22.0, "bloom-rest": 30.0, "pour": 50.0, "steep": 90.0, "press": 128.0, "lift": 149.0}
END_S = 185.0
TRUTH = {"dose_g": DOSE_G, "water_g": WATER_G, "beverage_g": WATER_G - KEPT_G}
LIMIT = {"dose_g": 0.3, "water_g": 0.6, "beverage_g": 0.6}


def load(t):
    def ramp(first, last, grams):
        return grams * min(1.0, max(0.0, (t - first) / (last - first)))
    if t < 3:
        return 0.0
    if t < 150:                                         # all stands on the scale
        mass = CUP_G + ramp(8, 8.2, BREWER_G) + ramp(12, 15, DOSE_G) + ramp(20, 25, 45.0) + ramp(48, 63, WATER_G - 45.0)
        return mass + (FORCE_G if 125 <= t < 145 else 0.0)
    return CUP_G + WATER_G - KEPT_G if t < 175 else 0.0     # the brewer is lifted off, then the full cup


class Player:
    """One station with its port; `blind`: from when to when, seconds of the script."""

    def __init__(self, bench, name, delay_s, blind=None):
        self.bench, self.name, self.delay_s, self.blind = bench, name, delay_s, blind
        self.port = bench.port(name)
        self.at = 0
        self.out = False

    def section(self):
        return station(self.name, "piston_diameter_mm = 60") + "\n" + line_scale(f"{self.name}-scale", self.port,
                                                                                  station=self.name)

    def play(self, until_s):
        """All lines up to then, of the bench's time."""
        while self.at / LINES_PER_S + self.delay_s <= until_s:
            t = self.at / LINES_PER_S
            self.at += 1
            if self.blind and self.blind[0] <= t < self.blind[1]:
                if not self.out:
                    self.port.unplug()
                    self.out = True
                continue
            if self.out:
                self.port.plug()
                self.out = False
            self.say(load(t) if t < END_S else load(END_S))

    def say(self, grams):
        try:
            self.port.write(f"ST,GS,+{grams:9.1f} g\r\n".encode())
        except (OSError, AssertionError):
            pass                                        # nobody reads: poised is away

    def done(self):
        return self.at / LINES_PER_S > END_S


def wait_for_bench(seconds, rate):
    select.select([], [], [], seconds / rate)


def brew_all(bench, players, rate, restart=None):
    """Plays them all; restart: (when, for how long), seconds of the bench."""
    bench.configure(*(player.section() for player in players), f"[cup blue]\nmass_g = {CUP_G}\n")
    daemon = bench.poised("--clock-rate", rate)
    for player in players:
        player.port.wait_heard()
    began = time.monotonic()
    restarted, away_until = False, None
    while not all(player.done() for player in players):
        now = (time.monotonic() - began) * rate
        if restart and not restarted and now >= restart[0]:
            daemon.kill()
            restarted, away_until = True, restart[0] + restart[1]
        if away_until is not None and now >= away_until:
            daemon, away_until = bench.poised("--clock-rate", rate), None
        for player in players:
            if away_until is None:
                player.play(now)
            else:
                player.at = max(player.at, int((now - player.delay_s) * LINES_PER_S))    # what nobody hears
        wait_for_bench(1 / LINES_PER_S, rate)
    for player in players:
        bench.ask(do="end", station=player.name)
    return judge(bench, players)


def judge(bench, players):
    """One row for each station: its name, whether its one cup was kept, numbers that are sure and wrong, all of them."""
    messages = bench.history()
    rows = []
    for player in players:
        mine = [m for m in messages if m.get("station") == player.name]
        begun = [m["brew"] for m in mine if m.get("change") == "begin"]
        gone = {m["brew"] for m in mine if m.get("change") == "discard"}
        ends = {m["brew"]: m["measures"] for m in mine if m.get("change") == "end"}
        kept = [brew for brew in begun if brew not in gone and brew in ends]
        measures = ends[kept[0]] if kept else {}
        wrong = []
        for name, truth in TRUTH.items():
            known = measures.get(name)
            if not known or known["value"] is None:
                continue
            error, doubt = abs(known["value"] - truth), known["standard_uncertainty"] or 0.0
            if error > LIMIT[name] and error > 3 * doubt:
                wrong.append(f"{name} {known['value']:.1f} +- {doubt:.1f} was {truth:.1f}")
        rows.append((player.name, len(kept) == 1, wrong, {name: measures[name]["value"] for name in TRUTH if name in measures}))
    return rows
