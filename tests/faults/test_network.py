"""A bench on a network: only with keys, only for those on its list, only what their role allows; on its own machine a role
comes from the kernel, whatever a peer claims of itself."""
import os
import pwd
import select
import signal
import socket
import threading

import zmq
import zmq.utils.z85

import zmtp
from bench import Deadline, event, station


def free_ports(count):
    sockets = [socket.socket() for _ in range(count)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


def new_key(bench, name, *arguments):
    """Its file, and its public half."""
    path = bench.folder / f"{name}.key"
    status, out, said = bench.run("poise-ctl", "keys", "new", path, *arguments)
    assert status == 0 and len(out.strip()) == 64, said
    return path, out.strip()


def client(name, key, role):
    return f"[client {name}]\nkey = {key}\nrole = {role}\n"


class Network:
    """A bench that also listens on loopback, with one client of each role."""

    def __init__(self, bench, extra=""):
        self.bench = bench
        self.bus_port, self.control_port = free_ports(2)
        self.bus, self.control = (f"tcp://127.0.0.1:{port}" for port in (self.bus_port, self.control_port))
        self.secret, self.public = new_key(bench, "bench")
        self.keys = {role: new_key(bench, role, "--bench", self.public) for role in ("read", "control")}
        self.extra = extra
        self.configure("read", "control")
        self.daemon = bench.poised()

    def configure(self, *roles):
        local = f"bus = {self.bench.bus}, {self.bus}\ncontrol = {self.bench.control}, {self.control}\n"
        self.bench.configuration.write_text(
            f"[bench]\nname = {self.bench.name}\njournal = journal.db\n{local}{station('left')}\n"
            f"[keys]\nsecret = {self.secret}\n{self.extra}\n"
            + "".join(client(f"far-{role}", self.keys[role][1], role) for role in roles))

    def arguments(self, key):
        return ["--bus", self.bus, "--control", self.control, "--key", key]

    def ctl(self, key, *words, timeout=20):
        return self.bench.run("poise-ctl", *self.arguments(key), *words, timeout=timeout)

    def socket(self, kind, address, role=None, bench_key=None, secret=None):
        one = self.bench.context.socket(kind)
        one.setsockopt(zmq.LINGER, 0)
        if role or secret:
            text = (secret or self.keys[role][0]).read_text()
            halves = dict(line.split(" = ") for line in text.splitlines() if not line.startswith("#"))
            one.curve_publickey, one.curve_secretkey = (zmq.utils.z85.encode(bytes.fromhex(halves[half]))
                                                        for half in ("public", "secret"))
            one.curve_serverkey = zmq.utils.z85.encode(bytes.fromhex(bench_key or self.public))
        if kind == zmq.SUB:
            one.setsockopt(zmq.SUBSCRIBE, b"")
        one.connect(address)
        return one


def two_networks(bench):
    """Two benches with networks of their own, both on loopback."""
    import bench as beds
    far = []
    for name in ("pier", "jetty"):
        folder = bench.folder / name
        folder.mkdir()
        bed = beds.Bench(folder, bench.programs_folder)
        bed.name = name
        bed.programs, bed.environment = bench.programs, dict(bed.environment)
        far.append(Network(bed))
    return far


def recorded(bench, far):
    """What both brew is in the one store, also what was brewed while nobody could hear it."""
    brews = []
    for network in far:
        brews.append(network.bench.ask(do="begin")["brew"])
        network.bench.ask(do="end")
    bench.wait_query("select brew from brew_summary where ended_utc is not null order by brew",
                     lambda rows: [row["brew"] for row in rows] == sorted(brews))
    far[0].daemon.kill()                        # what is said while nobody hears it is fetched
    far[0].daemon = far[0].bench.poised()
    brews.append(far[0].bench.ask(do="begin")["brew"])
    bench.wait_query("select brew from brew_summary order by brew",
                     lambda rows: [row["brew"] for row in rows] == sorted(brews))


def test_two_benches_are_recorded_by_a_logger_for_each_into_one_store(bench):
    """Each with its own key, from what could be another machine."""
    far = two_networks(bench)
    for network in far:
        bench.start("poise-logger", "--store", bench.store, *network.arguments(network.keys["read"][0]))
    recorded(bench, far)


def test_two_benches_are_recorded_by_one_logger(bench):
    far = two_networks(bench)
    both = [f"{network.bus},{network.control},{network.keys['read'][0]}" for network in far]
    logger = bench.start("poise-logger", "--store", bench.store, "--bench", both[0], "--bench", both[1])
    recorded(bench, far)
    logger.stop()
    keyless = both[1].rpartition(",")[0]                # one that cannot be entered keeps the other from nothing
    logger = bench.start("poise-logger", "--store", bench.store, "--bench", keyless, "--bench", both[0])
    logger.wait_diagnostic("a network needs keys")
    brew = far[0].bench.ask(do="end")["brew"]
    bench.wait_query(f"select 1 from brew_summary where brew = '{brew}' and ended_utc is not null")
    logger.signal(signal.SIGTERM)
    assert logger.wait() == 1
    for words in (["--bench", "tcp://127.0.0.1:1"], ["--bench", both[0], "--bus", far[1].bus]):
        status, _, said = bench.run("poise-logger", *words)
        assert status == 2 and "--bench" in said and said.count("\n") == 1


def test_a_role_is_what_a_key_may_do_and_an_order_names_who_gave_it(bench):
    network = Network(bench)
    bus = bench.subscribe()
    status, out, said = network.ctl(network.keys["read"][0], "status")
    assert status == 0 and "left" in out, said
    for words in (["begin"], ["note", "x"], ["plan", "unload"], ["sample", "undo"], ["tare"]):
        status, _, said = network.ctl(network.keys["read"][0], *words)
        assert status == 1 and "far-read may listen and ask here, and give no orders" in said
    status, out, said = network.ctl(network.keys["control"][0], "begin")
    assert status == 0, said
    assert bus.wait_for(event("brew", change="begin"))["asked_by"] == "far-control"
    assert bench.ask(do="note", text="from this machine")["ok"]
    assert bus.wait_for(event("brew", change="note"))["asked_by"] == pwd.getpwuid(os.geteuid()).pw_name
    assert not [m for m in bus.messages if m.get("asked_by") == "far-read"]


def test_nobody_comes_in_without_the_right_key(bench):
    network = Network(bench)
    _, stranger = new_key(bench, "stranger", "--bench", network.public)
    stranger_file = bench.folder / "stranger.key"
    bench.ask(do="begin")
    barred = [
        network.socket(zmq.DEALER, network.control),                                    # no key: in the open
        network.socket(zmq.DEALER, network.control, secret=stranger_file),              # not on the list
        network.socket(zmq.DEALER, network.control, role="control", bench_key=stranger),    # takes another for the bench
        network.socket(zmq.DEALER, bench.control, role="control"),                      # CURVE where there is none
    ]
    deaf = [network.socket(zmq.SUB, network.bus), network.socket(zmq.SUB, network.bus, secret=stranger_file)]
    heard = network.socket(zmq.SUB, network.bus, role="read")
    for one in barred:
        one.send_json({"do": "end"})
    assert heard.poll(20000)                            # the state: so much time the others had too
    status, _, said = network.ctl(stranger_file, "status")
    assert status == 1 and f"does it let in the key {stranger}?" in said
    assert bench.ask(do="note", text="still running")["brew"]
    assert not any(one.poll(0) for one in barred + deaf)
    for address, key, sentence in ((network.control, [], "a network needs keys"),
                                   (network.control, ["--key", network.secret], "has no `bench =` line"),
                                   (network.control, ["--key", bench.folder / "none.key"], "none.key: No such file")):
        status, _, said = bench.run("poise-ctl", "--control", address, *key, "status")
        assert status == 1 and sentence in said
    watch = bench.start("poise-ctl", *network.arguments(stranger_file), "watch")
    watch.wait_diagnostic("does not let this key in")
    for one in barred + deaf + [heard]:
        one.close()


def test_a_key_that_is_let_in_later_needs_no_new_start(bench):
    network = Network(bench)
    network.configure("control")
    network.daemon.signal(signal.SIGHUP)
    network.daemon.wait_diagnostic("the configuration was read again")
    logger = bench.start("poise-logger", "--store", bench.store, *network.arguments(network.keys["read"][0]))
    logger.wait_diagnostic("does not let this key in")
    network.configure("read", "control")
    network.daemon.signal(signal.SIGHUP)
    logger.wait_diagnostic("keeping the brews of pier")
    assert logger.diagnostics.count("does not let this key in") == 1
    brew = bench.ask(do="begin")["brew"]
    bench.wait_query(f"select 1 from brew where name = '{brew}'")


class Relay:
    """Between a client and the bench: passes on what both say, and remembers what the client said."""

    def __init__(self, port):
        self.port, self.said = port, b""
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"tcp://127.0.0.1:{self.listener.getsockname()[1]}"
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self):
        client, _ = self.listener.accept()
        bench = socket.create_connection(("127.0.0.1", self.port))
        while True:
            for one in select.select([client, bench], [], [])[0]:
                data = one.recv(65536)
                if not data:
                    return
                self.said += data if one is client else b""
                (bench if one is client else client).sendall(data)


