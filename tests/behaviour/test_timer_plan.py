"""poise-timer through a plan: the next run, the dose and the water as they come, questions, earlier cups."""
import math
import re

from bench import event, line_scale, refractometer, station
from cups import Cups
from reports import answer
from test_timer import FAST, SCREEN, bench_with_a_scale, expect_on, weigh, weigh_heard

PLAN = """[experiment]
name = ferry-steep
title = How long to steep the ferry blend
replicates = 2
order = listed
[vary]
steep_s = 25, 50, 100
[hold]
dose_g = 15.0 +- 0.1
water_g = 230 +- 2
grind = 18
"""

RATE = ("--clock-rate", 4)      # at which 16 s of rest are four lines of the timer

WEIGHED = r"""
[virtual]
seed = 3
[scale left-scale]
lag_s = 0.15
noise_g = 0
do = brew cup 341.2 brewer 182.4 plunger 63.1 retained 2.05
do = wait 2
do = put cup
do = wait 2
do = put brewer
do = wait 3
do = coffee 9.8 g in 3 s
do = wait 16
do = coffee 4.8 g in 3 s
do = wait 16
do = coffee 0.4 g in 1 s
do = wait 16
do = tare
do = wait 16
do = pour 236 g in 30 s
do = wait 20
"""


PRESSED_ELSEWHERE = r"""
[virtual]
seed = 5
[scale left-scale]
lag_s = 0.15
do = brew cup 330 brewer 182.4 plunger 63.1 retained 2.05 ready 15
do = wait 2
do = put cup brewer
do = wait 5
do = pour 230 g in 16 s
do = wait 4
do = put plunger
do = wait 12
do = lift brewer plunger cup
do = wait 20
do = put cup
do = wait 10
"""


def load(bench, text=PLAN):
    file = bench.folder / "ferry.plan"
    file.write_text(text)
    status, _, said = bench.run("poise-ctl", "plan", "load", file)
    assert status == 0, said


def brewed(bench, place=None, **measures):
    """A brew by order, its numbers typed in."""
    place = {"station": place} if place else {}
    brew = bench.ask(do="begin", **place)["brew"]
    for measure, value in measures.items():
        reply = bench.ask(do="enter", measure=measure, value=value, **place)
        assert reply["ok"], reply
    assert bench.ask(do="end", **place)["ok"]
    return brew


def test_timer_says_the_next_run_and_how_it_differs_from_the_one_before(bench):
    bench_with_a_scale(bench)
    plain = bench.start("poise-timer", "--plain")
    plain.wait_line("Connected")
    screen = bench.start("poise-timer", terminal=SCREEN)
    load(bench)
    plain.wait_line(r"^left next: ferry-steep 1 of 6: steep 25 s; always dose 15\.0 ± 0\.1 g, water 230 ± 2 g, grind 18$")
    expect_on(screen, "0 of 6 done: How long to steep the ferry blend")
    expect_on(screen, "ferry-steep 1 of 6:")
    brewed(bench, dose_g=15.0, water_g=230, steep_s=25)
    plain.wait_line(r"^left next: ferry-steep 2 of 6: steep 50 s \(before: 25 s\); always ")
    expect_on(screen, "steep 50 s (before: 25 s)")
    brewed(bench, dose_g=15.0, water_g=240)
    plain.wait_line(r"brew 002 is done: Plan not kept: dose 15\.0 g, water 240\.0 g.*: Water 240 g, planned 230 ± 2 g")
    expect_on(screen, "1 of 6 done")


def test_timer_weighs_the_dose_against_its_target_before_a_brew_begins(bench):
    folder = bench.folder / "port"
    bench.configure(station("left"), line_scale("left-scale", folder / "left-scale", "lag_ms = 150", station="left"))
    bench.poised(*RATE)
    load(bench)
    timer = bench.start("poise-timer", "--plain")
    timer.wait_line("Connected")
    screen = bench.start("poise-timer", terminal=SCREEN)
    bench.virtual(WEIGHED, *RATE)
    idle = r"left idle.*, "
    timer.wait_line(idle + r"9\.8 g of coffee in, 5\.2 g to go of 15\.0 ± 0\.1 g; left-scale 533\.4 g")
    timer.wait_line(idle + r"14\.6 g of coffee in, 0\.4 g to go of 15\.0 ± 0\.1 g; left-scale 538\.2 g")
    timer.wait_line(idle + r"15\.0 g of coffee in, right: 15\.0 ± 0\.1 g; left-scale 538\.6 g")
    expect_on(screen, "Pour 230 ± 2 g of water.")
    for _ in range(3):                  # the scale was tared for the water: at 8 g/s they are a reading apart at most
        line = timer.wait_line(r"left 001 pour .* g to go of 230 ± 2 g, water \d+\.\d g, .*; left-scale \d+\.\d g")
        water_g, shown_g = map(float, re.search(r"water (\S+) g.*left-scale (\S+) g", line).groups())
        assert abs(water_g - shown_g) <= 0.4, line
    expect_on(screen, "g of water")


