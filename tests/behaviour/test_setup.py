"""poise-ctl setup, as a person meets it: on a terminal, with instruments on pseudo-terminals; the system's own programs
are played by scripts that come first in PATH."""
import os

from bench import line_scale, station
from player import Player, brew

SHORT = "--seconds", "0.2"


def system(bench, manager="running", may=True):
    """PATH with systemctl, usermod and systemd-sysusers of our own: each writes down what it was asked to do.  Without
    the right to it they fail, as for a user who is not root."""
    folder = bench.folder / "system"
    folder.mkdir(exist_ok=True)
    for name in ("systemctl", "usermod", "systemd-sysusers"):
        script = folder / name
        script.write_text(f'#!/bin/sh\ncase "$*" in *is-system-running) echo {manager}; exit 0;; esac\n'
                          f'echo "{name} $*" >>{bench.folder}/asked\nexit {0 if may else 1}\n')
        script.chmod(0o755)
    return {"PATH": f"{folder}:{os.environ['PATH']}", "SUDO_USER": "nobody"}


def asked(bench):
    path = bench.folder / "asked"
    return path.read_text() if path.exists() else ""


def setup(bench, *arguments, env):
    return bench.start("poise-ctl", "setup", "--config", bench.configuration, *SHORT, *arguments, env=env,
                       terminal=(40, 80))


def answer(screen, question, text=""):
    """Waits for the question behind what was answered before, and types."""
    screen.wait_text(question)
    screen.output = screen.output[screen.output.index(question.encode()) + len(question):]
    screen._taken = 0
    screen.type(text + "\r")


def test_setup_goes_from_a_plugged_in_scale_to_a_saved_brew(bench):     # alone
    port, wrote = bench.port("unknown"), f"; mine, and it stays\n{bench.configure().read_text()}"
    bench.configuration.write_text(wrote)
    with Player(port, rate=5) as scale:
        scale.grams = 12.5
        screen = setup(bench, port, env=system(bench))
        screen.wait_text("press it lightly")
        screen.wait_text("12.5 g")
        scale.grams = 166.0
        screen.wait_text("166.0 g")
        scale.grams = 0.0
        answer(screen, "is it this one? [yes]")
        answer(screen, "What is the station called where it stands? [bench]", "Training room")
        screen.wait_text("A name has 1 to 32 characters a-z 0-9 -")
        answer(screen, "[bench]", "training")
        answer(screen, "what is the scale called? [training-scale]")
        answer(screen, "piston in mm", "sixty")
        screen.wait_text("A number from 10 to 300")
        answer(screen, "piston in mm", "60")
        screen.wait_text("piston_diameter_mm = 60")
        assert bench.configuration.read_text() == wrote     # until it is confirmed nothing is changed
        answer(screen, "Write them? [yes]")
        answer(screen, "see it arrive in the store? [yes]")
        text = bench.configuration.read_text()
        assert text.startswith(wrote) and "added by poise-ctl setup" in text, text
        assert f"[instrument training-scale]\ndriver   = line\nport     = {port}\nserial   = 9600 8N1\n" in text, text
        assert "systemctl --no-ask-password enable poised poise-logger" in asked(bench), asked(bench)
        assert "systemctl --no-ask-password restart poised poise-logger" in asked(bench), asked(bench)
        assert "usermod -aG poise nobody" in asked(bench), asked(bench)
    port.unplug()                           # and from now on it is one that brews
    bench.poised("--clock-rate", "20")      # what restart would have done
    bench.logger()
    screen.wait_text("The bench answers.")
    screen.wait_text("thin glass")
    bench.virtual(brew("unknown"), "--clock-rate", "20")
    screen.wait_text("is saved in", timeout=60)
    screen.wait_text("Done.")
    assert screen.wait() == 0
    saved = bench.query("SELECT dose_g, water_g, beverage_g FROM brew_summary")
    assert len(saved) == 1 and all(abs(float(a) - b) < 0.5 for a, b in zip(saved[0].values(), (15, 230, 200))), saved


