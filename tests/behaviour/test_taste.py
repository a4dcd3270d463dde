"""Blind tasting as people do it: set up from brews, served, answered by several at once, opened."""
import json
import pathlib
import re
import sqlite3
import subprocess

from bench import line_scale, reading, station
from cups import Cups
from tasting_round import MEASURES, answer, brews, cups, key, new, odd, seal, whole


def test_neither_the_tasters_screen_nor_the_bus_hints_at_the_key(bench):
    brews(bench)
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    bus = bench.subscribe()
    noted = seal(new(bench))
    sets = cups(bench)
    taster = answer(bench, [odd(pairs) for pairs in sets])
    assert taster.wait() == 0
    screen = taster.output.decode()
    port.wait_heard().line("ST,GS,+   12.34 g")
    port.line("ST,GS,+   12.34 g")
    bus.wait_for(reading("left-scale"))
    heard = json.dumps(bus.drain())
    for text in (screen, heard):
        assert noted not in text and "steep" not in text and "pier-2026" not in text.replace("pier-20261130", "")
        assert not re.search(r"\d{3} ?= ?[AB]|sample|right\b|wrong|correct", text)


def test_a_reveal_prints_both_hashes_and_what_it_means(bench):
    brews(bench)
    noted = seal(whole(bench, sets=6))
    status, output, said = bench.run("poise-taste", "reveal", "round-1", "--noted", noted)
    assert status == 0, said
    assert re.search(r"Hash over all answers: +[0-9a-f]{4}( [0-9a-f]{4}){3}", output)
    assert "6 of 6 right; by luck alone so many or more come one time in 729" in output       # 3 to the 6th
    assert "taster can distinguish the cups" in output and "not about people" in output
    status, sealed, said = bench.run("poise-taste", "reveal", "round-1", "--key")
    by_hand = subprocess.run(["sha256sum"], input=sealed.encode(), capture_output=True, check=True).stdout.decode()
    assert by_hand.startswith(noted.replace(" ", "")) and sealed == key(bench)
    assert bench.query("SELECT answer FROM tasting_entry WHERE kind = 'opened'") == [{"answer": "noted"}]


def test_a_reveal_without_the_noted_hash_is_recorded_as_such(bench):
    brews(bench)
    whole(bench, sets=6)
    assert "was not compared" in bench.run("poise-taste", "reveal", "round-1")[1]


def test_a_session_without_all_its_answers_is_not_opened(bench):
    brews(bench)
    new(bench)
    sets = cups(bench)
    answer(bench, [odd(sets[0])]).kill()
    status, output, said = bench.run("poise-taste", "reveal", "round-1")
    assert status == 1 and "2 of 3 sets have no answer" in said and "steep" not in output + said


def test_opened_before_its_end_nothing_is_concluded(bench):
    brews(bench)
    new(bench, sets=6)
    sets = cups(bench)
    answer(bench, [odd(pairs) for pairs in sets[:5]]).kill()
    status, output, said = bench.run("poise-taste", "reveal", "round-1", "--force")
    assert status == 0 and "Not judged: its key was opened before its planned end" in output, said
    assert "can distinguish" not in output
    status, _, said = bench.run("poise-taste", "answer", "round-1")
    assert status == 1 and "no answer counts after that" in said
    assert "opened early" in bench.run("poise-taste", "list")[1]


def test_a_look_before_the_end_was_planned_and_is_paid_for(bench):
    brews(bench)
    new(bench, sets=12)
    new(bench, "round-2", "--may-look", sets=12)
    assert "looks before the end were not planned" in bench.run("poise-taste", "look", "round-1")[2]
    sets = cups(bench, "round-2")
    answer(bench, [odd(pairs) for pairs in sets[:2]], "round-2").kill()
    status, output, said = bench.run("poise-taste", "look", "round-2")
    assert status == 0 and "go on" in output and "right" not in output, said
    answer(bench, [odd(pairs) for pairs in sets[2:8]], "round-2").kill()
    status, output, said = bench.run("poise-taste", "look", "round-2")
    assert status == 0 and "stop" in output, said
    status, output, said = bench.run("poise-taste", "reveal", "round-2")
    assert status == 0 and "8 of 8 right" in output and "can distinguish" in output, output + said
    assert "Looked at before its end" in output


