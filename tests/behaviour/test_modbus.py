"""Instruments that answer Modbus RTU, from the request on the wire to the cup in the store."""
import re
import struct

from bench import event, line_scale, reading, station

# Unit 17, holding registers 107 to 109: MODBUS Application Protocol 1.1b3, 6.3, has them as its example.
REQUEST = bytes.fromhex("1103006B00037687")

GAUGE = """[instrument gauge]
driver = modbus
port = {port}
quantity = pressure
station = left
ask = every 100 ms
address = 17
register = 107
type = float32
decimals = 1
also = temperature 109 int16 0.1 C
"""


def answer(port, kpa, tenths_c):
    """To the next question."""
    assert port.read_until(REQUEST)[-len(REQUEST):] == REQUEST
    data = b"\x11\x03\x06" + struct.pack(">fh", kpa, tenths_c)
    crc = 0xFFFF
    for byte in data:       # MODBUS over Serial Line 1.02, 2.5.1.2
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    port.write(data + struct.pack("<H", crc))


# One cup, pressed beside the scale: (seconds, grams when they have passed, kPa, tenths of a degree).  The masses are
# made up.
CUP = [(4, 0, 0.2, 210), (0.2, 520, 0.2, 210), (5, 520, 0.2, 210), (3, 535, 0.2, 210), (5, 535, 0.2, 210),
       (15, 765, 0.2, 935), (20, 765, 0.2, 921), (0.4, 0, 0.2, 921), (4, 0, 0.2, 921), (0.1, 0, 24, 921),
       (9.9, 0, 24, 900), (3, 0, 31.5, 880), (5, 0, 0.1, 300), (0.3, 520, 0.1, 300), (6, 520, 0.1, 300)]


def test_a_gauge_brings_press_and_slurry_temperature_to_the_store(bench):
    gauge, scale = bench.port("gauge"), bench.port("scale")
    bench.configure(station("left"), line_scale("left-scale", scale, station="left"), GAUGE.format(port=gauge))
    bench.logger()
    bench.poised("--clock-rate", "20")
    scale.wait_heard()
    bus, before = bench.subscribe(), 0
    for seconds, grams, kpa, tenths_c in CUP:
        steps, first = round(seconds * 10), before
        for step in range(steps):
            before = first + (grams - first) * (step + 1) / steps
            answer(gauge, kpa, tenths_c)        # poised's questions are the clock
            scale.line(f"{'ST' if grams == first else 'US'},GS,{before:+9.1f} g")
    temperature = bus.wait_for(reading("gauge", quantity="temperature"))
    assert (temperature["value"], temperature["station"]) == (21.0, "left")
    status, shown, _ = bench.run("poise-ctl", "instruments")
    assert status == 0 and re.search(r"\n +and +[0-9.]+ °C +[0-9]+", shown), shown
    gauge = next(one for one in bench.ask(do="instruments")["instruments"] if one["instrument"] == "gauge")
    assert [(one["quantity"], one["unit"], one["status"]) for one in gauge["also"]] == [("temperature", "°C", "ok")]
    brew = bus.wait_for(event("stage", stage="press"))["brew"]
    bench.ask(do="end", brew=brew)
    row, = bench.wait_query("SELECT brew, press_peak_kpa, press_mean_kpa, press_s, slurry_c FROM brew_summary",
                            lambda rows: rows and rows[0]["press_peak_kpa"] is not None)
    assert row["brew"] == brew and row["press_peak_kpa"] == 31.5 and 24 < row["press_mean_kpa"] < 28, row
    assert abs(row["slurry_c"] - 92.1) < 0.5, row       # when the press began, not what is left afterwards
    kept = ("SELECT quantity, count(*) AS n FROM brew_trace WHERE instrument = 'gauge' AND (quantity = 'temperature'"
            " OR value > 20) GROUP BY quantity ORDER BY quantity")
    bench.wait_query(kept, lambda rows: rows[0] == {"quantity": "pressure", "n": 130} and rows[1]["n"] > 400)
