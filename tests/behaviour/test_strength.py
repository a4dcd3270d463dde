"""Cups waiting for strength: readings that come late, go to the right cup, and can be corrected."""
from bench import event, reading, refractometer, station


def two_cups(bench, port, *lines, **options):
    """Two brews that are over and wait."""
    bench.configure(station("left"), refractometer("glass", port, *lines, **options),
                    "[strength]\nreplicates = 2\nstrength_per_brix = 0.85\nfiltered = yes\n")
    bench.poised()
    port.wait_heard()
    brews = []
    for _ in range(2):
        brews.append(bench.ask(do="begin")["brew"])
        for measure, value in (("dose_g", 15.0), ("water_g", 230.0), ("beverage_g", 199.25)):
            bench.ask(do="enter", brew=brews[-1], measure=measure, value=value, standard_uncertainty=0.03)
        bench.ask(do="end")
    return brews


def test_a_reading_says_what_it_was_made_of(bench):
    port = bench.port("glass")
    first, _ = two_cups(bench, port, "fields = nd, brix, temperature", "separator = ,", quantity="brix")
    bus = bench.subscribe()
    port.line("1.3354,1.60,23.5")       # may be half a line: dropped
    port.line("1.3354,1.60,23.5")
    measure = bus.wait_for(event("measure", measure="strength_pct"))
    assert measure["brew"] == first
    assert abs(measure["value"] - 1.60 * 0.85) < 1e-9
    assert (measure["filtered"], measure["sample_c"]) == (True, 23.5)
    read = {m["seq"]: m for m in bus.drain() if m["topic"].startswith("reading/")}
    assert [read[seq]["value"] for seq in measure["readings"]] == [1.60]
    state = bench.ask(do="status")["state"]
    assert "slurry_c" not in state["last"]["measures"]      # the sample's temperature is none of the brew's


def test_the_store_knows_which_reading_belongs_to_which_cup(bench):
    port = bench.port("glass")
    logger = bench.logger()
    first, second = two_cups(bench, port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)")
    bus = bench.subscribe()
    port.line("0.00 %")
    port.line("1.40 %")
    bus.wait_for(event("measure", measure="strength_pct", brew=first))
    assert bench.ask(do="assign", brew=second)["ok"]
    whose = ("SELECT r.value, (SELECT b.name FROM assignment a LEFT JOIN brew b USING (brew_id)"
             " WHERE a.bench_id = r.bench_id AND a.reading_seq = r.seq ORDER BY a.seq DESC LIMIT 1) AS brew FROM reading r WHERE r.value > 0")
    bench.wait_query(whose, lambda rows: rows == [{"value": 1.4, "brew": second}])
    rows = bench.wait_query("SELECT brew, round(extraction_pct, 6) AS e, round(extraction_total_pct, 6) AS t FROM"
                            " brew_summary ORDER BY brew", lambda rows: rows and rows[1]["e"] is not None)
    # S B / D and S W / ((1 - S) D) of 1.40 %, 199.25 g, 230 g, 15 g
    assert rows == [{"brew": first, "e": None, "t": None}, {"brew": second, "e": 18.596667, "t": 21.771467}]
    assert bench.ask(do="unassign", brew=second)["ok"]
    bench.wait_query(whose, lambda rows: rows == [{"value": 1.4, "brew": None}])
    logger.stop()


def test_a_sample_may_pass_no_filter_and_its_budget_is_shown(bench):
    port = bench.port("glass")
    logger = bench.logger()
    first, _ = two_cups(bench, port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)", "accuracy = 0.03")
    bus = bench.subscribe()
    assert bench.run("poise-ctl", "sample", first, "--unfiltered")[0] == 0
    port.line("0.00 %")
    port.line("1.40 %")
    measure = bus.wait_for(event("measure", measure="strength_pct", brew=first))
    assert measure["filtered"] is False
    # a bound of 0.03 either way, JCGM 100:2008, 4.3.7
    assert abs(measure["budget"]["accuracy"]["standard_uncertainty"] - 0.03 / 3 ** 0.5) < 1e-12
    assert abs(sum(one["standard_uncertainty"] ** 2 for one in measure["budget"].values()) ** 0.5
               - measure["standard_uncertainty"]) < 1e-12
    shown = bench.run("poise-ctl", "strength", first)[1]
    assert "; unfiltered" in shown and "no syringe filter" in shown
    # extraction 18.60 % with u of (B / D) x u(S) and the two weighings of 0.03 g: k u covers 95 %
    assert "extraction 18.60 %, standard uncertainty" in shown and "covers 95 %" in shown
    assert bench.run("poise-ctl", "sample", first, "--filtered")[0] == 0
    assert bus.wait_for(event("measure", measure="strength_pct", brew=first))["filtered"] is True
    assert "no syringe filter" not in bench.run("poise-ctl", "strength", first)[1]
    bench.wait_query("SELECT filtered FROM assignment ORDER BY seq DESC LIMIT 1", lambda rows: rows == [{"filtered": 1}])
    bench.wait_query("SELECT part FROM strength_budget WHERE seq = (SELECT max(seq) FROM strength_budget) ORDER BY part",
                     lambda rows: [row["part"] for row in rows] == ["accuracy", "blank", "digit", "repeat"])
    page = bench.run("poise-report", "brew", first)[1]
    assert "Where extraction's uncertainty comes from" in page and "accuracy of the refractometer" in page
    assert "Welch and Satterthwaite" in page
    logger.stop()


