"""A scale that a test plays by hand: it shows what stands on it ten times a second of the bench's clock, from the moment
that the port is there, as a scale on a bench does."""
import math
import os
import threading


class Player:
    """`with Player(port, rate=20) as scale: scale.grams = 100; ...; scale.brew()`.  It keeps the pace of the world, since
    it plays an instrument; nobody waits for it but by what the bench says."""

    # seconds, grams when they have passed: straight lines between.  Cup and brewer 502 g, 15 g of coffee, 230 g of water,
    # pressed on the scale, and the cup comes back with 200 g.
    BREW = [(6, 0), (0.3, 502), (6, 502), (3, 517), (6, 517), (15, 747), (30, 747), (2, 2200), (20, 2200), (0.5, 747),
            (3, 747), (0.3, 0), (4, 0), (0.3, 520), (15, 520), (0.3, 0), (20, 0)]

    def __init__(self, port, rate=1, text="{word},GS,{grams:+9.1f} g\r\n"):
        self.port, self.rate, self.text, self.grams, self.moving = port, rate, text, 0.0, False
        self.stopped, self.story = threading.Event(), []
        self.thread = threading.Thread(target=self._play, daemon=True)

    def __enter__(self):
        os.set_blocking(self.port.master, False)
        self.thread.start()
        return self

    def __exit__(self, *unused):
        self.stopped.set()
        self.thread.join()

    def brew(self, waits_s=6):
        """`waits_s`: so long cup and brewer stand there before the coffee comes."""
        self.story = self._steps([*self.BREW[:2], (waits_s, 502), *self.BREW[3:]])

    @staticmethod
    def _steps(story):
        before = story[0][1]
        for seconds, target in story:
            steps = max(1, round(seconds * 10))
            for step in range(1, steps + 1):
                hand = 100 * math.sin(step / 2) if before == target == 2200 else 0
                yield before + (target - before) * step / steps + hand, target != before or bool(hand)
            before = target

    def _play(self):
        while not self.stopped.wait(0.1 / self.rate):
            self.grams, self.moving = next(iter(self.story), (self.grams, False))
            line = self.text.format(word="US" if self.moving else "ST", grams=self.grams)
            try:
                os.write(self.port.master, line.encode("latin-1"))
            except OSError:         # nobody listens, or the port is full: a scale does not mind
                pass
