"""A scale that shows what a test sets, and the script of one brew for poise-virtual."""
import os
import threading


class Player:
    """`with Player(port) as scale: scale.grams = 100`.  It shows what stands on it ten times a second, or `rate` times as
    often, from the moment that its port is there, as a scale on a bench does; nobody waits for it but by what is seen."""

    def __init__(self, port, rate=1, text="ST,GS,{grams:+9.1f} g\r\n"):
        self.port, self.rate, self.text, self.grams, self.stopped = port, rate, text, 0.0, threading.Event()
        self.thread = threading.Thread(target=self._play, daemon=True)

    def __enter__(self):
        os.set_blocking(self.port.master, False)
        self.thread.start()
        return self

    def __exit__(self, *unused):
        self.stopped.set()
        self.thread.join()

    def _play(self):
        while not self.stopped.wait(0.1 / self.rate):
            try:
                os.write(self.port.master, self.text.format(grams=self.grams).encode("latin-1"))
            except OSError:         # nobody listens, or the port is full: a scale does not mind
                pass


def brew(scale, waits_s=6, steeps_s=25):
    """15 g of coffee, 230 g of water, 200 g in the cup; cup and brewer stand there for `waits_s` before the coffee comes."""
    return f"""[virtual]
seed = 7

[scale {scale}]
layout = header
rate_hz = 10
lag_s = 0.15
division_g = 0.1
noise_g = 0.02
capacity_g = 5000
do = brew cup 320 brewer 182 plunger 63 retained 2.0 most 23.5 at-once 7 per-s 0.016
do = wait 6 s
do = put cup brewer
do = wait {waits_s} s
do = coffee 15 g in 5 s
do = wait 5 s
do = pour 230 g in 20 s
do = wait 4 s
do = put plunger
do = wait {steeps_s} s
do = press 2000 g in 20 s
do = wait 4 s
do = lift brewer plunger
do = wait 10 s
do = lift cup
do = wait 12 s
"""
