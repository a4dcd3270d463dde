"""Programs killed and stopped in the middle of brews, at moments drawn from a seed: nothing is lost and nothing is twice."""
import os
import signal
import subprocess

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
