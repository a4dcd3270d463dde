"""What poise-logger promises: every brew by itself, with its whole trace, once, whoever was killed when."""
import json
import signal
import subprocess

from bench import event, line_scale, reading, station

TRACE = "select seq, value, decimals, stable, status from trace join brew using (brew_id) where name = '{}' order by seq"

# An empty cup and nothing else: what is a brew here is said by the operator, so that no other can begin by itself.
CUP = """
[virtual]
seed = 11
[scale left-scale]
layout = plain
do = brew cup 300
do = put cup
do = wait 600
"""


def brewing(bench):
    """A bench whose scale shows readings at 20 times the pace, all the while; the bus."""
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    bench.virtual(CUP, "--clock-rate", 20, "--stay")
    bench.poised("--clock-rate", 20)
    return bench.subscribe()


def readings(bus, count):
    """Waits for so many more readings."""
    for _ in range(count):
        last = bus.wait_for(reading("left-scale"))
    return last


def mark(bench, bus, brew, stage):
    assert bench.ask(do="mark", stage=stage)["ok"]
    return bus.wait_for(event("stage", stage=stage, brew=brew, by="operator"))


def expected_trace(bench, brew):
    """The readings of the left station from a minute before the brew began until it said that it had ended."""
    messages = bench.history()
    begin = next(m for m in messages if m.get("brew") == brew and m.get("change") == "begin")
    end = next(m for m in messages if m.get("brew") == brew and m.get("change") == "end")
    return [m for m in messages if m.get("instrument") == "left-scale" and "quantity" in m and m["seq"] < end["seq"]
            and m["mono_us"] >= begin["at_us"] - 60_000_000]


def end_brew(bench, bus, brew):
    assert bench.ask(do="enter", measure="water_g", value=229.75)["ok"]
    assert bench.ask(do="end")["brew"] == brew
    return bus.wait_for(event("brew", change="end", brew=brew))


def assert_whole(bench, brew):
    expected = expected_trace(bench, brew)
    assert len(expected) > 100
    rows = bench.wait_query(TRACE.format(brew), lambda rows: len(rows) == len(expected))
    assert [row["seq"] for row in rows] == [m["seq"] for m in expected]
    assert [row["value"] for row in rows] == [m["value"] for m in expected]
    assert bench.query("select count(*) as n from brew")[0]["n"] == 1
    assert bench.query("pragma integrity_check")[0]["integrity_check"] == "ok"


def test_logger_killed_in_mid_brew_leaves_one_complete_brew(bench):
    bus = brewing(bench)
    logger = bench.logger()
    readings(bus, 120)
    brew = bench.ask(do="begin")["brew"]
    for stage in ("pour", "steep", "press"):
        mark(bench, bus, brew, stage)
        readings(bus, 150)
        logger.kill()
        logger = bench.logger()
        readings(bus, 50)
    end = end_brew(bench, bus, brew)
    bench.wait_query("select 1 from brew_summary where ended_utc is not null")
    assert_whole(bench, brew)
    stages = [m for m in bench.history() if "stage" in m and m.get("brew") == brew]
    assert {"pour", "steep", "press"} <= {m["stage"] for m in stages}
    assert [(row["seq"], row["stage"], row["time_us"]) for row in bench.query("select * from brew_stage order by seq")] == [
        (m["seq"], m["stage"], m["time_us"] - (m["mono_us"] - m["at_us"])) for m in stages]
    row = bench.query("select * from brew_summary")[0]
    for measure, known in end["measures"].items():
        assert (row[measure], row[measure + "_u"]) == (known["value"], known["standard_uncertainty"])
    assert row["water_g"] == 229.75


def test_logger_started_afterwards_has_the_brew_too(bench):
    bus = brewing(bench)
    brew = bench.ask(do="begin")["brew"]
    mark(bench, bus, brew, "pour")
    readings(bus, 150)
    end_brew(bench, bus, brew)
    bench.logger()
    bench.wait_query("select brew from brew_summary where ended_utc is not null")
    assert_whole(bench, brew)


def test_logger_says_that_the_bench_is_gone_and_goes_on_when_it_is_back(bench):
    bench.configure(station("left"))
    logger = bench.logger()
    logger.wait_diagnostic("waiting for poised")
    daemon = bench.poised()
    logger.wait_diagnostic("keeping the brews of pier")
    first = bench.ask(do="begin")["brew"]
    bench.wait_query(f"select 1 from brew where name = '{first}'")
    daemon.stop()
    logger.wait_diagnostic("pier is gone")
    bench.poised()
    logger.wait_diagnostic("pier is back")
    bench.ask(do="end")
    bench.wait_query("select ended_utc from brew_summary", lambda rows: rows and rows[0]["ended_utc"])
    logger.signal(signal.SIGTERM)
    assert logger.wait() == 0


