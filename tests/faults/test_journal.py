"""The journal in trouble: nothing that a reader has not is lost by a clock, damage costs what is damaged, and a file that is
taken away is made again."""
import os
import shutil
import sqlite3
import struct

from bench import event, line_scale, reading, station

DAY_US = 86400 * 1000000


def one_scale(bench, lines=""):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"), bench=lines)
    return port


def with_clock(bench, set_days):
    """poised on a computer whose wall clock is wrong by so many days."""
    leap = bench.folder / f"leap{set_days}"
    leap.write_bytes(struct.pack("qq", 0, set_days * DAY_US))
    os.mkfifo(f"{leap}.wake")
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
    daemon = bench.start("poised", "--config", bench.configuration, env={
        "LD_PRELOAD": str(bench.programs_folder.parent / "tests/leaping-clock.so"), "LEAPING_CLOCK": str(leap)})
    bench.ask(do="status", dies=daemon)
    return daemon


def brew(bench):
    name = bench.ask(do="begin")["brew"]
    assert bench.ask(do="enter", measure="dose_g", value=15.0)["ok"]
    assert bench.ask(do="end")["brew"] == name
    return name


def test_a_clock_set_back_deletes_nothing_unread(bench):
    one_scale(bench, "journal_days = 1\n")
    daemon = bench.poised()
    brews = [brew(bench) for _ in range(3)]
    daemon.stop()
    for days in (-400, 4000, -4000):                # before it has the time, and set wrong both ways
        daemon = with_clock(bench, days)
        brews += [brew(bench) for _ in range(3)]
        for _ in range(20):                         # old rows went two for one that came
            bench.ask(do="note", text="still here")
        daemon.stop()
    bench.poised()
    begun = [m["brew"] for m in bench.history() if m.get("change") == "begin"]
    assert begun == brews and len(set(brews)) == len(brews)
    bench.logger()
    bench.wait_query("select name from brew", lambda rows: sorted(r["name"] for r in rows) == sorted(brews))


def test_a_disk_that_fills_is_reported_long_before(bench):
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
    shim = {"LD_PRELOAD": str(bench.programs_folder.parent / "tests/small-disk.so")}
    bench.configure(station("left"))
    for megabytes, tight in ((20000, False), (60, True)):
        daemon = bench.start("poised", "--config", bench.configuration, env={**shim, "SMALL_DISK": str(megabytes)})
        bench.ask(do="status", dies=daemon)
        bench.ask(do="begin")
        bench.ask(do="end")
        if tight:
            daemon.wait_diagnostic(f"only {megabytes} MB are left on its disk; make room before it is full")
        daemon.stop()
        assert ("are left" in daemon.diagnostics) == tight


def test_what_the_logger_holds_goes_when_it_is_old(bench):
    one_scale(bench, "journal_days = 5\n")
    daemon = bench.poised()
    old = brew(bench)
    logger = bench.logger()
    bench.wait_query(f"select 1 from brew where name = '{old}'")
    logger.stop()
    daemon.stop()
    file = sqlite3.connect(bench.folder / "journal.db")
    file.execute("update journal set first_us = first_us - 10 * 86400 * 1000000")
    file.commit()
    file.close()
    bench.poised()
    assert old in [m.get("brew") for m in bench.history()]      # the logger has it, but nobody knows that yet
    bench.logger()

    def is_gone():
        bench.ask(do="note", brew=old, text="now")
        return old not in [m["brew"] for m in bench.history() if m.get("change") == "begin"]
    bench.wait_until(is_gone, "the old brew is gone", timeout=60)


