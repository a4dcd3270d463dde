"""Runs one black-box test:  run.py FILE FUNCTION BINDIR

The function gets a fresh Bench (see bench.py) in a folder of its own.  Whatever it started is stopped
afterwards, even when this program is killed; the test also fails when a program crashed, leaked, printed a
sanitizer's report, did not stop when asked, or published a message that the schema does not know.
Exit status: 0 passed, 1 failed, 2 wrong usage.  POISE_KEEP=1 keeps the folder.
"""
import importlib.util
import os
import pathlib
import shutil
import signal
import sys
import tempfile
import traceback

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).parent))
from bench import Bench  # noqa: E402


def load(path):
    spec = importlib.util.spec_from_file_location(pathlib.Path(path).stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(pathlib.Path(path).resolve().parent))
    spec.loader.exec_module(module)
    return module


def stopped(number, frame):
    raise SystemExit(f"stopped by signal {number}")


def main():
    if len(sys.argv) != 4:
        print(__doc__, file=sys.stderr)
        return 2
    path, function, programs = sys.argv[1:]
    signal.signal(signal.SIGTERM, stopped)
    folder = pathlib.Path(tempfile.mkdtemp(prefix="poise-"))     # short: a socket's path has 107 characters
    bench = Bench(folder, pathlib.Path(programs).resolve())
    failures = []
    try:
        getattr(load(path), function)(bench)
    except BaseException:                                       # also SystemExit and KeyboardInterrupt: clean up
        failures.append(traceback.format_exc())
    try:
        failures += bench.close()
    except Exception:
        failures.append("while stopping:\n" + traceback.format_exc())
    for failure in failures:
        print(failure)
    if failures:
        print(bench.story())
    if os.environ.get("POISE_KEEP"):
        print(f"kept: {folder}")
    else:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
