"""The live readings of several benches on one bus: poise-site."""
import json
import signal

import zmq

from bench import event, reading
from sites import Site


def test_two_benches_called_alike_are_two_on_the_site(bench):
    site = Site(bench, "pier", "kiosk")
    site.start("pier", "kiosk")
    bus = bench.subscribe(started=False)
    states = {}
    while len(states) < 2:                              # who comes late is shown how it stands
        message = bus.wait_for(lambda m: m["topic"].startswith("state/"))
        states[message["bench"]] = message
    assert states["pier"]["bench_id"] != states["kiosk"]["bench_id"]
    site.show("kiosk", 0, 12.3, 12.34)
    seen = bus.wait_for(reading("left-scale", value=12.34))
    assert seen["bench"] == "kiosk" and seen["topic"] == "reading/kiosk/left-scale"
    site.show("pier", 0, 5.6, 5.67)
    assert bus.wait_for(reading("left-scale", value=5.67))["bench"] == "pier"
    brew = site.benches["kiosk"].ask(do="begin")["brew"]
    begun = bus.wait_for(event("brew", change="begin"))
    assert (begun["topic"], begun["bench"], begun["brew"]) == ("event/kiosk/brew", "kiosk", brew)
    # number, time and digits are the bench's own
    own = {message["seq"]: message for message in site.benches["kiosk"].history()}
    for message in bus.drain():
        if message["bench"] == "kiosk" and not message["topic"].startswith("state/"):
            assert dict(message, topic=message["topic"].replace("kiosk", "pier"), bench="pier") == own[message["seq"]]
    watch = bench.start("poise-ctl", "--bus", bench.bus, "watch", "--json")
    watch.wait_json(lambda line: line["topic"] == "state/kiosk")
    people = bench.start("poise-ctl", "--bus", bench.bus, "watch")
    for name in sorted(site.benches):                   # both pictures, in whichever order
        people.wait_text(f"bench {name}: left: ")
    site.show("kiosk", 7.7, 7.77)
    people.wait_line(r"kiosk  left-scale +7.77 g")
    site.show("pier", 8.8, 8.88)
    people.wait_line(r"pier  left-scale +8.88 g")


def test_benches_come_and_go(bench):
    site = Site(bench, "pier", "kiosk")
    program = site.start("kiosk")                       # pier is not there yet
    bus = bench.subscribe()
    site.benches["pier"].daemon = site.benches["pier"].poised()
    program.wait_diagnostic("pier is there")
    site.benches["pier"].ask(do="begin")
    assert bus.wait_for(event("brew", change="begin"))["bench"] == "pier"
    site.benches["kiosk"].daemon.kill()
    program.wait_diagnostic("kiosk is gone: waiting for it")
    site.benches["pier"].ask(do="end")
    assert bus.wait_for(event("brew", change="end"))["bench"] == "pier"
    site.benches["kiosk"].poised()
    program.wait_diagnostic("(?s)kiosk is gone.*kiosk is there")
    site.benches["kiosk"].ask(do="begin")
    assert bus.wait_for(event("brew", change="begin"))["bench"] == "kiosk"


def test_a_bench_that_is_followed_twice_is_passed_on_once(bench):
    site = Site(bench, "pier", "kiosk")
    site.benches["again"] = site.benches["pier"]
    site.configure("pier", "again", "kiosk")
    program = site.start("pier", "kiosk")
    bus = bench.subscribe()
    program.wait_diagnostic("again is the same bench as pier, and not passed on again")
    for change in ("begin", "end"):
        site.benches["pier"].ask(do=change)
        bus.wait_for(event("brew", change=change))
    site.benches["kiosk"].ask(do="begin")
    bus.wait_for(event("brew", change="begin", bench="kiosk"))
    assert len([m for m in bus.messages if m.get("change") == "begin" and m["bench"] != "kiosk"]) == 1


def test_a_site_takes_no_orders_and_says_what_is_wrong_with_its_configuration(bench):
    site = Site(bench, "pier")
    program = site.start("pier")
    assert not (bench.folder / "control").exists()
    hand = bench.context.socket(zmq.XSUB)               # what a listener sends up is no order
    hand.connect(bench.bus)
    hand.send(b"\x01")
    hand.send_multipart([b"control", json.dumps({"do": "begin"}).encode()])
    site.show("pier", 0, 1.1, 1.11)
    assert hand.poll(20000)
    hand.close()
    assert not site.benches["pier"].ask(do="note", text="x")["ok"]     # no brew was begun
    for text, sentence in (("", "is the configuration of a bench"),
                           (f"[site]\nbus = {bench.bus}\n", "no bench to listen to"),
                           (f"[site]\n[follow a]\nbus = {bench.bus}\n", "bus is missing"),
                           (f"[site]\nbus = {bench.bus}\n[follow a]\nbus = tcp://127.0.0.1:1\n", "needs a key"),
                           (f"[site]\nbus = {bench.bus}\n[follow a]\n", "bus is missing"),
                           (f"[site]\nbus = {bench.bus}\n[follow a]\nbus = ipc:///x/y\n[station left]\n", "no [station NAME]")):
        bench.configuration.write_text(text)
        status, _, said = bench.run("poise-site", "--config", bench.configuration)
        assert status == 2 and said.count("\n") == 1, said
        assert sentence in said, said
    status, _, said = bench.run("poised", "--config", site.configuration)
    assert status == 2 and "start poise-site with it" in said
    status, out, _ = bench.run("poised", "--check-config", "--config", site.configuration)
    assert status == 0 and "a site of 1 bench" in out
    site.configure("pier", more="[follow more]\nbus = ipc:///nowhere/bus\n")
    program.signal(signal.SIGHUP)
    program.wait_diagnostic("the old configuration stays: .*needs a restart")
