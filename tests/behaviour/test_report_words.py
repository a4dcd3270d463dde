"""The sentences of poise-report: each that there is (--rules) is said by cups made for its condition, and is true of
them."""
import json
import math
import sqlite3

from cups import Cups
from reports import answer, done

PATTERN = {1: (0,), 2: (-1, 1), 3: (-1, 0, 1), 4: (-1, 1, -.5, .5), 6: (-1, 1, -.6, .6, -.2, .2)}


class Made:
    """Experiments of cups whose means and spread are exact, so that no chance decides which sentence is said."""

    def __init__(self, bench):
        self.cups, self.rules = Cups(bench), {}

    def levels(self, rule, factor, means, cups=3, spread=.1, options=(), says=()):
        """An experiment called like its rule.  says: what the sentence must hold."""
        name = "on-" + rule.replace(" ", "-")
        self.rules[rule] = name, options, says
        for round_, miss in enumerate(PATTERN[cups]):               # to and fro: no level is always the first
            for place, (level, mean) in list(enumerate(means.items()))[::1 - 2 * (round_ % 2)]:
                factors = dict(zip(factor, level)) if isinstance(factor, tuple) else {factor: level}
                sign = -1 if place % 2 else 1                       # no level's cups are another's, shifted
                self.cups.add(name, factors, {"extraction_pct": mean + sign * spread * miss}, {"dose_g": 15})
        return name


def first_order(top, k, at_once=0):
    return lambda t: at_once + (top - at_once) * (1 - math.exp(-k * t))


def of(function, *times):
    return {time: function(time) for time in times}


