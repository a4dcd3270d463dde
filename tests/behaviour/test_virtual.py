"""poise-virtual by itself: the instruments that the other tests trust."""
import os
import signal

ONE_CUP = """
[virtual]
seed = 7
[scale left-scale]
layout = plain
noise_g = 0
do = brew cup 300
do = wait 2
do = put cup
do = wait 3
"""


def read_until(descriptor, wanted):
    data = b""
    while wanted not in data:
        data += os.read(descriptor, 4096)
    return data


def test_virtual_scale_waits_for_a_reader_and_shows_the_cup(bench):
    player = bench.virtual(ONE_CUP, "--clock-rate", 20, "--stay")
    descriptor = os.open(bench.folder / "port/left-scale", os.O_RDWR | os.O_NOCTTY)
    try:
        assert b"       0.0 g" in read_until(descriptor, b"     300.0 g     \r\n")
        player.wait_json(lambda line: line["truth"] == "end")
    finally:
        os.close(descriptor)


def test_virtual_scale_obeys_a_tare_order(bench):
    player = bench.virtual(ONE_CUP, "--clock-rate", 20, "--stay")
    descriptor = os.open(bench.folder / "port/left-scale", os.O_RDWR | os.O_NOCTTY)
    try:
        read_until(descriptor, b"     300.0 g     \r\n")
        os.write(descriptor, b"T\r\n")
        read_until(descriptor, b"       0.0 g     \r\n")
        assert player.wait_json(lambda line: line["truth"] == "tare")["by"] == "order"
    finally:
        os.close(descriptor)


def test_virtual_scale_takes_its_link_away_when_unplugged_and_at_the_end(bench):
    player = bench.virtual(ONE_CUP + "unplug_at_s = 1\nunplug_for_s = 1\n", "-r", "20", "--no-wait", "--stay")
    player.wait_json(lambda line: line.get("change") == "unplugged")
    player.wait_json(lambda line: line.get("change") == "plugged")
    assert (bench.folder / "port/left-scale").is_symlink()
    player.signal(signal.SIGINT)
    assert player.wait() == 0
    assert not (bench.folder / "port/left-scale").is_symlink()


def test_virtual_bench_names_the_line_it_does_not_understand(bench):
    path = bench.folder / "wrong.ini"
    path.write_text("[scale a]\ndo = brew\ndo = pour nothing\n")
    status, output, said = bench.run("poise-virtual", "--dir", bench.folder, path)
    assert (status, output) == (1, "")
    assert said == f"poise-virtual: {path}:3: do = pour nothing: 'pour' does not understand 'nothing'\n"
