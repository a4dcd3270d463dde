"""USB instruments made of software, for programs started under umockdev-wrapper.

    scale = MockScale(testbed, "1-1", serial="LEFT")
    scale.plug()
    scale.report("03 04 02 ff d2 04")

A device node is a link to a pseudo-terminal, so that it can be polled like usbfs: writable when a finished transfer
waits to be fetched, which tcflow() switches.  The program's ioctls are answered here, on umockdev's own thread.
Sources: USB 2.0 chapter 9, USB HID 1.11, linux/usbdevice_fs.h, Documentation/driver-api/usb/usb.rst.
"""
import errno
import os
import pathlib
import pty
import struct
import termios
import threading
import tty

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import UMockdev  # noqa: E402

PATIENCE_S = 20

GETDRIVER, SUBMITURB, DISCARDURB, REAPURBNDELAY = 0x41045508, 0x8038550A, 0x550B, 0x4008550D
CLAIM, RELEASE, IOCTL, RESETEP = 0x8004550F, 0x80045510, 0xC0105512, 0x80045503
DISCONNECT, CONNECT = 0x5516, 0x5517
CONTROL, INTERRUPT = 2, 1       # usbdevfs_urb.type
URB = struct.Struct("<BBxxiIxxxxQii")       # type, endpoint, status, flags, buffer, buffer_length, actual_length

SCALE_DESCRIPTOR = bytes.fromhex(
    "058D0920A101 0931A102850209800981150025017501950 2B10275069501B103C0"
    "0932A1028503 0970A102197129781501250875089501 8100C0 0950A1021951295C1501250C750895018100C0"
    "094115 80257F750895018102 0940150027FFFF0000751095018102C0C0".replace(" ", ""))
KEYBOARD_DESCRIPTOR = bytes.fromhex(
    "05010906A101050719E029E71500250175019508810275089501 8103050719002965150025657508950681 00C0".replace(" ", ""))


class Transfer:
    """One URB on its way: its memory in the program, and how it ended."""

    def __init__(self, urb):
        self.urb = urb
        (self.kind, self.endpoint, _, _, _, self.length, _) = URB.unpack(bytes(urb.retrieve())[:URB.size])
        self.buffer = urb.resolve(16, self.length) if self.length else None
        self.data = b""         # packets so far

    def finish(self, status, data=b"", at=0):
        data = bytes(data)[:max(0, self.length - at)]
        if data:
            self.buffer.update(at, list(data))
        self.urb.update(4, list(struct.pack("<i", -status)))
        self.urb.update(28, list(struct.pack("<i", len(data))))     # of a control transfer without its setup packet


