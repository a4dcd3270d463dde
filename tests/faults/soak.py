#!/usr/bin/python3
"""A busy bench for a long time: poised, poise-logger and poise-board with a device, eight instruments at six stations, the
bench's clock running 50 times as fast; by hand.  Fails when memory or descriptors of one of them grow.

    tests/faults/soak.py [--build FOLDER] [--minutes M] [--rate N]

Twenty minutes are a day of seventeen hours.  The first quarter is for warming up; what a program has at most in the last
quarter is held against what it had at most in the second.
"""
import argparse
import pathlib
import re
import select
import socket
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests/behaviour"), str(ROOT / "tests/browser")]
from bench import Bench, line_scale, refractometer, station  # noqa: E402
from page import Board  # noqa: E402

STATIONS = [f"station-{number}" for number in range(1, 7)]
EVERY_S = 5             # between two looks
GROWTH, GROWTH_KB = 1.05, 512   # of what the second quarter had: pages of a cache that fills late


def memory_kb(process):
    return int(re.search(r"VmRSS:\s+(\d+)", pathlib.Path(f"/proc/{process.pid}/status").read_text())[1])


def descriptors(process):
    return len(list(pathlib.Path(f"/proc/{process.pid}/fd").iterdir()))


def played():
    """Brews at every station, one after the other, and strength readings between them."""
    scales = [f"[scale scale-{name}]\nlayout = plain\nrate_hz = 5\nrandom = 12\n" for name in STATIONS]
    return "".join(scales) + "".join(f"[refractometer meter-{n}]\nreplicates = 3\n" for n in (1, 2))


def start(bench, rate):
    ports = bench.folder / "port"
    bench.configure(*(station(name, "piston_diameter_mm = 60") for name in STATIONS),
                    *(line_scale(f"scale-{name}", ports / f"scale-{name}", station=name) for name in STATIONS),
                    *(refractometer(f"meter-{n}", ports / f"meter-{n}") for n in (1, 2)), bench="journal_mb = 64\n")
    programs = {"poised": bench.poised("--clock-rate", rate), "poise-logger": bench.logger()}
    programs["poise-logger"].wait_diagnostic("keeping the brews")
    board = Board(bench)
    programs["poise-board"] = board.program
    return programs, board


def watch(board):
    """A paired device's connection that shows the bench live."""
    host, device = board.address.split("//")[1], board.device()
    line = socket.create_connection(host.split(":"))
    line.sendall(f"GET /api/live HTTP/1.1\r\nHost: {host}\r\nCookie: {device.cookie}\r\n\r\n".encode())
    return line


def read_for(seconds, line, player):
    """Takes in what the board and the player say; how many bytes the board said."""
    ends, count = time.monotonic() + seconds, 0
    while (left := ends - time.monotonic()) > 0:
        for one in select.select([line, *([player._out] if player._out else [])], [], [], left)[0]:
            if one is line:
                count += len(data := line.recv(1 << 18))
                assert data, "the board let its device go"
            else:
                player._read(0)
                player.output = b""
    return count


def grown(name, what, values, allowed):
    quarter = len(values) // 4
    before, after = max(values[quarter:2 * quarter]), max(values[3 * quarter:])
    print(f"{name:13} {what:11} at first {values[0]:6}, second quarter {before:6}, last quarter {after:6}")
    return [f"{name}: {what} grew from {before} to {after}"] if after > allowed(before) else []


def soak(bench, minutes, rate):
    programs, board = start(bench, rate)
    line, shown = watch(board), 0
    looks = {name: [] for name in programs}
    player, ends = None, time.monotonic() + minutes * 60
    while time.monotonic() < ends:
        if player is None or player.process.poll() is not None:     # its script is over: the next dozen
            if player:
                assert player.wait() == 0
            player = bench.virtual(f"[virtual]\nseed = {len(bench.programs)}\n" + played(), "--clock-rate", rate)
        shown += read_for(EVERY_S, line, player)
        for name, program in programs.items():
            assert program.process.poll() is None, f"{name} ended: {program.diagnostics[-2000:]}"
            looks[name].append((memory_kb(program.process), descriptors(program.process)))
    player.kill()
    line.close()
    brews = bench.query("select count(*) as n from brew_summary")[0]["n"]
    readings = bench.query("select count(*) as n from trace")[0]["n"]
    print(f"{minutes:g} minutes at clock rate {rate}: {brews} brews, {readings} readings in the store, "
          f"{shown / 1e6:.0f} MB on the page")
    faults = [] if brews >= minutes / 5 * len(STATIONS) else [f"only {brews} brews"]
    for name, seen in looks.items():
        faults += grown(name, "memory KB", [kb for kb, _ in seen], lambda kb: kb * GROWTH + GROWTH_KB)
        faults += grown(name, "descriptors", [count for _, count in seen], lambda count: count)
    return faults


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--build", default=str(ROOT / "build"), help="a Release build: the sanitizers' own memory grows")
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--rate", type=int, default=50)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="poise-") as folder:
        bench = Bench(pathlib.Path(folder), pathlib.Path(options.build).resolve() / "bin")
        try:
            faults = soak(bench, options.minutes, options.rate)
        finally:
            ended = bench.close()
        for fault in faults + ended:
            print(fault)
    return 1 if faults + ended else 0


if __name__ == "__main__":
    sys.exit(main())
