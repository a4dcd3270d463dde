"""A morning of brews during which programs are killed and stopped at moments drawn from a seed, and what must hold after
it: every message that a subscriber saw is in the journal as it was, every event and every reading of a brew is in the
store, each brew is there once with its stages, no name is used twice.
"""
import collections
import random
import select
import signal

from bench import line_scale, station

BREW = """
do = brew cup 300
do = wait 2
do = put cup brewer
do = wait 4
do = coffee 15 g
do = wait 5
do = pour 230 g
do = wait 30
do = press 3000 g
do = wait 6
do = lift all
do = wait 6
"""
BREW_S = 104            # from one to the next
PLAYED_AT_ONCE = 12     # as many brews as a script of poise-virtual may have
STAGES = ["dose", "pour", "steep", "press"]
SILENT_S = 0.5          # readings come ten times a second: so long without one and the bench saw nothing
AROUND_S = 10           # and what is judged from the readings around that is not seen either
NEAR_S = 1.0            # a stage that is seen is found so near
MEANWHILE_S = 20        # how far a stage may be off that began while nobody looked, as long as a slow restart takes here

# of events whose table is called otherwise
TABLES = {"instrument": "instrument_event", "check": "instrument_check", "alarm": "instrument_alarm"}

Moment = collections.namedtuple("Moment", "brew at_s kind stop_s")


def draw(seed, brews, each, kinds, from_s):
    """So many moments in every brew after this one, in order and with time between them; every kind as often."""
    dice = random.Random(seed)
    kinds = [kinds[i % len(kinds)] for i in range(brews * each)]
    dice.shuffle(kinds)
    part = (BREW_S - 12 - from_s) / each    # the last seconds are left alone, so that every brew can be seen to end
    return [Moment(brew, from_s + part * (number + dice.random() * 0.8), kinds.pop(), dice.uniform(1, 5))
            for brew in range(brews) for number in range(each)]


