"""poise-ctl doctor: everything between the cable and the store is broken in turn, and the sentence read, with the command
that mends it."""
import json
import os
import shutil
import signal
import sqlite3
import threading

import zmq

from bench import line_scale, reading, station


def doctor(bench, *arguments, **how):
    return bench.run("poise-ctl", "doctor", "--config", bench.configuration, *arguments, **how)


def finds(bench, check, *words, mend, env=None):
    """The doctor's last line is about this, has these words, and this command; what it calls good comes before."""
    status, output, said = doctor(bench, "--json", env=env)
    lines = [json.loads(line) for line in output.splitlines()]
    assert (status, said) == (1, ""), (status, output, said)
    assert all(line["good"] and "mend" not in line for line in lines[:-1]), output
    last = lines[-1]
    assert last["check"] == check and not last["good"], output
    assert all(word in last["detail"] for word in words), last
    assert mend in last["mend"], last
    return lines


def scale(bench, port, *lines, name="left-scale"):
    bench.configure(station("left"), line_scale(name, port, *lines, station="left"))


def shows(bench, port, *grams):
    bus = bench.subscribe()
    port.wait_heard()
    for number in (0.0, *grams):        # the first line may be half a line
        port.line(f"ST,GS,{number:+9.2f} g")
    for number in grams:
        bus.wait_for(reading("left-scale", value=number))
    return bus


def whole(bench, *arguments):
    """A bench on which all is well: its port, its poised and its logger."""
    port = bench.port("left-scale")
    scale(bench, port)
    daemon = bench.poised(*arguments)
    shows(bench, port, 12.34, 12.34, 12.34)
    logger = bench.logger()
    logger.wait_diagnostic("keeping the brews")
    bench.wait_until(lambda: bench.ask(do="health")["health"]["readers"], "the logger has reported")
    return port, daemon, logger


def test_doctor_finds_nothing_where_all_is_well(bench):
    whole(bench)
    status, output, said = doctor(bench)
    assert (status, said) == (0, "") and output.endswith("All is well, from the cable to the store.\n"), (output, said)
    assert "WRONG" not in output and "left: 12.3 g on the scale" in output, output
    status, output, said = doctor(bench, "--json")
    checks = [json.loads(line) for line in output.splitlines()]
    assert status == 0 and len(checks) == 17 and all(check["good"] for check in checks), output


def test_doctor_names_the_line_of_a_mistake(bench):
    bench.configure("[station left]\npress_limit_kpa = much\n")
    finds(bench, "configuration", "poised.conf:8: press_limit_kpa = much", mend="sudoedit")


