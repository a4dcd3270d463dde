"""A blind tasting on phones: each taster's own sheet, nothing that gives the cups away, one reveal for all."""
import os
import re
import subprocess

import tasting_round as round_
from bench import line_scale, station
from page import PHONE, Board, Device, Page

TASTERS = ("Ines", "Tom", "Ada")
WORD = "lantern oil"


def board_with_a_tasting(bench, *more):
    round_.brews(bench)
    if "word" in more:
        made = subprocess.run([bench.programs_folder / "poise-taste", "new", "round-1", "--method", "triangle", "--sets", "2",
                               "--by-eye", "no", "--warm-up", "no", "--rest", "0", "--sample", "pier-20261125-001",
                               "--sample", "pier-20261125-003", *(word for one in TASTERS for word in ("--taster", one))],
                              input=WORD + "\n", text=True, capture_output=True, env=dict(os.environ, **bench.environment),
                              check=False)
        assert made.returncode == 0, made.stderr
        output = made.stdout
    else:
        output = round_.new(bench, "round-1", *(word for one in TASTERS for word in ("--taster", one)), sets=2)
    bench.configure(station("left"), line_scale("left-scale", bench.folder / "port" / "left-scale", station="left"))
    bench.poised()
    return Board(bench), output


def give(device, path, **what):
    return device.ask(path, what, X_Poise_Token=device.token())


def phone(board, hands, taster):
    """A taster's phone that followed the link of the session's page."""
    link = give(hands, "/api/link", session="round-1", taster=taster).json
    assert len(link["rows"]) == len(link["rows"][0]) and link["address"].startswith(board.address + "/join#")
    return Device(board).pair(link["address"].split("#")[1])


def test_a_taster_sees_one_set_of_their_own_and_nothing_else(bench):
    board, _ = board_with_a_tasting(bench)
    hands = board.device("hands")
    phones = {name: phone(board, hands, name) for name in TASTERS}
    cups = round_.cups(bench)
    codes = [{int(code) for code, _ in pairs} for pairs in cups]
    everybody = set().union(*codes)
    own = {}
    for name, one in phones.items():
        sheet = one.ask("/api/sheet").json
        assert sheet["state"] == "ask" and (sheet["number"], sheet["of"], sheet["choose"]) == (1, 2, 1)
        assert set(sheet["codes"]) in codes and sheet["taster"] == name
        own[name] = set(sheet["codes"])
        for path in ("/api/sheet?taster=Tom", "/api/sheet?session=round-1&set=2&taster=2", "/sheet", "/api/me"):
            shown = {int(number) for number in re.findall(rb"\b\d{3}\b", one.ask(path).body)}
            assert not shown & (everybody - own[name]), (path, shown)
    assert len({frozenset(one) for one in own.values()}) == 3
    ines = phones["Ines"]
    for path in ("/api/live", "/api/records", "/api/report?of=verdicts", "/api/tastings", "/api/tasting?session=round-1",
                 "/api/cup?brew=pier-20261125-001", "/api/trace?station=left", "/api/results"):
        assert ines.ask(path).status == 403, path
    for path in ("/api/map?session=round-1", "/api/reveal?session=round-1", "/api/link", "/api/order"):
        assert ines.ask(path, {}, X_Poise_Token=ines.token()).status == 403, path
    assert ines.ask("/").headers["Location"] == "/sheet"
    other = sorted(own["Tom"])
    assert give(ines, "/api/answer", codes=other, answer=str(other[0]), sure=True).status == 409        # Tom's set
    mine = ines.ask("/api/sheet").json["codes"]
    for wrong in ({"answer": str(other[0]), "sure": True}, {"answer": "", "sure": True}, {"answer": str(mine[0]), "sure": "yes"},
                  {"answer": f"{mine[0]} {mine[1]}", "sure": True},
                  {"answer": str(mine[0]), "sure": True, "words": {str(other[0]): "of Tom's cup"}},
                  {"answer": str(mine[0]), "sure": True, "words": {str(mine[0]): "x" * 400}},
                  {"answer": str(mine[0]), "sure": True, "words": ["pear"]}):
        assert give(ines, "/api/answer", codes=mine, **wrong).status == 400, wrong
    link = give(hands, "/api/link", session="round-1", taster="Ines").json["address"].split("#")[1]
    Device(board).pair(link)
    assert Device(board).ask("/api/pair", {"code": link, "name": "x"}).status == 403        # it was good once
    assert give(hands, "/api/link", session="round-1", taster="Nobody").status == 404


