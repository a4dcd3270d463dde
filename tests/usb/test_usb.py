"""poised reads instruments on USB: unchanged, under umockdev."""
import errno
import pathlib
import signal
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).parents[1] / "behaviour"))
from bench import event, line_scale, reading, station  # noqa: E402
from mock_adapter import DTR, RTS, MockAdapter  # noqa: E402
from mock_usb import SCALE_DESCRIPTOR, MockScale, MockTypist, UMockdev  # noqa: E402


def usb(name, driver, port, *lines):
    return "\n".join([f"[instrument {name}]", f"driver = {driver}", f"port = {port}", *lines, ""])


def usb_scale(name, port, station_name="left"):
    return usb(name, "hid-scale", port, f"station = {station_name}")


def change(instrument, word):
    return event("instrument", instrument=instrument, change=word)


def computer(bench):
    """One whose USB is made of software, for all programs started from now on."""
    testbed = bench.testbed = UMockdev.Testbed.new()    # kept until poised has stopped: it asks the devices to its end
    bench.environment["UMOCKDEV_DIR"] = testbed.get_root_dir()
    bench.environment["ASAN_OPTIONS"] += ":verify_asan_link_order=0"       # umockdev is preloaded before it
    return testbed


def start(bench, *sections):
    """poised, and a subscription."""
    bench.configure(station("left"), *sections)
    return bench.poised(), bench.subscribe()


def describe(bench, name):
    return [one for one in bench.ask(do="status")["state"]["instruments"] if one["instrument"] == name][0]


def awake(scale, bus, name):
    """Past the first report, which may have waited since yesterday."""
    scale.wait_read()
    scale.weigh(1)
    scale.weigh(2)
    return bus.wait_for(reading(name, value=0.2))


