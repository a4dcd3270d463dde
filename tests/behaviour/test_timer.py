"""poise-timer against a real poised: what it shows, what its keys do, how it takes a bench that goes away."""
import re

from bench import event, line_scale, reading, station

SCREEN = (24, 80)


FAST = ("--clock-rate", 20)     # for scales that have to come to rest


def bench_with_a_scale(bench, *arguments):
    port = bench.port("left-scale")
    bench.configure(station("left", "piston_diameter_mm = 60"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised(*arguments)
    port.wait_heard()
    return port, daemon


def expect_on(timer, text):
    """Until the screen, drawn again (control-L), shows the text: otherwise only what changed is sent.  A picture that was
    on its way may come first, so a text that has been there before proves nothing."""
    timer.output = b""
    for _ in range(40):
        timer.type("\f")
        try:
            timer.wait_text(text, timeout=0.5)
            return
        except AssertionError as error:
            last = error
    raise last


def weigh(port, *weights):
    for weight in weights:
        port.line(f"ST,GS,{weight:+9.1f} g")


def weigh_heard(bus, port, *weights):
    """Each line, repeated until it is as far from the one before as scales send them; the last reading."""
    for weight in weights:
        weigh(port, weight)
        first = last = bus.wait_for(reading("left-scale", value=weight))
        while last["mono_us"] < first["mono_us"] + 50_000:
            weigh(port, weight)
            last = bus.wait_for(reading("left-scale", value=weight))
    return last


def rest(bus, port, weight):
    """Until the scale has stood still for a second of its clock."""
    began = weigh_heard(bus, port, weight)["mono_us"]
    while (last := weigh_heard(bus, port, weight))["mono_us"] < began + 1_000_000:
        pass
    return last


def test_timer_prints_lines_where_there_is_no_terminal(bench):
    port, _ = bench_with_a_scale(bench)
    timer = bench.start("poise-timer")
    timer.wait_line("Connected")
    weigh(port, 12.3, 12.3)
    timer.wait_line(r"^\d\d:\d\d:\d\d left idle; left-scale 12\.3 g, ")
    bench.ask(do="begin", station="left")
    timer.wait_line(r"^\d\d:\d\d:\d\d left brew 001 begins$")
    bench.ask(do="mark", station="left", stage="pour")
    timer.wait_line(r"left 001 pour \d:\d\d, ")
    timer.wait_line(r"left brew 001 pour begins$")
    timer.stop()


def test_timer_says_that_the_bench_is_gone_and_finds_it_again(bench):
    port, daemon = bench_with_a_scale(bench)
    plain = bench.start("poise-timer", "--plain")
    plain.wait_line("Connected")
    screen = bench.start("poise-timer", terminal=SCREEN)
    expect_on(screen, "left-scale")
    daemon.kill()
    plain.wait_line("Connection lost")
    expect_on(screen, "The bench is gone for ")
    bench.poised()
    plain.wait_line("Connected")
    weigh(port, 45.6, 45.6)
    plain.wait_line(r"left-scale 45\.6 g")
    expect_on(screen, "45.6 g")


def test_timer_started_first_waits_for_its_bench(bench):
    screen = bench.start("poise-timer", terminal=SCREEN)
    expect_on(screen, "no bench yet at " + bench.bus)
    bench_with_a_scale(bench)
    expect_on(screen, "left-scale")


def test_timer_keys_reach_the_scale_and_the_brew(bench):
    port, _ = bench_with_a_scale(bench)
    bus = bench.subscribe()
    timer = bench.start("poise-timer", terminal=SCREEN)
    expect_on(timer, "left-scale")
    timer.type("t")
    port.read_until(b"T\r\n")
    expect_on(timer, "tare sent")
    timer.type("b")
    bus.wait_for(event("brew", change="begin", station="left"))
    expect_on(timer, "a brew begins")
    timer.type("m4")        # steep
    expect_on(timer, "No water was poured")
    timer.type("m3")        # pour
    assert bus.wait_for(event("stage", stage="pour"))["by"] == "operator"
    expect_on(timer, "pour begins")
    timer.type("m4")
    assert bus.wait_for(event("stage", stage="steep"))["by"] == "operator"
    expect_on(timer, "steep begins")
    timer.type(" ")         # what stands behind "next"
    assert bus.wait_for(event("stage", stage="press"))["by"] == "operator"
    expect_on(timer, "sturdy, level cup")
    timer.type("e")
    expect_on(timer, "press e again to end brew 001")
    timer.type("e")
    bus.wait_for(event("brew", change="end", station="left"))
    timer.type("?")
    expect_on(timer, "make a press safe")
    timer.type("x")
    timer.type("q")
    assert timer.wait() == 0


def test_timer_takes_a_slip_of_the_finger_back(bench):
    """Space on a scale with nothing in it comes as far as the pour; one key takes each order back."""
    port, _ = bench_with_a_scale(bench)
    bus = bench.subscribe()
    timer = bench.start("poise-timer", terminal=SCREEN)
    weigh(port, 0.0, 0.0, 0.0)
    expect_on(timer, "0.0 g")
    timer.type("u")
    expect_on(timer, "nothing was begun or marked")
    timer.type(" ")
    brew = bus.wait_for(event("brew", change="begin"))["brew"]
    expect_on(timer, "next: pour")
    timer.type(" ")
    assert bus.wait_for(event("stage", stage="pour"))["by"] == "operator"
    weigh(port, 0.1, 0.0)
    expect_on(timer, "next: pour")
    timer.type(" ")
    expect_on(timer, "no water is in yet")
    timer.type(" ")
    assert not any(event("stage", stage="steep")(m) or event("stage", stage="press")(m) for m in bus.messages)
    timer.type("u")                 # the pour: the brew is in its dose again
    bench.wait_until(lambda: bench.ask(do="status")["state"]["stations"][0]["stage"] == "dose", "the dose again")
    timer.type("b")
    expect_on(timer, "end or discard it first")
    assert bench.ask(do="discard")["ok"]
    timer.type("b")
    other = bus.wait_for(event("brew", change="begin"))["brew"]
    assert other != brew
    timer.type("u")
    gone = bus.wait_for(event("brew", change="discard", brew=other))
    assert gone["note"] == "Taken back by the operator."
    state = bench.ask(do="status")["state"]
    assert state["waiting"] == [] and state["last"] is None


def test_timer_shows_the_units_the_user_chose(bench):
    bench_with_a_scale(bench)
    file = bench.folder / "kettle.plan"
    file.write_text("[experiment]\nname = kettle\n[vary]\ntemperature_c = 85, 95\n[hold]\npress_mean_kpa = 20 +- 3\n")
    assert bench.run("poise-ctl", "plan", "load", file)[0] == 0
    timer = bench.start("poise-timer", "--plain", "--pressure", "psi", env={"POISE_TEMPERATURE": "f"})
    timer.wait_line(r"left next: kettle 1 of 2: water (185|203) °F; always press with 2\.9 ± 0\.4 psi$")
    status, _, said = bench.run("poise-timer", "--pressure", "atm")
    assert status == 2 and "kpa, bar or psi" in said


def test_units_of_the_bench_reach_its_programs(bench):
    """Configured once; a reader may choose otherwise; what is published and planned stays in kPa and degrees Celsius."""
    port = bench.port("left-scale")
    bench.configure(station("left", "press_limit_kpa = 15"), line_scale("left-scale", port, station="left"),
                    bench="pressure = bar\ntemperature = F")
    bench.poised()
    bench.logger()
    file = bench.folder / "kettle.plan"
    file.write_text("[experiment]\nname = kettle\n[vary]\ntemperature_c = 85, 95\n[hold]\npress_mean_kpa = 20 +- 3\n")
    assert bench.run("poise-ctl", "plan", "load", file)[0] == 0
    assert bench.ask(do="status")["state"]["units"] == {"mass": "g", "pressure": "bar", "temperature": "F"}
    watch = bench.start("poise-ctl", "watch")
    watch.wait_line("bench pier")
    timer = bench.start("poise-timer", "--plain")
    timer.wait_line(r"left next: kettle 1 of 2: water (185|203) °F; always press with 0\.20 ± 0\.03 bar$")
    chosen = bench.start("poise-timer", "--plain", "--pressure", "kpa")
    chosen.wait_line(r"left next: kettle 1 of 2: water (185|203) °F; always press with 20 ± 3 kPa$")
    bench.ask(do="begin")
    assert bench.ask(do="enter", measure="press_peak_kpa", value=15.6, standard_uncertainty=0.4)["ok"]
    assert bench.ask(do="enter", measure="slurry_c", value=91.5, standard_uncertainty=0.5)["ok"]
    for program in (watch, timer):
        program.wait_line(r"greatest pressure:? 0\.156 ± 0\.004 bar")
        program.wait_line(r"slurry temperature:? 196\.7 ± 0\.9 °F")
    said = bench.run("poise-ctl", "status")[1]
    assert "0.156 ± 0.004 bar" in said and "196.7 ± 0.9 °F" in said, said
    said = bench.run("poise-ctl", "status", env={"POISE_PRESSURE": "psi", "POISE_TEMPERATURE": "c"})[1]
    assert "2.26 ± 0.06 psi" in said and "91.5 ± 0.5 °C" in said, said
    measures = bench.ask(do="status")["state"]["stations"][0]["measures"]
    assert measures["press_peak_kpa"]["value"] == 15.6 and measures["slurry_c"]["value"] == 91.5
    shown = bench.run("poise-ctl", "plan", "next")[1]
    assert "0.20 ± 0.03 bar" in shown and "°F" in shown and "kPa" not in shown, shown
    assert bench.ask(do="end")["ok"]
    bench.wait_query("select 1 from brew_summary where ended_utc is not null")      # without the bench, from its store
    shown = bench.run("poise-ctl", "brews")
    assert "0.156 bar" in shown[1], shown
    for command in (("brews",), ("brew", "001")):
        shown = bench.run("poise-report", *command)[1]
        assert "0.156" in shown and "bar" in shown and "kPa" not in shown and "°C" not in shown, shown
    assert "196.7" in shown and "°F" in shown, shown
    assert "15.6" in bench.run("poise-report", "brews", env={"POISE_PRESSURE": "kpa"})[1]
    assert ",15.6," in bench.run("poise-report", "--csv", "brews")[1]


def test_timer_shows_what_the_bench_refuses_in_its_words(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left").replace("tare", "zero"))
    bench.poised()
    port.wait_heard()
    timer = bench.start("poise-timer", terminal=SCREEN)
    expect_on(timer, "left-scale")
    timer.type("t")
    expect_on(timer, "tare =")


def test_timer_rings_when_the_steep_is_over(bench):
    bench_with_a_scale(bench)
    timer = bench.start("poise-timer", "--steep", "1", terminal=SCREEN)
    expect_on(timer, "left-scale")
    timer.type("b")
    expect_on(timer, "a brew begins")
    timer.type("m3")
    expect_on(timer, "pour begins")
    timer.wait_text("\a")
    timer.type("m4")
    expect_on(timer, "Press now.")


def test_timer_takes_any_size(bench):
    bench_with_a_scale(bench)
    timer = bench.start("poise-timer", terminal=SCREEN)
    expect_on(timer, "left-scale")
    for rows, columns in (2, 2), (1, 1), (60, 200), (15, 40):
        timer.resize(rows, columns)
    timer.type("?")
    expect_on(timer, "licensed")
    timer.type("x")
    timer.type("q")
    assert timer.wait() == 0


def test_timer_prints_lines_on_a_terminal_that_cannot_place_its_cursor(bench):
    bench_with_a_scale(bench)
    for kind in "dumb", "no-such-terminal":
        timer = bench.start("poise-timer", terminal=SCREEN, env={"TERM": kind})
        timer.wait_line("left idle; left-scale")
        timer.stop()


def test_timer_refuses_what_it_does_not_know(bench):
    for arguments, sentence in ((["--steep", "soon"], "not a number of seconds"), (["--brew"], "Usage"),
                                (["--steep", "-3"], "not a number of seconds"), (["left"], "not an option")):
        status, output, said = bench.run("poise-timer", *arguments)
        assert (status, output) == (2, "") and sentence in said, (status, output, said)
    status, output, said = bench.run("poise-timer", "--bus", "pier")
    assert (status, output) == (1, "") and "not an address" in said, (status, output, said)


def test_timer_prints_a_stage_with_its_brew_and_once(bench):
    """The strength of an earlier cup comes while the next one is poured: each line names its brew."""
    port, _ = bench_with_a_scale(bench)
    timer = bench.start("poise-timer", "--plain")
    timer.wait_line("Connected")
    first = bench.ask(do="begin")["brew"]
    for measure, value in (("dose_g", 15.0), ("water_g", 230.0), ("beverage_g", 199.2)):
        assert bench.ask(do="enter", measure=measure, value=value)["ok"]
    assert bench.ask(do="end")["ok"]
    timer.wait_line(r"left brew 001 is done: dose 15\.0 g, water 230\.0 g, cup 199\.2 g$")
    assert bench.ask(do="begin")["ok"] and bench.ask(do="mark", stage="pour")["ok"]
    assert bench.ask(do="enter", brew=first, measure="strength_pct", value=1.31)["ok"]
    timer.wait_line(r"left brew 001 has all its strength readings$")
    timer.wait_line(r"left brew 002 pour begins$")
    for ago_s in 0.4, 0.3, 0.2, 0.1:    # corrected four times within a second: one line, once it has settled
        assert bench.ask(do="mark", stage="steep", ago_s=ago_s)["ok"]
    timer.wait_line(r"left brew 002 steep begins$")
    timer.wait_line(r"left 002 steep 0:0[3-9]")
    assert timer.output.count(b"steep begins") == 1, timer.output
    assert not [line for line in timer.output.splitlines() if b"begins" in line and b" brew " not in line]


def test_timer_shows_the_numbers_of_the_message_and_no_others(bench):
    """Before a brew, in a pour marked by hand, across a tare and under a press: what the timer shows is what the reading
    carries, and the state has the same."""
    port, _ = bench_with_a_scale(bench, *FAST)
    bus = bench.subscribe()
    timer = bench.start("poise-timer", "--plain")
    timer.wait_line("Connected")
    weigh(port, 0.0)                                # the first line after opening is dropped
    weigh_heard(bus, port, 0.0, 0.0)

    def agree(message, field, shown, unit, digits=1):
        assert message[field] is not None, message
        timer.wait_line(shown + re.escape(f" {message[field]:.{digits}f} {unit}"))
        state = bench.ask(do="status")["state"]["stations"][0]
        assert state[field] == message[field], (state, message)

    rest(bus, port, 523.6)
    rest(bus, port, 535.0)
    last = rest(bus, port, 538.6)                   # a pause between two spoons
    assert abs(last["added_g"] - 15.0) < 0.05 and abs(last["load_g"] - 538.6) < 0.05 and "tared" not in last
    agree(last, "added_g", "left idle,", "g of coffee in")
    rest(bus, port, 538.6)                          # it has been silent while the timer was read
    weigh_heard(bus, port, 0.0)                     # tared on the scale itself
    last = rest(bus, port, 0.0)
    assert last["tared"] and abs(last["weighed_g"] - 15.0) < 0.05 and abs(last["load_g"] - 538.6) < 0.05
    agree(last, "weighed_g", "left idle,", "g of coffee in")
    assert bench.ask(do="begin")["ok"] and bench.ask(do="mark", stage="pour")["ok"]
    rest(bus, port, 0.0)                            # the water comes after the mark, not within the same reading
    for weight in (38.5, 120.0, 231.7):
        last = rest(bus, port, weight)
        assert abs(last["water_g"] - weight) < 0.05, last
    agree(last, "water_g", r"left 001 pour .*,", "g of water in")
    assert bench.ask(do="mark", stage="steep")["ok"]
    last = rest(bus, port, 231.7)
    assert abs(last["water_g"] - 231.7) < 0.05, last
    assert bench.ask(do="mark", stage="press")["ok"]
    last = rest(bus, port, 5000.0)
    kpa = (5000.0 - 231.7) * 3.468393e-3            # on 60 mm: m g0 / A
    assert abs(last["press_kpa"] - kpa) < 0.3, (last, kpa)
    agree(last, "press_kpa", "left 001 press .*,", "kPa", digits=0)