def test_an_interrupted_session_goes_on_where_it_stopped(bench):
    brews(bench)
    new(bench)
    sets = cups(bench)
    answer(bench, [odd(sets[0]), odd(sets[1])]).kill()
    taster = answer(bench, [odd(sets[2])])
    assert taster.wait() == 0
    assert b"set 1 of 3" not in taster.output and b"All of taster's sets are answered" in taster.output
    assert bench.query("SELECT count(*) AS n FROM tasting_entry WHERE kind = 'answer'") == [{"n": 3}]


def test_an_answer_is_shown_back_and_stands_once_confirmed(bench):
    brews(bench)
    new(bench, sets=1)
    pairs = cups(bench)[0]
    taster = bench.start("poise-taste", "answer", "round-1", terminal=(15, 40))
    taster.wait_text("Your answer")
    taster.type("1000\n")
    taster.wait_text("neither a code nor a place")
    taster.type("2\n")
    taster.wait_text("(s/g)")
    taster.type("g\n")
    taster.wait_text(f"{pairs[1][0]}, the second from the left")
    taster.wait_text("(y/n)")
    assert bench.query("SELECT count(*) AS n FROM tasting_entry WHERE kind = 'answer'") == [{"n": 0}]
    taster.output = b""
    taster.type("n\n")
    taster.wait_text("Your answer")
    taster.type(f"{pairs[2][0]}\n")
    taster.wait_text("(s/g)")
    taster.type("s\n")
    taster.wait_text("the third from the left")
    taster.wait_text("(y/n)")
    assert "You are sure." in " ".join(taster.output.decode().split())
    taster.type("y\n")
    taster.wait_text("Sealed. Receipt:")
    receipt = re.search(rb"Receipt:\s+([0-9a-f]{4} [0-9a-f]{4} [0-9a-f]{4}\s[0-9a-f]{4})", taster.output).group(1)
    taster.type("\n")
    assert taster.wait() == 0
    row, = bench.query("SELECT answer, sure, hash FROM tasting_entry WHERE kind = 'answer'")
    assert (row["answer"], row["sure"]) == (pairs[2][0], 1)
    assert row["hash"].startswith(b"".join(receipt.split()).decode())
    for change in ("UPDATE tasting_entry SET answer = '100'", "DELETE FROM tasting_entry"):
        done = subprocess.run(["sqlite3", bench.store, change], capture_output=True, text=True, check=False)
        assert done.returncode != 0 and "entry sta" in done.stderr


def test_two_windows_cannot_both_answer_a_set(bench):
    brews(bench)
    new(bench, sets=1)
    code = odd(cups(bench)[0])
    first = bench.start("poise-taste", "answer", "round-1", terminal=(40, 110))
    first.wait_text("Your answer")
    assert answer(bench, [code]).wait() == 0
    first.type(f"{code}\ng\ny\n")
    assert first.wait() == 0
    assert b"answered already" in first.output
    assert bench.query("SELECT count(*) AS n, sum(sure) AS sure FROM tasting_entry WHERE kind = 'answer'") == [
        {"n": 1, "sure": 1}]


def test_three_tasters_answer_at_once_each_their_own_sets(bench):
    brews(bench)
    names = ("Ines", "Tom", "Ada")
    new(bench, "round-1", *[word for name in names for word in ("--taster", name)], sets=4)
    sets, windows = cups(bench), {}
    for name in names:
        windows[name] = bench.start("poise-taste", "answer", "round-1", "--taster", name, terminal=(24, 60))
    for number in range(4):
        for place, name in enumerate(names):        # one after another, set by set, all three open
            taster = windows[name]
            taster.wait_text("Your answer")
            shown = taster.output.decode()
            pairs = sets[place * 4 + number]
            assert f"{name}: set {number + 1} of 4" in shown and all(code in shown for code, _ in pairs)
            assert not any(code in shown for other in sets if other is not pairs for code, _ in other)
            taster.output = b""
            taster.type(f"{odd(pairs)}\ns\ny\n")
            taster.wait_text("Words: ")
            taster.output = b""
            taster.type("\n")
    assert all(taster.wait() == 0 for taster in windows.values())
    output = bench.run("poise-taste", "reveal", "round-1")[1]
    assert "12 of 12 right; by luck alone so many or more come one time in 531,441" in " ".join(output.split())
    assert all(f"{name}: 4 of 4 right" in output for name in names)


