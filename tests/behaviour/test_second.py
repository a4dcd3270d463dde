"""Two scales at one station: the brewer's, and the cup's below it or beside it."""
# Times of brews on a fast clock are compared with the truth: those run alone.
import signal

from bench import event, line_scale, reading, station
from scripts import filled

RATE = ("--clock-rate", 10)
WEIGHED = "SELECT * FROM brew_summary WHERE ended_utc IS NOT NULL AND beverage_g IS NOT NULL"

SCALES = """
[virtual]
seed = 5
[scale left-scale]
lag_s = 0.15
capacity_g = 12000
"""
CUP_SCALE = """
[scale left-cup]
second_of = left-scale
layout = plain
lag_s = 0.2
rate_hz = 5
"""

# 15 g and 230 g in a brewer that drips, on a stand over the cup; pressed there, weighed there.
ON_A_STAND = SCALES + """
do = brew cup 341.2 brewer 182.4 plunger 63.1 stand 296 drip 0.2 retained 2
do = wait 3
do = put cup on second
do = wait 3
do = tare second
do = wait 3
do = put stand
do = wait 3
""" + filled(5, 20) + """\
do = wait 25
do = put plunger
do = wait 20
do = press 3000 g in 20 s
do = wait 4
do = lift brewer plunger
do = wait 8
do = lift cup
do = wait 8
""" + CUP_SCALE

# The cup is seen empty on its scale, goes under the brewer, and comes back to it full, pressed beside.
BROUGHT_FULL = SCALES + """
do = brew cup 341.2 brewer 182.4 plunger 63.1 retained 2
do = wait 3
do = put cup on second
do = wait 4
do = lift cup
do = wait 3
do = put cup brewer
do = wait 3
do = tare
do = wait 3
do = coffee 15 g in 5 s
do = wait 4
do = pour 230 g in 20 s
do = wait 4
do = put plunger
do = wait 30
do = lift all
do = wait 4
do = press 3000 g in 20 s
do = wait 6
do = put cup on second
do = wait 10
do = lift cup
do = wait 8
""" + CUP_SCALE


def set_up(bench):
    folder = bench.folder / "port"
    bench.configure(station("left", "piston_diameter_mm = 60", "last_drops_g = 6"),
                    line_scale("left-scale", folder / "left-scale", "lag_ms = 150", station="left"),
                    line_scale("left-cup", folder / "left-cup", "weighs = cup", station="left"))
    return bench.poised(*RATE)


def brewed(bench, script):
    """What the store has of the one brew of the script, and the truth of it."""
    set_up(bench)
    bus = bench.subscribe()
    bench.logger()
    truth = bench.virtual(script, *RATE).wait_json(lambda line: line["truth"] == "brew", timeout=60)
    bus.wait_for(event("brew", change="end"), timeout=60)
    rows = bench.wait_query(WEIGHED, timeout=60)
    assert len(rows) == 1, rows
    return rows[0], truth


def test_what_drips_into_the_cup_is_weighed_and_kept(bench):      # alone
    row, truth = brewed(bench, ON_A_STAND)
    assert truth["drip_g"] > 5
    for name in "drip_g", "water_g", "dose_g", "beverage_g":
        assert abs(row[name] - truth[name]) <= 0.4, (name, row[name], truth[name])
        assert 0 < row[name + "_u"] < 0.5, (name, row[name + "_u"])
    assert abs(row["steep_s"] - truth["steep_s"]) <= 0.5
    assert row["pressed_dry"] == 1 and 0 < row["pressed_dry_u"] < 0.5
    traces = bench.query("SELECT instrument, weighs, count(*) AS readings, max(value) AS most FROM brew_trace"
                         " GROUP BY 1")
    cup, scale = sorted(traces, key=lambda trace: trace["instrument"])
    assert (cup["instrument"], cup["weighs"], scale["weighs"]) == ("left-cup", "cup", None)
    assert cup["readings"] > 100 and scale["readings"] > 200
    assert abs(cup["most"] - truth["beverage_g"]) < 1      # tared with the cup on it


def test_a_cup_that_comes_to_its_own_scale_is_weighed_there(bench):      # alone long
    row, truth = brewed(bench, BROUGHT_FULL)
    for name in "water_g", "dose_g", "beverage_g":
        assert abs(row[name] - truth[name]) <= 0.4, (name, row[name], truth[name])
    assert row["drip_g"] is None
    assert abs(row["steep_s"] - truth["steep_s"]) <= 0.5


def test_the_brewers_scale_is_tared_and_the_cups_when_it_is_named(bench):
    ports = {name: bench.port(name) for name in ("left-scale", "left-cup")}
    bench.configure(station("left"),
                    *(line_scale(name, port, *extra, station="left")
                      for (name, port), extra in zip(ports.items(), ([], ["weighs = cup"]))))
    bench.poised()
    bus = bench.subscribe()
    for name, port in ports.items():
        port.wait_heard()
        port.line("ST,GS,+   12.34 g")
        port.line("ST,GS,+   12.34 g")
        assert bus.wait_for(reading(name)).get("weighs") == ("cup" if name == "left-cup" else None)
    assert bench.ask(do="tare")["instrument"] == "left-scale"
    ports["left-scale"].read_until(b"T\r\n")
    assert bench.ask(do="tare", instrument="left-cup")["instrument"] == "left-cup"
    ports["left-cup"].read_until(b"T\r\n")
    status, output, _ = bench.run("poise-ctl", "instruments")
    assert status == 0
    lines = {line.split()[0]: line for line in output.splitlines() if line.strip()}
    assert "weighs the cup" in lines["left-cup"] and "weighs" not in lines["left-scale"], output


def test_the_operator_says_that_it_was_pressed_dry(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    bus = bench.subscribe()
    bench.logger()
    brew = bench.ask(do="begin", station="left")["brew"]
    bench.run("poise-ctl", "enter", "pressed_dry", "1")
    assert bus.wait_for(event("measure", measure="pressed_dry"))["by"] == "operator"
    status, _, said = bench.run("poise-ctl", "enter", "pressed_dry", "0.5")
    assert status == 1 and "neither" in said, said
    assert bench.ask(do="end", station="left")["ok"]
    assert bench.wait_query("SELECT pressed_dry FROM brew_summary WHERE ended_utc IS NOT NULL") == [{"pressed_dry": 1}]
    bench.run("poise-ctl", "enter", "pressed_dry", "0", "--brew", brew)
    bench.wait_query("SELECT pressed_dry FROM brew_summary", lambda rows: rows == [{"pressed_dry": 0}])


def test_a_restart_in_mid_brew_keeps_what_has_run_through(bench):      # alone long
    daemon = set_up(bench)
    bus = bench.subscribe()
    bench.logger()
    player = bench.virtual(ON_A_STAND, *RATE)
    bus.wait_for(event("stage", stage="steep"), timeout=60)
    daemon.signal(signal.SIGKILL)
    daemon.wait()
    bench.poised(*RATE)
    truth = player.wait_json(lambda line: line["truth"] == "brew", timeout=60)
    rows = bench.wait_query(WEIGHED, timeout=60)
    assert abs(rows[0]["beverage_g"] - truth["beverage_g"]) <= 0.4
    assert abs(rows[0]["water_g"] - truth["water_g"]) <= 1
