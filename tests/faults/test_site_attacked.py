"""A site among peers that keep to no rule: benches that lie or send without end, listeners that do not read or have no key."""
import signal
import socket

import zmq
import zmq.utils.z85

import zmtp
from bench import Deadline, event, reading
from sites import Site
from test_network import client, free_ports, new_key
from test_peers import MB, memory


class FalseBench:
    """Speaks on a bench's bus, whatever it likes."""

    def __init__(self, bench, name):
        self.socket = bench.context.socket(zmq.XPUB)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.setsockopt(zmq.SNDHWM, 0)
        (bench.folder / name).mkdir(mode=0o750)
        self.bus = f"ipc://{bench.folder}/{name}/bus"
        self.socket.bind(self.bus)

    def publish(self, *frames):
        self.socket.send_multipart([frame if isinstance(frame, bytes) else frame.encode() for frame in frames])

    def reading(self, name, seq, text="1.50"):
        self.publish(f"reading/{name}/left-scale", self.text(name, seq, text))

    @staticmethod
    def text(name, seq, value="1.50"):
        return (f'{{"v":1,"bench":"{name}","seq":{seq},"time_us":1796073608608460,"mono_us":{seq + 1000},'
                f'"boot":"6f586eed-df0c-4574-a62b-97641c003d27","instrument":"left-scale","quantity":"mass",'
                f'"value":{value},"unit":"g","stable":true,"status":"ok","load_g":{value}}}')


def with_false_bench(bench):
    """A site that follows a false bench as pier, and a true one as kiosk."""
    bench.environment["ASAN_OPTIONS"] += ":quarantine_size_mb=4:malloc_context_size=2"
    site = Site(bench, "kiosk")
    false = FalseBench(bench, "false")
    site.configure("kiosk", more=f"[follow pier]\nbus = {false.bus}\n")
    program = site.start("kiosk")
    program.wait_diagnostic("pier is there")
    return site, false, program


def shown(site, bus, value):
    """The true bench is still passed on."""
    site.show("kiosk", value, value)
    return bus.wait_for(reading("left-scale", value=value, bench="kiosk"))


def test_a_bench_speaks_for_no_other(bench):
    site, false, program = with_false_bench(bench)
    bus = bench.subscribe()
    text = false.text("kiosk", 1)
    false.reading("kiosk", 1)
    assert bus.wait_for(reading(value=1.5))["bench"] == "pier"
    nonsense = [("reading/pier/left-scale", text),      # its topic says something else than itself
                ("reading/kiosk/left-scale", text[:-1] + ',"bench":"kiosk"}'),
                ("reading/kiosk/left-scale", text.replace('"v":1,"bench":"kiosk"', '"bench":"kiosk","v":1')),
                ("reading/kiosk/left-scale", text.replace("{", "{ ", 1)),
                ("reading/kiosk/left-scale",), ("reading/kiosk/left-scale", text, text), ("control", '{"do":"end"}'),
                ("reading/kiosk/left-scale", text.replace('"left-scale"', '"\x1b[2Jx"')), ("", ""),
                ("event/kiosk/brew", b"\xff\xfe"), ("state/kiosk", "[" * 1000)]
    for number in range(300):
        for frames in nonsense:
            false.publish(*frames)
    false.reading("kiosk", 2, "2.50")
    bus.wait_for(reading(value=2.5, bench="pier"))
    assert [m["value"] for m in bus.drain() if m["bench"] == "pier" and m["topic"].startswith("reading/")] == [1.5, 2.5]
    assert {m["topic"].split("/")[1] for m in bus.messages} == {"kiosk", "pier"}
    shown(site, bus, 3.25)
    said = [line for line in program.diagnostics.splitlines() if line.startswith("poise-site: pier: ")]
    assert 1 <= len(said) <= 4 and "\x1b" not in program.diagnostics      # not three thousand
    false.socket.close()


def test_a_bench_that_sends_without_end_is_cut(bench):
    """One message that never ends, and whole ones faster than anybody reads."""
    bench.environment["ASAN_OPTIONS"] += ":quarantine_size_mb=4:malloc_context_size=2"
    site = Site(bench, "kiosk")
    (bench.folder / "false").mkdir(mode=0o750)
    path = str(bench.folder / "false/bus")
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(path)
    listener.listen()
    listener.settimeout(20)
    site.configure("kiosk", more=f"[follow pier]\nbus = ipc://{path}\n")
    program = site.start("kiosk")
    bus = bench.subscribe()
    before = memory(program)
    for size in (1, 200000):
        one = zmtp.welcome(listener)
        sent = zmtp.send_until_cut(one, zmtp.frame(b"x" * size, more=True) * (1 if size > 1 else 5000), 256 * MB)
        assert sent < 32 * MB, sent
        one.close()
        shown(site, bus, 1.5 + size)
    assert memory(program) - before < 96 * MB
    listener.close()


