"""What poise-share promises: many benches in one record, each brew once, whoever is killed when; and back in a file."""
import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess

from bench import station
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
    status, _, said = share(bench, postgres.address(user="quay"), store=second)
    assert status == 0 and "there is another bench called pier; this one is shown as pier-" in said, said
    assert postgres.sql("select count(*), count(distinct bench_id) from poise.brew") == "5|2"
    home = bench.folder / "home.db"
    status, output, said = bench.run("poise-share", "--to", postgres.address(user="trainer"), "--home", home)
    assert (status, output.strip()) == (0, f"{home}: 5 brews"), said
    with sqlite3.connect(home) as file:
        names = [row[0] for row in file.execute("select brew from brew_summary order by brew")]
        benches = [row[0] for row in file.execute("select distinct bench from brew_summary order by 1")]
    assert benches[0] == "pier" and len(benches) == 2 and benches[1].startswith("pier-"), benches
    assert names == sorted(["pier-20261125-001", "pier-20261125-002"] +
                           [f"{benches[1]}-20261125-00{number}" for number in (1, 2, 3)]), names
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
    assert refused(postgres, "delete from brew; select count(*) from measure", "quay") == "0"
    assert refused(postgres, "update brew set station = 'x'; select count(*) from bench", "quay") == "0"
    assert refused(postgres, "update store set owner = 'quay', position = 0; select count(*) from store", "quay") == "0"
    store_id = postgres.sql("select store_id from poise.store")
    row = "insert into brew (bench_id, month, name, store_id, stamp, bench, station, outcome_seq, discarded, measures," \
        " parts, samples) select bench_id, month, name || '9', '{0}', 1, 'pier', 'left', 1, false, '{{}}', '{{}}', 0" \
        " from (values ('{1}', 202611, 'pier-20261125-001')) v (bench_id, month, name)"
    bench_id = postgres.sql("select bench_id from poise.bench")
    for sql in (row.format(store_id, bench_id), row.format("0" * 32, "0" * 32),
                f"insert into store (store_id, owner) values ('{'0' * 32}', 'pier')",
                f"insert into other values ('{store_id}', 'experiment', 'x', 1, '{{}}')"):
        assert "row-level security" in refused(postgres, sql, "quay"), sql
    for sql, user in ((row.format(store_id, bench_id), "trainer"), ("drop table brew_202611", "pier"),
                      ("select * from brew_202611", "quay"), ("select * from brew_202611_0", "quay"),
                      ("update record set kept_from = 202612", "pier"), ("select make_month(202611)", "trainer")):
        answer = refused(postgres, sql, user)
        assert "permission denied" in answer or "must be owner" in answer, (sql, answer)
    for month in (0, 202613, -202611, 190001, 299901):      # no table that nobody asked for
        refused(postgres, f"select make_month({month})", "quay")
    assert postgres.sql("select count(*) from pg_class where relname ~ '^brew_(0|-|2026.13|19|29)'") == "0"
    status, _, said = share(bench, postgres.address(user="quay"))        # the same store, another user
    assert status == 1 and "another user" in said, said
    other = made(bench, 1, store=bench.folder / "other.db")     # another store that claims the bench
    with sqlite3.connect(other) as file:
        file.execute(f"update bench set identity = '{bench_id}'")
    for options in ([], ["--all"]):
        status, _, said = share(bench, postgres.address(user="quay"), *options, store=other)
        assert status == 1 and "another user" in said, said
    status, _, said = share(bench, postgres.address(user="pier"), store=other)
    assert status == 1 and "is sent from another store" in said and "--all" in said, said
    same(postgres, store)
    status, _, said = share(bench, postgres.address(user="pier"), "--all", store=other)
    assert status == 0 and "1 brew sent" in said, said
    assert postgres.sql("select count(*), count(distinct store_id) from poise.brew") == "2|2"


def test_brews_that_nobody_numbered_are_not_passed_over_in_silence(bench):
    store, postgres = made(bench, 2), record(bench)
    with sqlite3.connect(store) as file:
        file.execute("update brew set changed = 0 where name like '%-002'")
    status, _, said = share(bench, postgres.address(user="pier"))
    assert status == 0 and "not numbered: 1 " in said and "1 brew sent" in said, said