def test_a_usb_scale_becomes_readings(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.plug()
    poised, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    scale.wait_read()
    scale.weigh(9999)
    scale.weigh(183)
    assert bus.wait_for(reading("left-scale"))["value"] == 18.3     # not 999.9, which may have waited
    scale.weigh(184, status=3)
    message = bus.wait_for(reading("left-scale"))
    assert (message["value"], message["stable"]) == (18.4, False)
    scale.weigh(0xFFFF, status=6)
    message = bus.wait_for(reading("left-scale"))
    assert (message["value"], message["status"]) == (None, "overload")
    poised.stop()
    scale.wait_given_back()         # to the kernel's driver


def test_a_stalled_scale_is_read_on(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    scale.stall()
    scale.wait(lambda: scale.stalls_cleared == 1)
    assert not scale.in_use_when_reset      # the kernel warns of that
    scale.weigh(500)                        # the very first is not taken for one sent twice
    bus.wait_for(reading("left-scale", value=50))
    assert not [m for m in bus.messages if change("left-scale", "lost")(m)]


def test_a_scale_that_stalls_for_good_is_lost_in_words_and_tried_again(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.refuses = ("clear",)
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    scale.stall()
    assert "refuses to be read" in bus.wait_for(change("left-scale", "lost"))["detail"]
    scale.wait(lambda: scale.kernel_driver or scale.waiting)        # given back before it is taken again
    scale.refuses = ()
    bus.wait_for(change("left-scale", "found"))
    awake(scale, bus, "left-scale")


def test_requests_that_a_device_may_refuse_are_not_needed(bench):
    testbed = computer(bench)
    scale, typist = MockScale(testbed, "1-1"), MockTypist(testbed, "1-2")
    scale.refuses, typist.refuses = ("idle",), ("idle", "protocol")
    scale.plug()
    typist.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"),
                   usb("reader", "hid-keyboard", "usb:1209:0002", "quantity = strength"))
    awake(scale, bus, "left-scale")
    typist.wait_read()
    typist.type("9.99\n1.52\n")
    assert bus.wait_for(reading("reader"))["value"] == 1.52


def test_short_long_and_noisy_reports_are_no_readings(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    before = len([m for m in bus.drain() if reading("left-scale")(m)])
    scale.report("03 04 02", "03")                                  # short
    scale.babble("03 04 02 ff d2 04 00 00 00 00 00 00")             # longer than it announced
    scale.fail(errno.EPROTO)                                        # noise on the bus
    scale.report("05 04 02 ff d2 04", "00 00 00 00 00 00")          # another report; none at all
    scale.report("03 04 02 ff d2 04 00 00")                         # filled up to the packet: this one is good
    assert bus.wait_for(reading("left-scale"))["value"] == 123.4
    assert len([m for m in bus.messages if reading("left-scale")(m)]) == before + 1
    rejects = describe(bench, "left-scale")["rejects"]
    assert rejects["grammar"] == 2 and rejects["other-report"] == 1


class LongScale(MockScale):
    """Has another report, so long that it comes in three packets."""
    descriptor = SCALE_DESCRIPTOR[:-1] + bytes.fromhex("8509 09FF 15 00 26 FF00 7508 9513 8102 C0")
    longest = 20


def test_a_report_in_several_packets_is_one(bench):
    scale = LongScale(computer(bench), "1-1")
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    scale.report("09 00 00 00 00 00 00 00" "03 04 02 ff d2 04 00 00" "00 00 00 07")     # no reading is inside it
    scale.weigh(77)
    assert bus.wait_for(reading("left-scale"))["value"] == 7.7
    assert describe(bench, "left-scale")["rejects"] == {"first": 1, "other-report": 1}


def test_a_scale_unplugged_in_mid_transfer_is_taken_up_again_anywhere(bench):
    scale = MockScale(computer(bench), "1-1", serial="AB12")
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001:AB12"))
    awake(scale, bus, "left-scale")
    for port in ("1-1", "1-4"):
        scale.unplug()
        assert "unplugged" in bus.wait_for(change("left-scale", "lost"))["detail"]
        scale.port = port
        scale.plug()
        bus.wait_for(change("left-scale", "found"))
        awake(scale, bus, "left-scale")


def test_two_alike_keep_their_names(bench):
    testbed = computer(bench)
    left, right = MockScale(testbed, "1-1", serial="LEFT"), MockScale(testbed, "1-2", serial="RIGHT")
    left.plug()
    right.plug()
    _, bus = start(bench, station("right"), usb_scale("left-scale", "usb:1209:0001:LEFT"),
                   usb_scale("right-scale", "usb-port:1-2", "right"))
    for scale in (left, right):
        scale.wait_read()
        scale.weigh(1)
    left.weigh(100)
    right.weigh(200)
    shown = [bus.wait_for(reading()) for _ in range(2)]         # whichever comes first
    assert {m["instrument"]: m["value"] for m in shown} == {"left-scale": 10, "right-scale": 20}


def test_what_fits_two_devices_is_refused_with_their_names(bench):
    testbed = computer(bench)
    for port, serial in (("1-1", "LEFT"), ("1-2", "RIGHT")):
        MockScale(testbed, port, serial=serial).plug()
    start(bench, usb_scale("left-scale", "usb:1209:0001"))
    left = describe(bench, "left-scale")
    assert left["condition"] == "refused"
    assert "usb-port:1-1 (serial LEFT), usb-port:1-2 (serial RIGHT)" in left["detail"]


def test_a_scale_that_may_not_be_opened_is_explained_and_tried_again(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.plug(allowed=False)
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    bus.wait_for(change("left-scale", "refused"))
    left = describe(bench, "left-scale")
    assert left["condition"] == "refused"
    assert "udev rules" in left["detail"] and "group poise" in left["detail"]
    scale.allow()
    awake(scale, bus, "left-scale")


def test_what_udev_has_not_given_to_its_users_yet_is_waited_for_quietly(bench):
    testbed = computer(bench)
    left, right = MockScale(testbed, "1-1", serial="LEFT"), MockScale(testbed, "1-2", serial="RIGHT")
    _, bus = start(bench, station("right"), usb_scale("left-scale", "usb:1209:0001:LEFT"),
                   usb_scale("right-scale", "usb:1209:0001:RIGHT", "right"))
    plugged = time.monotonic()
    left.plug(allowed=False)
    right.plug()
    bus.wait_for(change("right-scale", "found"))        # so the left one, which comes first, was tried, too
    left.allow()
    in_time = time.monotonic() - plugged < 1
    awake(left, bus, "left-scale")
    if in_time:                                         # a computer that stood still for a second may complain
        assert not [m for m in bus.messages if change("left-scale", "refused")(m)]


def test_a_typing_instrument_is_taken_and_read(bench):
    typist = MockTypist(computer(bench), "1-1")
    typist.plug()
    poised, bus = start(bench, usb("reader", "hid-keyboard", "usb:1209:0002", "quantity = strength"))
    typist.wait_read()
    assert not typist.kernel_driver         # its keys reach no terminal
    typist.type("9.99\n1.52\n")
    assert bus.wait_for(reading("reader"))["value"] == 1.52
    poised.stop()
    typist.wait_given_back()


def test_a_keyboard_is_not_taken_for_a_scale(bench):
    MockTypist(computer(bench), "1-1").plug()
    start(bench, usb_scale("left-scale", "usb:1209:0002"))
    assert describe(bench, "left-scale")["condition"] == "searching"


def test_zero_is_ordered_as_the_scale_says(bench):
    scale = MockScale(computer(bench), "1-1")
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    assert bench.ask(do="zero", instrument="left-scale")["ok"]
    scale.wait(lambda: scale.orders)
    assert scale.orders == [(0x0302, b"\x02\x01")]      # feature report 2, bit 0
    reply = bench.ask(do="tare", instrument="left-scale")
    assert not reply["ok"] and "press its own key" in reply["why"]


class TalkativeScale(MockScale):
    """Has the feature reports of its attributes, its limit and its counts."""
    descriptor = SCALE_DESCRIPTOR[:-1] + bytes.fromhex(
        "0930A1028501 0921A1021922292A1501250975089501B100C0 0950A1021951295C1501250C75089501B100C0 C0"
        "0934A1028505 0950A1021951295C1501250C75089501B100C0 09411580257F75089501B102"
        "0940150027FFFF000075109501B102C0"
        "0935A1028506 09600961150027FFFF000075109502B102C0 C0")


def test_what_a_scale_says_of_itself_is_asked_once_and_shown(bench):
    scale = TalkativeScale(computer(bench), "1-1")
    scale.features = {1: bytes.fromhex("010302"), 5: bytes.fromhex("0502026400"), 6: bytes.fromhex("060300 0c01")}
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    assert scale.asked == [(0x0301, 3), (0x0305, 5), (0x0306, 5)]       # USB HID 1.11, 7.2.1
    said = "weighs up to 10000 g, accuracy class III, calibrated 3 times, zeroed 268 times"
    assert describe(bench, "left-scale")["about"] == said
    status, shown, _ = bench.run("poise-ctl", "instruments")
    assert status == 0 and said in shown


def test_a_scale_may_keep_silent_about_itself(bench):
    testbed = computer(bench)
    left, right = TalkativeScale(testbed, "1-1"), TalkativeScale(testbed, "1-2")
    left.features = {5: bytes.fromhex("0502")}          # what it says is cut short, the rest it refuses
    for scale in (left, right):
        scale.plug()
    _, bus = start(bench, station("right"), usb_scale("left-scale", "usb-port:1-1"),
                   usb_scale("right-scale", "usb-port:1-2", "right") + "features = no\n")
    awake(left, bus, "left-scale")
    awake(right, bus, "right-scale")
    assert len(left.asked) == 3 and "about" not in describe(bench, "left-scale")
    assert not right.asked                              # which would hang if it were


def test_a_scale_that_takes_no_notice_of_a_question_is_asked_no_other(bench):
    scale = TalkativeScale(computer(bench), "1-1")
    scale.refuses = ("answers",)
    scale.plug()
    _, bus = start(bench, usb_scale("left-scale", "usb:1209:0001"))
    awake(scale, bus, "left-scale")
    assert len(scale.asked) == 1 and not scale.hung     # taken back before it is read
    assert not [m for m in bus.messages if change("left-scale", "lost")(m)]


def test_scales_are_taken_by_themselves_where_none_is_configured(bench):
    testbed = computer(bench)
    first, second = MockScale(testbed, "1-1", serial="A1"), MockScale(testbed, "1-2")
    MockTypist(testbed, "1-3").plug()
    first.plug()
    _, bus = start(bench)
    awake(first, bus, "scale-a1")
    second.plug()
    awake(second, bus, "scale-1-2")
    first.unplug()
    bus.wait_for(change("scale-a1", "lost"))
    first.plug()
    awake(first, bus, "scale-a1")
    names = [one["instrument"] for one in bench.ask(do="status")["state"]["instruments"]]
    assert names == ["scale-a1", "scale-1-2"]           # and no keyboard


def test_a_scale_that_is_plugged_in_reads_no_half_edited_file(bench):
    testbed = computer(bench)
    first, second = MockScale(testbed, "1-1", serial="A1"), MockScale(testbed, "1-2", serial="B2")
    first.plug()
    poised, bus = start(bench)
    awake(first, bus, "scale-a1")
    bench.configure(station("other"), "[strength]", "replicates = 9")
    second.plug()
    awake(second, bus, "scale-b2")
    state = bench.ask(do="status")["state"]
    assert [one["station"] for one in state["stations"]] == ["left"]
    bench.configuration.write_text("[stat")                                     # in the middle of being written
    third = MockScale(testbed, "1-3", serial="C3")
    third.plug()
    awake(third, bus, "scale-c3")
    assert "is not taken" not in poised.diagnostics
    bench.configure(station("other"))
    poised.signal(signal.SIGHUP)                                                # only now it is to be read
    bus.wait_for(lambda m: m["topic"] == "state/pier" and [one["station"] for one in m["stations"]] == ["other"])
    assert [one["instrument"] for one in bench.ask(do="status")["state"]["instruments"]] == [
        "scale-a1", "scale-b2", "scale-c3"]


def test_a_scale_without_a_serial_number_serves_its_station_from_another_place(bench):
    testbed = computer(bench)
    scale, twin = MockScale(testbed, "1-1"), MockScale(testbed, "1-3")
    scale.plug()
    _, bus = start(bench)
    awake(scale, bus, "scale-1-1")
    scale.unplug()
    bus.wait_for(change("scale-1-1", "lost"))
    scale.port = "1-2"
    scale.plug()
    awake(scale, bus, "scale-1-1")
    twin.plug()
    awake(twin, bus, "scale-1-3")
    scale.weigh(55)
    bus.wait_for(reading("scale-1-1", value=5.5))
    shown = bench.ask(do="status")["state"]["instruments"]
    assert [(one["instrument"], one["port"], one["station"]) for one in shown] == [
        ("scale-1-1", "usb-port:1-2", "left"), ("scale-1-3", "usb-port:1-3", None)]


def test_a_scale_is_taken_again_that_a_killed_poised_has_held(bench):
    testbed = computer(bench)
    scale, typist = MockScale(testbed, "1-1", serial="A1"), MockTypist(testbed, "1-2")
    scale.plug()
    typist.plug()
    poised, bus = start(bench)
    awake(scale, bus, "scale-a1")
    poised.signal(signal.SIGKILL)
    poised.wait()
    scale.holder_killed()
    assert not scale.kernel_driver          # nobody knows any more what it is
    poised, bus = bench.poised(), bench.subscribe()
    awake(scale, bus, "scale-a1")
    assert [one["instrument"] for one in bench.ask(do="status")["state"]["instruments"]] == ["scale-a1"]
    poised.stop()
    scale.wait_given_back()


def test_a_serial_adapter_is_found_by_its_link_under_any_name(bench):
    adapter = MockAdapter(computer(bench))
    adapter.plug()
    _, bus = start(bench, line_scale("left-scale", adapter.link, station="left"))
    for _ in range(2):
        if adapter.number > 0:
            bus.wait_for(change("left-scale", "found"))
        assert adapter.asked_lines.wait(20)         # opened by libserialport, not as any terminal
        adapter.line("ST,GS,+  9.99 g")
        adapter.line(f"ST,GS,+  12.3{adapter.number} g")
        bus.wait_for(reading("left-scale", value=12.3 + adapter.number / 100))
        adapter.asked_lines.clear()
        adapter.unplug()
        bus.wait_for(change("left-scale", "lost"))
        adapter.plug()


def test_lines_that_reset_a_board_are_switched_once_the_port_is_open(bench):
    adapter = MockAdapter(computer(bench))
    adapter.plug()
    _, bus = start(bench, line_scale("left-scale", adapter.link, "dtr = off", "rts = on", station="left"))
    adapter.line("ST,GS,+  9.99 g")
    adapter.line("ST,GS,+  12.30 g")
    bus.wait_for(reading("left-scale", value=12.3))
    # first of all, and once more at the end; never through libserialport, which opens the port a second time
    assert adapter.asked[:2] == [("TIOCMBIC", DTR), ("TIOCMBIS", RTS)], adapter.asked
    assert [name for name, _ in adapter.asked].count("TIOCMBIC") == 2, adapter.asked
    assert adapter.lines == RTS and not adapter.asked_lines.is_set()


def test_lines_stay_as_they_are_unless_reported(bench):
    adapter = MockAdapter(computer(bench))
    adapter.plug()
    poised, bus = start(bench, line_scale("left-scale", adapter.link, station="left"))
    adapter.line("ST,GS,+  9.99 g")
    adapter.line("ST,GS,+  12.30 g")
    bus.wait_for(reading("left-scale", value=12.3))
    poised.stop()
    assert adapter.lines == DTR | RTS and "TIOCMBIC" not in dict(adapter.asked), adapter.asked


def test_an_adapter_without_lines_says_so(bench):
    adapter = MockAdapter(computer(bench))
    adapter.has_lines = False
    adapter.plug()
    start(bench, line_scale("left-scale", adapter.link, "dtr = off", station="left"))
    left = describe(bench, "left-scale")
    assert left["condition"] == "refused" and "leave dtr and rts out" in left["detail"]


def test_what_is_plugged_in_and_not_configured_is_listed_with_what_to_do(bench):
    testbed = computer(bench)
    known, other = MockAdapter(testbed, "KNOWN"), MockAdapter(testbed, "OTHER", number=1)
    left, right = MockScale(testbed, "1-1", serial="LEFT"), MockScale(testbed, "1-2")
    typist = MockTypist(testbed, "1-3", serial="T\nport = /dev/null")       # no device writes into a section
    for one in (known, other, left, right, typist):
        one.plug()
    _, bus = start(bench, line_scale("left-scale", known.link, station="left"),
                   usb("drip-scale", "hid-scale", "usb:1209:0001:LEFT"))
    awake(left, bus, "drip-scale")
    reply = bench.ask(do="instruments")
    assert [one["instrument"] for one in reply["instruments"]] == ["left-scale", "drip-scale"]
    adapter, scale, keyboard = reply["plugged"]
    assert (adapter["kind"], adapter["port"], adapter["usb"]) == ("serial", other.link, "1209:0009"), adapter
    assert f"poise-ctl probe {other.link}" in adapter["detail"] and adapter["section"] is None
    assert (scale["kind"], scale["port"], scale["usb"], scale["title"]) == ("scale", "usb-port:1-2", "1209:0001", "HID scale")
    assert (keyboard["kind"], keyboard["port"]) == ("keyboard", "usb-port:1-3") and "only if" in keyboard["detail"]
    status, said, _ = bench.run("poise-ctl", "instruments")
    assert status == 0 and all(one["section"] in said for one in (scale, keyboard)) and "\nport = /dev/null" not in said
    assert "drip-scale" in said and "ready" in said and "1 rejected: first" in said
    # what is pasted is taken
    bench.configure(station("left"), scale["section"], keyboard["section"])
    assert bench.run("poised", "--check-config", "--config", bench.configuration)[0] == 0
    left.unplug()
    bus.wait_for(change("drip-scale", "lost"))
    assert "drip-scale" in bench.run("poise-ctl", "instruments")[1].split("plugged in")[0]
    assert "unplugged" in bench.run("poise-ctl", "instruments")[1]


def test_setup_gives_a_usb_scale_its_section(bench):
    """The scale that describes itself: taken by the bench without a word, and by setup with a name and a station."""
    testbed = computer(bench)
    scale = MockScale(testbed, "1-1", serial="A1")
    scale.plug()
    system = bench.folder / "system"
    system.mkdir()
    for name, says in (("systemctl", "running"), ("usermod", ""), ("systemd-sysusers", "")):
        (system / name).write_text(f"#!/bin/sh\necho {says}\n")
        (system / name).chmod(0o755)
    setup = bench.start("poise-ctl", "setup", "--yes", "--config", bench.folder / "new.conf",
                        env={"PATH": f"{system}:/usr/bin:/bin"})
    scale.wait_read()
    bench.wait_until(lambda: scale.weigh(123) or setup.process.poll() is not None, "setup ends", timeout=60)
    assert setup.wait() == 0, setup.output.decode() + setup.diagnostics
    output = setup.output.decode()
    assert "12.3 g" in output and "is it this one?" in output, output
    text = (bench.folder / "new.conf").read_text()
    assert "driver   = hid-scale\nport     = usb:1209:0001:A1\nquantity = mass\nstation  = bench\n" in text, text
    assert bench.run("poised", "--check-config", "--config", bench.folder / "new.conf")[0] == 0
