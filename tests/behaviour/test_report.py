"""What poise-report makes of a store: the right comparison, plain words, nothing it does not know, and no harm from
what strangers wrote into it."""
import csv
import fcntl
import html.parser
import io
import json
import math
import os
import pty
import sqlite3
import struct
import subprocess
import termios
import xml.etree.ElementTree

from bench import station
from cups import Cups

# Two by two, three cups each; expected values by statsmodels 0.13 and SciPy 1.10.
TWO_BY_TWO = {("coarse", "none"): (14.1, 14.6, 13.9), ("coarse", "stir"): (18.2, 17.7, 18.4),
              ("fine", "none"): (19.8, 20.1, 19.5), ("fine", "stir"): (20.6, 20.9, 20.3)}
NASTY = "A <script>alert(1)</script> \"title\"\nwith 'quotes' `touch x` $(touch x) \\ \x1b[31m ; #"


def done(bench, *arguments):
    status, output, said = bench.run("poise-report", *arguments)
    assert status == 0, said
    return output


def answer(bench, *arguments):
    return json.loads(done(bench, "--json", *arguments))


def two_by_two(cups):
    for (grind, stir), values in TWO_BY_TWO.items():
        for value in values:
            cups.add("grind-stir", {"grind": grind, "stir": stir}, {"extraction_pct": value})


def test_report_finds_where_returns_diminish(bench):
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.02, [45, 75, 120, 180, 300], title="How long to steep")
    cups.done()
    found = answer(bench, "ferry-steep")["curves"][0]
    # the cups were made with these; closed forms give 149.79, 174.96 and 188.03 s
    for key, truth in (("share", 149.786614), ("gain", 174.957244), ("doubling", 188.032297)):
        low, high = found[key]["interval"]
        assert low < truth < high and high - low < 40
    assert found["plateau_interval"][0] < 22 < found["plateau_interval"][1]
    assert found["rate_interval"][0] < 0.02 < found["rate_interval"][1]
    text = done(bench, "ferry-steep")
    assert "washed off at once these cups cannot tell" not in " ".join(text.split())
    assert text.startswith("After 1") and "95 % of the plateau is reached" in text
    assert "Held: dose 15 g, water 230 g." in text


def test_report_says_not_identified_instead_of_a_wild_number(bench):
    cups = Cups(bench)
    for seconds in (10, 15, 20, 10, 15, 20):
        cups.add("short", {"steep_s": seconds},
                 {"steep_s": seconds, "extraction_pct": 0.3 * seconds + cups.random.gauss(0, .05)})
    cups.done()
    text = done(bench, "short")
    assert "not identified" in text.splitlines()[1]
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
    assert text.startswith("Given time enough, grind fine ends ") and " higher than coarse (" in text
    low, high = map(float, text.split(" higher than coarse (")[1].split(" points)")[0].split(" to "))
    assert low < 22.5 - 19.5 < high
    coarse, fine = answer(bench, "both")["curves"]
    assert coarse["rate_interval"][0] < 0.012 < coarse["rate_interval"][1] < fine["rate_interval"][0]
    text = " ".join(done(bench, "half").split())
    assert "the curves cannot be compared" in text and "rate of grind coarse are not identified" in text


def test_report_judges_a_ratio_by_what_dissolved_in_all(bench):
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
    assert "in all, with what the bed holds back, no change is shown" in headline
    rows = {row["factors"]["dose_g"]: row for row in answer(bench, "--measure", "strength_pct", "ratio")["levels"]}
    row = next(line for line in text.split("In the cup and in all")[1].splitlines() if "21 g" in line)
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
    assert "In the cup and in all" in text and "No cup shows extraction in all" in text
    assert "no cup shows extraction in all, which takes dose, water and strength" in done(bench, "verdicts")