def test_a_brew_without_a_benchs_name_is_not_sent_and_stops_no_other(bench):
    store, postgres = made(bench, 3), record(bench)
    with sqlite3.connect(store) as file:
        file.execute("update brew set name = 'x''; drop table poise.brew; --' where name like '%-002'")
    status, _, said = share(bench, postgres.address(user="pier"))
    assert status == 0 and "is not sent" in said and "2 brews sent" in said, said
    assert postgres.sql("select string_agg(right(name, 3), ',' order by name) from poise.brew") == "001,003"


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
            (["--to", "postgresql://[", "--once"], "the record's address: ", 1),
            (["--to", postgres.address(), "--once"], "poise-share --init", 1),
            (["--to", f"postgresql:///x?host={bench.folder}", "--once"], "No such file", 1),
            (["--to", postgres.address(), "--bench", "pier"], "--home", 2),
            (["--to", "/var/lib/brews.db", "--once"], "is no address of a record", 1),
            (["--to", postgres.address(), "--drop-before", "november"], "write it as 2026-11", 2),
            (["--to", postgres.address(), "--store", postgres.address()], "name the bench's own store", 2),
            (["--to", postgres.address(), "pier"], "wrong usage", 2)):
        result = bench.run("poise-share", *([] if "--store" in arguments else ["--store", store]), *arguments)
        assert result[0] == status and words in result[2] and result[2].count("\n") == 1, (arguments, result)
        assert "secret" not in result[2]


def test_a_bench_that_learns_who_it_is_stays_one(bench):
    store, postgres = made(bench, 3), record(bench)
    assert share(bench, postgres.address(user="pier"))[2].strip() == "poise-share: 3 brews sent"
    with sqlite3.connect(store) as file:
        file.execute("update bench set identity = '00112233445566778899aabbccddeeff'")
    assert share(bench, postgres.address(user="pier"))[2].strip() == "poise-share: 3 brews sent"
    assert postgres.sql("select count(*), min(bench_id), max(bench_id) from poise.brew") == "|".join(
        ["3"] + 2 * ["00112233445566778899aabbccddeeff"])
    assert share(bench, postgres.address(user="pier"))[2] == ""
    same(postgres, store)


def test_a_store_that_came_back_from_a_backup_is_sent_again(bench):
    store, postgres = made(bench, 3), record(bench)
    backup = bench.folder / "backup.db"
    with sqlite3.connect(store) as file:
        file.execute("vacuum into ?", (str(backup),))
        file.execute("update brew set changed = changed + 40")
    assert share(bench, postgres.address(user="pier"))[2].strip() == "poise-share: 3 brews sent"
    with sqlite3.connect(backup) as file:
        file.execute("update brew set station = 'right'")
    assert share(bench, postgres.address(user="pier"), store=backup)[2].strip() == "poise-share: 3 brews sent"
    same(postgres, backup)


def test_months_are_dropped_and_do_not_come_back(bench):
    store, postgres = made(bench, 4), record(bench)
    with sqlite3.connect(store) as file:
        file.execute("update brew set began_us = began_us - 86400000000 * 40 where name like '%-001' or name like '%-002'")
        file.execute("update brew set began_us = null where name like '%-003'")
    share(bench, postgres.address(user="pier"))
    assert postgres.sql("select string_agg(tableoid::regclass || ' ' || substr(name, 15), ',' order by name) from"
                        " (select *, tableoid from poise.brew) b").count("brew_202610_") == 2
    assert bench.run("poise-share", "--to", postgres.address(user="pier"), "--drop-before", "2026-11")[0] == 1
    status, output, said = bench.run("poise-share", "--to", postgres.address(), "--drop-before", "2026-11")
    assert (status, output.strip()) == (0, "1 month dropped"), said
    assert postgres.sql("select string_agg(right(name, 3), ',' order by name) from poise.brew") == "003,004"
    assert share(bench, postgres.address(user="pier"), "--all")[0] == 0
    assert postgres.sql("select string_agg(right(name, 3), ',' order by name) from poise.brew") == "003,004"
    with sqlite3.connect(store) as file:            # its beginning is known after all: it moves
        file.execute("update brew set began_us = ended_us, changed = 99 where name like '%-003'")
    share(bench, postgres.address(user="pier"))
    assert postgres.sql("select string_agg(right(name, 3) || month, ',' order by name) from poise.brew"
                        ) == "003202611,004202611"


