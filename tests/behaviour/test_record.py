"""A shared record read as a store: the same words as from the store that filled it, and only what may be read."""
import importlib
import json
import pathlib
import sqlite3
import stat
import subprocess
import traceback

from bench import Bench
from postgres import Postgres
from test_share import made, record, share

# What a record cannot show, with the reason.
APART = {
    "test_report_is_utf_8_whatever_the_store_holds",    # bytes that are no UTF-8: a record takes none, and shows U+FFFD
}
READERS = ("poise-report",)
CHOSEN = ("test_report_brews_and_one_brew", "test_report_lays_presses_and_slurries_over_each_other",
          "test_report_follows_corrections")


class Twice(Bench):
    """A bench whose readers are run on the store, and again on a record that was filled from it: they must agree."""

    def __init__(self, folder, programs, postgres, name):
        super().__init__(folder, programs)
        self.postgres, self.database, self.compared = postgres, name, 0
        postgres.sql(f"create database {name}")
        self.address = postgres.address(name)
        assert super().run("poise-share", "--to", self.address, "--init")[0] == 0

    def run(self, program, *arguments, **more):
        first = super().run(program, *arguments, **more)
        store = pathlib.Path(arguments[arguments.index("--store") + 1]) if "--store" in arguments else self.store
        if program not in READERS or not store.exists() or first[0] == 2:
            return first
        self.fill(store)
        changed = [self.address if argument in (store, str(store)) else argument for argument in arguments]
        if "--plan" in arguments and first[0] == 0:     # which is not written over
            written = arguments[arguments.index("--plan") + 1]
            changed[arguments.index("--plan") + 1] = f"{written}.again"
        second = super().run(program, *changed, **more, env={"POISE_STORE": self.address} | (more.get("env") or {}))
        words = [part.replace(self.address, str(store)).replace(".ini.again", ".ini") for part in second[1:]]
        assert (second[0], *words) == first, f"{program} {arguments}\n{first}\n--- on the record:\n{second}"
        if "--plan" in arguments and first[0] == 0:
            assert pathlib.Path(f"{written}.again").read_text() == pathlib.Path(written).read_text()
            pathlib.Path(f"{written}.again").unlink()
        self.compared += 1
        return first

    def fill(self, store):
        """The record from nothing, so that its readers' cache has to notice all that changed."""
        copy = self.folder / "copy.db"
        copy.unlink(missing_ok=True)
        with sqlite3.connect(store) as file:
            file.execute("vacuum into ?", (str(copy),))
        with sqlite3.connect(copy) as file:
            file.execute("update brew set changed = brew_id where changed = 0")
        self.postgres.sql("truncate poise.brew, poise.store, poise.bench, poise.other", database=self.database)
        status, _, said = super().run("poise-share", "--once", "--to", self.address, "--store", copy)
        assert status == 0, said


def compare(bench, wanted):
    """Runs tests of poise-report twice over; how many reports were compared."""
    postgres, compared, failed = Postgres(bench), 0, []
    for path in sorted(pathlib.Path(__file__).parent.glob("test_report*.py")):
        module = importlib.import_module(path.stem)
        for name in [name for name in dir(module) if name.startswith("test_") and wanted(name)]:
            if name in APART:
                continue
            folder = bench.folder / f"t{compared}{name[-20:]}"
            folder.mkdir()
            twice = Twice(folder, bench.programs_folder, postgres, f"t{compared}")
            try:
                getattr(module, name)(twice)
            except Exception:
                failed.append(f"{path.name} {name}\n{traceback.format_exc()}")
            failed += twice.close()
            compared += twice.compared
            postgres.sql(f"drop database {twice.database} (force)")
    assert not failed, f"{len(failed)} failed\n" + "\n".join(failed)
    return compared


def test_the_reports_whole_suite_says_the_same_on_a_record(bench):  # alone long
    assert compare(bench, lambda name: True) > 150


def test_a_report_says_the_same_on_a_record(bench):
    assert compare(bench, lambda name: name in CHOSEN) > len(CHOSEN)


def cache_of(bench):
    return list((bench.folder / ".cache/poise").glob("record-*.db"))


