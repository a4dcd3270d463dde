"""poise-ctl replay: a recorded trace through the tracker again, without a bench."""
import json
import math
import pathlib
import re
import sqlite3

from bench import event, line_scale, station
from player import brew as script


class Trace:
    """What poise-ctl watch --json would have printed of one scale, ten times a second."""

    def __init__(self, path, station="left"):
        self.path, self.station = path, station
        self.now_s, self.load_g, self.shown_g, self.seq, self.lines, self.tared_g = 100.0, 0.0, 0.0, 1, [], 0.0

    def say(self, topic, **fields):
        self.seq += 1
        message = {"v": 1, "bench": "pier", "seq": self.seq, "time_us": round((1764000000 + self.now_s) * 1e6),
                   "mono_us": round(self.now_s * 1e6), "boot": "0f0f0f0f-0000-4000-8000-000000000000", **fields}
        self.lines.append('{"topic":"%s","message":%s}' % (topic, json.dumps(message)))

    def show(self):
        self.now_s += 0.1
        self.shown_g += (self.load_g - self.shown_g) * (1 - math.exp(-1))
        self.say("reading/pier/left-scale", instrument="left-scale", station=self.station, quantity="mass",
                 value=round(self.shown_g - self.tared_g, 1), unit="g", stable=None, status="ok")

    def wait(self, seconds):
        for _ in range(round(seconds * 10)):
            self.show()

    def move(self, grams, seconds):
        before, steps = self.load_g, round(seconds * 10)
        for step in range(steps):
            self.load_g = before + grams * (step + 1) / steps
            self.show()

    def brew_pressed_beside(self):
        self.wait(3)
        self.move(341.2, 0.3)
        self.wait(3)
        self.move(182, 0.3)
        self.wait(3)
        self.move(15, 5)
        self.wait(4)
        self.move(230, 20)
        self.wait(40)
        self.move(-self.load_g, 0.5)
        self.wait(30)
        self.move(541.2, 0.4)
        self.wait(10)

    def write(self):
        self.path.write_text("\n".join(self.lines) + "\n")
        return self.path


def test_replay_reports_the_brew_again(bench):
    trace = Trace(bench.folder / "trace.jsonl")
    trace.brew_pressed_beside()
    status, output, said = bench.run("poise-ctl", "replay", trace.write())
    assert (status, said) == (0, ""), (status, said)
    words = [line.split() for line in output.splitlines()]
    begins = {line[0]: float(line[1]) for line in words if len(line) > 2 and line[2] == "s"}
    assert list(begins) == ["dose", "pour", "steep", "press", "weigh", "strength"], output
    assert re.search(r" on left, begun 9\.[0-9]* s after the first reading$", output.splitlines()[0]), output
    for stage, truly_s in (("dose", 0), ("pour", 9), ("steep", 29), ("press", 69)):
        assert abs(begins[stage] - truly_s) < 0.5, (stage, begins)
    numbers = {line[0]: float(line[1]) for line in words if line[0].endswith("_g")}
    assert abs(numbers["dose_g"] - 15) < 0.15 and abs(numbers["water_g"] - 230) < 0.35, numbers
    assert abs(numbers["beverage_g"] - 200) < 0.35, numbers


def test_replay_takes_json_however_it_is_spaced_and_ordered(bench):
    trace = Trace(bench.folder / "trace.jsonl")
    trace.brew_pressed_beside()
    _, wanted, _ = bench.run("poise-ctl", "replay", trace.write())
    others = [lambda line: json.dumps(line), lambda line: json.dumps(line, separators=(" , ", " :\t")) + "  ",
              lambda line: json.dumps({"recorded": {"by": ['a "quoted" } one', 1]}, "message": line["message"],
                                       "topic": line["topic"]})]
    for number, form in enumerate(others):
        path = bench.folder / f"other-{number}.jsonl"
        path.write_text("".join(form(json.loads(line)) + "\n" for line in trace.lines))
        assert bench.run("poise-ctl", "replay", path) == (0, wanted, ""), number
    path.write_text('{"topic":"reading/pier/left-scale","message":{"v":1}\n{"topic":"x"}\n["topic"]\n{"topic\n')
    status, output, said = bench.run("poise-ctl", "replay", path)
    assert (status, output) == (1, "") and "no line as poise-ctl watch --json prints" in said, (status, output, said)


