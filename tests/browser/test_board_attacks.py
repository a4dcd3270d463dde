"""What poise-board answers to those who may not ask, ask too much, or ask for another's."""
import hashlib
import json
import pathlib
import re
import socket
import ssl

from bench import event, line_scale, station
from page import Board, Device


def board_of_one(bench, *arguments):
    bench.configure(station("left"), line_scale("left-scale", bench.folder / "port" / "left-scale", station="left"))
    bench.poised()
    return Board(bench, *arguments)


def connect(board):
    host, port = board.address.split("//")[1].split(":")
    return socket.create_connection((host, int(port)), 20)


def raw(board, text):
    """Bytes as they are; the answer's first line, or nothing where the connection was closed without one."""
    with connect(board) as line:
        try:
            line.sendall(text)
            return line.recv(65536).split(b"\r\n")[0].decode()
        except ConnectionError:
            return ""


def closed(line):
    """Until the other end closes: all that came before."""
    line.settimeout(30)
    data = b""
    try:
        while more := line.recv(65536):
            data += more
    except ConnectionError:
        pass
    return data


def test_without_a_cookie_nothing_of_the_bench_is_shown(bench):
    board = board_of_one(bench)
    stranger = Device(board)
    for path in ("/api/me", "/api/live", "/api/trace?station=left"):
        assert stranger.ask(path).status == 401, path
    assert stranger.ask("/").status == 303 and stranger.ask("/").headers["Location"] == "/pair"
    assert stranger.ask("/live.html").status == 404
    for cookie in ("poise-board=", "poise-board=" + "0" * 64, "poise-board=' OR 1=1 --", "poise-board=" + "f" * 4000):
        stranger.cookie = cookie
        assert stranger.ask("/api/me").status == 401, cookie
    pair = stranger.ask("/pair")
    assert pair.status == 200 and b"pier" not in pair.body
    assert "default-src 'none'" in pair.headers["Content-Security-Policy"]
    assert "unsafe" not in pair.headers["Content-Security-Policy"]
    assert b"<script>" not in pair.body and b"style=" not in pair.body and b" onclick" not in pair.body


def test_an_order_needs_a_fresh_token_from_our_own_page(bench):
    board = board_of_one(bench, "--host", "kiosk.example")
    bus = bench.subscribe()
    hands = board.device("hands")
    token = hands.token()
    assert hands.order(token, order="begin", station="left").json["ok"] is True
    began = bus.wait_for(event("brew", change="begin"))
    brew = began["brew"]
    assert re.fullmatch(r".+ \(a device\)", began["asked_by"]), began     # who, and which device
    replayed = hands.order(token, order="end", station="left", brew=brew)
    assert replayed.status == 409 and replayed.json["ok"] is False
    assert hands.ask("/api/order", {"order": "tare", "station": "left"}).status == 409         # none at all
    other = board.device("hands")
    assert other.order(hands.token(), order="end", station="left", brew=brew).status == 409    # another device's
    for origin in ("http://evil.example", "null", board.address.replace("http", "https"), board.address + ".evil.example"):
        hands.origin = origin
        assert hands.order(order="end", station="left", brew=brew).status == 403, origin
    hands.origin = None
    assert hands.order(order="end", station="left", brew=brew).status == 403
    hands.origin = board.address
    for host in ("evil.example:80", "[::1].evil.example", "127.0.0.1.evil.example", "[::1", "localhost:80@evil.example", ""):
        assert hands.ask("/api/me", Host=host).status in (400, 421), host       # a name that was made to lead here
    port = board.address.rsplit(":", 1)[1]
    for host in (f"localhost:{port}", f"[::1]:{port}", f"kiosk.example:{port}"):
        assert hands.ask("/api/me", Host=host).status == 200, host
    assert hands.ask("/api/me", Sec_Fetch_Site="cross-site").status == 403
    looks = board.device("look")
    assert looks.order(order="end", station="left", brew=brew).status == 403
    assert bench.ask(do="status")["state"]["stations"][0]["brew"] == brew   # none of them ended it
    assert hands.order(order="end", station="left", brew=brew).json["ok"] is True


