"""The example clients, as a person starts them."""
import csv
import json
import pathlib
import socket

import paho.mqtt.client as mqtt

from bench import PATIENCE_S, Deadline, event, line_scale, station
from player import brew as script

EXAMPLES = pathlib.Path(__file__).parents[2] / "clients/examples"


def test_spreadsheet_grows_by_a_row_as_each_brew_ends(bench):       # alone
    table, port = bench.folder / "brews.csv", bench.folder / "port/left-scale"
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised("--clock-rate", "20")
    bus = bench.subscribe()
    follower = bench.start(EXAMPLES / "spreadsheet.py", table)
    follower.wait_line("following pier")
    rows = lambda: list(csv.DictReader(table.open(newline=""))) if table.exists() else []   # noqa: E731
    bench.virtual(script("left-scale"), "--clock-rate", "20")
    brew = bus.wait_for(event("brew", change="end"), timeout=60)["brew"]
    bench.wait_until(lambda: len(rows()) == 1, "a row")
    row = rows()[0]
    assert row["brew"] == brew and row["strength_pct"] == "" and row["station"] == "left", row
    assert abs(float(row["dose_g"]) - 15) < 0.5 and abs(float(row["beverage_g"]) - 200) < 0.5, row
    assert bench.ask(do="enter", brew=brew, measure="strength_pct", value=1.40)["ok"]
    assert bench.ask(do="note", brew=brew, text='a "sweet", late one')["ok"]
    bench.wait_until(lambda: rows()[0]["strength_pct"] == "1.4" and rows()[0]["note"], "what is learnt later")
    assert rows()[0]["note"] == 'a "sweet", late one' and float(rows()[0]["extraction_pct"]) > 15, rows()
    follower.stop()
    follower = bench.start(EXAMPLES / "spreadsheet.py", table)      # goes on where it was
    follower.wait_line("following pier")
    second = bench.ask(do="begin")["brew"]
    assert bench.ask(do="end")["ok"]
    bench.wait_until(lambda: [row["brew"] for row in rows()] == [brew, second], "a second row")
    assert bench.ask(do="discard", brew=second, reason="a slip")["ok"]
    bench.wait_until(lambda: [row["brew"] for row in rows()] == [brew], "the discarded one goes")


PLAN = """[experiment]
name = lamp
replicates = 1
[vary]
steep_s = 40, 60
[hold]
dose_g = 15 +- 1
water_g = 230 +- 5
"""


def test_lamp_glows_when_it_is_time_to_press(bench):        # alone
    lamp, port, plan = bench.folder / "brightness", bench.folder / "port/left-scale", bench.folder / "lamp.plan"
    plan.write_text(PLAN)
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised("--clock-rate", "20")
    assert bench.run("poise-ctl", "plan", "load", plan)[0] == 0
    path = f"{bench.programs_folder}:/usr/bin:/bin"
    follower = bench.start(EXAMPLES / "lamp.sh", lamp, env={"PATH": path})
    glows = lambda: lamp.exists() and lamp.read_text() == "1\n"     # noqa: E731
    bench.wait_until(lambda: lamp.exists() and lamp.read_text() == "0\n", "the lamp is dark at first")
    bus = bench.subscribe()
    bench.virtual(script("left-scale"), "--clock-rate", "20")
    bus.wait_for(event("stage", stage="pour"), timeout=60)
    assert not glows()
    bench.wait_until(glows, "it glows", timeout=60)
    assert not any(event("brew", change="end")(message) for message in bus.drain())
    bus.wait_for(event("stage", stage="weigh"), timeout=60)
    bench.wait_until(lambda: not glows(), "and is dark again")
    follower.signal(15)
    assert follower.wait() == 0


def broker(bench):
    """A broker of our own, on a port that nobody has."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    configuration = bench.folder / "mosquitto.conf"
    configuration.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    bench.start("/usr/sbin/mosquitto", "-c", configuration)
    deadline = Deadline(PATIENCE_S)
    while not deadline.passed():
        with socket.socket() as trial:
            if trial.connect_ex(("127.0.0.1", port)) == 0:
                return port
    raise AssertionError("the broker does not listen")


def test_mqtt_has_what_the_bench_says(bench):
    port, scale = broker(bench), bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", scale, station="left"))
    bench.poised()
    bridge = bench.start(EXAMPLES / "mqtt.py", f"127.0.0.1:{port}")
    heard, client = {}, mqtt.Client()
    client.on_message = lambda _, __, message: heard.setdefault(message.topic, []).append(
        (json.loads(message.payload), message.retain))
    client.connect("127.0.0.1", port)
    client.subscribe("poise/#", qos=1)
    client.loop_start()
    try:
        bench.wait_until(lambda: "poise/state/pier" in heard, "the state")
        scale.wait_heard()
        for _ in range(3):
            scale.line("ST,GS,+   12.34 g")
        bench.wait_until(lambda: "poise/reading/pier/left-scale" in heard, "a reading")
        reading, retained = heard["poise/reading/pier/left-scale"][0]
        assert reading["value"] == 12.34 and not retained, reading
        brew = bench.ask(do="begin")["brew"]
        bench.wait_until(lambda: "poise/event/pier/brew" in heard, "an event")
        assert heard["poise/event/pier/brew"][0][0]["brew"] == brew
    finally:
        client.loop_stop()
        client.disconnect()
    bridge.stop()