def test_replay_json_gives_events_as_the_bus_does(bench):
    trace = Trace(bench.folder / "trace.jsonl")
    trace.brew_pressed_beside()
    status, output, said = bench.run("poise-ctl", "replay", "--json", trace.write())
    assert (status, said) == (0, "")
    events = [json.loads(line) for line in output.splitlines()]
    changes = [event["message"]["change"] for event in events if event["topic"] == "event/pier/brew"]
    assert changes == ["begin", "end"]
    assert all(event["message"]["bench"] == "pier" for event in events)


def test_replay_says_the_operators_marks_again(bench):
    trace = Trace(bench.folder / "trace.jsonl")
    trace.brew_pressed_beside()
    middle = next(i for i, line in enumerate(trace.lines) if json.loads(line)["message"]["mono_us"] > 150e6)
    late, trace.lines = trace.lines[middle:], trace.lines[:middle]
    trace.now_s = 150.0
    trace.say("event/pier/stage", brew="pier-20251124-001", station="left", stage="stir", at_us=round(145e6),
              uncertainty_us=200000, by="operator")
    trace.say("event/pier/stage", brew="pier-20251124-001", station="left", stage="idle", at_us=round(109e6),
              uncertainty_us=0, by="operator")      # takes back a first stage that moved, and discards nothing
    trace.lines += late
    status, output, said = bench.run("poise-ctl", "replay", trace.write())
    assert (status, said) == (0, "")
    assert any(line.split()[0] == "stir" and "by hand" in line for line in output.splitlines()), output
    assert "discarded" not in output


def test_replay_names_what_is_no_trace(bench):
    path = bench.folder / "nonsense"
    path.write_text("ST,GS,+   12.30 g\n")
    status, output, said = bench.run("poise-ctl", "replay", path)
    assert (status, output) == (1, "")
    assert "nonsense:1: no line as poise-ctl watch --json prints them" in said and "no reading in it" in said
    status, output, said = bench.run("poise-ctl", "replay", bench.folder / "nowhere")
    assert (status, output) == (1, "") and "No such file" in said


TRACES = pathlib.Path(__file__).parents[1] / "traces"
KEPT = TRACES / "lantern-pier-bloom.jsonl"
BREW = "pier-20261125-001"


def journal_of(bench, trace):
    """A journal that holds what the trace says, ten messages to a group."""
    entries = ["[%s,%s]" % re.fullmatch(r'{"topic":("[^"]+"),"message":(.*)}', line).groups()
               for line in trace.read_text().splitlines()]
    file = sqlite3.connect(bench.folder / "journal.db")
    file.executescript("CREATE TABLE journal(first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, first_us INTEGER NOT"
                       " NULL, messages BLOB NOT NULL); CREATE TABLE keep(name TEXT PRIMARY KEY, value BLOB NOT NULL)"
                       " WITHOUT ROWID; PRAGMA application_id=1349470769; PRAGMA user_version=1; PRAGMA journal_mode=WAL;")
    for place in range(0, len(entries), 10):
        group = entries[place:place + 10]
        first, last = (json.loads(entry)[1] for entry in (group[0], group[-1]))
        file.execute("INSERT INTO journal VALUES (?, ?, ?, ?)",
                     (first["seq"], last["seq"], first["time_us"], ",".join(group).encode()))
    file.commit()
    file.close()
    return bench.folder / "journal.db"


def replayed(bench, *words):
    status, output, said = bench.run("poise-ctl", "replay", *words)
    assert (status, said) == (0, ""), (status, said)
    return output


