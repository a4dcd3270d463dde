"""Where poise-report gives no verdict, or waits: what stands beside the levels, plans that are not done."""
from cups import Cups
from reports import answer, done

DAY_US = 86_400_000_000
PLAN = """[experiment]
name = {name}
replicates = {replicates}
order = {order}
[vary]
own_part = a, b
[hold]
dose_g = 15
"""


def planned(cups, name, replicates=8, order="random"):
    cups.file.execute("insert into experiment (name, title, definition) values (?, ?, ?) on conflict do nothing",
                      (name, name, PLAN.format(name=name, replicates=replicates, order=order)))


def refusals(bench, name):
    return [claim["because"] for claim in answer(bench, name)["claims"] if claim["claim"] == "refused"]


def test_report_gives_no_verdict_where_each_level_had_its_own_day(bench):
    cups = Cups(bench)
    for part, value in (("a", 18), ("b", 20)):
        cups.began_us += DAY_US
        for _ in range(5):
            cups.add("days", {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .2)})
    cups.done(as_listed=True)
    found = answer(bench, "days")
    assert refusals(bench, "days")[0] == "day" and found["headline"].startswith("No verdict: levels of part")
    assert not [claim for claim in found["claims"] if claim["claim"] == "difference"]
    assert not found["differences"][0]["shown"]
    assert answer(bench, "verdicts")["variables"][0]["verdict"] == "undecided"


def test_report_gives_no_verdict_where_the_bag_or_the_grinder_changed_with_the_level(bench):
    cups = Cups(bench)
    for place in range(6):
        for part, value in (("a", 18), ("b", 20)):
            for name, key in (("bags", "own_bag"), ("burrs", "grind")):
                cups.add(name, {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .2)},
                         {key: f"number {part}"})
            cups.add("mixed", {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .2)},
                     {"own_bag": "ab"[place % 2]})
    cups.done()
    assert refusals(bench, "bags") == ["bag"] and refusals(bench, "burrs") == ["setting"]
    assert refusals(bench, "mixed") == [] and answer(bench, "mixed")["headline"].startswith("B gives ")


def test_report_gives_no_verdict_where_the_order_was_always_the_same(bench):
    cups = Cups(bench)
    planned(cups, "listed", 4, "listed")
    planned(cups, "drawn", 4, "random")
    for replicate in (1, 2, 3, 4):
        for part, value in (("a", 18), ("b", 20)):
            for name in ("listed", "drawn"):
                cups.add(name, {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .2)}, None, replicate)
    cups.done(as_listed=True)
    assert refusals(bench, "listed") == ["order"] and "order = random" in answer(bench, "listed")["headline"]
    assert refusals(bench, "drawn") == []           # by chance the same, which its interval allows for


def test_report_waits_for_the_end_of_a_plan_or_is_surer(bench):
    cups = Cups(bench)
    planned(cups, "begun", 8)
    cups.add("begun", {"own_part": "a"}, {"extraction_pct": 18.0}, None, 1)
    cups.file.commit()
    for replicate in range(2, 6):
        for part, value in (("a", 18), ("b", 18.6)):
            cups.add("begun", {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .3)}, None, replicate)
    cups.file.commit()
    found = answer(bench, "begun")
    assert found["plan"]["unfinished"] and found["plan"]["confidence"] > 0.99
    assert "The plan is not done (9 of 16 runs)" in " ".join(done(bench, "begun").split())
    for replicate in range(6, 10):
        for part, value in (("a", 18), ("b", 18.6)):
            cups.add("begun", {"own_part": part}, {"extraction_pct": value + cups.random.gauss(0, .3)}, None, replicate)
    cups.done()
    found = answer(bench, "begun")
    assert not found["plan"]["unfinished"] and found["plan"]["confidence"] == 0.95


