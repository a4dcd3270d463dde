"""Instruments that are missing, go, come back, talk nonsense, or talk too much: each is said once, and the others
go on."""
import contextlib
import fcntl
import os
import pathlib
import pty
import signal
import stat
import termios

from bench import event, line_scale, reading, refractometer, station


def scale_line(grams):
    return f"ST,GS,+{grams:9.2f} g"


def weigh(port, bus, grams, instrument="left-scale"):
    """Shows a mass, twice since the first line after opening is dropped; the reading."""
    port.wait_heard()
    port.line(scale_line(grams))
    port.line(scale_line(grams))
    return bus.wait_for(reading(instrument, value=grams))


def one_scale(bench, *lines):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, *lines, station="left"))
    return port


def descriptors_of(program):
    """How many descriptors it has, files on disk apart: one more of these is open for a moment now and then."""
    count = 0
    for descriptor in pathlib.Path(f"/proc/{program.process.pid}/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):            # closed while we look
            count += not stat.S_ISREG(descriptor.stat().st_mode)
    return count


def status_of(bench, name):
    instruments = bench.ask(do="instruments")["instruments"]
    return next(one for one in instruments if one["instrument"] == name)


def changes(bus, name):
    """All that was said of an instrument so far, in order; not that it was found at the start, which may be heard yet."""
    said = [message["change"] for message in bus.drain()
            if message["topic"].endswith("/instrument") and message["instrument"] == name]
    return said[1:] if said[:1] == ["found"] else said


def test_a_missing_port_is_said_and_opened_when_it_comes(bench):
    port = one_scale(bench)
    port.unplug()
    daemon = bench.poised()
    daemon.wait_diagnostic("left-scale: searching: .*left-scale is not there")
    assert status_of(bench, "left-scale")["condition"] == "searching"
    bus = bench.subscribe()
    port.plug()
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    assert weigh(port, bus, 12.34)["unit"] == "g"
    assert status_of(bench, "left-scale")["condition"] == "ready"


def test_a_port_in_a_folder_that_is_missing_is_opened_when_it_comes(bench):
    port = bench.port("left-scale")
    by_id = bench.folder / "serial" / "by-id"
    bench.configure(station("left"), line_scale("left-scale", by_id / "scale", station="left"))
    daemon = bench.poised()
    daemon.wait_diagnostic("left-scale: searching")
    bus = bench.subscribe()
    by_id.mkdir(parents=True)
    (by_id / "scale").symlink_to(port.link)
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    weigh(port, bus, 12.34)


def test_a_folder_that_goes_with_its_port_is_opened_again_with_it(bench):
    port = bench.port("left-scale")
    by_id = bench.folder / "serial" / "by-id"
    by_id.mkdir(parents=True)
    link = by_id / "scale"
    link.symlink_to(port.link)
    bench.configure(station("left"), line_scale("left-scale", link, station="left"))
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    port.unplug()                       # the order in which the device manager takes things away
    bus.wait_for(event("instrument", instrument="left-scale", change="lost"))
    link.unlink()
    by_id.rmdir()
    by_id.parent.rmdir()
    port.plug()
    by_id.mkdir(parents=True)
    link.symlink_to(port.link)
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    weigh(port, bus, 12.36)


def test_a_renamed_instrument_takes_its_port_along(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    bench.configure(station("left"), line_scale("other-scale", port, station="left"))
    daemon.signal(signal.SIGHUP)
    bus.wait_for(event("instrument", instrument="other-scale", change="found"))
    weigh(port, bus, 12.36, "other-scale")
    assert "refused" not in changes(bus, "other-scale")


def test_new_settings_of_an_open_port_hold_at_once(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    bench.configure(station("left"), line_scale("left-scale", port, "decimal = comma", r"zero = Z\r\n", station="left"))
    assert not bench.ask(do="zero", instrument="left-scale")["ok"]
    daemon.signal(signal.SIGHUP)
    daemon.wait_diagnostic("read again")
    assert bench.ask(do="zero", instrument="left-scale")["ok"]
    assert port.read_until(b"Z\r\n") == b"Z\r\n"
    port.line("ST,GS,+ 1,234 g")        # the first after new settings may be half a line
    port.line("ST,GS,+ 1,234 g")
    assert bus.wait_for(reading("left-scale", value=1.234))
    assert changes(bus, "left-scale") == ["ready", "ordered"], changes(bus, "left-scale")


def test_a_port_that_dies_and_returns_is_read_again(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    port.write(b"ST,GS,+    99")        # half a line, never to be joined to what follows
    port.unplug()
    lost = bus.wait_for(event("instrument", instrument="left-scale", change="lost"))
    assert "left-scale" in lost["detail"]
    port.plug()
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    port.wait_heard()
    port.write(b".99 g\r\n")
    weigh(port, bus, 56.78)
    assert {message["value"] for message in bus.drain() if message["topic"].startswith("reading/")} == {12.34, 56.78}
    assert changes(bus, "left-scale") == ["ready", "lost", "found", "ready"]


def test_a_link_left_behind_leads_to_no_other_terminal(bench):
    """Whoever plays an instrument was killed: its terminal is gone, its link is not, and its number is given to another."""
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    gone = os.readlink(port.link)
    os.close(port.master)
    bus.wait_for(event("instrument", instrument="left-scale", change="lost"))
    others = [pty.openpty() for _ in range(16)]         # the lowest number that is free comes next
    before = [termios.tcgetattr(slave) for _, slave in others]
    for master, _ in others:
        os.write(master, b"my secret\n")
    began = bench.ask(do="status")["state"]["mono_us"]
    while bench.ask(do="status")["state"]["mono_us"] - began < 1_500_000:
        pass                            # it has tried twice at least, by the bench's own time
    for (_, slave), settings in zip(others, before):
        assert termios.tcgetattr(slave) == settings, gone
        assert os.read(slave, 100) == b"my secret\n"
        os.close(slave)
    port.plug()
    weigh(port, bus, 12.36)
    assert changes(bus, "left-scale") == ["ready", "lost", "found", "ready"], changes(bus, "left-scale")


def test_twenty_losses_in_a_row_leave_nothing_behind(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 1.00)
    descriptors = descriptors_of(daemon)
    for turn in range(20):
        port.unplug()
        bus.wait_for(event("instrument", change="lost"))
        port.plug()
        bus.wait_for(event("instrument", change="found"))
        weigh(port, bus, 10.0 + turn)
    bench.wait_until(lambda: descriptors_of(daemon) <= descriptors, "the descriptors of the lost ports are closed")
    said = [line for line in daemon.diagnostics.splitlines() if "left-scale: lost" in line]
    assert len(said) < 20               # a flapping plug does not fill the log


def test_a_port_in_use_is_refused_until_it_is_given_back(bench):
    port = one_scale(bench)
    other = os.open(port.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    daemon = bench.poised()
    daemon.wait_diagnostic("left-scale: refused: .*in use by another program")
    assert status_of(bench, "left-scale")["condition"] == "refused"
    bus = bench.subscribe()
    os.close(other)
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    weigh(port, bus, 12.34)


def test_a_port_that_is_no_serial_port_is_refused(bench):
    plain = bench.folder / "notes.txt"
    plain.write_bytes(b"ST,GS,+   12.34 g\r\n")
    bench.configure(station("left"), line_scale("left-scale", plain, station="left"))
    bench.poised().wait_diagnostic("left-scale: refused: .*notes.txt is no serial port")
    assert plain.read_bytes() == b"ST,GS,+   12.34 g\r\n"


def test_two_instruments_on_one_port_are_refused_with_the_line(bench):
    port = bench.port("scale")
    twin = bench.folder / "port" / "twin"
    twin.symlink_to(port.link)
    bench.configure(station("left"), station("right"), line_scale("left-scale", port, station="left"),
                    line_scale("right-scale", twin, station="right"))
    line = bench.configuration.read_text().splitlines().index(f"port = {twin}") + 1
    status, _, said = bench.run("poised", "--config", bench.configuration, "--check-config")
    assert status == 1
    assert f"poised.conf:{line}: instrument right-scale has the port of instrument left-scale" in said
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 2
    assert said.count("\n") == 1 and "has the port of" in said


def test_a_wrong_line_of_the_configuration_is_named(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, "pattern = (?<value>[0-9]+", station="left"))
    line = next(number for number, text in enumerate(bench.configuration.read_text().splitlines(), 1)
                if text.startswith("pattern"))
    status, out, said = bench.run("poised", "--config", bench.configuration, "--check-config")
    assert status == 1 and out == ""
    assert f"poised.conf:{line}: " in said and "pattern" in said


def test_a_good_configuration_is_called_good(bench):
    bench.configure(station("left"), line_scale("left-scale", "/dev/serial/by-id/not-there", station="left"))
    status, out, said = bench.run("poised", "--config", bench.configuration, "--check-config")
    assert (status, said) == (0, "")
    assert "1 station, 1 instrument" in out


def test_a_bus_on_the_network_is_refused(bench):
    bench.configuration.write_text("[bench]\nbus = tcp://0.0.0.0:7000\n[station left]\n")
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 2
    assert "poised.conf:2: " in said and "needs keys" in said and "ipc://" in said


def test_an_unknown_unit_is_a_rejection_and_no_reading(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    port.line("ST,GS,+   55.55 zz")
    port.line("QT,+      10 pcs")       # a counting scale weighs nothing
    port.line("ST,GS,+   55.55 %")      # a strength is no mass
    weigh(port, bus, 12.36)
    assert {message["value"] for message in bus.drain() if message["topic"].startswith("reading/")} == {12.34, 12.36}
    assert status_of(bench, "left-scale")["rejects"]["unit"] >= 2
    assert sum(status_of(bench, "left-scale")["rejects"].values()) == 4     # the first line is one of them


def test_a_list_carries_other_quantities_beside_its_own(bench):
    port = bench.port("refractometer")
    bench.configure(station("left"),
                    refractometer("refractometer", port, "fields = brix, temperature", quantity="brix"))
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    port.line("1.62,21.5")
    port.line("1.64,21.6")
    # the sample's temperature first: then it is known when the strength is used
    assert bus.wait_for(reading("refractometer", quantity="temperature"))["value"] == 21.6
    assert bus.wait_for(reading("refractometer", quantity="brix"))["value"] == 1.64


def test_noise_is_said_once_and_leaves_no_reading(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    noise = bytes((number * 167 + 13) % 256 for number in range(3000))
    for start in range(0, len(noise), 60):
        port.write(noise[start:start + 60] + b"\r\n")
    weigh(port, bus, 12.34)
    daemon.wait_diagnostic("left-scale: is understood again")
    assert daemon.diagnostics.count("is not understood") == 1
    assert {message["value"] for message in bus.drain() if message["topic"].startswith("reading/")} == {12.34}
    assert sum(status_of(bench, "left-scale")["rejects"].values()) > 20


def test_a_half_line_is_forgotten_after_a_second(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    port.write(b"ST,GS,+   77")
    for _ in range(2):                  # when it has been asked twice since, it has looked at the port in between
        began = bench.ask(do="status")["state"]["mono_us"]
    while bench.ask(do="status")["state"]["mono_us"] - began < 2_500_000:
        pass                            # the bench itself shows the time; a busy machine carries bytes late
    port.write(b".77 g\r\n")            # the late rest, which must not be taken for a line of its own either
    weigh(port, bus, 12.36)
    assert status_of(bench, "left-scale")["rejects"]["expired"] == 1
    assert {message["value"] for message in bus.drain() if reading("left-scale")(message)} == {12.34, 12.36}


def test_a_flood_rests_and_the_others_are_read_on(bench):
    mad, calm = bench.port("mad"), bench.port("calm")
    bench.configure(station("left"), station("right"), line_scale("mad", mad, station="left"),
                    line_scale("calm", calm, station="right"))
    daemon = bench.poised()
    bus = bench.subscribe()
    mad.wait_heard()
    calm.wait_heard()
    calm.line(scale_line(1.0))
    noise = bytes((number * 73 + 5) % 251 for number in range(4096))
    os.set_blocking(mad.master, False)
    for turn in range(60):              # nobody reads on when it rests, so what does not fit is dropped, as a wire does
        try:
            while True:                 # as much as it takes
                os.write(mad.master, noise)
        except BlockingIOError:
            pass
        calm.line(scale_line(10.0 + turn))
        bus.wait_for(reading("calm", value=10.0 + turn))
    assert "flooded" in changes(bus, "mad")
    assert daemon.diagnostics.count("mad: flooded") == 1


def test_an_instrument_comes_back_after_a_flood(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    while "flooded" not in changes(bus, "left-scale"):
        port.write(b"\x55" * 4096)      # faster than anything that means something, on the slowest computer
    while "ready" not in changes(bus, "left-scale"):
        port.line(scale_line(12.34))
        status_of(bench, "left-scale")      # paces the lines: no more than an instrument can mean
    assert status_of(bench, "left-scale")["condition"] == "ready"
    assert bus.wait_for(reading("left-scale"))["value"] == 12.34


def test_a_regular_scale_that_stops_is_silent_and_speaks_again(bench):
    port = one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    for turn in range(8):
        port.line(scale_line(turn))
    bus.wait_for(reading("left-scale", value=7.0))
    silent = bus.wait_for(event("instrument", instrument="left-scale", change="silent"))
    assert "no reading for" in silent["detail"]
    assert status_of(bench, "left-scale")["condition"] == "silent"
    port.line(scale_line(9.0))
    bus.wait_for(event("instrument", instrument="left-scale", change="ready"))
    assert bus.wait_for(reading("left-scale"))["value"] == 9.0


def test_an_instrument_that_waits_is_asked_and_no_answer_means_still_moving(bench):
    port = one_scale(bench, r"ask = P\r\n every 50 ms")
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    for grams in (1.0, 2.0, 3.0):
        port.read_until(b"P\r\n")
        port.line(scale_line(grams))
    bus.wait_for(reading("left-scale", value=3.0))
    for _ in range(10):
        port.read_until(b"P\r\n")       # asked on and on, though it does not answer
    assert status_of(bench, "left-scale")["condition"] == "ready"


def test_a_tare_is_sent_and_refused_where_it_cannot_be(bench):
    port, reader = bench.port("left-scale"), bench.port("refractometer")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"),
                    refractometer("refractometer", reader))
    bench.poised()
    port.wait_heard()
    assert bench.ask(do="tare", instrument="left-scale")["ok"]
    assert port.read_until(b"T\r\n") == b"T\r\n"
    refused = bench.ask(do="tare", instrument="refractometer")
    assert not refused["ok"] and "takes no order to tare" in refused["why"]
    bus = bench.subscribe()
    port.unplug()
    bus.wait_for(event("instrument", instrument="left-scale", change="lost"))
    gone = bench.ask(do="tare", instrument="left-scale")
    assert not gone["ok"] and "left-scale is lost" in gone["why"]


def test_a_new_configuration_keeps_open_ports_and_adds_others(bench):
    left, right = bench.port("left-scale"), bench.port("right-scale")
    sections = [station("left"), line_scale("left-scale", left, station="left")]
    bench.configure(*sections)
    daemon = bench.poised()
    bus = bench.subscribe()
    weigh(left, bus, 12.34)
    bench.configure(station("left"), station("right"), line_scale("right-scale", right, station="right"),
                    line_scale("left-scale", left, "lag_ms = 100", station="left"))
    daemon.signal(signal.SIGHUP)
    daemon.wait_diagnostic("read again: 2 instruments")
    weigh(right, bus, 55.5, "right-scale")
    left.line(scale_line(12.36))        # no line is lost: its port was not touched
    bus.wait_for(reading("left-scale", value=12.36))
    assert changes(bus, "left-scale") == ["ready"], changes(bus, "left-scale")
    bench.configure(*sections)
    daemon.signal(signal.SIGHUP)
    daemon.wait_diagnostic("read again: 1 instrument$")
    left.line(scale_line(12.38))
    bus.wait_for(reading("left-scale", value=12.38))


def test_a_bad_new_configuration_leaves_the_old_one(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    good = bench.configuration.read_text()
    bench.configuration.write_text(good + "\n[statoin right]\n")
    daemon.signal(signal.SIGHUP)
    line = len(good.splitlines()) + 2
    daemon.wait_diagnostic(rf"the old configuration stays: .*poised.conf:{line}: no section is called \[statoin")
    port.line(scale_line(12.36))
    bus.wait_for(reading("left-scale", value=12.36))
    bench.configuration.write_text(good.replace("name = pier", "name = quay"))
    daemon.signal(signal.SIGHUP)
    daemon.wait_diagnostic("the old configuration stays: the bench's name has changed, which needs a restart")
    port.line(scale_line(12.38))
    bus.wait_for(reading("left-scale", value=12.38))


def test_poised_called_wrongly_says_so(bench):
    for arguments in (["--no-such-option"], ["--clock-rate", "0"], ["--clock-rate", "fast"], ["pier.conf"]):
        status, _, said = bench.run("poised", *arguments)
        assert status == 2 and said
    status, _, said = bench.run("poised", "--config", bench.folder / "nowhere.conf")
    assert status == 2 and "nowhere.conf" in said
