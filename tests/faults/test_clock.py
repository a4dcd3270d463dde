"""The wall clock is stepped in mid-brew, back and forth by an hour, a day, ten years: durations are right, names unique, an
event says so, and the record holds each brew once."""
import os
import struct

from bench import event, line_scale, reading, station

HOUR_S, DAY_S = 3600, 86400
STEPS_S = [HOUR_S, -HOUR_S, DAY_S, -DAY_S, 3650 * DAY_S, -3650 * DAY_S, -3650 * DAY_S, 3650 * DAY_S, -DAY_S - HOUR_S]


class Clock:
    """The clock of a computer that anybody sets."""

    def __init__(self, bench):
        self.path = bench.folder / "leap"
        self.set_s = 0
        self.path.write_bytes(struct.pack("qq", 0, 0))
        os.mkfifo(f"{self.path}.wake")
        self.wake = os.open(f"{self.path}.wake", os.O_RDWR | os.O_NONBLOCK)
        bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
        self.environment = {"LD_PRELOAD": str(bench.programs_folder.parent / "tests/leaping-clock.so"),
                            "LEAPING_CLOCK": str(self.path)}

    def step(self, by_s):
        self.set_s += by_s
        with open(self.path, "r+b") as file:
            file.write(struct.pack("qq", 0, self.set_s * 1000000))
        os.write(self.wake, b"\1" * 8)


def test_steps_of_the_clock_in_mid_brew_touch_no_duration_and_no_name(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    clock = Clock(bench)
    daemon = bench.start("poised", "--config", bench.configuration, env=clock.environment)
    bench.ask(do="status", dies=daemon)
    bus = bench.subscribe()
    bench.logger()                                      # on a computer whose clock is right
    port.wait_heard()
    port.line("ST,GS,+    0.00 g")
    steeps = {}
    for number, by_s in enumerate(STEPS_S, 1):
        brew = bench.ask(do="begin")["brew"]
        assert bench.ask(do="mark", stage="pour")["ok"]
        began = bus.wait_for(event("stage", stage="pour", brew=brew))["at_us"]
        clock.step(by_s)
        warning = bus.wait_for(event("warning", warning="clock-stepped"))
        assert ("back" if by_s < 0 else "forward") in warning["detail"] and f"{abs(by_s)}." in warning["detail"]
        port.line(f"ST,GS,+ {number:7.2f} g")
        bus.wait_for(reading("left-scale", value=float(number)))
        assert bench.ask(do="mark", stage="press")["ok"]
        pressed = bus.wait_for(event("stage", stage="press", brew=brew))["at_us"]
        steep = bus.wait_for(event("measure", measure="steep_s", brew=brew))["value"]
        assert abs(steep - (pressed - began) / 1e6) < 0.001 and 0 < steep < 60
        assert bench.ask(do="end")["brew"] == brew
        assert brew not in steeps
        steeps[brew] = steep
    assert len(steeps) == len(STEPS_S)
    assert len({brew.split("-")[1] for brew in steeps}) >= 3        # the days it was reported to be
    rows = bench.wait_query("select brew, steep_s from brew_summary where ended_utc is not null",
                            lambda rows: len(rows) == len(steeps))
    assert {row["brew"]: row["steep_s"] for row in rows} == steeps
    assert daemon.diagnostics.count("\n") < 60
    daemon.stop()                                       # and a start in another year finds its brews and numbers
    clock.set_s = -7000 * DAY_S
    clock.path.write_bytes(struct.pack("qq", 0, clock.set_s * 1000000))
    daemon = bench.start("poised", "--config", bench.configuration, env=clock.environment)
    bench.ask(do="status", dies=daemon)
    assert bench.ask(do="begin")["brew"] not in steeps
    begun = [m["brew"] for m in bench.history() if m.get("change") == "begin"]
    assert len(set(begun)) == len(begun)
    names = bench.wait_query("select name from brew", lambda rows: len(rows) == len(STEPS_S) + 1)
    assert len({row["name"] for row in names}) == len(names) and {row["name"] for row in names} > set(steeps)
    os.close(clock.wake)
