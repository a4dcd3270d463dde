"""Peers that cost too much: whoever goes too far is cut off, the others are served on, and memory stays where it was."""
import json
import os
import pwd
import re
import socket

import zmq

import zmtp
from bench import event, line_scale, reading, station

MB = 1 << 20


def start(bench):
    bench.environment["ASAN_OPTIONS"] += ":quarantine_size_mb=4:malloc_context_size=2"     # else what was freed stays
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised()
    port.wait_heard()
    port.line("ST,GS,+    0.00 g")                      # may be half a line
    return daemon, port


def memory(daemon):
    """Bytes resident now; 0 under ThreadSanitizer, whose own books grow with all that is touched."""
    if "libtsan" in open(f"/proc/{daemon.process.pid}/maps").read():
        return 0
    return int(re.search(r"VmRSS:\s+(\d+)", open(f"/proc/{daemon.process.pid}/status").read())[1]) * 1024


def served(bench, port, bus, value):
    port.line(f"ST,GS,+    {value:.2f} g")
    bus.wait_for(reading("left-scale", value=value))
    assert bench.ask(do="status")["ok"]


def test_a_message_without_end_is_cut(bench):
    daemon, port = start(bench)
    bus = bench.subscribe()
    before = memory(daemon)
    for address, kind, size in ((bench.control, "DEALER", 200000), (bench.bus, "SUB", 900), (bench.control, "DEALER", 1)):
        one = zmtp.connect(address.removeprefix("ipc://"), kind)
        sent = zmtp.send_until_cut(one, zmtp.frame(b"x" * size, more=True) * (1 if size > 1000 else 200), 256 * MB)
        assert sent < 16 * MB
        served(bench, port, bus, 1.11)
        one.close()
    assert memory(daemon) - before < 64 * MB


def test_whole_requests_in_a_flood_are_answered_or_wait(bench):
    """Nothing of it is cut: who sends requests that are whole may send many, and is slowed down."""
    daemon, port = start(bench)
    bus = bench.subscribe()
    before = memory(daemon)
    one = bench.context.socket(zmq.DEALER)
    one.setsockopt(zmq.LINGER, 0)
    one.setsockopt(zmq.SNDHWM, 10)
    one.connect(bench.control)
    text = json.dumps({"do": "note", "text": "x" * 60000}).encode()
    for _ in range(2000):
        one.send(text)
    served(bench, port, bus, 1.11)
    assert one.poll(20000) and b'"ok":false' in one.recv()
    one.close()
    assert memory(daemon) - before < 64 * MB


def test_subscriptions_without_end_are_cut(bench):
    daemon, port = start(bench)
    bus = bench.subscribe()
    before = memory(daemon)
    for topic in (lambda i: b"reading/%d" % i, lambda i: b"state/pier"):        # ever new ones; the same without pause
        one = zmtp.connect(bench.bus.removeprefix("ipc://"), "SUB")
        sent = 0
        try:
            for start_at in range(0, 4000000, 1000):
                sent += one.send(b"".join(zmtp.frame(b"\x01" + topic(i)) for i in range(start_at, start_at + 1000)))
        except (BrokenPipeError, ConnectionResetError):
            pass
        assert sent < 4 * MB
        served(bench, port, bus, 1.11)
        one.close()
    assert memory(daemon) - before < 64 * MB
    states = [m for m in bus.drain() if m["topic"].startswith("state/")]
    assert len(states) < 40                             # thousands were asked for


def test_ordinary_subscribing_and_leaving_is_never_cut(bench):
    daemon, port = start(bench)
    bus = bench.subscribe()
    one = bench.context.socket(zmq.SUB)
    one.connect(bench.bus)
    for i in range(400):
        one.setsockopt_string(zmq.SUBSCRIBE, f"reading/pier/scale-{i}")
    for i in range(400):
        one.setsockopt_string(zmq.UNSUBSCRIBE, f"reading/pier/scale-{i}")
    one.setsockopt_string(zmq.SUBSCRIBE, "event/")
    monitor = one.get_monitor_socket(zmq.EVENT_DISCONNECTED)
    served(bench, port, bus, 1.11)
    bench.ask(do="begin")
    bus.wait_for(event("brew", change="begin"))
    assert one.poll(20000) and not monitor.poll(0)
    one.disable_monitor()
    one.close()


def test_connections_without_end_leave_room_for_others(bench):
    daemon, port = start(bench)
    bus = bench.subscribe()
    open_ones, refused = [], 0
    for _ in range(600):
        one = socket.socket(socket.AF_UNIX)
        one.settimeout(20)
        one.connect(bench.control.removeprefix("ipc://"))
        open_ones.append(one)
        try:
            refused += one.recv(10) == b""
        except ConnectionResetError:
            refused += 1
    assert refused >= 400                               # CONNECTIONS_OF_ONE_MOST, of one user
    port.line("ST,GS,+    1.11 g")
    bus.wait_for(reading("left-scale", value=1.11))     # who is there is served on
    for one in open_ones:
        one.close()
    assert bench.ask(do="status")["ok"]                 # and there is room again
    assert memory(daemon) < 600 * MB


def test_one_who_asks_and_does_not_read_costs_little(bench):
    daemon, port = start(bench)
    bus = bench.subscribe()
    for value in range(1, 1000):
        port.line(f"ST,GS,+ {value / 100:7.2f} g")
        if value % 50 == 0:                             # slower than what counts as a flood of noise
            bus.wait_for(reading("left-scale", value=value / 100))
    before = memory(daemon)
    one = zmtp.connect(bench.control.removeprefix("ipc://"), "DEALER")
    for _ in range(400):
        one.sendall(zmtp.frame(b'{"do":"since","seq":0}'))
    served(bench, port, bus, 31.11)
    assert memory(daemon) - before < 64 * MB
    one.close()


def test_one_who_asks_without_pause_leaves_the_journal_to_others(bench):
    """Another user, for what one user asks is counted together."""
    if os.geteuid() != 0:
        return                                          # only root can be somebody else
    daemon, port = start(bench)
    path = bench.control.removeprefix("ipc://")
    os.chmod(bench.folder, 0o755)
    os.chmod(path, 0o666)
    child = os.fork()
    if child == 0:
        who = pwd.getpwnam("daemon")
        os.setgroups([])
        os.setgid(who.pw_gid)
        os.setuid(who.pw_uid)
        peers = [zmtp.connect(path, "DEALER") for _ in range(4)]
        asked = zmtp.frame(b'{"do":"since","seq":0}') * 50
        while True:                                     # until it is killed
            for one in peers:
                one.setblocking(False)
                try:
                    one.send(asked)
                    while one.recv(1 << 20):
                        pass
                except BlockingIOError:
                    pass
    try:
        refused = sum(not bench.ask(do="since", seq=0)["ok"] for _ in range(200))
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
    assert refused == 0
