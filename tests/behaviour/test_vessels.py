"""Cups and brewers are learnt, recognised and named, from the scale to the record."""
import re

from bench import event, line_scale, reading, station

BREW = """do = brew cup 341.2 brewer 182.4 plunger 63.1 retained 2.05
do = wait 6
{come}
do = wait 3
do = coffee 15 g in 6 s
do = wait 4
do = pour 230 g in 20 s
do = wait 4
do = put plunger
do = wait 25
do = press 2600 g in 20 s
do = wait 4
do = lift brewer plunger
do = wait 8
do = lift cup
do = wait 12
"""
SEEN = "do = put cup\ndo = wait 4\ndo = put brewer"          # the cup alone, then the brewer on it
TOGETHER = "do = put cup brewer"


def played(*brews):
    return ("[virtual]\nseed = 7\n[scale left-scale]\nlayout = header\nrate_hz = 10\nlag_s = 0.15\ndivision_g = 0.1\n"
            "noise_g = 0.02\ncapacity_g = 5000\n" + "".join(BREW.format(come=come) for come in brews)
            + "do = brew cup 341.2 brewer 182.4\ndo = put cup\ndo = wait 60\n")


def test_a_cup_not_seen_empty_is_recognised_named_and_kept(bench):        # alone long
    port = bench.folder / "port/left-scale"
    bench.configure(station("left", "piston_diameter_mm = 60"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised("--clock-rate", "10")
    logger = bench.logger()
    logger.wait_diagnostic("keeping the brews")
    bus = bench.subscribe()
    assert "No vessel is known yet" in bench.run("poise-ctl", "vessels")[1]
    bench.virtual(played(SEEN, SEEN, SEEN, TOGETHER), "--clock-rate", "10")
    said = bus.wait_for(event("warning", warning="cup-recognised"), timeout=180)
    assert re.search(r"By its mass it is cup-[0-9]+ \([0-9]+ %\), so that [0-9.]+ ± [0-9.]+ g are in it", said["detail"])
    bus.wait_for(event("brew", change="end", brew=said["brew"]), timeout=120)
    row, = bench.wait_query(f"SELECT beverage_g, beverage_g_u FROM brew_summary WHERE brew = '{said['brew']}'"
                            " AND beverage_g IS NOT NULL")
    assert abs(row["beverage_g"] - 199.3) < 2 and 0.1 < row["beverage_g_u"] < 3, row
    known = bench.run("poise-ctl", "vessels")[1]
    assert re.search(r"cup-\d+ +cup +341\.\d ± 0\.\d g +weighed +3 times", known), known
    assert re.search(r"brewer-\d+ +brewer +182\.\d ± ", known), known
    assert "vessel-" not in known                               # both together are no third one
    bus.wait_for(lambda m: reading("left-scale")(m) and abs(m.get("load_g", 0) - 341.2) < 1, timeout=120)
    assert bench.run("poise-ctl", "vessel", re.search(r"cup-\d+", known)[0], "rename", "blue")[0] == 0
    daemon.stop()
    bench.poised("--clock-rate", "10")
    assert re.search(r"blue +cup +341", bench.run("poise-ctl", "vessels")[1])
    refused = bench.run("poise-ctl", "vessel", "blue", "rename", "Blue Cup")
    assert refused[0] == 1 and "is no name" in refused[2], refused
    logger.stop()


def test_what_stands_on_the_scale_gets_a_name(bench):
    scale = bench.port("scale")
    bench.configure(station("left"), line_scale("left-scale", scale, station="left"))
    bench.poised("--clock-rate", "20")
    scale.wait_heard()
    bus = bench.subscribe()

    def stands(grams):
        for _ in range(30):
            scale.line(f"ST,GS,{grams:+9.1f} g")
            bus.wait_for(reading("left-scale"))

    scale.line("ST,GS,+    0.0 g")                  # the first line after opening may be half a line: it is dropped
    stands(0)
    refused = bench.run("poise-ctl", "vessel", "blue")
    assert refused[0] == 1 and "sees no single vessel" in refused[2], refused
    stands(341.2)
    named = bench.run("poise-ctl", "vessel", "blue")
    assert named[0] == 0, named
    known = bench.ask(do="vessels")["vessels"]
    assert [(one["vessel"], one["mass_g"]) for one in known] == [("blue", 341.2)], known
    assert bench.run("poise-ctl", "vessel", "blue", "cup")[0] == 0
    assert re.search(r"blue +cup +341.2 ± ", bench.run("poise-ctl", "vessels")[1])
