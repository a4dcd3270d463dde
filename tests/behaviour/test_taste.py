"""Blind tasting as people do it: set up, served, answered, opened, and tried to be cheated."""
import json
import re
import subprocess

from cups import Cups
from bench import line_scale, reading, station

SAMPLES = ("quay-early", "quay-late")


def new(bench, name="round-1", *more, method="triangle", sets=3):
    status, output, said = bench.run("poise-taste", "new", name, "--method", method, "--sample", SAMPLES[0], "--sample",
                                     SAMPLES[1], "--sets", sets, "--by-eye", "no", *more)
    assert status == 0, said
    return output


def sheet(bench, name="round-1"):
    """What the helper sees: for every set a list of (code, sample)."""
    status, output, said = bench.run("poise-taste", "serve", name)
    assert status == 0, said
    sets = re.split(r"^set \d+", output, flags=re.M)[1:]
    return [re.findall(r"^  (\d{3})  (\S+)$", text, re.M) for text in sets]


def odd(cups):
    labels = [sample for _, sample in cups]
    return next(code for code, sample in cups if labels.count(sample) == 1)


def answer(bench, cups, name="round-1", end=True):
    """Types an answer to each of these sets at the taster's terminal; what stood on it."""
    taster = bench.start("poise-taste", "answer", name, terminal=(40, 110))
    for codes in cups:
        taster.wait_text("odd one? ")
        taster.output = b""
        taster.type(f"{codes}\n")
        taster.wait_text("(s/g) ")
        taster.type("s\n")
        taster.wait_text("no more): ")
        taster.output = b""
        taster.type("\n")
    if end:
        assert taster.wait() == 0, taster.output
    else:
        taster.wait_text("odd one? ")       # the answer before it is committed
    return taster


