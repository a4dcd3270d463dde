"""What poise-report hands on to R: cups one number a row, and a folder whose script works the report out again."""
import csv
import io
import math
import shutil
import subprocess

from cups import Cups
from reports import done, two_by_two


def worked_out(bench, name, *more):
    """The last lines of the script, which fails where a number differs."""
    folder = bench.folder / f"r-{name}"
    done(bench, name, "--r", folder, *more)
    if not shutil.which("Rscript"):
        return None
    ran = subprocess.run(["Rscript", "--vanilla", folder / "report.R"], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout[-3000:] + ran.stderr
    agreed, of = (int(word) for word in ran.stdout.splitlines()[-1].split() if word.isdigit())
    assert agreed == of
    return agreed


def test_report_is_worked_out_again_by_base_r(bench):
    cups = Cups(bench)
    cups.steeps("ferry-steep", 22, 0.02, [30, 60, 90, 150, 240, 400], title="How long")
    two_by_two(cups)
    for replicate in range(1, 6):
        for level in ("a", "b", "c"):
            over = cups.random.gauss(0, .3)
            cups.add("ferry-part", {"own_part": level}, {"extraction_pct": 19 - .8 * over + .6 * (level == "b") +
                     cups.random.gauss(0, .3), "dose_g": 15 + over}, {"dose_g": 15}, replicate)
        for grind in (14, 18, 22):
            cups.add("ferry-grind", {"grind": grind}, {"extraction_pct": 22 - .1 * grind + cups.random.gauss(0, .3)},
                     {"dose_g": 15}, replicate)
        for pressure in (10, 20, 30, 40, 50, 60):
            cups.add("ferry-press", {"press_peak_kpa": pressure},
                     {"extraction_pct": 18 + .06 * min(pressure, 42) - .1 * max(pressure - 42, 0) +
                      cups.random.gauss(0, .3), "press_peak_kpa": pressure + cups.random.gauss(0, .7)},
                     {"dose_g": 15}, replicate)
            cups.add("ferry-bent", {"temperature_c": 80 + pressure / 4},
                     {"extraction_pct": 19 - .002 * (pressure - 33) ** 2 + cups.random.gauss(0, .2)}, {"dose_g": 15},
                     replicate)
    for replicate in (1, 2):
        for warm in (88, 92, 96):
            for grind in (15, 19, 23):
                cups.add("ferry-hill", {"temperature_c": warm, "grind": grind},
                         {"extraction_pct": 20 - .06 * (warm - 92.5) ** 2 - .05 * (grind - 19) ** 2 +
                          cups.random.gauss(0, .2)}, {"dose_g": 15}, replicate)
    cups.done()
    least = {"ferry-steep": 80, "filter-swirl": 60, "ferry-part": 40, "ferry-grind": 30, "ferry-hill": 200,
             "ferry-press": 80, "ferry-bent": 90}
    for name, numbers in least.items():
        agreed = worked_out(bench, name)
        assert agreed is None or agreed > numbers, (name, agreed)


def test_report_script_fails_where_a_number_was_changed(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.done()
    folder = bench.folder / "r"
    done(bench, "filter-swirl", "--r", folder)
    numbers = folder / "numbers.csv"
    lines = numbers.read_text().splitlines()
    place = next(i for i, line in enumerate(lines) if line.startswith("pair.1.0.difference,"))
    lines[place] = f"pair.1.0.difference,{float(lines[place].split(',')[1]) + 0.01}"
    numbers.write_text("\n".join(lines) + "\n")
    if shutil.which("Rscript"):
        ran = subprocess.run(["Rscript", "--vanilla", folder / "report.R"], capture_output=True, text=True, check=False)
        assert ran.returncode == 1 and ran.stdout.count("DIFFERS") == 1


def test_report_gives_one_number_a_row(bench):
    cups = Cups(bench)
    name = cups.add("ferry", {"stir": "none, or so"}, {"extraction_pct": (19.25, .2), "dose_g": 15.02},
                    {"dose_g": 15, "coffee": "=1+1"}, 2)
    cups.add("ferry", {"stir": "swirl"}, {"extraction_pct": (20.5, .2)}, {"dose_g": 15, "coffee": "=1+1"}, 2)
    cups.file.execute("update measure set above = 1 where measure = 'dose_g'")
    cups.done()
    rows = list(csv.DictReader(io.StringIO(done(bench, "ferry", "--csv", "--long"), newline="")))
    first = {(row["kind"], row["name"]): row for row in rows if row["brew"] == name}
    assert first["factor", "stir"]["value"] == "none, or so"
    assert first["held", "coffee"]["value"] == "'=1+1"           # no formula for a spreadsheet
    assert first["held", "dose_g"]["value"] == "15" and first["held", "dose_g"]["unit"] == "g"
    extraction = first["measure", "extraction_pct"]
    assert math.isclose(float(extraction["value"]), 19.25) and extraction["unit"] == "%"
    assert float(extraction["standard_uncertainty"]) == .2 and extraction["above"] == ""
    assert first["measure", "dose_g"]["above"] == "1" and extraction["replicate"] == "2"
    assert len(rows) == 3 + 2 + 3 + 1
