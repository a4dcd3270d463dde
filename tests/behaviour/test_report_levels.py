"""What poise-report makes of levels in words and of two factors: compared as they were brewed."""
from cups import Cups
from reports import answer, done, two_by_two


def test_report_compares_two_by_two_as_statsmodels_does(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.done()
    found = answer(bench, "filter-swirl")["anova"]
    assert abs(found["filter"]["f"] - 447.340909) < 1e-5
    assert abs(found["stir"]["f"] - 150.613636) < 1e-5
    assert abs(found["interaction"]["f"] - 65.522727) < 1e-5
    assert abs(found["interaction"]["p"] - 4.012068e-05) < 1e-10
    assert found["residual"]["df"] == 8
    text = done(bench, "filter-swirl")
    assert text.startswith("What stir does to extraction depends on filter") and text.count("here filter is") == 2
    claims = answer(bench, "filter-swirl")["claims"]
    assert claims[0]["claim"] == "interaction" and claims[0]["where"] == "headline"
    assert {"claim": "difference", "more": {"filter": "cloth", "stir": "swirl"}, "less": {"filter": "cloth", "stir": "none"}}.items() \
        <= next(c for c in claims if c.get("less") == {"filter": "cloth", "stir": "none"} and c["more"]["filter"] == "cloth").items()


def test_report_calls_two_levels_the_same_only_within_a_margin(bench):
    cups = Cups(bench)
    for i in range(24):
        cups.add("swirl", {"stir": ("none", "swirl")[i % 2]}, {"extraction_pct": 20 + (0.1, -0.1)[i // 2 % 2]})
    cups.done()
    assert "No difference of extraction is shown" in done(bench, "swirl")
    assert "the same extraction within 0.5 points" in done(bench, "--margin", "0.5", "swirl").replace("\n", " ")
    assert answer(bench, "--margin", "0.05", "swirl")["same_within"]["same"] is False


def test_report_calls_several_levels_the_same_only_within_a_margin(bench):
    cups = Cups(bench)
    for i in range(20):
        cups.add("paper", {"paper": "abcd"[i % 4]}, {"extraction_pct": 18 + cups.random.gauss(0, 0.1)})
        cups.add("line", {"dose_g": (14, 15, 16, 17)[i % 4]}, {"extraction_pct": 18 + cups.random.gauss(0, 0.1)})
    cups.done()
    assert done(bench, "--margin", "0.5", "paper").startswith("All 4 levels give the same extraction within 0.5 points.")
    assert all(pair["same_within_margin"] for pair in answer(bench, "--margin", "0.5", "paper")["differences"])
    assert done(bench, "--margin", "0.02", "paper").startswith("No difference of extraction is shown")
    assert "same_within_margin" not in answer(bench, "paper")["differences"][0]
    assert "extraction stays the same within 0.5 points" in answer(bench, "--margin", "0.5", "line")["headline"]
    assert "stays the same" not in answer(bench, "--margin", "0.02", "line")["headline"]


def test_report_charges_no_level_with_the_sitting_it_missed(bench):
    """Three sittings that lie far apart; one level was not brewed at one of them."""
    cups = Cups(bench)
    for sitting, offset in enumerate((0, 3, -3)):
        for stir in "abc":
            if (stir, sitting) != ("c", 1):
                cups.add("missed", {"stir": stir}, {"extraction_pct": 20 + offset + cups.random.gauss(0, 0.1)},
                         replicate=sitting + 1)
    cups.done()
    found = answer(bench, "missed")
    assert all(abs(pair["difference"]) < 0.5 and pair["interval"][0] < 0 < pair["interval"][1]
               for pair in found["differences"])
    text = " ".join(done(bench, "missed").split())
    assert text.startswith("No difference of extraction is shown") and "Not every block has every level" in text


def test_report_compares_within_the_blocks_of_the_plan(bench):
    """Two levels that hardly differ, in replicates that do: the headline is the blocked comparison."""
    cups = Cups(bench)
    for sitting, offset in enumerate((0, 1.5, -1.5, 2, -2)):
        for stir, more in (("none", 0), ("swirl", 0.2)):
            cups.add("drift", {"stir": stir}, {"extraction_pct": 20 + offset + more + cups.random.gauss(0, 0.03)},
                     replicate=sitting + 1)
    cups.done()
    found = answer(bench, "drift")
    low, high = found["differences"][0]["interval"]
    assert 0 < low < 0.2 < high and found["layout"]["method"] == "blocks" and found["layout"]["between"] > 1
    assert found["headline"].startswith("Swirl gives 0.")
    assert "most likely have shown" not in done(bench, "drift")         # no power after the fact


def test_report_prints_no_p_for_one_cup_per_level(bench):
    cups = Cups(bench)
    for stir, value in (("none", 18), ("stir", 19), ("swirl", 20)):
        cups.add("single", {"stir": stir}, {"extraction_pct": value})
    cups.file.commit()
    found = answer(bench, "single")
    assert found["differences"] == [] and found["spread"]["from"] == "none"
    assert "no difference can be judged" in done(bench, "single").replace("\n    ", " ")
    for value in (18.0, 18.4, 17.8):        # repeats of the same bench elsewhere show a spread
        cups.add("other", {"stir": "none"}, {"extraction_pct": value})
    cups.done()
    found = answer(bench, "single")
    assert found["spread"]["from"] == "bench" and found["spread"]["df"] == 2 and len(found["differences"]) == 3


def test_report_leaves_out_cups_out_of_plan_unless_reported(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.add("filter-swirl", {"filter": "paper", "stir": "swirl"}, {"extraction_pct": 10}, kept=0)
    cups.done()
    assert answer(bench, "filter-swirl")["cups_counted"] == 12
    assert answer(bench, "--all", "filter-swirl")["cups_counted"] == 13
    assert "1 cup out of plan left out" in done(bench, "filter-swirl")


def test_report_compares_levels_with_the_dose_as_measured(bench):
    cups = Cups(bench)
    for replicate in range(1, 13):
        for part in ("a", "b"):
            over = cups.random.gauss(0, .3)
            cups.add("ferry-part", {"own_part": part}, {"extraction_pct": 19 - .9 * over + .5 * (part == "b") +
                     cups.random.gauss(0, .1), "dose_g": 15 + over, "water_g": 230 + cups.random.gauss(0, .2)},
                     {"dose_g": 15, "water_g": 230}, replicate)
    cups.done()
    found = answer(bench, "ferry-part")
    low, high = found["adjusted"]["per_unit"]["dose_g"]["interval"]
    assert low < -.9 < high and "water_g" not in found["adjusted"]["per_unit"]      # which hardly differed
    adjusted, plain = found["adjusted"]["differences"][0], found["differences"][0]
    low, high = adjusted["interval"]
    assert low < .5 < high and high - low < (plain["interval"][1] - plain["interval"][0]) / 1.5
    assert abs(adjusted["changed_by"] - (adjusted["difference"] - plain["difference"])) < 1e-9
    text = " ".join(done(bench, "ferry-part").split())
    assert "With dose as measured" in text and "as if every cup had had the mean dose" in text
    assert "One g more of dose changes extraction by -0." in text


def test_report_names_what_else_differs_between_two_methods(bench):
    cups = Cups(bench)
    for replicate in range(1, 5):
        for method in ("upright", "turned over"):
            cups.add("ferry-method", {"own_method": method}, {"extraction_pct": 19 + cups.random.gauss(0, .3), "drip_g":
                     (22 if method == "upright" else 2) + cups.random.gauss(0, 1), "press_s": 30 + cups.random.gauss(0, 3)},
                     {"dose_g": 15}, replicate)
    cups.done()
    assert [one["measure"] for one in answer(bench, "ferry-method")["differs_beside"]] == ["drip_g"]
    assert "drip-through: " in done(bench, "ferry-method")


def test_report_finds_the_top_of_a_surface_or_reports_that_none_is_shown(bench):
    cups = Cups(bench)
    for replicate in (1, 2):
        for warm in (88, 92, 96):
            for grind in (15, 19, 23):
                hill = 20 - .06 * (warm - 92.5) ** 2 - .06 * (grind - 19.5) ** 2
                for name, value in (("ferry-hill", hill), ("ferry-slope", 15 + .05 * warm - .1 * grind)):
                    cups.add(name, {"temperature_c": warm, "grind": grind},
                             {"extraction_pct": value + cups.random.gauss(0, .15)}, {"dose_g": 15}, replicate)
    cups.done()
    found = answer(bench, "ferry-hill")
    claim = next(claim for claim in found["claims"] if claim["claim"] == "optimum")
    for factor, truth in (("temperature_c", 92.5), ("grind", 19.5)):
        low, high = claim["intervals"][factor]
        assert low < truth < high and high - low < 2
    assert found["headline"].startswith("Extraction is highest at about water temperature 92")
    assert found["surface"]["lack_of_fit"]["p"] > 0.01
    page = bench.folder / "hill.html"
    done(bench, "ferry-hill", "--html", page)
    assert page.read_text().count("<svg") == 3 and "Where the top lies" in page.read_text()
    found = answer(bench, "ferry-slope")
    assert not any(claim["claim"] == "optimum" for claim in found["claims"]) and found["surface"]["shown"] is False
    assert "No top is shown" in " ".join(done(bench, "ferry-slope").split())
