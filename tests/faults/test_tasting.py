"""Tastings in hostile hands: every column of every tasting table changed in turn, rows taken out, put in and swapped,
hashes made up again by someone who knows how they are made."""
import hashlib
import pathlib
import sqlite3
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "behaviour"))
from tasting_round import brews, copy_store, cups, key, new, odd, seal, whole, answer  # noqa: E402

NOTICED = ("changed", "differs", "missing", "made up", "not the hash", "cut short", "cannot be read", "no tasting",
           "damaged", "does not belong")


def barriers_down(file):
    for name, in file.execute("select name from sqlite_schema where type = 'trigger'").fetchall():
        file.execute(f"drop trigger {name}")
    file.execute("pragma foreign_keys = off")


def other(value):
    if isinstance(value, int):
        return value + 1
    if isinstance(value, bytes):
        return value + b"x"
    value = value or ""
    return value[:-1] + ("x" if value[-1:] != "x" else "y") if value else "x"


def columns(file):
    for table, in file.execute("select name from sqlite_schema where type = 'table' and name like 'tasting%'").fetchall():
        for _, column, _, _, _, in_key, *_ in file.execute(f"pragma table_info({table})").fetchall():
            yield table, column


def judged(bench, store, *command):
    """Runs the command on this store: (did it go through, all it printed)."""
    status, output, said = bench.run("poise-taste", *command, "--store", store)
    return status == 0, output + said


def every_column(bench, command):
    """Changes every column in every row of every tasting table, and wants each noticed; the count."""
    clean = copy_store(bench, bench.folder / "clean.db")
    through, said = judged(bench, copy_file(clean), *command)
    assert through, said
    with sqlite3.connect(clean) as file:
        places = list(columns(file))
        rows = {table: [row[0] for row in file.execute(
            "select name from tasting_session" if table == "tasting_session" else f"select number from {table}")]
            for table, _ in places}
    count = 0
    for table, column in places:
        assert rows[table], f"{table} is empty: nothing was tried"
        for row in rows[table]:
            store = copy_file(clean)
            file = sqlite3.connect(store)
            barriers_down(file)
            where = "name = ?" if table == "tasting_session" else "number = ?"
            value, = file.execute(f"select {column} from {table} where {where}", (row,)).fetchone()
            if isinstance(value, int) and column == "number" and row + 1 in rows[table]:
                file.execute(f"update {table} set number = 999 where number = ?", (row,))
            else:
                file.execute(f"update {table} set {column} = ? where {where}", (other(value), row))
            file.commit()
            file.close()
            through, said = judged(bench, store, *command)
            assert not through and any(word in said for word in NOTICED), (table, column, row, said)
            assert "shown" not in said and "right" not in said, (table, column, row, said)
            count += 1
    return count


def copy_file(path):
    tried = path.with_name("tried.db")
    for old in path.parent.glob("tried.db*"):
        old.unlink()
    tried.write_bytes(path.read_bytes())
    return tried


def tampered(bench, sql, command, clean=None):
    clean = clean or copy_store(bench, bench.folder / "clean.db")
    store = copy_file(clean)
    file = sqlite3.connect(store)
    barriers_down(file)
    file.executescript(sql)
    file.close()
    return judged(bench, store, *command)


def test_every_column_changed_before_the_reveal_is_noticed(bench):
    brews(bench)
    whole(bench)
    assert every_column(bench, ("reveal", "round-1")) >= 5 + 11 * 4


def test_every_column_changed_after_the_reveal_is_noticed(bench):
    brews(bench)
    whole(bench)
    assert bench.run("poise-taste", "reveal", "round-1")[0] == 0
    assert every_column(bench, ("results",)) >= 5 + 11 * 5


def test_rows_taken_out_put_in_or_swapped_are_noticed(bench):
    brews(bench)
    whole(bench)
    clean = copy_store(bench, bench.folder / "clean.db")
    for sql in ("delete from tasting_entry where number = 3",
                "delete from tasting_entry where number = 1",
                "delete from tasting_entry",
                "delete from tasting_session",
                "insert into tasting_entry select session, 4, time_us, kind, who, 3, answer, sure, text, hash, proof"
                " from tasting_entry where number = 3",
                "update tasting_entry set number = number + 100 where number in (1, 2);"
                "update tasting_entry set number = 103 - number + 0 where number > 100",
                "update tasting_session set text = replace(replace(replace(text, 'steep 75 s', 'X'),"
                " 'steep 180 s', 'steep 75 s'), 'X', 'steep 180 s')",
                "update tasting_session set text = replace(text, 'served helper', 'served alone')",
                "update tasting_session set text = replace(text, 'planned 3', 'planned 2')"):
        through, said = tampered(bench, sql, ("reveal", "round-1"), clean)
        assert not through and any(word in said for word in NOTICED), (sql, said)
    assert bench.run("poise-taste", "reveal", "round-1")[0] == 0
    clean = copy_store(bench, bench.folder / "clean.db")
    for sql in ("delete from tasting_entry where kind = 'opened'",
                "delete from tasting_entry where number >= 3"):
        through, said = tampered(bench, sql, ("results",), clean)
        assert not through and any(word in said for word in NOTICED), (sql, said)


