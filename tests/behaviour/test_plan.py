"""An experiment on the bench: loaded, brewed, judged, remembered."""
import signal

from bench import event, line_scale, station

PLAN = """[experiment]
name = ferry-steep
title = How long to steep the ferry blend
replicates = 2
seed = 7
[vary]
steep_s = 60, 120
[hold]
water_g = 230 +- 2
grind = 18
"""


def configure(bench):
    bench.configure(station("left"), line_scale("left-scale", bench.port("left-scale"), station="left"))


def brewed(bench, water_g):
    """A brew by order, its water typed in; its begin and end as published."""
    bus = bench.subscribe()
    brew = bench.ask(do="begin")["brew"]
    assert bench.ask(do="enter", measure="water_g", value=water_g)["ok"]
    assert bench.ask(do="end")["ok"]
    begin = bus.wait_for(event("brew", change="begin", brew=brew))
    end = bus.wait_for(event("brew", change="end", brew=brew))
    return begin, end, bus


def test_a_plan_says_what_each_brew_is_and_survives_kill_9(bench):
    configure(bench)
    daemon = bench.poised()
    assert bench.ask(do="plan", plan="load", text=PLAN)["design"]["cups"] == 4
    offered = bench.ask(do="status")["state"]["stations"][0]["next"]
    assert offered["of"] == 4 and offered["recipe"] == {"water_g": 230, "grind": 18}
    begin, end, _ = brewed(bench, 231)
    assert begin["plan"]["experiment"] == "ferry-steep" and begin["plan"]["run"] == offered["run"]
    assert begin["plan"]["factors"] == offered["factors"] and end["plan_kept"] is True
    begin, end, bus = brewed(bench, 236)
    missed = begin["plan"]["run"]
    assert end["plan_kept"] is False
    warning = next(m for m in bus.messages if event("warning", warning="plan-not-kept")(m))
    assert "Water 236 g, planned 230 ± 2 g" in warning["detail"]
    running = bench.ask(do="begin")["brew"]
    daemon.kill()
    bench.poised()
    state = bench.ask(do="status")["state"]
    assert state["plan"] == {"experiment": "ferry-steep", "title": "How long to steep the ferry blend",
                             "done": 1, "of": 4}
    assert state["stations"][0]["brew"] == running and state["stations"][0]["next"]["experiment"] == "ferry-steep"
    assert bench.ask(do="end")["brew"] == running
    brewed(bench, 230)
    assert bench.ask(do="plan", plan="next")["next"]["run"] == missed       # its repeat, at the end
    brewed(bench, 230)
    assert bench.ask(do="status")["state"]["plan"]["done"] == 4
    assert "plan" not in brewed(bench, 230)[0]
    shown = bench.ask(do="plan", plan="show")["plan"]
    assert shown["text"] == PLAN and [run["state"] for run in shown["runs"]] == ["done"] * 4
    assert bench.ask(do="plan", plan="unload")["of"] == 4
    assert bench.ask(do="status")["state"]["plan"] is None


def test_a_late_correction_changes_the_verdict_everywhere(bench):
    configure(bench)
    logger = bench.logger()
    daemon = bench.poised()
    bench.ask(do="plan", plan="load", text=PLAN)
    begin, end, bus = brewed(bench, 236)
    brew, run = begin["brew"], begin["plan"]["run"]
    assert end["plan_kept"] is False and end["note"] == "Water 236 g, planned 230 ± 2 g"
    kept = "SELECT brew, plan_kept FROM brew_summary"
    bench.wait_query(kept, lambda rows: rows == [{"brew": brew, "plan_kept": 0}])
    daemon.kill()
    bench.poised()
    bus = bench.subscribe()
    bench.ask(do="enter", brew=brew, measure="water_g", value=231)
    verdict = bus.wait_for(event("brew", change="verdict"))
    assert (verdict["brew"], verdict["plan_kept"]) == (brew, True)
    bench.wait_query(kept, lambda rows: rows == [{"brew": brew, "plan_kept": 1}])
    state = {r["run"]: r["state"] for r in bench.ask(do="plan", plan="show")["plan"]["runs"]}
    assert state[run] == "done"
    bench.ask(do="enter", brew=brew, measure="water_g", value=226)
    verdict = bus.wait_for(event("brew", change="verdict"))
    assert (verdict["plan_kept"], verdict["note"]) == (False, "Water 226 g, planned 230 ± 2 g")
    bench.wait_query("SELECT plan_kept, reason FROM brew", lambda rows: rows == [
        {"plan_kept": 0, "reason": "Water 226 g, planned 230 ± 2 g"}])
    state = {r["run"]: r["state"] for r in bench.ask(do="plan", plan="show")["plan"]["runs"]}
    assert state[run] == "waiting"
    logger.stop()


