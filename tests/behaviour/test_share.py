"""What poise-share promises: many benches in one record, each brew once, whoever is killed when; and back in a file."""
import json
import random
import sqlite3
import subprocess

from cups import Cups
from postgres import Cutting, Postgres

# What the two stores must agree on, asked in words that both know; their numbers of rows apart.
SAME = ("select brew, bench, station, began_utc, experiment, run, replicate, factors, recipe, dose_g, steep_s, steep_s_u,"
        " extraction_pct, plan_kept, above, note from brew_summary order by brew",
        "select brew, seq, stage, seconds, seconds_u, made_by from brew_stage order by brew, seq",
        "select brew, seq, instrument, quantity, unit, seconds, value, decimals, stable, status, time_us, mono_us"
        " from brew_trace order by brew, seq")
TRACES = {("left-scale", "mass", "g"): [(i / 10, round(2.3 * i, 1)) for i in range(100)],
          ("thermometer", "temperature", "C"): [(i, round(92 - i / 7, 1)) for i in range(10)]}
STAGES = {"dose": 1, "pour": 4, "steep": 9, "press": 30}


def made(bench, count=6, store=None):
    """A store of so many cups."""
    bench.store = store or bench.store
    cups = Cups(bench)
    for number in range(count):
        cups.add("ferry-steep", {"steep_s": 60 + number}, {"dose_g": (15.02, 0.03), "steep_s": (60.5 + number, 0.1),
                 "extraction_pct": 18 + number / 8, "press_kpa": 31.5}, {"dose_g": 15}, 1 + number % 2, title="How long",
                 note="a tab\there, a \\ and an ' too" if number == 1 else None, stages=STAGES, traces=TRACES,
                 above=("press_kpa",) if number == 2 else ())
    cups.done(as_listed=True)
    return bench.store


def record(bench):
    """A server with the tables, and the users pier and quay who may write, and trainer who may read."""
    postgres = Postgres(bench)
    assert bench.run("poise-share", "--to", postgres.address(), "--init")[0] == 0
    for user, role in (("pier", "poise_write"), ("quay", "poise_write"), ("trainer", "poise_read")):
        postgres.sql(f"create role {user} login in role {role}")
    return postgres


def share(bench, address, *options, store=None):
    return bench.run("poise-share", "--once", "--to", address, "--store", store or bench.store, *options)


def rows(postgres, sql):
    """As Python's values, numbers as numbers."""
    text = postgres.sql(f"set search_path to poise; select coalesce(json_agg(json_build_array({columns(sql)})), '[]')"
                        f" from ({sql}) q")
    return json.loads(text)


def columns(sql):
    return ", ".join(f"q.{word.split()[-1]}" for word in sql.split("select ")[1].split(" from ")[0].split(", "))


def same(postgres, store):
    with sqlite3.connect(store) as file:
        for sql in SAME:
            here = [list(row) for row in file.execute(sql)]
            there = rows(postgres, sql)
            assert len(here) == len(there), (sql, len(here), len(there))
            for one, other in zip(here, there):
                assert [nearly(a) for a in one] == [nearly(b) for b in other], (one, other)


def nearly(value):
    return round(value, 6) if isinstance(value, float) else int(value) if isinstance(value, bool) else value


def test_a_record_holds_what_the_store_holds_and_follows_its_corrections(bench):
    store, postgres = made(bench), record(bench)
    status, _, said = share(bench, postgres.address(user="pier"))
    assert (status, said.strip()) == (0, "poise-share: 6 brews sent")
    same(postgres, store)
    with sqlite3.connect(store) as file:        # as the logger writes a strength that comes late, and a discard
        file.execute("insert into measure select brew_id, 'extraction_pct', 99999, 21.5, 0.2, 0, 'operator', 1"
                     " from brew where name like '%-003'")
        file.execute("update brew set discarded = 1 where name like '%-004'")
        file.execute("update brew set changed = (select max(changed) + 1 from brew) where name like '%-003'")
        file.execute("update brew set changed = (select max(changed) + 1 from brew) where name like '%-004'")
    assert share(bench, postgres.address(user="pier"))[2].strip() == "poise-share: 2 brews sent"
    assert share(bench, postgres.address(user="pier"))[2] == ""
    same(postgres, store)
    assert len(rows(postgres, SAME[0])) == 5
    assert share(bench, postgres.address(user="pier"), "--all")[2].strip() == "poise-share: 6 brews sent"
    same(postgres, store)


def test_a_line_that_is_cut_anywhere_leaves_nothing_twice_and_nothing_missing(bench):
    store, postgres = made(bench, 3), record(bench)
    places = random.Random(20261130)
    cut = 0
    for after in [places.randrange(50, 12000) for _ in range(12)]:
        proxy = Cutting(postgres, bench.folder / f"cut{after}", after)
        status, _, said = share(bench, proxy.address(), "--all")
        proxy.close()
        cut += status == 1
        assert status == 0 or said.count("\n") == 1, said
        assert postgres.sql("select count(*) from poise.brew") in ("0", "3")     # one transaction
    assert cut >= 6, cut
    assert share(bench, postgres.address(user="pier"), "--all")[0] == 0
    same(postgres, store)


def test_a_server_that_is_killed_is_waited_for(bench):
    store, postgres = made(bench, 2), record(bench)
    sharing = bench.start("poise-share", "--to", postgres.address(user="pier"), "--store", store)
    sharing.wait_diagnostic("2 brews sent")
    postgres.stop()
    with sqlite3.connect(store) as file:
        file.execute("insert into note select brew_id, 777, 1, 'late' from brew where name like '%-002'")
        file.execute("update brew set changed = 50 where name like '%-002'")
    sharing.wait_diagnostic("postgresql://")        # one sentence of what is wrong
    postgres.start()
    sharing.wait_diagnostic("1 brew sent")
    same(postgres, store)