def test_timer_says_when_the_water_is_right_and_when_it_is_more(bench):       # alone
    """Begun and marked by hand, after two lines of a scale that had said nothing before."""
    port, _ = bench_with_a_scale(bench, *FAST)
    bus = bench.subscribe()
    load(bench)
    plain = bench.start("poise-timer", "--plain")
    plain.wait_line("Connected")
    screen = bench.start("poise-timer", terminal=SCREEN)
    weigh(port, 0.0)                                # the first line after opening is dropped
    weigh_heard(bus, port, 0.0, 0.0)
    plain.wait_line(r"left-scale 0\.0 g")
    assert bench.ask(do="begin")["ok"] and bench.ask(do="mark", stage="pour")["ok"]
    for shown, words in (("120.0", "110.0 g to go of 230 ± 2 g"), ("227.9", "2.1 g to go of 230 ± 2 g"),
                         ("228.0", "right: 230 ± 2 g"), ("232.0", "right: 230 ± 2 g"),
                         ("232.1", "2.1 g above 230 ± 2 g")):
        weigh_heard(bus, port, *[round(float(shown) - step, 1) for step in (16, 12, 8, 4, 0)])      # it flows still
        plain.wait_line(r"left 001 pour .*, " + re.escape(words) + ", water " + re.escape(shown) + " g")
        expect_on(screen, words)


def test_timer_answers_the_questions_of_the_tracker_with_its_key(bench):
    """The coffee came in the brewer, and the cup below it: how much of either there is, nobody knows."""
    folder = bench.folder / "port"
    bench.configure(station("left"), line_scale("left-scale", folder / "left-scale", "lag_ms = 150", station="left"))
    bench.poised(*RATE)
    bus = bench.subscribe()
    timer = bench.start("poise-timer", terminal=SCREEN)
    expect_on(timer, "left-scale")
    timer.type("a")
    expect_on(timer, "nothing is asked here")
    bench.virtual(PRESSED_ELSEWHERE, *RATE, "--stay")
    expect_on(timer, "Key a: ")
    timer.type("y")
    expect_on(timer, "there is no guess to accept")
    timer.type("a")
    expect_on(timer, "dry coffee: _")
    expect_on(timer, "left: The coffee was not weighed here")
    timer.type("15x1,27\x7f")           # a slip of the finger is no digit, the last one is taken back
    expect_on(timer, "dry coffee: 151.2_")
    timer.type("\x7f" * 3 + ".2\r")
    dose = bus.wait_for(event("measure", measure="dose_g", by="operator"))
    assert (dose["value"], round(dose["standard_uncertainty"], 4)) == (15.2, 0.0289)      # tenths were typed
    expect_on(timer, "Key a: The empty cup was never seen")
    timer.type("a")
    timer.type("9")
    expect_on(timer, "liquid in the cup: 9_")         # it is open, before
    expect_on(timer, "left: The empty cup was never seen")
    other = bench.start("poise-timer", terminal=SCREEN)
    expect_on(other, "g is right.")
    other.type("y")                                             # another hand was faster, and takes the guess
    expect_on(timer, "that question is not open any more")
    taken = bus.wait_for(event("measure", measure="beverage_g", by="operator"))
    guesses = {(one["question"]["guess"], one["question"]["guess_u"]) for message in bus.messages
               if message["topic"].startswith("state/") for one in message["stations"] if one["question"]}
    assert (taken["value"], taken["standard_uncertainty"]) in guesses and abs(taken["value"] - 199.6) < 10, (taken, guesses)
    assert bench.ask(do="status")["state"]["stations"][0]["question"] is None


def test_timer_shows_two_stations_their_runs_and_what_waits(bench):
    bench.configure(station("left"), line_scale("left-scale", bench.port("left-scale"), station="left"),
                    station("right"), line_scale("right-scale", bench.port("right-scale"), station="right"))
    bench.poised()
    load(bench)
    timer = bench.start("poise-timer", terminal=(30, 100))
    expect_on(timer, "ferry-steep 1 of 6:")
    expect_on(timer, "ferry-steep 2 of 6:")             # never the same run at both
    brewed(bench, "left", dose_g=15.0, water_g=230, beverage_g=199.5)
    brewed(bench, "right", dose_g=14.9, water_g=230, beverage_g=198.4)
    expect_on(timer, "waiting for strength: 001 cooled 0 min, 002 cooled 0 min")
    expect_on(timer, "last cup 002: Plan kept: dose 14.9 g, water 230.0 g, cup 198.4 g")
    timer.type("\tb")                   # to the other station
    expect_on(timer, "right: a brew begins")
    narrow = bench.start("poise-timer", "--station", "right", terminal=(15, 40))
    expect_on(narrow, "right *")        # room for one: the chosen one
    expect_on(narrow, "right *")        # of what was drawn since then
    assert b"left" not in narrow.output, narrow.output


