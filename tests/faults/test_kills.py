"""Programs killed and stopped in the middle of brews, at moments drawn from a seed: nothing is lost and nothing is twice."""
import os
import select
import signal
import subprocess

from bench import event, line_scale, station
from kills import Morning, play


def test_five_kills_and_stops_in_a_brew_lose_nothing(bench):
    play(Morning(bench, 20261130, 1, 5))


def test_two_hundred_kills_and_stops_lose_nothing(bench):       # alone long
    play(Morning(bench, 20261131, 67, 3, 8))


def test_a_logger_that_is_stopped_before_it_began_ends_in_order(bench):
    """The signal is there when its first line runs: earlier than anybody can send it."""
    def stopped_already():
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        os.kill(os.getpid(), signal.SIGTERM)
    done = subprocess.run([bench.programs_folder / "poise-logger", "--store", bench.store], preexec_fn=stopped_already,
                          env=dict(os.environ, **bench.environment), capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert bench.query("select count(*) as brews from brew") == [{"brews": 0}]

BRIEF_PRESS = """
[virtual]
seed = 11
[scale left-scale]
layout = plain
noise_g = 0
do = brew cup 300
do = wait 2
do = put cup brewer
do = wait 4
do = coffee 15 g
do = wait 5
do = pour 230 g
do = wait 20
do = press 1200 g
do = wait 6
do = lift all
do = wait 6
"""


def test_a_poised_stopped_three_seconds_across_a_press_knows_its_peak(bench):      # alone long
    """What waited in the port arrives at once and keeps its own pace: the force is what it was, and so is its length."""
    rate = 10
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    player = bench.virtual(BRIEF_PRESS, "--clock-rate", rate, "--stay")
    daemon = bench.poised("--clock-rate", rate)
    bus, truth = bench.subscribe(), {}
    pressed_us = player.wait_json(lambda line: line.get("does", "").startswith("press"), timeout=60)["real_us"] * rate
    bus.wait_for(lambda message: message["mono_us"] >= pressed_us + 1e6 and "instrument" in message)
    daemon.signal(signal.SIGSTOP)
    select.select([], [], [], 3 / rate)     # as long on the bench
    daemon.signal(signal.SIGCONT)

    def brewed(line):
        truth.update(line if line["truth"] == "brew" else {})
        return line["truth"] == "end"
    player.wait_json(brewed, timeout=60)
    assert bench.ask(do="end")["ok"]
    end = bus.wait_for(event("brew", change="end"))["measures"]
    assert abs(end["press_peak_kpa"]["value"] - truth["press_peak_kpa"]) < 0.5, (end, truth)
    assert abs(end["press_s"]["value"] - truth["press_s"]) < 1, (end, truth)