def test_two_benches_of_one_name_stay_two(bench):
    first = made(bench, 2)
    second = made(bench, 3, store=bench.folder / "second.db")
    postgres = record(bench)
    assert share(bench, postgres.address(user="pier"), store=first)[0] == 0
    assert share(bench, postgres.address(user="quay"), store=second)[0] == 0
    assert postgres.sql("select count(*), count(distinct store_id) from poise.brew") == "5|2"
    home = bench.folder / "home.db"
    status, output, said = bench.run("poise-share", "--to", postgres.address(user="trainer"), "--home", home)
    assert (status, output.strip()) == (0, f"{home}: 5 brews"), said
    with sqlite3.connect(home) as file:
        names = [row[0] for row in file.execute("select brew from brew_summary order by brew")]
        benches = [row[0] for row in file.execute("select distinct bench from brew_summary order by 1")]
    assert names == ["pier-20261125-001", "pier-20261125-002", "pier-20261125-003", "pier-20261125-1001",
                     "pier-20261125-1002"], names
    assert benches[0] == "pier" and len(benches) == 2 and benches[1].startswith("pier-"), benches
    status, _, said = bench.run("poise-report", "--store", home, "ferry-steep")
    assert status == 0, said


def test_what_comes_home_is_what_was_sent(bench):
    store, postgres = made(bench), record(bench)
    share(bench, postgres.address(user="pier"))
    home = bench.folder / "home.db"
    assert bench.run("poise-share", "--to", postgres.address(user="trainer"), "--home", home, "--experiment",
                     "ferry-steep")[0] == 0
    with sqlite3.connect(store) as here, sqlite3.connect(home) as there:
        for sql in SAME:
            assert list(here.execute(sql)) == list(there.execute(sql)), sql
        assert list(there.execute("pragma integrity_check")) == [("ok",)]
        assert list(there.execute("pragma foreign_key_check")) == []
    reports = [bench.run("poise-report", "--store", file, "ferry-steep")[1] for file in (store, home)]
    assert reports[0] == reports[1] and "ferry-steep" in reports[0]
    status, _, said = bench.run("poise-share", "--to", postgres.address(user="trainer"), "--home", home)
    assert status == 1 and "is there already" in said
    nothing = bench.folder / "nothing.db"
    assert bench.run("poise-share", "--to", postgres.address(user="trainer"), "--home", nothing, "--bench",
                     "' or true --")[1].strip() == f"{nothing}: 0 brews"


def refused(postgres, sql, user):
    try:
        return postgres.sql("set search_path to poise; " + sql, user=user)
    except subprocess.CalledProcessError as error:
        return error.stderr


def test_a_bench_reaches_its_own_rows_only(bench):
    store, postgres = made(bench, 2), record(bench)
    share(bench, postgres.address(user="pier"))
    assert refused(postgres, "select count(*) from brew", "quay") == "0"
    assert refused(postgres, "delete from measure; select count(*) from measure", "quay") == "0"
    assert refused(postgres, "update store set owner = 'quay', position = 0; select count(*) from store", "quay") == "0"
    store_id = postgres.sql("select store_id from poise.store")
    for sql in (f"insert into note values ('{store_id}', 1, 5, 1, 'forged')",
                f"insert into store (store_id, owner) values ('{'0' * 32}', 'pier')"):
        assert "row-level security" in refused(postgres, sql, "quay"), sql
    assert "permission denied" in refused(postgres, f"insert into note values ('{store_id}', 1, 5, 1, 'x')", "trainer")
    assert "permission denied" in refused(postgres, "drop table note_0", "pier") or "must be owner" in refused(
        postgres, "drop table note_0", "pier")
    status, _, said = share(bench, postgres.address(user="quay"))        # the same store, another user
    assert status == 1 and "another user" in said, said
    same(postgres, store)


def test_brews_that_nobody_numbered_are_not_passed_over_in_silence(bench):
    store, postgres = made(bench, 2), record(bench)
    with sqlite3.connect(store) as file:
        file.execute("update brew set changed = 0 where name like '%-002'")
    status, _, said = share(bench, postgres.address(user="pier"))
    assert status == 0 and "not numbered: 1 " in said and "1 brew sent" in said, said


def test_two_that_send_one_store_are_one_too_many(bench):
    store, postgres = made(bench, 1), record(bench)
    bench.start("poise-share", "--to", postgres.address(user="pier"), "--store", store).wait_diagnostic("1 brew sent")
    status, _, said = share(bench, postgres.address(user="pier"))
    assert status == 1 and "another poise-share" in said, said


def test_wrong_usage_and_what_is_not_there_get_one_sentence(bench):
    store, postgres = made(bench, 1), Postgres(bench)
    for arguments, words, status in (
            (["--once"], "where is the record?", 2),
            (["--to", "postgresql://pier:secret@/x", "--once"], "a password in an argument", 1),
            (["--to", "postgresql://[", "--once"], "--to: ", 1),
            (["--to", postgres.address(), "--once"], "poise-share --init", 1),
            (["--to", f"postgresql:///x?host={bench.folder}", "--once"], "No such file", 1),
            (["--to", postgres.address(), "--bench", "pier"], "--home", 2),
            (["--to", postgres.address(), "pier"], "wrong usage", 2)):
        result = bench.run("poise-share", *arguments, "--store", store)
        assert result[0] == status and words in result[2] and result[2].count("\n") == 1, (arguments, result)
        assert "secret" not in result[2]