def test_a_record_of_version_1_is_put_aside(bench):
    store, postgres = made(bench, 2), Postgres(bench)
    postgres.sql("create schema poise; create table poise.version (version integer); insert into poise.version values (1);"
                 " create role pier login; create table poise.brew (n integer); insert into poise.brew values (7)")
    status, _, said = share(bench, postgres.address())
    assert status == 1 and "version 1" in said and "bring the record up to date" in said, said
    assert bench.run("poise-share", "--to", postgres.address(), "--init")[0] == 0
    postgres.sql("grant poise_write to pier")
    assert share(bench, postgres.address(user="pier"))[0] == 0
    same(postgres, store)
    assert postgres.sql("select n from poise_version_1.brew") == "7"
    postgres.sql("update poise.version set version = 3")
    status, _, said = share(bench, postgres.address(user="pier"))
    assert status == 1 and "bring Poise up to date" in said, said


def test_a_network_is_crossed_with_tls_alone_and_no_password_is_seen(bench):
    keys = bench.folder / "tls"
    keys.mkdir()
    for name, address in (("server", "127.0.0.2"), ("other", "127.0.0.2")):
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                        "-keyout", keys / f"{name}.key", "-out", keys / f"{name}.crt", "-days", "2", "-subj", "/CN=record",
                        "-addext", f"subjectAltName=IP:{address}"], check=True, capture_output=True)
    (keys / "server.key").chmod(0o600)
    if os.geteuid() == 0:
        shutil.chown(keys / "server.key", "postgres", "postgres")
    port = free_port()
    postgres = Postgres(bench, "listen_addresses=127.0.0.2,127.0.0.3", f"port={port}", "ssl=on",
                        f"ssl_cert_file={keys}/server.crt", f"ssl_key_file={keys}/server.key",
                        access="local all all trust\nhost all all 127.0.0.0/8 scram-sha-256\n")
    postgres.port = port
    assert bench.run("poise-share", "--to", postgres.address(), "--init")[0] == 0
    postgres.sql("create role pier login password 'ferry lamp 7' in role poise_write")
    store, passwords = made(bench, 2), bench.folder / "pgpass"
    passwords.write_text("*:*:*:pier:ferry lamp 7\n")
    passwords.chmod(0o600)

    def sent(host, *options):
        address = f"postgresql://pier@{host}:{port}/postgres?" + "&".join(options)
        return bench.run("poise-share", "--once", "--to", address, "--store", store, env={"PGPASSFILE": str(passwords)})

    for host, options, words in (
            ("127.0.0.2", ["sslmode=disable"], "refused: over a network only with TLS"),
            ("127.0.0.2", ["sslmode=verify-full", f"sslrootcert={keys}/other.crt"], "certificate verify failed"),
            ("127.0.0.3", ["sslmode=verify-full", f"sslrootcert={keys}/server.crt"], "does not match host name")):
        status, _, said = sent(host, *options)
        assert status == 1 and words in said and said.count("\n") == 1, (options, said)
        assert postgres.sql("select count(*) from poise.brew") == "0"
    status, _, said = sent("127.0.0.2", "sslmode=verify-full", f"sslrootcert={keys}/server.crt")
    assert status == 0 and said.strip() == "poise-share: 2 brews sent", said
    same(postgres, store)
    assert "ferry lamp" not in bench.story()
    passwords.write_text("*:*:*:pier:another\n")
    status, _, said = sent("127.0.0.2", "sslmode=verify-full", f"sslrootcert={keys}/server.crt")
    assert status == 1 and "password authentication failed" in said and "another" not in said, said


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.2", 0))
        return probe.getsockname()[1]