def test_report_says_each_of_its_sentences_where_it_is_true(bench):
    made = Made(bench)
    # none to compare
    made.rules["empty"] = "on-empty", (), ("no cup with extraction",)
    made.cups.add("on-empty", {"stir": "none"}, {"dose_g": 15})
    made.levels("one cup", "stir", {"none": 19}, 1, says=("only one cup",))
    made.levels("one level", "stir", {"none": 19}, 3, says=("All 3 cups are at one level",))
    made.levels("alike", "stir", {"none": 19, "swirl": 20}, 3, 0, says=("exactly the same",))
    made.rules["refused"] = "on-refused", (), ("No verdict", "cannot be separated")
    for coffee, level in (("a", "none"), ("b", "swirl")):
        for miss in (-.1, .1):
            made.cups.add("on-refused", {"stir": level}, {"extraction_pct": 19 + miss + (level == "swirl")},
                          {"coffee": coffee})
    # steeps
    made.rules["no curve"] = "on-no-curve", (), ("No curve is fitted",)
    for miss, times in ((-.1, (30, 60, 120)), (.1, (120, 60, 30))):
        for seconds in times:                               # planned, and each time steeped alike
            made.cups.add("on-no-curve", {"steep_s": seconds}, {"extraction_pct": 19 + miss + seconds / 1000, "steep_s": 60})
    made.levels("falls", "steep_s", {20: 12, 40: 21, 80: 20, 160: 18, 320: 14, 400: 12}, 3, .2,
                says=("falls as the steep goes on",))
    made.levels("misfit", "steep_s", {30: 10, 60: 12, 90: 20, 120: 14, 240: 21, 400: 22}, 3, .1,
                says=("do not follow a first-order curve", "no bend is claimed"))
    made.levels("all late", "steep_s", of(lambda t: 20, 60, 120, 180, 240, 300), 3, .4, says=("may lie before the shortest",))
    made.levels("too short", "steep_s", of(lambda t: .1 * t, 20, 40, 60, 80), 3, .3, says=("bend is not identified",))
    made.rules["few"] = "on-few", (), ("too few to show",)
    for seconds, miss in ((60, .01), (120, -.01), (240, .01), (480, -.01)):
        made.cups.add("on-few", {"steep_s": seconds}, {"extraction_pct": first_order(21, .004)(seconds) + miss})
    made.levels("rivalled", "steep_s", of(lambda t: 24 * t / (30 + t), 30, 60, 90, 150, 240, 400), 3, .6,
                says=("fits them as well as first order",))
    made.levels("not excluded", "steep_s", of(first_order(21, .014), 45, 90, 150, 240, 330), 3, .5,
                says=("do not exclude a curve",))
    made.levels("beyond", "steep_s", of(first_order(21, .01, 1), 20, 60, 100, 140, 180, 220, 280), 4, .03,
                says=("If the curve goes on as it began", "longest steep brewed is 280 s"))
    made.levels("bend", "steep_s", of(first_order(21, .02, 2), 20, 45, 75, 120, 180, 300, 420), 4, .1,
                says=("95 % of the final extraction is reached after about 14",))
    made.levels("curves", ("steep_s", "stir"), {(t, stir): first_order(21, k)(t) for stir, k in
                (("none", .012), ("swirl", .02)) for t in (45, 90, 180, 300)}, 3, .2, says=("stir",))
    # numbers
    made.rules["no line"] = "on-no-line", (), ("No line can be judged",)
    for miss, times in ((-.1, (20, 30, 40)), (.1, (40, 30, 20))):
        for seconds in times:                               # planned, and each time pressed alike
            made.cups.add("on-no-line", {"press_s": seconds}, {"extraction_pct": 19 + miss + seconds / 100, "press_s": 30})
    made.levels("stays", "grind", {14: 19, 18: 19.05, 22: 19}, 4, .1, ("--margin", "0.5"), ("stays the same within 0.5",))
    made.levels("turn", "grind", {12: 16, 14: 18, 16: 19.5, 18: 20, 20: 19.4, 22: 18, 24: 16}, 3, .2,
                says=("climbs with grind up to about 18", "falls beyond"))
    made.levels("break", "grind", {12: 16, 14: 17, 16: 18, 18: 19, 20: 19, 22: 19, 24: 19}, 3, .1,
                says=("climbs with grind up to about 18", "beyond that neither a rise nor a fall is sure"))
    made.levels("neither", "grind", {12: 16, 14: 19, 16: 17, 18: 20, 20: 18.5, 22: 21}, 3, .1,
                says=("follows neither a line nor a curve",))
    made.levels("bent", "grind", {12: 16, 16: 18.6, 20: 20, 24: 20.6}, 3, .25, says=("along no straight line",))
    made.levels("changes", "grind", {14: 21, 18: 20, 22: 19}, 3, .2, says=("From grind 14 to 22", "falls by 2.00 points"))
    made.levels("no change", "grind", {14: 19, 18: 19.1, 22: 19}, 3, .4, says=("no change of extraction is shown",))
    # words
    made.rules["no comparison"] = "on-no-comparison", ("-m", "strength_pct"), ("one cup per level",)
    for kind in ("paper", "cloth"):                         # of strength no cup on this bench was repeated
        made.cups.add("on-no-comparison", {"filter": kind}, {"strength_pct": 1.3 + .1 * (kind == "cloth")})
    made.levels("two equal", "filter", {"paper": 19, "cloth": 19.05}, 4, .1, ("--margin", "0.5"), ("within 0.5",))
    made.levels("two differ", "filter", {"paper": 19, "cloth": 20}, 3, .2, says=("Paper gives 1.00 points less extraction than cloth",))
    made.levels("two not shown", "filter", {"paper": 19, "cloth": 19.1}, 3, .3, says=("No difference of extraction is shown",))
    made.levels("all equal", "filter", {"paper": 19, "cloth": 19.05, "metal": 19}, 6, .1, ("--margin", "0.5"),
                ("All 3 levels give the same extraction within 0.5",))
    made.levels("some differ", "filter", {"paper": 19, "cloth": 20, "metal": 19.1}, 4, .2, says=("Cloth gives 1.00 points more",))
    made.levels("none shown", "filter", {"paper": 19, "cloth": 19.1, "metal": 19.05}, 3, .4,
                says=("No difference of extraction is shown among these 3 levels",))
    # two factors
    square = [(a, b) for a in ("cloth", "paper") for b in ("none", "swirl")]
    made.rules["no comparison of two"] = "on-no-two", ("-m", "strength_pct"), ("one cup per level",)
    for kind, stir in square:
        made.cups.add("on-no-two", {"filter": kind, "stir": stir}, {"strength_pct": 1.3})
    made.levels("all equal of two", ("filter", "stir"), dict(zip(square, (19, 19.05, 19, 19.05))), 6, .1,
                ("--margin", "0.6"), ("give the same extraction within 0.6",))
    made.levels("depends", ("filter", "stir"), dict(zip(square, (17, 19, 21, 21))), 3, .2,
                says=("What stir does to extraction depends on filter", "where filter is cloth, swirl instead of none brings +2.00"))
    made.levels("effects", ("filter", "stir"), dict(zip(square, (19, 19, 20, 20))), 3, .2,
                says=("filter paper gives 1.00 points more", "of stir nothing is shown"))
    made.levels("top", ("temperature_c", "grind"), {(t, g): 20 - .06 * (t - 92) ** 2 - .06 * (g - 19) ** 2
                for t in (88, 92, 96) for g in (15, 19, 23)}, 3, .2, says=("Extraction is highest at about water temperature 92",))
    made.cups.done(as_listed=True)
    there_are = {rule["rule"]: rule["when"] for rule in json.loads(done(bench, "--rules"))}
    assert set(there_are) == set(made.rules) and all(there_are.values())
    wrong = []
    for rule, (name, options, says) in made.rules.items():
        found = answer(bench, name, *options)
        if found["rule"] != rule or any(part not in found["headline"] for part in says):
            wrong.append((rule, found["rule"], found["headline"]))
        assert all(claim["rule"] == found["rule"] and claim["sentence"] == found["headline"]
                   for claim in found["claims"] if claim["where"] == "headline")
        assert found["headline"][0].isupper() or found["headline"][0].isdigit()
        assert found["headline"].endswith(".") and "  " not in found["headline"]
    assert not wrong, "\n".join(map(str, wrong))