def test_a_bad_byte_in_the_journal_costs_one_row_and_the_logger_goes_on(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    first = brew(bench)
    for _ in range(2):                              # the first may be half a line
        port.line("ST,GS,+  777.77 g")
    bus.wait_for(reading("left-scale", value=777.77))
    second = brew(bench)
    daemon.stop()
    journal = bench.folder / "journal.db"
    data = bytearray(journal.read_bytes())
    at = data.index(b"777.77")
    data[at] = ord("8")
    journal.write_bytes(data)
    daemon = bench.poised()
    heard = bench.subscribe()
    logger = bench.logger()
    bench.wait_query("select name from brew", lambda rows: [r["name"] for r in rows] == [first, second])
    warning = heard.wait_for(event("warning", warning="journal"))["detail"]
    assert "damaged on its disk: messages " in warning and str(journal) in warning
    third = brew(bench)
    bench.wait_query(f"select 1 from brew where name = '{third}'")
    assert daemon.diagnostics.count("damaged on its disk") == 1     # however often it was asked for
    assert not [m for m in bench.history() if m.get("value") in (777.77, 877.77)]
    logger.stop()


def test_messages_that_were_on_the_disk_and_are_not_are_missed(bench):
    """An older journal is put back (as SQLite does with a damaged log): no name is given twice, the brew under way ends."""
    one_scale(bench)
    daemon = bench.poised()
    first = brew(bench)
    daemon.stop()
    shutil.copy(bench.folder / "journal.db", bench.folder / "older.db")
    daemon = bench.poised()
    later = [brew(bench), bench.ask(do="begin")["brew"]]
    daemon.kill()
    (bench.folder / "journal.db-wal").unlink()
    shutil.copy(bench.folder / "older.db", bench.folder / "journal.db")
    daemon = bench.poised()
    daemon.wait_diagnostic("messages [0-9]+ to [0-9]+ are missing, which were on the disk")
    assert not bench.ask(do="end")["ok"]
    assert bench.ask(do="begin")["brew"] not in [first, *later]


def test_a_journal_that_is_deleted_or_replaced_in_use_is_made_again(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    brews = [brew(bench)]
    journal = bench.folder / "journal.db"
    for change in ("delete", "replace", "delete the log"):
        if change == "delete":
            journal.unlink()
        elif change == "replace":
            shutil.copy(journal, bench.folder / "copy.db")
            (bench.folder / "copy.db").rename(journal)
        else:
            (bench.folder / "journal.db-wal").unlink()
        brews.append(brew(bench))
        bus.wait_for(event("warning", warning="journal"))
    assert daemon.diagnostics.count("while it was in use") == 3
    port.line("ST,GS,+    1.11 g")
    port.line("ST,GS,+    2.22 g")
    bus.wait_for(reading("left-scale", value=2.22))
    daemon.kill()
    bench.poised()
    messages = bench.history()
    assert [m["brew"] for m in messages if m.get("change") == "begin"] == brews
    assert [m for m in messages if m.get("value") == 2.22]


def test_a_journal_that_is_a_link_is_refused(bench):
    one_scale(bench)
    (bench.folder / "elsewhere.db").write_bytes(b"")
    (bench.folder / "journal.db").symlink_to(bench.folder / "elsewhere.db")
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 1 and "journal.db: this is a link" in said
    assert (bench.folder / "elsewhere.db").read_bytes() == b""


def precious(bench, value):
    """Whether the row with this reading is kept as a brew's; None: it is not committed yet."""
    copy = bench.folder / "copy" / "journal.db"
    shutil.rmtree(copy.parent, ignore_errors=True)
    copy.parent.mkdir()
    for suffix in ("", "-wal"):
        shutil.copy(f"{bench.folder}/journal.db{suffix}", f"{copy}{suffix}")
    file = sqlite3.connect(copy)
    try:
        row = file.execute("select precious from journal where instr(messages, ?)", (f'"value":{value}',)).fetchone()
    except sqlite3.DatabaseError:                   # copied while it was written
        row = None
    file.close()
    return row and row[0] == 1


def test_a_brew_is_kept_before_its_water_is_known(bench):
    ports = {name: bench.port(name) for name in ("left-scale", "left-cup")}
    bench.configure(station("left"), *(line_scale(name, port, *extra, station="left")
                                       for (name, port), extra in zip(ports.items(), ([], ["weighs = cup"]))))
    bench.poised()
    bus = bench.subscribe()
    for port in ports.values():
        port.wait_heard()
        port.line("ST,GS,+    0.00 g")              # the first may be half a line

    def is_kept(values):
        for (name, port), value in zip(ports.items(), values):
            port.line(f"ST,GS,+    {value:.2f} g")
            bus.wait_for(reading(name, value=value))
        bench.wait_until(lambda: None not in [precious(bench, value) for value in values], "the readings are committed")
        return [precious(bench, value) for value in values]
    is_kept((0.01, 0.02))                           # with the events of the start
    assert is_kept((0.11, 0.12)) == [False, False]
    assert bench.ask(do="begin")["ok"]
    assert is_kept((0.13, 0.14)) == [True, True]


def test_a_tail_that_is_cut_short_in_use_stops_nothing(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    port.line("ST,GS,+    0.00 g")                  # may be half a line
    port.line("ST,GS,+    1.11 g")
    bus.wait_for(reading("left-scale", value=1.11))
    for number in (1, 2):
        os.truncate(bench.folder / f"journal.db.tail-{number}", 0)
    port.line("ST,GS,+    2.22 g")
    bus.wait_for(reading("left-scale", value=2.22))
    daemon.stop()
    bench.poised()
    assert [m["value"] for m in bench.history() if m.get("value")] == [1.11, 2.22]
