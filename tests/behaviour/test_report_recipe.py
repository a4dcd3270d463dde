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
    assert text.startswith("Keep filter; at these levels leave out stir.")
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


def test_recipe_hears_all_experiments_on_one_variable_or_reports_that_they_disagree(bench):
    cups = Cups(bench)
    for experiment, more in (("ferry-a", 1.5), ("ferry-b", 1.6)):
        for replicate in range(1, 7):
            for stir in ("none", "swirl"):
                cups.add(experiment, {"stir": stir}, {"extraction_pct": 19 + more * (stir == "swirl") +
                         cups.random.gauss(0, .2)}, HELD, replicate)
    cups.shuffle()
    cups.file.commit()
    found = {row["experiment"]: row for row in answer(bench, "verdicts")["variables"]}
    together = found["ferry-b"]
    assert together["combined"] == 2 and found["ferry-a"]["combined"] == 0
    assert together["combines"].startswith("ferry-a +1.") and ", ferry-b +1." in together["combines"]
    low, high = together["interval"]
    assert low < 1.55 < high and high - low < 0.45       # narrower than 2 x 2.23 x 0.2 x sqrt(2 / 6) of one alone
    assert {row["verdict"] for row in found.values()} == {"keep"}
    for replicate in range(1, 7):
        for stir in ("none", "swirl"):
            cups.add("ferry-c", {"stir": stir}, {"extraction_pct": 19 + cups.random.gauss(0, .2)}, HELD, replicate)
    cups.done()
    found = answer(bench, "verdicts")["variables"]
    assert {row["verdict"] for row in found} == {"undecided"}
    assert any("experiments disagree: of swirl over none ferry-a +1." in row["take"] for row in found)


def test_recipe_foresees_strength_and_says_how_cups_and_days_differ(bench):
    cups = Cups(bench)
    for day, shift in enumerate((-0.5, 0.1, 0.6, -0.2), 1):
        for replicate in range(2 * day - 1, 2 * day + 1):
            for stir in ("none", "swirl"):
                extraction = 19 + shift + 1.5 * (stir == "swirl") + cups.random.gauss(0, .15)
                cups.add("ferry-stir", {"stir": stir}, {"extraction_pct": extraction, "strength_pct": extraction / 14},
                         HELD, replicate, seconds=220 if stir == "none" else 250)
        cups.began_us += 86_400_000_000
    cups.done()
    found = answer(bench, "recipe")
    predicted = {claim["measure"]: claim for claim in found["claims"] if claim["claim"] == "predicted"}
    low, high = predicted["extraction_pct"]["interval"]
    assert low < 20.5 < high and high - low > 1.5        # of another day: wider than what one day scatters
    assert abs(predicted["strength_pct"]["value"] - found["predicted"] / 14) < 0.01
    spread = next(claim for claim in found["claims"] if claim["claim"] == "repeatability")
    assert spread["within_interval"][0] < .15 < spread["within_interval"][1]
    assert spread["between_interval"][0] < .45 < spread["between_interval"][1]
    assert spread["value"] > 2 * spread["value_one_day"] > 0
    assert found["drop_next"] == "stir"
    steps = {step["step"]: step for step in found["steps"]}
    assert steps["stir"]["costs"] == "+30 s"
    text, card = (" ".join(done(bench, "recipe", *more).split()) for more in ((), ("--card",)))
    assert "and a strength of 1.4" in text and "and days by 0." in text
    assert "If one more step is to go: stir, which costs +30 s" in text and "brewed on another day" in text
    assert "stir swirl" in card and "scalds" in card and "The proof" not in card and len(card) < 700
    assert "days by" not in card


def test_recipe_puts_back_what_small_steps_together_are_worth(bench):
    cups = Cups(bench)
    steps = ("own_rinse", "own_tap", "own_bloom")
    for step in steps:
        for replicate in range(1, 11):
            for level in ("no", "yes"):
                held = {other: "no" for other in steps if other != step}
                cups.add(f"ferry-{step[4:]}", {step: level}, {"extraction_pct": 19 + .33 * (level == "yes") +
                         cups.random.gauss(0, .1)}, {**HELD, **held}, replicate, seconds=220 if level == "no" else 240)
    cups.done()
    assert {row["verdict"] for row in answer(bench, "verdicts")["variables"]} == {"drop"}
    found = answer(bench, "recipe")
    taken = [step["take"] for step in found["steps"] if step["tried"]]
    assert sorted(taken) == ["no", "yes", "yes"]         # one may go, two would cost 0.66 of a margin of 0.5
    assert found["behind_best_interval"][0] >= -0.5
    assert sum("all that is left out together" in step["why"] for step in found["steps"]) == 2


def test_recipe_takes_the_only_level_that_was_brewed(bench):
    """One recipe repeated over four mornings: nothing to hold it against, and still a recipe; of its level's mean the
    report says for which days it holds."""
    cups = Cups(bench)
    for day, shift in enumerate((-.4, .1, .3, 0)):
        for miss in (-.2, 0, .2):
            cups.add("house", {"stir": "swirl"}, {"extraction_pct": 19 + shift + miss}, HELD, day + 1)
        cups.began_us += 86_400_000_000
    cups.done(as_listed=True)
    steps = {step["step"]: step for step in answer(bench, "recipe")["steps"]}
    assert (steps["stir"]["take"], steps["stir"]["why"]) == ("swirl", "as in the latest cups; never tried otherwise")
    assert "a level's mean holds for these days" in " ".join(done(bench, "house").split())