def read(bench, port, bus, value):
    """The seq of a reading that the bench took: within a second of the one before it is the same sample again."""
    while True:
        port.line(f"{value:.2f} %")
        seq = bus.wait_for(lambda m: m["topic"].startswith("reading/") and m["value"] == value)["seq"]
        if any(one["seq"] == seq for one in bench.ask(do="strength")["readings"]):
            return seq


def test_any_reading_can_be_corrected_also_after_kill_9(bench):
    port = bench.port("glass")
    logger = bench.logger()
    bench.configure(station("left"), refractometer("glass", port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)"),
                    "[strength]\nreplicates = 2\n")
    daemon = bench.poised("--clock-rate", 20)
    port.wait_heard()
    brews = []
    for _ in range(2):
        brews.append(bench.ask(do="begin")["brew"])
        bench.ask(do="enter", measure="water_g", value=230)
        bench.ask(do="end")
    first, second = brews
    bus = bench.subscribe()
    port.line("0.00 %")
    seqs = [read(bench, port, bus, value) for value in (1.40, 1.41, 1.20, 1.21, 0.80)]        # the last fits neither
    assert [(one["brew"], one["number"]) for one in bench.ask(do="strength")["readings"]] == [
        (first, 1), (first, 2), (second, 1), (second, 2), (None, None)]
    daemon.kill()
    bench.poised("--clock-rate", 20)
    status, output, said = bench.run("poise-ctl", "assign", second, f"{first}/1")
    assert (status, output, said) == (0, f"{second}\n", "")
    assert bench.run("poise-ctl", "assign", first, seqs[4])[0] == 0
    assert bench.run("poise-ctl", "unassign", f"{second}/3")[:2] == (0, f"{second}\n")
    bench.wait_query("SELECT brew, round(strength_pct, 6) AS s FROM brew_summary ORDER BY brew", lambda rows: rows == [
        {"brew": first, "s": 1.105}, {"brew": second, "s": 1.30}])
    whose = bench.query("SELECT r.seq AS seq, (SELECT b.name FROM assignment a LEFT JOIN brew b USING (brew_id) WHERE"
                        " a.bench_id = r.bench_id AND a.reading_seq = r.seq ORDER BY a.seq DESC LIMIT 1) AS brew FROM"
                        " reading r ORDER BY r.seq")
    assert {row["seq"]: row["brew"] for row in whose if row["seq"] in seqs} == dict(
        zip(seqs, (second, first, second, None, first)))
    listed = bench.run("poise-ctl", "strength")[1].splitlines()
    # the spread of two is their difference by the square root of 2
    assert [line.split()[:4 if "spread" in line else 3] for line in listed[1:]] == [
        [str(seqs[1]), f"{first}/1", "1.41"], [str(seqs[4]), f"{first}/2", "0.80"], [first, "1.105", "spread", "0.431"],
        [str(seqs[0]), f"{second}/1", "1.40"], [str(seqs[2]), f"{second}/2", "1.20"], [second, "1.300", "spread", "0.141"],
        [str(seqs[3]), "-", "1.21"]]
    logger.stop()


def test_what_cannot_be_assigned_is_said(bench):
    bench.configure(station("left"))
    bench.poised()
    brew = bench.ask(do="begin")["brew"]
    bench.ask(do="end")
    said = lambda *words: bench.run("poise-ctl", *words)[2]
    assert said("assign", "pier-20251124-009") == ('poise-ctl: there is no brew "pier-20251124-009" among the last 100; '
                                                   f"the newest is {brew}\n")
    assert said("assign", brew, "4711") == ("poise-ctl: there is no strength reading 4711 among those that can be "
                                            "assigned; `poise-ctl strength` lists them\n")
    assert said("assign", brew, f"{brew}/1") == f"poise-ctl: {brew} has 0 strength readings; it has no number 1\n"
    assert "names no reading" in said("assign", brew, "second")
    bench.ask(do="discard", brew=brew)
    assert said("assign", brew) == f"poise-ctl: {brew} is discarded: it takes no strength\n"
    assert said("strength") == "poise-ctl: no strength reading yet\n"


