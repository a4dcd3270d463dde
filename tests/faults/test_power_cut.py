"""The power is cut in the middle of brews: what was written and not synced is undone, all or a random half of it.  No event
that was published is missing, nor more than the last readings; the store goes on and catches up."""
import random
import signal

import power_cut
from kills import Morning, play

PROMISED_S = 5          # of readings, at most: README and poised(8)


class Storm(Morning):
    """A morning with a bad mains: the programs write through power_cut.so."""
    kinds = ("cut all", "cut half")

    def __init__(self, *arguments):
        self.records, self.dice, self.cuts, self.undone = [], random.Random(1), [], []
        arguments[0].environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"
        super().__init__(*arguments)

    def environment(self):
        self.records.append(self.bench.folder / f"record-{len(self.records)}")
        return {"LD_PRELOAD": str(self.bench.programs_folder.parent / "tests/power-cut.so"),
                "POWER_CUT": str(self.records[-1])}

    def strike(self, moment):
        for program in (self.daemon, self.logger):      # neither writes while the other dies
            program.signal(signal.SIGSTOP)
        self.daemon.kill()
        self.logger.kill()
        self.bus.drain()
        self.cuts.append(self.bus.messages[-1]["mono_us"])
        self.undone.append(power_cut.cut(self.bench.folder, self.records[-2:], self.dice, moment.kind == "cut half"))
        self.start(poised=True, logger=True)

    def followed(self, begun):
        """Seconds of the disk are a minute of this bench: what it then makes of the brew is not asked here."""
        return [] if begun else ["no brew began"]

    def may_be_missing(self, message):
        """A reading of the last seconds before a cut; never an event."""
        return message["topic"].startswith("reading/") and any(
            0 <= cut_us - message["mono_us"] <= PROMISED_S * self.rate * 1e6 for cut_us in self.cuts)


def test_a_power_cut_takes_back_no_event(bench):
    play(Storm(bench, 20261201, 1, 2))


def test_fifty_power_cuts_take_back_no_event(bench):        # alone long
    play(Storm(bench, 20261202, 25, 2))
