"""What poise-report advises: the next cup, and a verdict on each variable."""
import math

from cups import Cups
from reports import answer, done


def test_report_next_writes_a_plan_that_can_be_loaded(bench):
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.02, [45, 75, 120, 180, 300], title="How long; to steep",
                tolerances={"steep_s": 3, "dose_g": 0.1})
    cups.done()
    advice = answer(bench, "--cups", "2", "--plan", bench.folder / "more.ini", "next", "ferry-steep")
    ratios = [suggestion["interval_ratio"] for suggestion in advice["suggestions"]]
    assert ratios == sorted(ratios) and 0.5 < ratios[0] < 1
    plan = (bench.folder / "more.ini").read_text()
    assert "name = ferry-steep\n" in plan and "replicates = 2\n" in plan
    assert "dose_g = 15 +- 0.1\n" in plan and "water_g = 230\n" in plan and " +- 3\n" in plan
    assert bench.run("poise-ctl", "plan", "check", bench.folder / "more.ini")[0] == 0
    # not overwritten
    assert bench.run("poise-report", "--plan", bench.folder / "more.ini", "next", "ferry-steep")[0] == 1


def test_report_next_holds_what_its_levels_have_in_common(bench):
    cups = Cups(bench)
    for grind, plateau in (("coarse", 19), ("fine", 22)):
        for seconds in (45, 75, 120, 180, 300) * 3:
            extraction = plateau * (1 - math.exp(-0.02 * seconds)) + cups.random.gauss(0, 0.3)
            cups.add("two", {"steep_s": seconds, "grind": grind}, {"steep_s": seconds, "extraction_pct": extraction})
    for celsius in (80, 86, 92) * 3:
        cups.add("heat", {"temperature_c": celsius}, {"extraction_pct": celsius / 5 + cups.random.gauss(0, 0.3)})
    # a cup of such a plan: its grind was held, not varied
    cups.add("two", {"steep_s": 45}, {"steep_s": 45, "extraction_pct": 11.5}, {"grind": "coarse"})
    cups.done()
    for experiment in ("two", "heat"):
        done(bench, "--plan", bench.folder / f"{experiment}.ini", "next", experiment)
        assert bench.run("poise-ctl", "plan", "check", bench.folder / f"{experiment}.ini")[0] == 0
    assert "grind = " in (bench.folder / "two.ini").read_text().split("[hold]")[1]
    assert answer(bench, "two")["cups_counted"] == 31


def test_report_verdicts_keep_drop_and_leave_open(bench):
    cups = Cups(bench)
    for i in range(12):
        cups.add("keep", {"grind": ("coarse", "fine")[i % 2]},
                 {"extraction_pct": 18 + 2 * (i % 2) + cups.random.gauss(0, .2)})
        cups.add("drop", {"swirl": ("no", "yes")[i % 2]}, {"extraction_pct": 19 + cups.random.gauss(0, .1)},
                 seconds=200 + 30 * (i % 2))
        if i < 4:
            cups.add("open", {"paper": ("thin", "thick")[i % 2]}, {"extraction_pct": 19 + cups.random.gauss(0, 1)})
    cups.done()
    found = {entry["factor"]: entry for entry in answer(bench, "verdicts")["variables"]}
    assert {name: entry["verdict"] for name, entry in found.items()} == {
        "grind": "keep", "swirl": "drop", "paper": "undecided"}
    assert found["grind"]["take"] == "fine" and found["swirl"]["take"] == "does not matter: no"
    assert abs(found["swirl"]["cost_s"]) == 30
    text = done(bench, "verdicts")
    assert "The recipe they add up to" in text and "nineteen times in twenty" in text.replace("\n", " ")


def test_report_verdicts_say_what_a_variable_costs(bench):
    cups = Cups(bench)
    for i in range(12):
        stages = {"pour": 0, "steep": 8, "press": 90} if i % 2 else {"pour": 0, "steep": 8, "stir": 20, "press": 120}
        cups.add("stir", {"stir": ("stirred", "none")[i % 2]},
                 {"extraction_pct": 20 - 2 * (i % 2) + cups.random.gauss(0, .2)}, stages=stages,
                 seconds=150 - 30 * (i % 2))
    # the wall clock was put forward by a quarter of an hour while one of them was brewed: durations come from the other
    cups.file.execute("update brew set ended_us = ended_us + 958000000 where brew_id = 3")
    cups.done()
    found, = answer(bench, "verdicts")["variables"]
    assert found["better"] == "stirred" and found["cost_s"] == 30 and found["cost_steps"] == 1
    text = done(bench, "verdicts")
    assert text.startswith("Keep stir.") and "+30 s, +1 step" in text


def test_report_next_asks_for_no_steep_shorter_than_the_pour(bench):
    cups = Cups(bench)
    for name, pour_s in (("slow", 32), ("quick", 6)):
        for replicate in (1, 2, 3):
            for seconds in (45, 75, 120, 180, 300):
                extraction = 22 * (1 - math.exp(-0.04 * seconds)) + cups.random.gauss(0, 0.3)
                cups.add(name, {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": extraction}, None, replicate,
                         stages={"pour": 0, "steep": pour_s, "press": seconds})
    cups.done()
    shortest = {name: min(float(one["factors"]["steep_s"]) for one in answer(bench, "next", name)["suggestions"])
                for name in ("slow", "quick")}
    assert shortest["slow"] >= 32 > shortest["quick"]


def test_report_next_parts_two_curves_where_both_fit(bench):
    """A hyperbola and first order: the cup goes where they lie farthest apart, not where first order's own answer
    would narrow."""
    cups = Cups(bench)
    for replicate, miss in enumerate((-.6, 0, .6), 1):
        for place, seconds in enumerate((30, 60, 90, 150, 240, 400)):
            cups.add("hyperbola", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": 24 * seconds / (30 + seconds)
                     + (miss if place % 2 else -miss)}, None, replicate)
    cups.done()
    text = " ".join(done(bench, "next", "hyperbola").split())
    assert "there first order and a hyperbola lie farthest apart" in text, text
    assert float(answer(bench, "next", "hyperbola")["suggestions"][0]["factors"]["steep_s"]) in (15, 800)
