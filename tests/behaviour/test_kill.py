"""Poised killed in mid-brew."""
# Alone: it brews on a fast clock.
from bench import event, line_scale, station

CUP = """
[virtual]
seed = 11
[scale left-scale]
layout = plain
noise_g = 0
do = brew cup 300
do = wait 2
do = put cup brewer
do = wait 3
do = coffee 15 g
do = wait 3
do = pour 230 g
do = wait 80
do = press 3000 g
do = wait 30
"""


def test_a_brew_goes_on_after_kill_9(bench):
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    player = bench.virtual(CUP, "--clock-rate", 10, "--stay")
    daemon = bench.poised("--clock-rate", 10)
    bus, measures = bench.subscribe(), bench.subscribe()
    brew = bus.wait_for(event("stage", stage="steep"))["brew"]
    measures.wait_for(event("measure", measure="dose_g"))
    daemon.kill()
    last = max(message["seq"] for message in measures.drain())
    dose = [m for m in measures.messages if event("measure", measure="dose_g")(m)][-1]["value"]
    bench.poised("--clock-rate", 10)
    state = bench.subscribe().messages[-1]
    assert state["stations"][0]["brew"] == brew
    assert state["stations"][0]["measures"]["dose_g"]["value"] == dose
    bus.drain()     # nobody listened yet when it was said that numbers were skipped; the journal has it
    said = bench.ask(do="since", seq=last)["messages"]
    assert any(message.get("warning") == "numbers-skipped" for _, message in said)
    assert bus.wait_for(event("stage", stage="press"), timeout=60)["brew"] == brew
    player.wait_json(lambda line: line["truth"] == "end", timeout=60)
    assert bench.ask(do="end")["brew"] == brew
    end = bus.wait_for(event("brew", change="end"))["measures"]
    assert end["dose_g"]["value"] == dose and end["water_g"]["value"] > 100 and end["press_s"]["value"] > 0
    begins = [m for m in bench.ask(do="since", seq=0)["messages"] if m[1].get("change") == "begin"]
    assert [m[1]["brew"] for m in begins] == [brew]
