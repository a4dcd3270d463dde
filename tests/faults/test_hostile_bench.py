"""A bench that says anything, to the clients that show it: whatever the numbers are, they go on and end in order."""
import json
import threading

import zmq

from bench import station

EXTREMES = [0, 1, -1, 2**53, -2**53, 2**53 + 1, 2**63 - 1, -2**63, 2**62, -2**62]


class Impostor:
    """Sockets in the bench's place, in the folder of this user, who is trusted: its words are not."""

    def __init__(self, bench, messages, answers):
        self.context = bench.context
        self.bus, self.control = self.context.socket(zmq.XPUB), self.context.socket(zmq.ROUTER)
        self.bus.setsockopt(zmq.XPUB_VERBOSE, 1)        # each who comes hears it all
        for one, address in ((self.bus, bench.bus), (self.control, bench.control)):
            one.setsockopt(zmq.LINGER, 0)
            one.bind(address)
        self.messages, self.answers, self.stop = messages, answers, False
        self.thread = threading.Thread(target=self.speak, daemon=True)
        self.thread.start()

    def speak(self):
        poller = zmq.Poller()
        poller.register(self.bus, zmq.POLLIN)
        poller.register(self.control, zmq.POLLIN)
        while not self.stop:
            for one, _ in poller.poll(50):
                frames = one.recv_multipart()
                if one is self.bus and frames[0][:1] == b"\x01":
                    for topic, message in self.messages:
                        self.bus.send_multipart([topic.encode(), json.dumps(message).encode()])
                elif one is self.control:
                    asked = json.loads(frames[-1])
                    self.control.send_multipart(frames[:-1] + [json.dumps(self.answers(asked)).encode()])
        self.bus.close()
        self.control.close()

    def close(self):
        self.stop = True
        self.thread.join()


def common(number, **fields):
    return dict({"v": 1, "bench": "pier", "seq": number, "time_us": 1795600000000000, "mono_us": 5000000000, "boot": "b"},
                **fields)


def messages():
    brew = {"brew": "pier-20261130-001", "station": "left"}
    number = 0
    for extreme in EXTREMES:
        for field in ("at_us", "time_us", "mono_us", "uncertainty_us"):
            number += 1
            stage = dict(brew, stage="press", at_us=4990000000, uncertainty_us=1000, by="tracker")
            yield "event/pier/stage", dict(common(number, **stage), **{field: extreme})
        number += 1
        yield "event/pier/brew", common(number, change="begin", at_us=extreme, **brew)
        number += 1
        yield "event/pier/measure", common(number, measure="dose_g", value=extreme, standard_uncertainty=abs(extreme),
                                           by="tracker", **brew)
        yield "state/pier", state(number, extreme)
    yield "event/pier/warning", common(number + 1, brew=None, warning="the-end", detail="this is the end")


def state(number, extreme):
    return common(number, stations=[{
        "station": "left", "brew": "pier-20261130-001", "stage": "press", "began_us": extreme, "stage_began_us": extreme,
        "at_us": extreme, "first_water_us": extreme, "by": "tracker", "load_g": extreme, "water_g": extreme,
        "stages": [{"stage": "pour", "at_us": extreme, "by": "tracker"}, {"stage": "press", "at_us": -extreme, "by": "tracker"}],
        "measures": {"dose_g": {"value": extreme, "standard_uncertainty": abs(extreme)}}}],
        instruments=[{"instrument": "left-scale", "quantity": "mass", "station": "left", "condition": "ready",
                      "value": extreme, "unit": "g", "stable": True, "status": "ok", "at_us": extreme, "age_s": extreme}])


def test_a_bench_that_says_anything_stops_no_client(bench):
    bench.configure(station("left"))
    said = list(messages())
    extremes = iter(EXTREMES * 50)

    def answer(asked):
        extreme = next(extremes)
        if asked.get("do") == "since":
            return {"ok": True, "messages": [], "next": extreme, "last": extreme, "began_us": extreme}
        return {"ok": True, "state": state(1, extreme), "plan": None, "instruments": [], "mono_us": extreme,
                "health": {"time_us": extreme, "last": extreme, "readers": []}}
    impostor = Impostor(bench, said, answer)
    try:
        watch = bench.start("poise-ctl", "watch")
        watch.wait_line("this is the end")
        timer = bench.start("poise-timer", "--plain")
        timer.wait_line("this is the end|the-end|the end")
        screen = bench.start("poise-timer", terminal=(30, 100))
        screen.wait_text("pier")
        for _ in EXTREMES:
            for words in (["status"], ["instruments"]):
                status, _, _ = bench.run("poise-ctl", *words)
                assert status in (0, 1)
        bench.run("poise-ctl", "doctor")
        for program in (watch, timer, screen):
            assert program.process.poll() is None, program.diagnostics
            assert "runtime error" not in program.diagnostics
    finally:
        impostor.close()