def test_tasters_may_take_turns_at_one_screen_or_go_by_number(bench):
    brews(bench)
    new(bench, "round-1", "--taster", "Ines", "--taster", "Tom", sets=1)
    sets = cups(bench)
    both = bench.start("poise-taste", "answer", "round-1", terminal=(24, 60))
    for name, pairs in zip(("Ines", "Tom"), sets):
        both.wait_text(f"Over to {name}")
        both.type("\n")
        both.wait_text(f"{name}: set 1 of 1")
        both.type(f"{odd(pairs)}\ng\ny\n\n")
    assert both.wait() == 0
    assert b"All answers are in" in both.output
    new(bench, "round-2", "--taster", "Ines", "--taster", "Tom", sets=1)
    second = answer(bench, ["1"], "round-2", "--taster", "2")
    assert second.wait() == 0
    assert bench.query("SELECT who FROM tasting_entry WHERE session = 'round-2' AND kind = 'answer'") == [{"who": "Tom"}]


def test_a_warm_up_comes_first_and_does_not_count(bench):
    brews(bench)
    new(bench, "round-1", "--warm-up", "yes", sets=2)
    sets = cups(bench)
    assert len(sets) == 3
    wrong = next(code for code, _ in sets[0] if code != odd(sets[0]))
    taster = answer(bench, [wrong, odd(sets[1]), odd(sets[2])])
    assert taster.wait() == 0
    output = bench.run("poise-taste", "reveal", "round-1")[1]
    assert "2 of 2 right" in output and "taster, warm-up:" in output


def test_the_session_paces_the_rests(bench):
    brews(bench)
    new(bench, "round-1", "--rest", 600, sets=2)
    sets = cups(bench)
    taster = bench.start("poise-taste", "answer", "round-1", terminal=(15, 40))
    taster.wait_text("Your answer")
    taster.type(f"{odd(sets[0])}\ns\ny\n\n")
    taster.wait_text("Next set in")
    assert sets[1][0][0].encode() not in taster.output
    taster.type("\n")                                   # goes on before the time, which stays on record
    taster.wait_text(sets[1][0][0])
    taster.type(f"{odd(sets[1])}\ns\ny\n\n")
    assert taster.wait() == 0
    rests = [row["text"] for row in bench.query("SELECT text FROM tasting_entry WHERE kind = 'answer' ORDER BY number")]
    assert rests[0] == "rest -1" and 0 <= int(rests[1].split()[1]) < 600


def serve(bench, *more, name="round-1", keys="\n\n\n"):
    helper = bench.start("poise-taste", "serve", name, *more, terminal=(24, 80))
    helper.wait_text("not measured")
    helper.type("55 54\n")
    helper.wait_text("Page 1")
    helper.wait_text("any key: the map")
    codes = helper.output
    helper.output = b""
    helper.type("x")
    helper.wait_text("Any key clears")
    page = helper.output
    helper.output = b""
    helper.type("x")
    helper.wait_text("The map is off the screen")
    cleared = helper.output
    assert helper.wait() == 0
    return codes, page, cleared


def test_serving_clears_the_screen_and_is_written_down(bench):
    brews(bench)
    new(bench)
    sets = cups(bench)
    codes, page, cleared = serve(bench, "--server", "Bo")
    assert b"A = steep" not in codes and all(code.encode() in codes for pairs in sets for code, _ in pairs)
    for pairs in sets:
        assert "  ".join(f"{code}\u00a0{letter}" for code, letter in pairs).encode() in page
    for screen in (page, cleared):
        assert b"\x1b[2J" in screen and b"\x1b[3J" in screen        # the screen, and what scrolled off it
    rows = bench.query("SELECT kind, who, text, time_us FROM tasting_entry WHERE kind IN ('looked', 'temperature')")
    assert [(row["kind"], row["who"]) for row in rows] == [("temperature", "Bo"), ("looked", "Bo")]
    assert rows[0]["text"] == "55 54" and rows[1]["time_us"] > 0
    status, output, said = bench.run("poise-taste", "serve", "round-1", "--server", "Bo", "--temperature", "55 55")
    assert status == 2 and "on a terminal" in said and not output


