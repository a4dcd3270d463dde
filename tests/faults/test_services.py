"""The units as they are installed, alone and with what README adds for a network: systemd finds nothing wrong with them, and
little that they could do beyond their work.  Under a running systemd: tests/rig/service.sh."""
import os
import pathlib
import re
import shutil
import subprocess

ROOT = pathlib.Path(__file__).resolve().parents[2]
UNITS = {"poised": "daemon", "poise-logger": "clients", "poise-site": "daemon/site"}
# by systemd-analyze security, in tenths: nothing beyond what each needs.  With a network as README opens it.
EXPOSED = {"poised": 15, "poise-logger": 10, "poise-site": 15}
EXPOSED_TO_A_NETWORK = {"poised": 18, "poise-site": 18}


def drop_in():
    """The lines that README has `systemctl edit poised` write."""
    text = re.search(r"systemctl edit poised`(.*?)\)", (ROOT / "README.md").read_text(), re.S)[1]
    return re.findall(r"`([^`]+)`", text)


def installed(bench):
    """Units and programs in a tree of their own."""
    root, build = bench.folder / "root", bench.programs_folder.parent
    units = root / "usr/lib/systemd/system"
    units.mkdir(parents=True)
    (root / "usr/bin").mkdir()
    for name, folder in UNITS.items():
        text = (build / folder / f"{name}.service").read_text()
        assert re.search(r"^MemoryMax=\d+M$", text, re.M) and re.search(r"^IPAddressDeny=any$", text, re.M)
        program = re.search(r"^ExecStart=(\S+)", text, re.M)[1]
        assert program.endswith(f"/bin/{name}")
        (root / program.lstrip("/")).parent.mkdir(parents=True, exist_ok=True)
        (root / program.lstrip("/")).write_text("#!/bin/sh\n")
        (root / program.lstrip("/")).chmod(0o755)
        (units / f"{name}.service").write_text(text)
    for target in ("basic", "sysinit", "shutdown", "multi-user", "network"):
        (units / f"{target}.target").write_text("[Unit]\nDefaultDependencies=no\n")
    (units / "systemd-udevd.service").write_text("[Service]\nExecStart=/usr/bin/poised\n")
    (root / "bin").mkdir(exist_ok=True)
    shutil.copy("/bin/kill", root / "bin/kill")
    return root


def analyze(*words):
    done = subprocess.run(["systemd-analyze", *map(str, words)], capture_output=True, text=True, timeout=60,
                          env={**os.environ, "SYSTEMD_LOG_LEVEL": "warning", "LC_ALL": "C.UTF-8"})
    return done.returncode, done.stdout + done.stderr


def judge(root, names, exposed):
    units = root / "usr/lib/systemd/system"
    status, said = analyze("verify", "--man=no", "--recursive-errors=no", f"--root={root}", *(f"{name}.service" for name in names))
    assert status == 0 and not re.search(r"Unknown|Failed to parse|not executable|ignoring", said), said
    for name in names:
        status, said = analyze("security", "--offline=true", f"--root={root}", f"--threshold={exposed[name]}",
                               "--no-pager", f"{name}.service")
        assert status == 0, said
    return units


def test_the_units_are_right_and_confined(bench):
    root = installed(bench)
    units = judge(root, UNITS, EXPOSED)
    lines = drop_in()
    assert lines[0] == "[Service]" and len(lines) >= 3 and any("IPAddressAllow=" in line for line in lines), lines
    for name in ("poised", "poise-site"):               # the site's manual says the same
        (units / f"{name}.service.d").mkdir()
        (units / f"{name}.service.d/override.conf").write_text("\n".join(lines) + "\n")
    judge(root, EXPOSED_TO_A_NETWORK, EXPOSED_TO_A_NETWORK)
    status, said = analyze("security", "--offline=true", f"--root={root}", "--no-pager", "poised.service")
    network = re.search(r"(.) IPAddressDeny=.*", said)
    assert network and "allow list" in network[0], said  # and not open to everybody
    (units / "poised.service.d/override.conf").write_text("[Service]\nIPAdressAllow=192.168.7.0/24\n")
    status, said = analyze("verify", "--man=no", f"--root={root}", "poised.service")
    assert "Unknown key" in said, said                  # a slip of the finger is one that this test sees
