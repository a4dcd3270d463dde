"""A store in trouble: the disk is full, the file is of another kind or from a newer Poise."""
import json
import os
import pwd
import resource
import sqlite3
import subprocess

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


def brew(bench):
    name = bench.ask(do="begin")["brew"]
    bench.ask(do="enter", measure="dose_g", value=15.0)
    bench.ask(do="end")
    return name


def kept(bench, brews):
    bench.wait_query("select brew from brew_summary where ended_utc is not null order by brew",
                     lambda rows: [row["brew"] for row in rows] == sorted(brews))


def a_store_with(bench, count):
    bench.configure(station("left"))
    daemon = bench.poised()
    logger = bench.logger()
    brews = [brew(bench) for _ in range(count)]
    kept(bench, brews)
    return daemon, logger, brews


def test_a_store_that_is_deleted_or_replaced_in_use_is_made_again(bench):
    daemon, logger, brews = a_store_with(bench, 2)
    for number, change in enumerate(("delete", "replace", "delete the log"), 1):
        if change == "delete":
            bench.store.unlink()
        elif change == "replace":                       # an earlier copy, which lacks the last brew
            older = bench.folder / "older.db"
            with sqlite3.connect(bench.store) as file, sqlite3.connect(older) as copy:
                file.backup(copy)
            brews.append(brew(bench))
            kept(bench, brews)
            older.rename(bench.store)
        else:
            (bench.folder / "store.db-wal").unlink()
        brews.append(brew(bench))
        logger.wait_diagnostic("(?s)" + "while it was in use.*" * number + "from all that the bench still has")
        kept(bench, brews)
    logger.stop()
    daemon.stop()
    with sqlite3.connect(bench.store) as file:
        assert file.execute("pragma integrity_check").fetchone() == ("ok",)


def test_a_store_is_for_its_owner_and_the_group_and_no_link(bench):
    bench.store = bench.folder / "new" / "store.db"
    _, logger, _ = a_store_with(bench, 1)
    assert bench.store.stat().st_mode & 0o777 == 0o640
    assert bench.store.parent.stat().st_mode & 0o777 == 0o750
    logger.stop()
    bench.store.chmod(0o644)                            # as earlier versions made it
    logger = bench.logger()
    logger.wait_diagnostic("keeping")
    assert bench.store.stat().st_mode & 0o777 == 0o640
    logger.stop()
    link = bench.folder / "link.db"
    link.symlink_to(bench.store)
    status, _, said = bench.run("poise-logger", "--store", link)
    assert status == 1 and "link.db: this is a link" in said


def change_store(bench, sql):
    with sqlite3.connect(bench.store) as file:
        file.executescript(sql)
    file.close()


def test_nothing_in_a_store_from_elsewhere_runs(bench):
    _, logger, brews = a_store_with(bench, 1)
    logger.stop()
    # another text under our name is not read: ours stands in front of it
    change_store(bench, "drop view brew_summary; create view brew_summary as select 'false' as brew, null as began_utc;")
    status, out, said = bench.run("poise-ctl", "--store", bench.store, "--json", "brews")
    assert status == 0 and json.loads(out)["brew"] == brews[0], said
    before = bench.store.read_bytes()
    assert b"'false' as brew" in before                 # who only reads changes nothing
    # one's own views are one's own business
    change_store(bench, "create view my_dose as select dose_g from brew_summary;")
    assert bench.run("poise-ctl", "--store", bench.store, "brews")[0] == 0
    for sql, name in (("create trigger spy after insert on brew begin delete from brew; end;", "spy"),
                      ("drop trigger spy; drop trigger entry_stays; create trigger entry_stays before delete on"
                       " tasting_entry begin delete from brew; end;", "entry_stays"),
                      ("drop trigger entry_stays; drop table note; create virtual table note using fts5(brew_id, text);",
                       "note")):
        change_store(bench, sql)
        for program in (["poise-ctl", "--store", bench.store, "brews"], ["poise-logger", "--store", bench.store]):
            status, _, said = bench.run(*program)
            assert status == 1 and f'"{name}" is not Poise' in said and "poise-ctl rescue" in said
    with sqlite3.connect(bench.store) as file:
        assert file.execute("select count(*) from brew").fetchone() == (1,)


def as_somebody_else(program, *arguments):
    """Runs it as the user daemon, who is in no group of ours; (exit status, what it printed)."""
    who = pwd.getpwnam("daemon")
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True, timeout=60, user=who.pw_uid,
                          group=who.pw_gid, extra_groups=[], env={"PATH": "/usr/bin", "LC_ALL": "C.UTF-8"})
    return done.returncode, done.stdout, done.stderr


def test_a_store_is_read_where_nothing_can_be_written(bench):
    """Another member of the group, or a medium that is read-only: with the logger at work, killed with brews that are in
    the log alone, the same as a copy of the files, and at rest."""
    if os.geteuid() != 0:
        return                                          # only root can be somebody else
    _, logger, brews = a_store_with(bench, 2)
    os.chmod(bench.folder, 0o755)
    for state in ("at work", "killed", "copied", "at rest"):
        if state == "killed":
            logger.kill()
        elif state == "copied":                         # without what is shared memory
            (bench.folder / "store.db-shm").unlink()
        elif state == "at rest":
            logger = bench.logger()
            logger.wait_diagnostic("keeping the brews")
            logger.stop()
        for file in bench.folder.glob("store.db*"):
            os.chmod(file, 0o644)                       # stands for the group's 0640
        before = {file.name: file.read_bytes() for file in bench.folder.glob("store.db*")}
        assert ("store.db-wal" in before) == (state != "at rest")
        status, out, said = as_somebody_else(bench.programs_folder / "poise-ctl", "--store", bench.store, "--json", "brews")
        assert status == 0, (state, said)
        assert sorted(json.loads(line)["brew"] for line in out.splitlines()) == sorted(brews)
        if state != "at work":
            assert before == {file.name: file.read_bytes() for file in bench.folder.glob("store.db*")}


def test_brews_for_machines_fail_when_memory_is_short(bench):
    _, logger, brews = a_store_with(bench, 1)
    shim = {"LD_PRELOAD": str(bench.programs_folder.parent / "tests/failing-json.so")}
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
    for program in (["poise-ctl", "--json", "brews"], ["poise-report", "brew", brews[0], "--json"],
                    ["poise-report", "brews", "--json"]):
        status, whole, said = bench.run(*program, env=shim)
        assert status == 0 and whole, said
        failed = 0
        for number in (1, 6):
            status, out, said = bench.run(*program, env=dict(shim, FAILING_JSON=str(number)))
            assert (status == 1 and "not enough memory" in said and not out.strip()) or out == whole, (program, number)
            failed += status
        assert failed
