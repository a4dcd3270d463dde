#!/usr/bin/python3
"""spreadsheet.py FILE.csv: a spreadsheet of the brews that grows by a row as each ends.

What is learnt later, a strength above all, or is corrected, goes into the brew's row.  The file is replaced as a whole, so
that whoever opens it sees whole rows.  Needs python3-zmq; POISE_BUS names another bench than the system's.
What was brewed while this was off is in the store: `poise-ctl brews --json`.
"""
import csv
import json
import os
import signal
import sys

import zmq

COLUMNS = ["brew", "station", "ended", "dose_g", "water_g", "beverage_g", "steep_s", "press_s", "press_peak_kpa",
           "strength_pct", "extraction_pct", "plan_kept", "note"]


def read(path):
    """What the file has already: brew to row."""
    if not os.path.exists(path):
        return {}
    with open(path, newline="", encoding="utf-8") as file:
        return {row["brew"]: {column: row.get(column, "") for column in COLUMNS} for row in csv.DictReader(file)}


def write(path, rows):
    with open(path + ".new", "w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, COLUMNS)
        table.writeheader()
        table.writerows(rows.values())
    os.replace(path + ".new", path)


def take(message, rows):
    """True when a row is new or has changed."""
    brew = message["brew"]
    if message.get("change") == "end":
        row = rows.setdefault(brew, dict.fromkeys(COLUMNS, ""))
        row.update(brew=brew, station=message["station"], ended=message["time_us"] // 1000000,
                   plan_kept=message.get("plan_kept") if message.get("plan_kept") is not None else "")
        for measure, known in message["measures"].items():
            if measure in row and known["value"] is not None:
                row[measure] = known["value"]
        return True
    if message.get("change") == "discard":
        return rows.pop(brew, None) is not None
    if brew not in rows:
        return False
    if message.get("change") == "note":
        rows[brew]["note"] = message["note"]
        return True
    if message.get("measure") in COLUMNS:
        rows[brew][message["measure"]] = "" if message["value"] is None else message["value"]
        return True
    return False


def main():
    if len(sys.argv) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    path = sys.argv[1]
    signal.signal(signal.SIGTERM, lambda *unused: sys.exit(0))
    rows = read(path)
    bus = zmq.Context().socket(zmq.SUB)
    bus.connect(os.environ.get("POISE_BUS", "ipc:///run/poise/bus"))
    bus.subscribe("event/")
    bus.subscribe("state/")                 # the first one shows that the bench has our subscription
    while True:
        topic, text = bus.recv_multipart()
        message = json.loads(text)
        if topic.startswith(b"state/"):
            print(f"following {message['bench']}", flush=True)
            bus.unsubscribe("state/")
        elif message.get("brew") and take(message, rows):
            write(path, rows)


if __name__ == "__main__":
    sys.exit(main())