def test_report_says_which_way_the_times_are_wrong(bench):
    cups = Cups(bench)
    for seconds in (200, 300, 400, 500) * 3:
        cups.add("late", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": 22 + cups.random.gauss(0, .2)})
        cups.add("falls", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct": 25 - seconds / 100})
    for i in range(30):
        cups.add("many", {"own_knob": i}, {"extraction_pct": 20})
    cups.done()
    assert "past the bend" in done(bench, "late") and "at 100 s" in done(bench, "next", "late").replace("\n", " ")
    assert "Extraction falls" in done(bench, "falls")
    assert "falls" in bench.run("poise-report", "next", "falls")[2]
    # too many levels for a comparison, but not for a table
    assert "more than 24 levels" in bench.run("poise-report", "many")[2]
    assert len(done(bench, "--csv", "many").splitlines()) == 31


def test_report_compares_two_by_two_as_statsmodels_does(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.done()
    found = answer(bench, "grind-stir")["anova"]
    assert abs(found["grind"]["f"] - 447.340909) < 1e-5
    assert abs(found["stir"]["f"] - 150.613636) < 1e-5
    assert abs(found["interaction"]["f"] - 65.522727) < 1e-5
    assert abs(found["interaction"]["p"] - 4.012068e-05) < 1e-10
    assert found["residual"]["df"] == 8
    text = done(bench, "grind-stir")
    assert text.count("Where grind is") == 2 and text.count("Where stir is") == 2
    assert "depends on grind" in text


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
    assert text.startswith("No difference of extraction is shown") and "Not every replicate has every level" in text


def test_report_claims_no_more_power_than_its_test_has(bench):
    """Two levels that hardly differ, at sittings that do: Welch's t could not have shown less than the sittings do."""
    cups = Cups(bench)
    for sitting, offset in enumerate((0, 1.5, -1.5, 2, -2)):
        for stir, more in (("none", 0), ("swirl", 0.2)):
            cups.add("drift", {"stir": stir}, {"extraction_pct": 20 + offset + more + cups.random.gauss(0, 0.03)},
                     replicate=sitting + 1)
    cups.done()
    found = answer(bench, "drift")
    low, high = found["differences"][0]["interval"]
    assert low < 0 < high and found["smallest_difference_shown"] > (high - low) / 2
    low, high = found["within_replicates"]["interval"]
    assert 0 < low < 0.2 < high
    assert "Compared within each of them, the difference is +0." in " ".join(done(bench, "drift").split())


def test_report_tells_where_a_curve_turns(bench):
    cups = Cups(bench)
    for celsius in (80, 85, 90, 95) * 3:
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


def test_report_says_what_no_cup_has_tried(bench):
    cups = Cups(bench)
    cups.steeps("early", 22, 0.012, [30, 60, 90, 120], spread=0.1)
    cups.done()
    text = " ".join(done(bench, "early").split())
    assert text.startswith("If the curve goes on as it began") and "the longest of these cups steeped 12" in text
    assert "no cup has tried it" in text and answer(bench, "early")["curves"][0]["share"]["beyond_cups"] is True
    text = " ".join(done(bench, "--share", "0.5", "early").split())     # half of it is by no means nearly all
    assert text.startswith("After 5") and "that brings 1" in text.split("longer it steeps,")[1]


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
    assert "No break shown" in done(bench, "straight")
    advice = answer(bench, "next", "press")         # the break is what is asked: cups beside it show most of its place
    assert advice["interval_of"] == "the peak pressure where extraction breaks" and advice["unit"] == "kPa"
    assert abs(float(advice["suggestions"][0]["factors"]["press_peak_kpa"]) - 34) < 8
    assert answer(bench, "next", "straight")["interval_of"] == "the slope (extraction per kPa)"
    text = done(bench, "next", "press").split("more cups at peak pressure")[1]
    shrunk = [int(line.split()[2]) for line in text.splitlines()[1:5]]      # 1, 2, 4 and 8 of them
    assert 100 > shrunk[0] > shrunk[1] > shrunk[2] > shrunk[3] > 40


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


def test_report_leaves_out_cups_out_of_plan_unless_reported(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.add("grind-stir", {"grind": "fine", "stir": "stir"}, {"extraction_pct": 10}, kept=0)
    cups.done()
    assert answer(bench, "grind-stir")["cups_counted"] == 12
    assert answer(bench, "--all", "grind-stir")["cups_counted"] == 13
    assert "1 cup out of plan left out" in done(bench, "grind-stir")


class Page(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.text, self.loads = set(), "", []

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        self.loads += [value for name, value in attributes if name in ("src", "href", "xlink:href", "data", "action")]

    def handle_data(self, data):
        self.text += data


def test_report_escapes_what_strangers_wrote(bench):
    cups = Cups(bench)
    for level in ("<i>\x1b[31m", "a&b"):
        for value in (20, 21):
            cups.add("na<sty", {"a<b": level}, {"extraction_pct": value}, {"<b>": "<u>"}, title=NASTY)
    cups.done()
    page = Page()
    done(bench, "--html", bench.folder / "page.html", "na<sty")
    page.feed((bench.folder / "page.html").read_text())
    assert not page.tags & {"script", "i", "b", "u"} and "<script>alert(1)</script>" in page.text and not page.loads
    text = done(bench, "na<sty")
    assert "\x1b" not in text and "<script>" in text
    done(bench, "--svg", bench.folder / "pictures", "na<sty")
    picture = xml.etree.ElementTree.parse(bench.folder / "pictures/experiment.svg")
    assert any("alert(1)" in (element.text or "") for element in picture.iter())
    assert not list(bench.folder.rglob("x"))
    assert (bench.folder / "pictures/experiment.gp").read_text().count("$points0") == 2


def test_report_cuts_long_words_where_they_would_cross_others(bench):
    cups = Cups(bench)
    for i in range(16):
        cups.add("long", {"brewer": f"{'abcd'[i % 4]} the piston-press brewer of the room"},
                 {"extraction_pct": 20 + cups.random.gauss(0, 0.2)})
    cups.done()
    done(bench, "--html", bench.folder / "long.html", "long")
    picture = xml.etree.ElementTree.fromstring(
        "<svg" + (bench.folder / "long.html").read_text().split("<svg")[1].split("</svg>")[0] + "</svg>")
    labels = [element for element in picture.iter("text") if "the pis" in (element.text or "")]
    assert len(labels) == 4 and all(label.text.endswith("…") for label in labels)
    places = [float(label.get("x")) for label in labels]
    assert all(10 * len(label.text) <= places[1] - places[0] for label in labels)


def test_report_csv_is_read_by_a_spreadsheet_and_by_r(bench):
    cups = Cups(bench)
    cups.add("ratio", {"dose_g": 15, "stir": "=cmd()"}, {"dose_g": (15.02, 0.03), "extraction_pct": 20.5},
             {"grind": 18, "brewer": "piston-press brewer"}, note="a, \"b\"\nc")
    cups.done()
    text = done(bench, "--csv", "brews")
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert row["dose_g [g]"] == "15.02" and row["dose_g_u [g]"] == "0.03" and row["note"] == "a, \"b\"\nc"
    assert row["factor dose_g"] == "15" and row["factor stir"] == "'=cmd()" and row["water_g [g]"] == ""
    assert row["pressed_dry"] == row["pressed_dry_u"] == ""        # it has no unit
    assert row["held grind"] == "18" and row["held brewer"] == "piston-press brewer"
    (bench.folder / "cups.csv").write_text(text)
    program = ("d <- read.csv('cups.csv', check.names = FALSE);"
               " cat(d[['extraction_pct [%]']], is.na(d[['water_g [g]']]))")
    said = subprocess.run(["Rscript", "--vanilla", "-e", program], cwd=bench.folder, capture_output=True, text=True,
                          check=True)
    assert said.stdout == "20.5 TRUE"


def test_report_survives_a_damaged_store(bench):
    cups = Cups(bench)
    cups.add("damaged", {"stir": "a"}, {"extraction_pct": 95, "strength_pct": 95, "dose_g": -3})
    cups.add("damaged", {"stir": "b"}, {"extraction_pct": "NaN"})
    cups.add("damaged", {"stir": "b"}, {"extraction_pct": 20.0, "dose_g": 0})
    cups.file.execute("update brew set factors = '{\"stir\": [1, {', recipe = 'null' where name like '%-002'")
    cups.done()
    text = done(bench, "damaged").replace("\n    ", " ")
    assert "cannot be true" in text and "There is no cup with extraction yet" in text
    done(bench, "brews")
    done(bench, "verdicts")
    done(bench, "brew", "pier-20261125-001")


def test_report_says_what_is_missing(bench):
    status, _, said = bench.run("poise-report", "--store", bench.folder / "none.db", "x")
    assert status == 1 and "no store there" in said
    cups = Cups(bench)
    cups.file.commit()
    for arguments, wanted in ((("steep",), "no experiment 'steep'"), (("brew", "x"), "no brew 'x'"),
                              (("next", "steep"), "no experiment")):
        status, _, said = bench.run("poise-report", *arguments)
        assert status == 1 and wanted in said and said.count("\n") == 1
    assert "no experiment yet" in bench.run("poise-report")[2]
    two_by_two(cups)
    for value in (20, 21, 20):
        cups.add("alone", {"stir": "none"}, {"extraction_pct": value})
    cups.done()
    assert "at one level of alone: brew another level" in bench.run("poise-report", "next", "alone")[2]
    assert "the latest are alone, grind-stir" in bench.run("poise-report", "steep")[2]
    for arguments in (("--share", "2", "x"), ("--measure", "taste", "x"), ("--wrong",), ("a", "b", "c"), ("brew",),
                      ("brew", ""), ("",), ("--since", "yesterday", "brews"), ("--until", "2026-02-30", "brews"),
                      ("--cups", "1.5", "next", "grind-stir"), ("--measure", "strength_pct", "verdicts")):
        status, output, said = bench.run("poise-report", *arguments)
        assert status == 2 and not output and said
    assert "which one" in bench.run("poise-report", "next")[2]
    assert bench.run("poise-report", "--measure", "strength_pct", "--margin", "0.05", "verdicts")[0] == 0


def on_a_screen(bench, columns, *arguments):
    """What a terminal of so many columns shows."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 60, columns, 0, 0))
    program = subprocess.Popen([bench.programs_folder / "poise-report", "--store", bench.store, *arguments], stdout=slave,
                               env={**os.environ, "NO_COLOR": "1"})
    os.close(slave)
    shown = b""
    try:
        while piece := os.read(master, 65536):
            shown += piece
    except OSError:                     # the other end was closed
        pass
    os.close(master)
    assert program.wait() == 0
    return shown.decode().replace("\r\n", "\n")


def test_report_fits_a_narrow_screen_and_keeps_rows_whole_in_a_pipe(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.steeps("ferry-steep", 22, 0.02, [45, 75, 120, 180, 300], title="How long to steep")
    cups.done()
    for arguments in (("verdicts",), ("brews",), ("grind-stir",), ("ferry-steep",), ("next", "ferry-steep")):
        shown = on_a_screen(bench, 80, *arguments)
        assert max(map(len, shown.splitlines())) <= 80
        assert set(shown.split()) == set(done(bench, *arguments).split())
    assert "extraction %  experiment" in done(bench, "brews").splitlines()[0]


def test_report_says_which_cups_do_not_count(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.add("grind-stir", {"grind": "fine", "stir": "stir"}, {"extraction_pct": 20, "dose_g": -3})
    cups.add("grind-stir", {"grind": "fine", "stir": ["no", "level"]}, {"extraction_pct": 20})
    cups.add("grind-stir", {"grind": "fine", "stir": "stir"}, {"dose_g": 15})
    for i in range(8):
        cups.add("coffees", {"coffee": ("ferry", "dawn")[i % 2]}, {"extraction_pct": 20 + cups.random.gauss(0, .2)})
    cups.file.commit()
    text = " ".join(done(bench, "grind-stir").split())
    assert "1 cup with a number that cannot be true (first the dose of pier-20261125-013): not counted." in text
    assert "1 cup does not say at which level it was brewed: not counted." in text
    assert "1 cup without extraction: not counted." in text and "one coffee and one grinder" in text
    cups.add("coffees", {"coffee": "dawn"}, {"extraction_pct": 61.8, "dose_g": 5})
    cups.file.commit()
    assert "1 cup above 30 % (first pier-20261125-024)" in " ".join(done(bench, "coffees").split())
    text = " ".join(done(bench, "coffees").split())
    assert "one coffee" not in text and "One day and one grinder as far as the store knows" in text


def test_report_judges_single_cups_by_their_curve_and_by_believable_repeats(bench):
    cups = Cups(bench)
    for seconds in (45, 75, 120, 180, 300):
        cups.add("once", {"steep_s": seconds}, {"steep_s": seconds, "extraction_pct":
                                                22 * (1 - math.exp(-0.02 * seconds)) + cups.random.gauss(0, 0.1)})
    cups.file.commit()
    text = " ".join(done(bench, "once").split())
    assert "no difference of two levels can be judged" in text
    assert "The curve is judged by how far the cups lie from it." in text
    assert "Whether a part is washed off at once these cups cannot tell" in text
    for value in (18.0, 18.4, 17.8, 1e300, -1, "NaN", b"x"):        # of a damaged store only three can be true
        cups.add("other", {"stir": "none"}, {"extraction_pct": value})
    cups.done()
    found = answer(bench, "once")
    assert found["spread"]["df"] == 2 and 0.2 < found["spread"]["value"] < 0.4
    assert "(0.31 points, from 2 repeats)" in " ".join(done(bench, "once").split())


def test_report_is_utf_8_whatever_the_store_holds(bench):
    cups = Cups(bench)
    for i in range(8):
        cups.add("words", {"stir": ("é" * 60, "ø" * 60)[i % 2]}, {"extraction_pct": 20 + cups.random.gauss(0, .2)},
                 {"coffee": "xé" * 90}, title="é" * 200, note="x")
    cups.file.execute("update note set text = cast(x'41ff42c3' as text)")
    cups.file.execute("update brew set station = cast(x'eda080c0af' as text) where name like '%-002'")
    cups.done()
    for arguments in (("words",), ("brews",), ("--csv", "brews"), ("--json", "words"), ("--json", "brews")):
        output = subprocess.run([bench.programs_folder / "poise-report", "--store", bench.store, *arguments],
                                capture_output=True, check=True).stdout
        output.decode()
    assert json.loads(done(bench, "--json", "brews").splitlines()[1])["note"] == "A?B"
    assert len(answer(bench, "words")["differences"]) == 1
    done(bench, "--html", bench.folder / "page.html", "words")
    (bench.folder / "page.html").read_bytes().decode()


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
    cups.done()
    found, = answer(bench, "verdicts")["variables"]
    assert found["better"] == "stirred" and found["cost_s"] == 30 and found["cost_steps"] == 1
    text = done(bench, "verdicts")
    assert text.startswith("Keep stir.") and "+30 s, +1 step" in text


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


def test_report_tells_the_grams_that_pressing_dry_brought(bench):
    cups = Cups(bench)
    for i in range(12):
        dry, water = i % 2, 230 + cups.random.gauss(0, 2)
        known = {"pressed_dry": dry, "water_g": water, "beverage_g": water - 36 + 6 * dry + cups.random.gauss(0, 0.2),
                 "drip_g": 5 + i % 4, "extraction_pct": 18 + 0.5 * dry + cups.random.gauss(0, 0.1)}
        cups.add("hiss", {"pressed_dry": dry}, known)
        cups.add("stir", {"stir": "ab"[i // 2 % 2]}, known)
    cups.done()
    text = " ".join(done(bench, "hiss").split())
    assert text.startswith("Pressed dry gives 0.") and "drip-through 12" in text
    # the pour scatters by ten times as much as what is left of it when the water is taken off
    low, high = map(float, text.split("the water being the same (")[1].split(" g)")[0].split(" to "))
    assert low < 6 < high and high - low < 1
    found = answer(bench, "hiss")["pressed_dry_or_not"]
    assert found["water_taken_off"] and found["grams"]["interval"][0] < 6 < found["grams"]["interval"][1]
    assert done(bench, "next", "hiss").startswith("Brew 1 more cup at stopped before:")
    text = " ".join(done(bench, "stir").split())
    assert "6 cups were pressed until nothing more came, 6 were stopped before" in text


def test_report_says_how_the_samples_were_read(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.file.execute("insert into instrument (instrument_id, bench_id, name, quantity, unit)"
                      " values (9, 1, 'prism', 'brix', '%')")
    for brew in (1, 2, 3):
        cups.file.execute("insert into measure values (?, 'strength_pct', 990, 1.36, 0.02, 0, 'tracker', 1)", (brew,))
        cups.file.execute("insert into reading values (1, ?, 1, 9, 1, 1, 1.6, 2, 1, 'ok')", (7000 + brew,))
        cups.file.execute("insert into assignment values (1, ?, ?, 1, ?, 'tracker', 0, 25)",
                          (7000 + brew, 8000 + brew, brew))
    # taken back: it counts for nothing
    cups.file.execute("insert into assignment values (1, 7003, 8009, 1, null, 'operator', null, null)")
    cups.file.commit()
    text = " ".join(done(bench, "grind-stir").split())
    assert "Samples of 2 cups were read unfiltered" in text
    assert "showed Brix; strength was computed from it by the bench's factor (0.85 of the Brix)" in text
    assert "20 °C" not in text
    text = " ".join(done(bench, "brew", "pier-20261125-002").split())
    assert "Strength readings" in text and "prism 1.60 % 25.0 no" in text and "0.85 of the Brix" in text
    assert "Strength readings" not in done(bench, "brew", "pier-20261125-003")
    # what was typed in comes of no reading
    cups.file.execute("insert into measure values (2, 'strength_pct', 991, 1.4, null, 0, 'operator', 1)")
    cups.done()
    text = done(bench, "brew", "pier-20261125-002")
    assert "Strength readings" in text and "of the Brix" not in text


def test_report_says_what_a_refractive_index_is_worth(bench):
    """1.33586 is 2 Brix at 20 °C (ICUMSA 1974, from memory): 1.70 % by a factor of 0.85."""
    cups = Cups(bench)
    two_by_two(cups)
    cups.file.execute("insert into instrument (instrument_id, bench_id, name, quantity, unit)"
                      " values (9, 1, 'prism', 'refractive-index', 'nD')")
    for brew in range(1, 13):
        cups.file.execute("insert into measure values (?, 'strength_pct', 990, 1.70, 0.02, 0, 'tracker', 1)", (brew,))
        cups.file.execute("insert into reading values (1, ?, 1, 9, 1, 1, 1.33586, 5, 1, 'ok')", (7000 + brew,))
        cups.file.execute("insert into assignment values (1, ?, ?, 1, ?, 'tracker', 1, ?)",
                          (7000 + brew, 8000 + brew, brew, 19.5 + brew / 2))
    cups.done()
    text = " ".join(done(bench, "grind-stir").split())
    assert "showed a refractive index; strength was computed from it by the bench's factor (0.85 of the Brix)" in text
    assert "taken as at 20 °C" in text and "about 0.06 points too low (they were at 20.0 to 25.5 °C)" in text
    assert "1.33586  nD" in done(bench, "brew", "pier-20261125-002")


def test_report_follows_what_was_put_right(bench):
    """A pour that was seen too early, marked later by the operator; the water corrected after the end."""
    cups = Cups(bench)
    name = cups.add("right", {"stir": "no"}, {"dose_g": 15, "water_g": 241.0, "steep_s": 62.0, "extraction_pct": 20},
                    stages=[("dose", 0), ("pour", 2), ("steep", 7),
                            ("dose", 0), ("pour", 5), ("steep", 9), ("press", 65)],
                    traces={("left-scale", "mass", "g"): [(s, 100 + s) for s in range(80)]})
    row, = cups.file.execute("select brew_id, ended_us from brew")
    for seq, measure, value in ((900, "water_g", 230.0), (901, "steep_s", 60.0)):
        cups.file.execute("insert into measure values (?, ?, ?, ?, 0.1, 0, 'operator', ?)",
                          (row[0], measure, seq, value, row[1] + 600_000_000))
    cups.done()
    assert json.loads(done(bench, "--json", "brews"))["water_g"] == 230
    text = done(bench, "brew", name)
    stages = [line.split()[:2] for line in text.split("Stages")[1].splitlines()[2:]]
    assert stages == [["dose", "-5.0"], ["pour", "0.0"], ["steep", "4.0"], ["press", "60.0"]]
    corrected = text.split("Corrections")[1].splitlines()
    assert corrected[2].split()[:4] == ["water", "241.0", "230.0", "g"]
    assert "2026-11-25 10:20:00  operator" in corrected[2]
    assert bench.query("select min(seconds) as first from brew_trace")[0]["first"] == -5


def test_report_prints_the_select_it_reads_by(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.done()
    text = done(bench, "--sql", "grind-stir")
    with sqlite3.connect(bench.store) as store:
        rows = store.execute(text).fetchall()
    assert len(rows) == 12 and text.count("\n") == 1


def test_report_brews_and_one_brew(bench):
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.02, [45, 90], replicates=1)
    name = cups.add("other", {"stir": "none"},
                    {"dose_g": (15, 0.03), "beverage_g": (199.25, 0.03), "strength_pct": (1.4, 0.02),
                     "extraction_pct": (18.596667, 0.26808)}, {"dose_g": 15}, note="sweet")
    cups.file.execute("insert into warning values (1, 9000, 1, (select brew_id from brew where name = ?), 'left',"
                      " 'plan', 'dose 16.0 g instead of 15.0')", (name,))
    cups.done()
    lines = done(bench, "--json", "brews").splitlines()
    assert [json.loads(line)["experiment"] for line in lines] == ["ferry-steep"] * 2 + ["other"]
    assert len(done(bench, "--factor", "steep_s=90", "brews").splitlines()) == 2
    assert len(done(bench, "--since", "2026-11-26", "brews").splitlines()) == 1
    assert len(done(bench, "--until", "2026-11-25", "brews").splitlines()) == 4
    assert len(done(bench, "--bench", "quay", "brews").splitlines()) == 1
    text = done(bench, "brew", name)
    assert "! dose 16.0 g instead of 15.0\n" in text
    assert "18.60" in text and "sweet" in text and "comes from strength" in text.replace("\n", " ")


def test_report_reads_what_a_planned_morning_left(bench):
    plan = bench.folder / "plan.ini"
    plan.write_text("[experiment]\nname = swirl\ntitle = Swirl or not\nreplicates = 3\norder = random\nseed = 1\n"
                    "[vary]\nstir = none, swirl\n[hold]\ndose_g = 15 +- 0.1\n")
    bench.configure(station("left"))
    bench.poised()
    logger = bench.logger()
    assert bench.run("poise-ctl", "plan", "load", plan)[0] == 0
    for cup in range(6):
        brew = bench.ask(do="begin")["brew"]
        for measure, value in (("dose_g", 15.0 if cup else 16.0), ("beverage_g", 199.25),
                               ("strength_pct", 1.4 + cup / 50)):
            assert bench.ask(do="enter", measure=measure, value=value)["ok"]
        assert bench.ask(do="end")["brew"] == brew
    bench.wait_query("select count(*) as n from brew_summary where ended_utc is not null",
                     lambda rows: rows[0]["n"] == 6)
    logger.stop()
    found = answer(bench, "--all", "swirl")
    assert found["title"] == "Swirl or not" and found["cups_counted"] == 6
    assert sorted(level["factors"]["stir"] for level in found["levels"]) == ["none", "swirl"]
    assert answer(bench, "swirl")["cups_counted"] == 5          # 16 g is out of the plan's tolerance
    assert "Held: dose 15 g." in done(bench, "swirl")
    brew = json.loads(done(bench, "--json", "brews").splitlines()[1])
    assert brew["plan_kept"] == 1 and brew["recipe"] == {"dose_g": 15} and brew["run"] == 2


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
