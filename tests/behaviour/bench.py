"""A brewing bench for one test: its programs, its ports, its bus, its store.

    def test_a_line_becomes_a_reading(bench):
        port = bench.port("left-scale")
        bench.configure(station("left"), line_scale("left-scale", port, station="left"))
        bench.poised()
        bus = bench.subscribe()
        port.line("ST,GS,+   12.34 g")
        port.line("ST,GS,+   12.34 g")          # the first after opening may be half a line: it is dropped
        assert bus.wait_for(reading("left-scale"))["value"] == 12.34

Nothing here sleeps: every wait is for something that happens, with a deadline.  Everything started is stopped by
close(), which returns what was wrong with how it ended.
"""
import ctypes
import fcntl
import html
import json
import os
import pathlib
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
import tty

import jsonschema
import zmq

PATIENCE_S = 20     # a sanitized program on a busy two-core machine answers within this, or not at all
SANITIZERS = re.compile(rb"AddressSanitizer|LeakSanitizer|ThreadSanitizer|runtime error:|UndefinedBehaviorSanitizer")
SUPPRESSIONS = pathlib.Path(__file__).parents[1] / "thread.supp"
SCHEMA = pathlib.Path(__file__).parents[2] / "include/poise/messages.schema.json"
_libc = ctypes.CDLL(None)


def die_with_parent():
    _libc.prctl(1, signal.SIGKILL)      # PR_SET_PDEATHSIG: nothing outlives a killed test


class Deadline:
    def __init__(self, timeout_s):
        self.at = time.monotonic() + timeout_s

    def left(self):
        return max(0.0, self.at - time.monotonic())

    def passed(self):
        return self.left() == 0


class Port:
    """The instrument's end of a serial line: a pseudo-terminal under a stable link name."""

    def __init__(self, link):
        self.link = pathlib.Path(link)
        self.master = self.slave = None
        self.plug()

    def __str__(self):
        return str(self.link)

    def plug(self):
        """Opens a terminal and puts the link in place; nobody listens yet."""
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        os.close(slave)     # once opened and closed, the master says HUP until a program opens it

    def unplug(self):
        """The cable is pulled: readers see the device go, the link is gone."""
        self.link.unlink(missing_ok=True)
        os.close(self.master)
        self.master = None

    def wait_heard(self, timeout=PATIENCE_S):
        """Until some program has opened the port.  A hang-up cannot be awaited, so this looks 200 times a second."""
        deadline, watch = Deadline(timeout), select.poll()
        watch.register(self.master, 0)
        while watch.poll(0):
            if deadline.passed():
                raise AssertionError(f"nobody opened {self.link} within {timeout} s")
            select.select([], [], [], 0.005)
        return self

    def write(self, data):
        """Bytes as they are, all of them."""
        deadline = Deadline(PATIENCE_S)
        os.set_blocking(self.master, False)
        while data:
            if not select.select([], [self.master], [], deadline.left())[1]:
                raise AssertionError(f"nobody reads {self.link}")
            try:
                data = data[os.write(self.master, data):]
            except BlockingIOError:
                pass

    def line(self, text, end="\r\n"):
        self.write((text + end).encode("latin-1"))

    def read_until(self, wanted, timeout=PATIENCE_S):
        """What the programs sent to the instrument, up to and with `wanted`."""
        deadline, data = Deadline(timeout), b""
        while wanted not in data:
            if not select.select([self.master], [], [], deadline.left())[0]:
                raise AssertionError(f"{wanted!r} was not sent to {self.link}, only {data!r}")
            data += os.read(self.master, 1)
        return data


# What people read has no names of columns in it, and digits that fit each other: 15.02 ± 0.04.
RAW = re.compile(r"\b(?:dose_g|water_g|beverage_g|(?:steep|bloom|settle|press|stir|stir_at)_s|press_(?:peak|mean)_kpa|drip_g|"
                 r"pressed_dry|slurry_c|temperature_c|(?:strength|extraction|extraction_total)_pct|retained_g_per_g)\b")
WITHIN = re.compile(r"(\d+)(?:\.(\d+))? ± (\d+)(?:\.(\d+))?")
FOR_MACHINES = {"--json", "--csv", "--sql", "--help", "-h"}


def unreadable(text):
    """What of a text is not for people; None: nothing."""
    if raw := RAW.search(text):
        return raw.group()
    return next((match.group() for match in WITHIN.finditer(text) if len(match[2] or "") != len(match[4] or "")), None)