def test_orders_that_make_no_sense_are_refused_in_one_sentence(bench):
    board = board_of_one(bench)
    hands = board.device("hands")
    deep = b'{"order":' + b"[" * 12000 + b"]" * 12000 + b"}"
    for body, why in ((b"", "no order"), (b"{", "no order"), (b"[]", "no order"), (b'"tare"', "no order"), (deep, "no order"),
                      (b'{"order":"shutdown"}', "no order"), (b'{"order":["tare"]}', "no order"),
                      (b'{"order":"tare","order":"begin"}', "no order"), (b'{"order":"tare"}', '"station"'),
                      (b'{"order":"tare","station":"right"}', '"station"'),
                      (b'{"order":"mark","station":"left","stage":"boil"}', '"stage"'),
                      (b'{"order":"note","brew":"../../x","text":"a"}', '"brew"'),
                      (b'{"order":"end","station":"left","brew":"pier-20260101-001"}', "not running"),
                      (b'{"order":"enter","brew":"pier-20260101-001","measure":"strength_pct","typed":"1e9"}', "no number"),
                      (b'{"order":"enter","brew":"pier-20260101-001","measure":"salt","typed":"1"}', '"measure"')):
        reply = hands.ask("/api/order", body, X_Poise_Token=hands.token())
        assert reply.status == 400 and why in reply.json["why"], (body[:60], reply.body)
    reply = hands.order(order="plan-load", text="[experiment]\nname = x\n")
    assert reply.json["ok"] is False and reply.json["why"], reply.body


def test_paths_headers_and_bodies_beyond_all_measure_are_refused(bench):
    board = board_of_one(bench)
    hands = board.device("hands")
    host = b"Host: " + board.address.split("//")[1].encode() + b"\r\n"
    for path in ("/../../etc/passwd", "/..%2f..%2fetc%2fpasswd", "/%2e%2e/poised.conf", "/pages/live.html", "//etc/passwd",
                 "/api/../api/me/x"):
        assert hands.ask(path).status in (400, 404), path
    assert hands.ask("/" + "a" * 3000).status == 414
    assert hands.ask("/api/me", method="DELETE").status == 405
    cookie = hands.cookie.encode()
    assert raw(board, b"GET / HTTP/1.1\r\n" + host + b"X: " + b"a" * 70000 + b"\r\n\r\n").split(" ")[1:2] in (["431"], ["413"], [])
    many = b"".join(b"X-%d: 1\r\n" % place for place in range(5000))
    assert raw(board, b"GET / HTTP/1.1\r\n" + host + many + b"\r\n").split(" ")[1:2] in (["431"], ["413"], [])
    head = b"POST /api/order HTTP/1.1\r\n" + host + b"Origin: " + board.address.encode() + b"\r\nCookie: " + cookie + b"\r\n"
    assert " 413 " in raw(board, head + b"Content-Length: 104857600\r\n\r\n")
    assert raw(board, head + b"Content-Length: 99999999999999999999\r\n\r\n").split(" ")[1:2] in (["413"], ["400"], [])
    with connect(board) as line:                # 100 MB that nobody announced
        line.sendall(head + b"Transfer-Encoding: chunked\r\n\r\n")
        sent = 0
        try:
            while sent < 100_000_000:
                line.sendall(b"10000\r\n" + b"a" * 65536 + b"\r\n")
                sent += 65536
        except ConnectionError:
            pass
        assert sent < 20_000_000, "all of it was taken"
    assert hands.ask("/api/me").status == 200


def test_a_thousand_idle_connections_shut_nobody_out(bench):
    board = board_of_one(bench)
    hands = board.device("look")
    port = int(board.address.rsplit(":", 1)[1])
    idle = []
    for place in range(1000):
        line = socket.socket()
        line.bind((f"127.0.0.{2 + place // 250}", 0))       # four addresses that keep nothing but connections
        line.setblocking(False)
        line.connect_ex(("127.0.0.1", port))
        idle.append(line)
    assert hands.ask("/api/me").status == 200
    for line in idle:
        line.close()
    assert hands.ask("/api/me").status == 200


def test_a_reader_that_takes_nothing_is_dropped_and_costs_the_others_nothing(bench):  # long
    board = board_of_one(bench)
    hands, looks = board.device("hands"), board.device("look")
    head = (f"GET /api/live HTTP/1.1\r\nHost: {board.address.split('//')[1]}\r\nCookie: {looks.cookie}\r\n"
            "\r\n").encode()
    descriptors = pathlib.Path(f"/proc/{board.program.process.pid}/fd")
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    slow.connect(("127.0.0.1", int(board.address.rsplit(":", 1)[1])))
    slow.sendall(head)
    with connect(board) as line:
        line.sendall(head)
        brew = bench.ask(do="begin")["brew"]
        for place in range(120):                    # each changes the page: far more than lies between us and the slow one
            bench.ask(do="enter", measure="dose_g", value=10 + place / 10)
            bench.ask(do="note", text=f"{place}")
            heard = b""
            while b"data: {" not in heard:
                heard += line.recv(1 << 20)
        both = len(list(descriptors.iterdir()))
        line.settimeout(30)
        while len(list(descriptors.iterdir())) >= both:
            assert line.recv(1 << 20)               # the other one hears on
    assert hands.order(order="end", station="left", brew=brew).json["ok"]
    slow.close()


