"""A peer of the bench's sockets that keeps to no rule: ZMTP 3.1 (RFC 37 of ZeroMQ) by hand, on a local socket."""
import socket
import struct


def frame(data, more=False):
    flags = 1 if more else 0
    if len(data) < 256:
        return bytes([flags, len(data)]) + data
    return bytes([flags | 2]) + struct.pack(">Q", len(data)) + data


def command(name, properties):
    body = bytes([len(name)]) + name.encode()
    for key, value in properties.items():
        body += bytes([len(key)]) + key.encode() + struct.pack(">I", len(value)) + value.encode()
    return bytes([6]) + struct.pack(">Q", len(body)) + body


def connect(path, kind, properties=None):
    """A connection past its handshake, as a socket of this kind and with what else it claims of itself."""
    one = socket.socket(socket.AF_UNIX)
    one.settimeout(20)
    one.connect(path)
    one.sendall(b"\xff" + bytes(8) + b"\x7f\x03\x00NULL" + bytes(16) + b"\x00" + bytes(31))
    one.sendall(command("READY", dict({"Socket-Type": kind}, **(properties or {}))))
    answer = b""
    while b"Identity" not in answer and b"XPUB" not in answer:     # its own READY: only now is anything else taken
        data = one.recv(4096)
        assert data, "the handshake was refused"
        answer += data
    return one


def welcome(listener):
    """The other side: whoever connects next finds a bus (XPUB), and has subscribed."""
    one, _ = listener.accept()
    one.settimeout(20)
    one.sendall(b"\xff" + bytes(8) + b"\x7f\x03\x00NULL" + bytes(16) + b"\x00" + bytes(31))
    heard = b""
    while b"Identity" not in heard and b"SUB" not in heard:
        heard += one.recv(4096)
        assert heard, "nobody came in"
    one.sendall(command("READY", {"Socket-Type": "XPUB"}))
    return one


def send_until_cut(one, data, most):
    """Sends it over and over until the other side ends the connection; how many bytes went, at most so many."""
    sent = 0
    try:
        while sent < most:
            sent += one.send(data)
    except (BrokenPipeError, ConnectionResetError):
        pass
    return sent
