"""The bench watches its instruments: checks go into the record, and the report charts them."""
import json
import sqlite3

from bench import event, line_scale, refractometer, station


def test_a_check_weight_is_kept_and_reported(bench):
    scale, glass = bench.port("scale"), bench.port("glass")
    logger = bench.logger()
    bench.configure(station("left"), line_scale("left-scale", scale, station="left"),
                    refractometer("glass", glass, r"pattern = (?<value>\d+\.\d+) (?<unit>%)"))
    bench.poised()
    scale.wait_heard()
    bus = bench.subscribe()
    refused = bench.run("poise-ctl", "check", "mass", "200")
    assert refused[0] == 1 and "has no steady reading" in refused[2]
    for _ in range(2):                              # the first line after opening may be half a line: dropped
        scale.line("ST,GS,+  200.30 g")
    bus.wait_for(lambda m: m["topic"].endswith("/left-scale"))
    assert bench.run("poise-ctl", "check", "mass", "200")[1].startswith("shown 200.3 for 200: +0.3, kept")
    shown = bus.wait_for(event("check", check="mass"))
    assert (shown["instrument"], shown["value"], shown["reference"], shown["brew"]) == ("left-scale", 200.3, 200, None)
    glass.line("0.00 %")
    glass.line("0.02 %")
    assert bus.wait_for(event("check", check="blank"))["value"] == 0.02
    assert bench.run("poise-ctl", "check", "colour", "3")[0] == 2
    bench.wait_query("SELECT kind, value, reference FROM instrument_check ORDER BY seq", lambda rows: rows == [
        {"kind": "mass", "value": 200.3, "reference": 200}, {"kind": "blank", "value": 0.02, "reference": 0}])
    page = bench.run("poise-report", "bench")[1]
    assert "No instrument changed" in page and "check weight" in page and "left-scale" in page
    logger.stop()


def test_a_calibration_is_applied_and_readings_carry_what_was_shown(bench):
    scale = bench.port("scale")
    logger = bench.logger()
    bench.configure(station("left"), line_scale("left-scale", scale, "calibration = yes", station="left"))
    bench.poised()
    scale.wait_heard()
    bus = bench.subscribe()

    def show(grams):
        scale.line(f"ST,GS,{grams:+9.2f} g")
        return bus.wait_for(lambda m: m["topic"].endswith("/left-scale") and m["topic"].startswith("reading")
                            and abs(m.get("raw", m["value"]) - grams) < 0.001)

    scale.line("ST,GS,+    0.00 g")                 # the first line after opening may be half a line: dropped
    assert "raw" not in show(0)
    said = bench.run("poise-ctl", "check", "mass", "0")[1]
    assert "a second point is missing" in said, said
    show(200.3)
    said = bench.run("poise-ctl", "check", "mass", "200")[1]
    assert "corrected by that from now on" in said and "1.00150 ± 0.000" in said, said
    assert "by that" in bus.wait_for(event("instrument", change="calibrated"))["detail"]
    corrected = show(541.30)
    assert (corrected["raw"], corrected["value"]) == (541.30, 540.489), corrected
    assert bench.run("poise-ctl", "check", "mass", "0")[0] == 1      # 541 g are not nothing
    bench.wait_query("SELECT count(*) AS n FROM instrument_event WHERE change = 'calibrated'",
                     lambda rows: rows[0]["n"] == 2)
    logger.stop()


def test_a_change_is_charted_with_its_beginning(bench):
    """Thirty-five blanks about 0.00, twelve about 0.015; weights of 100 and 200 g that show 0.2 % too much."""
    logger = bench.logger()
    bench.configure(station("left"))
    bench.poised()
    bench.ask(do="begin")
    bench.wait_query("SELECT count(*) AS n FROM bench", lambda rows: rows == [{"n": 1}])
    logger.stop()
    with sqlite3.connect(bench.folder / "store.db") as store:
        minute = 60_000_000
        for i in range(47):
            value = (0, 0.01, 0, -0.01, 0.01, 0, -0.01, 0)[i % 8] + (0.015 if i >= 35 else 0)
            store.execute("INSERT INTO instrument_check VALUES (1, ?, ?, 'glass', 'blank', ?, 0, NULL, NULL)",
                          (10_000 + i, 1795600000000000 + i * minute, value))
        for i in range(6):
            mass = 100 + 100 * (i % 2)
            store.execute("INSERT INTO instrument_check VALUES (1, ?, ?, 'left-scale', 'mass', ?, ?, NULL, NULL)",
                          (20_000 + i, 1795600000000000 + i * minute, mass * 1.002 + 0.01 * (i % 3), mass))
        for i in range(4):
            store.execute("INSERT INTO instrument_check VALUES (1, ?, ?, 'left-scale', 'vessel', 341.6, 341.2, NULL,"
                          " 'blue')", (30_000 + i, 1795600000000000 + i * minute))
        store.execute("INSERT INTO instrument_alarm VALUES (1, 30010, 1795600000000000, 'left-scale', 'vessel',"
                      " 1795590000000000, 0.4, 0, '[\"pier-20261125-001\"]')")
    status, page, _ = bench.run("poise-report", "bench")
    page = " ".join(page.split())
    assert "known vessels, empty, off by" in page and "pier-20261125-001" in page and "now less sure" in page, page
    assert status == 0 and "1 of 3 charts changed." in page
    assert "glass: water changed about" in page and "many values a little" in page, page
    rows = {row["instrument"]: row for row in json.loads(bench.run("poise-report", "bench", "--json")[1])
            if row["check"] != "vessel"}
    assert rows["glass"]["alarms"] == 1 and abs(rows["glass"]["mean"] - 0.015) < 0.006
    began = [value["time"] for value in rows["glass"]["values"]].index(rows["glass"]["changed"])
    assert 33 <= began <= 38, began
    assert abs(rows["left-scale"]["mean"] - 0.31) < 0.01        # 0.2 % of 150 g, and 0.01
    assert "left-scale shows 1.002" in page         # of what it bears, by a line through both weights
    assert bench.run("poise-report", "bench", "--html", bench.folder / "bench.html")[0] == 0
    html = (bench.folder / "bench.html").read_text()
    assert html.count("<svg") == 3 and "changed about here" in html
