"""What a bench shows its listeners, answers to those who ask, and remembers over a restart."""
from bench import event, line_scale, reading, refractometer, station


def one_scale(bench, *lines):
    port = bench.port("left-scale")
    bench.configure(station("left", "piston_diameter_mm = 60"), line_scale("left-scale", port, station="left"), *lines)
    return port


def show(bus, port, *grams):
    """Lines that a scale might send, and the last reading they become."""
    for gram in grams:
        port.line(f"ST,GS,{gram:+9.2f} g")
    return bus.wait_for(reading("left-scale", value=grams[-1]))


def test_a_late_joiner_gets_the_state(bench):
    port = one_scale(bench)
    bench.poised()
    early = bench.subscribe()
    port.wait_heard()
    show(early, port, 0, 0, 12.34)
    brew = bench.ask(do="begin")["brew"]
    bench.ask(do="enter", measure="dose_g", value=15.0)
    state = bench.subscribe().state
    assert state["topic"] == "state/pier"
    assert state["instruments"][0]["value"] == 12.34
    assert state["stations"][0]["brew"] == brew
    assert state["stations"][0]["measures"]["dose_g"]["value"] == 15.0
    entered = early.wait_for(event("measure", measure="dose_g"))["seq"]
    assert state["seq"] >= entered
    assert early.wait_for(lambda message: message["seq"] >= state["seq"])["seq"] == state["seq"]


def test_a_scale_of_no_station_is_no_part_of_a_brew_where_a_station_has_its_own(bench):
    spare = bench.port("spare-scale")
    port = one_scale(bench, line_scale("spare-scale", spare))
    bench.poised()
    bus = bench.subscribe()
    for one in (port, spare):
        one.wait_heard()
        one.line("")
    port.line("ST,GS,+   300.0 g")
    spare.line("ST,GS,+    18.3 g")
    port.line("ST,GS,+   300.0 g")
    bus.wait_for(reading("left-scale", value=300))
    spare.line("ST,GS,+    18.3 g")
    bus.wait_for(reading("spare-scale", value=18.3))
    assert bench.subscribe().state["stations"][0]["load_g"] == 300


def test_only_those_who_want_the_state_cause_one(bench):
    one_scale(bench)
    bench.poised()
    everything = bench.subscribe()
    before = sum(message["topic"] == "state/pier" for message in everything.drain())
    narrow = bench.subscribe("event/", started=False)
    for prefix in ("reading/", "state/"):       # one connection: they are seen in this order
        narrow.add(prefix)
    assert narrow.wait_for(lambda message: True)["topic"] == "state/pier"
    everything.wait_for(lambda message: message["topic"] == "state/pier")
    assert sum(message["topic"] == "state/pier" for message in everything.drain()) == before + 1


