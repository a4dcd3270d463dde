"""A store in trouble: the disk is full, the file is of another kind or from a newer Poise."""
import resource
import sqlite3

from bench import event, station


def test_a_full_disk_under_the_store_loses_no_brew(bench):
    bench.configure(station("left"))
    bench.poised()
    logger = bench.logger()
    bus = bench.subscribe()
    first = bench.ask(do="begin")["brew"]
    bench.wait_query(f"select 1 from brew where name = '{first}'")
    unlimited = resource.prlimit(logger.process.pid, resource.RLIMIT_FSIZE)
    size = (bench.folder / "store.db-wal").stat().st_size
    resource.prlimit(logger.process.pid, resource.RLIMIT_FSIZE, (size, unlimited[1]))
    for text in ("one", "two", "three"):
        bench.ask(do="note", text=text)
    bench.ask(do="end")
    bus.wait_for(event("brew", change="end"))
    logger.wait_diagnostic("the disk is full")
    assert not bench.query("select note from brew_summary")[0]["note"]
    resource.prlimit(logger.process.pid, resource.RLIMIT_FSIZE, unlimited)
    logger.wait_diagnostic("saving again")
    rows = bench.wait_query("select note, ended_utc from brew_summary", lambda rows: rows[0]["ended_utc"])
    assert rows[0]["note"] == "one; two; three"
    assert logger.diagnostics.count("the disk is full") == 1


def test_a_store_from_a_newer_poise_is_left_alone(bench):
    bench.configure(station("left"))
    bench.poised()
    logger = bench.logger()
    logger.wait_diagnostic("keeping")
    logger.stop()
    with sqlite3.connect(bench.store) as file:
        file.execute("pragma user_version = 77")
    file.close()
    before = bench.store.read_bytes()
    status, _, said = bench.run("poise-logger", "--store", bench.store)
    assert status == 1 and "newer Poise" in said
    assert bench.store.read_bytes() == before


def test_a_file_of_another_kind_is_left_alone(bench):
    letter = bench.folder / "letter.txt"
    letter.write_text("Dear ferry company,\n" * 100)
    status, _, said = bench.run("poise-logger", "--store", letter)
    assert status == 1 and "is no Poise store" in said
    assert letter.read_text() == "Dear ferry company,\n" * 100
    status, _, said = bench.run("poise-logger", "--store", "/proc/nowhere/store.db")
    assert status == 1 and "/proc/nowhere" in said and said.count("\n") == 1