def brews(bench, address, *arguments):
    status, output, said = bench.run("poise-ctl", "brews", "--json", *arguments, "--store", address)
    assert status == 0, said
    return output


def test_a_cache_follows_its_record_and_is_its_users_own(bench):
    store, postgres = made(bench), record(bench)
    address = postgres.address(user="trainer")
    share(bench, postgres.address(user="pier"))
    here = brews(bench, store)
    assert brews(bench, address) == here and len(here.splitlines()) == 6
    (cache,) = cache_of(bench)
    assert stat.S_IMODE(cache.stat().st_mode) == 0o600 and stat.S_IMODE(cache.parent.stat().st_mode) == 0o700
    with sqlite3.connect(store) as file:                    # a correction, a discard, a note
        file.execute("insert into measure select brew_id, 'extraction_pct', 99999, 21.5, 0.2, 0, 'operator', 1"
                     " from brew where name like '%-003'")
        file.execute("update brew set discarded = 1 where name like '%-004'")
        file.execute("insert into note select brew_id, 777, 1, 'late' from brew where name like '%-005'")
        for place, name in enumerate(("003", "004", "005")):
            file.execute("update brew set changed = ? where name like '%-' || ?", (100 + place, name))
    share(bench, postgres.address(user="pier"))
    assert brews(bench, address) == brews(bench, store) != here
    postgres.sql("delete from poise.brew where name like '%-001'")      # by its owner, or a month that was dropped
    assert brews(bench, address).splitlines() == [line for line in brews(bench, store).splitlines() if "25-001" not in line]
    share(bench, postgres.address(user="pier"), "--all")
    assert brews(bench, address) == brews(bench, store)
    cache.write_bytes(cache.read_bytes()[:5000] + b"x" * 5000)          # what is damaged is fetched again
    for beside in cache.parent.glob("*-wal"):
        beside.unlink()
    assert brews(bench, address) == brews(bench, store)
    postgres.stop()
    status, output, said = bench.run("poise-ctl", "brews", "--store", address)
    assert (status, output) == (1, "") and said.count("\n") == 1 and "No such file" in said, said


def test_a_record_that_came_back_from_a_backup_shows_what_it_holds(bench):
    store, postgres = made(bench, 3), record(bench)
    address = postgres.address(user="trainer")
    share(bench, postgres.address(user="pier"))
    postgres.sql("create table saved as select * from poise.store; create table saved_brew as select * from poise.brew")
    with sqlite3.connect(store) as file:
        file.execute("update brew set station = 'right', changed = 50 where name like '%-002'")
    share(bench, postgres.address(user="pier"))
    assert brews(bench, address) == brews(bench, store)
    postgres.sql("truncate poise.brew, poise.store; insert into poise.store select * from saved;"
                 "insert into poise.brew select * from saved_brew")
    assert '"right"' not in brews(bench, address)
    share(bench, postgres.address(user="pier"))
    assert brews(bench, address) == brews(bench, store)


def test_a_record_is_read_by_name_of_variable_and_never_written(bench):
    store, postgres = made(bench, 2), record(bench)
    share(bench, postgres.address(user="pier"))
    address = postgres.address(user="trainer")
    status, output, said = bench.run("poise-report", "ferry-steep", env={"POISE_STORE": address})
    assert status == 0 and output == bench.run("poise-report", "ferry-steep")[1], said
    name = json.loads(brews(bench, store).splitlines()[-1])["brew"]
    trace = bench.run("poise-ctl", "replay", "--brew", name, "--store", store)
    assert bench.run("poise-ctl", "replay", "--brew", name, "--store", address)[:2] == trace[:2]
    report = bench.run("poise-report", "brew", name, "--store", store)[:2]
    assert report[0] == 0 and bench.run("poise-report", "brew", name, "--store", address)[:2] == report
    for program, *words in (["poise-taste", "new", "x"], ["poise-taste", "answer", "x"]):
        status, _, said = bench.run(program, *words, "--store", address)
        assert status != 0 and said.count("\n") == 1, said
    postgres.sql("update poise.brew set trace = set_byte(trace, 30, 255 - get_byte(trace, 30)) ")
    status, _, said = bench.run("poise-report", "brew", name, "--store", address)
    assert status == 1 and f"trace of brew {name} is damaged" in said, said