def test_logger_knows_its_options(bench):
    status, output, _ = bench.run("poise-logger", "--help")
    assert status == 0 and "--store" in output
    assert bench.run("poise-logger", "--version")[0] == 0
    assert bench.run("poise-logger", "--stroe", "x")[0] == 2
    status, _, said = bench.run("poise-logger", "extra")
    assert status == 2 and "extra" in said


def test_logger_keeps_the_plan_words_and_unicode(bench):
    bench.configure(station("left"))
    bench.poised()
    bench.logger()
    brew = bench.ask(do="begin")["brew"]
    bench.ask(do="note", text="caf\u00e9 <b>\"a\"</b>; 'b'")
    rows = bench.wait_query("select note from brew_summary", lambda rows: rows and rows[0]["note"])
    assert rows[0]["note"] == "caf\u00e9 <b>\"a\"</b>; 'b'"
    columns = subprocess.run(["sqlite3", "-json", bench.store, "select * from brew_summary"], capture_output=True,
                             text=True, check=True).stdout
    assert json.loads(columns)[0]["brew"] == brew


def test_a_journal_that_was_removed_merges_no_two_brews(bench):
    bench.configure(station("left"))
    logger = bench.logger()
    for words in ("the first", "the second"):
        daemon = bench.poised("--clock-rate", 1 if words == "the first" else 20)       # its clock is another one
        begun = bench.ask(do="begin")
        assert begun["ok"] and begun["brew"].endswith("-001"), begun
        assert bench.ask(do="enter", measure="dose_g", value=len(words))["ok"]
        assert bench.ask(do="note", text=words)["ok"] and bench.ask(do="end")["ok"]
        bench.wait_query(f"SELECT 1 FROM brew_summary WHERE note = '{words}' AND ended_utc IS NOT NULL")
        daemon.stop()
        for path in bench.folder.glob("journal.db*"):
            path.unlink()
    logger.wait_diagnostic(f"gave the name {begun['brew']} twice")
    rows = bench.query("SELECT brew, dose_g, note FROM brew_summary ORDER BY dose_g")
    assert [(row["brew"].split("-")[-1], row["dose_g"], row["note"].split("; ")[-1]) for row in rows] == [
        ("1001", 9, "the first"), ("001", 10, "the second")], rows


def test_two_benches_of_one_name_are_not_merged(bench):
    bench.configure(station("left"))
    bench.poised()
    logger = bench.logger()
    bench.ask(do="begin")
    assert bench.ask(do="end")["ok"]
    bench.wait_query("SELECT 1 FROM brew_summary WHERE ended_utc IS NOT NULL")
    identity = (bench.folder / "bench-id.journal.db").read_text().strip()
    assert len(identity) == 32 and bench.query("SELECT identity FROM bench") == [{"identity": identity}]
    bench.programs[0].stop()
    for path in bench.folder.glob("journal.db*"):       # a journal that is lost leaves the bench what it is
        path.unlink()
    bench.poised()
    logger.wait_diagnostic("pier is back")
    bench.programs[-1].stop()
    for path in bench.folder.glob("*journal.db*"):      # another machine, whose bench is called pier too
        path.unlink()
    bench.poised()
    bench.ask(do="begin")
    assert bench.ask(do="end")["ok"]
    logger.wait_diagnostic("another bench that is called pier")
    assert bench.run("poise-logger", "--store", bench.store)[::2] == (1, f"poise-logger: {bench.store}: holds the brews of"
        f" another bench that is called pier too ({identity[:8]}; this one is "
        f"{(bench.folder / 'bench-id.journal.db').read_text()[:8]}): give this one a store of its own with --store, and"
        " one of the two another name\n")
    logger.signal(signal.SIGTERM)
    assert logger.wait() == 0
    assert bench.query("SELECT count(*) AS n FROM brew") == [{"n": 1}]


def test_an_identity_that_is_damaged_stops_no_bench_and_is_left_alone(bench):
    bench.configure(station("left"))
    damaged = bench.folder / "bench-id.journal.db"
    for text in ("", "short\n", "G" * 32 + "\n", "a" * 32, "a" * 33 + "\n"):
        damaged.write_text(text)
        poised = bench.poised()
        poised.wait_diagnostic("bench-id.journal.db: is damaged")
        bus = bench.subscribe("state/", started=False)
        assert "bench_id" not in bus.wait_for(lambda message: "instruments" in message)
        poised.stop()
        assert damaged.read_text() == text
