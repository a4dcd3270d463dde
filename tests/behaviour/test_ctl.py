"""poise-ctl against a real poised: what it asks, what it shows, what it refuses."""
import json
import re
import signal

from bench import event, line_scale, reading, station


def bench_with_a_scale(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    port.wait_heard()
    return port


def ctl(bench, *arguments):
    return bench.run("poise-ctl", *arguments)


def done(bench, *arguments):
    status, output, said = ctl(bench, *arguments)
    assert (status, said) == (0, ""), (status, said)
    return output


def refused(bench, status, sentence, *arguments):
    got, output, said = ctl(bench, *arguments)
    assert (got, output) == (status, ""), (got, output, said)
    assert said.startswith("poise-ctl: ") and sentence in said and said.count("\n") == 1, said


def test_ctl_watch_shows_a_line_written_to_the_port(bench):
    port = bench_with_a_scale(bench)
    watch = bench.start("poise-ctl", "watch")
    watch.wait_line("bench pier: left: idle")
    for _ in range(2):      # the first after opening may be half a line
        port.line("ST,GS,+   12.30 g")
    watch.wait_line(r"\d\d:\d\d:\d\d\.\d{3}  left-scale +12\.30 g$")
    port.line("US,GS,+   13.4 g")
    watch.wait_line(r"left-scale +13\.4 g  moving$")
    port.line("OL,GS,+------ kg")
    watch.wait_line(r"left-scale +overload$")
    watch.signal(signal.SIGINT)
    assert watch.wait() == 0


def test_ctl_watch_json_keeps_the_digits_and_the_topic(bench):
    port = bench_with_a_scale(bench)
    watch = bench.start("poise-ctl", "watch", "--json", "reading", "--count", 1)
    state = bench.start("poise-ctl", "watch", "--json", "state", "--count", 1)
    assert state.wait() == 0
    assert json.loads(state.output)["topic"] == "state/pier"
    bus = bench.subscribe()
    while watch.process.poll() is None and not watch.output:    # it may not have subscribed yet: say it again
        for _ in range(2):
            port.line("ST,GS,+   12.30 g")
        bus.wait_for(reading("left-scale"))
        watch._read(0.05)
    assert watch.wait() == 0
    line = watch.output.decode()
    assert '"value":12.30,' in line
    assert json.loads(line)["topic"] == "reading/pier/left-scale"


def test_ctl_watch_says_that_the_bench_is_gone_and_finds_it_again(bench):
    bench.configure(station("left"))
    daemon = bench.poised()
    watch = bench.start("poise-ctl", "watch")
    watch.wait_line("bench pier")
    daemon.stop()
    watch.wait_diagnostic("the bench is gone")
    bench.poised()
    watch.wait_line("bench pier")
    bus = bench.subscribe()
    assert done(bench, "begin") == bus.wait_for(event("brew", change="begin"))["brew"] + "\n"
    watch.wait_line("begins on left")


def test_ctl_tare_sends_what_the_configuration_says(bench):
    port = bench_with_a_scale(bench)
    done(bench, "tare")
    assert port.read_until(b"\r\n") == b"T\r\n"
    done(bench, "tare", "--instrument", "left-scale")
    assert port.read_until(b"\r\n") == b"T\r\n"
    refused(bench, 1, "no instrument", "tare", "--instrument", "right-scale")
    refused(bench, 1, "left-scale", "zero")


def test_ctl_takes_a_brew_through_its_stages_by_hand(bench):
    bench_with_a_scale(bench)
    bench.logger()
    bus = bench.subscribe()
    brew = done(bench, "begin").strip()
    assert bus.wait_for(event("brew", change="begin"))["brew"] == brew
    done(bench, "mark", "pour")
    assert bus.wait_for(event("stage", stage="pour"))["by"] == "operator"
    done(bench, "enter", "dose_g", "15.0", "--uncertainty", "0.05")
    measure = bus.wait_for(event("measure", measure="dose_g"))
    assert (measure["value"], measure["standard_uncertainty"], measure["by"]) == (15.0, 0.05, "operator")
    done(bench, "enter", "water_g", "230")
    done(bench, "enter", "beverage_g", "199.25")
    done(bench, "end")
    bus.wait_for(event("brew", change="end"))
    done(bench, "enter", "strength_pct", "1.40", "--brew", brew)
    done(bench, "note", "--brew", brew, "ferry", "blend")
    # 1.40 x 199.25 / 15.0
    bench.wait_query("select note, extraction_pct from brew_summary",
                     lambda rows: rows and rows[0]["note"] and abs((rows[0]["extraction_pct"] or 0) - 18.596667) < 1e-4)
    one = json.loads(done(bench, "brews", "--json"))
    # one look at a refractometer: repeats 0.012, a zero that nobody read 0.1 / sqrt 3, its drift 0.02 / sqrt 3;
    # times beverage by dose, and the dose's own
    assert round(one["strength_pct_u"], 5) == 0.06009 and 0.79 < one["extraction_pct_u"] < 0.81
    assert (one["brew"], one["dose_g"], one["note"]) == (brew, 15.0, "ferry blend")
    title, row = done(bench, "brews").splitlines()
    assert title.split()[0] == "brew" and row.split()[0] == brew
    assert {"15.0", "230.0", "199.2", "1.40", "18.60"} <= set(row.replace("199.3", "199.2").split()), row
    assert done(bench, "brews", "--brew", brew).splitlines()[1] == row
    done(bench, "discard", "--brew", brew, "spilled")
    assert bus.wait_for(event("brew", change="discard"))["note"] == "spilled"


def test_ctl_mark_ago_goes_back_in_time(bench):
    bench_with_a_scale(bench)
    bus = bench.subscribe()
    done(bench, "begin")
    bus.wait_for(event("brew", change="begin"))
    done(bench, "mark", "pour", "--ago", "0.05")
    stage = bus.wait_for(event("stage", stage="pour"))
    assert stage["mono_us"] - stage["at_us"] >= 50000


def test_ctl_status_names_the_stage_and_the_instruments(bench):
    port = bench_with_a_scale(bench)
    assert re.search(r"^left +idle *$", done(bench, "status"), re.M)      # since ever: for how long nobody knows
    brew = done(bench, "begin").strip()
    bus = bench.subscribe()
    for _ in range(2):
        port.line("ST,GS,+   12.30 g")
    bus.wait_for(reading("left-scale"))
    status = done(bench, "status")
    assert status.startswith("bench pier\n") and brew in status
    state = json.loads(done(bench, "status", "--json"))
    assert state["stations"][0]["brew"] == brew
    instruments = done(bench, "instruments").splitlines()
    assert instruments[1].split()[:4] == ["left-scale", "ready", "12.3", "g"] and str(port) in instruments[1]
    assert json.loads(done(bench, "instruments", "--json").splitlines()[0])["instrument"] == "left-scale"


def test_ctl_refuses_what_makes_no_sense(bench):
    bench.configure(station("left"), station("right"))
    bench.poised()
    refused(bench, 2, "poise-ctl --help", )
    refused(bench, 2, "no command 'fly'", "fly")
    refused(bench, 2, "usage: poise-ctl mark STAGE", "mark")
    refused(bench, 2, "is no stage; there are idle, dose", "mark", "boil")
    refused(bench, 2, "is no measure; there are dose_g", "enter", "dose", "15")
    refused(bench, 2, "is not a number", "enter", "dose_g", "nan")
    refused(bench, 2, "it must be 0 to 30", "enter", "strength_pct", "140")
    refused(bench, 2, "takes no --ago", "begin", "--ago", "3")
    refused(bench, 2, "--ago", "mark", "pour", "--ago", "yesterday")
    refused(bench, 2, "is too long", "note", "x" * 400)
    refused(bench, 2, "not an address", "begin", "--control", "somewhere")
    refused(bench, 1, "station", "begin")           # two stations: which one?
    refused(bench, 1, "no answer", "begin", "--control", f"ipc://{bench.folder}/nobody")
    refused(bench, 1, "no store there", "brews")


def test_a_first_mark_that_is_taken_back_leaves_a_brew_without_stages(bench):
    bench_with_a_scale(bench)
    bus = bench.subscribe()
    brew = done(bench, "begin").strip()
    done(bench, "mark", "pour")
    bus.wait_for(event("stage", stage="pour", brew=brew))
    done(bench, "undo")
    bus.wait_for(event("stage", stage="idle", brew=brew))
    station = bench.ask(do="status")["state"]["stations"][0]
    assert (station["brew"], station["stages"], station["first_water_us"]) == (brew, [], None), station