class MockHid:
    """A HID device with one interface and one interrupt IN endpoint."""

    descriptor = b""
    product, title = 0x0001, "HID scale"
    boot = 0
    packet = longest = 8        # bytes of a packet, of the longest report
    _addresses = iter(range(2, 127))

    def __init__(self, testbed, port, serial=""):
        self.testbed, self.port, self.serial = testbed, port, serial
        self.syspath = None
        self.kernel_driver = True       # the kernel's own holds the interface
        self.stalls_cleared = 0
        self.orders = []                # what SET_REPORT brought: (kind and ID, bytes)
        self.features = {}              # by ID, what GET_REPORT brings; of any other it is refused
        self.asked = []                 # (kind and ID, most bytes) of each GET_REPORT
        self.refuses = ()               # requests that it stalls: "idle", "protocol", "clear"; "answers": never ends a GET_REPORT
        self.changed = threading.Condition()

    # plugging

    def plug(self, allowed=True):
        """Puts it in, at a fresh address.  Not `allowed`: the user may not open it."""
        self.address = next(self._addresses)
        self.node = f"/dev/bus/usb/001/{self.address:03}"
        self.waiting, self.done, self.packets, self.halted, self.gone = [], [], [], False, False
        self.hung = []                  # control transfers without an end
        self.out_of_step = False        # the device has begun again with its first kind of packet, the host has not
        self.kernel_driver = True
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self._let_fetch(False)
        self.path = pathlib.Path(self.testbed.get_root_dir() + self.node)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if allowed:
            self.path.symlink_to(os.ttyname(self.slave))
        else:
            self.path.symlink_to("/sys/class/net/lo/address")     # nobody may write there, not even root
        self.handler = UMockdev.IoctlBase()
        self.handler.connect("handle-ioctl", self._on_ioctl)
        self.testbed.attach_ioctl(self.node, self.handler)
        self._add()

    def allow(self):
        """Now the user may open it, as after a change of the rules."""
        self.path.unlink()
        self.path.symlink_to(os.ttyname(self.slave))
        self.testbed.uevent(self.syspath, "change")

    def _configuration(self):
        hid = struct.pack("<BBHBBBH", 9, 0x21, 0x0111, 0, 1, 0x22, len(self.descriptor))
        body = (struct.pack("<BBBBBBBBB", 9, 4, 0, 0, 1, 3, 1 if self.boot else 0, self.boot, 0) + hid
                + struct.pack("<BBBBHB", 7, 5, 0x81, 3, self.packet, 10))
        return struct.pack("<BBHBBBBB", 9, 2, 9 + len(body), 1, 1, 0, 0x80, 50) + body

    def _add(self):
        device = struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, 0x1209, self.product, 0x0100, 0, 2, 3, 1)
        attributes = ["busnum", "1", "devnum", str(self.address), "idVendor", "1209", "idProduct", f"{self.product:04x}",
                      "bConfigurationValue", "1", "speed", "12", "product", self.title]
        if self.serial:
            attributes += ["serial", self.serial]
        self.syspath = self.testbed.add_device("usb", self.port, None, attributes, [
            "DEVTYPE", "usb_device", "DEVNAME", self.node.removeprefix("/dev/"), "BUSNUM", "001",
            "DEVNUM", f"{self.address:03}", "MAJOR", "189", "MINOR", str(self.address - 1)])
        self.testbed.set_attribute_binary(self.syspath, "descriptors", device + self._configuration())
        self.interface = self.testbed.add_device("usb", f"{self.port}:1.0", self.syspath, [
            "bInterfaceClass", "03", "bInterfaceSubClass", "01" if self.boot else "00",
            "bInterfaceProtocol", f"{self.boot:02}", "bInterfaceNumber", "00"], ["DEVTYPE", "usb_interface"])
        self._add_hid()
        self.testbed.uevent(self.syspath, "add")        # now all of it is there

    def _add_hid(self):
        """The kernel's driver has it, and has read what it is."""
        hid = self.testbed.add_device("hid", f"0003:1209:{self.product:04X}.{self.address:04X}", self.interface, [], [])
        self.testbed.set_attribute_binary(hid, "report_descriptor", self.descriptor)

    def _remove_hid(self):
        for child in sorted(os.listdir(self.interface_folder())):
            if child.startswith("0003:"):
                self.testbed.remove_device(f"{self.interface}/{child}")

    def unplug(self):
        with self.changed:
            self.gone = True
            for transfer in self.waiting:
                transfer.finish(errno.ESHUTDOWN)
            self.done += self.waiting
            self.waiting = []
            self._let_fetch(bool(self.done))
        self.path.unlink()
        self._remove_hid()
        self.testbed.remove_device(self.interface)
        self.testbed.remove_device(self.syspath)

    def holder_killed(self):
        """What the kernel does for a program that is no more: it does not take the interface back by itself."""
        with self.changed:
            self.waiting, self.done, self.packets = [], [], []
            self._let_fetch(False)

    def interface_folder(self):
        return self.testbed.get_root_dir() + self.interface

    # what it does

    def report(self, *hexes):
        """Each in as many packets as it needs; only the longest needs no short one at its end."""
        for text in hexes:
            data = bytes.fromhex(text)
            with self.changed:
                ends = len(data) == self.longest or len(data) % self.packet
                for at in range(0, len(data) + (not ends), self.packet):
                    self.packets.append((0, data[at:at + self.packet]))
                self._serve()

    def babble(self, text):
        """One packet, longer than the endpoint's."""
        with self.changed:
            self.packets.append((errno.EOVERFLOW, bytes.fromhex(text)))
            self._serve()

    def fail(self, error):
        """The next transfer ends like this."""
        with self.changed:
            self.packets.append((error, b""))
            self._serve()

    def stall(self):
        """Every transfer stalls until the program clears the halt."""
        with self.changed:
            self.halted = True
            self._serve()

    def wait(self, predicate):
        """Until what the program did satisfies the function."""
        with self.changed:
            if not self.changed.wait_for(predicate, PATIENCE_S):
                raise AssertionError(f"{self.port}: the program did not do what was waited for: "
                                     f"{len(self.waiting)} transfers wait, kernel driver {self.kernel_driver}")

    def wait_read(self):
        """Until the program waits for a report."""
        self.wait(lambda: bool(self.waiting))

    def wait_given_back(self):
        self.wait(lambda: self.kernel_driver)

    # the program's side

    def _let_fetch(self, something):
        termios.tcflow(self.slave, termios.TCOON if something else termios.TCOOFF)

    def _end(self, transfer, status, data=b"", at=0):
        transfer.finish(status, data, at)
        self.done.append(transfer)

    def _serve(self):
        if self.halted and self.waiting:
            self._end(self.waiting.pop(0), errno.EPIPE)     # the others stay where they are
        while self.waiting and self.packets and not self.halted:
            status, data = self.packets.pop(0)
            transfer = self.waiting[0]
            if self.out_of_step:        # taken for one that was sent twice
                self.out_of_step = False
                continue
            transfer.data += data
            if status or len(data) < self.packet or len(transfer.data) >= transfer.length:
                self._end(self.waiting.pop(0), status, transfer.data)
        self._let_fetch(bool(self.done))
        self.changed.notify_all()

    def _control(self, transfer):
        kind, request, value, index, length = struct.unpack("<BBHHH", bytes(transfer.buffer.retrieve())[:8])
        if (kind, request, value) == (0x81, 0x06, 0x2200):
            self._end(transfer, 0, self.descriptor[:length], 8)
        elif (kind, request) == (0x21, 0x09):
            self.orders.append((value, bytes(transfer.buffer.retrieve())[8:8 + length]))
            self._end(transfer, 0)
        elif (kind, request) == (0xA1, 0x01):
            self.asked.append((value, length))
            if "answers" in self.refuses:
                return self.hung.append(transfer)
            answer = self.features.get(value & 0xFF)
            self._end(transfer, errno.EPIPE if answer is None else 0, (answer or b"")[:length], 8)
        elif (kind, request, value, index) == (0x02, 0x01, 0, 0x81):
            self.halted, self.out_of_step = "clear" in self.refuses, True
            self._end(transfer, errno.EPIPE if self.halted else 0)
        elif (kind, request) == (0x21, 0x0A) and "idle" not in self.refuses:
            self._end(transfer, 0)
        elif (kind, request) == (0x21, 0x0B) and self.boot and "protocol" not in self.refuses:
            self._end(transfer, 0)
        else:
            self._end(transfer, errno.EPIPE)

    def _submit(self, client):
        if self.gone:
            return client.complete(-1, errno.ENODEV)
        transfer = Transfer(client.get_arg().resolve(0, 56))
        if transfer.kind == CONTROL:
            self._control(transfer)
        elif self.kernel_driver:
            return client.complete(-1, errno.EBUSY)
        else:
            self.waiting.append(transfer)
        client.complete(0, 0)
        self._serve()

    def _reap(self, client):
        if not self.done:
            return client.complete(-1, errno.ENODEV if self.gone else errno.EAGAIN)
        client.get_arg().resolve(0, 8).set_ptr(0, self.done.pop(0).urb)
        client.complete(0, 0)
        self._let_fetch(bool(self.done) or self.gone)
        self.changed.notify_all()

    def _discard(self, client):
        address = client.get_arg().resolve(0, 56).client_addr
        for transfer in self.waiting + self.hung:
            if transfer.urb.client_addr == address:
                (self.waiting if transfer in self.waiting else self.hung).remove(transfer)
                self._end(transfer, errno.ENOENT)
                client.complete(0, 0)
                return self._serve()
        client.complete(-1, errno.EINVAL)

    def _driver(self, client):
        if not self.kernel_driver:
            return client.complete(-1, errno.ENODATA)
        client.get_arg().resolve(0, 260).update(4, list(b"usbhid\0"))
        client.complete(0, 0)

    def _inner(self, client):
        code = struct.unpack_from("<i", bytes(client.get_arg().resolve(0, 16).retrieve()), 4)[0]
        if self.gone:
            client.complete(-1, errno.ENODEV)
        elif code == DISCONNECT and self.kernel_driver:
            self.kernel_driver = False
            self._remove_hid()
            client.complete(0, 0)
        elif code == CONNECT and not self.kernel_driver:
            self.kernel_driver = True
            self._add_hid()
            self.testbed.uevent(self.interface, "bind")
            client.complete(0, 0)
        elif code in (DISCONNECT, CONNECT):
            client.complete(-1, errno.ENODATA if code == DISCONNECT else errno.EBUSY)
        else:
            client.complete(-1, errno.ENOTTY)
        self.changed.notify_all()

    def _reset_endpoint(self, client):
        self.in_use_when_reset = bool(self.waiting)
        self.out_of_step = False
        self.stalls_cleared += 1
        client.complete(0, 0)
        self.changed.notify_all()

    def _on_ioctl(self, _handler, client):
        answers = {SUBMITURB: self._submit, REAPURBNDELAY: self._reap, DISCARDURB: self._discard, GETDRIVER: self._driver,
                   IOCTL: self._inner, RESETEP: self._reset_endpoint,
                   CLAIM: lambda it: it.complete(-1, errno.EBUSY) if self.kernel_driver else it.complete(0, 0),
                   RELEASE: lambda it: it.complete(0, 0)}
        with self.changed:
            answer = answers.get(client.get_request() & 0xFFFFFFFF)
            if answer:
                answer(client)
            else:
                client.complete(-1, errno.ENOTTY)
        return True


class MockScale(MockHid):
    descriptor = SCALE_DESCRIPTOR

    def weigh(self, tenths, status=4):
        """So many tenths of a gram."""
        self.report((bytes([3, status, 2, 0xFF]) + struct.pack("<H", tenths)).hex())


class MockTypist(MockHid):
    descriptor = KEYBOARD_DESCRIPTOR
    product, title, boot = 0x0002, "typing reader", 1
    KEYS = {**{digit: 30 + i for i, digit in enumerate("1234567890")}, ".": 0x37, "\n": 0x28}

    def type(self, text):
        for character in text:
            self.report(f"0000{self.KEYS[character]:02x}0000000000", "00" * 8)