def test_a_closed_key_never_leaves_the_bench(bench):
    store, postgres = made(bench, 4), record(bench)
    with sqlite3.connect(store) as file:
        for name, opened in (("closed", False), ("open", True)):
            file.execute("insert into tasting_session values (?, 'question = which', 'seal-of', 'LOCK-' || ?, '3 RATCHET')",
                         (name, name))
            for number, kind in enumerate(("sealed", "underneath", "answer") + ("opened",) * opened):
                file.execute("insert into tasting_entry values (?, ?, 5, ?, 'ines', 1, 'ANSWER-' || ?, 1, 'TEXT', 'HASH',"
                             " 'PROOF')", (name, number, kind, name))
    share(bench, postgres.address(user="pier"))
    everything = postgres.sql("select * from poise.other; select * from poise.tasting")
    assert "LOCK-open" in everything and "ANSWER-open" in everything
    for word in ("LOCK-closed", "ANSWER-closed"):
        assert word not in everything, everything
    assert postgres.sql("select name, seal, revealed from poise.tasting order by name") == "closed|seal-of|f\nopen|seal-of|t"
    dump = subprocess.run(["pg_dump", "-h", postgres.folder, "-U", "postgres", "postgres"], check=True, capture_output=True,
                          text=True, cwd="/").stdout
    assert "LOCK-open" in dump and "LOCK-closed" not in dump and "ANSWER-closed" not in dump
    assert dump.count("RATCHET") == 1
    with sqlite3.connect(store) as file:        # it is revealed
        file.execute("insert into tasting_entry values ('closed', 3, 5, 'opened', '', 0, '', 1, 'KEY', 'HASH', 'PROOF')")
    share(bench, postgres.address(user="pier"))
    assert "LOCK-closed" in postgres.sql("select body from poise.other where key = 'closed'")
    assert postgres.sql("select count(*) from poise.experiment") == "1"


def test_a_server_whose_disk_is_full_is_waited_for(bench):  # alone long
    if os.geteuid() != 0:
        return print("only root can make a disk of two megabytes")
    small = bench.folder / "small"
    small.mkdir()
    store, postgres = made(bench, 40), Postgres(bench)
    with sqlite3.connect(store) as file:        # traces that do not pack
        file.execute("with recursive n (i) as (select 1 union all select i + 1 from n where i < 50) insert into trace select"
                     " brew_id, seq + i * 1000000000, instrument_id, boot_id, time_us + random() % 100000000, mono_us +"
                     " random() % 100000000, abs(random() % 1000000000) / 1000.0, 3, 1, 'ok' from trace join n")
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m,mode=0700,uid=postgres,gid=postgres", "tmpfs", small], check=True)
    bench.closers.append(lambda: subprocess.run(["umount", "-l", small], capture_output=True))
    postgres.sql(f"create tablespace small location '{small}'")
    postgres.sql("alter database postgres set default_tablespace = small")
    assert bench.run("poise-share", "--to", postgres.address(), "--init")[0] == 0
    postgres.sql("create role pier login in role poise_write")
    sharing = bench.start("poise-share", "--to", postgres.address(user="pier"), "--store", store)
    sharing.wait_diagnostic("No space left on device")
    assert postgres.sql("select count(*) from poise.brew") == "0"
    subprocess.run(["mount", "-o", "remount,size=64m", small], check=True)
    sharing.wait_diagnostic("answers again")
    sharing.wait_diagnostic("40 brews sent")
    same(postgres, store)


def test_a_logger_that_shares_survives_a_server_that_is_away(bench):
    postgres = record(bench)
    bench.configure(station("left"))
    bench.poised()
    logger = bench.start("poise-logger", "--store", bench.store, "--share", postgres.address(user="pier"))

    def brew(text):
        begun = bench.ask(do="begin")
        assert begun["ok"] and bench.ask(do="note", text=text)["ok"] and bench.ask(do="end")["ok"]
        bench.wait_query(f"select 1 from brew where name = '{begun['brew']}' and ended_us is not null")

    brew("first")
    logger.wait_diagnostic("1 brew sent")
    assert postgres.sql("select note from poise.brew_summary") == "first"
    postgres.stop()
    brew("second")                                      # the bench goes on as if nothing were
    brew("third")
    postgres.start()
    bench.wait_until(lambda: postgres.sql("select string_agg(note, ',' order by brew) from poise.brew_summary")
                     == "first,second,third", "all brews in the record")
    identity = (bench.folder / "bench-id.journal.db").read_text().strip()
    assert postgres.sql("select distinct bench_id from poise.brew") == identity
    logger.signal(signal.SIGTERM)
    assert logger.wait() == 0
    assert postgres.sql("select count(*) from pg_stat_activity where application_name = 'poise-share'") == "0"
    usual = bench.start("poise-logger", "--store", postgres.address(user="pier"))     # the usual file, and the record
    usual.wait_diagnostic(f"keeping the brews of pier in {bench.folder}/data/poise/store.db")
    usual.wait_diagnostic("is sent from another store")
    usual.wait_diagnostic("brews are saved here and not sent")
    usual.signal(signal.SIGTERM)
    assert usual.wait() == 0