def test_what_was_overheard_orders_nothing(bench):
    """An order that went through once, sent again byte by byte, at once and when the bench has answered."""
    network = Network(bench)
    relay = Relay(network.control_port)
    status, _, said = bench.run("poise-ctl", "--bus", network.bus, "--control", relay.address, "--key",
                                network.keys["control"][0], "begin")
    assert status == 0, said
    assert bench.ask(do="end")["ok"]
    assert b"CURVE" in relay.said and len(relay.said) > 300 and b"begin" not in relay.said
    for pieces in ([relay.said], [relay.said[:64], relay.said[64:]], [bytes([byte]) for byte in relay.said]):
        one = socket.create_connection(("127.0.0.1", network.control_port))
        one.settimeout(20)
        try:
            for piece in pieces:
                one.sendall(piece)
            one.shutdown(socket.SHUT_WR)
            while one.recv(4096):
                pass
        except OSError:                                 # it was cut off in the middle
            pass
        one.close()
        assert not bench.ask(do="end")["ok"]            # no brew is under way
    assert len([m for m in bench.history() if m.get("change") == "begin"]) == 1
    assert network.ctl(network.keys["control"][0], "begin")[0] == 0


def test_a_client_whose_key_is_withdrawn_is_cut_off(bench):
    network = Network(bench)
    listener = network.socket(zmq.SUB, network.bus, role="read")
    hand = network.socket(zmq.DEALER, network.control, role="control")
    assert listener.poll(20000)
    hand.send_json({"do": "begin"})
    assert hand.poll(20000) and b'"ok":true' in hand.recv()
    bus = bench.subscribe()
    network.configure("control")
    network.daemon.signal(signal.SIGHUP)
    network.daemon.wait_diagnostic("the configuration was read again")
    bench.ask(do="note", text="for those who may still hear it")
    bus.wait_for(event("brew", change="note"))
    network.configure("read")                           # the other way round: the order is not carried out any more
    network.daemon.signal(signal.SIGHUP)
    network.daemon.wait_diagnostic("(?s)read again.*read again")
    hand.send_json({"do": "end"})
    heard, deadline = [], Deadline(20)
    while not any(b"let in again" in text for text in heard):
        assert bench.ask(do="note", text="let in again")["brew"] and not deadline.passed()
        while listener.poll(200):
            heard.append(listener.recv_multipart()[1])
    assert not any(b"still hear it" in text for text in heard)
    assert not hand.poll(0)
    listener.close()
    hand.close()