def test_who_served_and_tasted_is_named_and_not_counted(bench):
    brews(bench)
    new(bench, "round-1", "--taster", "Ines", "--taster", "Tom", sets=6)
    sets = cups(bench)
    serve(bench, "--server", "tom")
    warned = bench.start("poise-taste", "answer", "round-1", "--taster", "Tom", terminal=(24, 80))
    warned.wait_text("Tom has seen the map")
    warned.kill()
    for name, own in (("Ines", sets[:6]), ("Tom", sets[6:])):
        taster = answer(bench, [odd(pairs) for pairs in own], "round-1", "--taster", name)
        assert taster.wait() == 0
    output = " ".join(bench.run("poise-taste", "reveal", "round-1")[1].split())
    assert "Served by someone who also tasted: 6 answers given after seeing the map are not counted" in output
    assert "6 of 6 right" in output


def test_samples_of_uneven_warmth_weaken_the_verdict(bench):
    brews(bench)
    new(bench, sets=6)
    sets = cups(bench)
    helper = bench.start("poise-taste", "serve", "round-1", "--server", "Bo", "--temperature", "70 55", "--map",
                         bench.folder / "map.html", terminal=(24, 80))
    assert helper.wait() == 0
    assert b"scalds" in helper.output and b"differ by 15" in helper.output
    assert answer(bench, [odd(pairs) for pairs in sets]).wait() == 0
    assert "not served equally warm" in " ".join(bench.run("poise-taste", "reveal", "round-1")[1].split())


def test_codes_and_map_are_printed_apart_and_never_over_a_file(bench):
    brews(bench)
    noted = seal(new(bench))
    sets = cups(bench)
    codes, page = bench.folder / "codes.html", bench.folder / "map.html"
    status, _, said = bench.run("poise-taste", "serve", "round-1", "--server", "Bo", "--temperature", "55 55", "--html",
                                codes, "--map", page)
    assert status == 0, said
    public, secret = codes.read_text(), page.read_text()
    assert noted in public and noted in secret and "Hash over all answers" in public
    assert page.stat().st_mode & 0o777 == 0o600
    assert "steep 75 s" not in public and not re.search(r"\d{3} [AB]\b", public)
    assert "spit" in public and "20 ml" in public
    for pairs in sets:
        assert ", ".join(f"{code} {letter}" for code, letter in pairs) in secret
        assert all(f"<b>{code}</b>" in public for code, _ in pairs)
    before = codes.read_bytes()
    status, _, said = bench.run("poise-taste", "serve", "round-1", "--server", "Bo", "--temperature", "55 55", "--html",
                                codes, "--map", bench.folder / "map2.html")
    assert status == 1 and "is there already" in said and codes.read_bytes() == before


def test_the_helpers_word_closes_the_key(bench):
    brews(bench)
    setting = bench.start("poise-taste", "new", "round-1", "--method", "triangle", "--sets", 1, "--by-eye", "no", "--sample",
                          "001", "--sample", "003", "--warm-up", "no", "--rest", 0, terminal=(24, 80))
    for prompt in ("Helper's word", "The same word again"):
        setting.wait_text(prompt)
        setting.type("gangway at noon\n")
    assert setting.wait() == 0
    assert b"gangway" not in setting.output
    assert not (bench.folder / "data/poise/keys").exists()
    row, = bench.query("SELECT lock, text FROM tasting_session")
    assert row["lock"].startswith("argon2id ") and "cups " not in row["text"]
    assert answer(bench, ["1"]).wait() == 0
    for word, status in (("another word", 1), ("gangway at noon", 0)):
        opening = bench.start("poise-taste", "reveal", "round-1", "--noted", seal(setting.output.decode()), terminal=(40, 100))
        opening.wait_text("Helper's word")
        opening.type(word + "\n")
        assert opening.wait() == status
        assert (b"of 1 right" in opening.output) == (status == 0)