def test_report_speaks_in_the_units_of_the_bench(bench):
    """What is concluded is the same; numbers for machines stay as they are kept."""
    cups = Cups(bench)
    for turn in range(4):
        for place in (0, 1, 2)[::1 - 2 * (turn % 2)]:
            kpa, celsius = (10, 20, 30)[place], (85, 90, 95)[place]
            done_kpa = kpa + cups.random.gauss(0, .4)
            cups.add("hard", {"press_mean_kpa": kpa},
                     {"press_mean_kpa": (done_kpa, .2), "extraction_pct": 18 + done_kpa / 20 + cups.random.gauss(0, .05)},
                     {"temperature_c": 94}, turn + 1)
            cups.add("hot", {"temperature_c": celsius},
                     {"slurry_c": (celsius - 6, .5), "extraction_pct": 10 + celsius / 10 + cups.random.gauss(0, .05)},
                     {"press_mean_kpa": 20}, turn + 1)
    cups.done()
    kept = {name: (done(bench, name), answer(bench, name)) for name in ("hard", "hot")}
    chosen = {name: done(bench, "--pressure", "psi", "--temperature", "f", name) for name in kept}
    with sqlite3.connect(bench.store) as file:
        file.execute("update bench set units = ?", (json.dumps({"pressure": "psi", "temperature": "F"}),))
    for name, (text, json_) in kept.items():
        shown = done(bench, name)
        assert shown == chosen[name] and answer(bench, name) == json_
        assert "kPa" not in shown and "°C" not in shown.replace("20 °C (68 °F)", ""), shown
        assert done(bench, "-P", "kpa", "-T", "c", name) == text
        done(bench, "--html", bench.folder / "page.html", name)
        assert "kPa" not in (bench.folder / "page.html").read_text()
