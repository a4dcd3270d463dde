"""poise-ctl probe on pseudo-terminals: what it makes of a port, what it leaves alone, what it never sends."""
import json
import os
import select
import termios
import threading

from bench import PATIENCE_S, Deadline, line_scale, station

SHORT_S = "0.4"     # silence is silence; five settings of this make two seconds


class Talker:
    """An instrument that talks from the moment that its port is opened, until it is asked to stop."""

    def __init__(self, port, frames, every_s=0.01):
        self.port, self.frames, self.every_s = port, frames, every_s
        self.stopped = threading.Event()
        self.thread = threading.Thread(target=self._talk, daemon=True)
        self.thread.start()

    def _talk(self):
        at = 0
        while not self.stopped.wait(self.every_s):
            watch = select.poll()
            watch.register(self.port.master, select.POLLOUT)
            if any(events & select.POLLHUP for _, events in watch.poll(0)):
                continue            # nobody listens: a wire keeps nothing
            try:
                os.write(self.port.master, self.frames[at % len(self.frames)])
            except BlockingIOError:
                continue
            at += 1

    def __enter__(self):
        os.set_blocking(self.port.master, False)
        return self

    def __exit__(self, *unused):
        self.stopped.set()
        self.thread.join()


def probe(bench, *arguments):
    return bench.run("poise-ctl", "probe", *arguments, timeout=60)


def accepted(bench, section):
    """The section as it is printed is one that poised takes."""
    bench.configure(station("left"), section)
    status, output, said = bench.run("poised", "--check-config", "--config", bench.configuration)
    assert status == 0 and "1 instrument" in output, said


def understood(bench, name, frames, **expected):
    port = bench.port(name)
    with Talker(port, frames):
        status, output, said = probe(bench, "--json", "--seconds", SHORT_S, port)
    assert (status, said) == (0, ""), (status, output, said)
    found = json.loads(output)
    assert found["verdict"] == "understood" and found["whole"] >= 5 and found["rejected"] == 0, found
    assert {key: found[key] for key in expected} == expected, found
    accepted(bench, found["section"])
    return found


def test_probe_finds_a_scale_and_its_section_works(bench):
    port = bench.port("unknown")
    with Talker(port, [b"ST,GS,+   12.34 g\r\n"]):
        status, section, said = probe(bench, port)
        assert status == 0 and section.startswith("[station bench]\n\n[instrument scale]\n"), (status, section, said)
        assert f"port     = {port}\n" in section and "serial   = 9600 8N1\n" in section, section
        assert said.startswith(f"poise-ctl: {port}: 9600 8N1: ") and "ST,GS,+   12.34 g" in said, said
        bench.configure(section)
        bench.poised()
        bus = bench.subscribe()
        reading = bus.wait_for(lambda message: message.get("instrument") == "scale" and "value" in message)
    assert (reading["value"], reading["stable"], reading["station"]) == (12.34, True, "bench")


def test_probe_names_a_station_that_the_configuration_has(bench):
    taken = bench.port("taken")
    scales = station("left"), station("right"), line_scale("left-scale", taken, station="left")
    full = *scales, line_scale("right-scale", bench.port("too"), station="right")
    port = bench.port("unknown")
    with Talker(port, [b"ST,GS,+   12.34 g\r\n"]):
        status, section, said = probe(bench, "--config", bench.configure(*scales), port)
        assert status == 0 and section.startswith("[instrument scale]\n"), (status, section, said)
        assert "\nstation  = right\n" in section, section
        bench.configure(*scales, section)
        assert bench.run("poised", "--check-config", "--config", bench.configuration)[0] == 0
        status, section, said = probe(bench, "--config", bench.configure(*full), port)
        assert status == 0 and "every [station] has its scale" in section and ";station  = NAME" in section, section
        bench.configure(*full, section)
        assert bench.run("poised", "--check-config", "--config", bench.configuration)[0] == 0


def test_probe_keeps_layouts_apart(bench):
    understood(bench, "plain", [b"     12.73 g      \r\n"], quantity="mass", settings={}, check=None)
    understood(bench, "stx", [b"\x02\x2c\x30\x20\x20\x31\x32\x33\x34\x35\x30\x30\x30\x30\x30\x30\r\x36"],
               quantity="mass", settings={"layout": "stx-status", "checksum": "yes"}, check=None)
    bare = understood(bench, "bare", [b"12.34\r\n"], quantity="mass", settings={"unit": "g"})
    assert "without a unit" in bare["check"] and bare["check"] in bare["section"]
    understood(bench, "brix", [b"Brix 12.3 % 21.4 C\r\n"], quantity="brix", settings={})
    understood(bench, "list", [b"1.36384,20.01,20.3\r\n"], quantity="brix",
               settings={"fields": "nd, brix, temperature"})
    parity = bytes(byte | (bin(byte).count("1") % 2) << 7 for byte in b"ST,GS,+   12.34 g\r\n")
    understood(bench, "parity", [parity], quantity="mass", settings={"seven_bit": "yes"})


