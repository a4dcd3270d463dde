"""A USB serial adapter made of software, for programs started under umockdev-wrapper: a pseudo-terminal where the
kernel would put ttyUSB0, with the folders of sysfs by which libserialport knows a port.  What a pseudo-terminal does not
have, as modem lines, is answered here; its settings are its own."""
import errno
import os
import pathlib
import pty
import struct
import threading
import tty

import gi

gi.require_version("UMockdev", "1.0")
from gi.repository import UMockdev  # noqa: E402

TIOCMGET = 0x5415
DTR, RTS = 2, 4
LINES = (0x5416, 0x5417)
TAKEN = {0x5416: "TIOCMBIS", 0x5417: "TIOCMBIC", 0x5418: "TIOCMSET", 0x540C: "TIOCEXCL", 0x540D: "TIOCNXCL"}


class MockAdapter:
    def __init__(self, testbed, serial="A1B2C3", number=0):
        self.testbed, self.link = testbed, f"/dev/serial/by-id/usb-adapter_{serial}-if00-port0"
        self.asked_lines = threading.Event()    # only libserialport asks for them
        self.asked = []                         # what was asked of the port: (name, lines)
        self.number, self.has_lines = number - 1, True
        self.lines = DTR | RTS                  # as the kernel raises them

    def plug(self):
        """In, under the next name."""
        self.number += 1
        self.name = f"ttyUSB{self.number}"
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        dev = pathlib.Path(self.testbed.get_root_dir()) / "dev"
        (dev / "serial/by-id").mkdir(parents=True, exist_ok=True)
        (dev / self.name).symlink_to(os.ttyname(slave))
        os.close(slave)
        self.handler = UMockdev.IoctlBase()
        self.handler.connect("handle-ioctl", self._on_ioctl)
        self.testbed.attach_ioctl(f"/dev/{self.name}", self.handler)
        bus = 5 + self.number       # one for each; its folder's name shows libserialport that the port is on USB
        hub = self.testbed.add_device("usb", f"usb{bus}", None, [], ["DEVTYPE", "usb_device"])
        device = self.testbed.add_device("usb", f"{bus}-1", hub, [
            "busnum", str(bus), "devnum", str(100 + self.number), "idVendor", "1209", "idProduct", "0009",
            "product", "adapter"], ["DEVTYPE", "usb_device"])
        interface = self.testbed.add_device("usb", f"{bus}-1:1.0", device, [], ["DEVTYPE", "usb_interface"])
        port = self.testbed.add_device("usb-serial", self.name, interface, [], [])
        node = self.testbed.add_device("tty", self.name, port, [], ["DEVNAME", self.name])
        self.testbed.set_attribute_link(node, "device", "../../" + self.name)
        self.parts = [node, port, interface, device, hub]
        self.node = dev / self.name
        (dev / self.link.removeprefix("/dev/")).symlink_to(f"../../{self.name}")

    def unplug(self):
        (self.node.parent / self.link.removeprefix("/dev/")).unlink()
        self.node.unlink()
        os.close(self.master)
        for part in self.parts:
            self.testbed.remove_device(part)

    def line(self, text):
        os.write(self.master, (text + "\r\n").encode())

    def _on_ioctl(self, _handler, client):
        request = client.get_request() & 0xFFFFFFFF
        if request == TIOCMGET:
            client.get_arg().resolve(0, 4).update(0, list(struct.pack("<i", self.lines)))
            self.asked_lines.set()
            client.complete(0, 0)
        elif request in LINES:
            lines = struct.unpack("<i", bytes(client.get_arg().resolve(0, 4).retrieve()))[0]
            self.asked.append((TAKEN[request], lines))
            self.lines = self.lines | lines if TAKEN[request] == "TIOCMBIS" else self.lines & ~lines
            client.complete(*((0, 0) if self.has_lines else (-1, errno.EINVAL)))
        else:
            if request in TAKEN:
                self.asked.append((TAKEN[request], None))
            client.complete(*((0, 0) if request in TAKEN else (-1, errno.ENOTTY)))
        return True
