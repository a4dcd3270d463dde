"""poised as a service: what it shows the service manager, and how it starts and stops."""
import os
import signal
import socket
import sqlite3

from bench import PATIENCE_S, line_scale, station


class Manager:
    """The service manager's end of the notification socket."""

    def __init__(self, bench):
        self.path = bench.folder / "notify"
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        self._socket.settimeout(PATIENCE_S)

    def wait_for(self, wanted):
        """The next message that has this line."""
        while True:
            message = self._socket.recv(4096).decode()
            if wanted in message.split("\n"):
                return message


def test_the_service_manager_hears_how_it_goes(bench):
    manager = Manager(bench)
    bench.configure(station("left"))
    daemon = bench.start("poised", "--config", bench.configuration,
                         env={"NOTIFY_SOCKET": str(manager.path), "WATCHDOG_USEC": "200000"})
    manager.wait_for("READY=1")
    assert bench.ask(do="status")["ok"]         # ready means that it answers
    manager.wait_for("WATCHDOG=1")
    manager.wait_for("WATCHDOG=1")
    daemon.signal(signal.SIGHUP)
    assert "MONOTONIC_USEC=" in manager.wait_for("RELOADING=1")
    manager.wait_for("READY=1")
    daemon.signal(signal.SIGTERM)
    manager.wait_for("STOPPING=1")
    assert daemon.wait() == 0


def test_a_watchdog_meant_for_another_process_is_not_fed(bench):
    manager = Manager(bench)
    bench.configure(station("left"))
    daemon = bench.start("poised", "--config", bench.configuration,
                         env={"NOTIFY_SOCKET": str(manager.path), "WATCHDOG_USEC": "2000", "WATCHDOG_PID": "1"})
    assert manager.wait_for("READY=1")
    daemon.signal(signal.SIGTERM)
    assert manager._socket.recv(4096) == b"STOPPING=1"      # nothing came in between
    assert daemon.wait() == 0


def test_it_stops_on_an_interrupt_and_leaves_no_sockets(bench):
    port = bench.port("left-scale")
    bench.configure(station("left"), line_scale("left-scale", port, station="left"))
    daemon = bench.poised()
    port.wait_heard()
    daemon.signal(signal.SIGINT)
    assert daemon.wait() == 0
    assert not {"bus", "control"} & set(os.listdir(bench.folder))


def test_without_any_configuration_a_user_has_a_bench(bench):
    """Root has the system's own folders and no XDG ones, so there it is only asked what it would do."""
    if os.geteuid() == 0:
        status, _, said = bench.run("poised", "--check-config")
        assert status == 1 and "no configuration" in said
        return
    bench.start("poised")
    bench.control = f"ipc://{bench.folder}/run/poise/control"
    assert bench.ask(do="status")["state"]["stations"][0]["station"] == "bench"


def test_a_reload_takes_new_days_of_the_journal(bench):
    bench.configure(station("left"), bench="journal_days = 30\n")
    daemon = bench.poised()
    old = bench.ask(do="begin")["brew"]
    bench.ask(do="end")
    daemon.stop()
    file = sqlite3.connect(bench.folder / "journal.db")
    file.execute("update journal set first_us = first_us - 10 * 86400 * 1000000")
    file.commit()
    file.close()
    daemon = bench.poised()
    newest = bench.ask(do="since", seq=0)["last"]
    assert bench.ask(do="since", seq=newest, reader="a-reader", kept=newest)["ok"]
    bench.ask(do="begin")
    assert old in [message.get("brew") for message in bench.history()]
    bench.configure(station("left"), bench="journal_days = 5\n")
    daemon.signal(signal.SIGHUP)
    daemon.wait_diagnostic("the configuration was read again")
    for _ in range(10):                 # as many old rows may go as new ones come
        bench.ask(do="note", text="now")
    bench.wait_until(lambda: old not in [message.get("brew") for message in bench.history()], "the old brew is gone")


def test_the_drivers_are_listed(bench):
    status, out, said = bench.run("poised", "--drivers")
    assert status == 0 and said == ""
    assert out.startswith("line  ")
