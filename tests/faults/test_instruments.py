"""Instruments that are missing, go, come back, talk nonsense, or talk too much: each is said once, and the others
go on."""
import os
import pty
import signal
import tty

from bench import event, line_scale, reading, station


def scale_line(grams):
    return f"ST,GS,+{grams:9.2f} g"


def weigh(port, bus, grams, instrument="left-scale"):
    """Shows a mass, twice since the first line after opening is dropped; the reading."""
    port.wait_heard()
    port.line(scale_line(grams))
    port.line(scale_line(grams))
    return bus.wait_for(reading(instrument, value=grams))


def instrument_status(bench, name):
    return next(one for one in bench.ask(do="status")["state"]["instruments"] if one["instrument"] == name)


def test_a_missing_port_is_said_and_found_when_it_comes(bench):
    port = bench.port("left-scale")
    port.unplug()
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised()
    daemon.wait_diagnostic("left-scale: searching: .*left-scale is not there")
    bus = bench.subscribe()
    port.plug()
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    assert weigh(port, bus, 12.34)["unit"] == "g"


def test_a_port_that_dies_and_returns_is_read_again(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    bench.poised()
    bus = bench.subscribe()
    weigh(port, bus, 12.34)
    port.write(b"ST,GS,+    99")      # half a line, never to be joined to what follows
    port.unplug()
    lost = bus.wait_for(event("instrument", instrument="left-scale", change="lost"))
    assert "left-scale" in lost["detail"]
    port.plug()
    bus.wait_for(event("instrument", instrument="left-scale", change="found"))
    port.wait_heard()
    port.write(b".99 g\r\n")
    weigh(port, bus, 56.78)
    values = [message["value"] for message in bus.drain() if message["topic"].startswith("reading/")]
    assert set(values) == {12.34, 56.78}
