"""Memory that is short: each call of a program for it fails in turn.  It ends in order: with what was asked, whole, or with
status 1 and a sentence; never by a crash, never with half an answer."""
import os
import random
import re
import signal
import subprocess

from bench import line_scale, station
from cups import Cups

FEW, MANY = 5, 300          # calls of each program that fail, drawn from all
PLAN = "[experiment]\nname = ferry-steep\nreplicates = 2\n[vary]\nsteep_s = 60, 120\n[hold]\ndose_g = 15\nwater_g = 230\n"


class Short:
    """Runs programs with memory that fails at one call."""

    def __init__(self, bench, few):
        self.bench, self.few, self.noted, self.faults, self.count = bench, few, bench.folder / "noted", [], 0
        self.environment = dict(os.environ, **bench.environment,
                                LD_PRELOAD=str(bench.programs_folder.parent / "tests/failing-memory.so"))
        self.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
        # GSL forgets what a solver had when a later part of it gets no memory, and setlocale a name
        (bench.folder / "leaks.supp").write_text("leak:libgsl.so\nleak:_nl_\n")
        self.environment["LSAN_OPTIONS"] = f"suppressions={bench.folder}/leaks.supp:print_suppressions=0"

    def _run(self, number, command, until):
        """Status, output and diagnostics.  `until`: it is asked to stop when a line like this comes."""
        self.noted.unlink(missing_ok=True)
        program = subprocess.Popen([self.bench.programs_folder / command[0], *map(str, command[1:])],
                                   env=dict(self.environment, FAILING_MEMORY=f"{number} {self.noted}"),
                                   stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        said = ""
        if until:
            for line in (program.stdout if until == "output" else program.stderr):
                said += line
                if until == "output" or re.search(until, line):
                    program.terminate()
                    break
        output, diagnostics = program.communicate(timeout=120)
        return program.returncode, output, said + diagnostics

    def each_call(self, *command, until=None, same=True):
        """Fails calls in turn; with `same` an answer of status 0 is the whole answer."""
        status, whole, said = self._run(0, command, until)
        assert status == 0, (command, status, said)
        calls = int(self.noted.read_text())
        numbers = range(1, calls + 1)
        if calls > self.few:
            numbers = sorted(random.Random(str(command[:2])).sample(numbers, self.few))
        for number in numbers:
            status, output, said = self._run(number, command, until)
            self.count += 1
            name = command[0]
            if "AddressSanitizer: CHECK failed" in said:        # it could not begin a thread: no fault of ours
                continue
            if status == 1:
                right = re.search(rf"^{name}: .", said, re.M) and "Sanitizer" not in said
            else:
                right = status == 0 and (not same or output == whole) and "Sanitizer" not in said
            if not right:
                self.faults.append(f"{' '.join(map(str, command))}: call {number} of {calls}: status {status},"
                                   f" {'the same' if output == whole else 'another'} output:\n{said[:1500]}")


def sweep(bench, few):
    plan = bench.folder / "ferry.plan"
    plan.write_text(PLAN)
    bench.configure(station("left"), line_scale("left-scale", bench.port("left-scale"), station="left"))
    cups = Cups(bench)
    for i in range(12):
        name = cups.add("ferry-steep", {"steep_s": 60 + 60 * (i % 3)}, {"extraction_pct": 20 + i % 3 + i / 50, "dose_g": 15},
                        {"dose_g": 15}, replicate=1 + i // 3, note="a note")
    cups.file.commit()
    cups.file.close()
    short = Short(bench, few)
    short.each_call("poised", "--check-config", "--config", bench.configuration)
    short.each_call("poised", "--drivers")
    short.each_call("poise-ctl", "plan", "check", plan)
    short.each_call("poise-ctl", "brews", "--json")
    short.each_call("poise-report", "brews", "--json")
    short.each_call("poise-report", "brew", name, "--json")
    short.each_call("poise-report", "ferry-steep", "--json")
    short.each_call("poise-report", "ferry-steep")
    short.each_call("poise-taste", "list")
    short.each_call("poised", "--config", bench.configuration, until="is ready", same=False)
    bench.poised()
    short.each_call("poise-ctl", "status", "--json", same=False)
    short.each_call("poise-logger", "--store", bench.folder / "another.db", until="keeping the brews", same=False)
    short.each_call("poise-timer", "--plain", until="output", same=False)
    print(f"{short.count} calls failed")
    assert not short.faults, "\n".join(short.faults)


def test_a_few_calls_for_memory_fail_in_each_program(bench):
    sweep(bench, FEW)


def test_hundreds_of_calls_for_memory_fail_in_each_program(bench):      # alone long
    sweep(bench, MANY)