def test_an_answer_gives_nothing_away_and_all_see_the_reveal_at_once(bench):
    board, output = board_with_a_tasting(bench)
    hands = board.device("hands")
    phones = {name: phone(board, hands, name) for name in TASTERS}
    odd = {frozenset(int(code) for code, _ in pairs): round_.odd(pairs) for pairs in round_.cups(bench)}
    answers = []
    for number in (1, 2):
        for name, one in phones.items():
            assert give(hands, "/api/reveal?session=round-1", noted="", word="").status == 409     # not everybody
            sheet = one.ask("/api/sheet").json
            right = odd[frozenset(sheet["codes"])]
            wrong = next(str(code) for code in sheet["codes"] if str(code) != right)
            words = {wrong: "ripe pear\u0007, a little flat", right: ""} if (name, number) == ("Tom", 2) else {}
            reply = give(one, "/api/answer", codes=sheet["codes"], answer=right if name == "Ines" else wrong, sure=True,
                         words=words)
            assert reply.status == 200, reply.body
            answers.append((len(reply.body), sorted(reply.json), reply.headers.keys()))
            assert give(one, "/api/answer", codes=sheet["codes"], answer=right, sure=True).status == 409      # once for ever
            after = one.ask("/api/sheet").json
            assert after["state"] == ("ask" if number == 1 else "answered" if name == "Ada" else "done"), (name, after)
    assert all(one == answers[0] for one in answers), "an answer's reply shows whether it was right"
    for one in phones.values():
        assert one.ask("/api/sheet").json["state"] == "answered"
        assert one.ask("/api/results").status == 403
    assert give(hands, "/api/reveal?session=round-1", noted="0000 0000 0000 0000", word="").status == 404   # another's hash
    assert phones["Tom"].ask("/api/sheet").json["state"] == "answered"
    revealed = give(hands, "/api/reveal?session=round-1", noted=round_.seal(output), word="")
    assert revealed.status == 200 and b"The key fits its seal" in revealed.body, revealed.body
    for one in phones.values():
        assert one.ask("/api/sheet").json["state"] == "opened"
        results = one.ask("/api/results").body.decode()
        assert len(re.findall(r"Ines, set \d: .*: right$", results, re.M)) == 2, results
        assert len(re.findall(r"(Tom|Ada), set \d: .*: wrong$", results, re.M)) == 4, results
        assert results.count("ripe pear") == 1 and "Tom" in next(line for line in results.splitlines() if "ripe pear" in line)


def test_the_map_is_behind_the_helpers_word_and_it_is_written_down_who_looked(bench):
    board, _ = board_with_a_tasting(bench, "word")
    hands, looks = board.device("hands"), board.device("look")
    asked = {"server": "Bo", "temperature": "55 55"}
    assert looks.ask("/api/map?session=round-1", asked, X_Poise_Token=looks.token()).status == 403
    for word in ("", "lantern", WORD + " "):
        refused = give(hands, "/api/map?session=round-1", word=word, **asked)
        assert refused.status in (400, 404) and b"Letters" not in refused.body, (word, refused.body)
    shown = give(hands, "/api/map?session=round-1", word=WORD, **asked)
    assert shown.status == 200 and b"Map, for the helper only" in shown.body, shown.body[:300]
    assert len(re.findall(rb"\b\d{3} [AB]\b", shown.body)) == 18        # three tasters, two sets, three cups
    looked = bench.query("SELECT who FROM tasting_entry WHERE kind = 'looked'")
    assert looked[-1]["who"] == "Bo"
    assert not list((bench.folder / "data/poise/board").glob("map-*"))
    assert give(hands, "/api/map?session=round-1", word=WORD, server="-x").status == 400
    assert give(hands, "/api/map?session=../x", word=WORD, server="Bo").status == 400


