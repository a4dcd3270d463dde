"""What poise-report makes of a series along a number: line, turn and break as one question."""
import csv
import io
import math
import re
import statistics

from cups import Cups
from reports import answer, done


def test_report_judges_a_ratio_by_total_extraction(bench):
    cups = Cups(bench)
    for dose in (12, 15, 18, 21) * 3:
        in_all = 21.7 + cups.random.gauss(0, 0.2)           # more coffee: as much of each gram, more kept by the bed
        dissolved, beverage = in_all / 100 * dose, 230 - 2 * dose
        strength = 100 * dissolved / (230 + dissolved)
        cups.add("ratio", {"dose_g": dose}, {"dose_g": dose, "water_g": 230, "beverage_g": beverage,
                                             "strength_pct": strength, "extraction_pct": strength * beverage / dose,
                                             "extraction_total_pct": in_all, "retained_g_per_g": 2})
    cups.done()
    text = done(bench, "--target", "1.25", "ratio")
    headline = text.split("\n\n")[0].replace("\n", " ")
    assert "extraction falls by" in headline
    assert "of total extraction, with what the bed holds back, no change is shown" in headline
    rows = {row["factors"]["dose_g"]: row for row in answer(bench, "--measure", "strength_pct", "ratio")["levels"]}
    row = next(line for line in text.split("In the cup and in total")[1].splitlines() if "21 g" in line)
    added = float(row.split()[6])
    text = done(bench, "--target", "2.5", "ratio")
    assert " *\n" in text and "* Outside the doses that were brewed: computed, not tried." in " ".join(text.split())
    assert "Where no water is to be added the cup has no more than 2.5 % as it is." in text
    assert abs(rows[21]["mean"] * 188 / (188 + added) - 1.25) < 0.005     # what is added brings it to the target


def test_report_knows_a_ratio_by_its_name(bench):
    cups = Cups(bench)
    for ratio in (12, 14, 16, 18) * 2:
        cups.add("series", {"ratio": ratio}, {"water_g": 230, "extraction_pct": 20 - ratio / 10 + cups.random.gauss(0, .1)})
    cups.done()
    text = " ".join(done(bench, "series").split())
    assert "In the cup and in total" in text and "No cup shows total extraction" in text
    assert "no cup shows total extraction, which takes dose, water and strength" in done(bench, "verdicts")


def test_report_finds_where_a_curve_turns(bench):
    cups = Cups(bench)
    for celsius in (80, 85, 90, 95) * 5:
        cups.add("hump", {"temperature_c": celsius},
                 {"extraction_pct": 20 - 0.03 * (celsius - 87) ** 2 + cups.random.gauss(0, 0.1)})
        cups.add("bend", {"temperature_c": celsius},
                 {"extraction_pct": 20 - 0.01 * (celsius - 96) ** 2 + cups.random.gauss(0, 0.1)})
    cups.done()
    found = answer(bench, "hump")
    assert found["turn"]["interval"][0] < 87 < found["turn"]["interval"][1]
    assert found["headline"].startswith("Extraction climbs with water temperature up to about 8")
    assert found["headline"].endswith("and falls beyond.")
    assert "turn" not in answer(bench, "bend") and "rises by" in done(bench, "bend")


def test_report_finds_the_pressure_that_is_too_much(bench):
    cups = Cups(bench)
    for i in range(18):
        pressure = 8 + 6 * (i % 9)
        extraction = 18 + 0.06 * min(pressure, 34) - 0.05 * max(pressure - 34, 0) + cups.random.gauss(0, 0.1)
        cups.add("press", {"press_peak_kpa": pressure}, {"press_peak_kpa": pressure, "extraction_pct": extraction})
        cups.add("straight", {"press_peak_kpa": pressure},
                 {"extraction_pct": 18 + 0.03 * pressure + cups.random.gauss(0, 0.2)})
    cups.done()
    found = answer(bench, "press")
    assert found["break"]["p"] < 0.01 and found["break"]["interval"][0] < 34 < found["break"]["interval"][1]
    assert "climbs with peak pressure" in found["headline"] and "falls beyond" in found["headline"]
    assert answer(bench, "straight")["headline"].startswith("From peak pressure 8 to 56 kPa, extraction rises by")
    assert [claim["claim"] for claim in answer(bench, "straight")["claims"]] == ["change"]
    advice = answer(bench, "next", "press")         # the break is what is asked: cups beside it show most of its place
    assert advice["interval_of"] == "the peak pressure where extraction breaks" and advice["unit"] == "kPa"
    assert abs(float(advice["suggestions"][0]["factors"]["press_peak_kpa"]) - 34) < 8
    assert answer(bench, "next", "straight")["interval_of"] == "the slope (extraction per kPa)"
    text = done(bench, "next", "press").split("more cups at peak pressure")[1]
    shrunk = [int(line.split()[2]) for line in text.splitlines()[1:5]]      # 1, 2, 4 and 8 of them
    assert 100 > shrunk[0] > shrunk[1] > shrunk[2] > shrunk[3] > 40