def test_sessions_of_one_question_are_judged_together_at_the_planned_end(bench):
    brews(bench)
    for name in ("round-1", "round-2"):
        new(bench, name, "--planned", 6)
        assert answer(bench, [odd(pairs) for pairs in cups(bench, name)], name).wait() == 0
        assert bench.run("poise-taste", "reveal", name)[0] == 0
        results = json.loads(bench.run("poise-taste", "results", "--json")[1])
        if name == "round-1":
            assert [(group["finding"], group["answered"]) for group in results] == [("not judged", 3)]
    assert [(group["sessions"], group["answered"], group["hits"]) for group in results] == [(2, 6, 6)]
    assert abs(results[0]["p"] - 3 ** -6) < 1e-12 and results[0]["finding"] == "different"
    assert "Looked at before its end" in results[0]["caution"]     # the first session's key was open half way
    assert results[0]["level"] < 0.05


def test_the_same_asked_again_shares_its_alpha(bench):
    brews(bench)
    for name in ("round-1", "round-2"):
        new(bench, name, "--question", f"steep, {name}", sets=4)
        assert answer(bench, [odd(pairs) for pairs in cups(bench, name)], name).wait() == 0
        assert bench.run("poise-taste", "reveal", name)[0] == 0
    results = json.loads(bench.run("poise-taste", "results", "--json")[1])
    assert [group["level"] for group in results] == [0.025, 0.025]
    assert all("Asked 2 times" in group["caution"] for group in results)


def test_samples_are_brews_that_were_weighed(bench):
    levels = Cups(bench)
    names = [levels.add("ferry-steep", {"steep_s": level}, MEASURES) for level in (75, 180, 75)]
    levels.add("ferry-steep", {"steep_s": 180}, {"dose_g": 15.0, "water_g": 230.0})
    levels.add("quay-grind", {"grind": 18}, MEASURES)
    levels.add("ferry-steep", {"steep_s": 75}, {**MEASURES})
    levels.done()
    with sqlite3.connect(bench.store) as file:
        file.execute("update brew set discarded = 1 where name = 'pier-20261125-006'")
    file.close()
    for samples, sentence in ((("75 s", "180 s"), "there is no brew '75 s'"),
                              (("001", "004"), "lacks its coffee, water or beverage"),
                              (("001", "005"), "of experiment 'quay-grind'"),
                              (("001", "006"), "was discarded"),
                              (("001", "003"), "both steep 75 s"),
                              (("001,002", "003"), "of one level"),
                              (("pier", "003"), "no brew"),
                              (("0", "1"), "no brew")):
        said = new(bench, samples=samples, ok=False)
        assert sentence in said, (samples, said)
    new(bench, samples=("001,003", "002"))
    text = bench.query("SELECT text FROM tasting_session")[0]["text"]
    assert f"sample A steep 75 s\nlevel A {{\"steep_s\": 75}}\nbrews A {names[0]} {names[2]}\n" in text
    assert "experiment ferry-steep" in text


def test_a_session_that_makes_no_sense_is_refused(bench):
    brews(bench)
    new(bench)
    good = ("--method", "triangle", "--sample", "001", "--sample", "003", "--by-eye", "no")
    for arguments, sentence in (
            (("new", "round-1", *good), "already"),
            (("new", "r", "--method", "triangle", "--sample", "001", "--by-eye", "no"), "two --sample"),
            (("new", "r", "--method", "guess", "--sample", "001"), "triangle"),
            (("new", "r", *good[:-2]), "by eye"),
            (("new", "r", *good, "--taster", "Ines", "--taster", "ines"), "kept apart"),
            (("new", "r", *good, "--sets", "0"), "whole number"),
            (("new", "r", *good, "--sets", "200"), "at most 200"),
            (("new", "r", *good, "--expect", "A"), "--expect"),
            (("new", "R 1", *good), "a-z 0-9 -"),
            (("answer", "round-2"), "there is no tasting"),
            (("answer", "round-1", "--taster", "Tom"), "no taster 'Tom'"),
            (("pour",), "no command")):
        status, _, said = bench.run("poise-taste", *arguments)
        assert status in (1, 2) and sentence in said, (arguments, said)
        assert said.startswith("poise-taste: ")


