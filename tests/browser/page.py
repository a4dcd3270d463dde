"""A page of poise-board in a real browser: headless Chromium, driven through its own driver.

    board = start(bench)                    # poise-board on a free port, and the code it printed
    page = Page(bench, board).pair()        # a fresh profile, paired by that code
    page.wait("#cue", "Pour")
    page.press("#tare")

Every wait is for what the page shows, with a deadline.
"""
import json
import pathlib
import re
import select
import shutil
import time
import urllib.error
import urllib.request

from bench import PATIENCE_S, unreadable

WIDE, TALL, PHONE = (1280, 800), (820, 1180), (390, 844)


class Board:
    """A running poise-board."""

    def __init__(self, bench, *arguments):
        self.bench = bench
        place = () if "--listen" in arguments else ("--listen", "127.0.0.1:0")
        self.program = bench.start("poise-board", *place, *arguments)
        self.address = re.search(r"at (\S+)/$", self.program.wait_line(r"^The board is at ")).group(1)

    def code(self, role="hands"):
        """A code for the next device."""
        status, said, _ = self.bench.run("poise-board", "pair", "--role", role)
        assert status == 0
        return re.search(r"type (\d{3}) (\d{3})", said).expand(r"\1\2")

    def device(self, role="hands"):
        """A paired device without a browser."""
        return Device(self).pair(self.code(role))


class Answer:
    def __init__(self, status, headers, body):
        self.status, self.headers, self.body = status, headers, body

    @property
    def json(self):
        return json.loads(self.body)


class Device:
    """Plain HTTP, as a program that is no browser would speak it."""

    def __init__(self, board):
        self.board, self.cookie, self.origin = board, None, board.address

    def ask(self, path, body=None, method=None, **headers):
        request = urllib.request.Request(self.board.address + path, method=method)
        if body is not None:
            request.data = body if isinstance(body, bytes) else json.dumps(body).encode()
            request.add_header("Content-Type", "application/json")
        if self.origin and body is not None:
            request.add_header("Origin", self.origin)
        if self.cookie:
            request.add_header("Cookie", self.cookie)
        for name, value in headers.items():
            request.add_header(name.replace("_", "-"), value)
        try:
            with _opener.open(request, timeout=PATIENCE_S) as reply:
                return Answer(reply.status, reply.headers, reply.read())
        except urllib.error.HTTPError as error:
            return Answer(error.code, error.headers, error.read())

    def pair(self, code):
        reply = self.ask("/api/pair", {"code": code, "name": "a device"})
        assert reply.status == 200, reply.body
        self.cookie = reply.headers["Set-Cookie"].split(";")[0]
        return self

    def token(self):
        return self.ask("/api/me").json["token"]

    def order(self, token=None, **what):
        return self.ask("/api/order", what, X_Poise_Token=token or self.token())


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


_opener = urllib.request.build_opener(_Stay)


def browser_there():
    return shutil.which("chromium") and shutil.which("chromedriver")


class Page:
    def __init__(self, board, size=WIDE, dark=False, insecure=False):
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
        options = webdriver.ChromeOptions()
        options.binary_location = shutil.which("chromium")
        profile = board.bench.folder / f"browser-{id(self)}"
        for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--mute-audio",
                     "--disable-background-networking", "--disable-component-update", "--disable-extensions",
                     f"--user-data-dir={profile}", f"--window-size={size[0]},{size[1]}"):
            options.add_argument(flag)
        if insecure:
            options.add_argument("--ignore-certificate-errors")
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.board = board
        self.driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
        board.bench.closers.append(self.close)
        self.resize(size, dark)

    def close(self):
        if self.driver:
            self.driver.quit()
            self.driver = None

    def resize(self, size, dark=False):
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
            "width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False})
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {
            "features": [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]})

    def open(self, path="/"):
        self.driver.get(self.board.address + path)
        return self

    def pair(self, role="hands"):
        """Types the code on the page where that is done, as a person does."""
        self.open("/")
        self.type("#code", self.board.code(role))
        self.press("form button")
        self.wait("#link", "Live")
        return self

    def find(self, selector):
        return self.driver.find_elements("css selector", selector)

    def text(self, selector):
        """The text of the first that matches, as it stands in the document; None: there is none."""
        return self.driver.execute_script(
            "const e = document.querySelector(arguments[0]); return e && !e.closest('[hidden]') ? e.textContent : null",
            selector)

    def until(self, holds, what, timeout=PATIENCE_S):
        """A page says nothing by itself: asked 50 times a second."""
        deadline = time.monotonic() + timeout
        while True:
            value = holds()
            if value:
                return value
            if time.monotonic() > deadline:
                raise AssertionError(f"{what}: not within {timeout} s\n{self.story()}")
            select.select([], [], [], 0.02)

    def wait(self, selector, pattern, timeout=PATIENCE_S):
        """Until the element's text matches the regular expression: its text."""
        def holds():
            text = self.text(selector)
            return text if text is not None and re.search(pattern, text) else None
        return self.until(holds, f"{selector} did not show {pattern!r} but {self.text(selector)!r}", timeout)

    def press(self, selector):
        """Touches it where a finger would, once it is there to be touched."""
        from selenium.common.exceptions import StaleElementReferenceException

        def done():
            try:
                return touched()
            except StaleElementReferenceException:      # it was drawn once more meanwhile
                return False

        def touched():
            found = [one for one in self.find(selector) if one.is_displayed() and one.is_enabled()]
            if not found:
                return False
            self.run("arguments[0].scrollIntoView({block: 'center'})", found[0])      # as a person would, past the orders
            found[0].click()
            return True
        self.until(done, f"{selector} cannot be pressed")

    def type(self, selector, text):
        self.until(lambda: self.find(selector), f"there is no {selector}")
        self.find(selector)[0].clear()
        self.find(selector)[0].send_keys(text)

    def run(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def shot(self, path):
        pathlib.Path(path).parent.mkdir(parents=True, exist_ok=True)
        self.driver.save_screenshot(str(path))

    def complaints(self):
        """What the browser's console was given: errors of scripts, refusals by the content policy."""
        shown = unreadable(self.run("return document.body.innerText") or "")
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] == "SEVERE"
                and "favicon" not in entry["message"]] + ([f"it shows people {shown!r}"] if shown else [])

    def story(self):
        return (f"{self.driver.current_url}\n{self.complaints()}\n"
                + (self.run("return document.body.innerText") or "")[:1500])
