"""Forms of poise-report: plain words, nothing it does not know, and no harm from what strangers wrote into a store."""
import csv
import fcntl
import html.parser
import io
import json
import re
import os
import pty
import sqlite3
import struct
import subprocess
import termios
import xml.etree.ElementTree

from bench import station
from cups import Cups
from reports import answer, done, two_by_two


NASTY = "A <script>alert(1)</script> \"title\"\nwith 'quotes' `touch x` $(touch x) \\ \x1b[31m ; #"


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
    assert "the latest are alone, filter-swirl" in bench.run("poise-report", "steep")[2]
    for arguments in (("--share", "2", "x"), ("--measure", "taste", "x"), ("--wrong",), ("a", "b", "c"), ("brew",),
                      ("brew", ""), ("",), ("--since", "yesterday", "brews"), ("--until", "2026-02-30", "brews"),
                      ("--cups", "1.5", "next", "filter-swirl"), ("--measure", "strength_pct", "verdicts")):
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
    for arguments in (("verdicts",), ("brews",), ("filter-swirl",), ("ferry-steep",), ("next", "ferry-steep")):
        shown = on_a_screen(bench, 80, *arguments)
        assert max(map(len, shown.splitlines())) <= 80
        assert set(shown.split()) == set(done(bench, *arguments).split())
    assert "extraction %  experiment" in done(bench, "brews").splitlines()[0]


def test_report_says_which_cups_do_not_count(bench):
    cups = Cups(bench)
    two_by_two(cups)
    cups.add("filter-swirl", {"filter": "paper", "stir": "swirl"}, {"extraction_pct": 20, "dose_g": -3})
    cups.add("filter-swirl", {"filter": "paper", "stir": ["no", "level"]}, {"extraction_pct": 20})
    cups.add("filter-swirl", {"filter": "paper", "stir": "swirl"}, {"dose_g": 15})
    for i in range(8):
        cups.add("coffees", {"coffee": ("ferry", "dawn")[i % 2]}, {"extraction_pct": 20 + cups.random.gauss(0, .2)})
    cups.file.commit()
    text = " ".join(done(bench, "filter-swirl").split())
    assert "1 cup with a number that cannot be true (first the dose of pier-20261125-013): not counted." in text
    assert "1 cup without a level of its factor: not counted." in text
    assert "1 cup without extraction: not counted." in text and "one coffee and one grinder" in text
    cups.add("coffees", {"coffee": "dawn"}, {"extraction_pct": 61.8, "dose_g": 5})
    cups.file.commit()
    assert "1 cup above 30 % (first pier-20261125-024)" in " ".join(done(bench, "coffees").split())
    text = " ".join(done(bench, "coffees").split())
    assert "one coffee" not in text and "One day and one grinder as far as the store knows" in text


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
    text = " ".join(done(bench, "filter-swirl").split())
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
    text = " ".join(done(bench, "filter-swirl").split())
    assert "showed a refractive index; strength was computed from it by the bench's factor (0.85 of the Brix)" in text
    assert "taken as at 20 °C" in text and "about 0.06 points too low (they were at 20.0 to 25.5 °C)" in text
    assert "1.33586  nD" in done(bench, "brew", "pier-20261125-002")


def test_report_follows_corrections(bench):
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
    text = done(bench, "--sql", "filter-swirl")
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
                      " 'plan', 'Dose 16.0 g, planned 15.0 g')", (name,))
    cups.done()
    lines = done(bench, "--json", "brews").splitlines()
    assert [json.loads(line)["experiment"] for line in lines] == ["ferry-steep"] * 2 + ["other"]
    assert len(done(bench, "--factor", "steep_s=90", "brews").splitlines()) == 2
    assert len(done(bench, "--since", "2026-11-26", "brews").splitlines()) == 1
    assert len(done(bench, "--until", "2026-11-25", "brews").splitlines()) == 4
    assert len(done(bench, "--bench", "quay", "brews").splitlines()) == 1
    text = done(bench, "brew", name)
    assert "! Dose 16.0 g, planned 15.0 g\n" in text
    assert re.search(r"extraction +18\.6 +0\.3 +%", text) and re.search(r"strength +1\.40 +0\.02 +%", text), text
    assert "sweet" in text and "comes from strength" in text.replace("\n", " ")


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