def test_since_returns_all_that_was_published(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    for gram in range(300):
        port.line(f"ST,GS,{gram / 10:+9.1f} g")
    bus.wait_for(reading("left-scale", value=29.9))
    bench.ask(do="begin")
    bench.ask(do="end")
    bus.wait_for(event("brew", change="end"))
    live = [message for message in bus.messages if not message["topic"].startswith("state/")]
    kept = bench.history(most=5000)
    assert [message["seq"] for message in kept] == list(range(1, len(kept) + 1))
    assert [message for message in kept if live[0]["seq"] <= message["seq"] <= live[-1]["seq"]] == live


def test_an_operator_brews_without_a_tracker(bench):
    one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    assert not bench.ask(do="end")["ok"]
    brew = bench.ask(do="begin")["brew"]
    assert bus.wait_for(event("brew", change="begin"))["brew"] == brew
    for measure, value in (("dose_g", 15.0), ("water_g", 230.0), ("beverage_g", 199.25)):
        assert bench.ask(do="enter", measure=measure, value=value, standard_uncertainty=0.03)["ok"]
    assert bench.ask(do="note", text="first \u2615 of the day")["ok"]
    assert bus.wait_for(event("brew", change="note"))["note"] == "first \u2615 of the day"
    assert bench.ask(do="end")["brew"] == brew
    end = bus.wait_for(event("brew", change="end"))
    assert end["measures"]["dose_g"]["value"] == 15.0
    assert abs(end["measures"]["retained_g_per_g"]["value"] - 2.05) < 1e-9
    assert bench.ask(do="enter", brew=brew, measure="strength_pct", value=1.4)["ok"]
    # S B / D = 1.40 % of 199.25 g from 15 g
    assert abs(bus.wait_for(event("measure", measure="extraction_pct"))["value"] - 18.596667) < 1e-6
    state = bench.ask(do="status")["state"]
    assert state["last"]["brew"] == brew and state["waiting"] == []


def test_strength_goes_to_the_oldest_cup_that_lacks_it(bench):
    port = bench.port("glass")
    bench.configure(station("left"), refractometer("glass", port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)"))
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    brews = []
    for _ in range(2):
        brews.append(bench.ask(do="begin")["brew"])
        bench.ask(do="enter", measure="water_g", value=230)
        bench.ask(do="end")
    assert [cup["brew"] for cup in bench.ask(do="status")["state"]["waiting"]] == brews
    port.line("0.00 %")         # may be half a line: dropped
    port.line("1.40 %")
    assert bus.wait_for(event("measure", measure="strength_pct", value=1.4))["brew"] == brews[0]
    assert bench.ask(do="assign", brew=brews[1])["ok"]
    assert bus.wait_for(event("measure", measure="strength_pct", value=None))["brew"] == brews[0]
    assert bus.wait_for(event("measure", measure="strength_pct", value=1.4))["brew"] == brews[1]
    assert [cup["have"] for cup in bench.ask(do="status")["state"]["waiting"]] == [0, 1]


def test_a_tare_is_sent_to_the_scale(bench):
    port = one_scale(bench)
    bench.poised()
    port.wait_heard()
    assert bench.ask(do="tare")["instrument"] == "left-scale"
    port.read_until(b"T\r\n")
    assert "zero" in bench.ask(do="zero")["why"]


def test_an_event_published_is_in_the_journal_whenever_it_is_killed(bench):
    one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    seen = []
    for _ in range(5):
        brew = bench.ask(do="begin")["brew"]
        seen.append(bus.wait_for(event("brew", change="begin", brew=brew)))
        daemon.kill()
        daemon, bus = bench.poised(), bench.subscribe()
        assert bench.ask(do="end")["brew"] == brew
    kept = {message["seq"]: message for message in bench.history()}
    assert all(kept[message["seq"]] == message for message in seen)
    assert len({message["brew"] for message in seen}) == 5


def test_a_reading_published_is_in_the_journal_whenever_it_is_killed(bench):
    port = one_scale(bench)
    seen = []
    for round in range(5):
        daemon, bus = bench.poised(), bench.subscribe()
        port.wait_heard()
        port.line("")                       # the rest of nothing: dropped
        for gram in range(10):
            port.line(f"ST,GS,{10 * round + gram:+9.2f} g")
        bus.wait_for(reading("left-scale", value=10 * round + 9))
        daemon.kill()
        seen += [message for message in bus.drain() if reading("left-scale")(message)]
        port.unplug()                       # what nobody read must not come again
        port.plug()
    bench.poised()
    kept = {message["seq"]: message for message in bench.history()}
    assert len(seen) >= 45 and all(kept[message["seq"]] == message for message in seen)


def test_a_stop_in_order_skips_no_number(bench):
    one_scale(bench)
    daemon = bench.poised()
    bench.ask(do="begin")
    last = bench.ask(do="since", seq=0)["last"]
    daemon.stop()
    bench.poised()
    bench.ask(do="end")
    numbers = [message["seq"] for message in bench.history()]
    assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) > last


def test_a_station_that_comes_back_begins_brews_of_its_own(bench):
    """It has a new tracker, which counts from 1 again: nothing goes into the brews it had before."""
    one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    scale = line_scale("left-scale", bench.folder / "port/left-scale", station="left")
    brews = [bench.ask(do="begin")["brew"]]
    assert bench.ask(do="end")["ok"]
    brews.append(bench.ask(do="begin")["brew"])
    for again in range(2):
        bench.configure(station("right"))
        daemon.signal(1)
        bus.wait_for(lambda m: m["topic"] == "state/pier" and [s["station"] for s in m["stations"]] == ["right"])
        bench.configure(station("right"), station("left"), scale)
        daemon.signal(1)
        bus.wait_for(lambda m: m["topic"] == "state/pier" and len(m["stations"]) == 2)
        brew = bench.ask(do="begin", station="left")["brew"]
        assert brew and brew not in brews
        bus.wait_for(event("brew", change="begin", brew=brew))
        assert bench.ask(do="enter", brew=brew, measure="dose_g", value=14.5 + again)["ok"]
        assert bus.wait_for(event("measure", measure="dose_g"))["brew"] == brew
        brews.append(brew)
    entered = [m["brew"] for m in bus.drain() if m.get("measure") == "dose_g"]
    assert entered == brews[2:]
    daemon.kill()           # what was removed is not restored either
    bench.configure(station("right"))
    bench.poised().stop()
    bench.configure(station("right"), station("left"), scale)
    bench.poised()
    assert bench.ask(do="begin", station="left")["brew"] not in brews


def test_a_running_brew_survives_new_configuration(bench):
    one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    brew = bench.ask(do="begin")["brew"]
    bench.configure(station("left", "press_limit_kpa = 25"), station("right"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    daemon.signal(1)
    state = bus.wait_for(lambda m: m["topic"] == "state/pier" and len(m["stations"]) == 2)
    assert state["stations"][0]["brew"] == brew and state["stations"][0]["press_limit_kpa"] == 25
    assert bench.ask(do="end", station="left")["brew"] == brew
