"""Writes the bytes of the captures of one driver as a seed corpus: seeds.py DRIVER FOLDER CAPTURE..."""
import pathlib
import sys

VARIANTS = 8    # at least as many as any driver has in fuzz_driver.c

driver, folder = sys.argv[1], pathlib.Path(sys.argv[2])
folder.mkdir(parents=True, exist_ok=True)
cases, current = [], ""
for path in sys.argv[3:]:
    for line in pathlib.Path(path).read_text().splitlines():
        word, _, rest = line.partition(" ")
        if word == "driver":
            current = rest
        elif word == "case":
            cases.append((current, bytearray()))
        elif word == "bytes":
            cases[-1][1].extend(rest.encode().decode("unicode_escape").encode("latin-1"))
        elif word == "report":
            report = bytes.fromhex(rest)
            cases[-1][1].extend(bytes([len(report)]) + report)
for number, (name, data) in enumerate(cases):
    for variant in range(VARIANTS if name == driver else 0):
        (folder / f"{number}-{variant}").write_bytes(bytes([variant]) + data)
