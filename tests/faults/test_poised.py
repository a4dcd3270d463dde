"""Poised in trouble: each fault ends in one clear sentence and loses nothing that was recorded."""
import resource
import select
import sqlite3
import os
import struct
import time

import zmq

from bench import event, line_scale, reading, station


def one_scale(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    return port


def test_a_second_poised_is_reported_and_the_first_goes_on(bench):
    one_scale(bench)
    bench.poised()
    status, output, said = bench.run("poised", "--config", bench.configuration)
    assert (status, output) == (1, "")
    assert "another poised is using it" in said.splitlines()[-1]
    assert bench.ask(do="begin")["ok"]


def test_a_second_poised_with_its_own_sockets_cannot_share_the_journal(bench):
    one_scale(bench)
    bench.poised()
    text = bench.configuration.read_text().replace("/bus", "/other-bus").replace("/control", "/other-control")
    (bench.folder / "other.conf").write_text(text)
    status, _, said = bench.run("poised", "--config", bench.folder / "other.conf")
    assert status == 1 and "journal.db: another poised is using it" in said


def test_an_event_is_said_when_it_is_on_the_disk(bench):
    """A disk that hangs: what a kill would take back is not seen before; then all of it comes in order."""
    port, hanging = one_scale(bench), bench.folder / "hanging"
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
    daemon = bench.start("poised", "--config", bench.configuration, env={
        "LD_PRELOAD": str(bench.programs_folder.parent / "tests/hanging-disk.so"), "HANGING_DISK": str(hanging)})
    bench.ask(do="status", dies=daemon)
    bus = bench.subscribe()
    port.wait_heard()
    port.line("ST,GS,+    0.00 g")
    port.line("ST,GS,+    0.00 g")
    bus.wait_for(reading("left-scale"))

    def begin():
        """Asks to begin a brew while the disk hangs, shows two readings, and waits until the journal waits."""
        before = len(bus.drain())
        hanging.touch()
        asked = time.monotonic()
        socket = bench.context.socket(zmq.DEALER)
        socket.connect(bench.control)
        socket.send_json({"do": "begin"})
        while not hanging.stat().st_size:
            select.select([], [], [], 0.005)
        port.line("ST,GS,+    0.01 g")
        port.line("ST,GS,+    0.02 g")
        socket.poll(200)        # poised has had its time to say too much
        early = bus.drain()[before:]
        assert time.monotonic() - asked >= 1 or not [m for m in early if m["topic"].startswith("event/pier/brew")], early
        return socket

    socket = begin()
    hanging.unlink()
    brew = socket.recv_json()["brew"]
    bus.wait_for(event("brew", change="begin", brew=brew))
    bus.wait_for(lambda message: message.get("value") == 0.02)
    numbers = [message["seq"] for message in bus.messages if "seq" in message and not message["topic"].startswith("state/")]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers))), numbers
    socket.close()
    assert bench.ask(do="end")["ok"]
    # one that hangs on stops nothing for long, and what was seen early by then is all that a kill takes back
    socket = begin()
    bus.wait_for(event("brew", change="begin"))
    assert hanging.exists()
    hanging.unlink()
    socket.close()


SLEEPER = """
[virtual]
seed = 5
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
do = wait 20
do = lift all
"""