def test_a_key_that_others_may_read_is_refused(bench):
    path, public = new_key(bench, "mine")
    assert path.stat().st_mode & 0o777 == 0o600
    status, out, _ = bench.run("poise-ctl", "keys", "show", path)
    assert status == 0 and out.strip() == public
    status, _, said = bench.run("poise-ctl", "keys", "new", path)
    assert status == 1 and "there is one already" in said and path.read_text().count("secret = ") == 1
    whole = path.read_text()
    for change, sentence in ((lambda: path.chmod(0o640), "others may read this key"),
                             (lambda: path.chmod(0o604), "others may read this key"),
                             (lambda: (path.chmod(0o600), path.write_text(whole.replace(public, "0" * 64))), "are no pair"),
                             (lambda: path.write_text(whole.split("secret")[0]), "has no secret key"),
                             (lambda: path.write_text("rubbish\n"), "mine.key:1: not a line of a key file"),
                             (lambda: (path.rename(bench.folder / "real"), path.symlink_to("real")), "this is a link")):
        change()
        status, out, said = bench.run("poise-ctl", "keys", "show", path)
        assert status == 1 and sentence in said and not out
        bench.configure(station("left"), f"[keys]\nsecret = {path}\n")
        status, _, said = bench.run("poised", "--config", bench.configuration)
        assert status == 1 and sentence in said