class Morning:
    kinds = ("kill poised", "kill logger", "kill both", "stop poised", "stop logger")

    def __init__(self, bench, seed, brews, each, rate=20, from_s=0):
        self.bench, self.rate, self.brews, self.moments = bench, rate, brews, draw(seed, brews, each, self.kinds, from_s)
        bench.configure(station("left", "piston_diameter_mm = 60"),
                        line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
        self.missing = 0
        self.truth, self.done = [], collections.Counter()
        self.player = self.daemon = self.logger = None
        self.start(poised=True, logger=True)
        self.bus = bench.subscribe()

    def environment(self):
        """What a program is started with."""
        return {}

    def start(self, poised, logger):
        if poised:
            self.daemon = self.bench.start("poised", "--config", self.bench.configuration, "--clock-rate", self.rate,
                                           env=self.environment())
            self.bench.ask(do="status", dies=self.daemon)
        if logger:
            self.logger = self.bench.start("poise-logger", "--store", self.bench.store, env=self.environment())

    # the morning

    def play(self):
        for number in range(self.brews):
            if number % PLAYED_AT_ONCE == 0:
                self._play_more(min(PLAYED_AT_ONCE, self.brews - number))
            began_us = self._wait_truth(lambda line: line.get("does", "").startswith("brew"))["real_us"] * self.rate
            for moment in (m for m in self.moments if m.brew == number):
                at_us = began_us + moment.at_s * 1e6
                self.bus.wait_for(lambda m: m["mono_us"] >= at_us)
                self.strike(moment)
                self.done[moment.kind] += 1
        self.bus.wait_for(lambda m: m["mono_us"] >= began_us + BREW_S * 1e6)
        self._wait_truth(lambda line: line["truth"] == "end")

    def _play_more(self, brews):
        if self.player:
            self._wait_truth(lambda line: line["truth"] == "end")
            self.player.stop()
        self.player = self.bench.virtual("[virtual]\nseed = 7\n[scale left-scale]\nlayout = plain\n" + BREW * brews,
                                         "--clock-rate", self.rate, "--stay")

    def _wait_truth(self, wanted):
        """The next line of what is played that fits; all that came before it is remembered too."""
        def is_it(line):
            self.truth.append(line)
            return wanted(line)
        return self.player.wait_json(is_it, timeout=120)

    def strike(self, moment):
        poised, logger = "logger" not in moment.kind, "poised" not in moment.kind
        if moment.kind.startswith("kill"):
            if poised:
                self.daemon.kill()
            if logger:
                self.logger.kill()
            self.start(poised, logger)
        else:
            program = self.daemon if poised else self.logger
            program.signal(signal.SIGSTOP)
            # what nobody sees is as long on the bench; a logger is slow by the world's clock
            select.select([], [], [], moment.stop_s / (self.rate if poised else 1))
            program.signal(signal.SIGCONT)

    # what must hold

    def judge(self):
        """Sentences about what does not hold."""
        begun = [message["brew"] for message in self.bench.history() if message.get("change") == "begin"]
        assert begun, "no brew is in the journal"
        assert self.bench.ask(do="note", brew=begun[-1], text="the morning is over")["ok"]
        self.bench.wait_query("select 1 from note where text = 'the morning is over'")
        self.logger.stop()
        faults = self._published(self.bench.history()) + self._stored()
        if len(set(begun)) != len(begun):
            faults.append(f"a name is used twice: {begun}")
        return faults + self.followed(begun)

    def followed(self, begun):
        """Every brew that was made is there once, with its stages."""
        starts = [row["began_mono_us"] for row in self.bench.query("select began_mono_us from brew order by begin_seq")]
        faults = []
        for truth in (line for line in self.truth if line["truth"] == "brew"):
            begins, *_, ends = (stage["real_us"] * self.rate for stage in truth["stages"])
            of_it = [name for name, at_us in zip(begun, starts) if begins - MEANWHILE_S * 1e6 <= at_us <= ends]
            if len(of_it) != 1:
                faults.append(f"{truth}: made once, found as {of_it}")
            else:
                faults += self._brewed(of_it[0], truth)
        return faults

    def may_be_missing(self, _message):
        """Whether this trouble may take back what was published."""
        return False

    def _published(self, history):
        kept, faults = {message["seq"]: message for message in history}, []
        if len(kept) != len(history):
            faults.append("a number stands twice in the journal")
        for seen in self._seen():
            held = kept.get(seen["seq"])
            self.missing += not held
            if seen["seq"] <= history[-1]["seq"] and held != seen and (held or not self.may_be_missing(seen)):
                faults.append(f"published as {seen}, in the journal as {held}")
        return faults

    def _seen(self):
        return [message for message in self.bus.drain() if not message["topic"].startswith("state/")]

    def _stored(self):
        """Every event has its row in the store, and every reading of a brew is in its trace."""
        rows = {table: {row["seq"] for row in self.bench.query(f"select seq from {table}")}
                for table in ("stage", "measure", "warning", "trace", *TABLES.values())}
        brews = {row["name"]: row for row in self.bench.query("select name, begin_seq, outcome_seq from brew")}
        faults = []
        for seen in self._seen():
            kind, seq = seen["topic"].split("/")[2], seen["seq"]
            if seen["topic"].startswith("reading/"):
                held = (seq in rows["trace"] or self.may_be_missing(seen)
                        or not any(brew["begin_seq"] < seq < brew["outcome_seq"] for brew in brews.values()))
            elif kind == "stage":
                held = seen["brew"] is None or seq in rows["stage"]
            elif kind == "brew":
                number = {"begin": "begin_seq", "end": "outcome_seq", "discard": "outcome_seq"}.get(seen["change"])
                held = seen["brew"] in brews and (not number or brews[seen["brew"]][number] == seq)
            else:
                held = seq in rows[TABLES.get(kind, kind)]
            if not held:
                faults.append(f"not in the store: {seen}")
        return faults

    def _brewed(self, name, truth):
        """The stages as they were made; found where they were, and once, unless nobody looked just then."""
        found = [row for row in self.bench.query("select stage, at_mono_us from stage join brew using (brew_id) where"
                                                 f" name = '{name}' and seq in (select seq from brew_stage where"
                                                 f" brew = '{name}') order by at_mono_us") if row["stage"] in STAGES]
        made = [stage for stage in truth["stages"] if stage["stage"] in STAGES]
        faults = []
        for row in found:
            at_us = next(stage["real_us"] * self.rate for stage in made if stage["stage"] == row["stage"])
            off_s = (row["at_mono_us"] - at_us) / 1e6
            if abs(off_s) > NEAR_S and not self._was_blind(at_us) and not self._was_blind(row["at_mono_us"]):
                faults.append(f"{name}: {row['stage']} is {off_s:+.1f} s off")
        order = [row["stage"] for row in found]
        if list(dict.fromkeys(order)) != [stage["stage"] for stage in made] or order[-1] != "press":
            faults.append(f"{name}: made were {made}, found {found}")
        return faults

    def _was_blind(self, at_us, around_s=AROUND_S):
        """Whether there was a time without readings within so many seconds of that one."""
        around_us = around_s * 1e6
        times = [at_us - around_us, *sorted(
            message["mono_us"] for message in self.bus.messages if message["topic"].startswith("reading/")
            and abs(message["mono_us"] - at_us) < around_us), at_us + around_us]
        return any(later - earlier > SILENT_S * 1e6 for earlier, later in zip(times, times[1:]))


def play(morning):
    morning.play()
    faults = morning.judge()
    print(dict(morning.done), "messages seen:", len(morning.bus.messages), "not kept:", morning.missing)
    assert not faults, "\n".join(faults)