def test_a_sleep_of_the_computer_is_reported_and_delays_no_deadline(bench):     # alone
    """A brew is taken away and the computer sleeps for an hour: the brew is over when it wakes, not 15 minutes later."""
    leap = bench.folder / "leap"
    leap.write_bytes(struct.pack("qq", 0, 0))
    os.mkfifo(f"{leap}.wake")
    wake = os.open(f"{leap}.wake", os.O_RDWR | os.O_NONBLOCK)
    bench.configure(station("left", "piston_diameter_mm = 60"),
                    line_scale("left-scale", bench.folder / "port/left-scale", station="left"))
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
    player = bench.virtual(SLEEPER, "--clock-rate", 10, "--stay")
    daemon = bench.start("poised", "--config", bench.configuration, "--clock-rate", 10, env={
        "LD_PRELOAD": str(bench.programs_folder.parent / "tests/leaping-clock.so"), "LEAPING_CLOCK": str(leap)})
    bench.ask(do="status", dies=daemon)
    bus = bench.subscribe()
    brew = bus.wait_for(event("stage", stage="pour"))["brew"]
    player.wait_json(lambda line: line["truth"] == "end")
    bus.wait_for(lambda message: reading("left-scale")(message) and abs(message["value"]) < 5)
    before = bus.messages[-1]["mono_us"]
    leap.write_bytes(struct.pack("qq", 360 * 1000000, 0))           # 10 times as long on this bench's clock
    os.write(wake, b"\1" * 8)
    warning = bus.wait_for(event("warning", warning="slept"))
    assert "slept for 3600 s" in warning["detail"] and warning["mono_us"] - before > 3600 * 1000000
    over = bus.wait_for(lambda message: message.get("change") in ("end", "discard") and message["brew"] == brew)
    assert over["mono_us"] - warning["mono_us"] < 60 * 1000000
    assert daemon.diagnostics.count("the computer slept for 360 s") == 1
    assert not [message for message in bus.drain() if event("instrument", change="silent")(message)]
    assert bench.ask(do="status", dies=daemon)["ok"]
    os.close(wake)


def test_sockets_and_files_are_closed_to_strangers(bench):
    one_scale(bench)
    bench.poised()
    assert (bench.folder / "bus").stat().st_mode & 0o777 == 0o660
    assert (bench.folder / "control").stat().st_mode & 0o777 == 0o660
    assert (bench.folder / "journal.db").stat().st_mode & 0o007 == 0


def test_missing_folders_are_made_for_the_group_alone(bench):
    port = bench.port("left-scale")
    bench.bus = f"ipc://{bench.folder}/new/deep/bus"
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    assert (bench.folder / "new/deep").stat().st_mode & 0o777 == 0o750


def test_a_network_socket_without_keys_is_refused(bench):
    one_scale(bench)
    bench.configuration.write_text(bench.configuration.read_text().replace(bench.bus, "tcp://127.0.0.1:5555"))
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 2 and "tcp://" in said and "keys" in said


def test_a_socket_or_folder_of_a_stranger_is_refused(bench):
    """Neither poised nor a client has anything to do with it; root, who could, neither."""
    if os.geteuid() != 0:
        return          # only root can make a folder that is another's
    one_scale(bench)
    bench.poised()
    theirs = bench.folder / "theirs"
    theirs.mkdir()
    os.chown(theirs, 4711, 4711)
    for program, arguments in (("poise-ctl", ["--control", f"ipc://{theirs}/control", "status"]),
                               ("poise-logger", ["--bus", f"ipc://{theirs}/bus", "--control", f"ipc://{theirs}/control"]),
                               ("poise-timer", ["--plain", "--bus", f"ipc://{theirs}/bus"])):
        status, _, said = bench.run(program, *arguments)
        assert status == 1 and "another user" in said, (program, said)
    text = bench.configuration.read_text().replace(str(bench.folder) + "/", f"{theirs}/").replace(
        "journal = journal.db", f"journal = {bench.folder}/other.db")
    (bench.folder / "other.conf").write_text(text)
    status, _, said = bench.run("poised", "--config", bench.folder / "other.conf")
    assert status == 1 and "belongs to another user" in said
    os.chown(bench.folder / "control", 4711, 4711)          # a socket that a stranger has made
    status, _, said = bench.run("poise-ctl", "status")
    assert status == 1 and "another user" in said
    os.chown(bench.folder / "control", 0, 0)
    os.chmod(bench.folder, 0o777)                           # anybody could put another one there
    status, _, said = bench.run("poise-ctl", "status")
    assert status == 1 and "any user may write" in said
    os.chmod(bench.folder, 0o700)
    assert bench.run("poise-ctl", "status")[0] == 0


