#!/usr/bin/python3
"""tests/tour/check.py BIN: the tour is made, whole, and each picture shows what it is called."""
import pathlib
import re
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as xml

HERE = pathlib.Path(__file__).resolve().parent
SHOWN = {"plan": "ferry-steep 1 of 4", "dose": "coffee", "pour": "pour", "steep": "to the press", "press": "kPa",
         "weigh": "weigh", "strength": "last cup"}
with tempfile.TemporaryDirectory(prefix="poise-tour-out-") as folder:
    out = pathlib.Path(folder)
    done = subprocess.run([sys.executable, "-B", HERE / "tour.py", sys.argv[1], out, "20"], capture_output=True, text=True,
                          timeout=500, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    page = (out / "index.html").read_text()
    for name, words in SHOWN.items():
        picture = xml.parse(out / f"timer-{name}.svg")       # well-formed
        text = " ".join(node.text or "" for node in picture.iter("{http://www.w3.org/2000/svg}text"))
        assert words in re.sub(r"\s+", " ", text), (name, text)
        assert f"timer-{name}.svg" in page
    for link in re.findall(r'(?:src|href)="([^"]+)"', page):
        assert (out / link).is_file(), link
    assert "ferry-steep" in (out / "report.html").read_text()
print(done.stdout.strip())