def test_a_mark_after_the_end_changes_the_verdict(bench):
    configure(bench)
    bench.poised()
    bench.ask(do="plan", plan="load", text=PLAN.replace("60, 120", "60, 120 +- 3"))
    bus = bench.subscribe()
    brew = bench.ask(do="begin")["brew"]
    begin = bus.wait_for(event("brew", change="begin"))
    now_us, steep_s = begin["mono_us"], begin["plan"]["factors"]["steep_s"]
    bench.ask(do="enter", measure="water_g", value=230)
    for stage, ago_s in (("pour", steep_s + 40), ("press", 30)):        # ten seconds too long
        assert bench.ask(do="mark", stage=stage, at_us=now_us - round(ago_s * 1e6))["ok"]
    bench.ask(do="end")
    end = bus.wait_for(event("brew", change="end"))
    assert end["measures"]["steep_s"]["value"] == steep_s + 10 and end["plan_kept"] is False
    assert bench.run("poise-ctl", "mark", "press", "--brew", "pier-20200101-001")[0] == 1
    assert bench.ask(do="mark", brew=brew, stage="press", at_us=now_us - 40_000_000)["brew"] == brew
    measure = bus.wait_for(event("measure", measure="steep_s"))
    assert (measure["value"], measure["by"]) == (steep_s, "operator")
    assert bus.wait_for(event("brew", change="verdict"))["plan_kept"] is True
    assert bench.ask(do="status")["state"]["plan"]["done"] == 1
    status, _, said = bench.run("poise-ctl", "mark", "done", "--brew", brew)
    assert status == 1 and f"{brew} is over: its dose, bloom, pour" in said


def test_a_station_that_is_gone_ends_its_brew_of_the_plan(bench):
    bench.configure(station("left"), station("right"), station("window"))
    daemon = bench.poised()
    bench.ask(do="plan", plan="load", text=PLAN)
    bus = bench.subscribe()
    gone = [bench.ask(do="begin", station=name)["brew"] for name in ("left", "window")]
    for brew in gone:
        assert bench.ask(do="enter", brew=brew, measure="water_g", value=236)["ok"]
    stays = bench.ask(do="begin", station="right")["brew"]
    bench.configure(station("right"))
    daemon.signal(signal.SIGHUP)
    for brew in gone:
        assert bus.wait_for(event("brew", change="end", brew=brew))["plan_kept"] is False
    state = bench.ask(do="status")["state"]
    assert [s["station"] for s in state["stations"]] == ["right"]
    assert (state["stations"][0]["brew"], state["plan"]["done"]) == (stays, 0)


def test_a_plan_file_is_checked_without_a_bench(bench):
    file = bench.folder / "ferry.plan"
    file.write_text(PLAN)
    status, output, said = bench.run("poise-ctl", "plan", "check", file)
    assert (status, said) == (0, "")
    assert output.startswith("ferry-steep: 4 cups, 2 levels repeated; about 26 min at one station\n")
    file.write_text(PLAN.replace("seed = 7", "difference = 0.01"))
    status, output, _ = bench.run("poise-ctl", "plan", "check", file)
    assert status == 1 and "cannot be shown with 2 cups per level" in output
    file.write_text(PLAN.replace("steep_s", "soak").replace("230 +- 2", "230 +- 2 ml"))
    status, output, said = bench.run("poise-ctl", "plan", "check", file)
    assert (status, output) == (1, "")
    assert said.splitlines()[0].startswith(f'poise-ctl: {file}:7: "soak" is not known; `poise-ctl plan settings`')
    assert said.splitlines()[1] == f'poise-ctl: {file}:9: water_g is in g, not "ml"'


def test_a_plan_is_worked_through_with_poise_ctl(bench):
    configure(bench)
    bench.poised()
    file = bench.folder / "ferry.plan"
    file.write_text(PLAN)
    assert bench.run("poise-ctl", "plan", "show")[0] == 1
    assert bench.run("poise-ctl", "plan", "load", file)[:2] == (0, "ferry-steep is loaded: 4 cups\n")
    status, first, _ = bench.run("poise-ctl", "plan", "next")
    assert status == 0 and first.startswith("cup 1 of 4: Steep: ") and "held: Water: 230 ± 2 g, Grind: 18" in first
    assert bench.run("poise-ctl", "plan", "skip")[1].startswith("cup 2 of 4: ")
    brew = brewed(bench, 230)[0]["brew"]
    assert bench.run("poise-ctl", "plan", "redo", brew)[:2] == (0, f"Repeat of {brew} queued\n")
    shown = bench.run("poise-ctl", "plan", "show")[1]
    assert "0 of 4 cups are done; the order was drawn with the seed 7" in shown
    assert f"   2  again    {brew} " in shown
    assert bench.run("poise-ctl", "plan", "load", file)[0] == 1
    assert bench.run("poise-ctl", "plan", "unload")[1] == "ferry-steep is unloaded, 0 of 4 cups were done\n"
    status, output, said = bench.run("poise-ctl", "plan", "settings")
    assert (status, said) == (0, "")
    listed = [line.split()[0] for line in output.splitlines()]
    assert {"dose_g", "grind", "stir", "stir_at_s", "temperature_c", "own_..."} <= set(listed) and "strength_pct" not in listed
    status, output, said = bench.run("poise-ctl", "plan", "dance")
    assert (status, output) == (2, "") and "there are load, check" in said