def test_a_bench_is_asked_for_its_past(bench):
    configuration = ("--config", KEPT.with_suffix(".conf"))
    bench.configure(station("training"), bench="journal_days = 3650")
    journal = journal_of(bench, KEPT)
    output = replayed(bench, journal, *configuration)
    assert output.splitlines()[0].startswith(f"{BREW} on training, begun ")
    assert output.splitlines()[1].split() == ["reported", "then", "reported", "now"]
    daemon = bench.poised()
    from_bench = replayed(bench, "--brew", BREW, *configuration)
    assert from_bench == output
    assert replayed(bench, "--from", "2026-11-25 00:00Z", *configuration) == output
    assert replayed(bench, "--brew", BREW, "--trace", "--names") == KEPT.read_text()
    trace = replayed(bench, "--brew", BREW, "--trace")
    for name in ("pier", "training", "kiosk", json.loads(KEPT.read_text().splitlines()[0])["message"]["boot"]):
        assert name not in trace, name
    assert trace.count("\n") == KEPT.read_text().count("\n") and '"bench-20261125-' in trace, trace[:2000]
    (bench.folder / "sent.jsonl").write_text(trace)
    sent = bench.folder / "sent.conf"
    sent.write_text(KEPT.with_suffix(".conf").read_text().replace("training", "station-1").replace("pier-scale",
                                                                                                   "instrument-1"))
    assert replayed(bench, bench.folder / "sent.jsonl", "--config", sent).splitlines()[1:] == output.splitlines()[1:]
    status, _, said = bench.run("poise-ctl", "replay", "--brew", "pier-20200101-001")
    assert (status, said) == (1, "poise-ctl: what was recorded: there is no brew pier-20200101-001 in it\n")
    status, _, said = bench.run("poise-ctl", "replay", journal)
    assert status == 1 and "a running poised has it open" in said
    daemon.kill()       # its log lies beside it
    before = journal.read_bytes()
    assert replayed(bench, journal, "--brew", BREW, *configuration) == output
    assert journal.read_bytes() == before
    for words, wanted in ((("--from", "yesterday"), "'yesterday' is no time"), ((), "of what?"),
                          (("--brew", "seven"), "'seven' is no brew's name"),
                          (("--brew", BREW, "--from", "2026-11-25"), "a brew has its own time")):
        status, _, said = bench.run("poise-ctl", "replay", *words)
        assert status == 2 and wanted in said


def test_what_is_reported_otherwise_now_stands_out(bench):
    trace = bench.folder / "trace.jsonl"
    text = KEPT.read_text()
    trace.write_text(re.sub(r'("measure":"water_g","value":)[0-9.]+', r"\g<1>200.5", text))
    output = replayed(bench, trace, "--config", KEPT.with_suffix(".conf"))
    assert re.search(r"^\* water_g +200\.5 .* 230\.[0-9] ", output, re.M), output
    # a stage that was not reported then, and a brew that was not
    trace.write_text("".join(line for line in text.splitlines(True) if '"stage":"bloom"' not in line))
    assert re.search(r"^\* bloom +-  +[0-9.]+ s ", replayed(bench, trace), re.M)
    trace.write_text("".join(line for line in text.splitlines(True) if "event/pier/" not in line))
    assert replayed(bench, trace).startswith(f"{BREW} on training, begun ")
    brew = next(line for line in text.splitlines() if '"change":"begin"' in line)
    trace.write_text(brew + "\n" + "".join(line for line in text.splitlines(True)[:40] if "reading/" in line))
    assert f"* reported then, no brew now: {BREW} on training" in replayed(bench, trace)


def test_a_span_of_time_is_reported(bench):
    journal = journal_of(bench, KEPT)
    assert BREW in replayed(bench, journal, "--from", "2020-01-01", "--to", "2100-01-01 12:00Z")
    status, output, said = bench.run("poise-ctl", "replay", journal, "--to", "2020-01-01")
    assert (status, output) == (1, "") and "no reading in it that was asked for" in said
    journal.write_bytes(journal.read_bytes()[:5000])
    status, output, said = bench.run("poise-ctl", "replay", journal)
    assert status == 1 and "malformed" in said