def test_timer_estimates_from_earlier_cups_how_far_the_extraction_is(bench):
    bench_with_a_scale(bench)
    load(bench)
    bench.logger()
    plain = bench.start("poise-timer", "--plain")
    plain.wait_line("Connected")
    for i in range(6):                  # plateau 22 %, 0.02 per second, a little scatter; the plan is kept
        steep_s = (25, 50, 100)[i % 3]
        extraction_pct = 22 * (1 - math.exp(-0.02 * steep_s)) + (0.02 if i < 3 else -0.02)
        brewed(bench, dose_g=15, water_g=230, steep_s=steep_s, beverage_g=200, strength_pct=extraction_pct * 15 / 200)
    rows = bench.wait_query("SELECT steep_s, extraction_pct FROM brew_summary WHERE plan_kept = 1"
                            " AND extraction_pct IS NOT NULL", lambda rows: len(rows) == 6)
    assert {row["steep_s"] for row in rows} == {25, 50, 100}
    load(bench, PLAN.replace("replicates = 2", "replicates = 4"))       # longer: its cups are known
    screen = bench.start("poise-timer", "--store", bench.store, terminal=SCREEN)
    expect_on(screen, "ferry-steep 7 of 12:")
    assert bench.ask(do="begin")["ok"] and bench.ask(do="mark", stage="pour")["ok"]
    # 1 - exp(-0.02 * 25) = 0.393
    plain.wait_line(r"left 007 pour .*, about \d+ % of the final extraction, 39 % at 0:25 \(by 6 earlier cups\); ")
    expect_on(screen, "of the final extraction, 39 % at 0:25 (by 6 earlier cups)")
    late = bench.start("poise-timer", "--plain")        # started in mid-brew it knows as well
    late.wait_line(r"about \d+ % of the final extraction, 39 % at 0:25")
    assert bench.ask(do="end")["ok"]


def test_timer_goes_on_without_a_store_and_says_which_one_it_missed(bench):
    bench_with_a_scale(bench)
    timer = bench.start("poise-timer", "--plain")
    timer.wait_line("left idle")
    assert timer.diagnostics == ""                      # the usual store need not be there
    timer.stop()
    named = bench.start("poise-timer", "--plain", "--store", bench.folder / "none.db")
    named.wait_line("left idle")
    named.wait_diagnostic(r"poise-timer: .*/none\.db: no store there")
    (bench.folder / "letter.db").write_text("Dear customer, " * 400)
    other = bench.start("poise-timer", "--store", bench.folder / "letter.db", terminal=SCREEN)
    expect_on(other, "letter.db: is no Poise store")
    assert not (bench.folder / "none.db").exists()


def test_timer_and_report_answer_alike(bench):
    """When 95 % of the final extraction is in the cup: one question, put to the same cups by two programs."""
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.025, (25, 50, 100, 200, 400), replicates=4, spread=0.15)
    cups.done()
    reported_s = answer(bench, "ferry-steep")["curves"][0]["share"]["seconds"]
    headline = answer(bench, "ferry-steep")["headline"]
    assert f"95 % of the final extraction is reached after about {reported_s:.0f} s" in headline, headline
    bench_with_a_scale(bench)
    load(bench, PLAN.replace("25, 50, 100", "25, 50, 100, 200, 400"))
    timer = bench.start("poise-timer", "--plain", "--store", bench.store)
    timer.wait_line("left next: ferry-steep 1 of 10")
    assert bench.ask(do="begin")["ok"] and bench.ask(do="mark", stage="pour")["ok"]
    timer.wait_line(rf"of the final extraction, \d+ % at 0:25, 95 % after about {reported_s:.0f} s \(by 20 earlier cups\)")


def test_timer_asks_whose_a_strength_is_and_takes_the_answer(bench):
    """One sample is read while three cups wait: nobody knows which one it is of, and one key answers."""
    refractometer_port = bench.port("refractometer")
    bench.configure(station("left"), line_scale("left-scale", bench.port("left-scale"), station="left"),
                    refractometer("refractometer", refractometer_port), "[strength]\nreplicates = 1")
    bench.poised()
    refractometer_port.wait_heard()
    brews = [brewed(bench, dose_g=15, water_g=230, beverage_g=198, steep_s=60 * i) for i in (1, 2, 3)]
    timer = bench.start("poise-timer", terminal=SCREEN)
    expect_on(timer, "waiting for strength")
    timer.type("w")
    expect_on(timer, "every strength reading has its cup")
    for _ in range(2):                  # the first line after opening is dropped
        refractometer_port.line("1.30 %")
    bench.wait_until(lambda: bench.ask(do="status")["state"]["unsure"], "the bench asks")
    unsure, = bench.ask(do="status")["state"]["unsure"]
    assert unsure["strength_pct"] == 1.3 and {unsure["likely"], unsure["other"]} < set(brews)
    likely, other = unsure["likely"][-3:], unsure["other"][-3:]
    expect_on(timer, f"Key w: 1.30 % is of {likely} ({100 * unsure['chance']:.0f} %) or of {other} ")
    timer.type("w")
    expect_on(timer, "Whose strength is 1.30 %?")
    timer.type("2")
    bench.wait_until(lambda: not bench.ask(do="status")["state"]["unsure"], "the answer is taken")
    reading, = bench.ask(do="strength", brew=unsure["other"])["readings"]
    assert reading["seq"] == unsure["seq"] and reading["said"], reading