def test_a_plan_without_a_title_goes_by_its_name(bench):
    configure(bench)
    bench.poised()
    file = bench.folder / "ferry.plan"
    file.write_text(PLAN.replace("title = How long to steep the ferry blend\n", ""))
    assert bench.run("poise-ctl", "plan", "load", file)[0] == 0
    assert bench.run("poise-ctl", "plan", "show")[1].startswith("ferry-steep\n0 of 4 cups are done")
    assert "\nplan: ferry-steep, 0 of 4 runs done\n" in bench.run("poise-ctl", "status")[1]


def test_a_plan_loaded_again_counts_its_cups_and_credits_the_run_that_fits(bench):
    """The verdict and the run reach the store: 120 s brewed where 60 s were offered, then a wider tolerance."""
    configure(bench)
    bench.poised()
    logger = bench.logger()
    text = PLAN.replace("seed = 7", "order = listed").replace("60, 120", "60, 120 +- 3")
    file = bench.folder / "ferry.plan"
    file.write_text(text)
    assert bench.run("poise-ctl", "plan", "load", file)[0] == 0
    bus = bench.subscribe()
    brews = []
    for steep_s, water_g in (121, 230), (60, 236):
        brews.append(bench.ask(do="begin")["brew"])
        assert bench.ask(do="enter", measure="water_g", value=water_g)["ok"]
        assert bench.ask(do="enter", measure="steep_s", value=steep_s)["ok"]
        assert bench.ask(do="end")["ok"]
    credited = bus.wait_for(event("brew", change="verdict", brew=brews[0]))
    assert (credited["plan_kept"], credited["plan"]["run"]) == (True, 2)
    assert "Counts as run 2" in bus.wait_for(event("warning", warning="plan-credited"))["detail"]
    bench.wait_query("SELECT run, plan_kept, json_extract(factors, '$.steep_s') AS steep FROM brew_summary ORDER BY brew",
                     lambda rows: rows == [{"run": 2, "plan_kept": 1, "steep": 120},
                                           {"run": 1, "plan_kept": 0, "steep": 60}])
    assert "1 of 4 cups were done" in bench.run("poise-ctl", "plan", "unload")[1]
    file.write_text(text.replace("230 +- 2", "230 +- 8"))
    assert bench.run("poise-ctl", "plan", "load", file)[1] == "ferry-steep is loaded: 4 cups, 2 of them done already\n"
    bench.wait_query("SELECT plan_kept FROM brew_summary ORDER BY brew",
                     lambda rows: [row["plan_kept"] for row in rows] == [1, 1])
    assert bench.run("poise-ctl", "plan", "credit", brews[0][-3:], "4")[1] == f"{brews[0]} counts as run 4\n"
    bench.wait_query("SELECT run FROM brew_summary ORDER BY brew", lambda rows: [row["run"] for row in rows] == [4, 1])
    logger.stop()


def test_questions_change_nothing(bench):
    """Whoever asks, and however often: no number is given, no run is offered or taken, nothing is recorded."""
    port = bench.port("left-scale")
    bench.configure(station("left"), station("right"), line_scale("left-scale", port, station="left"))
    bench.poised()
    port.wait_heard()
    bus = bench.subscribe()
    assert bench.ask(do="plan", plan="load", text=PLAN)["ok"]

    def picture():
        state = bench.ask(do="status")["state"]
        return {key: value for key, value in state.items() if key not in ("time_us", "mono_us")}

    before = picture()
    asked = len(bus.drain())
    for _ in range(3):
        for question in ({"do": "status"}, {"do": "instruments"}, {"do": "strength"}, {"do": "health"},
                         {"do": "plan", "plan": "next", "station": "right"}, {"do": "plan", "plan": "show"},
                         {"do": "since", "seq": 0, "most": 5}):
            bench.ask(**question)
    assert picture() == before
    assert [message for message in bus.drain()[asked:] if not message["topic"].startswith("state/")] == []