def test_a_network_address_without_a_key_is_refused_by_clients(bench):
    status, _, said = bench.run("poise-ctl", "--control", "tcp://127.0.0.1:5555", "status")
    assert status == 1 and "needs keys" in said


def test_subscribing_without_pause_costs_others_one_state_a_second(bench):
    one_scale(bench)
    bench.poised()
    bus = bench.subscribe()
    began = time.monotonic()
    for _ in range(40):
        sockets = []
        for _ in range(10):
            sockets.append(bench.context.socket(zmq.SUB))
            sockets[-1].setsockopt(zmq.LINGER, 0)
            sockets[-1].connect(bench.bus)
            sockets[-1].setsockopt_string(zmq.SUBSCRIBE, "state/")
        bench.ask(do="status")
        for one in sockets:
            one.close()
    late = bench.subscribe()                # waits its turn, and has it
    elapsed = time.monotonic() - began
    states = sum(message["topic"] == "state/pier" for message in bus.drain())
    assert states <= 1 + 8 + elapsed + 1, (states, elapsed)
    assert late.state["stations"][0]["station"] == "left"


def test_steering_characters_and_hostile_times_reach_no_terminal(bench):
    one_scale(bench)
    bench.poised()
    watch = bench.start("poise-ctl", "watch")
    watch.wait_line("bench pier")
    bench.ask(do="begin")
    assert bench.ask(do="note", text="hot\u009b31mred\u0085")["ok"]
    line = watch.wait_line("hot")
    assert not [c for c in line if 0x7f <= ord(c) < 0xa0] and "red" in line


def test_a_file_in_the_place_of_the_socket_is_left_alone(bench):
    one_scale(bench)
    (bench.folder / "bus").write_text("my recipe")
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 1 and "no socket" in said
    assert (bench.folder / "bus").read_text() == "my recipe"


def test_a_newer_journal_is_left_alone(bench):
    one_scale(bench)
    bench.poised().stop()
    database = sqlite3.connect(bench.folder / "journal.db")
    database.execute("PRAGMA user_version = 9")
    database.close()
    status, _, said = bench.run("poised", "--config", bench.configuration)
    assert status == 1 and "made by a newer Poise" in said


def test_a_file_that_was_never_a_journal_is_left_alone(bench):
    bench.configure(station("left"))
    journal = bench.folder / "journal.db"
    for text in ("Blend: two thirds ferry, one third pier.\n" * 200, "x"):
        journal.write_text(text)
        status, output, said = bench.run("poised", "--config", bench.configuration)
        assert (status, output) == (1, "")
        assert said.splitlines()[-1] == (f"poised: journal {journal}: this is no journal but some other file, left as it"
                                         " is; name another with `journal =`")
        assert journal.read_text() == text and not list(bench.folder.glob("journal.db.damaged-*"))
    # zeros are what a power cut leaves of a journal
    journal.write_bytes(bytes(8192))
    bench.poised()
    assert list(bench.folder.glob("journal.db.damaged-*"))


def test_a_damaged_journal_is_set_aside_and_said(bench):
    one_scale(bench)
    daemon = bench.poised()
    first = bench.ask(do="begin")["brew"]
    daemon.stop()
    last = 1
    with open(bench.folder / "journal.db", "r+b") as file:
        file.write(b"spilled coffee " * 400)
    daemon = bench.poised()
    daemon.wait_diagnostic("damaged; it is kept as ")
    assert len(list(bench.folder.glob("journal.db.damaged-*"))) >= 1
    answer = bench.ask(do="since", seq=0)
    assert answer["messages"][0][1]["seq"] > last + 1000000       # above all that was ever given
    assert bench.ask(do="begin")["brew"] != first


