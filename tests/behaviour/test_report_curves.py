"""What poise-report makes of a steep series: a bend only where it is earned, nothing beyond the steeps brewed."""
import math
import sqlite3

from cups import Cups
from reports import answer, done


def test_report_finds_where_returns_diminish(bench):
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.02, [20, 45, 75, 120, 180, 300], spread=0.15, title="How long to steep")
    cups.done()
    found = answer(bench, "ferry-steep")["curves"][0]
    # the cups were made with these; closed forms give 149.79, 174.96 and 188.03 s
    for key, truth in (("share", 149.786614), ("gain", 174.957244), ("doubling", 188.032297)):
        low, high = found[key]["interval"]
        assert low < truth < high and high - low < 80
    assert found["plateau_interval"][0] < 22 < found["plateau_interval"][1]
    assert found["rate_interval"][0] < 0.02 < found["rate_interval"][1]
    text = done(bench, "ferry-steep")
    assert text.startswith("95 % of the final extraction is reached after about 1") and "95 % of the plateau is reached" in text
    claims = answer(bench, "ferry-steep")["claims"]
    assert [claim["by"] for claim in claims if claim["claim"] == "bend"] == ["share", "gain", "doubling"]
    gain = next(claim for claim in claims if claim["claim"] == "gain")      # nothing beyond the longest steep brewed
    assert gain["to_s"] == 300 and gain["interval"][0] < 22 * (math.exp(-.02 * gain["from_s"]) - math.exp(-6)) < gain["interval"][1]
    assert "Held: dose 15 g, water 230 g." in text


def test_report_says_not_identified_instead_of_a_wild_number(bench):
    cups = Cups(bench)
    for seconds in (10, 15, 20, 10, 15, 20):
        cups.add("short", {"steep_s": seconds},
                 {"steep_s": seconds, "extraction_pct": 0.3 * seconds + cups.random.gauss(0, .05)})
    cups.done()
    text = done(bench, "short")
    assert "the bend is not identified" in " ".join(text.split())
    assert not any(len(word) > 12 and word[0].isdigit() for word in text.split())
    assert answer(bench, "short")["curves"][0]["share"]["identified"] is False
    assert "40 s" in done(bench, "next", "short")


def two_curves(cups, experiment, times_of):
    for grind, plateau, k in (("coarse", 19.5, 0.012), ("fine", 22.5, 0.03)):
        for seconds in times_of[grind] * 3:
            extraction = plateau * (1 - math.exp(-k * seconds)) + cups.random.gauss(0, 0.25)
            cups.add(experiment, {"steep_s": seconds, "grind": grind}, {"steep_s": seconds, "extraction_pct": extraction})


def test_report_compares_two_curves(bench):
    cups = Cups(bench)
    times = [45, 75, 120, 180, 300, 420]
    two_curves(cups, "both", {"coarse": times, "fine": times})
    two_curves(cups, "half", {"coarse": [10, 15, 20], "fine": times})
    cups.done()
    text = " ".join(done(bench, "both").split())
    assert text.startswith("On the mean over the other factor, grind fine gives ") and " more extraction than coarse (" in text
    low, high = map(float, text.split(" more extraction than coarse (")[1].split(" points)")[0].split(" to "))
    mean = sum(22.5 * (1 - math.exp(-.03 * t)) - 19.5 * (1 - math.exp(-.012 * t)) for t in times) / len(times)
    assert low < mean < high
    coarse, fine = answer(bench, "both")["curves"]
    assert coarse["rate_interval"][0] < 0.012 < coarse["rate_interval"][1] < fine["rate_interval"][1]
    text = " ".join(done(bench, "half").split())
    assert "not comparable, where grind coarse ends is not shown" in text