def test_a_listener_that_does_not_read_costs_the_others_nothing(bench):
    site, false, program = with_false_bench(bench)
    bus = bench.subscribe()
    slow = zmtp.connect(bench.bus.removeprefix("ipc://"), "SUB")
    slow.sendall(zmtp.frame(b"\x01"))
    before = memory(program)
    rounds, each = 12, 500  # more than waits for one
    for number in range(rounds):                        # no faster than one who reads can follow
        for seq in range(each):
            false.reading("pier", number * each + seq + 1)
        bus.wait_for(lambda m: m["topic"].startswith("reading/") and m["seq"] == (number + 1) * each)
    seen = {m["seq"] for m in bus.drain() if m["topic"].startswith("reading/pier")}
    assert seen == set(range(1, rounds * each + 1))
    assert memory(program) - before < 64 * MB
    shown(site, bus, 3.25)
    del bus.messages[100:]                              # all are alike; each is held against the schema
    slow.close()
    false.socket.close()


def test_what_one_listener_costs_a_site_is_bounded(bench):
    site, false, program = with_false_bench(bench)
    bus = bench.subscribe()
    before = memory(program)
    path = bench.bus.removeprefix("ipc://")
    one = zmtp.connect(path, "SUB")
    assert zmtp.send_until_cut(one, zmtp.frame(b"x" * 900, more=True) * 200, 256 * MB) < 16 * MB
    one.close()
    one, topic = zmtp.connect(path, "SUB"), 0
    try:
        for _ in range(1000):
            one.sendall(b"".join(zmtp.frame(b"\x01reading/%d" % (topic + i)) for i in range(1000)))
            topic += 1000
    except (BrokenPipeError, ConnectionResetError):
        pass
    one.close()
    assert topic < 200000
    # all who come to listen at once do not make a bench send its state more than once a second
    asked, deadline = 0, Deadline(20)
    listeners = [zmtp.connect(path, "SUB") for _ in range(50)]
    for one in listeners:
        one.sendall(zmtp.frame(b"\x01state/"))
    while not false.socket.poll(200) and not deadline.passed():
        pass
    shown(site, bus, 3.25)
    while false.socket.poll(0):
        asked += false.socket.recv().startswith(b"\x01state/")
    assert 1 <= asked <= 10
    for one in listeners:
        one.close()
    false.socket.close()
    assert memory(program) - before < 64 * MB


def test_over_a_network_a_site_is_entered_and_enters_with_keys_only(bench):
    site = Site(bench, "pier")
    bed = site.benches["pier"]
    bench_port, site_port = free_ports(2)
    bench_secret, bench_public = new_key(bench, "bench")
    site_secret, site_public = new_key(bench, "site")
    to_bench, its_key = new_key(bench, "to-bench", "--bench", bench_public)
    keys = {name: new_key(bench, name, "--bench", site_public) for name in ("screen", "stranger")}
    text = bed.configuration.read_text()

    def configure_bench(key):
        bed.configuration.write_text(text.replace(f"bus = {bed.bus}", f"bus = {bed.bus}, tcp://127.0.0.1:{bench_port}")
                                     + f"[keys]\nsecret = {bench_secret}\n" + client("site", key, "read"))

    def configure_site(*names):
        site.configuration.write_text(
            f"[site]\nbus = {bench.bus}, tcp://127.0.0.1:{site_port}\n[keys]\nsecret = {site_secret}\n"
            f"[follow pier]\nbus = tcp://127.0.0.1:{bench_port}\nkey = {to_bench}\n"
            + "".join(client(name, keys[name][1], "read") for name in names))

    def listen(name=None):
        one = bench.context.socket(zmq.SUB)
        one.setsockopt(zmq.LINGER, 0)
        if name:
            halves = dict(line.split(" = ") for line in keys[name][0].read_text().splitlines() if not line.startswith("#"))
            one.curve_publickey, one.curve_secretkey, one.curve_serverkey = (
                zmq.utils.z85.encode(bytes.fromhex(halves[half])) for half in ("public", "secret", "bench"))
        one.setsockopt(zmq.SUBSCRIBE, b"")
        one.connect(f"tcp://127.0.0.1:{site_port}")
        return one

    configure_bench(keys["stranger"][1])                # the site's key is not on the bench's list yet
    configure_site("screen")
    bed.daemon = bed.poised()
    program = bench.start("poise-site", "--config", site.configuration)
    program.wait_diagnostic(f"does not let this key in: .*key = {its_key}")
    configure_bench(its_key)
    bed.daemon.signal(signal.SIGHUP)
    program.wait_diagnostic("pier is there")
    heard, barred = listen("screen"), [listen(), listen("stranger")]
    assert heard.poll(20000) and b'"bench":"pier"' in heard.recv_multipart()[1]
    site.show("pier", 0, 1.25)
    while b'"value":1.25' not in heard.recv_multipart()[1]:
        assert heard.poll(20000)
    assert not any(one.poll(0) for one in barred)
    bus = bench.subscribe()                             # on this machine
    configure_site("stranger")                          # the screen is withdrawn while it listens
    program.signal(signal.SIGHUP)
    program.wait_diagnostic("the configuration was read again")
    bed.ask(do="begin")
    bus.wait_for(event("brew", change="begin"))
    while heard.poll(0):
        assert b'"begin"' not in heard.recv_multipart()[1]
    secrets = [line.split(" = ")[1] for path in (site_secret, to_bench) for line in path.read_text().splitlines()
               if line.startswith("secret = ")]
    assert len(secrets) == 2 and not any(secret in program.diagnostics for secret in secrets)
    for one in [heard, *barred]:
        one.close()
