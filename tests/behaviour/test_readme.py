"""Every command in the README: run here as it is printed, on a bench that has brewed, or by the test that is named."""
import pathlib
import re

from bench import line_scale, refractometer, station

ROOT = pathlib.Path(__file__).resolve().parents[2]

# what cannot be run here, and the test that does
ELSEWHERE = [
    (r"\./demo|\./check", "./demo and ./check themselves"),
    (r"sudo \.ci/install|cmake -G Ninja .*(PREFIX|RELEASE|Release)|\(cd build && cpack", "tests/reproducible.sh"),
    (r"cmake .*--target tour", "tests/tour/check.py"),
    (r"sudo poise-ctl setup", "tests/behaviour/test_setup.py"),
    (r"poise-ctl (keys|rescue)|sudo -u poise poise-ctl keys|sudo systemctl|export POISE_KEY|poise-logger --store ~",
     "tests/faults"),
    (r"poise-taste (new|serve|answer|reveal)", "tests/behaviour/test_taste.py"),
    (r"poise-ctl probe", "tests/behaviour/test_probe.py"),
    (r"poise-report bench|poise-ctl check", "tests/behaviour/test_watch.py"),
    (r"poise-share|poise-report --store postgresql:|createdb|psql|sudo -u postgres|su postgres", "tests/behaviour/test_share.py"),
    (r"poise-report --html$", "tests/behaviour/test_report.py"),
    (r"Rscript ", "tests/behaviour/test_report.py"),
    (r"build/tests/poise-corpus|tests/speed/run", "tests/virtual/corpus.c"),
    (r"systemctl edit|apt-get install|poise-board", "tests/packages.sh"),
]


def commands():
    """Lines of indented blocks, continued ones joined, without what explains them; and commands within the text."""
    text = re.sub(r"```.*?```", "", (ROOT / "README.md").read_text(), flags=re.S)
    blocks = re.findall(r"(?:^ {4,}\S.*\n)+", text, re.M)
    for block in blocks:
        joined = ""
        for line in block.splitlines():
            joined += " " * bool(joined) + line.strip()
            if joined.count("'") % 2 == 0:
                yield re.sub(r"\s{2,}#.*| # .*", "", joined).strip()
                joined = ""
    for inline in re.findall(r"`((?:poise-[a-z]+|poised) [^`\n]+)`", text):
        yield inline


def brewed(bench):
    """A store with four cups of the plan, a bench that answers, and what the commands name."""
    port = bench.port("pier-scale")
    bench.configure(station("training"), line_scale("pier-scale", port, station="training"),
                    refractometer("pier-refractometer", bench.port("pier-refractometer")))
    bench.poised()
    bench.logger().wait_diagnostic("keeping the brews")
    port.wait_heard()
    for _ in range(3):
        port.line("ST,GS,+    0.00 g")
    plan = bench.folder / "plan.ini"
    plan.write_text(re.findall(r"```ini\n(\[experiment\].*?)```", (ROOT / "README.md").read_text(), re.S)[0]
                    .replace("order = random", "order = listed"))
    assert bench.run("poise-ctl", "plan", "load", plan)[0] == 0
    names = []
    for steep_s, strength in ((45, 1.20), (75, 1.30), (120, 1.38), (180, 1.42), (300, 1.45)):
        names.append(bench.ask(do="begin")["brew"])
        for measure, value in (("dose_g", 15.0), ("water_g", 230.0), ("beverage_g", 200.0), ("steep_s", steep_s),
                               ("strength_pct", strength)):
            assert bench.ask(do="enter", measure=measure, value=value)["ok"]
        assert bench.ask(do="end")["ok"]
    bench.wait_query("SELECT count(*) AS n FROM brew_summary WHERE ended_utc IS NOT NULL", lambda rows: rows[0]["n"] == 5)
    assert bench.run("poise-ctl", "plan", "unload")[0] == 0
    return plan, names


def test_every_command_in_the_readme_is_run(bench):
    plan, names = brewed(bench)
    found, run, failures = list(commands()), 0, []
    assert len(found) > 20, found
    for command in found:
        covered = [where for pattern, where in ELSEWHERE if re.match(pattern, command)]
        if covered or command in ("poise-ctl doctor",):     # doctor: also says what is wrong, test_doctor.py
            assert all((ROOT / where).exists() for where in covered if where.startswith("tests/")), command
            continue
        line = re.sub(r"\[.*?\]", "", command)
        for pattern, value in ((r"~/\.local/share/poise/store\.db", bench.store), (r"--(html|plan) \S+",
                               rf"--\1 {bench.folder}/out.\1"), (r"--(svg|r) FOLDER", rf"--\1 {bench.folder}/\1"),
                               (r"pier-20261125-003|\bBREW\b", names[2]), (r"\bFILE\b", plan),
                               (r"/etc/poise/poised\.conf", bench.configuration), (r"> \S+", ""), (r"\.\.\.$", "")):
            line = re.sub(pattern, str(value), line)
        path = f"PATH={bench.programs_folder}:$PATH; cd {bench.folder}; {line}"
        status, output, said = bench.run("/bin/bash", "-c", path, timeout=60)
        if status != 0:
            failures.append(f"{command}\n    as: {line}\n    {said}{output[-300:]}")
        run += 1
    assert not failures, "\n".join(failures)
    assert run >= 12, run