def test_setup_again_adds_an_instrument(bench):
    own, port = bench.port("own"), bench.port("new")
    bench.configure(station("left"), line_scale("left-scale", own, station="left"))
    wrote = bench.configuration.read_text()
    bench.poised()
    with Player(port, rate=5, text="Brix 12.3 % 21.4 C\r\n"):
        status, output, said = bench.run("poise-ctl", "setup", "--yes", "--config", bench.configuration, *SHORT, own,
                                         port, env=system(bench))
    assert (status, said) == (0, ""), (status, output, said)
    assert str(own) not in output and "Use the refractometer" in output and "12.3 °Bx" in output, output
    text = bench.configuration.read_text()
    assert text.startswith(wrote) and "[instrument refractometer]" in text and "quantity = brix" in text, text
    assert bench.run("poised", "--check-config", "--config", bench.configuration)[0] == 0
    with Player(port, rate=5, text="Brix 12.3 % 21.4 C\r\n"):       # and once more: there is nothing new
        status, output, said = bench.run("poise-ctl", "setup", "--yes", "--config", bench.configuration, *SHORT, own,
                                         port, env=system(bench))
    assert status == 1 and bench.configuration.read_text() == text, (status, output)


def test_setup_of_a_silent_scale_says_what_makes_it_send(bench):
    port, wrote = bench.port("silent"), bench.configure().read_text()
    screen = setup(bench, port, env=system(bench))
    screen.wait_text("nothing came")
    screen.wait_text("PRINT, DATA, SEND")
    with Player(port, rate=5):
        answer(screen, "Enter looks again; q leaves [again]")
        answer(screen, "is it this one? [yes]", "no")
        screen.wait_text("Nothing was chosen")
    assert screen.wait() == 1 and bench.configuration.read_text() == wrote and asked(bench) == ""


def test_setup_prints_what_only_root_may_do(bench):
    port = bench.port("unknown")
    bench.configuration = "/proc/poise/poised.conf"         # where nobody may write, root included
    with Player(port, rate=5):
        screen = setup(bench, port, env=system(bench, may=False))
        answer(screen, "The name begins every brew's", "pier")
        answer(screen, "is it this one? [yes]")
        for question in ("where it stands? [bench]", "called? [bench-scale]", "piston in mm", "Write them? [yes]"):
            answer(screen, question)
        kept = bench.folder / "data/poise/poised.conf"
        screen.wait_text("Paste this into another terminal")
        for line in (f"sudo install -D -m 644 {kept} /proc/poise/poised.conf", "sudo usermod -aG poise nobody",
                     "sudo systemctl enable poised poise-logger && sudo systemctl restart poised poise-logger"):
            screen.wait_text(line)
        answer(screen, "Enter when that is done [done]")
        answer(screen, "see it arrive in the store? [yes]", "no")
        assert screen.wait() == 0
    status, output, said = bench.run("poised", "--check-config", "--config", kept)
    assert status == 0 and "bench pier, 1 station, 1 instrument" in output, (output, said)


def test_setup_where_no_service_manager_is_names_the_programs(bench):
    port = bench.port("unknown")
    bench.configure()
    with Player(port, rate=5):
        status, output, said = bench.run("poise-ctl", "setup", "--yes", "--config", bench.configuration, *SHORT, port,
                                         env=system(bench, manager="offline"))
    assert (status, said) == (0, ""), (status, output, said)
    assert "no service manager here" in output and f"poised --config {bench.configuration} &" in output, output
    assert "systemctl" not in asked(bench), asked(bench)


def test_setup_adds_nothing_to_a_file_with_a_mistake_and_asks_nobody_who_cannot_answer(bench):
    bench.configure("[station left]\npress_limit_kpa = much\n")
    wrote = bench.configuration.read_text()
    status, output, said = bench.run("poise-ctl", "setup", "--config", bench.configuration, env=system(bench))
    assert (status, output) == (2, "") and "run it in a terminal, or with --yes" in said, (status, output, said)
    status, output, said = bench.run("poise-ctl", "setup", "--yes", "--config", bench.configuration, env=system(bench))
    assert (status, output) == (1, "") and "has a mistake, which comes first" in said, (status, output, said)
    assert "press_limit_kpa = much" in said and bench.configuration.read_text() == wrote, said
