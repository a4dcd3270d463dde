"""What poise-report recipe makes of all experiments: one recipe, what it gives, and whether it repeats."""
import json

from cups import Cups
from reports import answer, done

HELD = {"dose_g": 15, "water_g": 230}


def mornings(cups):
    """Steep matters by two points, paper by nothing; repeats scatter by 0.2."""
    for replicate in range(1, 7):
        for steep, more in (("90", 0), ("180", 2)):
            cups.add("ferry-steep", {"own_wait": steep}, {"extraction_pct": 18 + more + cups.random.gauss(0, .2)},
                     {**HELD, "paper": "one"}, replicate, seconds=200 + int(steep))
        for paper in ("one", "two"):
            cups.add("ferry-paper", {"paper": paper}, {"extraction_pct": 20 + cups.random.gauss(0, .2)},
                     {**HELD, "own_wait": "180"}, replicate, seconds=400 if paper == "one" else 420)


def test_recipe_takes_what_pays_and_drops_what_does_not(bench):
    cups = Cups(bench)
    mornings(cups)
    cups.done()
    found = answer(bench, "recipe")
    steps = {step["step"]: step for step in found["steps"]}
    assert steps["own_wait"]["take"] == "180" and steps["own_wait"]["why"].startswith("kept: brings +")
    assert steps["paper"]["take"] == "one" and steps["paper"]["why"].startswith("dropped")
    assert steps["dose_g"]["take"] == "15" and not steps["dose_g"]["tried"]
    assert found["interval"][0] < 20 < found["interval"][1] and abs(found["predicted"] - 20) < 0.3
    assert found["repeats"] is None and "three cups would confirm it" in found["headline"]
    text = " ".join(done(bench, "recipe").split())
    assert "scalds" in text and "The card" in text


def test_recipe_is_confirmed_by_three_cups_or_not(bench):
    cups = Cups(bench)
    mornings(cups)
    cups.shuffle()
    cups.file.commit()
    plan = bench.folder / "confirm.ini"
    done(bench, "recipe", "--plan", plan)
    status, output, said = bench.run("poise-ctl", "plan", "check", plan, "--json")
    assert status == 0, said
    assert json.loads(output)["cups"] == 3
    held = {**HELD, "paper": "one", "own_wait": "180"}
    for place in (1, 2, 3):
        cups.add("confirm-recipe", {"own_confirming_cup": place}, {"extraction_pct": 20 + cups.random.gauss(0, .2)}, held)
    cups.file.commit()
    found = answer(bench, "recipe")
    assert found["repeats"] is True and found["confirming_cups"] == 3
    assert found["headline"].startswith("The recipe repeats: 3 confirming cups gave ")
    for place in range(4, 10):                      # another bag, weaker by more than cups scatter
        cups.add("confirm-recipe", {"own_confirming_cup": place}, {"extraction_pct": 17.5 + cups.random.gauss(0, .2)}, held)
    cups.done(as_listed=True)
    assert answer(bench, "recipe")["headline"].startswith("The recipe does not repeat: 9 confirming cups gave ")


def test_recipe_leaves_out_a_step_that_does_not_pay_at_the_level_it_takes(bench):
    cups = Cups(bench)
    for replicate in range(1, 7):
        for kind, stir, value in (("cloth", "none", 17), ("cloth", "swirl", 18.5), ("paper", "none", 20),
                                   ("paper", "swirl", 20.1)):
            cups.add("square", {"filter": kind, "stir": stir}, {"extraction_pct": value + cups.random.gauss(0, .1)},
                     HELD, replicate)
    cups.done()
    steps = {step["step"]: step for step in answer(bench, "recipe")["steps"]}
    assert steps["filter"]["take"] == "paper" and steps["filter"]["why"].startswith("kept: brings +")
    assert steps["stir"]["take"] == "none"
    assert steps["stir"]["why"].startswith("left out: with filter paper, that swirl pays is not shown (")
    found = {one["factor"]: one["take"] for one in answer(bench, "verdicts")["variables"]}
    assert found["filter"] == "paper" and found["stir"] == "none"
    text = " ".join(done(bench, "verdicts").split())
    assert "stir is left at none: with filter paper, that swirl pays is not shown (" in text


def test_recipe_keeps_a_step_that_pays_at_the_level_it_takes(bench):
    cups = Cups(bench)
    for replicate in range(1, 7):
        for kind, stir, value in (("cloth", "none", 17), ("cloth", "swirl", 18), ("paper", "none", 19),
                                   ("paper", "swirl", 21.5)):
            cups.add("square", {"filter": kind, "stir": stir}, {"extraction_pct": value + cups.random.gauss(0, .1)},
                     HELD, replicate)
    cups.done()
    steps = {step["step"]: step for step in answer(bench, "recipe")["steps"]}
    assert steps["filter"]["take"] == "paper" and steps["stir"]["take"] == "swirl"