def test_a_code_cannot_be_guessed_and_is_good_once(bench):
    board = board_of_one(bench)
    code = board.code("look")
    guesser = Device(board)
    wrong = [f"{(int(code) + 1 + place) % 1000000:06d}" for place in range(5)]
    for guess in wrong[:4]:
        reply = guesser.ask("/api/pair", {"code": guess, "name": "x"})
        assert reply.status == 403 and "Set-Cookie" not in reply.headers
    device = Device(board).pair(code)                   # four wrong ones are forgiven
    assert device.ask("/api/me").json["role"] == "look"
    assert guesser.ask("/api/pair", {"code": code, "name": "x"}).status == 403      # it was good once
    code = board.code("hands")
    wrong = [f"{(int(code) + 1 + place) % 1000000:06d}" for place in range(5)]
    statuses = [guesser.ask("/api/pair", {"code": guess, "name": "x"}).status for guess in wrong]
    assert statuses[-1] == 403 and 429 in [guesser.ask("/api/pair", {"code": code, "name": "x"}).status]
    for name in ("code", "name"):
        assert guesser.ask("/api/pair", {name: 1}).status in (403, 429)


def test_a_revoked_device_is_shut_out_at_once(bench):
    board = board_of_one(bench)
    device, other = board.device("look"), board.device("hands")
    with connect(board) as line:
        line.sendall((f"GET /api/live HTTP/1.1\r\nHost: {board.address.split('//')[1]}\r\nCookie: {device.cookie}\r\n"
                      "\r\n").encode())
        heard = b""
        while b"data: {" not in heard:
            heard += line.recv(1 << 20)
        status, listed, _ = bench.run("poise-board", "devices")
        assert status == 0 and [row.split()[:2] for row in listed.splitlines()] == [["1", "look"], ["2", "hands"]]
        assert bench.run("poise-board", "devices", "revoke", "1")[0] == 0
        assert closed(line).endswith(b"0\r\n\r\n")          # its stream is ended
    assert device.ask("/api/me").status == 401
    assert other.ask("/api/me").status == 200
    status, _, said = bench.run("poise-board", "devices", "revoke", "1")
    assert status == 1 and "no device has the number 1" in said


def test_on_a_network_only_tls_is_spoken_with_a_certificate_that_stays(bench):
    bench.configure(station("left"), line_scale("left-scale", bench.folder / "port" / "left-scale", station="left"))
    bench.poised()
    prints, board = [], None
    for _ in range(2):
        board = Board(bench, "--listen", "0.0.0.0:0")
        assert board.address.startswith("https://") and "0.0.0.0" not in board.address
        shown = re.search(r"fingerprint ([0-9A-F:]{95})$", board.program.wait_line("fingerprint")).group(1)
        host, port = board.address.split("//")[1].split(":")
        trusting = ssl.create_default_context()
        trusting.check_hostname, trusting.verify_mode = False, ssl.CERT_NONE
        with trusting.wrap_socket(socket.create_connection(("127.0.0.1", int(port)), 20)) as line:
            seen = hashlib.sha256(line.getpeercert(True)).hexdigest().upper()
            assert line.version() in ("TLSv1.2", "TLSv1.3")
            code = board.code("hands")
            body = json.dumps({"code": code, "name": "x"}).encode()
            line.sendall(f"POST /api/pair HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: https://{host}:{port}\r\n"
                         f"Content-Length: {len(body)}\r\n\r\n".encode() + body)
            answer = line.recv(65536).decode()
        cookie = re.search(r"^Set-Cookie: (.*?)\r$", answer, re.M).group(1)
        assert cookie.startswith("__Host-") and all(
            word in cookie for word in ("; Secure", "; HttpOnly", "; SameSite=Strict", "; Path=/")), cookie
        assert shown.replace(":", "") == seen
        prints.append(shown)
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        old.maximum_version = ssl.TLSVersion.TLSv1_1
        old.set_ciphers("ALL:@SECLEVEL=0")
        try:
            old.wrap_socket(socket.create_connection(("127.0.0.1", int(port)), 20))
            raise AssertionError("TLS 1.1 was spoken")
        except ssl.SSLError:
            pass
        board.program.stop()
    assert prints[0] == prints[1]
    pem = bench.folder / "data/poise/board/board.pem"
    pem.chmod(0o644)
    status, _, said = bench.run("poise-board", "--listen", "0.0.0.0:0")
    assert status == 1 and "others can read the key" in said