def test_doctor_misses_a_device_that_is_not_there(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    port.unplug()
    finds(bench, "device", f"left-scale: {port} is not there", "Plug it in", mend="sudo poise-ctl setup")


def test_doctor_sees_that_poised_does_not_run(bench):
    scale(bench, bench.port("left-scale"))
    finds(bench, "bus", "poised does not run", mend="sudo systemctl enable --now poised")


def test_doctor_sees_that_the_bench_speaks_elsewhere(bench):
    scale(bench, bench.port("left-scale"))
    bench.poised()
    nowhere = {"POISE_CONTROL": f"ipc://{bench.folder}/nowhere", "POISE_BUS": f"ipc://{bench.folder}/nothing"}
    finds(bench, "bus", f"is at {bench.control}", mend=f"export POISE_BUS={bench.bus} POISE_CONTROL={bench.control}",
          env=nowhere)


def test_doctor_sees_who_is_not_in_the_group(bench):
    folder = bench.folder / "closed"
    folder.mkdir()
    bench.environment["POISE_CONTROL"], bench.configuration = f"ipc://{folder}/control", bench.folder / "none.conf"
    folder.chmod(0)
    if os.geteuid() == 0:               # whom nothing is closed to: as somebody else then
        bench.folder.chmod(0o711)
        program = bench.folder / "poise-ctl"
        shutil.copy(bench.programs_folder / "poise-ctl", program)
        command = "/usr/bin/setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", program
        (bench.folder / "none.conf").unlink(missing_ok=True)
        (folder / "control").touch()
    else:
        command = (bench.programs_folder / "poise-ctl",)
    status, output, said = bench.run(*command, "doctor", "--config", bench.configuration)
    folder.chmod(0o700)
    assert (status, said) == (1, "") and "group          WRONG" in output, (status, output, said)
    assert "join the group poise and log in again" in output and "sudo usermod -aG poise " in output, output


def test_doctor_sees_an_instrument_that_says_nothing(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    bench.poised()
    port.wait_heard()
    finds(bench, "bytes", "left-scale: nothing has come since its port was opened", "continuous", mend="poise-ctl")


def test_doctor_sees_bytes_that_make_no_sense(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    bench.poised()
    port.wait_heard()
    for _ in range(5):
        port.write(b"\xe6\x9c\x80\xfe\x1e\x78\xe0\x80\r\n")
    bench.wait_until(lambda: sum(bench.ask(do="instruments")["instruments"][0]["rejects"].values()) >= 5, "rejected")
    finds(bench, "decoded", "left-scale: bytes come, and none of them makes sense", "speed or layout",
          mend=f"poise-ctl probe {port}")


def test_doctor_sees_a_scale_without_a_station(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port))
    bench.poised()
    shows(bench, port, 12.34)
    lines = finds(bench, "station", "left-scale is read and stands at no station", mend="a station = left")
    command = next(line["mend"] for line in lines if "mend" in line).split(" && ")[0].removeprefix("sudo ")
    assert os.system(command) == 0
    assert "[instrument left-scale]\nstation = left\n" in bench.configuration.read_text()


def test_doctor_sees_a_scale_that_shows_no_weight(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    bench.poised()
    bus = bench.subscribe()
    port.wait_heard()
    for _ in range(3):
        port.line("OL,GS,+999999.9 g")
    bus.wait_for(reading("left-scale", status="overload"))
    finds(bench, "tracked", "left-scale shows overload and no weight", mend="poise-ctl zero")


def test_doctor_misses_a_logger(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    bench.poised()
    shows(bench, port, 12.34, 12.34, 12.34)
    finds(bench, "logger", "poise-logger does not run", "no brew is saved", mend="sudo systemctl enable --now poise-logger")


def test_doctor_misses_a_logger_that_was_there_before(bench):
    port, daemon, logger = whole(bench)
    logger.stop()
    daemon.stop()
    bench.poised()
    shows(bench, port, 12.34, 12.34, 12.34)
    finds(bench, "logger", "it has not reported since poised started", mend="sudo systemctl enable --now poise-logger")


def test_doctor_sees_how_far_the_logger_is_behind(bench):
    port, _, logger = whole(bench, "--clock-rate", "400")       # minutes pass in a blink
    logger.signal(signal.SIGSTOP)
    before = bench.ask(do="health")["health"]["time_us"]
    bench.wait_until(lambda: bench.ask(do="health")["health"]["time_us"] > before + 200e6, "three minutes pass")
    shows(bench, port, 45.67)
    finds(bench, "caught up", "s behind the bench; nothing is lost", mend="sudo systemctl restart poise-logger")
    logger.signal(signal.SIGCONT)


def test_doctor_misses_the_store_and_knows_a_newer_one(bench):
    _, _, logger = whole(bench)
    finds(bench, "store", "elsewhere.db", "is not there", mend="poise-logger",
          env={"POISE_STORE": str(bench.folder / "elsewhere.db")})
    newer = bench.folder / "newer.db"
    logger.stop()
    shutil.copy(bench.store, newer)
    with sqlite3.connect(newer) as database:
        database.execute("PRAGMA user_version = 99")
    finds(bench, "store", "newer", mend="apt-get", env={"POISE_STORE": str(newer)})


def test_doctor_sees_a_disk_that_is_nearly_full(bench):
    whole(bench)
    loaded = {"LD_PRELOAD": str(bench.programs_folder.parent / "tests/small-disk.so"),
              "ASAN_OPTIONS": bench.environment["ASAN_OPTIONS"] + ":verify_asan_link_order=0"}
    finds(bench, "disk", "has 12 MB left", mend="apt-get clean", env=dict(loaded, SMALL_DISK="12"))
    finds(bench, "disk", "has 0 MB left: nothing can be saved", mend="apt-get clean", env=dict(loaded, SMALL_DISK="0"))


def test_doctor_sees_a_clock_that_is_wrong(bench):
    _, _, logger = whole(bench)
    logger.stop()
    with sqlite3.connect(bench.store) as database:      # the store was filled in what is now the future
        database.execute("UPDATE progress SET time_us = time_us + 86400000000")
    finds(bench, "clock", "a message from 86", "in its future", mend="timedatectl set-ntp true")


class OtherBench:
    """Answers as a bench does, with what a test gives it: for what cannot be broken here."""

    def __init__(self, bench, **answers):
        self.socket, self.answers, self.stopped = bench.context.socket(zmq.ROUTER), answers, False
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.bind(bench.control)
        self.thread = threading.Thread(target=self._answer, daemon=True)
        self.thread.start()

    def _answer(self):
        while not self.stopped:
            if self.socket.poll(20):
                *peer, text = self.socket.recv_multipart()
                request = json.loads(text)
                answer = self.answers.get(request["do"])
                reply = {"ok": True, **answer} if answer else {"ok": False, "why": f"there is no {request['do']}"}
                if "id" in request:
                    reply["id"] = request["id"]
                self.socket.send_multipart([*peer, json.dumps(reply).encode()])

    def __enter__(self):
        return self

    def __exit__(self, *unused):
        self.stopped = True
        self.thread.join()
        self.socket.close()


def test_doctor_sees_versions_that_do_not_fit(bench):
    scale(bench, bench.port("left-scale"))
    state = {"state": {"bench": "pier", "stations": []}}
    with OtherBench(bench, status=state, instruments={"instruments": []}, health={"health": {"version": "9.9.9"}}):
        finds(bench, "versions", "the poised that runs is 9.9.9", mend="sudo systemctl restart poised poise-logger")


def test_doctor_takes_a_bench_that_does_not_know_the_question_for_an_older_one(bench):
    scale(bench, bench.port("left-scale"))
    with OtherBench(bench, status={"state": {"bench": "pier"}}, instruments={"instruments": []}):
        finds(bench, "versions", "older than", mend="sudo systemctl restart poised poise-logger")


def test_doctor_sees_what_poised_may_not_or_cannot_open(bench):
    port = bench.port("left-scale")
    scale(bench, port)
    version = bench.run("poise-ctl", "--version")[1].split()[1]
    one = {"instrument": "left-scale", "quantity": "mass", "station": "left", "port": str(port), "condition": "refused"}
    others = {"status": {"state": {"bench": "pier"}}, "health": {"health": {"version": version}}}
    with OtherBench(bench, instruments={"instruments": [dict(one, detail="no permission to open it")]}, **others):
        finds(bench, "permission", "left-scale: poised may not open", mend="sudo usermod -aG dialout poise")
    with OtherBench(bench, instruments={"instruments": [dict(one, detail="it refuses 250000 baud")]}, **others):
        finds(bench, "settings", "cannot be opened as the configuration has it", "250000", mend="sudoedit")