def netstring(value):
    text = str(value).encode()
    return b"%d:%s," % (len(text), text)


def made_up_again(store):
    """All hashes computed afresh, as whoever has read the source can."""
    file = sqlite3.connect(store)
    barriers_down(file)
    name, text, sealed, lock = file.execute("select name, text, seal, lock from tasting_session").fetchone()
    last = hashlib.sha256(b"".join(map(netstring, (name, text, sealed, lock)))).hexdigest()
    for row in file.execute("select number, time_us, kind, who, tasting_set, answer, sure, text from tasting_entry"
                            " order by number").fetchall():
        last = hashlib.sha256(netstring(last) + b"".join(map(netstring, row))).hexdigest()
        file.execute("update tasting_entry set hash = ? where number = ?", (last, row[0]))
    file.commit()
    file.close()


def test_answers_made_up_again_with_all_their_hashes_are_noticed(bench):
    brews(bench)
    whole(bench, right=0)
    sets = cups(bench)
    clean = copy_store(bench, bench.folder / "clean.db")
    made_up_again(copy_file(clean))
    through, said = judged(bench, bench.folder / "tried.db", "reveal", "round-1")
    assert through, said            # this test computes hashes as the program does
    store = copy_file(clean)
    with sqlite3.connect(store) as file:
        barriers_down(file)
        for number, pairs in enumerate(sets, 1):
            file.execute("update tasting_entry set answer = ? where tasting_set = ? and kind = 'answer'",
                         (odd(pairs), number))
    file.close()
    made_up_again(store)
    through, said = judged(bench, store, "reveal", "round-1")
    assert not through and "made up" in said, said
    store = copy_file(clean)        # cut after the second answer, hashes whole
    with sqlite3.connect(store) as file:
        barriers_down(file)
        file.execute("delete from tasting_entry where tasting_set = 3")
        file.execute("update tasting_session set ratchet = (select count(*) from tasting_entry)"
                     " || substr(ratchet, instr(ratchet, ' '))")
    file.close()
    through, said = judged(bench, store, "reveal", "round-1", "--force")
    assert not through and "cut short" in said, said


def test_key_and_seal_both_replaced_are_not_the_hash_noted(bench):
    brews(bench)
    noted = seal(new(bench))
    genuine = key(bench)
    (bench.folder / "data/poise/keys/round-1.key").unlink()
    with sqlite3.connect(bench.store) as file:          # the whole session again, drawn again
        barriers_down(file)
        file.execute("delete from tasting_entry")
        file.execute("delete from tasting_session")
    file.close()
    whole(bench)
    assert key(bench) != genuine
    status, output, said = bench.run("poise-taste", "reveal", "round-1", "--noted", noted)
    assert status == 1 and "not the hash" in said and "right" not in output + said


def test_a_key_file_that_others_can_read_is_refused(bench):
    brews(bench)
    whole(bench)
    path = bench.folder / "data/poise/keys/round-1.key"
    assert path.stat().st_mode & 0o777 == 0o600
    path.chmod(0o644)
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 1 and "others" in said and "right" not in output
    path.chmod(0o600)
    text = path.read_text()
    path.write_text(text.replace("cups 1 ", "cups 1  "))
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 1 and any(word in said for word in NOTICED)


def test_nothing_in_the_store_opens_the_key_before_the_reveal(bench):
    brews(bench)
    output = new(bench, sets=6)
    sets = cups(bench)
    secret = [line for line in key(bench).splitlines() if line.split()[0] in ("cups", "salt", "chain")]
    assert len(secret) == 8
    for suffix in ("", "-wal"):
        file = pathlib.Path(f"{bench.store}{suffix}")
        data = file.read_bytes() if file.exists() else b""
        assert data or suffix
        for line in secret:
            assert line.split()[-1].encode() not in data or len(line.split()[-1]) < 16, line
            assert line.encode() not in data
    assert seal(output) and len(sets) == 6


def test_a_damaged_session_does_not_hide_the_others(bench):
    brews(bench)
    whole(bench)
    whole(bench, "round-2")
    for name in ("round-1", "round-2"):
        assert bench.run("poise-taste", "reveal", name)[0] == 0
    with sqlite3.connect(bench.store) as file:
        barriers_down(file)
        file.execute("update tasting_entry set sure = 1 - sure where session = 'round-1' and kind = 'answer'")
    file.close()
    status, output, said = bench.run("poise-taste", "list")
    assert "round-1" in output and "changed" in output and "round-2" in output, (output, said)