def test_report_says_which_way_the_times_are_wrong(bench):
    cups = Cups(bench)
    for seconds in (200, 300, 400, 500) * 3:
        cups.add("late", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": 22 + cups.random.gauss(0, .2)})
        cups.add("falls", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": 25 - seconds / 100 + cups.random.gauss(0, .1)})
    for i in range(30):
        cups.add("many", {"own_knob": i}, {"extraction_pct": 20})
    cups.done()
    assert "do not show a bend" in " ".join(done(bench, "late").split()) and "at 100 s" in done(bench, "next", "late").replace("\n", " ")
    assert "Extraction falls" in done(bench, "falls")
    assert "falls" in bench.run("poise-report", "next", "falls")[2]
    # too many levels for a comparison, but not for a table
    assert "more than 24 levels" in bench.run("poise-report", "many")[2]
    assert len(done(bench, "--csv", "many").splitlines()) == 31


def test_report_says_what_no_cup_has_tried(bench):
    cups = Cups(bench)
    cups.steeps("early", 22, 0.012, [30, 60, 90, 120], spread=0.1)
    cups.done()
    text = " ".join(done(bench, "early").split())
    assert text.startswith(("If the curve goes on as it began", "These steep times do not show where", "These cups do not show where"))
    assert answer(bench, "early")["curves"][0]["share"]["claimed"] is False
    assert not [claim for claim in answer(bench, "early")["claims"] if claim["claim"] == "bend"]
    gain = [claim for claim in answer(bench, "early")["claims"] if claim["claim"] == "gain"]
    assert [claim["to_s"] for claim in gain] == [120]                   # of steeps that were brewed there is something


def test_report_takes_thousands_of_cups(bench):
    cups = Cups(bench)
    for i in range(2000):
        time = (45, 75, 120, 180, 300)[i % 5]
        extraction = 22 * (1 - 2.718281828 ** (-0.02 * time)) + cups.random.gauss(0, 0.3)
        cups.add("many", {"steep_s": time}, {"steep_s": time + cups.random.gauss(0, 1), "extraction_pct": extraction},
                 replicate=i // 5)
    cups.done()
    cups.file = sqlite3.connect(bench.store)
    cups.add("many", {"steep_s": 45}, {"steep_s": 45, "extraction_pct": 13})
    cups.done()
    done(bench, "--html", bench.folder / "many.html", "many")       # beyond two thousand a share is drawn
    assert (bench.folder / "many.html").read_text().count("<circle") <= 2000
    found = answer(bench, "many")
    assert found["cups_counted"] == 2001 and abs(found["curves"][0]["share"]["seconds"] - 149.786614) < 3


def test_report_judges_single_cups_by_their_curve_and_by_believable_repeats(bench):
    cups = Cups(bench)
    for seconds in (45, 75, 120, 180, 300):
        cups.add("once", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct":
                                                22 * (1 - math.exp(-0.02 * seconds)) + cups.random.gauss(0, 0.1)})
    cups.file.commit()
    text = " ".join(done(bench, "once").split())
    assert "no difference of two levels can be judged" in text
    assert "The curve is judged by how far the cups lie from it." in text
    assert "Whether the shape is right these cups do not show" in text       # there are no repeats
    for value in (18.0, 18.4, 17.8, 1e300, -1, "NaN", b"x"):        # of a damaged store only three can be true
        cups.add("other", {"stir": "none"}, {"extraction_pct": value})
    cups.done()
    found = answer(bench, "once")
    assert found["spread"]["df"] == 2 and 0.2 < found["spread"]["value"] < 0.4
    assert "(0.31 points, from 2 repeats)" in " ".join(done(bench, "once").split())


def test_report_finds_the_constants_of_a_morning_made_in_software(bench):
    """Cups of poise-virtual's model, read with an instrument's noise: plateau and rate must be found again."""
    most_pct, per_s, steeps = 23.5, 0.016, (40, 60, 90, 130, 190, 300)
    scales = "".join(f"""
[scale scale-{place}]
do = brew cup 300 brewer 180 plunger 60 retained 2 most {most_pct} at-once 0 per-s {per_s}
do = put cup brewer
do = coffee 15 g
do = pour 230 g in 5 s
do = wait 2 s
do = put plunger
do = wait {seconds - 8} s
do = press 2600 g in 10 s
do = wait 3 s
do = lift brewer plunger
do = wait 5 s
""" for place, seconds in enumerate(steeps))
    player = bench.virtual("[virtual]\nseed = 4\n" + scales, "--clock-rate", 200, "--no-wait")
    truths = [player.wait_json(lambda line: line["truth"] == "brew") for _ in steeps]
    cups = Cups(bench)
    for replicate in range(1, 5):
        for truth in truths:
            strength = (truth["strength_pct"] + cups.random.gauss(0, 0.015)) / 100
            in_all = 100 * strength * truth["water_g"] / (1 - strength) / truth["dose_g"]
            cups.add("pier-steep", {"steep_s": round(truth["steep_s"])},
                     {"steep_s": truth["steep_s"], "extraction_total_pct": in_all}, replicate=replicate)
    cups.done()
    found = answer(bench, "--measure", "extraction_total_pct", "pier-steep")["curves"][0]
    # while the plunger goes down the coffee still gives: the curve begins above zero, its bend stays
    low, high = found["plateau_interval"]
    assert low < most_pct < high and high - low < 1.5
    low, high = found["rate_interval"]
    assert low < per_s < high and high - low < 0.01
def test_report_lays_presses_and_slurries_over_each_other(bench):
    cups = Cups(bench)
    for kpa in (10, 20, 30):
        press = [(60 + s / 5, kpa * min(1, s / 15)) for s in range(100)]
        cups.add("press", {"press_peak_kpa": kpa}, {"press_peak_kpa": kpa, "press_s": 20, "extraction_pct": 19},
                 stages={"pour": 0, "press": 60}, traces={("gauge", "pressure", "kPa"): press})
        slurry = [(s, 22 + (40 + kpa) * math.exp(-0.004 * s) + cups.random.gauss(0, 0.03)) for s in range(0, 600, 5)]
        cups.add("heat", {"temperature_c": 70 + kpa}, {"extraction_pct": 19}, stages={"pour": 0},
                 traces={("probe", "temperature", "°C"): slurry})
    cups.done()
    rows = done(bench, "heat").split("Slurries, one cup of each level")[1].splitlines()
    words = next(row for row in rows if "100 °C" in row).split()
    assert words[5] == "to" and all(abs(float(words[i]) - 0.004) < 0.0001 for i in (3, 4, 6))    # as they were made
    done(bench, "--svg", bench.folder / "pictures", "press")
    assert (bench.folder / "pictures/press.gp").read_text().count("\n0 ") >= 3     # each from its own beginning
    assert "towards 22 °C" in done(bench, "brew", f"pier-20261125-{cups.count:03d}")