def test_alone_is_listed_as_alone(bench):
    brews(bench)
    new(bench, "round-1", "--alone", sets=2)
    labels = bench.run("poise-taste", "serve", "round-1")[1]
    assert "A = steep 75 s" in labels and "set 1: label A A B" in labels and "set 2: label A B B" in labels
    assert "alone, nobody holds a key" in bench.run("poise-taste", "list")[1]
    assert answer(bench, ["3", "1"]).wait() == 0
    underneath = bench.start("poise-taste", "reveal", "round-1", terminal=(40, 110))
    underneath.wait_text("none was")
    underneath.type("\n")
    for typed in ("A A A", "A A B", "B A A"):       # the first cannot be: a cup of each sample stands in every set
        underneath.wait_text("Set 1: " if typed == "A A A" else "such as" if typed == "A A B" else "Set 2: ")
        underneath.type(typed + "\n")
    assert underneath.wait() == 0
    text = b" ".join(underneath.output.split()).decode()
    assert "2 of 2 right; by luck alone so many or more come one time in 9" in text and "Alone: nobody but" in text
    assert [row["blind"] for row in json.loads(bench.run("poise-taste", "results", "--json")[1])] == [False]


def test_the_sets_needed_are_known_before_the_first_cup(bench):
    brews(bench)
    few, enough = (" ".join(text.split()) for text in (new(bench, sets=2), new(bench, "round-2", sets=16)))
    assert "2 sets cannot show a difference" in few and "one time in 9" in few and "16 sets are needed" in few
    assert "16 sets are enough for 80 of 100, and so is any number above" in enough
    assert "brew more of it" in enough                    # 16 sets of 20 ml take more than two brews hold
    status, output, said = bench.run("poise-taste", "new", "round-3", "--method", "two-of-five", "--sample", "001",
                                     "--sample", "003", "--by-eye", "no", "--taster", "Ines", "--taster", "Tom")
    assert status == 0, said
    assert "2 tasters, 120 s of rest" in output and "8 sets that count, a warm-up each" in output


def test_caffeine_is_named_where_much_is_swallowed(bench):
    brews(bench)
    assert "caffeine" not in new(bench, sets=16)
    assert "caffeine" in new(bench, "round-2", "--swallow", sets=16)
    assert "caffeine" not in new(bench, "round-3", "--swallow", sets=2)


def test_no_words_are_offered_unless_configured(bench):
    brews(bench)
    new(bench, sets=1)
    new(bench, "round-2", "--offer", "sweet thin", sets=1)
    for name, offered in (("round-1", False), ("round-2", True)):
        pairs = cups(bench, name)[0]
        taster = bench.start("poise-taste", "answer", name, terminal=(24, 80))
        taster.wait_text("Your answer")
        taster.type(f"{odd(pairs)}\ns\ny\n")
        taster.wait_text("Words: ")
        assert (b"sweet" in taster.output) == offered
        taster.output = b""
        taster.type(f"{pairs[0][0]} Sweet, \x07quite\n")
        taster.wait_text("Words: ")
        taster.type("\n")
        assert taster.wait() == 0
        output = bench.run("poise-taste", "reveal", name)[1]
        assert "(taster): Sweet, ?quite" in output and ("sweet: " in output) == offered


def test_cups_that_can_be_distinguished_by_eye_conclude_nothing(bench):
    brews(bench)
    status, output, said = bench.run("poise-taste", "new", "round-1", "--method", "triangle", "--sample", "001",
                                     "--sample", "003", "--sets", 4, "--by-eye", "yes", "--warm-up", "no", "--rest", 0)
    assert status == 0 and "nothing will be concluded" in output, said
    assert answer(bench, [odd(pairs) for pairs in cups(bench)]).wait() == 0
    assert "Not judged: the cups could be distinguished by eye" in bench.run("poise-taste", "reveal", "round-1")[1]
    results = json.loads(bench.run("poise-taste", "results", "--json")[1])
    assert [(group["blind"], group["finding"], group["p"]) for group in results] == [(False, "not judged", None)]


