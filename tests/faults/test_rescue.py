"""What can be read of a damaged journal or store is saved to a new file and counted; the damaged one stays as it is."""
import json
import random
import sqlite3

from bench import line_scale, reading, station


def brew(bench, port, bus, base):
    name = bench.ask(do="begin")["brew"]
    for value in range(40):
        port.line(f"ST,GS,+ {base + value / 100:7.2f} g")
    bus.wait_for(reading("left-scale", value=round(base + 0.39, 2)))
    bench.ask(do="enter", measure="dose_g", value=15.0)
    bench.ask(do="end")
    return name


def brewed(bench, count):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    daemon, bus = bench.poised(), bench.subscribe()
    logger = bench.logger()
    port.wait_heard()
    port.line("ST,GS,+    0.00 g")
    brews = [brew(bench, port, bus, number) for number in range(count)]
    bench.wait_query("select brew from brew_summary where ended_utc is not null", lambda rows: len(rows) == count)
    return daemon, logger, brews


def damage(path, page, size=4096):
    with open(path, "r+b") as file:
        file.seek((page - 1) * size)
        file.write(bytes(random.Random(page).randrange(256) for _ in range(size)))


def leaf_pages(path, table):
    """Its pages without those above them, by dbstat where SQLite has it, else by a look at the page's first byte."""
    data = path.read_bytes()
    kinds = {page: data[(page - 1) * 4096] for page in range(2, len(data) // 4096 + 1)}
    with sqlite3.connect(path) as file:
        root = file.execute("select rootpage from sqlite_schema where name = ?", (table,)).fetchone()[0]
    found, todo = [], [root]
    while todo:
        page = todo.pop()
        at = (page - 1) * 4096
        if kinds[page] in (0x0d, 0x0a):                 # leaves of tables and of indices (www.sqlite.org/fileformat2.html)
            found.append(page)
            continue
        count = int.from_bytes(data[at + 3:at + 5], "big")
        todo.append(int.from_bytes(data[at + 8:at + 12], "big"))
        for cell in range(count):
            where = at + int.from_bytes(data[at + 12 + 2 * cell:at + 14 + 2 * cell], "big")
            todo.append(int.from_bytes(data[where:where + 4], "big"))
    return found


def rescue(bench, path, *more):
    status, out, said = bench.run("poise-ctl", "--json", "rescue", path, *more)
    assert status == 0, said
    return json.loads(out), said


def test_a_damaged_store_is_rescued_and_counted(bench):
    daemon, logger, brews = brewed(bench, 30)
    logger.stop()
    whole = sqlite3.connect(bench.store).execute("select count(*) from trace").fetchone()[0]
    identity = sqlite3.connect(bench.store).execute("select store from identity").fetchall()
    pages = leaf_pages(bench.store, "trace")
    assert len(pages) > 5
    for page in pages[1:4:2]:
        damage(bench.store, page)
    before = bench.store.read_bytes()
    status, _, said = bench.run("poise-report", "brew", brews[3])
    counted, said = rescue(bench, bench.store)
    assert bench.store.read_bytes() == before
    assert counted["brews"] == len(brews) and counted["damaged"] > 0 and "could not be read" in said
    new = bench.folder / "store.db.rescued"
    with sqlite3.connect(new) as file:
        assert file.execute("pragma integrity_check").fetchone() == ("ok",)
        assert file.execute("pragma foreign_key_check").fetchall() == []
        assert file.execute("select store from identity").fetchall() == identity        # it is the same store
        saved = file.execute("select count(*) from trace").fetchone()[0]
        assert whole * (1 - 2.5 / len(pages)) < saved < whole, (whole, saved, len(pages), counted)
    status, _, said = bench.run("poise-ctl", "rescue", bench.store)
    assert status == 1 and "there is a file already" in said
    bench.store = new                                   # the bench still has what is missing
    bench.logger()
    bench.wait_query("select count(*) as n from trace", lambda rows: rows[0]["n"] == whole)


def test_any_page_of_a_store_may_be_damaged(bench):
    """Every eighth in turn: what is left is whole, or nothing can be saved and one sentence says so."""
    daemon, logger, brews = brewed(bench, 6)
    logger.stop()
    whole = bench.store.read_bytes()
    counts = []
    for page in range(2 + random.Random(len(whole)).randrange(8), len(whole) // 4096 + 1, 8):
        copy = bench.folder / f"page-{page}.db"
        copy.write_bytes(whole)
        damage(copy, page)
        status, out, said = bench.run("poise-ctl", "--json", "rescue", copy)
        if status:
            assert status == 1 and said.count("\n") == 1 and str(copy) in said, said
            continue
        counts.append(json.loads(out)["brews"])
        with sqlite3.connect(f"{copy}.rescued") as file:
            assert file.execute("pragma integrity_check").fetchone() == ("ok",)
            assert file.execute("select count(*) from identity").fetchone() == (1,)
    assert len(counts) > 3 and counts.count(len(brews)) > len(counts) // 2


def test_a_store_that_is_refused_is_rescued_without_what_is_foreign(bench):
    daemon, logger, brews = brewed(bench, 2)
    logger.stop()
    with sqlite3.connect(bench.store) as file:
        file.executescript("create trigger spy after insert on brew begin delete from measure; end;"
                           "drop view brew_summary; create view brew_summary as select 'false' as brew;")
    file.close()
    counted, _ = rescue(bench, bench.store, bench.folder / "clean.db")
    assert counted["brews"] == 2 and counted["damaged"] == 0
    status, out, _ = bench.run("poise-ctl", "--store", bench.folder / "clean.db", "--json", "brews")
    assert status == 0 and [json.loads(line)["brew"] for line in out.splitlines()] == brews


def test_a_damaged_journal_is_rescued_and_poised_goes_on_with_it(bench):
    daemon, logger, brews = brewed(bench, 12)
    last = bench.history()[-1]["seq"]
    logger.stop()
    daemon.stop()
    journal = bench.folder / "journal.db"
    data = journal.read_bytes()
    counts = leaf_pages(journal, "journal")
    damage(journal, counts[len(counts) // 2])
    counted, said = rescue(bench, journal)
    assert 0 < counted["messages"] < last and counted["damaged"] >= 1 and "lost between" in said
    (bench.folder / "journal.db.rescued").rename(journal)
    bench.poised()
    begun = [m["brew"] for m in bench.history() if m.get("change") == "begin"]
    assert begun and set(begun) <= set(brews) and len(begun) >= len(brews) - 8
    assert bench.ask(do="begin")["brew"] not in brews
    assert len(data) > 0


def test_what_is_neither_is_left_alone(bench):
    letter = bench.folder / "letter.txt"
    letter.write_text("Dear ferry company,\n" * 100)
    for path, sentence in ((letter, "is neither a store nor a journal"), (bench.folder / "none", "No such file")):
        status, _, said = bench.run("poise-ctl", "rescue", path)
        assert status == 1 and sentence in said and not (bench.folder / f"{path.name}.rescued").exists()