def test_neither_the_tasters_screen_nor_the_bus_hints_at_the_key(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    bus = bench.subscribe()
    seal = re.search(r"^  ([0-9a-f]{64})$", new(bench), re.M).group(1)
    sets = sheet(bench)
    taster = bench.start("poise-taste", "answer", "round-1", terminal=(40, 110))
    for cups in sets:
        taster.wait_text("from left to right:" + "".join(f"  {code}" for code, _ in cups))
        taster.type(f"{odd(cups)}\ns\n{cups[0][0]} sweet\n\n")
    assert taster.wait() == 0
    screen = taster.output.decode()
    port.wait_heard().line("ST,GS,+   12.34 g")
    port.line("ST,GS,+   12.34 g")
    bus.wait_for(reading("left-scale"))
    heard = json.dumps(bus.drain())
    for text in (screen, heard):
        assert seal not in text
        for hint in SAMPLES:
            assert hint not in text
        assert not re.search(r"\d{3} ?= ?[AB]|sample|right:? [AB]\b|wrong|correct", text)
    for cups in sets:
        assert not any(f'"{code}"' in heard for code, _ in cups)


def test_a_reveal_shows_key_and_seal_and_what_it_means(bench):
    seal = re.search(r"^  ([0-9a-f]{64})$", new(bench, sets=6), re.M).group(1)
    sets = sheet(bench)
    answer(bench, [odd(cups) for cups in sets])
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 0, said
    assert "6 of 6 right; by luck alone so many come one time in 729" in output       # 3 to the 6th
    assert "can be distinguished" in output
    key = output.split("):\n\n", 1)[1].split("\n\n", 1)[0] + "\n"
    by_hand = subprocess.run(["sha256sum"], input=key.encode(), capture_output=True, check=True).stdout.split()[0].decode()
    assert by_hand == seal
    for cups in sets:
        assert " ".join(f"{code}={'AB'[SAMPLES.index(sample)]}" for code, sample in cups) in key


def test_a_session_without_all_its_answers_is_not_opened(bench):
    new(bench)
    sets = sheet(bench)
    answer(bench, [odd(sets[0])], end=False).kill()
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 1 and "2 of 3 sets have no answer" in said
    assert not any(sample in output + said for sample in SAMPLES)


def test_an_interrupted_session_goes_on_where_it_stopped(bench):
    new(bench)
    sets = sheet(bench)
    answer(bench, [odd(sets[0]), odd(sets[1])], end=False).kill()
    taster = answer(bench, [odd(sets[2])])
    assert b"Set 1 of 3" not in taster.output and b"All of taster's sets are answered" in taster.output
    assert bench.query("SELECT count(*) AS n FROM tasting_answer") == [{"n": 3}]


def test_a_peek_stays_on_record(bench):
    new(bench)
    status, output, said = bench.run("poise-taste", "reveal", "round-1", "--force")
    assert status == 0, said
    assert "opened before all answers were in" in output
    for forget in ("DELETE FROM tasting_peek", "UPDATE tasting_peek SET peeked_us = 0"):
        done = subprocess.run(["sqlite3", bench.store, forget], capture_output=True, text=True, check=False)
        assert done.returncode != 0 and "peek" in done.stderr
    status, _, said = bench.run("poise-taste", "answer", "round-1")
    assert status == 1 and "no answer counts after that" in said
    assert "opened early" in bench.run("poise-taste", "list")[1]


def test_an_answer_stands(bench):
    new(bench)
    answer(bench, [odd(sheet(bench)[0])], end=False).kill()
    for change in ("UPDATE tasting_answer SET answer = '100'", "DELETE FROM tasting_answer"):
        done = subprocess.run(["sqlite3", bench.store, change], capture_output=True, text=True, check=False)
        assert done.returncode != 0 and "answer" in done.stderr


def test_a_tampered_key_is_not_opened(bench):
    new(bench)
    answer(bench, [odd(cups) for cups in sheet(bench)])
    subprocess.run(["sqlite3", bench.store, "UPDATE tasting SET key = replace(replace(replace(key, '=A', '=C'), '=B', '=A'),"
                    " '=C', '=B')"], check=True)
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 1 and "does not match its seal" in said and "right" not in output
    assert bench.query("SELECT revealed_us FROM tasting") == [{"revealed_us": 0}]


def test_two_windows_cannot_both_answer_a_set(bench):
    new(bench, sets=1)
    code = odd(sheet(bench)[0])
    first = bench.start("poise-taste", "answer", "round-1", terminal=(40, 110))
    first.wait_text("odd one? ")
    answer(bench, [code])
    first.type(f"{code}\ng\n\n")
    assert first.wait() == 0
    assert b"answered already" in first.output
    assert bench.query("SELECT count(*) AS n, sum(sure) AS sure FROM tasting_answer") == [{"n": 1, "sure": 1}]


def test_sessions_of_one_question_are_combined(bench):
    for name in ("round-1", "round-2"):
        new(bench, name)
        answer(bench, [odd(cups) for cups in sheet(bench, name)], name)
        bench.run("poise-taste", "reveal", name)
    status, output, said = bench.run("poise-taste", "results", "--json")
    assert status == 0, said
    results = json.loads(output)
    assert [(group["sessions"], group["answered"], group["right"]) for group in results] == [(2, 6, 6)]
    assert abs(results[0]["p"] - 3 ** -6) < 1e-12


def test_a_session_that_makes_no_sense_is_refused(bench):
    new(bench)
    for arguments, sentence in (
            (("new", "round-1", "--method", "triangle", "--sample", "a", "--sample", "b", "--by-eye", "no"), "already"),
            (("new", "r", "--method", "triangle", "--sample", "a", "--sample", "a", "--by-eye", "no"), "same name"),
            (("new", "r", "--method", "triangle", "--sample", "a", "--by-eye", "no"), "two --sample"),
            (("new", "r", "--method", "guess", "--sample", "a"), "triangle"),
            (("new", "r", "--method", "triangle", "--sample", "a", "--sample", "b"), "by eye"),
            (("new", "r", "--method", "triangle", "--sample", "a", "--sample", "b", "--by-eye", "no", "--taster", "Ines",
              "--taster", "Ines"), "kept apart"),
            (("new", "R 1", "--method", "triangle", "--sample", "a", "--sample", "b", "--by-eye", "no"), "a-z 0-9 -"),
            (("answer", "round-2"), "there is no tasting"),
            (("answer", "round-1", "--taster", "Tom"), "no taster 'Tom'"),
            (("pour",), "no command")):
        status, _, said = bench.run("poise-taste", *arguments)
        assert status in (1, 2) and sentence in said, (arguments, said)
        assert said.startswith("poise-taste: ")


def test_alone_the_cups_are_looked_at_after_the_answers(bench):
    new(bench, "round-1", "--alone", sets=2)
    labels = bench.run("poise-taste", "serve", "round-1")[1]
    assert "A = quay-early" in labels and "set 1: label A A B" in labels and "set 2: label A B B" in labels
    answer(bench, ["3", "1"])
    underneath = bench.start("poise-taste", "reveal", "round-1", terminal=(40, 110))
    for typed in ("A A A", "A A B", "B A A"):       # the first cannot be: a cup of each sample stands in every set
        underneath.wait_text("Set 1: " if typed == "A A A" else "at least once" if typed == "A A B" else "Set 2: ")
        underneath.type(typed + "\n")
    assert underneath.wait() == 0
    assert b"2 of 2 right; by luck alone so many come one time in 9" in underneath.output
    assert bench.query("SELECT count(*) AS n FROM tasting WHERE revealed_us > 0") == [{"n": 1}]


def test_so_few_sets_are_reported_beforehand(bench):
    said = new(bench, sets=2)
    assert "one time in 9" in said and "It takes 3 at the least" in said


def test_the_page_to_print_escapes_what_it_shows(bench):
    status, _, said = bench.run("poise-taste", "new", "round-1", "--method", "ranking", "--sample", "<b>early</b>",
                                "--sample", "late & later", "--sample", 'the "third"', "--sets", 1, "--by-eye", "no")
    assert status == 0, said
    page = bench.folder / "sheet.html"
    status, sheet_text, said = bench.run("poise-taste", "serve", "round-1", "--html", page)
    assert status == 0, said
    text = page.read_text()
    assert "&lt;b&gt;early&lt;/b&gt;, late &amp; later or the &quot;third&quot;" in text and "<b>early" not in text
    for code in re.findall(r"^  (\d{3})  ", sheet_text, re.M):
        assert f"<b>{code}</b>" in text
    status, _, said = bench.run("poise-taste", "serve", "round-1", "--html", "/proc/nowhere/sheet.html")
    assert status == 1 and "/proc/nowhere" in said


def test_cups_that_differ_to_the_eye_are_recorded_as_not_blind(bench):
    status, output, said = bench.run("poise-taste", "new", "round-1", "--method", "triangle", "--sample", "early",
                                     "--sample", "late", "--sets", 1, "--by-eye", "yes")
    assert status == 0 and "recorded as not blind" in output, said
    answer(bench, [odd(sheet(bench)[0])])
    assert "Not blind" in bench.run("poise-taste", "reveal", "round-1")[1]
    results = json.loads(bench.run("poise-taste", "results", "--json")[1])
    assert [group["blind"] for group in results] == [False]


def test_a_code_of_no_cup_is_asked_for_again(bench):
    new(bench, sets=1)
    cups = sheet(bench)[0]
    unknown = next(code for code in range(100, 999) if str(code) not in [c for c, _ in cups])
    taster = bench.start("poise-taste", "answer", "round-1", terminal=(40, 110))
    taster.wait_text("odd one? ")
    taster.type(f"{unknown}\n")
    taster.wait_text("is no code of this set")
    taster.type(f"{odd(cups)}\ns\n\n")
    assert taster.wait() == 0
    assert bench.query("SELECT answer FROM tasting_answer") == [{"answer": odd(cups)}]


def test_verdicts_carry_the_blind_tasting_and_its_words(bench):
    cups = Cups(bench)
    for i in range(8):
        cups.add("ferry-steep", {"steep_s": (75, 180)[i % 2]}, {"extraction_pct": 18 + i % 2 + cups.random.gauss(0, .2)})
    cups.done()
    for name in ("round-1", "round-2"):
        new(bench, name, "--experiment", "ferry-steep")
        taster = bench.start("poise-taste", "answer", name, terminal=(40, 110))
        for pairs in sheet(bench, name):
            late = next(code for code, sample in pairs if sample == "quay-late")
            taster.wait_text("odd one? ")
            taster.output = b""
            taster.type(f"{odd(pairs)}\ns\n{late} Sweet, quite\n\n")
        assert taster.wait() == 0
        assert bench.run("poise-taste", "reveal", name)[0] == 0
    status, output, said = bench.run("poise-report", "--json", "verdicts")
    assert status == 0, said
    found = json.loads(output)["variables"][0]
    assert "6 of 6 right" in found["blind"] and abs(found["blind_p"] - 3 ** -6) < 1e-9
    assert "Words: sweet: quay-early 0, quay-late 6." in found["blind"]
