"""poise-ctl replay: a recorded trace through the tracker again, without a bench."""
import json
import math


class Trace:
    """What poise-ctl watch --json would have printed of one scale, ten times a second."""

    def __init__(self, path, station="left"):
        self.path, self.station = path, station
        self.now_s, self.load_g, self.shown_g, self.seq, self.lines = 100.0, 0.0, 0.0, 1, []

    def say(self, topic, **fields):
        self.seq += 1
        message = {"v": 1, "bench": "pier", "seq": self.seq, "time_us": round((1764000000 + self.now_s) * 1e6),
                   "mono_us": round(self.now_s * 1e6), "boot": "0f0f0f0f-0000-4000-8000-000000000000", **fields}
        self.lines.append('{"topic":"%s","message":%s}' % (topic, json.dumps(message)))

    def show(self):
        self.now_s += 0.1
        self.shown_g += (self.load_g - self.shown_g) * (1 - math.exp(-1))
        self.say("reading/pier/left-scale", instrument="left-scale", station=self.station, quantity="mass",
                 value=round(self.shown_g, 1), unit="g", stable=None, status="ok")

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


def test_replay_tells_the_brew_again(bench):
    trace = Trace(bench.folder / "trace.jsonl")
    trace.brew_pressed_beside()
    status, output, said = bench.run("poise-ctl", "replay", trace.write())
    assert (status, said) == (0, ""), (status, said)
    words = [line.split() for line in output.splitlines()]
    begins = {line[0]: float(line[1]) for line in words if len(line) > 2 and line[2] == "s"}
    assert list(begins) == ["dose", "pour", "steep", "press", "weigh-out", "strength"], output
    for stage, truly_s in (("dose", 9.5), ("pour", 18.5), ("steep", 38.5), ("press", 78.5)):
        assert abs(begins[stage] - truly_s) < 0.5, (stage, begins)
    numbers = {line[0]: float(line[1]) for line in words if line[0].endswith("_g")}
    assert abs(numbers["dose_g"] - 15) < 0.15 and abs(numbers["water_g"] - 230) < 0.35, numbers
    assert abs(numbers["beverage_g"] - 200) < 0.35, numbers


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
    trace.lines += late
    status, output, said = bench.run("poise-ctl", "replay", trace.write())
    assert (status, said) == (0, "")
    assert any(line.split()[0] == "stir" and "marked by hand" in line for line in output.splitlines()), output


def test_replay_names_what_is_no_trace(bench):
    path = bench.folder / "nonsense"
    path.write_text("ST,GS,+   12.30 g\n")
    status, output, said = bench.run("poise-ctl", "replay", path)
    assert (status, output) == (1, "")
    assert "nonsense:1: no line as poise-ctl watch --json prints them" in said and "no reading in it" in said
    status, output, said = bench.run("poise-ctl", "replay", bench.folder / "nowhere")
    assert (status, output) == (1, "") and "No such file" in said