# How a screen is drawn: where to, and in which look.
CONTROL = re.compile(r"\x1b(?:\[[0-9;?]*[ -/]*[@-~]|[()][0-9A-B]|[=>78])")


def _unreadable_screen(text):
    """The names of columns alone: numbers are drawn in pieces, and read whole in unit.timer_screen."""
    raw = RAW.search(CONTROL.sub("\n", text))
    return raw and raw.group()


def _unreadable_page(arguments):
    """The same of the page that poise-report wrote."""
    path = dict(zip(arguments, arguments[1:])).get("--html")
    if path is None or not pathlib.Path(path).is_file():
        return None
    page = re.sub(r"<(style|script)\b.*?</\1>", "", pathlib.Path(path).read_text(errors="replace"), flags=re.S)
    return unreadable(html.unescape(re.sub(r"<[^>]*>", "\n", page)))


def _unreadable(name, arguments, text):
    """What of the output is not for people, though they read it; None: nothing."""
    words = {str(argument) for argument in arguments}
    if (name not in ("poise-timer", "poise-ctl", "poise-report") or words & FOR_MACHINES
            or (name == "poise-ctl" and not words & {"status", "watch", "brews"})):
        return None
    return unreadable(text)


class Program:
    """A running program.  `output` holds what it printed on standard output so far."""

    def __init__(self, bench, name, arguments, env, terminal):
        self.name, self.output, self._taken, self._judged = pathlib.Path(name).name, b"", 0, False
        self._arguments, self._terminal = arguments, terminal
        self._said = bench.folder / f"stderr-{len(bench.programs)}-{self.name}"
        diagnostics = open(self._said, "ab")    # its own place in the file is the end, whoever reads meanwhile
        full = {**os.environ, **bench.environment, **(env or {})}
        if terminal:
            self._out, slave = pty.openpty()
            fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", *terminal, 0, 0))
            fcntl.flock(slave, fcntl.LOCK_EX)       # a poised whose port had this number before does not read its keys
            full.setdefault("TERM", "xterm-256color")
            self.process = subprocess.Popen([bench.programs_folder / name, *map(str, arguments)], env=full, stdin=slave,
                                            stdout=slave, stderr=diagnostics, preexec_fn=die_with_parent,
                                            cwd=bench.folder)
            os.close(slave)
        else:
            self._out, write_end = os.pipe()
            self.process = subprocess.Popen([bench.programs_folder / name, *map(str, arguments)], env=full,
                                            stdin=subprocess.DEVNULL, stdout=write_end, stderr=diagnostics,
                                            preexec_fn=die_with_parent, cwd=bench.folder)
            os.close(write_end)
        diagnostics.close()
        os.set_blocking(self._out, False)

    @property
    def diagnostics(self):
        """What it printed on standard error so far, as text."""
        return self._said.read_bytes().decode("utf-8", "replace")

    def _read(self, timeout):
        """Takes in more output; False when there is no more and never will be."""
        if self._out is None:
            return False
        if select.select([self._out], [], [], timeout)[0]:
            try:
                data = os.read(self._out, 65536)
            except OSError:         # a terminal whose other end is gone
                data = b""
            if not data:
                os.close(self._out)
                self._out = None
                return False
            self.output += data
        return True

    def wait_line(self, wanted, timeout=PATIENCE_S):
        """The next line of output, after those already taken, that matches the regular expression or satisfies
        the function."""
        matches = wanted if callable(wanted) else lambda line: re.search(wanted, line)
        deadline = Deadline(timeout)
        while True:
            while b"\n" in self.output[self._taken:]:
                end = self.output.index(b"\n", self._taken)
                line = self.output[self._taken:end].decode("utf-8", "replace").rstrip("\r")
                self._taken = end + 1
                if matches(line):
                    return line
            if deadline.passed() or not self._read(deadline.left()):
                raise AssertionError(f"{self.name} did not print what was waited for ({wanted}); its output ends with:\n"
                                     + self.output[-2000:].decode("utf-8", "replace"))

    def wait_text(self, wanted, timeout=PATIENCE_S):
        """Until the text stands anywhere in the output (screens have no lines)."""
        deadline, wanted = Deadline(timeout), wanted.encode()
        while wanted not in self.output:
            if deadline.passed() or not self._read(deadline.left()):
                raise AssertionError(f"{self.name} did not show {wanted!r}; its output ends with {self.output[-2000:]!r}")

    def wait_json(self, predicate, timeout=PATIENCE_S):
        """The next line of output that is a JSON object and satisfies the function."""
        found = []

        def matches(line):
            try:
                value = json.loads(line)
            except ValueError:
                return False
            if predicate(value):
                found.append(value)
            return bool(found)
        self.wait_line(matches, timeout)
        return found[0]

    def wait_diagnostic(self, wanted, timeout=PATIENCE_S):
        """Until a line of standard error matches the regular expression (it is a file: looked at 50 times a second)."""
        deadline = Deadline(timeout)
        while not re.search(wanted, self.diagnostics, re.M):
            if deadline.passed():
                raise AssertionError(f"{self.name} did not say {wanted!r} but:\n{self.diagnostics[-2000:]}")
            self._read(0.02)
            if self._out is None and self.process.poll() is None:
                select.select([], [], [], 0.02)

    def type(self, text):
        """Keys pressed at its terminal."""
        os.write(self._out, text.encode())

    def resize(self, rows, columns):
        fcntl.ioctl(self._out, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def wait(self, timeout=PATIENCE_S):
        """Until it ends by itself: its exit status (negative: the signal that killed it)."""
        deadline = Deadline(timeout)
        while self._read(deadline.left()) and not deadline.passed():
            pass
        try:
            status = self.process.wait(max(0.1, deadline.left()))
        except subprocess.TimeoutExpired:
            raise AssertionError(f"{self.name} did not end within {timeout} s") from None
        self._judged = True
        return status

    def signal(self, number):
        self.process.send_signal(number)

    def kill(self):
        """kill -9: no goodbye."""
        self.process.kill()
        return self.wait()

    def stop(self):
        """Asked to stop (SIGTERM): its exit status must be 0."""
        if self.process.poll() is None:
            self.process.terminate()
        status = self.wait()
        assert status == 0, f"{self.name} ended with status {status} when asked to stop:\n{self.diagnostics[-3000:]}"

    def faults(self):
        """Ends it if need be; what was wrong with how it went, as sentences."""
        faults = []
        if self._judged:
            status = None
        else:
            try:
                if self.process.poll() is None:
                    self.process.terminate()
                status = self.wait()
            except AssertionError as error:
                faults.append(f"{error} when asked to stop")
                self.process.kill()
                status = self.process.wait()
            if status not in (0, -signal.SIGTERM):      # stop() is stricter, for those who must say goodbye
                faults.append(f"{self.name} ended with status {status}")
        if SANITIZERS.search(self.diagnostics.encode()):
            faults.append(f"{self.name}: a sanitizer complained")
        shown = self.output.decode("utf-8", "replace")
        raw = (_unreadable_screen(shown) if self._terminal and self.name == "poise-timer"
               else None if self._terminal else _unreadable(self.name, self._arguments, shown))
        if raw := raw or (self.name == "poise-report" and _unreadable_page(self._arguments)):
            faults.append(f"{self.name} showed people {raw!r}")
        return faults


class Bus:
    """A subscription.  `messages` holds everything received, as objects with their `topic` added."""

    def __init__(self, bench, address, prefix):
        self.messages, self._next = [], 0
        self._socket = bench.context.socket(zmq.SUB)
        self._socket.setsockopt(zmq.LINGER, 0)
        self._socket.setsockopt(zmq.RCVHWM, 0)
        self._socket.setsockopt(zmq.RECONNECT_IVL, 10)
        self._socket.connect(address)
        self.add(prefix)

    def add(self, prefix):
        """Wants these too, from now on."""
        self._socket.setsockopt_string(zmq.SUBSCRIBE, prefix)

    def _receive(self, timeout_s):
        if not self._socket.poll(max(0, int(timeout_s * 1000))):
            return False
        topic, text = self._socket.recv_multipart()
        message = json.loads(text)
        message["topic"] = topic.decode()
        self.messages.append(message)
        return True

    def wait_for(self, predicate, timeout=PATIENCE_S):
        """The next message, after the one returned last, that satisfies the function."""
        deadline = Deadline(timeout)
        while True:
            while self._next < len(self.messages):
                self._next += 1
                if predicate(self.messages[self._next - 1]):
                    return self.messages[self._next - 1]
            if not self._receive(deadline.left()) and deadline.passed():
                recent = "\n".join(json.dumps(message) for message in self.messages[-12:])
                raise AssertionError(f"no such message within {timeout} s; the last of {len(self.messages)}:\n{recent}")

    def drain(self):
        """Takes in what has arrived already; all messages so far."""
        while self._receive(0):
            pass
        return self.messages

    def close(self):
        self.drain()
        self._socket.close()


class Bench:
    name = "pier"

    def __init__(self, folder, programs_folder):
        self.folder, self.programs_folder = folder, programs_folder
        self.bus = f"ipc://{folder}/bus"
        self.control = f"ipc://{folder}/control"
        self.store = folder / "store.db"
        self.closers = []       # called at the end, after all programs were stopped
        self.configuration = folder / "poised.conf"
        self.context = zmq.Context()
        self.programs, self.buses, self._ports = [], [], []
        self.closers = []       # called before anything is stopped: what is no program of ours, as a browser
        self.environment = {
            "POISE_BUS": self.bus, "POISE_CONTROL": self.control, "POISE_STORE": str(self.store),
            "XDG_RUNTIME_DIR": str(folder / "run"), "XDG_DATA_HOME": str(folder / "data"), "HOME": str(folder),
            "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "TZ": "UTC",
            "ASAN_OPTIONS": "detect_leaks=1:abort_on_error=0:exitcode=99",
            "UBSAN_OPTIONS": "print_stacktrace=1:halt_on_error=1",
            "TSAN_OPTIONS": f"exitcode=99:suppressions={SUPPRESSIONS}",
        }
        (folder / "run").mkdir(mode=0o700)

    # ports and configuration

    def port(self, name):
        """A serial line with the link FOLDER/port/NAME."""
        (self.folder / "port").mkdir(exist_ok=True)
        self._ports.append(Port(self.folder / "port" / name))
        return self._ports[-1]

    def configure(self, *sections, bench=""):
        """Writes poised.conf: [bench] with sockets and journal in this folder (and the lines in `bench`), then the
        sections as they are."""
        self.configuration.write_text("\n".join([
            f"[bench]\nname = {self.name}\nbus = {self.bus}\ncontrol = {self.control}\njournal = journal.db\n{bench}",
            *sections]))
        return self.configuration

    # programs

    def start(self, program, *arguments, env=None, terminal=None):
        """Starts a program of ours, or any other by its whole path; `terminal` = (rows, columns) gives it one for
        input and output."""
        self.programs.append(Program(self, program, arguments, env, terminal))
        return self.programs[-1]

    def run(self, program, *arguments, env=None, timeout=PATIENCE_S):
        """Runs a program to its end: (exit status, standard output, standard error)."""
        running = self.start(program, *arguments, env=env)
        status = running.wait(timeout)
        return status, running.output.decode("utf-8", "replace"), running.diagnostics

    def poised(self, *arguments):
        """Starts poised with the configuration, ready to answer."""
        daemon = self.start("poised", "--config", self.configuration, *arguments)
        self.ask(do="status", dies=daemon)
        return daemon

    def logger(self, *arguments):
        return self.start("poise-logger", "--store", self.store, *arguments)

    def virtual(self, text, *arguments):
        """Starts poise-virtual with this description; its ports are in place: FOLDER/port/NAME."""
        path = self.folder / f"virtual-{len(self.programs)}.ini"
        path.write_text(text)
        player = self.start("poise-virtual", "--dir", self.folder / "port", *arguments, path)
        for _ in re.findall(r"^\[(?:scale|refractometer) ", text, re.M):
            player.wait_json(lambda line: line.get("truth") == "port")
        return player

    # the bus

    def subscribe(self, prefix="", started=True):
        """A subscription; with `started` the bench has it already: it has answered with its `state`, before which others
        may have come."""
        bus = Bus(self, self.bus, prefix)
        self.buses.append(bus)
        if started and "state/".startswith(prefix[:6]):
            bus.state = bus.wait_for(lambda message: message["topic"].startswith("state/"))
        return bus

    def ask(self, timeout=PATIENCE_S, dies=None, **request):
        """Asks poised to do something; its reply.  Fails early when the program `dies` ends meanwhile."""
        socket, deadline = self.context.socket(zmq.DEALER), Deadline(timeout)
        try:
            socket.setsockopt(zmq.LINGER, 0)
            socket.setsockopt(zmq.RECONNECT_IVL, 10)
            socket.connect(self.control)
            socket.send_json(request)
            while not socket.poll(50):
                if dies is not None and dies.process.poll() is not None:
                    raise AssertionError(f"{dies.name} ended with status {dies.wait()}:\n{dies.diagnostics}")
                if deadline.passed():
                    raise AssertionError(f"no reply to {request} within {timeout} s")
            return json.loads(socket.recv_multipart()[-1])
        finally:
            socket.close()

    def history(self, after=0, **more):
        """Everything in the journal after this number, in order, as subscribers had it."""
        messages = []
        while True:
            answer = self.ask(do="since", seq=after, **more)
            assert answer["ok"], answer
            messages += [dict(message, topic=topic) for topic, message in answer["messages"]]
            if not answer["messages"] or answer["next"] >= answer["last"]:
                return messages
            after = answer["next"]

    # the store

    def query(self, sql, file=None):
        """Rows of a SELECT as objects, read by the sqlite3 command."""
        done = subprocess.run(["sqlite3", "-json", "-cmd", ".timeout 5000", f"file:{file or self.store}?mode=ro", sql],
                              capture_output=True, text=True, check=False)
        if done.returncode:
            raise AssertionError(f"sqlite3: {done.stderr.strip()}")
        return json.loads(done.stdout or "[]")

    def wait_query(self, sql, predicate=bool, timeout=PATIENCE_S, file=None):
        """Until the rows satisfy the function (a file says nothing by itself: asked 20 times a second)."""
        deadline, rows = Deadline(timeout), None
        while True:
            try:
                rows = self.query(sql, file)
                if predicate(rows):
                    return rows
            except AssertionError as error:     # not there yet
                rows = error
            if deadline.passed():
                raise AssertionError(f"{sql}: not within {timeout} s, but {rows}")
            select.select([], [], [], 0.05)

    def wait_until(self, holds, what, timeout=PATIENCE_S):
        """Until the function holds, of something that says nothing by itself: asked 20 times a second."""
        deadline = Deadline(timeout)
        while not holds():
            if deadline.passed():
                raise AssertionError(f"{what}: not within {timeout} s")
            select.select([], [], [], 0.05)

    # the end

    def close(self):
        """Stops everything; what was wrong, as sentences."""
        failures = []
        for close in self.closers:
            close()
        for bus in self.buses:
            bus.drain()
        for program in reversed(self.programs):
            failures += program.faults()
        for closer in self.closers:
            closer()
        for bus in self.buses:
            bus.close()
        self.context.destroy(linger=0)
        return failures + self._invalid()

    def _invalid(self):
        schema = json.loads(SCHEMA.read_text())
        validators = {}
        for bus in self.buses:
            for message in bus.messages:
                kind = message["topic"].split("/")
                kind = kind[2] if kind[0] == "event" else kind[0]
                if kind not in validators:
                    part = {"$schema": schema["$schema"], "$defs": schema["$defs"], "$ref": f"#/$defs/{kind}"}
                    validators[kind] = jsonschema.Draft202012Validator(part)
                plain = {key: value for key, value in message.items() if key != "topic"}
                for error in validators[kind].iter_errors(plain):
                    return [f"not after messages.schema.json: {error.message}\n{json.dumps(message)}"]
        return []

    def story(self):
        """What everybody said, for whoever reads a failure."""
        return "\n".join(f"--- {program.name}\n{program.diagnostics[-3000:]}" for program in self.programs
                         if program.diagnostics)


# sections and predicates that most tests want

def station(name, *lines):
    return "\n".join([f"[station {name}]", *lines, ""])


def line_scale(name, port, *lines, station=None):
    """A scale that speaks lines; tare is T CR LF, as poise-virtual understands it."""
    return "\n".join([f"[instrument {name}]", "driver = line", f"port = {port}", "serial = 9600 8N1", "quantity = mass",
                      *([f"station = {station}"] if station else []), r"tare = T\r\n", *lines, ""])


def refractometer(name, port, *lines, quantity="strength"):
    return "\n".join([f"[instrument {name}]", "driver = line", f"port = {port}", "serial = 9600 8N1",
                      f"quantity = {quantity}", *lines, ""])


def reading(instrument=None, **fields):
    """Matches a reading, of this instrument, with these fields."""
    def matches(message):
        return (message["topic"].startswith("reading/") and instrument in (None, message["instrument"])
                and all(message.get(key) == value for key, value in fields.items()))
    return matches


def event(kind, **fields):
    """Matches event("stage", stage="press") and the like."""
    def matches(message):
        return (message["topic"].split("/")[0] == "event" and message["topic"].endswith("/" + kind)
                and all(message.get(key) == value for key, value in fields.items()))
    return matches
