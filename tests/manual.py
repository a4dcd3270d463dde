#!/usr/bin/python3
"""tests/manual.py BIN: each program's --help and its manual page name the same options, each page is sound, and the
completion offers what a program offers.
"""
import pathlib
import re
import subprocess
import sys

TOP = pathlib.Path(__file__).resolve().parent.parent
BIN = pathlib.Path(sys.argv[1])
PAGES = {"poised": TOP / "daemon/poised.8", "poise-site": TOP / "daemon/site/poise-site.8"} | {path.parent.name: path for path in TOP.glob("clients/*/*.1")}


def run(*command, **how):
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, **how)


def options(text):
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text))


def wrong():
    for page in [*PAGES.values(), *TOP.glob("lib/*/*.[57]"), *TOP.glob("daemon/*/*.5")]:
        lint = run("mandoc", "-Tlint", "-Wwarning", str(page))
        yield from (line for line in lint.stdout.splitlines() if not re.search("missing date", line))
    for program, page in sorted(PAGES.items()):
        helped = options(run(str(BIN / program), "--help").stdout)
        paged = options(re.sub(r"\\f[A-Z]|\\&", "", page.read_text()).replace("\\-", "-"))
        # a page may speak of another program's options; what a program offers it must have
        for option in sorted(helped - paged):
            yield f"{page.relative_to(TOP)}: {option} is in --help and not here"
        section = re.search(r"\n\.SH OPTIONS\n(.*?)\n\.SH ", page.read_text(), re.S)
        heads = re.findall(r"\n\.TP\n(.*)", "\n" + section.group(1)) if section else []
        named = options(re.sub(r"\\f[A-Z]|\\&", "", "\n".join(heads)).replace("\\-", "-"))
        for option in sorted(named - helped):
            yield f"{program} --help: {option} is in the page's OPTIONS and not here"
        verbs = re.search(r"\nCommands\n(.*?)\n\n", run(str(BIN / program), "--help").stdout, re.S)
        heads = re.findall(r"\n\.TP\n\.B[IR]* \"?([a-z]+)", page.read_text())
        for verb in re.findall(r"^  ([a-z]+)", verbs.group(1), re.M) if verbs else []:
            if verb not in heads:
                yield f"{page.relative_to(TOP)}: the command {verb} is in --help and not here"
    script = (f"PATH={BIN}:$PATH; source {TOP}/clients/completion/poise.bash; COMP_WORDS=(poise-ctl doc); COMP_CWORD=1; "
              "_poise; echo ${COMPREPLY[@]}; COMP_WORDS=(poise-timer --pl); _poise; echo ${COMPREPLY[@]}")
    offered = run("bash", "-c", script).stdout.split()
    if offered != ["doctor", "--plain"]:
        yield f"the completion offers {offered} for `poise-ctl doc` and `poise-timer --pl`"


problems = list(wrong())
print("\n".join(problems) or f"{len(PAGES)} pages agree with --help")
sys.exit(1 if problems else 0)