def test_report_says_that_a_curve_does_not_fit(bench):
    cups = Cups(bench)
    for replicate in (1, 2, 3):
        for seconds, value in ((45, 15.5), (75, 18.4), (120, 20.6), (180, 22.6), (300, 20.4), (420, 18.0)):
            cups.add("hump", {"steep_s": seconds},
                     {"steep_s": seconds, "extraction_pct": value + cups.random.gauss(0, .15)}, None, replicate)
    cups.done()
    found = answer(bench, "hump")
    misfit = [claim for claim in found["claims"] if claim["claim"] == "misfit"]
    assert misfit and misfit[0]["p"] < 0.001 and not [claim for claim in found["claims"] if claim["claim"] == "bend"]
    assert "do not follow a first-order curve" in found["headline"]


def test_report_adjusts_verdicts_for_each_other_and_keeps_only_beyond_the_margin(bench):
    cups = Cups(bench)
    for replicate in range(1, 6):
        for place in range(6):
            for part, value in (("a", 0), ("b", 0.45)):
                cups.add(f"small{place}", {f"own_part{place}": part},
                         {"extraction_pct": 18 + value + cups.random.gauss(0, .1)}, None, replicate)
        for part, value in (("a", 0), ("b", 2)):
            cups.add("large", {"own_large": part}, {"extraction_pct": 18 + value + cups.random.gauss(0, .1)}, None, replicate)
    cups.done()
    found = {variable["factor"]: variable for variable in answer(bench, "verdicts")["variables"]}
    assert found["own_large"]["verdict"] == "keep" and found["own_large"]["interval"][0] > 0.5
    for place in range(6):                          # shown, but less than what is worth having
        assert found[f"own_part{place}"]["verdict"] != "keep" and found[f"own_part{place}"]["interval"][0] > 0
    assert abs(found["own_large"]["effect"]) <= abs(found["own_large"]["effect_as_seen"])


def test_report_gives_no_verdict_on_one_cup_a_level_by_a_spread_from_elsewhere(bench):
    cups = Cups(bench)
    for replicate in range(1, 7):
        for part in "ab":
            cups.add("steady", {"own_filter": part}, {"extraction_pct": 19 + cups.random.gauss(0, .15)}, None, replicate)
    for part, value in (("a", 18), ("b", 20)):
        cups.add("once", {"own_part": part}, {"extraction_pct": value})
    cups.done()
    found = answer(bench, "once")
    assert refusals(bench, "once") == ["one cup"] and "two per level would show" in found["headline"]
    assert not found["differences"][0]["shown"]
    assert not [claim for claim in found["claims"] if claim["claim"] == "difference"]
    assert answer(bench, "--margin", "9", "once")["headline"].startswith("No verdict")     # nor are they alike
    of_part = [one for one in answer(bench, "verdicts")["variables"] if one["factor"] == "own_part"]
    assert of_part[0]["verdict"] == "undecided" and of_part[0]["take"].startswith("no verdict: with one cup per level")
    step = [one for one in answer(bench, "recipe")["steps"] if one["step"] == "own_part"]
    assert step[0]["take"] == "" and step[0]["why"].startswith("open, each level has one cup")


def test_report_gives_no_verdict_where_the_dose_differs_from_level_to_level(bench):
    cups = Cups(bench)
    for replicate in range(1, 7):
        for part, over in (("a", 0), ("b", .5)):
            dose = 15 + over + cups.random.gauss(0, .1)
            for name, effect in (("heavy", 0), ("stronger", 4 * (part == "b"))):
                cups.add(name, {"own_part": part}, {"dose_g": dose, "extraction_pct":
                         19 - .9 * (dose - 15) + effect + cups.random.gauss(0, .1)}, {"dose_g": 15}, replicate)
    cups.done()
    headline = answer(bench, "heavy")["headline"]
    assert refusals(bench, "heavy") == ["held"]
    assert headline.startswith("No verdict: dose was to be the same and differs by 0.")
    assert "could change extraction by up to 0." in headline
    # what the dose can do is a small part of four points
    assert refusals(bench, "stronger") == [] and answer(bench, "stronger")["headline"].startswith("B gives ")
