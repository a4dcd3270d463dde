"""Poised killed in mid-brew."""
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


def test_a_brew_goes_on_after_kill_9(bench):      # alone long
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    player = bench.virtual(CUP, "--clock-rate", 10, "--stay")
    daemon = bench.poised("--clock-rate", 10)
    bus, measures = bench.subscribe(), bench.subscribe()
    brew = bus.wait_for(event("stage", stage="steep"))["brew"]
    measures.wait_for(event("measure", measure="dose_g"))
    daemon.kill()
    bench.poised("--clock-rate", 10)
    state = bench.subscribe().state
    assert state["stations"][0]["brew"] == brew
    # nobody listened yet when it was said that numbers were skipped, and what was under way at the kill may have reached
    # nobody: the journal has it all
    said = bench.history()
    skipped = next(place for place, message in enumerate(said) if message.get("warning") == "numbers-skipped")
    assert said[skipped]["seq"] > max(message["seq"] for message in said[:skipped]) + 1
    dose = [message for message in said[:skipped] if message.get("measure") == "dose_g"][-1]["value"]
    assert state["stations"][0]["measures"]["dose_g"]["value"] == dose
    assert bus.wait_for(event("stage", stage="press"), timeout=60)["brew"] == brew
    player.wait_json(lambda line: line["truth"] == "end", timeout=60)
    assert bench.ask(do="end")["brew"] == brew
    end = bus.wait_for(event("brew", change="end"))["measures"]
    assert end["dose_g"]["value"] == dose and end["water_g"]["value"] > 100 and end["press_s"]["value"] > 0
    assert [message["brew"] for message in bench.history() if message.get("change") == "begin"] == [brew]