def test_every_method_goes_from_draw_to_verdict(bench):
    levels = Cups(bench)
    for level in (75, 120, 180):
        levels.add("ferry-steep", {"steep_s": level}, MEASURES)
    levels.done()
    for method, typed in (("two-of-five", "1 2"), ("duo-trio", "1"), ("tetrad", "1 2"), ("directional", "2"),
                          ("preference", "1"), ("ranking", "3 1 2"), ("degree", "2 7")):
        samples = ("001", "002", "003") if method == "ranking" else ("001", "003")
        new(bench, method, method=method, sets=6, samples=samples)
        taster = answer(bench, [typed] * 6, method)
        assert taster.wait() == 0, (method, taster.output)
        status, output, said = bench.run("poise-taste", "reveal", method)
        output = " ".join(output.split())       # where a line ends depends on the labels that were drawn
        assert status == 0 and re.search(r"p [0-9.e-]+", output), (method, output, said)
        assert "d'" in output and "95 %" in output, (method, output)
    results = json.loads(bench.run("poise-taste", "results", "--json")[1])
    assert len(results) == 7 and all(0 < group["p"] <= 1 for group in results)


def test_an_older_stores_tastings_are_listed_with_their_weaker_seal(bench):
    dump = (pathlib.Path(__file__).parents[1] / "unit/store-version-2.sql").read_text()
    subprocess.run(["sqlite3", bench.store], input=dump, text=True, check=True)
    bench.start("poise-logger", "--store", bench.store).wait_diagnostic("waiting for poised")
    bench.programs[-1].stop()
    output = bench.run("poise-taste", "list")[1]
    assert "round-1" in output and "sealed the early way: its key lay open" in output
    assert json.loads(bench.run("poise-taste", "results", "--json")[1]) == []


def test_verdicts_carry_the_blind_tasting(bench):
    levels = Cups(bench)
    for i in range(8):
        levels.add("ferry-steep", {"steep_s": (75, 180)[i % 2]},
                   {**MEASURES, "extraction_pct": 18 + i % 2 + levels.random.gauss(0, .2)})
    levels.done()
    new(bench, samples=("001", "002"), sets=6)
    assert answer(bench, [odd(pairs) for pairs in cups(bench)]).wait() == 0
    assert bench.run("poise-taste", "reveal", "round-1")[0] == 0
    status, output, said = bench.run("poise-report", "--json", "verdicts")
    assert status == 0, said
    found = json.loads(output)["variables"][0]
    assert "6 of 6 right" in found["blind"] and abs(found["blind_p"] - 3 ** -6) < 1e-9
    assert "not about people" in found["blind"]


def test_a_blind_preference_reaches_verdicts_and_recipe(bench):
    levels = Cups(bench)
    for i in range(12):
        levels.add("ferry-steep", {"steep_s": (75, 180)[i % 2]},
                   {**MEASURES, "extraction_pct": 18 + i % 2 + levels.random.gauss(0, .2)}, {"dose_g": 15, "water_g": 230},
                   i // 2 + 1)
    levels.done()
    new(bench, method="preference", samples=("001", "002"), sets=8)
    sets = cups(bench)
    assert answer(bench, [next(code for code, letter in pairs if letter == "A") for pairs in sets]).wait() == 0
    assert bench.run("poise-taste", "reveal", "round-1")[0] == 0
    status, output, said = bench.run("poise-report", "--json", "verdicts")
    assert status == 0, said
    found = json.loads(output)["variables"][0]
    assert "steep 75 s was preferred in 8 of 8" in found["blind"] and abs(found["blind_p"] - 2 ** -7) < 1e-9
    assert "75 s: preferred blind" in found["take"], found
    status, output, said = bench.run("poise-report", "recipe")
    assert status == 0 and "preferred blind" in output, output + said