def test_two_benches_of_one_name_are_read_as_two(bench):
    first = made(bench, 2)
    second = made(bench, 3, store=bench.folder / "second.db")
    postgres = record(bench)
    with sqlite3.connect(second) as file:
        file.execute("update bench set identity = '5eed5eed0000000000000000000000aa'")
    share(bench, postgres.address(user="pier"), store=first)
    address = postgres.address(user="trainer")
    assert brews(bench, address) == brews(bench, first)
    share(bench, postgres.address(user="quay"), store=second)
    names = [json.loads(line)["brew"] for line in brews(bench, address).splitlines()]
    assert sorted(names) == ["pier-20261125-001", "pier-20261125-002", "pier-5eed5eed-20261125-001",
                             "pier-5eed5eed-20261125-002", "pier-5eed5eed-20261125-003"], names
    report = bench.run("poise-report", "--store", address, "ferry-steep")[1]
    assert "5 cups" in report and "Cups from several benches are counted together" in report, report
    report = bench.run("poise-report", "--store", address, "--json", "--bench", "pier-5eed5eed", "brews")[1]
    assert len(report.splitlines()) == 3, report
    own = brews(bench, postgres.address(user="quay"))       # a bench sees its own rows, under the same names
    assert sorted(json.loads(line)["brew"] for line in own.splitlines()) == sorted(names)[2:]


def test_a_bench_that_means_harm_changes_nobody_elses_brews_and_keeps_nobody_from_reading(bench):
    store, postgres = made(bench, 2), record(bench)
    share(bench, postgres.address(user="pier"))
    address, mine = postgres.address(user="trainer"), "bad00000" * 4
    here = brews(bench, address)

    def attack(sql):
        try:
            return postgres.sql(f"set search_path to poise; {sql}", user="quay")
        except subprocess.CalledProcessError as error:
            return error.stderr

    assert attack(f"insert into store (store_id) values ('{mine}')") == ""
    for wrong in ("x},{y", "{", "', ''", "A" * 32):             # what readers put into a list
        assert "check constraint" in attack("insert into store (store_id) values ($$%s$$)" % wrong), wrong
    put = ("insert into bench (bench_id, name, store_id) values ('{0}', '{1}', '{0}') on conflict do nothing; insert into"
           " brew (bench_id, month, name, store_id, stamp, bench, station, outcome_seq, discarded, measures, parts, samples)"
           " values ('{0}', 202611, '{2}', '{0}', {3}, '{1}', 'left', 1, false, '{4}', '{5}', 0)")
    late = 9000000000000000000
    for bench_name, name in (("quay", "pier-20261125-001"), ("pier", "pier-x-20261125-001"), ("quay", "quay'; drop table"),
                             ("quay", "quay-20261125-1"), ("", "-20261125-001")):
        answer = attack(put.format(mine, bench_name, name.replace("'", "''"), late, "{}", "{}"))
        assert "check constraint" in answer, (name, answer)
    assert attack(put.format(mine, "pier", "pier-20261125-001", late, '{"dose_g": [[1, 99]]}', "{}")) == ""
    for number, (measures, parts) in enumerate((("[]", "{}"), ('"x"', "[1]"), ('{"dose_g": 5}', '{"stage": [[1]]}'),
                                                ("{}", '{"stage": {"a": null}}'), ("{}", '{"note": [[null, null, null]]}'))):
        assert attack(put.format(mine, "quay", f"quay-20261125-10{number}", late, measures, parts)) == ""
    attack(f"update store set stamp = {late}")
    status, output, said = bench.run("poise-ctl", "brews", "--json", "--store", address)
    assert status == 0 and "make no sense, and are left out" in said and said.count("\n") == 1, said
    lines = output.splitlines()
    assert all(line in lines for line in here.splitlines()) and not any('"dose_g":99' in line for line in lines), output
    for bench_name in ("pier-bad00000", f"pier-{mine[:8]}"):    # the name under which another would be shown
        attack(put.format(mine, bench_name, f"{bench_name}-20261125-001", late, "{}", "{}"))
    assert all(line in brews(bench, address).splitlines() for line in here.splitlines())