def test_a_plan_reaches_the_store(bench):
    port = bench.port("glass")
    logger = bench.logger()
    bench.configure(station("left"), refractometer("glass", port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)"))
    bench.poised()
    text = ("[experiment]\nname = ferry-grind\ntitle = Ferry\nseed = 1\n"
            "[vary]\ngrind = 16, 20\n[hold]\nwater_g = 230 +- 2\n")
    assert bench.ask(do="plan", plan="load", text=text)["ok"]
    brew = bench.ask(do="begin")["brew"]
    bench.ask(do="enter", measure="water_g", value=240)
    bench.ask(do="end")
    row = bench.wait_query("SELECT brew, experiment, run, replicate, factors, recipe, plan_kept FROM brew_summary",
                           lambda rows: rows and rows[0]["plan_kept"] is not None)[0]
    assert row["brew"] == brew and row["experiment"] == "ferry-grind" and row["replicate"] == 1
    assert row["plan_kept"] == 0 and row["recipe"] == '{"water_g":230}' and '"grind":' in row["factors"]
    assert bench.query("SELECT title, definition FROM experiment") == [{"title": "Ferry", "definition": text}]
    logger.stop()


def test_a_sample_outside_the_instruments_temperatures_says_so(bench):
    port = bench.port("glass")
    bench.configure(station("left"), refractometer("glass", port, "sample_temperature = 10 to 40", quantity="brix"))
    bench.poised()
    port.wait_heard()
    bus = bench.subscribe()
    for line in ("1.1 % 20.0 C", "1.2 % 45.1 C"):       # the first may be half a line: dropped
        port.line(line)
    assert bus.wait_for(reading("glass", quantity="brix"))["detail"] == "temp-out-of-range"
    shown = bench.ask(do="status")["state"]["instruments"][0]
    assert shown["value"] == 1.2 and "temp-out-of-range" in shown["detail"]
    port.line("1.3 % 20.0 C")
    assert "detail" not in bus.wait_for(reading("glass", quantity="brix"))
    port.line("TEMP ERR")
    fault = bus.wait_for(reading("glass"))
    assert (fault["status"], fault["value"], fault["detail"]) == ("fault", None, "temperature")


def test_a_slip_of_the_finger_waits_for_no_strength(bench):
    """Begun and ended on an empty scale; then a cup: the readings are the cup's."""
    port = bench.port("glass")
    two_cups(bench, port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)")
    for brew in [entry["brew"] for entry in bench.ask(do="status")["state"]["waiting"]]:
        assert bench.ask(do="discard", brew=brew)["ok"]
    bus = bench.subscribe()
    assert bench.ask(do="begin")["ok"] and bench.ask(do="end")["ok"]
    assert bench.ask(do="status")["state"]["waiting"] == []
    cup = bench.ask(do="begin")["brew"]
    assert bench.ask(do="enter", measure="beverage_g", value=199.2)["ok"] and bench.ask(do="end")["ok"]
    port.line("0.00 %")
    port.line("1.40 %")
    assert bus.wait_for(event("measure", measure="strength_pct"))["brew"] == cup


def test_a_discarded_brews_readings_are_no_other_cups_until_someone_assigns_them(bench):
    port = bench.port("glass")
    first, second = two_cups(bench, port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)")
    bus = bench.subscribe()
    port.line("0.00 %")
    port.line("1.40 %")
    seq = bus.wait_for(event("measure", measure="strength_pct", brew=first))["readings"]
    assert bench.ask(do="discard", brew=first)["ok"]
    assert f"of {first}, which is discarded, is no cup's" in \
        bus.wait_for(event("warning", warning="strength-unassigned"))["detail"]
    assert [(one["seq"], one["brew"]) for one in bench.ask(do="strength")["readings"]] == [(seq[0], None)]
    assert bench.ask(do="assign", brew=second)["ok"]
    assert bus.wait_for(event("measure", measure="strength_pct", brew=second))["readings"] == seq


def test_any_ending_of_a_brews_name_that_is_its_own_will_do(bench):
    port = bench.port("glass")
    logger = bench.logger()
    first, second = two_cups(bench, port, r"pattern = (?<value>\d+\.\d+) (?<unit>%)")
    assert bench.ask(do="note", brew="002", text="from the left kettle")["brew"] == second
    refused = bench.ask(do="note", brew="", text="of nothing")
    assert not refused["ok"] and "there is no brew" in refused["why"]
    refused = bench.ask(do="note", brew="00", text="of nothing")
    assert not refused["ok"] and "the newest is " + second in refused["why"]
    bench.wait_query("SELECT brew FROM brew_summary WHERE note IS NOT NULL", lambda rows: rows == [{"brew": second}])
    status, output, said = bench.run("poise-ctl", "brews", "--brew", "01")
    assert (status, said) == (0, "") and first in output and second not in output
    for number in range(3, 13):
        assert bench.ask(do="begin")["ok"] and bench.ask(do="end")["ok"]
    refused = bench.ask(do="note", brew="2", text="of two")     # 002 and 012
    assert not refused["ok"] and 'both end in "2"' in refused["why"]
    bench.wait_query("SELECT count(*) AS n FROM brew_summary", lambda rows: rows == [{"n": 12}])
    status, output, said = bench.run("poise-ctl", "brews", "--brew", "2")
    assert status == 1 and 'both end in "2"' in said
    logger.stop()
