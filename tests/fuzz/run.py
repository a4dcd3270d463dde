"""Runs a fuzzer for a test: run.py KEPT-FOLDER FUZZER ARGUMENT...

An input that makes it fail is kept in the folder and printed, so that whoever reads the log has it.
"""
import pathlib
import subprocess
import sys
import time

kept = pathlib.Path(sys.argv[1])
kept.mkdir(exist_ok=True)
began = time.time()
status = subprocess.call([*sys.argv[2:], f"-artifact_prefix={kept}/"])
if status:
    print(f"\n{sys.argv[2]} ended with status {status}")
    for path in sorted(kept.iterdir()):
        if path.stat().st_mtime >= began - 1 and not path.name.startswith("slow-unit-"):
            data = path.read_bytes()
            print(f"{path.resolve()} ({len(data)} bytes); again by `{pathlib.Path(sys.argv[2]).name} FILE`:\n{data!r}")
sys.exit(1 if status else 0)