def test_a_network_without_keys_or_clients_is_refused(bench):
    bench.configure(station("left"))
    text = bench.configuration.read_text().replace(bench.bus, f"{bench.bus}, tcp://127.0.0.1:7401")
    for more, sentence in (("", "a tcp:// address needs keys"), ("\n[keys]\nsecret = b.key\n", "no [client NAME] section"),
                           ("\n[client far]\nkey = 12\nrole = read\n", "a public key is the 64 digits"),
                           ("\n[client far]\nkey = " + "1" * 64 + "\nrole = owner\n", "a role is read")):
        bench.configuration.write_text(text + more)
        status, _, said = bench.run("poised", "--config", bench.configuration)
        assert status == 2 and sentence in said


def test_no_secret_is_in_a_log_an_argument_or_a_core(bench):
    network = Network(bench)
    logger = bench.start("poise-logger", "--store", bench.store, *network.arguments(network.keys["read"][0]))
    logger.wait_diagnostic("keeping the brews")
    network.ctl(network.keys["control"][0], "begin")
    secrets = [line.split(" = ")[1] for path in (network.secret, network.keys["read"][0], network.keys["control"][0])
               for line in path.read_text().splitlines() if line.startswith("secret = ")]
    assert len(secrets) == 3
    kept = [bench.folder / name for name in ("journal.db", "journal.db-wal", "store.db", "store.db-wal")]
    public = [f"/proc/{program.process.pid}/{name}" for program in (network.daemon, logger) for name in ("cmdline", "environ")]
    seen = b"".join(open(path, "rb").read() for path in kept + public) + b"".join(
        program.output + program.diagnostics.encode() for program in bench.programs)
    assert len(seen) > 10000
    for secret in secrets:
        assert secret.encode() not in seen and bytes.fromhex(secret) not in seen
    for program in (network.daemon, logger):            # 0: the kernel writes no core of it, whatever the limits are
        assert dumpable(program.process.pid) is False


def dumpable(pid):
    """What the kernel shows of a process belongs to root where it may not be dumped, see proc(5); root sees the limit."""
    if os.geteuid() != 0:
        return os.stat(f"/proc/{pid}/stat").st_uid == os.geteuid()
    limits = open(f"/proc/{pid}/limits").read()
    return not any(line.split()[4:6] == ["0", "0"] for line in limits.splitlines() if line.startswith("Max core file"))


def test_handshakes_in_a_flood_keep_nobody_out(bench):
    network = Network(bench)
    bus = bench.subscribe()
    key = network.keys["read"][0]
    refused = 0
    for number in range(1500):
        one = socket.create_connection(("127.0.0.1", network.control_port))
        one.settimeout(5)
        try:
            one.sendall(b"\xff" + bytes(8) + b"\x7f\x03\x00CURVE" + bytes(15) + b"\x00" + bytes(31))
            refused += one.recv(64) == b""
        except OSError:
            refused += 1
        one.close()
        if number % 500 == 0:
            assert bench.ask(do="status")["ok"]
    assert refused > 1000                               # dropped before they cost a handshake
    bench.ask(do="begin")
    bus.wait_for(event("brew", change="begin"))
    deadline = Deadline(20)
    while network.ctl(key, "status")[0] != 0:           # the flooder's own address has to wait for its turn
        assert not deadline.passed()


def test_on_its_own_machine_a_peer_is_who_the_kernel_says(bench):
    """A member of the group that may only ask claims to be a client with control, by metadata of its own making."""
    if os.geteuid() != 0:
        return                                          # only root can be somebody else
    network = Network(bench, extra="control_group = nogroup")
    assert bench.ask(do="begin")["ok"]                  # root, and poised's own user, may
    path = bench.control.removeprefix("ipc://")
    os.chmod(bench.folder, 0o755)
    os.chmod(path, 0o666)
    child = os.fork()
    if child == 0:
        try:
            daemon = pwd.getpwnam("daemon")
            os.setgroups([])
            os.setgid(daemon.pw_gid)
            os.setuid(daemon.pw_uid)
            one = zmtp.connect(path, "DEALER", {"User-Id": network.keys["control"][1], "Peer-Address": "localhost:0:0:1",
                                                "__fd": "3"})
            one.sendall(zmtp.frame(b'{"do":"end"}'))
            answer = b""
            while b"}" not in answer:
                answer += one.recv(4096)
            os._exit(0 if b"daemon may listen and ask here" in answer else 3)
        except BaseException as error:                  # a child of the test must never go on as the test
            print(error, flush=True)
            os._exit(4)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert bench.ask(do="note", text="still running")["brew"]