def test_probe_names_a_port_as_it_is_found_from_any_folder(bench):
    port = bench.port("near")
    with Talker(port, [b"12.73 g\r\n"]):
        status, section, said = probe(bench, "--seconds", SHORT_S, os.path.relpath(str(port), bench.folder))
    assert status == 0 and f"\nport     = {bench.folder}/port/near\n" in section, (status, section, said)


def test_probe_says_what_it_does_not_understand(bench):
    silent, noisy = bench.port("silent"), bench.port("noisy")
    with Talker(noisy, [b"\xe6\x9c\x00\xfe\x1e\x78\xe0\x80", b"\r\x91\x05"]):
        status, output, said = probe(bench, "--seconds", SHORT_S, silent, noisy, bench.folder / "port/nowhere",
                                     bench.configure())
    assert (status, output) == (1, ""), (status, output)
    lines = said.splitlines()
    assert len(lines) == 4, said
    assert f"{silent}: nothing came" in lines[0] and "--ask" in lines[0], said
    assert f"{noisy}: " in lines[1] and r"\xe6\x9c\x00\xfe\x1ex\xe0" in lines[1], said
    assert "is not there" in lines[2] and "is no serial port" in lines[3], said


def test_probe_leaves_ports_alone_that_others_hold(bench):
    held, own = bench.port("held"), bench.port("own")
    bench.configure(station("left"), line_scale("left-scale", own, station="left"))
    bench.poised()
    own.wait_heard()
    other = os.open(str(held), os.O_RDWR | os.O_NOCTTY)        # open, and no lock taken
    before = termios.tcgetattr(other)
    status, output, said = probe(bench, "--seconds", SHORT_S, held, own)
    assert (status, output) == (1, ""), (status, output)
    lines = said.splitlines()
    assert len(lines) == 2 and all("is in use by" in line for line in lines), said
    assert f"process {os.getpid()}" in lines[0] and "poised" in lines[1], said
    assert termios.tcgetattr(other) == before
    os.close(other)


def test_probe_sends_nothing_and_gives_the_port_back_as_it_was(bench):
    port = bench.port("quiet")
    settings = _settings(port, change=lambda got: got.__setitem__(2, got[2] & ~termios.CSIZE | termios.CS7
                                                                  | termios.CSTOPB))
    status, output, said = probe(bench, "--seconds", SHORT_S, port)
    assert (status, output) == (1, "") and "nothing came" in said, (status, output, said)
    assert _settings(port) == settings
    assert not select.select([port.master], [], [], 0)[0] or _hung_up(port), "something was sent"


def test_probe_stopped_by_a_signal_gives_the_port_back_too(bench):
    port = bench.port("quiet")
    settings = _settings(port, change=lambda got: got.__setitem__(3, got[3] | termios.ECHO | termios.ICANON))
    running = bench.start("poise-ctl", "probe", "--seconds", "60", port)
    port.wait_heard()
    deadline = Deadline(PATIENCE_S)
    while _settings(port) == settings:      # until it has set the port up
        assert not deadline.passed()
        select.select([], [], [], 0.005)
    running.signal(2)
    assert running.wait() == 1
    assert "the ports are as they were" in running.diagnostics
    assert _settings(port) == settings


def test_probe_asks_only_when_reported_to(bench):
    port = bench.port("meter")
    running = bench.start("poise-ctl", "probe", "--json", "--ask", "--seconds", "0.1", port)
    request = b"\x01\x03\x00\x00\x00\x01\x84\x0a"
    assert _sent(port, len(request)) == request
    port.write(b"\x01\x03\x02\x00\x7b\xf8\x67")     # 123 in the first register
    assert running.wait() == 0, running.diagnostics
    found = json.loads(running.output)
    assert (found["driver"], found["serial"], found["settings"]["register"]) == ("modbus", "9600 8N1", "0")
    accepted(bench, found["section"])


def test_probe_refuses_what_makes_no_sense(bench):
    for arguments in (["--seconds", "0"], ["--seconds", "soon"], ["--station", "left"]):
        status, output, said = probe(bench, *arguments)
        assert (status, output) == (2, "") and said.startswith("poise-ctl: "), (status, output, said)
    status, output, said = bench.run("poised", "--ask")
    assert status == 2 and "go with --probe" in said, said


def _settings(port, change=None):
    """The port's settings, after a change if there is one.  A pseudo-terminal has one set for both ends, so nobody has to
    open the port for them, which a program could take for use."""
    got = termios.tcgetattr(port.master)
    if change:
        change(got)
        termios.tcsetattr(port.master, termios.TCSANOW, got)
        got = termios.tcgetattr(port.master)
    return got


def _sent(port, length):
    """The first bytes that are sent to the port, which may be opened and closed before."""
    deadline, data = Deadline(PATIENCE_S), b""
    while len(data) < length:
        assert not deadline.passed(), f"only {data!r} was sent"
        try:
            data += os.read(port.master, length - len(data))
        except OSError:         # closed at the moment
            select.select([], [], [], 0.005)
    return data


def _hung_up(port):
    """Readable only because nobody has it open: there is nothing to read."""
    try:
        return os.read(port.master, 100) == b""
    except OSError:
        return True