def test_a_brew_out_of_the_store_is_read_again_with_the_minute_before_it(bench):        # alone
    port = bench.folder / "port/left-scale"
    bench.configure(station("left", "piston_diameter_mm = 60"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised("--clock-rate", "20")
    bench.logger().wait_diagnostic("keeping the brews")
    bus = bench.subscribe()
    bench.virtual(script("left-scale", waits_s=30), "--clock-rate", "20")   # the cup is set down long before the coffee
    brew = bus.wait_for(event("brew", change="end"), timeout=60)["brew"]
    assert bench.ask(do="note", brew=brew, text="Ines likes it")["ok"]
    bench.wait_query(f"SELECT note FROM brew_summary WHERE brew = '{brew}' AND note IS NOT NULL")
    first = bench.query("SELECT min(seconds) AS shown, (SELECT min(t.mono_us - b.began_mono_us) / 1e6 FROM trace t"
                        " JOIN brew b USING (brew_id)) AS kept, (SELECT max(decimals) FROM trace) AS decimals"
                        " FROM brew_trace")[0]
    assert float(first["kept"]) < -30 < -20 < float(first["shown"]), first      # kept, and not in anybody's picture
    daemon.stop()
    status, output, said = bench.run("poise-ctl", "replay", "--brew", brew, "--config", bench.configuration)
    assert status == 0 and "no answer" in said and f"the store is read instead: {bench.store}" in said, (status, said)
    for measure, truth in ("dose_g", 15), ("water_g", 230), ("beverage_g", 200):
        then, now = map(float, re.search(rf"{measure} +([0-9.]+) .*?  ([0-9.]+) ", output).groups())
        assert abs(then - truth) < 0.5 and abs(now - then) < 0.11, output
    status, trace, said = bench.run("poise-ctl", "replay", "--store", bench.store, "--brew", brew, "--trace")
    assert (status, said) == (0, "") and "pier" not in trace and "left" not in trace and "Ines" not in trace, said
    (bench.folder / "sent.jsonl").write_text(trace)
    bench.configure(station("station-1", "piston_diameter_mm = 60"))
    again = replayed(bench, bench.folder / "sent.jsonl", "--config", bench.configuration)
    assert again.splitlines()[1:] == output.splitlines()[1:], again
    status, trace, _ = bench.run("poise-ctl", "replay", "--store", bench.store, "--brew", brew, "--trace", "--names")
    assert status == 0 and f'"brew":"{brew}"' in trace and '"instrument":"left-scale"' in trace, trace[:500]
    status, output, said = bench.run("poise-ctl", "replay", "--store", bench.store, "--brew", "pier-20200101-001")
    assert (status, output) == (1, "") and f"{bench.store}: there is no brew pier-20200101-001 in it" in said, said


def test_a_store_is_no_source_and_what_is_one_is_said(bench):
    bench.logger().wait_diagnostic("waiting for poised")
    status, output, said = bench.run("poise-ctl", "replay", bench.store)
    assert (status, output) == (1, "") and "is no journal of poised" in said and "`poise-ctl --store FILE replay --brew NAME`" in said


def test_kept_traces_are_reported_as_it_was(bench):
    """Each tests/traces/NAME.jsonl with its NAME.conf; NAME.expected has what truly was: a measure, its value, and how
    far off it may be reported, a line each."""
    traces = sorted(TRACES.glob("*.jsonl"))
    assert traces
    for trace in traces:
        status, output, said = bench.run("poise-ctl", "replay", "--json", trace, "--config", trace.with_suffix(".conf"))
        assert (status, said) == (0, ""), (trace, said)
        events = [json.loads(line)["message"] for line in output.splitlines()]
        reported = {message["measure"]: message["value"] for message in events if "measure" in message}
        stages = []
        for message in events:
            if message.get("stage") and message["brew"]:        # one takes back those reported to begin at its time or later
                stages = [(at, stage) for at, stage in stages if at < message["at_us"] - 1000]
                stages.append((message["at_us"], message["stage"]))
        for line in trace.with_suffix(".expected").read_text().splitlines():
            name, *wanted = line.split("#")[0].split() or [None]
            if name == "stages":
                assert [stage for _, stage in stages] == wanted, (trace, stages)
            elif name:
                assert name in reported and abs(reported[name] - float(wanted[0])) <= float(wanted[1]), (trace, line, reported.get(name))


BREWED = """do = coffee 15 g in 4 s
do = wait 5
do = pour 230 g in 16 s
do = wait 40
do = lift brewer cup
do = wait 10
"""
SESSION = """
[virtual]
seed = 5
[scale left-scale]
lag_s = 0.15
capacity_g = 5000
lost = 0.01
unplug_at_s = 57
unplug_for_s = 3
do = brew cup 341.2 brewer 182.4 plunger 63.1 retained 2.05
do = wait 2
do = put cup brewer
do = wait 15
""" + BREWED + """\
do = brew cup 341.2 brewer 182.4 plunger 63.1 retained 2.05
do = put cup brewer
do = wait 5
do = tare
do = wait 5
""" + BREWED


def test_what_the_operator_ordered_is_ordered_again(bench):
    """A tare, a begin and an end, a discard: and a scale that was lost in between."""
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", "lag_ms = 150", station="left"))
    bench.virtual(SESSION, "--clock-rate", 10, "--stay")
    bench.poised("--clock-rate", 10)
    bus = bench.subscribe()

    def order(**request):
        reply = bench.ask(station="left", **request)
        assert reply["ok"], reply

    bus.wait_for(lambda message: message.get("stable") and (message["value"] or 0) > 520)
    order(do="tare")
    assert bus.wait_for(event("instrument", change="ordered"))["detail"] == "to tare"
    bus.wait_for(lambda message: abs(message.get("value", 9)) < 1)
    order(do="begin")
    bus.wait_for(event("brew", change="begin", by="operator"))
    bus.wait_for(event("instrument", change="lost"))
    bus.wait_for(event("instrument", change="ready"))
    order(do="end")
    bus.wait_for(event("brew", change="end", by="operator"))
    bus.wait_for(event("brew", change="begin"), timeout=60)
    order(do="discard", reason="the wrong coffee")
    bus.wait_for(event("brew", change="discard", by="operator"))
    output = replayed(bench, "--from", "2020-01-01", "--config", bench.configuration)
    assert output.count("nothing differs") == 2 and "*" not in output, output
    # what was ordered is what makes it so
    trace = bench.folder / "trace.jsonl"
    trace.write_text("".join(line for line in replayed(bench, "--from", "2020-01-01", "--trace").splitlines(True)
                             if '"by":"operator"' not in line))
    assert "*" in replayed(bench, trace, "--config", bench.configuration)


def test_a_tare_that_was_ordered_is_one(bench):
    """When coffee falls at once behind it, only the order says that it was no lift."""
    trace = Trace(bench.folder / "trace.jsonl")
    trace.wait(3)
    trace.move(523.2, 0.3)
    trace.wait(5)
    trace.say("event/pier/instrument", instrument="left-scale", change="ordered", detail="to tare")
    trace.tared_g = trace.load_g
    trace.show()
    trace.load_g += 9
    trace.move(6, 5)
    trace.wait(4)
    trace.move(230, 20)
    trace.wait(20)
    doses = []
    for lines in (trace.lines, [line for line in trace.lines if "ordered" not in line]):
        trace.path.write_text("\n".join(lines) + "\n")
        dose = re.search(r"^  dose_g +([0-9.]+)", replayed(bench, trace.path), re.M)
        doses.append(float(dose.group(1)) if dose else math.nan)
    assert abs(doses[0] - 15) < 0.2 and not abs(doses[1] - 15) < 0.2, doses