def test_report_estimates_the_grams_that_pressing_dry_brought(bench):
    cups = Cups(bench)
    for i in range(12):
        dry, water = i % 2, 230 + cups.random.gauss(0, 2)
        known = {"pressed_dry": dry, "water_g": water, "beverage_g": water - 36 + 6 * dry + cups.random.gauss(0, 0.2),
                 "drip_g": 5 + i % 4, "extraction_pct": 18 + 0.5 * dry + cups.random.gauss(0, 0.1)}
        cups.add("last-drops", {"pressed_dry": dry}, known)
        cups.add("stir", {"stir": "ab"[i // 2 % 2]}, known)
    cups.done()
    text = " ".join(done(bench, "last-drops").split())
    assert text.startswith("Pressed dry gives 0.") and "drip-through 12" in text
    # the pour scatters by ten times as much as what is left of it when the water is taken off
    low, high = map(float, text.split("the water being the same (")[1].split(" g)")[0].split(" to "))
    assert low < 6 < high and high - low < 1
    found = answer(bench, "last-drops")["pressed_dry_or_not"]
    assert found["water_taken_off"] and found["grams"]["interval"][0] < 6 < found["grams"]["interval"][1]
    assert done(bench, "next", "last-drops").startswith("Brew 1 more cup at stopped before:")
    text = " ".join(done(bench, "stir").split())
    assert "6 cups were pressed until nothing more came, 6 were stopped before" in text


def test_report_gives_water_to_add_and_dose_needed_with_their_intervals(bench):
    cups, added, dosed = Cups(bench), {}, {}
    for dose in (15, 18, 21) * 3:
        in_all = 21.7 + cups.random.gauss(0, 0.3)
        dissolved, beverage = in_all / 100 * dose, 230 - 2 * dose
        strength = 100 * dissolved / (230 + dissolved)
        added.setdefault(dose, []).append(beverage * (strength / 1.25 - 1))
        dosed.setdefault(dose, []).append(100 * 230 * 1.25 / (100 - 1.25) / in_all)
        cups.add("ratio", {"dose_g": dose}, {"dose_g": dose, "water_g": 230, "beverage_g": beverage,
                                             "strength_pct": strength, "extraction_pct": strength * beverage / dose,
                                             "extraction_total_pct": in_all, "retained_g_per_g": 2})
    cups.done()
    table = done(bench, "--target", "1.25", "ratio").split("In the cup and in total")[1]
    for dose in (15, 18, 21):
        row = next(line for line in table.splitlines() if line.strip().startswith(f"{dose} g"))
        for (low, high), values, digits in zip(re.findall(r"\((\S+) to (\S+)\)", row), (added, dosed), (0, 1)):
            spread = math.sqrt(sum(statistics.variance(level) for level in values.values()) / 3)
            half = 2.4469 * spread / math.sqrt(3)       # t of 6 degrees of freedom, 0.975: any table of t
            mean = statistics.mean(values[dose])
            assert abs(float(low) - (mean - half)) <= 0.55 * 10 ** -digits
            assert abs(float(high) - (mean + half)) <= 0.55 * 10 ** -digits
        assert len(re.findall(r"\((\S+) to (\S+)\)", row)) == 2


def test_report_takes_a_lower_bound_for_no_value(bench):
    """Three presses that overloaded the scale: they were above 18 kPa, nobody knows how far.  Taken for 18 they would turn
    the line round, and a claim as far as their level would be of no cup; every table marks them, and what is claimed is as
    if they were not there."""
    cups = Cups(bench)
    for i in range(24):
        pressure, bounded = 8 + 4 * (i % 8), i % 8 == 7
        extraction = 18 + 0.05 * pressure + cups.random.gauss(0, 0.1)
        measures = {"press_peak_kpa": 18.0 if bounded else pressure, "extraction_pct": extraction}
        above = ("press_peak_kpa",) if bounded else ()
        name = cups.add("bounded", {"press_peak_kpa": pressure}, measures, above=above)
        last = name if bounded else None
        if not bounded:
            cups.add("without", {"press_peak_kpa": pressure}, measures)
    cups.done(as_listed=True)
    bounded, without = answer(bench, "bounded"), answer(bench, "without")
    assert bounded["headline"] == without["headline"] and bounded["claims"] == without["claims"]
    sentence = "3 cups whose pressure is only known to be above a number (the scale was overloaded): not counted."
    assert sentence in bounded["cautions"] and sentence not in without["cautions"]
    table = done(bench, "brews")
    assert sum(">18.0" in line for line in table.splitlines()) == 3, table
    rows = list(csv.DictReader(io.StringIO(done(bench, "--csv", "brews"), newline="")))
    assert sorted(row["above"] for row in rows) == [""] * 42 + ["press_peak_kpa"] * 3
    assert ">18.0" in done(bench, "brew", last)
    assert answer(bench, "brew", last)["above"] == ["press_peak_kpa"]
    status, table, said = bench.run("poise-ctl", "--store", bench.store, "brews")
    assert status == 0 and ">18.0" in table, said