def test_three_phones_taste_side_by_side(bench):  # browser long
    board, _ = board_with_a_tasting(bench)
    hands = Page(board).pair()
    hands.press("#more")
    hands.press("[data-choice=tastings]")
    hands.press("a[href='#round-1']")
    phones = []
    for place, name in enumerate(TASTERS):
        hands.press(f"#tasters li:nth-child({place + 1}) button")
        hands.wait("dialog h2", name)
        link = hands.wait("dialog .address", "/join#")
        if os.environ.get("POISE_SHOTS"):
            hands.shot(os.environ["POISE_SHOTS"] + "/invite-1280.png")
        assert hands.run("return document.querySelector('dialog .code path').getAttribute('d').length") > 1000
        hands.press("dialog .quiet")
        phones.append(Page(board, PHONE).open("/join#" + link.split("#")[1]))
        phones[-1].wait("#who", name)
    for number in (1, 2):
        for one in phones:
            one.wait("#title", f"Set {number} of 2")
            one.press(".cup-key:nth-child(2)")
            if os.environ.get("POISE_SHOTS"):
                one.shot(os.environ["POISE_SHOTS"] + "/sheet-390.png")
            assert one.run("return document.documentElement.scrollWidth") <= 390
            if number == 2:
                one.type("#fields label:nth-child(2) input", "dry, like tea")
            one.press("[data-sure=false]")
            one.wait("dialog p", "second. A guess")
            one.press("#yes")
            one.wait("#title", f"Set {number + 1}|answered")
    for one in phones:
        one.wait("#title", "All have answered")
    hands.wait("#state", "Compare the hash")
    hands.press("#reveal")
    hands.press("#yes")
    if os.environ.get("POISE_SHOTS"):
        phones[0].shot(os.environ["POISE_SHOTS"] + "/answered-390.png")
    for one in phones:
        one.wait("#title", "The key is open")
        one.wait("#results", "The key fits its seal")
        assert one.complaints() == []
    if os.environ.get("POISE_SHOTS"):
        phones[0].shot(os.environ["POISE_SHOTS"] + "/opened-390.png")
        hands.shot(os.environ["POISE_SHOTS"] + "/opened-1280.png")
    assert hands.complaints() == []


def test_a_degree_of_difference_is_given_by_two_keys_for_each_cup(bench):  # browser long
    round_.brews(bench)
    round_.new(bench, "round-1", "--taster", "Ines", method="degree", sets=1)
    bench.configure(station("left"), line_scale("left-scale", bench.folder / "port" / "left-scale", station="left"))
    bench.poised()
    board = Board(bench)
    link = give(board.device("hands"), "/api/link", session="round-1", taster="Ines").json["address"]
    page = Page(board, PHONE).open("/join#" + link.split("#")[1])
    page.wait("#ask", "How far is each cup")
    for _ in range(4):
        page.press("#cups > div:nth-child(1) button:last-child")
    assert not page.find("#sure")[0].is_displayed()             # the second cup has no answer yet
    page.press("#cups > div:nth-child(2) button:last-child")
    page.press("#cups > div:nth-child(1) button")
    page.press("[data-sure=true]")
    page.wait("dialog p", r"^\d{3}: 2, \d{3}: 0\. You are sure\.$")
    page.press("#yes")
    page.wait("#title", "All have answered")
    assert bench.query("SELECT answer FROM tasting_entry WHERE kind = 'answer'") == [{"answer": "2 0"}]
    assert page.complaints() == []