def test_a_full_disk_stops_no_reading_and_loses_none(bench):
    port = one_scale(bench)
    daemon = bench.poised()
    bus, said = bench.subscribe(), bench.subscribe()
    port.wait_heard()
    before = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (4096, before[1]))
    for gram in range(200):
        port.line(f"ST,GS,{gram / 10:+9.1f} g")
    bus.wait_for(reading("left-scale", value=19.9))
    brew = bench.ask(do="begin")["brew"]
    assert "journal.db" in said.wait_for(event("warning", warning="journal"))["detail"]
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, before)
    assert "nothing was lost" in said.wait_for(event("warning", warning="journal"))["detail"]
    kept = [message["seq"] for message in bench.history()]
    assert kept == list(range(1, len(kept) + 1))
    assert daemon.diagnostics.count("journal.db") == 2
    daemon.kill()
    bench.poised()
    assert bench.ask(do="end")["brew"] == brew


def test_nonsense_gets_a_sentence_or_silence_and_hurts_nobody(bench):
    one_scale(bench)
    daemon = bench.poised()
    socket = bench.context.socket(zmq.DEALER)
    socket.setsockopt(zmq.LINGER, 0)
    socket.connect(bench.control)
    for frames in ([b"\0\1\2"], [b"{"], [b"{}"], [b"[" * 60000], [b'{"do":"' + b"x" * 60000 + b'"}'], [b"a" * 100000],
                   [b'{"do":"since","seq":99999999999999999999}'], [b"\xff\xfe"], [b'{"do":"dance"}']):
        socket.send_multipart(frames)
        assert socket.poll(20000), frames[0][:40]
        reply = zmq.utils.jsonapi.loads(socket.recv_multipart()[-1])
        assert reply["ok"] is False and reply["why"] and "\n" not in reply["why"]
    socket.send_multipart([b"one", b"two", b"three"])      # three frames are no request: dropped
    socket.send_multipart([b"y" * 1000000])                # too long even to be read: the connection ends
    socket.close()
    assert bench.ask(do="status", dies=daemon)["ok"]


def test_a_requester_of_any_kind_is_answered(bench):
    one_scale(bench)
    bench.poised()
    socket = bench.context.socket(zmq.REQ)
    socket.setsockopt(zmq.LINGER, 0)
    socket.connect(bench.control)
    for request in ({"do": "since", "seq": 0, "id": "a"}, {"do": "dance", "id": 2}):
        socket.send_json(request)
        assert socket.poll(20000)
        assert socket.recv_json()["id"] == request["id"]
    socket.close()


def test_a_listener_who_does_not_read_slows_nobody(bench):
    ports = [bench.port(f"scale-{number}") for number in range(8)]
    bench.configure(station("left"), *[line_scale(f"scale-{number}", port) for number, port in enumerate(ports)])
    daemon = bench.poised()
    deaf = bench.context.socket(zmq.SUB)
    deaf.setsockopt(zmq.LINGER, 0)
    deaf.setsockopt(zmq.RCVHWM, 1)
    deaf.setsockopt(zmq.RCVBUF, 4096)
    deaf.connect(bench.bus)
    deaf.setsockopt_string(zmq.SUBSCRIBE, "")
    assert deaf.poll(20000)
    bus = bench.subscribe()
    for port in ports:
        port.wait_heard().line("ST,GS,+    0.0 g")
    for begin in range(1, 1001, 50):            # so much at once is no flood
        for port in ports:
            for gram in range(begin, begin + 50):
                port.line(f"ST,GS,{gram / 10:+9.1f} g")
        bus.wait_for(reading("scale-7", value=(begin + 49) / 10))
    # 8000 messages are more than is kept for one who does not read
    for number in range(8):
        while not any(reading(f"scale-{number}", value=100.0)(m) for m in bus.messages):
            bus.wait_for(reading(f"scale-{number}"))
        values = [m["value"] for m in bus.messages if reading(f"scale-{number}")(m)]
        assert values[-1000:] == [gram / 10 for gram in range(1, 1001)]
    assert bench.ask(do="status", dies=daemon)["ok"]
    deaf.close()
